"""`python -m tests.chaos NAME [--count N] [--seed N]`: one kind of real chaos, its figures as JSON.

kills: the daemon is SIGKILLed at random instants, water running. cuts: power cuts replayed from a record of all writes
of a journal (see `cuts.py` for the model). broker: mosquitto is killed and started again. forecast: the service hangs,
lies and breaks off. full: the journal's file system of 2 MB fills (needs root, for a tmpfs). clock: the wall clock
jumps. Exit 1 if a figure that must be 0 is not.
"""

import argparse
import json
import random
import sys
import tempfile
from pathlib import Path

from tests.chaos import trials
from tests.chaos.cuts import replay

NAMES = ("kills", "cuts", "broker", "forecast", "full", "clock")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.chaos", description=__doc__.split("\n\n")[0])
    parser.add_argument("name", choices=NAMES)
    parser.add_argument("--count", type=int, default=20, help="kills, cuts, restarts or jumps (20)")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="chaos-") as directory:
        figures = run(given.name, Path(directory), given.count, given.seed)
    print(json.dumps({"name": given.name, "seed": given.seed, **figures}))
    return 1 if any(figures[bad] for bad in figures if bad.startswith("bad_")) else 0


def run(name: str, folder: Path, count: int, seed: int) -> dict[str, float]:
    """The figures of one kind; those that must be 0 begin with "bad_"."""
    if name == "cuts":
        figures = replay(folder, count, max(20, count // 4), seed)
        return {**figures, "bad_cuts_that_lost": figures["cuts_that_lost"], "bad_unfit": figures["unfit"]}
    return getattr(trials, name)(folder, count, random.Random(seed))  # type: ignore[no-any-return]


if __name__ == "__main__":
    sys.exit(main())
