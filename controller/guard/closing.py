"""The last resort: every valve closed, whatever still lives. Used by `seepward close` and by systemd.

First ask the guard. If it does not answer, end it and its owner (a line has one owner, a hung one included),
then claim every line at rest, read it back and let go. Only that last step imports more than the standard
library, so that this works when nothing else does.
"""

import errno
import os
import signal
import socket
import time
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from controller.drivers.gpio import Line, open_lines
from controller.guard import files, wire
from controller.guard.rules import SUPPLY, master_line

ASK_WITHIN_S = 2.0
GONE_WITHIN_S = 5.0
CLAIM_TRIES, CLAIM_EVERY_S = 20, 0.1


@dataclass(frozen=True, slots=True)
class Report:
    """`said` is the one sentence for people; `ended` the processes that had to be killed."""

    ok: bool
    said: str
    lines: tuple[str, ...] = ()
    ended: tuple[int, ...] = ()


def close_everything(runtime_dir: str | os.PathLike[str], config_path: str | None = None) -> Report:
    """Close every valve. Never raises for what it finds broken: it says so in the report."""
    directory = os.path.abspath(runtime_dir)
    if (closed := _ask_guard(directory)) is not None:
        were = f"; open until now: {', '.join(closed)}" if closed else ""
        return Report(True, f"The guard has closed every valve{were}.", closed)
    lock, ended, trouble = _end_holders(directory)
    if trouble:
        return Report(False, trouble, ended=ended)
    try:
        return _close_by_hand(directory, config_path, ended)
    finally:
        if lock is not None:
            os.close(lock)


def _ask_guard(directory: str) -> tuple[str, ...] | None:
    """The valves the guard has just closed; None if no guard answers in time."""
    until_s = time.monotonic() + ASK_WITHIN_S
    answer = b""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as guard:
        try:
            guard.settimeout(ASK_WITHIN_S)
            guard.connect(os.path.join(directory, files.SOCKET))
            guard.sendall(wire.write(wire.CloseAll()))
            while not answer.endswith(b"\n"):
                guard.settimeout(max(0.001, until_s - time.monotonic()))
                if not (data := guard.recv(4096)):
                    return None
                answer += data
        except OSError:
            return None
    message = wire.read_guard(answer)
    return message.valves if isinstance(message, wire.AllClosed) else None


def _end_holders(directory: str) -> tuple[int | None, tuple[int, ...], str | None]:
    """Take the lock, killing a guard that holds it and its owner. Returns lock, who was killed, what failed.

    Without a runtime directory no guard has ever run here, and there is no lock to take.
    """
    if not os.path.isdir(directory):
        return None, (), None
    ended: tuple[int, ...] = ()
    until_s = time.monotonic() + GONE_WITHIN_S
    while True:
        try:
            return files.take_lock(directory), ended, None
        except files.HeldError as held:
            if not ended:
                ended = _kill(directory, held.pid)
            if time.monotonic() > until_s:
                return None, ended, f"The valves may be open: the lock of the lines is still held; {held}."
        except OSError as error:
            return None, ended, f"The valves may be open: the lock of the lines cannot be taken ({error})."
        time.sleep(0.01)


def _kill(directory: str, guard_pid: int | None) -> tuple[int, ...]:
    """SIGKILL the guard's owner, then the guard: only if the guard holds the lock, and each is who it was."""
    if guard_pid is None or guard_pid not in files.lock_holders(directory):
        return ()
    try:
        charge = files.read_object(directory, files.CHARGE) or {}
    except (OSError, ValueError):
        charge = {}
    ended = [guard_pid]
    owner_pid, ticks = charge.get("owner_pid"), charge.get("owner_started_ticks")
    if (
        charge.get("guard_pid") == guard_pid
        and isinstance(owner_pid, int)
        and owner_pid != os.getpid()
        and isinstance(ticks, int)
        and files.started_ticks(owner_pid) == ticks
    ):
        ended.insert(0, owner_pid)  # first: it would start another guard
    for pid in ended:
        try:
            os.kill(pid, signal.SIGKILL)
        except OSError:
            continue  # gone already, or not ours to end: then the lock stays held, and that is reported
    return tuple(ended)


def _close_by_hand(directory: str, config_path: str | None, ended: tuple[int, ...]) -> Report:
    driver, lines, doubts = _known_lines(directory, config_path)
    killed = f" after ending process {' and '.join(map(str, ended))}" if ended else ""
    doubt = f" But {'; '.join(doubts)}." if doubts else ""
    if not lines:
        said = f"No guard runs and no valve line is known: nothing to close{killed}.{doubt}"
        return Report(not doubts, said, ended=ended)
    try:
        still_on = _claim_at_rest(driver, lines)
    except Exception as error:  # a pin driver may raise anything, and then nothing is closed
        what = " ".join(f"{type(error).__name__}: {error}".split())
        said = f"The valves may be open: their lines cannot be claimed{killed} ({what}).{doubt}"
        return Report(False, said, ended=ended)
    if still_on:
        return Report(False, f"These lines still read on{killed}: {', '.join(still_on)}.{doubt}", ended=ended)
    count = f"{len(lines)} line{'s' if len(lines) > 1 else ''}"
    known = "Every valve is closed" if not doubts else "Every known valve is closed"
    return Report(not doubts, f"{known}: {count} put to rest{killed}.{doubt}", tuple(lines), ended)


def _claim_at_rest(driver: str, lines: Mapping[str, Line]) -> list[str]:
    """Claim, read back, release. A line may stay busy for a moment after its owner has died."""
    tries_left = CLAIM_TRIES
    while True:
        try:
            claimed = open_lines(driver, lines)
            break
        except Exception as error:
            tries_left -= 1
            if not tries_left or not _busy(error):
                raise
            time.sleep(CLAIM_EVERY_S)
    still_on = [name for name in lines if claimed.read(name)]
    claimed.release()
    return still_on


def _busy(error: Exception) -> bool:
    """EBUSY, in the words of Python or of lgpio, whose errors carry no number."""
    return getattr(error, "errno", None) == errno.EBUSY or "busy" in str(error).lower()


def _known_lines(directory: str, config_path: str | None) -> tuple[str, dict[str, Line], list[str]]:
    """Driver and lines of the last guard, else of the config; and what could not be understood."""
    doubts: list[str] = []
    try:
        if charge := files.read_object(directory, files.CHARGE):
            lines = {name: _line(table) for name, table in charge["lines"].items()}
            return str(charge["driver"]), lines, doubts
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        doubts.append(f"the last guard's list of lines is damaged ({error})")
    if config_path is None:
        return "", {}, doubts
    try:
        with open(config_path, "rb") as file:
            config = tomllib.load(file)
    except (OSError, ValueError) as error:
        return "", {}, [*doubts, f"the config cannot be read ({error})"]
    # The config now stands in for the damaged list: what it names is all there is to know.
    driver, lines, unclear = lines_of_config(config)
    return driver, lines, unclear


def lines_of_config(config: Mapping[str, Any]) -> tuple[str, dict[str, Line], list[str]]:
    """Pin driver and lines, taken leniently from a config that may be wrong everywhere else.

    A line whose pin or active level is odd is left alone: guessing might open it. A missing level is high, as
    everywhere in the config.
    """
    pins = config.get("pins")
    driver = pins.get("driver", "lgpio") if isinstance(pins, dict) else "lgpio"
    tables: dict[str, Any] = {}
    supplies = config.get("supply")
    for supply in supplies if isinstance(supplies, list) else [supplies]:
        if isinstance(supply, dict) and "master" in supply:
            tables[master_line(str(supply.get("id", SUPPLY)))] = supply["master"]
    zones = config.get("zone")
    for number, zone in enumerate(zones if isinstance(zones, list) else [], start=1):
        if isinstance(zone, dict) and "valve" in zone:
            tables[str(zone.get("id", f"zone {number}"))] = zone["valve"]
    lines, unclear = {}, []
    for name, table in tables.items():
        try:
            lines[name] = _line({"active": "high", **table})
        except (ValueError, KeyError, TypeError) as error:
            unclear.append(f"the line of {name} is not clear in the config ({error})")
    return str(driver), lines, unclear


def _line(table: Any) -> Line:
    pin = table["pin"]
    if isinstance(pin, bool) or not isinstance(pin, int | str):
        raise ValueError("pin must be a number or a name")
    return Line(pin, wire.active_is_high(table["active"]))
