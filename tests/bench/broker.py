"""Messages a second through our broker link beside a bare subscriber's, and from a command to the pin.

A real mosquitto on loopback. The link takes in sensor messages as the daemon does: received, parsed, calibrated,
made into readings; the bare subscriber only counts. The delay is from publishing "water" to the pin's level, over the
daemon, its journal on disk and the guard's process; beside it a bare message there and back.
"""

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

from controller.core.events import Reading
from tests.bench.rows import Row
from tests.broker import HOST, Ear, Mosquitto, wait_for
from tests.endtoend.rig import SALAD_PIN, SITE, Rig
from tests.mqtt.kit import Daemon, Sensor

PATIENCE_S = 120.0
PROBES, BATCH = 50, 800
"""No broker's queue and none of ours is full with so many."""
RATE_GOAL = 0.25
"""Ours over bare: a reading that is checked and converted may cost as much as four that are thrown away."""
FLOOD = r"""
import socket, sys
host, port, probes, batch = sys.argv[1], *map(int, sys.argv[2:])
def packet(kind, body):
    return bytes([kind, len(body)]) + body
def text(words):
    return len(words).to_bytes(2, "big") + words.encode()
with socket.create_connection((host, port)) as line:
    line.sendall(packet(0x10, text("MQTT") + b"\x04\x02\x00\x00" + text("flood")))
    line.recv(4)
    said = [packet(0x30, text(f"garden/{n % probes}") + f"{0.05 + n % 97 / 1000:.3f}".encode()) for n in range(batch)]
    for _ in sys.stdin:
        line.sendall(b"".join(said))
"""
"""A process that publishes a batch for every line it reads: bare packets (MQTT 3.1.1, sections 3.1 and 3.3), so that no
publisher is the bottleneck."""
MORNING = timedelta(hours=20)
"""So long before the next sunrise nothing is watered by plan: the soak is over, and the day is young."""
DELAY_GOAL_MS = 250.0
"""A person who presses a button does not notice less (common practice, no source)."""


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--batches", type=int, default=25, help=f"of {BATCH} messages each")
    parser.add_argument("--commands", type=int, default=10)


def rows(options: argparse.Namespace) -> list[Row]:
    """A row for the rate and one for the delay."""
    with tempfile.TemporaryDirectory() as folder:
        rate = _rate_row(Path(folder), options.batches)
    with tempfile.TemporaryDirectory() as folder:
        return [rate, _delay_row(Path(folder), options.commands)]


def _rate_row(folder: Path, batches: int) -> Row:
    with Mosquitto(folder) as broker:
        bare_s = _bare(broker, batches)
        ours_s = _ours(broker, batches)
    ratio = bare_s / ours_s
    return {
        "name": "messages",
        "ours_per_s": round(batches * BATCH / ours_s),
        "reference_per_s": round(batches * BATCH / bare_s),
        "ratio": round(ratio, 3),
        "goal": RATE_GOAL,
        "meets": ratio >= RATE_GOAL,
    }


def _bare(broker: Mosquitto, batches: int) -> float:
    """Seconds in which a subscriber of the library alone hears all of them."""
    with Ear(broker, "garden/+") as ear:
        return _flooded_s(broker, batches, lambda: len(ear.heard))


def _ours(broker: Mosquitto, batches: int) -> float:
    """Seconds in which the daemon's link and telemetry make readings of all of them."""
    daemon = Daemon(broker.address(), *(Sensor(f"probe-{n}", topic=f"garden/{n}") for n in range(PROBES)))
    try:
        wait_for(daemon.link.connected, "the link")
        return _flooded_s(broker, batches, lambda: sum(isinstance(each, Reading) for each in daemon.turn()))
    finally:
        daemon.close()


def _flooded_s(broker: Mosquitto, batches: int, arrived: Callable[[], int]) -> float:
    """Seconds that so many batches take from a client of its own until they have arrived, one after another; a first
    one is not counted. No queue on the way would hold all of them at once."""
    command = [sys.executable, "-c", FLOOD, HOST, str(broker.port), str(PROBES), str(BATCH)]
    with subprocess.Popen(command, stdin=subprocess.PIPE) as flood:
        assert flood.stdin is not None
        began_s = time.monotonic()
        for batch in range(batches + 1):
            if batch == 1:
                began_s = time.monotonic()
            flood.stdin.write(b"\n")
            flood.stdin.flush()
            wait_for(lambda due=(batch + 1) * BATCH: arrived() >= due, "all messages", PATIENCE_S)  # type: ignore[misc]
        took_s = time.monotonic() - began_s
        flood.stdin.close()
    return took_s


def _delay_row(folder: Path, commands: int) -> Row:
    with Rig(folder, sunrise_in=MORNING) as rig:
        rig.start()
        rig.wait_ready()
        bare_ms = [1000.0 * _there_and_back(rig) for _ in range(commands)]
        ours_ms = [1000.0 * _to_the_pin(rig) for _ in range(commands)]
    ours, reference = statistics.median(ours_ms), statistics.median(bare_ms)
    return {
        "name": "command to pin",
        "ours_ms": round(ours, 1),
        "reference_ms": round(reference, 1),
        "ratio": round(ours / reference, 2),
        "goal": DELAY_GOAL_MS,
        "meets": ours <= DELAY_GOAL_MS,
        "ours_worst_ms": round(max(ours_ms), 1),
    }


def _there_and_back(rig: Rig) -> float:
    word = uuid.uuid4().hex
    with Ear(rig.broker, f"echo/{word}") as ear:
        began_s = time.monotonic()
        rig.ear.say(f"echo/{word}", word)
        wait_for(lambda: ear.heard, "the echo")
        return time.monotonic() - began_s


def _to_the_pin(rig: Rig) -> float:
    """One watering by hand, from its publishing to the level; then everything is closed again."""
    seen = len(rig.rows())
    wish = {"do": "water", "id": uuid.uuid4().hex, "zone": "salad", "minutes": 1}
    began_s = time.monotonic()
    rig.ear.say(f"seepward/{SITE}/ask", json.dumps(wish))
    rows = wait_for(
        lambda: [row for row in rig.rows()[seen:] if row.pin == SALAD_PIN and row.what == "set" and row.level == 0],
        "the valve to open",
        30.0,
    )
    rig.ask("stop")
    wait_for(lambda: not rig.lines_on() and _shut(rig), "everything to close, and the daemon to know it")
    return float(rows[0].at_s) - began_s


def _shut(rig: Rig) -> bool:
    return (rig.shown("zone/salad") or {}).get("valve") == "closed"
