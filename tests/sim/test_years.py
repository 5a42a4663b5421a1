"""A garden-year with faults of every kind breaks nothing, nor does another one where pipes leak: the pieces that
`python -m tests.bench years` begins with, in either garden."""

import json
import logging
from collections.abc import Iterator
from math import ceil
from pathlib import Path

import pytest

from controller.settings import load
from controller.sim.run import drawn, with_faults
from tests.bench.years import DAYS_A_YEAR, GARDEN, PIECE_DAYS, piece

GARDENS = (GARDEN, Path(__file__).with_name("metered.toml"))


@pytest.fixture(autouse=True)
def _hushed() -> Iterator[None]:
    """What is broken on purpose is logged by the thousand."""
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


@pytest.mark.parametrize(
    ("garden", "number"),
    [(garden, n) for garden in GARDENS for n in range(ceil(DAYS_A_YEAR / PIECE_DAYS))],
    ids=lambda value: value.stem if isinstance(value, Path) else str(value),
)
def test_a_year_with_faults_of_every_kind_breaks_nothing(garden: Path, number: int) -> None:
    span = piece(load(garden), number * PIECE_DAYS, PIECE_DAYS, seed=1 + number)
    result = with_faults(span, drawn(span))
    assert result["faults"]["injected"] > 0
    assert result["violations"] == [], json.dumps(result["shrunk"])
