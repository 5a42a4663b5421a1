"""A command line to call, a config of a garden of its own, and a journal of a hot week behind it."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.__main__ import main
from controller.commands import common
from tests.broker import free_port
from tests.report.weeks import DEMO, hot_week

NOW = datetime(2026, 7, 17, 7, 10, tzinfo=UTC)
"""Ten minutes after the week's last word; 08:10 in Lisbon."""


@dataclass(frozen=True)
class Said:
    """What a command came to."""

    code: int
    out: str
    err: str

    @property
    def complaint(self) -> str:
        """The one line on stderr; nothing may be on stdout beside it."""
        [line] = self.err.splitlines()
        assert self.out == ""
        assert "Traceback" not in line
        return line


Call = Callable[..., Said]


@pytest.fixture(scope="session")
def week_journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The journal of a hot week; tests only read it."""
    path = tmp_path_factory.mktemp("week") / "journal.sqlite"
    hot_week(path)
    return path


@pytest.fixture
def config(tmp_path: Path, week_journal: Path) -> Path:
    """The demo's garden, with this journal, a broker that is not there, and mock pins."""
    text = DEMO.read_text("utf-8")
    text = text.replace('host = "localhost"', f'host = "127.0.0.1"\nport = {free_port()}')
    text = text.replace('source = "open-meteo"', 'source = "none"').replace("every_h = 6\n", "")
    text = text.replace(
        "longest_open_min = 30\n", f'longest_open_min = 30\nruntime_dir = "{tmp_path / "run"}"\n', 1
    )
    text += f'\n[journal]\npath = "{week_journal}"\n\n[pins]\ndriver = "tests.guard.diary_pins:factory"\n'
    assert re.search(r"port = \d+", text)
    path = tmp_path / "garden.toml"
    path.write_text(text, "utf-8")
    return path


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, config: Path) -> Call:
    """Call `seepward` with some arguments in that garden, at that hour."""
    monkeypatch.setenv("SEEPWARD_CONFIG", str(config))
    monkeypatch.delenv("SEEPWARD_TRACEBACK", raising=False)
    monkeypatch.setattr(common, "utc_now", lambda: NOW)

    def seepward(*arguments: str) -> Said:
        capsys.readouterr()
        code = main(arguments)
        told = capsys.readouterr()
        return Said(code, told.out, told.err)

    return seepward
