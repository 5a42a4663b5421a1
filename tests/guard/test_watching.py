"""The guard process with switches and a flow meter at its pins, and with its latch: real processes, diary pins."""

import json
import os
import signal
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from controller.core.events import (
    GuardFault,
    GuardLost,
    GuardNotice,
    GuardReady,
    SwitchRead,
    ValveClosed,
    ValveOpened,
    ValveRefused,
)
from controller.drivers.gpio import Inlet
from controller.guard import files, wire
from controller.guard.__main__ import MEASURE_EVERY_S
from controller.guard.flow import MeterRule
from controller.guard.rules import Lock
from tests.guard.conftest import Garden, OwnGuard, charged, wait_for

pytestmark = pytest.mark.real

STOP, MAINS, METER = 5, 6, 13
METERED = MeterRule(litres_per_pulse=0.01, capacity_l_min=10_000.0)


def switched(latch: Path | None = None) -> wire.Charged:
    plain = charged()
    return replace(
        plain,
        charge=replace(plain.charge, inputs={"button": "stop switch", "mains": "pressure switch"}),
        inlets={"button": Inlet(STOP, True), "mains": Inlet(MAINS, False)},
        latch=str(latch) if latch else None,
    )


def metered(dry_s: float = 15.0) -> wire.Charged:
    plain = charged()
    meter = replace(METERED, dry_s=dry_s)
    return replace(plain, charge=replace(plain.charge, meter=meter), inlets={wire.METER: Inlet(METER, True)})


def at_rest(garden: Garden) -> None:
    """The stop switch's loop is closed and there is pressure: both hold their pins low."""
    garden.put("levels", f"{STOP} 0\n{MAINS} 0\n")


def test_a_stop_switch_closes_all_and_stays_locked_over_a_restart(garden: Garden, tmp_path: Path) -> None:
    latch = tmp_path / "locked.json"
    at_rest(garden)
    guard = OwnGuard(garden)
    try:
        guard.start(switched(latch)).next(GuardReady)
        assert {guard.next(SwitchRead), guard.next(SwitchRead)} == {
            SwitchRead("button", False),
            SwitchRead("mains", True),
        }
        guard.process.open("beans", "p1", 60)
        guard.next(ValveOpened)
        pressed_s = time.monotonic()
        garden.put("levels", f"{STOP} 1\n{MAINS} 0\n")
        assert guard.next(SwitchRead) == SwitchRead("button", True)
        assert guard.next(ValveClosed).why == "stopped"
        assert garden.closed_at_s() - pressed_s < 1.0
        assert guard.next(GuardNotice) == GuardNotice("stopped", "the stop switch is pressed", locked=True)
        wait_for(lambda: "stopped" in latch.read_text(), "the latch to be written")
        os.kill(guard.process.pid or 0, signal.SIGKILL)
        guard.next(GuardLost)
    finally:
        guard.end()
    at_rest(garden)
    again = OwnGuard(garden)
    try:
        again.start(switched(latch)).next(GuardReady)
        assert again.next(GuardNotice).locked
        again.process.open("beans", "p2", 60)
        assert {type(again.events.get(timeout=5)) for _ in range(3)} == {SwitchRead, ValveRefused}
        again.process.release(None)
        assert again.next(GuardNotice).over
        wait_for(lambda: json.loads(latch.read_text()) == {"locks": []}, "the latch to be emptied")
        again.process.open("beans", "p3", 60)
        again.next(ValveOpened)
    finally:
        again.end()


def test_pressure_that_is_lost_closes_and_lets_open_again_when_it_is_back(garden: Garden, guard: OwnGuard) -> None:
    at_rest(garden)
    guard.start(switched()).next(GuardReady)
    guard.next(SwitchRead), guard.next(SwitchRead)
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    garden.put("levels", f"{STOP} 0\n{MAINS} 1\n")
    assert guard.next(SwitchRead) == SwitchRead("mains", False)
    assert guard.next(ValveClosed).why == "no pressure"
    assert guard.next(GuardNotice).rule == "no pressure"
    at_rest(garden)
    assert guard.next(SwitchRead) == SwitchRead("mains", True)
    assert guard.next(GuardNotice).over


def test_a_broken_wire_is_a_stop(garden: Garden, guard: OwnGuard) -> None:
    guard.start(switched()).next(GuardReady)
    assert guard.next(SwitchRead) == SwitchRead("button", True)
    assert guard.next(GuardNotice).rule == "stopped"


def test_switches_the_owner_tells_of_are_obeyed_too(garden: Garden, guard: OwnGuard) -> None:
    given = switched()
    guard.start(replace(given, inlets={})).next(GuardReady)
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    guard.process.sense("mains", False)
    assert guard.next(ValveClosed).why == "no pressure"
    assert guard.next(GuardNotice).rule == "no pressure"
    guard.process.sense("wind", False)
    assert guard.next(GuardFault).why.startswith("unknown input")


def test_pulses_at_a_pin_become_litres(garden: Garden, guard: OwnGuard) -> None:
    guard.start(metered()).next(GuardReady)
    guard.process.open("beans", "p1", 3.0)
    guard.next(ValveOpened)
    garden.put("pulses", f"{METER} 40\n")
    closed = guard.next(ValveClosed)
    assert closed.why == "deadline"
    assert closed.litres == pytest.approx(0.4, abs=0.15)


def test_a_pump_that_runs_dry_is_stopped(garden: Garden, guard: OwnGuard) -> None:
    guard.start(metered(dry_s=1.5)).next(GuardReady)
    for pulse, locked in (("p1", False), ("p2", True)):
        guard.process.open("beans", pulse, 60)
        guard.next(ValveOpened)
        closed = guard.next(ValveClosed)
        assert closed.why == "no flow"
        assert closed.open_s < 1.5 + 2 * MEASURE_EVERY_S + 0.5
        assert guard.next(GuardNotice).locked is locked
    assert garden.open_lines() == set()


def test_a_meter_the_owner_tells_of(garden: Garden, guard: OwnGuard) -> None:
    guard.start(replace(metered(), inlets={})).next(GuardReady)
    guard.process.measure(10.0)
    guard.process.open("beans", "p1", 0.5)
    guard.next(ValveOpened)
    guard.process.measure(10.1)
    # 0.1 L as told, and the 8 L/min that are expected since.
    assert guard.next(ValveClosed).litres == pytest.approx(0.1 + 0.5 * 8.0 / 60.0, abs=0.05)


@pytest.mark.parametrize(
    "content",
    ["{half", '{"locks": 7}', '{"locks": [{}]}', "[]", '{"locks": [{"rule": "x", "why": "y", "valve": 3}]}', "{}"],
)
def test_a_damaged_latch_locks_everything(garden: Garden, guard: OwnGuard, tmp_path: Path, content: str) -> None:
    latch = tmp_path / "locked.json"
    latch.write_text(content)
    guard.start(replace(charged(), latch=str(latch))).next(GuardReady)
    notice = guard.next(GuardNotice)
    assert (notice.rule, notice.zone, notice.locked) == ("list lost", None, True)
    guard.process.open("beans", "p1", 60)
    assert guard.next(ValveRefused).rule == "locked"


def test_the_locks_that_the_owner_remembers_and_those_of_the_latch_add_up(
    garden: Garden, guard: OwnGuard, tmp_path: Path
) -> None:
    latch = tmp_path / "locked.json"
    latch.write_text(json.dumps({"locks": [{"rule": "burst", "why": "off", "valve": "kale"}]}))
    given = charged()
    guard.start(
        replace(given, charge=replace(given.charge, locks=(Lock("no flow", "dry", "beans"),)), latch=str(latch))
    ).next(GuardReady)
    assert {guard.next(GuardNotice).zone, guard.next(GuardNotice).zone} == {"beans", "kale"}
    wait_for(lambda: len(json.loads(latch.read_text())["locks"]) == 2, "both to be in the latch")


def test_a_latch_on_a_stalled_disk_holds_up_nobody(tmp_path: Path) -> None:
    """A pipe that nobody reads stands for the disk: whoever opens it to write waits for ever."""
    path = tmp_path / "locked.json"
    os.mkfifo(f"{path}.{os.getpid()}.part")
    said: list[str] = []
    latch = files.Latch(str(path), said.append)
    begun_s = time.monotonic()
    latch.keep((Lock("burst", "off", "kale"),))
    latch.finish(0.05)
    assert time.monotonic() - begun_s < 1.0
    assert said == []
    assert any(thread.daemon for thread in threading.enumerate() if thread is not threading.main_thread())


def test_a_latch_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    said: list[str] = []
    latch = files.Latch(str(tmp_path / "missing" / "locked.json"), said.append)
    latch.finish(1.0)
    latch.keep((Lock("burst", "off", "kale"),))
    latch.finish(5.0)
    assert said[0].startswith("what is locked cannot be written down")
    assert said[0].endswith("it is kept in memory")
