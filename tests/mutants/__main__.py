"""`python -m tests.mutants [--seeds N] [--only WORD]`: each seeded mistake, and the seed that shows it.

Each mistake is made in a copy of the sources and lived with, seed after seed, in a process of its own until something
breaks. Exit 1 if one is not seen within the seeds, or if the sources as they are break something.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.mutants.mistakes import MISTAKES, Mistake

ROOT = Path(__file__).parents[2]
SOURCES = ("controller", "tests")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("--seeds", type=int, default=50, help="how many lives each mistake gets (50)")
    parser.add_argument("--only", default="", help="only mistakes whose sentence holds this")
    parser.add_argument("--none", action="store_true", help="live with no mistake at all")
    given = parser.parse_args()
    if given.none:
        said = lives(None, given.seeds)
        print(said or f"nothing broke in {given.seeds} lives")
        return 1 if said else 0
    chosen = [mistake for mistake in MISTAKES if given.only in mistake.said]
    missed = 0
    for mistake in chosen:
        said = lives(mistake, given.seeds)
        missed += said is None
        print(f"{'seen' if said else 'NOT SEEN':8}  {mistake.said}: {said or f'{given.seeds} seeds'}", flush=True)
    print(f"{len(chosen) - missed} of {len(chosen)} seen within {given.seeds} seeds")
    return 1 if missed else 0


def lives(mistake: Mistake | None, seeds: int) -> str | None:
    """What the first seed that breaks something breaks; None if none does."""
    with tempfile.TemporaryDirectory(prefix="mutant-") as directory:
        copy = Path(directory)
        for name in SOURCES:
            shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        if mistake is not None:
            make(mistake, copy)
        trial = subprocess.run(
            [sys.executable, "-m", "tests.mutants.trial", str(seeds)],
            cwd=copy, env={**os.environ, "PYTHONPATH": directory}, capture_output=True, text=True, check=False,
        )
    if trial.returncode not in (0, 1):
        raise SystemExit(f"the trial itself failed:\n{trial.stderr}")
    return trial.stdout.strip() or None


def fits(mistake: Mistake, copy: Path) -> bool:
    """Whether there is exactly one place for it."""
    return (copy / "controller" / mistake.file).read_text(encoding="utf-8").count(mistake.right) == 1


def make(mistake: Mistake, copy: Path) -> None:
    """Put the mistake into the copy. SystemExit if it no longer fits the sources."""
    if not fits(mistake, copy):
        raise SystemExit(f"{mistake.said}: {mistake.file} no longer holds exactly once: {mistake.right}")
    path = copy / "controller" / mistake.file
    path.write_text(path.read_text(encoding="utf-8").replace(mistake.right, mistake.wrong), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
