"""A whole installation on loopback: real mosquitto, real daemon process, real forecast server, recorded pins.

The garden is set so that a dawn soak is due within a second of the start, whatever the hour of the test: its
longitude is chosen from the present time, so that the sun there is about to rise.
"""

import json
import math
import os
import signal
import subprocess
import sys
import uuid
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from controller.agronomy.sunlight import sun_elevation_deg, sun_times
from controller.core.forecast import Hour
from tests.broker import Ear, Mosquitto, wait_for
from tests.forecast.server import ForecastServer, Reply, open_meteo_body
from tests.guard.diary_pins import VARIABLE, Row

SITE = "rig"
LATITUDE = -25.0
MASTER_PIN, TOMATO_PIN, SALAD_PIN = 17, 22, 5

CONFIG = """
[site]
id = "{site}"
name = "Test rig"
latitude = {latitude}
longitude = {longitude}
elevation_m = 100
timezone = "UTC"

[mqtt]
host = "127.0.0.1"
port = {port}
protocol = "{protocol}"

[forecast]
url = "{url}"

[journal]
path = "{folder}/journal.sqlite"

[guard]
runtime_dir = "{folder}/run"

[pins]
driver = "tests.guard.diary_pins:factory"

[watering]
dawn_margin_min = 5
least_depth_mm = 0.5

[supply]
capacity_l_min = 3.5
settle_s = 0
master = {{ pin = {master}, lead_s = 0.2, trail_s = 0.2 }}

[[zone]]
id = "tomatoes"
name = "Tomatoes"
area_m2 = 10
crop = "tomato"
soil = "loamy sand"
valve = {{ pin = {tomatoes} }}
line = {{ kind = "dripline", emitter_flow_l_h = 2, emitter_spacing_m = 0.3, length_m = 20, flow_l_min = 3 }}

[[zone]]
id = "salad"
name = "Salad"
area_m2 = 4
crop = "lettuce"
soil = "loamy sand"
tender = true
valve = {{ pin = {salad}, active = "low" }}
line = {{ kind = "weeper hose", flow_l_h_m = 5, length_m = 8, flow_l_min = 1 }}

{normals}
[[sensor]]
id = "tomatoes-probe"
kind = "soil moisture"
zone = "tomatoes"
topic = "garden/tomatoes"
pointer = "/soil/moisture"
unit = "%"
sd = 0.005

[[sensor]]
id = "air"
kind = "air temperature"
topic = "garden/air"
unit = "°C"
"""


def longitude_before_sunrise(now: datetime, ahead: timedelta) -> float:
    """A longitude at which the sun rises `ahead` from now."""
    best, best_gap = 0.0, timedelta(days=9)
    for tenth in range(-1790, 1791):
        for day in (now.date(), now.date() + timedelta(days=1)):
            rise = sun_times(LATITUDE, tenth / 10.0, day, UTC).sunrise
            if rise is not None and abs(rise - now - ahead) < best_gap:
                best, best_gap = tenth / 10.0, abs(rise - now - ahead)
    return best


def hot_hours(now: datetime, longitude: float, tmax_c: float = 41.0) -> list[Hour]:
    """A week of hot, dry weather that fits the sun of the place."""
    first = now.replace(minute=0, second=0, microsecond=0) - timedelta(hours=36)
    hours = []
    for n in range(24 * 9):
        start = first + timedelta(hours=n)
        solar_time_h = (start.hour + longitude / 15.0) % 24.0
        height = math.radians(sun_elevation_deg(LATITUDE, longitude, start + timedelta(minutes=30)))
        warmth = max(0.0, 1.0 - abs(solar_time_h - 14.0) / 9.0)
        solar_w_m2 = 900.0 * max(0.0, math.sin(height))
        hours.append(Hour(start, tmax_c - 16.0 * (1.0 - warmth), 25.0, 3.0, solar_w_m2, 0.0, 0.0))
    return hours


class Rig:
    """Use as a context. `start` and `kill` the daemon as often as you like; the rest stays up."""

    def __init__(
        self, folder: Path, *, protocol: str = "5", sunrise_in: timedelta = timedelta(minutes=12), tables: str = ""
    ) -> None:
        """tables: more of the config, at its end."""
        self.folder = folder
        self.tables = tables
        self.diary = folder / "diary"
        self.protocol = protocol
        now = datetime.now(UTC)
        self.longitude = longitude_before_sunrise(now, sunrise_in)
        self.broker = Mosquitto(folder)
        weather = open_meteo_body(hot_hours(now, self.longitude), LATITUDE, self.longitude)
        self.forecast = ForecastServer(Reply(weather))
        self.daemon: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.broker.start()
        self.forecast.__enter__()
        self.config = self.folder / "garden.toml"
        self.config.write_text(
            CONFIG.format(
                site=SITE,
                latitude=LATITUDE,
                longitude=self.longitude,
                port=self.broker.port,
                protocol=self.protocol,
                url=self.forecast.url,
                folder=self.folder,
                master=MASTER_PIN,
                tomatoes=TOMATO_PIN,
                salad=SALAD_PIN,
                normals="".join(f"[[normal]]\nmonth = {month}\ntmax_c = 40\ntmin_c = 24\n" for month in range(1, 13)),
            )
            + self.tables,
            encoding="utf-8",
        )
        self.ear = Ear(self.broker, f"seepward/{SITE}/#")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.daemon is not None and self.daemon.poll() is None:
            self.daemon.kill()
            self.daemon.wait()
        self.ear.__exit__(kind, error, trace)
        self.forecast.__exit__(kind, error, trace)
        self.broker.stop()

    @property
    def environment(self) -> dict[str, str]:
        return {**os.environ, VARIABLE: str(self.diary), "PYTHONPATH": os.getcwd()}

    def start(self) -> subprocess.Popen[bytes]:
        with (self.folder / "daemon.log").open("ab") as log:
            command = [sys.executable, "-m", "controller", "run", "--config", str(self.config)]
            self.daemon = subprocess.Popen(command, stdout=log, stderr=log, env=self.environment)
        return self.daemon

    def command(self, *words: str, expect: int = 0) -> str:
        """Run a `seepward` command; its output."""
        done = subprocess.run(
            [sys.executable, "-m", "controller", *words, "--config", str(self.config)],
            capture_output=True,
            text=True,
            timeout=30,
            env=self.environment,
            check=False,
        )
        assert done.returncode == expect, done.stdout + done.stderr
        return done.stdout + done.stderr

    def log(self) -> str:
        return (self.folder / "daemon.log").read_text("utf-8")

    def rows(self) -> list[Row]:
        if not self.diary.exists():
            return []
        rows = []
        for line in self.diary.read_text("ascii").splitlines():
            at_ns, pid, what, pin, level = line.split()
            rows.append(Row(int(at_ns) / 1e9, int(pid), what, int(pin), int(level)))
        return rows

    def lines_on(self) -> set[int]:
        """Pins that are at their active level now."""
        level: dict[int, int] = {}
        for row in self.rows():
            if row.what == "free":
                level.pop(row.pin, None)
            else:
                level[row.pin] = row.level
        return {pin for pin, high in level.items() if high != (pin == SALAD_PIN)}

    def say(self, topic: str, payload: Any) -> None:
        self.ear.say(topic, payload if isinstance(payload, str) else json.dumps(payload))

    def shown(self, path: str) -> dict[str, Any] | None:
        """The last that the daemon published under a path; None if nothing, or emptied."""
        mine = [m for m in self.ear.heard if m.topic == f"seepward/{SITE}/{path}"]
        return json.loads(mine[-1].payload) if mine and mine[-1].payload else None

    def ask(self, do: str, **more: Any) -> dict[str, Any]:
        """Ask, and wait for the answer on the answer topic."""
        wish: Mapping[str, Any] = {"do": do, "id": more.pop("id", uuid.uuid4().hex), **more}
        before = len(self._answers(wish["id"]))
        self.say(f"seepward/{SITE}/ask", wish)
        return wait_for(lambda: self._answers(wish["id"])[before:], f"an answer to {do}")[0]  # type: ignore[no-any-return]

    def _answers(self, ask: str) -> list[dict[str, Any]]:
        heard = [json.loads(m.payload) for m in list(self.ear.heard) if m.topic == f"seepward/{SITE}/answer"]
        return [answer for answer in heard if answer["id"] == ask]

    def wait_ready(self) -> None:
        wait_for(lambda: (self.shown("status") or {}).get("guard") == "ready", "the daemon to be ready", 20)

    def stop(self, how: signal.Signals) -> int:
        assert self.daemon is not None
        self.daemon.send_signal(how)
        return self.daemon.wait(15)
