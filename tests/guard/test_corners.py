"""What seldom happens to the guard's process and to its closer, each brought about by hand."""

import errno
import os
import select
import signal
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.drivers.gpio import Line
from controller.guard import closing, files
from controller.guard.__main__ import Process, say
from controller.guard.closing import close_everything
from controller.guard.rules import MASTER, Closed
from tests.guard.conftest import Garden

pytestmark = pytest.mark.real


LINE = Line(17, True)


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    """The owner's end, and the guard's."""
    ours, guards = socket.socketpair()
    with ours, guards:
        yield ours, guards


@pytest.fixture
def process(ends: tuple[socket.socket, socket.socket], tmp_path: Path) -> Iterator[Process]:
    """A guard's process in this one, before it has its charge."""
    wake, waker = socket.socketpair()
    with wake, waker:
        yield Process(ends[1], str(tmp_path), wake)


# The process -----------------------------------------------------------------------------------------------------


def test_what_the_owner_did_not_take_at_once_is_sent_when_it_can_be(
    process: Process, ends: tuple[socket.socket, socket.socket]
) -> None:
    process.outbox = b"kept\n"
    assert process.turn() is None
    assert process.outbox == b""
    assert ends[0].recv(100) == b"kept\n"


def test_an_owner_with_nothing_to_say_is_not_waited_for(process: Process) -> None:
    process.hear_owner()
    assert process.outbox == b""


def test_a_guest_that_has_left_before_it_was_let_in(process: Process, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as door:
        door.bind(str(tmp_path / "door"))
        door.listen()
        door.setblocking(False)
        process.door = door
        process.admit_guest()
    assert process.guests == {}


def test_of_too_many_unnoted_closings_the_oldest_go(process: Process, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "LAST_WORDS_LIMIT", 2)
    process.tell_all([Closed("beans", f"p{n}", 1.0, "deadline", 1.0) for n in range(4)])
    assert list(process.unnoted) == ["p2", "p3"]


def test_last_words_that_cannot_be_written_are_said_aloud(
    process: Process, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    process.runtime_dir = str(tmp_path / "gone")
    process.tell_all([Closed("beans", "p1", 1.0, "deadline", 1.0)])
    process.leave_last_words()
    said = capfd.readouterr().err
    assert "the last words cannot be written" in said
    assert "'pulse': 'p1'" in said


def test_lines_that_cannot_be_given_back_end_the_guard_all_the_same(
    process: Process, capfd: pytest.CaptureFixture[str]
) -> None:
    class Broken:
        def set(self, name: str, on: bool) -> None:
            """Does as it is told."""

        def release(self) -> None:
            raise OSError(errno.EIO, "the chip is gone")

    process.lines, process.names = Broken(), ("beans",)
    assert process.close_down("signal") == []
    assert "the lines cannot be given back: [Errno 5] the chip is gone" in capfd.readouterr().err


def test_a_reader_of_the_log_that_is_stuck_is_not_waited_for(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(select, "select", lambda *_: ([], [], []))
    say("nobody hears")
    assert capfd.readouterr().err == ""


# The closer ------------------------------------------------------------------------------------------------------


def test_a_guard_that_hangs_up_without_an_answer_is_no_answer(garden: Garden) -> None:
    with socket.socket(socket.AF_UNIX) as door:
        door.bind(str(garden.runtime_dir / files.SOCKET))
        door.listen()
        hanging_up = threading.Thread(target=lambda: _take_and_hang_up(door))
        hanging_up.start()
        report = close_everything(garden.runtime_dir)
        hanging_up.join()
    assert report.said == "No guard runs and no valve line is known: nothing to close."


def _take_and_hang_up(door: socket.socket) -> None:
    guest, _ = door.accept()
    guest.recv(100)
    guest.close()


def test_a_lock_that_cannot_be_taken_is_reported(garden: Garden) -> None:
    (garden.runtime_dir / files.LOCK).mkdir()
    report = close_everything(garden.runtime_dir)
    assert not report.ok
    assert report.said.startswith("The valves may be open: the lock of the lines cannot be taken ([Errno 21]")


def test_beside_a_hung_guard_whose_charge_is_damaged_the_guard_alone_is_ended(garden: Garden) -> None:
    owner = garden.start_owner("beans=60")
    try:
        garden.wait_open("beans", MASTER)
        guard_pid = garden.guard_pid()
        os.kill(guard_pid, signal.SIGSTOP)
        (garden.runtime_dir / files.CHARGE).write_text("[3, 4")
        report = close_everything(garden.runtime_dir)
        assert report.ended == (guard_pid,)
        assert not report.ok
        assert "the last guard's list of lines is damaged" in report.said
    finally:
        owner.kill()
        owner.communicate()


def test_a_holder_that_cannot_be_ended_is_reported(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(closing, "GONE_WITHIN_S", 0.1)
    monkeypatch.setattr(os, "kill", _forbidden)
    lock = files.take_lock(str(garden.runtime_dir))
    report = close_everything(garden.runtime_dir)
    os.close(lock)
    assert not report.ok
    assert report.said.startswith("The valves may be open: the lock of the lines is still held")


def _forbidden(pid: int, number: int) -> None:
    raise PermissionError(errno.EPERM, "not yours")


def test_a_line_that_still_reads_on_is_named(garden: Garden, monkeypatch: pytest.MonkeyPatch) -> None:
    class Stuck:
        def read(self, name: str) -> bool:
            return name == "beans"

        def release(self) -> None:
            """Given back."""

    monkeypatch.setattr(closing, "open_lines", lambda driver, lines: Stuck())
    lines = {"beans": LINE, "kale": LINE}
    monkeypatch.setattr(closing, "_known_lines", lambda directory, config: ("", lines, []))
    report = close_everything(garden.runtime_dir)
    assert not report.ok
    assert report.said == "These lines still read on: beans."


def test_a_config_that_cannot_be_read_is_said(garden: Garden, tmp_path: Path) -> None:
    config = tmp_path / "garden.toml"
    config.write_text("[zone")
    report = close_everything(garden.runtime_dir, str(config))
    assert not report.ok
    assert "the config cannot be read" in report.said


@pytest.mark.parametrize("pin", [True, 3.5, None])
def test_a_pin_that_is_none_is_left_alone(pin: Any) -> None:
    _, lines, unclear = closing.lines_of_config({"zone": [{"id": "beans", "valve": {"pin": pin}}]})
    assert lines == {}
    assert unclear == ["the line of beans is not clear in the config (pin must be a number or a name)"]


# Who is who ------------------------------------------------------------------------------------------------------


def test_nobody_holds_a_lock_that_is_not_there(tmp_path: Path) -> None:
    assert files.lock_holders(str(tmp_path)) == set()


def test_a_process_that_is_no_more_has_no_start() -> None:
    child = os.posix_spawn("/bin/true", ["true"], {})
    os.waitpid(child, 0)
    assert files.started_ticks(child) is None
