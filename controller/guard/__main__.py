"""The guard as a process: `python -m controller.guard --owner-fd N --runtime-dir DIR`.

It alone owns the valve lines. It opens only what its rules grant to its owner, and closes everything when a
grant ends, when the owner falls silent, goes away or asks, when anybody at its socket asks, and when it is
itself told to end. Closing waits for nothing: no file, no full pipe, no reader. What nobody has written down
yet goes to DIR/last-words.json afterwards. What is locked is kept in the latch file that the charge names, written
beside the loop: a stalled disk delays no closing.

Exit: 0 after an owner that left or a signal, 1 if another guard runs or a line did not obey.
"""

import argparse
import contextlib
import os
import select
import signal
import socket
import struct
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from controller.guard import files, rules, wire

OUTBOX_LIMIT_BYTES = 256 * 1024
GUESTS_LIMIT = 8
TRIES, TRY_EVERY_S = 10, 0.1
LOOK_EVERY_S = 0.2
"""The inputs are read this often, and believed when they have said the same twice: a spark is no stop."""
MEASURE_EVERY_S = 0.5
LATCH_WITHIN_S = 2.0
ENDING_SIGNALS = (
    signal.SIGTERM,
    signal.SIGINT,
    signal.SIGHUP,
    signal.SIGQUIT,
    signal.SIGABRT,
    signal.SIGUSR1,
    signal.SIGUSR2,
)


class LineStuckError(Exception):
    """A line did not take its level within all tries."""


class OwnerLeftError(Exception):
    """The owner closed its end, or reads so little that its answers pile up."""


class Process:
    """The guard's one thread: lines, owner, guests. `run` returns the exit code."""

    def __init__(self, owner: socket.socket, runtime_dir: str, wake: socket.socket) -> None:
        self.owner = owner
        self.runtime_dir = runtime_dir
        self.wake = wake
        self.rules = rules.Guard(started_s=time.monotonic())
        self.lines: Any = None
        self.shown: dict[str, bool] = {}
        self.door: socket.socket | None = None
        self.guests: dict[socket.socket, wire.LineBuffer] = {}
        self.inbox = wire.LineBuffer(wire.CHARGE_LIMIT_BYTES)
        self.outbox = b""
        self.names: tuple[str, ...] = ()
        self.unnoted: dict[str, dict[str, Any]] = {}
        self.inlets: dict[str, bool | None] = {}
        self.litres_per_pulse: float | None = None
        self.look_at_s = 0.0
        self.measure_at_s = 0.0
        self.latch: files.Latch | None = None
        self.latest_s = 0.0
        self.owner_pid = struct.unpack("3i", owner.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))[0]
        owner.setblocking(False)

    def run(self) -> int:
        """Guard until the end of it, then close everything, then write, in this order."""
        why, code = "guard failed", 1
        try:
            why, code = self.guard_lines(), 0
        except OwnerLeftError:
            why, code = "owner gone", 0
        except LineStuckError as error:
            why = "line stuck"
            self.report_fault(f"{error}; closing everything and ending, so that the kernel frees the lines")
        except Exception as error:
            self.report_fault(f"the guard failed and closes everything: {type(error).__name__}: {error}")
        finally:
            stuck = self.close_down(why)
        return 1 if stuck else code

    def guard_lines(self) -> str:
        """The life of the guard. Returns why it ends."""
        while True:
            if why := self.turn():
                return why

    def turn(self) -> str | None:
        """Sleep until something happens or is due; close what is due before reading anything new."""
        due_s = self.rules.next_change_s()
        readers = [self.wake, self.owner, *self.guests, *([self.door] if self.door else [])]
        writers = [self.owner] if self.outbox else []
        look_s = self.look_at_s if self.inlets else None
        measure_s = None if self.litres_per_pulse is None else self.measure_at_s
        wake_s = min((each for each in (due_s, look_s, measure_s) if each is not None), default=None)
        wait_s = None if wake_s is None else max(0.0, wake_s - time.monotonic())
        ready, writable, _ = select.select(readers, writers, [], wait_s)
        now_s = time.monotonic()
        if due_s is not None and now_s >= due_s:
            self.latest_s = max(self.latest_s, now_s - due_s)
        self.settle(self.rules.advance(now_s))
        if look_s is not None and now_s >= look_s:
            self.look(now_s)
        if measure_s is not None and now_s >= measure_s:
            self.measure(now_s)
        if self.wake in ready:
            return "signal"
        if writable:
            self.flush()
        if self.owner in ready:
            self.hear_owner()
        if self.door in ready:
            self.admit_guest()
        for guest in [guest for guest in self.guests if guest in ready]:
            self.hear_guest(guest)
        return None

    def look(self, now_s: float) -> None:
        """Read every input; what it has said twice goes to the rules, and to the owner when it is new."""
        self.look_at_s = now_s + LOOK_EVERY_S
        for name, before in self.inlets.items():
            on = bool(self.lines.says(name))
            self.inlets[name] = on
            if on is before and self.rules.inputs.get(name) is not on:
                self.tell(wire.Sensed(name, on))
                self.settle(self.rules.sense(name, on, now_s))

    def measure(self, now_s: float) -> None:
        """Look at the flow meter."""
        self.measure_at_s = now_s + MEASURE_EVERY_S
        assert self.litres_per_pulse is not None, "only a wired meter is looked at"
        self.settle(self.rules.measure(self.lines.counted(wire.METER) * self.litres_per_pulse, now_s))

    # The lines

    def settle(self, outcomes: list[rules.Outcome]) -> None:
        """Bring every line to its level, retrying for a second with the level of that moment; then tell."""
        stuck = self.persist(lambda: self.rules.levels(time.monotonic()))
        self.tell_all(outcomes)
        if self.latch and any(isinstance(each, rules.Notice) and each.locked for each in outcomes):
            self.latch.keep(tuple(self.rules.locks.values()))
        if stuck:
            raise LineStuckError("; ".join(stuck))

    def persist(self, levels: Callable[[], dict[str, bool]]) -> list[str]:
        """Try for a second to give the lines the levels of each moment. Returns what still went wrong."""
        for _ in range(TRIES):
            if not (stuck := self.set_lines(levels())):
                break
            time.sleep(TRY_EVERY_S)
        return stuck

    def set_lines(self, levels: dict[str, bool]) -> list[str]:
        """Off before on; off the master first, on the master last. Returns what went wrong, line by line."""
        master_first = sorted(levels, key=lambda name: not rules.is_master(name))
        off = [name for name in master_first if not levels[name]]
        on = [name for name in reversed(master_first) if levels[name]]
        wrong = []
        for name in (name for name in off + on if self.shown.get(name) is not levels[name]):
            try:
                self.lines.set(name, levels[name])
                self.shown[name] = levels[name]
            except Exception as error:  # a pin driver may raise anything; the other lines must still be set
                self.shown.pop(name, None)
                wrong.append(f"{name} cannot be switched {'on' if levels[name] else 'off'}: {error}")
        return wrong

    def close_down(self, why: str) -> list[str]:
        """Everything off, whatever the rules think; then tell, write the last words, give the lines back."""
        closed = self.rules.close(None, why, time.monotonic())
        stuck: list[str] = []
        if self.lines:
            self.shown.clear()
            stuck = self.persist(lambda: dict.fromkeys(self.names, False))
        with contextlib.suppress(OwnerLeftError):
            self.tell_all(closed)
        say(f"ended ({why}); " + ("; ".join(stuck) if stuck else "every line is off"))
        self.leave_last_words()
        if self.latch:
            self.latch.finish(LATCH_WITHIN_S)
        if self.door:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(self.socket_path)
        if self.lines:
            try:
                self.lines.release()
            except Exception as error:  # a pin driver may raise anything; the kernel frees the lines in a moment
                say(f"the lines cannot be given back: {error}")
        return stuck

    def leave_last_words(self) -> None:
        if not self.unnoted:
            return
        try:
            files.add_last_words(self.runtime_dir, self.unnoted.values())
        except OSError as error:
            say(f"the last words cannot be written ({error}): {list(self.unnoted.values())}")

    # The owner

    def hear_owner(self) -> None:
        try:
            data = self.owner.recv(64 * 1024)
        except BlockingIOError:
            return
        except OSError:
            raise OwnerLeftError from None
        if not data:
            raise OwnerLeftError
        for line in self.inbox.feed(data):
            message = wire.too_long(self.inbox.limit_bytes) if line is None else wire.read_owner(line)
            self.obey(message)

    def obey(self, message: wire.OwnerMessage | rules.Refused) -> None:
        now_s = time.monotonic()
        self.settle(self.rules.advance(now_s))
        match message:
            case wire.Beat(sent_s):
                refused = self.rules.beat(now_s, sent_s)
                self.tell(refused or wire.Heard(sent_s))
            case wire.AskOpen(valve, pulse, seconds):
                self.settle([self.rules.open(valve, pulse, seconds, now_s)])
            case wire.AskClose(valve, why):
                self.settle(self.rules.close(valve, why, now_s))
            case wire.Noted(pulse):
                self.unnoted.pop(pulse, None)
            case wire.Sensed(name, on):
                self.settle(self.rules.sense(name, on, now_s))
            case wire.Metered(litres):
                self.settle(self.rules.measure(litres, now_s))
            case wire.Release(valve):
                self.settle(self.rules.release(valve, now_s))
            case wire.Charged():
                self.take_charge(message)
            case _:  # no message at all, as the reader of lines has said
                self.tell(message)

    def take_charge(self, charged: wire.Charged) -> None:
        if self.lines:
            self.tell(rules.Refused("second charge", "the guard has its charge; a new one needs a new guard"))
            return
        from controller.drivers.gpio import open_lines

        self.names = tuple(charged.lines)
        files.write_atomically(
            self.runtime_dir,
            files.CHARGE,
            {
                "guard_pid": os.getpid(),
                "owner_pid": self.owner_pid,
                "owner_started_ticks": files.started_ticks(self.owner_pid),
                "driver": charged.driver,
                "lines": {name: wire.line_object(line) for name, line in charged.lines.items()},
            },
        )
        self.lines = open_lines(charged.driver, charged.lines, charged.inlets)
        self.shown = dict.fromkeys(self.names, False)
        charge = charged.charge
        self.inlets = dict.fromkeys(name for name in charged.inlets if name != wire.METER)
        if wire.METER in charged.inlets and charge.meter is not None:
            self.lines.count(wire.METER)
            self.litres_per_pulse = charge.meter.litres_per_pulse
        if charged.latch:
            self.latch = files.Latch(charged.latch, say)
            charge = replace(charge, locks=(*charge.locks, *self.latch.read()))
        self.rules = rules.Guard(charge, started_s=time.monotonic())
        self.inbox.limit_bytes = wire.LINE_LIMIT_BYTES
        self.open_door()
        self.tell(wire.Ready(os.getpid(), self.names))
        for lock in self.rules.locks.values():
            self.tell(rules.Notice(lock.rule, lock.why, lock.valve, locked=True))
        if self.latch:
            self.latch.keep(tuple(self.rules.locks.values()))

    def tell_all(self, outcomes: list[rules.Outcome]) -> None:
        for outcome in outcomes:
            if isinstance(outcome, rules.Closed):
                self.unnoted[outcome.pulse] = {
                    "pulse": outcome.pulse,
                    "valve": outcome.valve,
                    "open_s": outcome.open_s,
                    "water_s": outcome.water_s,
                    "litres": outcome.litres,
                    "why": outcome.why,
                    "wall_time_s": time.time(),
                }
                if len(self.unnoted) > files.LAST_WORDS_LIMIT:
                    del self.unnoted[next(iter(self.unnoted))]
        for outcome in outcomes:
            self.tell(outcome)
        closed = [each for each in outcomes if isinstance(each, rules.Closed)]
        silenced = [each.valve for each in closed if each.why == "silence"]
        if silenced:
            say(f"the daemon is silent: closed {', '.join(silenced)}")

    def tell(self, message: wire.GuardMessage) -> None:
        self.outbox += wire.write(message)
        self.flush()

    def flush(self) -> None:
        """Send what the owner takes now. Never waits."""
        try:
            sent = self.owner.send(self.outbox)
        except BlockingIOError:
            sent = 0
        except OSError:
            raise OwnerLeftError from None
        self.outbox = self.outbox[sent:]
        if len(self.outbox) > OUTBOX_LIMIT_BYTES:
            raise OwnerLeftError

    def report_fault(self, what: str) -> None:
        say(what)
        with contextlib.suppress(OwnerLeftError):
            self.tell(wire.Fault(what))

    # The guests at the socket: they may ask to close everything, and how things stand

    @property
    def socket_path(self) -> str:
        return os.path.join(self.runtime_dir, files.SOCKET)

    def open_door(self) -> None:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(self.socket_path)  # left by a guard that was killed: we hold the lock
        door = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        before = os.umask(0o117)
        try:
            door.bind(self.socket_path)
        finally:
            os.umask(before)
        door.listen()
        door.setblocking(False)
        self.door = door

    def admit_guest(self) -> None:
        assert self.door is not None, "only an open door becomes ready"
        try:
            guest, _ = self.door.accept()
        except OSError:
            return  # it left before it was let in
        guest.setblocking(False)
        if len(self.guests) >= GUESTS_LIMIT:
            self.dismiss(next(iter(self.guests)))  # the one that has been here longest
        self.guests[guest] = wire.LineBuffer()

    def hear_guest(self, guest: socket.socket) -> None:
        try:
            data = guest.recv(64 * 1024)
            if not data:
                raise ConnectionResetError
            for line in self.guests[guest].feed(data):
                message = wire.too_long(wire.LINE_LIMIT_BYTES) if line is None else wire.read_guest(line)
                guest.send(wire.write(self.answer(message)))
        except OSError:
            self.dismiss(guest)

    def answer(self, message: wire.GuestMessage | rules.Refused) -> wire.GuardMessage:
        now_s = time.monotonic()
        match message:
            case wire.CloseAll():
                closed = self.rules.close(None, "by hand", now_s)
                self.settle(closed)
                return wire.AllClosed(tuple(each.valve for each in closed if isinstance(each, rules.Closed)))
            case wire.AskStatus():
                silent_s = now_s - self.rules.heard_s
                return wire.Status(
                    self.owner_pid,
                    {grant.valve: grant.pulse for grant in self.rules.grants},
                    silent_s if silent_s < float("inf") else None,
                    self.latest_s,
                )
            case _:  # no message at all, as the reader of lines has said
                return message

    def dismiss(self, guest: socket.socket) -> None:
        del self.guests[guest]
        guest.close()


def say(text: str) -> None:
    """One line on stderr, or none if its reader is stuck: the guard waits for nobody."""
    if select.select([], [2], [], 0)[1]:
        with contextlib.suppress(OSError):
            os.write(2, f"guard: {text}\n".encode(errors="replace")[:4096])


def wake_on_signals() -> socket.socket:
    """A socket that becomes readable when a signal asks us to end."""
    wake, waker = socket.socketpair()
    waker.setblocking(False)
    signal.set_wakeup_fd(waker.detach())
    for number in ENDING_SIGNALS:
        signal.signal(number, lambda *_: None)
    return wake


def main() -> int:
    """Guard until the owner leaves or a signal comes; the exit code."""
    parser = argparse.ArgumentParser(prog="python -m controller.guard", description="Own the valve lines.")
    parser.add_argument("--owner-fd", type=int, required=True, help="our end of the daemon's socket pair")
    parser.add_argument("--runtime-dir", required=True, help="where lock, socket and last words are")
    given = parser.parse_args()
    wake = wake_on_signals()
    runtime_dir = os.path.abspath(given.runtime_dir)
    try:
        lock = files.take_lock(runtime_dir)
    except (files.HeldError, OSError) as error:
        say(str(error))
        return 1
    owner = socket.socket(fileno=os.dup(given.owner_fd))  # the lowest number free: select takes no high ones
    os.close(given.owner_fd)
    code = Process(owner, runtime_dir, wake).run()
    os.close(lock)
    return code


if __name__ == "__main__":
    sys.exit(main())
