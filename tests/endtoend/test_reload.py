"""SIGHUP: the config anew under a running daemon, all or nothing, with real processes."""

import signal
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.broker import wait_for
from tests.endtoend.rig import MASTER_PIN, SALAD_PIN, TOMATO_PIN, Rig

pytestmark = pytest.mark.real

NEW_PIN = 23


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path) as made:
        made.start()
        made.wait_ready()
        made.ask("stop")  # the dawn soak that the rig is set for
        wait_for(lambda: not made.lines_on(), "everything closed")
        yield made


def edit(rig: Rig, old: str, new: str) -> None:
    text = rig.config.read_text("utf-8")
    assert old in text
    rig.config.write_text(text.replace(old, new, 1), "utf-8")


def reload(rig: Rig) -> None:
    assert rig.daemon is not None
    rig.daemon.send_signal(signal.SIGHUP)


def faults(rig: Rig) -> dict[str, Any]:
    return dict((rig.shown("status") or {}).get("faults") or {})


def claims(rig: Rig) -> list[int]:
    return [row.pin for row in rig.rows() if row.what == "claim"]


def test_a_new_pin_is_claimed_at_rest_after_everything_was_shut(rig: Rig) -> None:
    answer = rig.ask("water", zone="tomatoes", litres=5)
    assert answer["ok"], answer
    wait_for(lambda: TOMATO_PIN in rig.lines_on(), "water", 20)
    edit(rig, f"valve = {{ pin = {TOMATO_PIN} }}", f"valve = {{ pin = {NEW_PIN} }}")

    reload(rig)

    wait_for(lambda: NEW_PIN in claims(rig), "the new pin", 20)
    rows = rig.rows()
    claimed = next(row for row in rows if row.pin == NEW_PIN)
    assert claimed.level == 0
    before = [row for row in rows if row.at_s < claimed.at_s]
    level = {row.pin: row.level for row in before if row.what != "free"}
    assert (level[TOMATO_PIN], level[MASTER_PIN], level[SALAD_PIN]) == (0, 0, 1), "all at rest before"
    wait_for(lambda: NEW_PIN in rig.lines_on(), "the rest of the watering, at the new pin", 90)
    assert TOMATO_PIN not in rig.lines_on()
    assert rig.daemon is not None
    assert rig.daemon.poll() is None, "the same process"
    assert rig.stop(signal.SIGTERM) == 0
    with sqlite3.connect(rig.folder / "journal.sqlite") as db:
        ends = [why for (why,) in db.execute("SELECT why FROM opening ORDER BY opened")]
    assert "reload" in ends


def test_a_wrong_config_changes_nothing_and_is_said(rig: Rig) -> None:
    edit(rig, f"valve = {{ pin = {TOMATO_PIN} }}", 'valve = { pin = "none" }')
    before = claims(rig)

    reload(rig)

    wait_for(lambda: rig.shown("fault/config"), "the fault")
    said = str(rig.shown("fault/config"))
    assert "The new config is wrong, the old one stays" in said
    assert "valve.pin" in said
    assert rig.ask("water", zone="salad", litres=0.35)["ok"]
    wait_for(lambda: SALAD_PIN in rig.lines_on(), "water by the old config", 20)
    edit(rig, 'valve = { pin = "none" }', f"valve = {{ pin = {TOMATO_PIN} }}")
    edit(rig, "/journal.sqlite", "/other.sqlite")
    reload(rig)
    wait_for(lambda: "[journal] path changes with a restart only" in str(rig.shown("fault/config")), "the other fault")
    assert claims(rig) == before
    edit(rig, "/other.sqlite", "/journal.sqlite")
    reload(rig)
    wait_for(lambda: rig.shown("fault/config") is None, "the fault to clear", 20)


def test_a_config_that_does_not_come_up_is_taken_back(rig: Rig) -> None:
    edit(rig, "tests.guard.diary_pins:factory", "no_such_module:factory")

    reload(rig)

    wait_for(lambda: rig.shown("fault/config"), "the fault", 30)
    assert "could not be put to work, the old one stays" in str(rig.shown("fault/config"))
    wait_for(lambda: rig.ask("water", zone="salad", litres=0.35)["ok"], "the old config to water", 20)
    wait_for(lambda: SALAD_PIN in rig.lines_on(), "water", 20)
    assert rig.stop(signal.SIGTERM) == 0
