"""One hot week for all tests of this folder; they only read it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.shells.journal import JournalReader, reading
from tests.report.weeks import hot_week


@pytest.fixture(scope="session")
def week_journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The journal of a hot week."""
    path = tmp_path_factory.mktemp("week") / "journal.sqlite"
    hot_week(path)
    return path


@pytest.fixture
def week(week_journal: Path) -> Iterator[JournalReader]:
    """A reader of it."""
    with reading(week_journal) as reader:
        yield reader
