"""A program that keeps ending: what it remembers may be why, so it begins anew without that."""

import json
import signal
import sqlite3
import time
from pathlib import Path

import pytest

from controller.shells.recovery import ANEW, STARTS_MOST, STARTS_WITHIN_S, restless
from tests.endtoend.rig import Rig


def test_the_fifth_start_within_ten_minutes_is_one_too_many_and_then_they_count_anew(tmp_path: Path) -> None:
    starts = tmp_path / "run" / "starts.json"
    assert [restless(starts, 100.0 * n) for n in range(STARTS_MOST + 1)] == [False] * 4 + [True, False]
    slow = tmp_path / "slow.json"
    assert not any(restless(slow, n * STARTS_WITHIN_S / 3.9) for n in range(20))


@pytest.mark.parametrize("text", ["", "{", "[1, null]", "3", '{"a": 1}', "[1e400, 2]"])
def test_a_damaged_count_counts_from_nothing(tmp_path: Path, text: str) -> None:
    starts = tmp_path / "starts.json"
    starts.write_text(text)
    assert not restless(starts, 50.0)


def test_a_reboot_counts_from_nothing(tmp_path: Path) -> None:
    starts = tmp_path / "starts.json"
    starts.write_text(json.dumps([9000.0] * 8))
    assert not restless(starts, 50.0)


@pytest.mark.real
def test_what_keeps_ending_begins_anew_with_its_holds(tmp_path: Path) -> None:
    with Rig(tmp_path) as rig:
        rig.start()
        rig.wait_ready()
        assert rig.ask("hold")["ok"]
        assert rig.stop(signal.SIGKILL) == -signal.SIGKILL
        path = tmp_path / "journal.sqlite"
        with sqlite3.connect(path) as db:
            (body,) = db.execute("SELECT body FROM garden").fetchone()
        assert json.loads(body)["holds"]
        (tmp_path / "run" / "starts.json").write_text(json.dumps([time.monotonic()] * (STARTS_MOST - 1)))
        rig.start()
        rig.wait_ready()
        assert ANEW in rig.log()
        assert not rig.ask("water", zone="salad", litres=0.35)["ok"], "the hold is kept"
        assert rig.stop(signal.SIGTERM) == 0
        assert not (tmp_path / "run" / "starts.json").exists(), "it has ended in order"

