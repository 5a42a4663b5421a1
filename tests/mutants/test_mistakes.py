"""Each seeded mistake still fits the sources: one that does not would be lived with in vain."""

from pathlib import Path

import pytest

from tests.mutants.mistakes import MISTAKES, Mistake

SOURCES = Path(__file__).parents[2] / "controller"


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.said)
def test_it_can_be_made_in_one_place(mistake: Mistake) -> None:
    assert (SOURCES / mistake.file).read_text("utf-8").count(mistake.right) == 1
    assert mistake.wrong != mistake.right
