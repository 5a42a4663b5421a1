"""The main job, for real: readings go in over a real broker, pulses come out on the pins, and nothing stays open."""

import os
import signal
import sqlite3
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tests.broker import wait_for
from tests.endtoend.rig import MASTER_PIN, SALAD_PIN, TOMATO_PIN, Rig
from tests.forecast.server import Reply

Reply_500 = Reply(b"", status=500)

pytestmark = pytest.mark.real


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path) as made:
        yield made


def believed(rig: Rig) -> bool:
    """Whether the tomatoes' probe has been heard and is trusted."""
    trust = (rig.shown("zone/tomatoes") or {}).get("trust", {})
    return bool(trust.get("tomatoes-probe", 0.0) > 0.5)


def test_readings_go_in_and_pulses_come_out_in_order(rig: Rig) -> None:
    rig.say("garden/air", "39.5")
    rig.start()
    rig.wait_ready()
    rig.say("garden/tomatoes", {"soil": {"moisture": 8.2}})
    wait_for(lambda: believed(rig), "the probe")
    wait_for(lambda: "open-meteo" in str(rig.shown("weather")), "the forecast", 15)

    hot = "°C, forecast)"
    plan = wait_for(lambda: [w for w in waterings(rig) if hot in str(w["reasons"])], "a plan for heat")
    assert {w["zone"] for w in plan} == {"tomatoes", "salad"}
    assert any(job["id"] == "no-planting" for job in (rig.shown("jobs") or {"jobs": []})["jobs"])

    wait_for(lambda: MASTER_PIN in rig.lines_on(), "water", 15)
    rows = [row for row in rig.rows() if row.what == "set"]
    zone_on = next(row for row in rows if row.pin in (TOMATO_PIN, SALAD_PIN))
    master_on = next(row for row in rows if row.pin == MASTER_PIN and row.level == 1)
    assert zone_on.at_s <= master_on.at_s - 0.2, "the master opens after the zone valve"
    claims = [row for row in rig.rows() if row.what == "claim"]
    assert all(row.level == (row.pin == SALAD_PIN) for row in claims), "every line is claimed at rest"

    assert rig.stop(signal.SIGTERM) == 0
    assert rig.lines_on() == set()
    last = [row for row in rig.rows() if row.what == "set"]
    off = {row.pin: row.at_s for row in last}
    assert off[MASTER_PIN] <= off[zone_on.pin], "the master closes first"
    assert rig.shown("status") is not None
    assert rig.shown("status")["online"] is False  # type: ignore[index]


@pytest.fixture
def morning(tmp_path: Path) -> Iterator[Rig]:
    """A garden some hours after its sunrise, when no watering of the plan is due that could have the supply first."""
    with Rig(tmp_path, sunrise_in=timedelta(hours=20)) as made:
        yield made


def test_water_by_hand_runs_its_length_and_is_written_down(morning: Rig) -> None:
    rig = morning
    rig.start()
    rig.wait_ready()
    assert rig.ask("hold")["ok"]
    wait_for(lambda: not rig.lines_on(), "everything closed")
    assert not rig.ask("water", zone="salad", litres=0.35)["ok"], "no water while on hold"
    assert rig.ask("release")["ok"]
    assert rig.ask("stop")["ok"]
    wait_for(lambda: not rig.lines_on(), "everything closed")

    answer = rig.ask("water", zone="salad", litres=0.35, id="once")

    assert answer["ok"], answer
    wait_for(lambda: SALAD_PIN in rig.lines_on(), "the valve")
    again = rig.ask("water", zone="salad", litres=0.35, id="once")
    assert not again["ok"]
    assert "not done again" in again["said"]
    said = rig.command("stop", "tomatoes")
    assert "closed" in said
    wait_for(lambda: SALAD_PIN not in rig.lines_on(), "the end of the pulse", 45)
    wait_for(lambda: (rig.shown("zone/salad") or {}).get("last_watering"), "the report of it")
    rig.stop(signal.SIGTERM)
    with sqlite3.connect(rig.folder / "journal.sqlite") as db:
        rows = db.execute("SELECT litres, why FROM opening WHERE watering LIKE 'hand-%'").fetchall()
    assert len(rows) == 1
    assert rows[0][1] == "deadline"
    assert rows[0][0] == pytest.approx(0.35, abs=0.02)


def test_retained_expired_and_malformed_asks_are_refused(rig: Rig) -> None:
    rig.start()
    rig.wait_ready()
    past = (datetime.now(UTC) - timedelta(minutes=1)).isoformat()
    assert "lapsed" in rig.ask("water", zone="salad", litres=1, expires=past)["said"]
    assert "no zone" in rig.ask("water", zone="roses", litres=1)["said"]
    rig.ear.say("seepward/rig/ask", '{"do": "water", "id": "kept", "zone": "salad", "litres": 1}', retain=True)
    kept = wait_for(lambda: rig._answers("kept"), "an answer to the kept ask")[0]
    assert not kept["ok"]
    assert "kept" in kept["said"] or "retained" in kept["said"]


def test_sigkill_closes_at_once_and_the_restart_gives_the_rest(rig: Rig) -> None:
    rig.start()
    rig.wait_ready()
    wait_for(lambda: waterings(rig), "a plan")
    wait_for(lambda: MASTER_PIN in rig.lines_on(), "water", 15)
    before = {w["id"]: w["litres"] for w in waterings(rig)}
    time.sleep(3)  # let some of the pulse flow; the point is to be in its middle

    assert rig.daemon is not None
    killed_s = time.monotonic()
    rig.daemon.kill()
    rig.daemon.wait()
    wait_for(lambda: not rig.lines_on(), "everything closed", 2)
    closed_s = max(row.at_s for row in rig.rows() if row.what == "set")
    assert closed_s - killed_s < 0.5

    rig.start()
    wait_for(lambda: "owner gone" in str(openings(rig)), "what was given is known", 15)
    cut = {watering: litres for watering, litres, why in openings(rig) if why == "owner gone"}
    assert cut
    assert all(litres > 0.0 for litres in cut.values())
    wait_for(lambda: MASTER_PIN in rig.lines_on(), "the rest", 30)
    watering = next(iter(cut))
    again = wait_for(
        lambda: [pulse for w in waterings(rig) if w["id"] == watering for pulse in w["pulses"]],
        "the watering in the new plan",
    )
    planned = sum(pulse["litres"] for pulse in again)
    assert planned == pytest.approx(before[watering], rel=0.02), "the pulses together make the whole, not more"
    assert rig.stop(signal.SIGTERM) == 0
    assert rig.lines_on() == set()


def test_close_shuts_everything_beside_a_living_daemon_and_it_stays_shut(rig: Rig) -> None:
    rig.start()
    rig.wait_ready()
    wait_for(lambda: MASTER_PIN in rig.lines_on(), "water", 15)

    said = rig.command("close")

    assert "closed" in said
    assert rig.lines_on() == set()
    wait_for(lambda: "by hand" in rig.log(), "the daemon hears of it")
    wait_for(lambda: not [w for w in waterings(rig) if starts_within(w, minutes=30)], "a plan without this dawn")
    assert rig.stop(signal.SIGTERM) == 0


def test_a_hung_daemon_is_shut_by_its_guard_and_ended_by_close(rig: Rig) -> None:
    daemon = rig.start()
    rig.wait_ready()
    wait_for(lambda: MASTER_PIN in rig.lines_on(), "water", 15)

    stopped_s = time.monotonic()
    os.kill(daemon.pid, signal.SIGSTOP)
    wait_for(lambda: not rig.lines_on(), "silence closes", 5)
    assert max(row.at_s for row in rig.rows() if row.what == "set") - stopped_s < 1.5

    for pid in {row.pid for row in rig.rows()}:
        os.kill(pid, signal.SIGSTOP)
    said = rig.command("close")
    assert "closed" in said
    assert daemon.wait(5) == -signal.SIGKILL


def test_a_hung_guard_is_ended_and_replaced(rig: Rig) -> None:
    rig.start()
    rig.wait_ready()
    wait_for(lambda: MASTER_PIN in rig.lines_on(), "water", 15)
    first = {row.pid for row in rig.rows()}
    assert len(first) == 1

    os.kill(next(iter(first)), signal.SIGSTOP)

    wait_for(lambda: {row.pid for row in rig.rows()} - first, "a new guard", 15)
    second = next(iter({row.pid for row in rig.rows()} - first))

    def claims() -> dict[int, int]:
        return {row.pin: row.level for row in rig.rows() if row.pid == second and row.what == "claim"}

    wait_for(lambda: len(claims()) == 3, "all lines")
    assert claims() == {MASTER_PIN: 0, TOMATO_PIN: 0, SALAD_PIN: 1}, "claimed at rest"
    assert "has not answered" in rig.log()
    assert rig.stop(signal.SIGTERM) == 0
    assert rig.lines_on() == set()


def test_an_older_broker_protocol_does_too(tmp_path: Path) -> None:
    with Rig(tmp_path, protocol="3.1.1") as rig:
        rig.start()
        rig.wait_ready()
        rig.say("garden/tomatoes", {"soil": {"moisture": 8.2}})
        wait_for(lambda: believed(rig), "the probe")
        assert rig.ask("hold")["ok"]
        assert "hold" in rig.command("water", "salad", "--litres", "1", expect=1)
        assert rig.stop(signal.SIGTERM) == 0
        assert rig.lines_on() == set()


def test_a_second_daemon_says_who_is_there_and_leaves(rig: Rig) -> None:
    rig.start()
    rig.wait_ready()
    first, first_log = rig.daemon, rig.log()
    second = rig.start()
    assert second.wait(15) == 1
    assert "Another Seepward is running" in rig.log()[len(first_log) :]
    rig.daemon = first


def test_everything_goes_on_without_broker_and_forecast(rig: Rig) -> None:
    rig.broker.stop()
    rig.forecast.replies = [Reply_500]
    rig.start()
    wait_for(lambda: MASTER_PIN in rig.lines_on(), "water all the same", 30)
    assert rig.stop(signal.SIGTERM) == 0
    log = rig.log()
    assert "broker" in log.lower()
    assert "No new forecast" in log
    rig.broker.start()


def waterings(rig: Rig) -> list[dict[str, Any]]:
    return (rig.shown("plan") or {"waterings": []})["waterings"]  # type: ignore[no-any-return]


def starts_within(watering: dict[str, Any], minutes: float) -> bool:
    start = datetime.fromisoformat(watering["start"])
    return timedelta(0) <= start - datetime.now(UTC) < timedelta(minutes=minutes)


def openings(rig: Rig) -> list[tuple[str, float, str]]:
    with sqlite3.connect(f"file:{rig.folder / 'journal.sqlite'}?mode=ro", uri=True) as db:
        return db.execute("SELECT watering, litres, why FROM opening WHERE closed IS NOT NULL").fetchall()
