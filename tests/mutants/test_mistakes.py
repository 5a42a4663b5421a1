"""Each seeded mistake still fits the sources: one that does not would be lived with in vain."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutants.__main__ import fits, make
from tests.mutants.mistakes import MISTAKES, Mistake

ROOT = Path(__file__).parents[2]
UNTIDY = ("--disable-error-code=var-annotated", "--disable-error-code=func-returns-value")
"""What a mistake may be: it says nothing that is not so."""


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.said)
def test_it_can_be_made_in_one_place(mistake: Mistake) -> None:
    assert fits(mistake, ROOT)
    assert mistake.wrong != mistake.right


def test_each_is_a_mistake_of_thought_not_of_names(tmp_path: Path) -> None:
    """With as many of them made at once as fit, the types still hold: none is seen only because it asks for something
    that is not there."""
    left, said = list(MISTAKES), ""
    while left:
        copy = tmp_path / str(len(left))
        shutil.copytree(ROOT / "controller", copy / "controller", ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", copy)
        later = []
        for mistake in left:
            if fits(mistake, copy):
                make(mistake, copy)
            else:  # another has been made in its place
                later.append(mistake)
        left = later
        said += subprocess.run(
            [sys.executable, "-m", "mypy", "--strict", "--no-error-summary", *UNTIDY, "controller"],
            cwd=copy, capture_output=True, text=True, check=False,
        ).stdout
    assert said == ""
