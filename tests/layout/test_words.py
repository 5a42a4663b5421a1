"""What no file of the project may contain: places of one machine, package registries, loose ends."""

import re
from pathlib import Path

import pytest

from tests.layout.source import ROOT

TOPS = ("controller", "config", "deploy", "tests", ".ci")
TEXT = frozenset({".py", ".md", ".toml", ".sh", ".txt", ".json", ".service", ".conf", ".sysusers", ".html", ".j2", ""})
HERE = Path(__file__).resolve()

MACHINE_PATHS = re.compile(r"(?<![\w.])/(?:work|home/\w+|root|Users/\w+|tmp/[\w-]+|workspace|mnt/\w+)/[\w.]")
REGISTRIES = re.compile(r"pypi\.|pythonhosted|piwheels|npmjs|proxy\.golang|crates\.io|artifactory", re.I)
LOOSE_ENDS = re.compile(r"\b(?:TODO|FIXME|XXX|HACK)\b")


def texts() -> list[Path]:
    below = [path for top in TOPS for path in (ROOT / top).rglob("*") if path.is_file()]
    above = [path for path in ROOT.iterdir() if path.is_file() and path.name not in ("LICENSE", ".git")]
    wanted = [path for path in (*below, *above) if path.suffix in TEXT and "__pycache__" not in path.parts]
    return sorted(path for path in wanted if path != HERE and not path.name.endswith(".schema.json"))


@pytest.mark.parametrize("words", [MACHINE_PATHS, REGISTRIES, LOOSE_ENDS], ids=["paths", "registries", "loose ends"])
def test_no_file_contains(words: re.Pattern[str]) -> None:
    found = [
        f"{path.relative_to(ROOT)}:{number}: {match[0]}"
        for path in texts()
        for number, line in enumerate(path.read_text("utf-8").splitlines(), start=1)
        if (match := words.search(line))
    ]
    assert not found, "\n".join(found)


def test_something_is_looked_at() -> None:
    names = {str(path.relative_to(ROOT)) for path in texts()}
    assert {"README.md", "pyproject.toml", "controller/core/step.py", "deploy/test.sh", "requirements.txt"} <= names
