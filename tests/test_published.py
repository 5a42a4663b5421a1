"""The list of published checks is what the tests' own marks say."""

import subprocess
import sys
from pathlib import Path

from tests.published import LIST, TESTS, markdown

LEAST_VALUES = 150


def test_the_list_is_up_to_date_and_long(tmp_path: Path) -> None:
    """In a process of its own: pytest does not nest."""
    fresh = tmp_path / "PUBLISHED.md"
    command = [sys.executable, "-m", "tests.published", str(fresh)]
    subprocess.run(command, cwd=TESTS.parent, check=True, timeout=120)
    text = fresh.read_text("utf-8")
    assert LIST.read_text("utf-8") == text, "write the list anew: python -m tests.published"
    rows = text.partition("|---|---|---:|\n")[2].splitlines()
    values = [int(row.split("|")[-2]) for row in rows]
    assert sum(values) >= LEAST_VALUES
    assert f"{sum(values)} values" in text


def test_a_page_of_two_sources() -> None:
    page = markdown({
        ("A book, Table 1", "tests/x/test_a.py::test_one"): 3,
        ("a | b, from memory", "tests/t.py::t"): 1,
    })
    assert "4 values from 2 sources, in 2 tests" in page
    assert "1 of them are from memory" in page
    assert "| A book, Table 1 | `x/test_a.py::test_one` | 3 |" in page
    assert "| a / b, from memory | `t.py::t` | 1 |" in page
