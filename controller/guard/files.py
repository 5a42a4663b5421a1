"""What the guard leaves in its runtime directory: its lock, its charge for the closer, its last words. And its latch.

The latch lies where a power cut spares it, beside the journal. Standard library only: the closer reads these when
nothing else works.
"""

import fcntl
import json
import os
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from controller.guard.rules import Lock

LOCK = "guard.lock"
SOCKET = "guard.sock"
CHARGE = "guard-charge.json"
LAST_WORDS = "last-words.json"

LAST_WORDS_LIMIT = 5000
"""More unnoted closings than this no daemon has; the oldest go first."""


class HeldError(Exception):
    """Another process holds the lock; `pid` as it wrote it, None if it could not be read."""

    def __init__(self, pid: int | None) -> None:
        super().__init__(f"another guard (pid {pid or 'unknown'}) holds the valve lines")
        self.pid = pid


def take_lock(runtime_dir: str) -> int:
    """Take the one lock of the lines, or raise HeldError. The kernel frees it when this process ends.

    The descriptor is close-on-exec (as all of Python's are): a child that inherited it would keep the lock.
    """
    descriptor = os.open(os.path.join(runtime_dir, LOCK), os.O_RDWR | os.O_CREAT, 0o640)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        pid = _pid_in(descriptor)
        os.close(descriptor)
        raise HeldError(pid) from None
    os.ftruncate(descriptor, 0)
    os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
    return descriptor


def _pid_in(descriptor: int) -> int | None:
    text = os.pread(descriptor, 20, 0).strip()
    return int(text) if text.isdigit() else None


def lock_holders(runtime_dir: str) -> set[int]:
    """The pids that hold the lock, by the kernel's own list; empty if it lists none or cannot be read."""
    try:
        inode = os.stat(os.path.join(runtime_dir, LOCK)).st_ino
        with open("/proc/locks", encoding="ascii") as locks:
            rows = [line.split() for line in locks]
    except OSError:
        return set()
    return {int(row[4]) for row in rows if row[1] == "FLOCK" and row[5].rpartition(":")[2] == str(inode)}


def started_ticks(pid: int) -> int | None:
    """When the process started, in ticks since boot (proc(5), stat, field 22); None if there is none.

    Pid and start together name a process for good; a pid alone may have been given to another.
    """
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as stat:
            fields = stat.read().rpartition(")")[2].split()
    except OSError:
        return None
    return None if fields[0] in ("Z", "X") else int(fields[19])


def write_atomically(runtime_dir: str, name: str, value: Mapping[str, Any]) -> None:
    """The whole file or the old one, never a half."""
    path = os.path.join(runtime_dir, name)
    part = f"{path}.{os.getpid()}.part"
    with open(part, "w", encoding="utf-8") as file:
        json.dump(value, file, indent=1)
        file.flush()
        os.fsync(file.fileno())
    os.replace(part, path)


def read_object(runtime_dir: str, name: str) -> dict[str, Any] | None:
    """The file's JSON object; None if there is no such file. ValueError names a file that is damaged."""
    path = os.path.join(runtime_dir, name)
    try:
        with open(path, encoding="utf-8") as file:
            value = json.load(file)
    except FileNotFoundError:
        return None
    except ValueError as error:
        raise ValueError(f"{path} is damaged: {error}") from None
    if not isinstance(value, dict):
        raise ValueError(f"{path} is damaged: not a JSON object")
    return value


def add_last_words(runtime_dir: str, closings: Iterable[Mapping[str, Any]]) -> None:
    """Write down closings nobody has noted, after those an earlier guard left that nobody has taken.

    A damaged file is put aside under another name rather than written over.
    """
    try:
        earlier = (read_object(runtime_dir, LAST_WORDS) or {}).get("closings", [])
    except ValueError:
        path = os.path.join(runtime_dir, LAST_WORDS)
        os.replace(path, f"{path}.damaged-{time.time_ns()}")
        earlier = []
    words = [*earlier, *closings][-LAST_WORDS_LIMIT:]
    write_atomically(runtime_dir, LAST_WORDS, {"closings": words})


def _lock(kept: Mapping[str, Any]) -> Lock:
    rule, why, valve = kept["rule"], kept["why"], kept["valve"]
    if not all(isinstance(each, str) for each in (rule, why, valve or "")):
        raise ValueError("a lock is not of text")
    return Lock(rule, why, valve)


class Latch:
    """The file that remembers what is locked, written by threads of its own: whoever keeps a lock waits for no disk.

    say: told, in one sentence, what could not be written.
    """

    def __init__(self, path: str, say: Callable[[str], None]) -> None:
        self.path = path
        self._say = say
        self._newest: tuple[Lock, ...] = ()
        self._turn = threading.Lock()
        self._writing: threading.Thread | None = None

    def read(self) -> tuple[Lock, ...]:
        """The locks; none if there is no such file yet. A file that cannot be read locks everything."""
        try:
            kept = read_object(*os.path.split(self.path))
            return () if kept is None else tuple(map(_lock, kept["locks"]))
        except (OSError, ValueError, KeyError, TypeError) as error:
            said = " ".join(str(error).split())
            return (Lock("list lost", f"the list of what is locked cannot be read ({said})"[:200]),)

    def keep(self, locks: tuple[Lock, ...]) -> None:
        """Begin to write these down. The newest wins, however long the disk takes."""
        self._newest = locks
        self._writing = threading.Thread(target=self._write, daemon=True)
        self._writing.start()

    def finish(self, within_s: float) -> None:
        """Wait for what has been begun, for so long."""
        if self._writing is not None:
            self._writing.join(within_s)

    def _write(self) -> None:
        with self._turn:
            locks = [{"rule": lock.rule, "why": lock.why, "valve": lock.valve} for lock in self._newest]
            try:
                write_atomically(*os.path.split(self.path), {"locks": locks})
            except OSError as error:
                self._say(f"what is locked cannot be written down ({error}); it is kept in memory")
