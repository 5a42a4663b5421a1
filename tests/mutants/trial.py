"""`python -m tests.mutants.trial SEEDS`: live seed after seed, print the first thing that breaks and exit 1."""

import logging
import sys
from datetime import date
from pathlib import Path

from controller.settings import load
from controller.sim.faults import Fault
from controller.sim.run import Span, drawn, lived

GARDENS = tuple(Path(__file__).parents[1] / "sim" / name for name in ("two_beds.toml", "metered.toml"))
"""One after the other: the second has a flow meter, a pair that may never be open together, and limits of the site."""
FIRST, LAST = date(2026, 7, 1), date(2026, 7, 3)
OFTEN = 60.0
USED_UP = (
    Fault("planner runs wild", 10.0, 2.0, size=60.0),
    Fault("clock steps on", 12.2, 20.0, size=40.0),
    Fault("both killed", 12.5),
    Fault("planner runs wild", 13.0, 3.0, size=60.0),
)
"""A day's minutes are used up, the clock jumps, all begins anew, and more is asked for."""
KEEPS_ENDING = (Fault("restarts", 0.01, size=7.0, after_open_s=1500.0),)
"""In the middle of a dawn, after its first pulses."""
CHOSEN = {0: USED_UP, 1: KEEPS_ENDING}
"""Hardly ever drawn: one life in five has the first of these as well, the next the second."""


def main(seeds: int) -> int:
    logging.disable(logging.CRITICAL)
    gardens = [load(path) for path in GARDENS]
    for seed in range(1, seeds + 1):
        span = Span(gardens[seed % len(gardens)], FIRST, LAST, seed, often=OFTEN)
        try:
            faults = (*drawn(span), *CHOSEN.get(seed % 5, ()))
            _, found = lived(span, tuple(sorted(faults, key=lambda fault: fault.at_h)))
        except Exception as error:  # a mistake may well end in a traceback: then it is seen too
            print(f"seed {seed}, {type(error).__name__}: {error}")
            return 1
        if found:
            print(f"seed {seed}, {found[0].rule}: {found[0].said}")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
