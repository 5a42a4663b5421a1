"""The daemon's side of the guard: starts it, speaks to it, hears it. Decides nothing, restarts nothing.

Everything the guard says goes to one callback, from a reader thread, as events of the core; the callback
should only put them in a queue. GuardLost is the last.
"""

import contextlib
import os
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from typing import Any

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
from controller.guard import files, rules, wire

SEND_WITHIN_S = 0.5


GuardEvent = GuardReady | GuardLost | ValveOpened | ValveClosed | ValveRefused | GuardFault | GuardNotice | SwitchRead


class GuardGoneError(Exception):
    """The guard cannot be told anything any more. Valves it had open are closed by it or by the closer."""


class GuardProcess:
    """One guard process, from `start` to `stop` or to its death."""

    def __init__(
        self,
        runtime_dir: str | os.PathLike[str],
        on_event: Callable[[GuardEvent], None],
        env: Mapping[str, str] | None = None,
    ) -> None:
        self._runtime_dir = os.path.abspath(runtime_dir)
        self._on_event = on_event
        self._env = env
        self._process: subprocess.Popen[bytes] | None = None
        self._socket: socket.socket | None = None
        self._reader: threading.Thread | None = None
        self._sending = threading.Lock()
        self.heard_s: float | None = None
        """When the guard last answered a beat (monotonic); None before the first."""

    def start(self, charged: wire.Charged) -> None:
        """Start the guard and hand it its charge. GuardReady, or GuardFault and GuardLost, follow."""
        ours, guards = socket.socketpair()
        # Seconds and microseconds; a guard that does not read for this long is treated as gone.
        timeout = struct.pack("ll", int(SEND_WITHIN_S), int(SEND_WITHIN_S % 1 * 1e6))
        ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, timeout)
        command = [sys.executable, "-m", "controller.guard", "--owner-fd", str(guards.fileno())]
        with guards:
            self._process = subprocess.Popen(
                [*command, "--runtime-dir", self._runtime_dir],
                stdin=subprocess.DEVNULL,
                pass_fds=[guards.fileno()],
                start_new_session=True,  # so that a terminal's Ctrl-C reaches the daemon alone
                env=None if self._env is None else dict(self._env),
            )
        self._socket = ours
        self._reader = threading.Thread(target=self._read, args=(ours,), name="guard-reader", daemon=True)
        self._reader.start()
        self._send(charged)

    @property
    def pid(self) -> int | None:
        return self._process.pid if self._process else None

    def open(self, zone: str, pulse: str, seconds: float) -> None:
        """Ask for an opening; ValveOpened or ValveRefused follows, and ValveClosed at its end."""
        self._send(wire.AskOpen(zone, pulse, seconds))

    def close(self, zone: str | None, why: str) -> None:
        """Ask to close one zone's valve, or with None all of them at once."""
        self._send(wire.AskClose(zone, why))

    def beat(self) -> None:
        """Say that the deciding loop is alive. To be called by that loop itself, never by a timer thread."""
        self._send(wire.Beat(time.monotonic()))

    def noted(self, pulse: str) -> None:
        """Say that this pulse's closing is durably in the journal."""
        self._send(wire.Noted(pulse))

    def sense(self, name: str, on: bool) -> None:
        """Tell what an input says that the guard cannot read itself."""
        self._send(wire.Sensed(name, on))

    def measure(self, litres: float) -> None:
        """Tell where the counter of a flow meter stands that the guard cannot read itself."""
        self._send(wire.Metered(litres))

    def release(self, zone: str | None) -> None:
        """Release the lock of a zone, or with None every lock; GuardNotice follows."""
        self._send(wire.Release(zone))

    def alive(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def stop(self, within_s: float = 3.0) -> int | None:
        """Leave in order: the guard closes everything, says so, and exits. Returns its exit code.

        A guard that does not end in time is killed (then its code is negative); the closer must follow.
        """
        if self._process is None or self._socket is None or self._reader is None:
            return None
        with contextlib.suppress(OSError):  # it may be gone already
            self._socket.shutdown(socket.SHUT_WR)  # so that what it still has to say can be read
        try:
            self._process.wait(within_s)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._reader.join(within_s)
        self._socket.close()
        return self._process.returncode

    def _send(self, message: wire.OwnerMessage) -> None:
        if self._socket is None:
            raise GuardGoneError("the guard has not been started")
        try:
            with self._sending:
                self._socket.sendall(wire.write(message))
        except OSError as error:
            # Half a line may be out: nothing more can be said on this socket. Its end closes every valve.
            self._hang_up()
            raise GuardGoneError(f"the guard does not take messages any more ({error})") from None

    def _hang_up(self) -> None:
        assert self._socket is not None, "only a started guard is hung up on"
        with contextlib.suppress(OSError):  # it may not be connected any more
            self._socket.shutdown(socket.SHUT_RDWR)

    def _read(self, ours: socket.socket) -> None:
        buffer = wire.LineBuffer()
        while data := _receive(ours):
            for line in buffer.feed(data):
                message = wire.too_long(buffer.limit_bytes) if line is None else wire.read_guard(line)
                if isinstance(message, wire.Heard):
                    self.heard_s = time.monotonic()
                else:
                    self._on_event(event_of(message))
        self._on_event(GuardLost("the guard process has ended or hung up"))


def event_of(message: wire.GuardMessage) -> GuardEvent:
    """What the core understands of it. A refusal that belongs to no pulse is a fault: we said nonsense."""
    match message:
        case wire.Ready():
            return GuardReady()
        case rules.Opened(valve, pulse):
            return ValveOpened(valve, pulse)
        case rules.Closed(valve, pulse, open_s, why, water_s, litres, l_min):
            return ValveClosed(valve, pulse, open_s, why, water_s=water_s, litres=litres, l_min=l_min)
        case rules.Refused(rule, why, str(valve), str(pulse)):
            return ValveRefused(valve, pulse, rule, why)
        case rules.Refused(rule, why):
            return GuardFault(f"{rule}: {why}")
        case rules.Notice(rule, why, valve, locked, over):
            return GuardNotice(rule, why, valve, locked, over)
        case wire.Sensed(name, on):
            return SwitchRead(name, on)
        case wire.Fault(what):
            return GuardFault(what)
        case _:
            return GuardFault(f"the guard said what only guests are told: {message}")


def _receive(ours: socket.socket) -> bytes:
    try:
        return ours.recv(64 * 1024)
    except OSError:
        return b""


def take_last_words(runtime_dir: str | os.PathLike[str], note: Callable[[list[dict[str, Any]]], None]) -> int:
    """Hand the closings that no daemon had noted to `note`, and remove them once it has returned.

    Each is {"pulse", "valve", "open_s", "water_s", "litres", "why", "wall_time_s"}. A crash in between hands them over
    again, so
    `note` must take the same pulse twice. Call it before a guard is started. Returns how many there were;
    ValueError names a damaged file.
    """
    directory = os.path.abspath(runtime_dir)
    words = files.read_object(directory, files.LAST_WORDS)
    if words is None:
        return 0
    closings = list(words.get("closings", []))
    note(closings)
    os.unlink(os.path.join(directory, files.LAST_WORDS))
    return len(closings)
