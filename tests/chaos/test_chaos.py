"""The chaos trials, in short. Long ones: `python -m tests.chaos`."""

import os
import random
from pathlib import Path

import pytest

from controller.drivers.embedded_broker import mosquitto
from controller.shells.journal import Journal
from tests.chaos import trials
from tests.chaos.cuts import replay
from tests.chaos.preload import COMPILER

pytestmark = pytest.mark.real
needs_compiler = pytest.mark.skipif(COMPILER is None, reason="the recorder is built by a C compiler")
needs_broker = pytest.mark.skipif(mosquitto() is None, reason="needs mosquitto")


@needs_compiler
def test_no_power_cut_loses_a_row_that_was_reported(tmp_path: Path) -> None:
    figures = replay(tmp_path, cuts=60, rows=25, seed=1)
    assert figures["reported"] >= 20
    assert (figures["cuts_that_lost"], figures["unfit"]) == (0, 0)


@needs_compiler
def test_the_replay_shows_what_a_journal_that_does_not_wait_for_the_disk_would_lose(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """That the recorder can fail: the same writer, with `synchronous = NORMAL`."""
    writer = tmp_path / "tests_journal_writer.py"
    text = (Path(__file__).parents[1] / "journal" / "writer.py").read_text("utf-8")
    lazy = '    journal, site = Journal(path), a_site()\n    journal._db.execute("PRAGMA synchronous = NORMAL")\n'
    writer.write_text(text.replace("    journal, site = Journal(path), a_site()\n", lazy), encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}{os.pathsep}{os.getcwd()}")
    monkeypatch.setattr("tests.chaos.cuts.WRITER", "tests_journal_writer")
    assert Journal(":memory:")._db.execute("PRAGMA synchronous").fetchone() == (2,)
    assert replay(tmp_path, cuts=60, rows=25, seed=1)["cuts_that_lost"] > 10


@needs_broker
def test_kills_leave_no_valve_open_and_no_litre_out_of_the_journal(tmp_path: Path) -> None:
    figures = trials.kills(tmp_path, 2, random.Random(1))
    assert figures["bad_left_open"] == figures["bad_litres_outside_the_bound"] == 0


@needs_broker
@needs_compiler
def test_a_clock_that_jumps_holds_no_valve_open_and_is_said(tmp_path: Path) -> None:
    figures = trials.clock(tmp_path, 1, random.Random(1))
    assert {name: figures[name] for name in figures if name.startswith("bad")} == {
        "bad_late": 0, "bad_unopened": 0, "bad_unsaid": 0, "bad_daemon_died": 0
    }


@needs_broker
@pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount a small file system")
def test_a_full_disk_stops_no_water_and_loses_nothing(tmp_path: Path) -> None:
    try:
        figures = trials.full(tmp_path, 1, random.Random(1))
    except RuntimeError as why:
        pytest.skip(str(why))
    assert (figures["bad_unsaid"], figures["bad_dry"], figures["bad_lost"]) == (0, 0, 0)
