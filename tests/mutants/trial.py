"""`python -m tests.mutants.trial SEEDS`: live seed after seed, print the first thing that breaks and exit 1."""

import logging
import sys
from datetime import date
from pathlib import Path

from controller.settings import load
from controller.sim.run import Span, drawn, lived

GARDENS = tuple(Path(__file__).parents[1] / "sim" / name for name in ("two_beds.toml", "metered.toml"))
"""One after the other: the second has a flow meter, a pair that may never be open together, and limits of the site."""
FIRST, LAST = date(2026, 7, 1), date(2026, 7, 3)
OFTEN = 60.0


def main(seeds: int) -> int:
    logging.disable(logging.CRITICAL)
    gardens = [load(path) for path in GARDENS]
    for seed in range(1, seeds + 1):
        span = Span(gardens[seed % len(gardens)], FIRST, LAST, seed, often=OFTEN)
        try:
            _, found = lived(span, drawn(span))
        except Exception as error:  # a mistake may well end in a traceback: then it is seen too
            print(f"seed {seed}, {type(error).__name__}: {error}")
            return 1
        if found:
            print(f"seed {seed}, {found[0].rule}: {found[0].said}")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
