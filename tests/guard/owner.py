"""A stand-in daemon for the tests: starts a guard, opens what it is told, beats until it is ended.

`python -m tests.guard.owner RUNTIME_DIR CHARGE_FILE ZONE=SECONDS...`; prints what the guard says, a line each.
"""

import queue
import sys
from pathlib import Path

from controller.core.events import GuardLost, GuardReady
from controller.guard import wire
from controller.shells.valves import GuardEvent, GuardProcess


def main() -> None:
    runtime_dir, charge_file, *openings = sys.argv[1:]
    charged = wire.read_owner(Path(charge_file).read_bytes())
    assert isinstance(charged, wire.Charged), charged
    events: queue.SimpleQueue[GuardEvent] = queue.SimpleQueue()
    guard = GuardProcess(runtime_dir, events.put)
    guard.start(charged)
    while True:
        guard.beat()
        try:
            event = events.get(timeout=0.05)
        except queue.Empty:
            continue
        print(event, flush=True)
        if isinstance(event, GuardLost):
            return
        if isinstance(event, GuardReady):
            for number, opening in enumerate(openings):
                zone, seconds = opening.split("=")
                guard.open(zone, f"p{number}", float(seconds))


if __name__ == "__main__":
    main()
