"""Garden-years with faults of every kind: how many a minute, how many faults of each kind, and what broke.

The garden is `tests/sim/two_beds.toml`, or another (`--garden`). A year runs from the first of March, in pieces of
`--days`, each with a seed of its own, so that what breaks is quickly run again. The goal is that nothing breaks; years
per minute of one core are told. The first years of it are part of the tests (`tests/sim/test_years.py`).
"""

import argparse
import logging
import sys
import time
from collections import Counter
from datetime import date, timedelta
from pathlib import Path

from controller.settings import Settings, load
from controller.sim.run import Span, drawn, with_faults
from tests.bench.rows import Row

GARDEN = Path(__file__).parents[1] / "sim" / "two_beds.toml"
BEGIN = date(2026, 3, 1)
GOAL_YEARS_A_MINUTE = 1.0
DAYS_A_YEAR = 365.25
PIECE_DAYS = 18


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--years", type=float, default=0.1, help="garden-years to live through (0.1)")
    parser.add_argument("--days", type=int, default=PIECE_DAYS, help=f"length of a piece ({PIECE_DAYS})")
    parser.add_argument("--first-seed", type=int, default=1, help="of the first piece; the next count on (1)")
    parser.add_argument("--often", type=float, default=1.0, help="a factor on how many faults there are (1)")
    parser.add_argument("--garden", type=Path, default=GARDEN, metavar="FILE", help="config of the garden (two beds)")
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after so many minutes, whatever is left")


def piece(settings: Settings, lived_days: int, days: int, seed: int, often: float = 1.0) -> Span:
    """So many days of the year, after those that were lived through already."""
    first = BEGIN + timedelta(days=lived_days % 365)
    return Span(settings, first, first + timedelta(days=days - 1), seed, often=often)


def rows(options: argparse.Namespace) -> list[Row]:
    """The row of the run, then one for each kind of fault."""
    logging.disable(logging.CRITICAL)
    settings, kinds, broken = load(options.garden), Counter[str](), 0
    began_s, cpu_s, lived_days, seed = time.monotonic(), time.process_time(), 0, options.first_seed
    while lived_days < options.years * DAYS_A_YEAR and time.monotonic() - began_s < 60.0 * options.minutes:
        span = piece(settings, lived_days, options.days, seed, options.often)
        result = with_faults(span, drawn(span), shrinks=False)
        kinds.update(result["faults"]["kinds"])
        for said in result["violations"]:
            print(f"broken: {said}", file=sys.stderr)
        broken += bool(result["violations"])
        lived_days += options.days
        seed += 1
    minutes = (time.process_time() - cpu_s) / 60.0
    years = lived_days / DAYS_A_YEAR
    by_kind: list[Row] = [
        {"name": kind, "ratio": None, "goal": None, "meets": True, "faults": count}
        for kind, count in sorted(kinds.items())
    ]
    return [
        {
            "name": "years", "ours_per_min": round(years / minutes, 3), "reference_per_min": GOAL_YEARS_A_MINUTE,
            "ratio": round(years / minutes / GOAL_YEARS_A_MINUTE, 3), "goal": 0, "meets": broken == 0,
            "years": round(years, 3), "seeds": f"{options.first_seed}-{seed - 1}", "broken": broken,
            "faults": kinds.total(),
        },
        *by_kind,
    ]
