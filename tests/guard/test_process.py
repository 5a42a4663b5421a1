"""The guard as a real process, on diary pins: whatever becomes of its owner, the lines end at rest."""

import json
import os
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Callable

import pytest

from controller.core.events import GuardFault, GuardLost, GuardReady, ValveClosed, ValveOpened, ValveRefused
from controller.guard import files, wire
from controller.guard.rules import MASTER, Refused
from controller.seams import Valves
from controller.shells.valves import GuardGoneError, GuardProcess, take_last_words
from tests.guard.conftest import LINES, PATIENCE_S, Garden, OwnGuard, charged, wait_for

pytestmark = pytest.mark.real

KILLS = int(os.environ.get("SEEPWARD_KILLS", "4"))
"""How often the owner is killed; a measuring run asks for more."""


def guard_command(garden: Garden, owner: socket.socket) -> list[str]:
    where = ["--owner-fd", str(owner.fileno()), "--runtime-dir", str(garden.runtime_dir)]
    return [sys.executable, "-m", "controller.guard", *where]


def test_every_line_is_claimed_at_rest_before_ready(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    rows = garden.rows()
    assert [row.what for row in rows] == ["claim"] * 3
    assert all(bool(row.level) != LINES[garden.name(row)].active_high for row in rows)


def test_opens_for_as_long_as_asked_and_tells(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    guard.process.open("kale", "p1", 0.3)
    assert guard.next(ValveOpened) == ValveOpened("kale", "p1")
    closed = guard.next(ValveClosed)
    assert (closed.zone, closed.pulse, closed.why) == ("kale", "p1", "deadline")
    assert 0.3 <= closed.open_s < 0.4
    assert garden.order() == ["+kale", "+master", "-master", "-kale"]


def test_the_masters_dead_times_reach_the_lines(garden: Garden, guard: OwnGuard) -> None:
    guard.start(charged(lead_s=0.1, trail_s=0.2)).next(GuardReady)
    guard.process.open("beans", "p1", 0.5)
    guard.next(ValveOpened)
    guard.next(ValveClosed)
    assert garden.order() == ["+beans", "+master", "-master", "-beans"]
    at_s = [row.at_s for row in garden.rows() if row.what == "set"]
    assert [later - at_s[0] for later in at_s[1:]] == pytest.approx([0.1, 0.3, 0.5], abs=0.05)


def test_a_refusal_names_rule_and_pulse(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    guard.process.open("beans", "p1", 61)
    assert guard.next(ValveRefused).rule == "longest opening"
    guard.process.open("roses", "p2", 1)
    refused = guard.next(ValveRefused)
    assert (refused.zone, refused.pulse, refused.rule) == ("roses", "p2", "unknown valve")
    assert garden.order() == []


def test_closes_one_or_all_when_asked(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    guard.process.open("beans", "p1", 60)
    guard.process.open("kale", "p2", 60)
    garden.wait_open("beans", "kale", MASTER)
    guard.process.close("beans", "the gardener said stop")
    garden.wait_open("kale", MASTER)
    guard.process.close(None, "the gardener said stop")
    garden.wait_open()
    events = [guard.next(kind) for kind in (ValveOpened, ValveOpened, ValveClosed, ValveClosed)]
    assert [(event.zone, event.why) for event in events if isinstance(event, ValveClosed)] == [
        ("beans", "the gardener said stop"),
        ("kale", "the gardener said stop"),
    ]


def test_silence_closes_and_a_new_beat_lets_open_again(garden: Garden, guard: OwnGuard) -> None:
    guard.start(charged(silence_s=0.4)).next(GuardReady)
    wait_for(lambda: guard.process.heard_s, "the guard to answer a beat")
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    guard.fall_silent()
    assert guard.next(ValveClosed).why == "silence"
    assert garden.open_lines() == set()
    guard.process.open("beans", "p2", 60)
    assert guard.next(ValveRefused).rule == "silence"
    guard.beat_again()
    heard_s = guard.process.heard_s or 0.0
    wait_for(lambda: (guard.process.heard_s or 0.0) > heard_s, "a beat to be answered again")
    guard.process.open("beans", "p3", 60)
    assert guard.next(ValveOpened).pulse == "p3"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT, signal.SIGUSR1])
def test_a_signal_to_the_guard_closes_everything(garden: Garden, guard: OwnGuard, number: signal.Signals) -> None:
    guard.start().next(GuardReady)
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    assert guard.process.pid
    os.kill(guard.process.pid, number)
    assert guard.next(ValveClosed).why == "signal"
    guard.next(GuardLost)
    assert garden.open_lines() == set()
    assert guard.process.stop(PATIENCE_S) == 0
    assert garden.last_words() == {"p1": "signal"}


def test_stop_closes_and_the_last_word_is_still_heard(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    assert guard.process.stop(PATIENCE_S) == 0
    assert guard.next(ValveClosed).why == "owner gone"
    guard.next(GuardLost)
    assert garden.open_lines() == set()
    assert not (garden.runtime_dir / files.SOCKET).exists()
    with pytest.raises(GuardGoneError):
        guard.process.open("beans", "p2", 60)


def test_what_the_owner_has_noted_is_no_last_word(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    for pulse in ("p1", "p2"):
        guard.process.open("beans", pulse, 0.05)
        guard.next(ValveOpened)
        guard.next(ValveClosed)
    guard.process.noted("p1")
    guard.process.stop()
    assert garden.last_words() == {"p2": "deadline"}


def test_last_words_are_kept_until_they_are_taken(garden: Garden) -> None:
    for pulse in ("p1", "p2"):
        guard = OwnGuard(garden)
        guard.start().next(GuardReady)
        guard.process.open("beans", pulse, 60)
        guard.next(ValveOpened)
        guard.end()
    taken: list[str] = []
    assert take_last_words(garden.runtime_dir, lambda words: taken.extend(word["pulse"] for word in words)) == 2
    assert taken == ["p1", "p2"]
    assert take_last_words(garden.runtime_dir, lambda _: pytest.fail("there is nothing left")) == 0


def test_damaged_last_words_are_put_aside_not_written_over(garden: Garden, guard: OwnGuard) -> None:
    (garden.runtime_dir / files.LAST_WORDS).write_text("{half")
    guard.start().next(GuardReady)
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    guard.process.stop()
    assert garden.last_words() == {"p1": "owner gone"}
    assert [file.read_text() for file in garden.runtime_dir.glob("last-words.json.damaged-*")] == ["{half"]


@pytest.mark.parametrize("attempt", range(KILLS))
def test_sigkill_of_the_owner(garden: Garden, attempt: int, record_property: Callable[[str, object], None]) -> None:
    owner = garden.start_owner("beans=60", "kale=60")
    try:
        garden.wait_open("beans", "kale", MASTER)
        guard_pid = garden.guard_pid()
        killed_s = time.monotonic()
        owner.kill()
        garden.wait_gone(guard_pid)
        late_ms = (garden.closed_at_s() - killed_s) * 1000
        record_property("closed_after_ms", late_ms)
        assert garden.open_lines() == set()
        assert late_ms < 200
        assert next(what for what in garden.order() if what.startswith("-")) == "-master"
        assert garden.last_words() == {"p0": "owner gone", "p1": "owner gone"}
    finally:
        owner.kill()
        owner.communicate()


def test_sigstop_of_the_owner(garden: Garden, record_property: Callable[[str, object], None]) -> None:
    owner = garden.start_owner("beans=60", silence_s=0.5)
    try:
        garden.wait_open("beans", MASTER)
        stopped_s = time.monotonic()
        owner.send_signal(signal.SIGSTOP)
        garden.wait_open()
        late_s = garden.closed_at_s() - stopped_s
        record_property("closed_after_ms", late_s * 1000)
        assert late_s < 0.5 + 0.1
        os.kill(garden.guard_pid(), 0)  # it stays, for the owner may come back
    finally:
        owner.kill()
        owner.communicate()


def test_a_guard_that_was_itself_stopped_closes_first_and_takes_no_stale_ask(garden: Garden, guard: OwnGuard) -> None:
    guard.start(charged(silence_s=0.3)).next(GuardReady)
    wait_for(lambda: guard.process.heard_s, "the guard to answer a beat")
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    assert guard.process.pid
    os.kill(guard.process.pid, signal.SIGSTOP)
    guard.fall_silent()
    guard.process.beat()
    sent_s = time.monotonic()
    guard.process.open("kale", "p2", 60)
    wait_for(lambda: time.monotonic() - sent_s > 0.4, "the ask to grow stale")
    os.kill(guard.process.pid, signal.SIGCONT)
    assert guard.next(ValveClosed).why == "silence"
    assert guard.next(ValveRefused).rule == "silence"
    assert "+kale" not in garden.order()


def test_a_second_guard_is_refused(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    ours, theirs = socket.socketpair()
    with ours, theirs:
        second = subprocess.run(
            guard_command(garden, theirs),
            pass_fds=[theirs.fileno()], capture_output=True, text=True, timeout=5, check=False,
        )
    assert second.returncode == 1
    assert second.stderr == f"guard: another guard (pid {guard.process.pid}) holds the valve lines\n"
    assert guard.process.alive()


def test_of_many_started_at_once_one_stays(garden: Garden) -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        started = [
            subprocess.Popen(
                guard_command(garden, theirs), pass_fds=[theirs.fileno()], stderr=subprocess.PIPE, text=True
            )
            for _ in range(8)
        ]
        wait_for(lambda: sum(process.poll() is not None for process in started) == 7, "seven to give up")
    said = [process.communicate(timeout=5)[1] for process in started]
    assert sorted(process.returncode for process in started) == [0] + [1] * 7
    assert sum("holds the valve lines" in text for text in said) == 7


def test_a_guard_that_does_not_read_is_given_up_in_bounded_time(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    guard.fall_silent()
    assert guard.process.pid
    os.kill(guard.process.pid, signal.SIGSTOP)
    begun_s = time.monotonic()
    with pytest.raises(GuardGoneError):
        send_for_ever(guard.process)
    assert time.monotonic() - begun_s < 2
    guard.next(GuardLost)
    os.kill(guard.process.pid, signal.SIGCONT)
    garden.wait_open()


def send_for_ever(guard: GuardProcess) -> None:
    while True:
        guard.beat()


def test_the_daemons_side_is_what_the_loop_expects(garden: Garden) -> None:
    valves: Valves = GuardProcess(garden.runtime_dir, lambda event: None)
    with pytest.raises(GuardGoneError, match="has not been started"):
        valves.beat()


def test_an_owner_that_leaves_before_the_charge(garden: Garden) -> None:
    events: list[object] = []
    guard = GuardProcess(garden.runtime_dir, events.append, env=garden.env)
    assert guard.stop() is None
    ours, theirs = socket.socketpair()
    with theirs:
        process = subprocess.Popen(
            guard_command(garden, theirs),
            pass_fds=[theirs.fileno()], stderr=subprocess.PIPE, text=True,
        )
    ours.close()
    assert process.communicate(timeout=5)[1] == "guard: ended (owner gone); every line is off\n"
    assert process.returncode == 0
    assert garden.rows() == []


def test_the_socket_closes_everything_and_tells_how_things_stand(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    assert stat.S_IMODE((garden.runtime_dir / files.SOCKET).stat().st_mode) == 0o660
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    status = garden.ask(wire.AskStatus())
    assert isinstance(status, wire.Status)
    assert (status.owner_pid, status.open) == (os.getpid(), {"beans": "p1"})
    assert status.silent_s is not None
    assert 0 <= status.silent_s < 1
    assert garden.ask(wire.CloseAll()) == wire.AllClosed(("beans",))
    assert garden.open_lines() == set()
    assert guard.next(ValveClosed).why == "by hand"
    assert garden.ask(wire.CloseAll()) == wire.AllClosed(())


@pytest.mark.parametrize("line", [b'{"open": "beans", "pulse": "p", "seconds": 5}\n', b"\xff\n", b"x" * 70_000 + b"\n"])
def test_guests_may_ask_for_nothing_else(garden: Garden, guard: OwnGuard, line: bytes) -> None:
    guard.start().next(GuardReady)
    answer = garden.ask(line)
    assert isinstance(answer, Refused)
    assert answer.rule == "malformed"
    assert garden.order() == []
    assert guard.process.alive()


def test_many_guests_do_not_keep_the_owner_out(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    idle = [socket.socket(socket.AF_UNIX) for _ in range(20)]
    for guest in idle:
        guest.connect(str(garden.runtime_dir / files.SOCKET))
    assert garden.ask(wire.CloseAll()) == wire.AllClosed(())
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    assert guard.process.pid
    assert len(os.listdir(f"/proc/{guard.process.pid}/fd")) < 20
    for guest in idle:
        guest.close()


def test_nonsense_from_the_owner_is_answered_and_closes_nothing(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    assert guard.process._socket
    for line in (b"nonsense\n", b'{"open": "kale", "pulse": "p2", "seconds": NaN}\n', b"[" * 60_000 + b"\n"):
        with guard.process._sending:
            guard.process._socket.sendall(line)
        assert guard.next(GuardFault).why.startswith("malformed: ")
    guard.process._send(charged())
    assert guard.next(GuardFault).why.startswith("second charge: ")
    assert garden.open_lines() == {"beans", MASTER}


def test_an_owner_that_does_not_read_is_taken_for_gone(garden: Garden) -> None:
    ours, theirs = socket.socketpair()
    process = subprocess.Popen(
        guard_command(garden, theirs),
        pass_fds=[theirs.fileno()], stderr=subprocess.PIPE, text=True, env=garden.env,
    )
    theirs.close()
    with ours:
        ours.sendall(wire.write(charged()))
        ours.settimeout(20)
        assert b"ready" in ours.recv(4096)
        ours.sendall(wire.write(wire.Beat(time.monotonic())) + wire.write(wire.AskOpen("beans", "p1", 60)))
        garden.wait_open("beans", MASTER)
        with pytest.raises(OSError, match=r"Broken pipe|reset"):
            ours.sendall(b"{}\n" * 1_000_000)
    assert "owner gone" in process.communicate(timeout=5)[1]
    assert garden.open_lines() == set()


def test_a_pin_that_fails_for_a_while_is_tried_again(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    guard.process.open("kale", "p1", 0.2)
    guard.next(ValveOpened)
    stuck = garden.runtime_dir.parent / "diary.stuck"
    stuck.write_text(str(LINES["kale"].pin))
    wait_for(lambda: garden.order()[-1] == "-master", "the master to close although the kale's line is stuck")
    stuck.unlink()
    closed = guard.next(ValveClosed)
    assert closed.why == "deadline"
    assert garden.open_lines() == set()
    assert guard.process.alive()


def test_a_pin_that_stays_stuck_closes_the_rest_and_ends_the_guard(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    guard.process.open("kale", "p1", 0.1)
    guard.process.open("beans", "p2", 60)
    guard.next(ValveOpened)
    (garden.runtime_dir.parent / "diary.stuck").write_text(str(LINES["kale"].pin))
    guard.next(ValveOpened)
    guard.next(ValveClosed)
    fault = guard.next(GuardFault)
    assert fault.why.startswith("kale cannot be switched off: ")
    assert "the kernel frees the lines" in fault.why
    assert guard.next(ValveClosed).why == "line stuck"
    guard.next(GuardLost)
    assert garden.open_lines() == {"kale"}
    assert guard.process.stop(PATIENCE_S) == 1


@pytest.mark.parametrize("driver", ["no-such-module:factory", "tests.guard.diary_pins:missing", "nonsense"])
def test_a_driver_that_cannot_be_had_is_a_fault_in_one_sentence(garden: Garden, guard: OwnGuard, driver: str) -> None:
    given = charged()
    guard.process.start(wire.Charged(given.charge, driver, given.lines))
    guard._beater.start()
    assert guard.next(GuardFault).why.startswith("the guard failed and closes everything: ")
    guard.next(GuardLost)
    assert guard.process.stop(PATIENCE_S) == 1


def test_the_charge_is_left_for_the_closer(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    left = json.loads((garden.runtime_dir / files.CHARGE).read_text())
    assert left["guard_pid"] == guard.process.pid
    assert left["owner_pid"] == os.getpid()
    assert left["owner_started_ticks"] == files.started_ticks(os.getpid())
    assert left["driver"] == "tests.guard.diary_pins:factory"
    assert left["lines"]["kale"] == {"pin": 27, "active": "low"}
