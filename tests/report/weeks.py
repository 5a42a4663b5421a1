"""A hot week lived through by the real loop and a real journal file, on a virtual clock: data for pages and
tables.

The guard here does as it is told, except where a test asks otherwise. The weather is invented.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

from controller.core.actions import Answer, Note
from controller.core.events import (
    Ask,
    Event,
    ForecastArrived,
    GuardReady,
    Reading,
    Started,
    ValveClosed,
    ValveOpened,
    ValveRefused,
)
from controller.core.garden import Garden
from controller.core.job import Digest
from controller.core.moment import Now
from controller.core.site import Site
from controller.core.step import new_garden
from controller.loop import Loop
from controller.report.views import zone_view
from controller.settings import load
from controller.shells.journal import Journal
from tests.core.gardens import a_forecast

DEMO = Path(__file__).parents[2] / "config" / "demo.toml"
START = datetime(2026, 7, 10, 7, tzinfo=UTC)
MAXIMA = [31.0, 33.0, 36.0, 39.0, 41.0, 40.0, 34.0, 31.0, 30.0, 31.0, 32.0, 31.0]
"""Of 10 July and the days after it."""


class Clock:
    """Stands still until it is moved."""

    def __init__(self, utc: datetime) -> None:
        self.utc = utc
        self.mono_s = 1000.0

    def now(self) -> Now:
        return Now(self.mono_s, self.utc)

    def go(self, utc: datetime) -> None:
        if utc > self.utc:
            self.mono_s += (utc - self.utc).total_seconds()
            self.utc = utc


class Valves:
    """Opens and closes at once, or refuses what `refuses` says; what it has to tell waits in `news`."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.open_now: dict[str, tuple[str, datetime, float]] = {}
        self.news: list[Event] = []
        self.refuses: Callable[[str], bool] = lambda pulse: False

    def open(self, zone: str, pulse: str, seconds: float) -> None:
        if self.refuses(pulse):
            self.news.append(
                ValveRefused(zone, pulse, "capacity", "the supply cannot feed it beside the others")
            )
            return
        self.open_now[zone] = (pulse, self.clock.utc, seconds)
        self.news.append(ValveOpened(zone, pulse))

    def close(self, zone: str | None, why: str) -> None:
        for each in [zone] if zone else list(self.open_now):
            if each in self.open_now:
                self.end(each, why)

    def end(self, zone: str, why: str) -> None:
        pulse, at, _ = self.open_now.pop(zone)
        self.news.append(ValveClosed(zone, pulse, (self.clock.utc - at).total_seconds(), why))

    def sense(self, name: str, on: bool) -> None:
        """No switches here."""

    def measure(self, litres: float) -> None:
        """There is no meter here."""

    def release(self, zone: str | None) -> None:
        """Nothing is locked here."""

    def noted(self, pulse: str) -> None:
        """Nothing is remembered here."""

    def beat(self) -> None:
        """Nobody listens for it here."""


class Quiet:
    """An outlet that only keeps the answers."""

    def __init__(self) -> None:
        self.answers: list[Answer] = []

    def show(self, site: Site, garden: Garden, now: Now) -> None:
        """Nobody looks."""

    def said(self, note: Note) -> None:
        """Nobody reads."""

    def answer(self, answer: Answer) -> None:
        self.answers.append(answer)

    def send(self, site: Site, digest: Digest) -> None:
        """Nobody waits for a message."""


class Week:
    """The loop with a world around it. `live` lets time pass; `tell` brings an event at once."""

    def __init__(self, site: Site, journal: Path, start: datetime = START) -> None:
        self.site = site
        self.clock = Clock(start)
        self.valves = Valves(self.clock)
        self.journal = Journal(journal)
        self.outlet = Quiet()
        garden = new_garden(site, self.clock.now())
        self.loop = Loop(
            site, garden, clock=self.clock, valves=self.valves, journal=self.journal, outlet=self.outlet
        )
        self.tell(Started())
        self.tell(GuardReady())

    def tell(self, event: Event) -> None:
        self.loop.take(event)
        while self.valves.news:
            self.loop.take(self.valves.news.pop(0))

    def live(self, until: datetime) -> None:
        while self.clock.utc < until:
            ends = {zone: at + timedelta(seconds=s) for zone, (_, at, s) in self.valves.open_now.items()}
            self.clock.go(min([until, self.loop.wake_at, *ends.values()]))
            for zone, end in ends.items():
                if end <= self.clock.utc:
                    self.valves.end(zone, "deadline")
            while self.valves.news:
                self.tell(self.valves.news.pop(0))
            self.loop.look_in()

    def forecast(self, maxima: list[float] = MAXIMA) -> None:
        """The forecast of today: all days from today on."""
        midnight = self.clock.utc.replace(hour=0, minute=0, second=0, microsecond=0)
        left = maxima[(midnight - START.replace(hour=0)).days :]
        self.tell(ForecastArrived(a_forecast(midnight, left)))

    def measure(self, number: int) -> None:
        """Each probe says what the balance thinks, a little beside it."""
        for sensor in self.site.sensors:
            if sensor.kind == "moisture" and sensor.zone is not None:
                view = zone_view(self.site, self.loop.garden, self.site.zone(sensor.zone), self.clock.utc)
                wobble = 0.002 * ((number * 7) % 5 - 2)
                self.tell(Reading(sensor.id, view["moisture_m3_m3"] + wobble, self.clock.utc))

    def end(self) -> None:
        self.loop.commit()
        self.journal.close()


@cache
def demo_site() -> Site:
    return load(DEMO).build()


def hot_week(journal: Path, days: int = 7) -> Site:
    """Seven days over a spell of three hot ones. On the third dawn the guard refuses the herbs; on the fourth
    day the tomatoes are held for some hours and watered by hand, and a job is done; on the fifth dawn
    somebody stops the herbs while they are watered."""
    site = demo_site()
    week = Week(site, journal)
    week.valves.refuses = lambda pulse: pulse.startswith("2026-07-13-dawn-herbs")
    for hour in range(24 * days):
        if hour % 24 == 0:
            week.forecast()
        if hour % 4 == 0:
            week.measure(hour // 4)
        if hour == 80:
            week.tell(Ask("done-1", "job-done", job="stake"))
            week.tell(Ask("hold-1", "hold", zone="tomatoes", until=week.clock.utc + timedelta(hours=3)))
        if hour == 84:
            week.tell(Ask("water-1", "water", zone="tomatoes", litres=20.0))
        if hour == 93:
            week.live(week.clock.utc + timedelta(minutes=15))  # in the second of three pulses
            week.tell(Ask("stop-1", "stop", zone="herbs"))
        week.live(START + timedelta(hours=hour + 1))
    week.end()
    return site


def facts(journal: Path) -> dict[str, Any]:
    """The journal's own sums, by plain SQL: what our tables must agree with."""
    import sqlite3

    with sqlite3.connect(journal) as db:
        litres = dict(db.execute("SELECT zone, SUM(litres) FROM opening GROUP BY zone"))
        minutes = dict(db.execute("SELECT zone, SUM(open_s) / 60.0 FROM opening GROUP BY zone"))
    db.close()
    return {"litres": litres, "minutes": minutes}
