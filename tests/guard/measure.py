"""Figures of the guard, from real processes on diary pins: `python -m tests.guard.measure [TRIES]` prints JSON.

Times are from the signal to the last line told to rest, by the one monotonic clock of the machine.
"""

import json
import os
import queue
import signal
import statistics
import sys
import tempfile
import time
from pathlib import Path

from controller.core.events import GuardReady
from controller.guard.rules import MASTER
from controller.shells.valves import GuardEvent, GuardProcess
from tests.guard import diary_pins
from tests.guard.conftest import Garden, charged


def closed_after_ms(number: signal.Signals, silence_s: float) -> float:
    """Open two beds and the master, send the owner a signal, and see when everything is shut."""
    with tempfile.TemporaryDirectory() as directory:
        garden = Garden(Path(directory))
        owner = garden.start_owner("beans=60", "kale=60", silence_s=silence_s)
        try:
            garden.wait_open("beans", "kale", MASTER)
            guard_pid = garden.guard_pid()
            sent_s = time.monotonic()
            owner.send_signal(number)
            garden.wait_open()
            late_ms = (garden.closed_at_s() - sent_s) * 1000
        finally:
            owner.kill()
            owner.communicate()
            garden.wait_gone(guard_pid)
    return late_ms


def start_ms_and_rss_kib() -> tuple[float, int]:
    """From the start of the process to "ready", and its resident memory then."""
    with tempfile.TemporaryDirectory() as directory:
        garden = Garden(Path(directory))
        events: queue.SimpleQueue[GuardEvent] = queue.SimpleQueue()
        guard = GuardProcess(garden.runtime_dir, events.put, env=garden.env)
        begun_s = time.monotonic()
        guard.start(charged())
        assert isinstance(events.get(timeout=10), GuardReady)
        ready_ms = (time.monotonic() - begun_s) * 1000
        status = Path(f"/proc/{guard.pid}/status").read_text()
        guard.stop()
    return ready_ms, int(status.split("VmRSS:")[1].split()[0])


def summary(values: list[float]) -> dict[str, float]:
    return {"tries": len(values), "median": round(statistics.median(values), 2), "max": round(max(values), 2)}


def main() -> None:
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    os.environ.pop(diary_pins.VARIABLE, None)
    starts = [start_ms_and_rss_kib() for _ in range(10)]
    figures = {
        "load_average": os.getloadavg()[0],
        "owner_killed_closed_ms": summary([closed_after_ms(signal.SIGKILL, 1.0) for _ in range(tries)]),
        "owner_stopped_closed_ms_of_1000": summary([closed_after_ms(signal.SIGSTOP, 1.0) for _ in range(10)]),
        "ready_ms": summary([ready_ms for ready_ms, _ in starts]),
        "rss_mb": summary([rss_kib / 1024 for _, rss_kib in starts]),
    }
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
