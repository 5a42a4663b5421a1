"""The table of hazards names only what there is: its tests, its faults, its trials."""

import re

import pytest

from controller.sim.faults import KINDS
from tests.chaos.__main__ import NAMES
from tests.layout.source import ROOT

TEXT = (ROOT / "deploy" / "hazards.md").read_text("utf-8")
ROWS = [line for line in TEXT.splitlines() if line.startswith("| ") and not line.startswith("| hazard ")]
TESTS = sorted(set(re.findall(r"`(\w+/\w+)::(\w+)`", TEXT)) - {("guard/process", "x")})


@pytest.mark.parametrize(("file", "name"), TESTS)
def test_a_test_that_the_table_names_is_there(file: str, name: str) -> None:
    folder, _, module = file.partition("/")
    text = (ROOT / "tests" / folder / f"test_{module}.py").read_text("utf-8")
    assert re.search(rf"def test_{name}\b", text), f"no test_{name} in tests/{folder}/test_{module}.py"


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.split("|")[1].strip())
def test_each_hazard_is_shown_or_says_what_is_not(row: str) -> None:
    _, _, _, shown, gap, _ = row.split("|")
    assert "::" in shown or "faults" in shown or "tests.mutants" in shown or (shown.strip() == "none" and gap.strip())
    assert set(re.findall(r"chaos (\w+)", shown)) <= set(NAMES)
    assert set(re.findall(r'"([\w ]+)"', shown)) <= {*KINDS, "how long ago"}
