"""All checks against values that somebody else has printed: `python -m tests.published` lists them anew.

The list is tests/PUBLISHED.md. It comes from the marks themselves: pytest collects the tests, runs none, and
every `@pytest.mark.published(source=...)` counts once for each set of parameters. An argument is another file
to write to.
"""

import io
import sys
from collections import Counter
from collections.abc import Mapping
from contextlib import redirect_stdout
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parent
LIST = TESTS / "PUBLISHED.md"

Counts = Mapping[tuple[str, str], int]
"""How many values, by source and test."""


class Listener:
    """A pytest plugin that counts the marked tests as they are collected."""

    def __init__(self) -> None:
        self.counts: Counter[tuple[str, str]] = Counter()

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        for item in items:
            for mark in item.iter_markers("published"):
                self.counts[mark.kwargs["source"], item.nodeid.partition("[")[0]] += 1


def collect() -> Counts:
    """The marked tests of this directory; RuntimeError with pytest's words if one cannot be collected."""
    files = sorted(TESTS.rglob("test_*.py"))
    marked = [str(file) for file in files if "mark.published" in file.read_text("utf-8")]
    listener, words = Listener(), io.StringIO()
    with redirect_stdout(words):
        status = pytest.main(["--collect-only", "--rootdir", str(TESTS.parent), *marked], plugins=[listener])
    if status != pytest.ExitCode.OK:
        raise RuntimeError(f"pytest cannot collect the tests:\n{words.getvalue()}")
    return listener.counts


def markdown(counts: Counts) -> str:
    """The list as a page."""
    rows = [
        f"| {source.replace('|', '/')} | `{test.removeprefix('tests/')}` | {count} |"
        for (source, test), count in sorted(counts.items())
    ]
    remembered, computed = (
        sum(count for (source, _), count in counts.items() if words in source)
        for words in ("from memory", "computed from")
    )
    return "\n".join([
        "# Published checks",
        "",
        "Written by `python -m tests.published`; do not edit. `pytest -m published` runs them.",
        "",
        f"{sum(counts.values())} values from {len({source for source, _ in counts})} sources, "
        f"in {len({test for _, test in counts})} tests.",
        "A value is one set of parameters of one test; a test of a whole table or season counts once.",
        "",
        f"{remembered} of them are from memory, not read in the source.",
        f"{computed} are worked from a published formula, not printed as a number.",
        "",
        "| Source | Test, in `tests/` | Values |",
        "|---|---|---:|",
        *rows,
        "",
    ])


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else LIST
    target.write_text(markdown(collect()), "utf-8")
