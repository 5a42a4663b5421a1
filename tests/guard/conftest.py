"""A garden with two beds and a master on diary pins, and a guard process that belongs to the test."""

import os
import queue
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

import pytest

from controller.drivers.gpio import Line
from controller.guard import files, wire
from controller.guard.rules import MASTER, SUPPLY, Charge, MasterRule, SupplyRule, ValveRule
from controller.shells.valves import GuardEvent, GuardProcess
from tests.guard import diary_pins

LINES = {"beans": Line(17, True), "kale": Line(27, False), MASTER: Line(22, True)}
"""The kale's relay is active-low: at rest its pin is high."""

PATIENCE_S = 20.0
T = TypeVar("T")
E = TypeVar("E")


def charged(silence_s: float = 1.0, lead_s: float = 0.0, trail_s: float = 0.0) -> wire.Charged:
    beds = {name: ValveRule(8.0, 60.0, 3600.0) for name in ("beans", "kale")}
    charge = Charge({SUPPLY: SupplyRule(16.0, MasterRule(lead_s, trail_s))}, beds, silence_s)
    return wire.Charged(charge, "tests.guard.diary_pins:factory", LINES)


def wait_for(find: Callable[[], T | None], what: str) -> T:
    until_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < until_s:
        if found := find():
            return found
        time.sleep(0.002)
    raise AssertionError(f"waited {PATIENCE_S} s in vain for {what}")


class Garden:
    """Runtime directory, diary, and what the lines show."""

    def __init__(self, directory: Path) -> None:
        self.runtime_dir = directory / "run"
        self.runtime_dir.mkdir()
        self.diary = directory / "diary"
        self.env = {**os.environ, diary_pins.VARIABLE: str(self.diary)}

    def rows(self) -> list[diary_pins.Row]:
        return diary_pins.read(self.diary)

    def open_lines(self) -> set[str]:
        """Lines on by the last thing their pins were told. A freed pin keeps its level, as on a Pi."""
        last = {row.pin: row.level for row in self.rows()}
        return {name for name, line in LINES.items() if line.pin in last and last[line.pin] == line.active_high}

    def wait_open(self, *names: str) -> None:
        wait_for(lambda: self.open_lines() == set(names), f"only {names or 'nothing'} to be open")

    def closed_at_s(self) -> float:
        """When the last line was told to rest."""
        told = [row for row in self.rows() if row.what != "free"]
        return max(row.at_s for row in told if row.level != LINES[self.name(row)].active_high)

    def name(self, row: diary_pins.Row) -> str:
        return next(name for name, line in LINES.items() if line.pin == row.pin)

    def order(self) -> list[str]:
        """The diary in words, without the claims: "+beans", "+master", "-master", ..."""
        sets = [row for row in self.rows() if row.what == "set"]
        return [("+" if row.level == LINES[self.name(row)].active_high else "-") + self.name(row) for row in sets]

    def ask(self, message: wire.GuestMessage | bytes) -> wire.GuardMessage:
        with socket.socket(socket.AF_UNIX) as guest:
            guest.settimeout(PATIENCE_S)
            guest.connect(str(self.runtime_dir / files.SOCKET))
            guest.sendall(message if isinstance(message, bytes) else wire.write(message))
            answer = b""
            while not answer.endswith(b"\n"):
                answer += guest.recv(4096)
        return wire.read_guard(answer)

    def last_words(self) -> dict[str, str]:
        """Why, by pulse."""
        words = files.read_object(str(self.runtime_dir), files.LAST_WORDS) or {"closings": []}
        return {each["pulse"]: each["why"] for each in words["closings"]}

    def put(self, knob: str, text: str) -> None:
        """Set one of the knobs of the diary pins, in one step."""
        part = self.diary.with_name("part")
        part.write_text(text)
        part.rename(self.diary.with_name(f"diary.{knob}"))

    def start_owner(self, *openings: str, silence_s: float = 1.0) -> "subprocess.Popen[str]":
        file = self.runtime_dir.parent / "charge.json"
        file.write_bytes(wire.write(charged(silence_s)))
        command = [sys.executable, "-m", "tests.guard.owner", str(self.runtime_dir), str(file), *openings]
        return subprocess.Popen(command, env=self.env, stdout=subprocess.PIPE, text=True)

    def guard_pid(self) -> int:
        return int((self.runtime_dir / files.LOCK).read_text())

    def wait_gone(self, pid: int) -> None:
        wait_for(lambda: files.started_ticks(pid) is None, f"process {pid} to end")


class OwnGuard:
    """A guard owned by the test itself, with beats from a thread that can be told to fall silent."""

    def __init__(self, garden: Garden) -> None:
        self.garden = garden
        self.events: queue.SimpleQueue[GuardEvent] = queue.SimpleQueue()
        self.process = GuardProcess(garden.runtime_dir, self.events.put, env=garden.env)
        self._beating = threading.Event()
        self._ended = threading.Event()
        self._beater = threading.Thread(target=self._beat, daemon=True)

    def start(self, given: wire.Charged | None = None) -> "OwnGuard":
        self.process.start(given or charged())
        self._beating.set()
        self._beater.start()
        return self

    def _beat(self) -> None:
        while not self._ended.wait(0.05):
            if self._beating.is_set() and self.process.alive():
                try:
                    self.process.beat()
                except Exception:  # the guard has just ended: that is for the test to see
                    return

    def fall_silent(self) -> None:
        self._beating.clear()

    def beat_again(self) -> None:
        self._beating.set()

    def next(self, kind: type[E]) -> E:
        event = self.events.get(timeout=PATIENCE_S)
        assert isinstance(event, kind), event
        return event

    def end(self) -> None:
        self._ended.set()
        self._beater.join()
        self.process.stop()


@pytest.fixture
def garden(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Garden:
    made = Garden(tmp_path)
    monkeypatch.setenv(diary_pins.VARIABLE, str(made.diary))
    return made


@pytest.fixture
def guard(garden: Garden) -> Iterator[OwnGuard]:
    made = OwnGuard(garden)
    yield made
    made.end()
