"""Hot spells foreseen in time: how many get their shade and pot jobs 24 h ahead, and how many calls are for nothing.

The weather is that of Tunis, 1979 to 2002 (see `tests.agronomy.tunis`); the forecasts err by 1.0 K and 0.3 K more for
each day ahead (standard deviation), alike along the lead. Every evening at six the real core looks at its weather book
and sends its message or not; a gardener does what it says. Nothing is fitted: the core starts each run knowing nothing
of the place, and learns from the site's thermometer how far the forecast is off.

A spell is two days or more of 37 degC and more. It is served if a message asked for shade and pots, and none had them
taken back, by six in the evening of the second day before it: 30 h before it begins. A call is a day that by then was
counted as hot; it is for nothing if the day stays under 36 degC. The plain rules see the same forecasts and call a day
when the newest one says so much.

What was chosen with these years in view: that a cloth which goes up a day too soon costs a quarter of one put up for
nothing (`core.heat.SOONER`), among 1, 1/2, 1/4 and 1/10, by the odd years. --only even judges by those that had no say.
The chance of one in eight was there before.

--lasting: share of the error's variance that stays the same in all issues for a day. 0 makes the issues independent;
with more there is less to be known, by anybody.
"""

import argparse
import math
import random
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from controller.core.digest import look
from controller.core.garden import Garden
from controller.core.hands import after_job
from controller.core.heat import NEAR_DAYS
from controller.core.jobs import jobs, outlook, spell_in_question
from controller.core.moment import Now
from controller.core.site import Pots, Shade, Site
from controller.core.step import new_garden
from controller.core.weather import DayWeather, take_days, take_temperature
from tests.agronomy import tunis
from tests.bench.rows import Row
from tests.core.gardens import a_site, a_zone

HOT_C, COOL_C, LEADS, ALONG = 37.0, 36.0, 7, 0.7
SERVED_GOAL, IDLE_GOAL = 98.0, 15.0
PLAIN_C = (36.5, 37.0)
MONTHS = range(4, 12)
HALVES = {"even": 0, "odd": 1}
TUNIS = ZoneInfo("Africa/Tunis")


@dataclass
class Score:
    """What a rule came to."""

    spells: set[tuple[int, date]] = field(default_factory=set)
    served: set[tuple[int, date]] = field(default_factory=set)
    called: set[tuple[int, date]] = field(default_factory=set)
    idle: set[tuple[int, date]] = field(default_factory=set)
    messages: Counter[tuple[int, date]] = field(default_factory=Counter)

    @property
    def served_percent(self) -> float:
        return 100.0 * len(self.served) / max(1, len(self.spells))

    @property
    def idle_percent(self) -> float:
        return 100.0 * len(self.idle) / max(1, len(self.called))

    def call(self, seed: int, day: date, tmax_c: float) -> None:
        self.called.add((seed, day))
        if tmax_c < COOL_C:
            self.idle.add((seed, day))

    def judge(self, seed: int, days: Sequence[tunis.Day], asked: Sequence[bool]) -> None:
        """asked: by each evening, whether shade and pots are asked for and not taken back."""
        for n in spells_in(days):
            if n < len(asked):
                self.spells.add((seed, days[n].date))
                if asked[n - NEAR_DAYS]:
                    self.served.add((seed, days[n].date))

    def of_years(self, remainder: int) -> "Score":
        """What it came to in the odd (1) or in the even (0) years."""
        def mine(part: set[tuple[int, date]]) -> set[tuple[int, date]]:
            return {each for each in part if each[1].year % 2 == remainder}

        messages = Counter({day: n for day, n in self.messages.items() if day[1].year % 2 == remainder})
        return Score(mine(self.spells), mine(self.served), mine(self.called), mine(self.idle), messages)


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seeds", type=int, default=10, help="so many draws of the forecasts' errors (10)")
    parser.add_argument("--years", default="1979-2002", help="first and last year, as 1979-2002")
    parser.add_argument("--only", choices=HALVES, help="judge by every other year only; all of them are lived through")
    parser.add_argument("--lasting", type=float, default=0.0, help="of the error, from issue to issue, 0 to 1 (0)")


def rows(options: argparse.Namespace) -> list[Row]:
    """Ours beside the plain rule on 36.5 degC, then the plain rules by themselves."""
    first, _, last = options.years.partition("-")
    days = tunis.days(date(int(first), 1, 1), min(date(int(last or first), 12, 31), date(2002, 5, 31)))
    ours, plain = Score(), {level_c: Score() for level_c in PLAIN_C}
    for seed in range(1, options.seeds + 1):
        told = forecasts(days, seed, options.lasting)
        run(days, told, seed, ours)
        for level_c, score in plain.items():
            run_plain(days, told, seed, level_c, score)
    if options.only:
        remainder = HALVES[options.only]
        ours = ours.of_years(remainder)
        plain = {level_c: score.of_years(remainder) for level_c, score in plain.items()}
    return [*_ours(ours, plain[PLAIN_C[0]]), *(row for level_c in PLAIN_C for row in _plain(level_c, plain[level_c]))]


def _ours(ours: Score, other: Score) -> Iterator[Row]:
    served, idle = ours.served_percent, ours.idle_percent
    twice = sum(count > 1 for count in ours.messages.values())
    yield {
        "name": f"{len(ours.spells)} spells: shade and pots 24 h ahead", "ours_percent": round(served, 2),
        "reference_percent": round(other.served_percent, 2), "ratio": round(served / other.served_percent, 4),
        "goal": SERVED_GOAL, "meets": served >= SERVED_GOAL,
    }  # fmt: skip
    yield {
        "name": f"{len(ours.called)} days called: stay under 36 degC", "ours_percent": round(idle, 2),
        "reference_percent": round(other.idle_percent, 2), "ratio": round(idle / other.idle_percent, 4),
        "goal": IDLE_GOAL, "meets": idle <= IDLE_GOAL,
    }  # fmt: skip
    yield {
        "name": f"{len(ours.messages)} days with a message: with more than one", "ours_days": float(twice),
        "reference_days": None, "ratio": float(twice), "goal": 0.0, "meets": twice == 0,
    }  # fmt: skip


def _plain(level_c: float, score: Score) -> Iterator[Row]:
    for name, percent in (("24 h ahead", score.served_percent), ("days for nothing", score.idle_percent)):
        yield {
            "name": f"plain rule on {level_c:g} degC: {name}", "reference_percent": round(percent, 2), "ratio": None,
            "goal": None, "meets": True,
        }  # fmt: skip


def forecasts(days: Sequence[tunis.Day], seed: int, lasting: float) -> list[list[float]]:
    """Of every day, the maxima told on it for itself and the six days after: [day][lead]."""
    chance = random.Random(f"spells {seed}")
    stays = [chance.gauss(0.0, 1.0) for _ in days]
    told = []
    for n in range(len(days) - LEADS):
        z, row = chance.gauss(0.0, 1.0), []
        for lead in range(LEADS):
            z = z if lead == 0 else ALONG * z + math.sqrt(1.0 - ALONG**2) * chance.gauss(0.0, 1.0)
            error = math.sqrt(lasting) * stays[n + lead] + math.sqrt(1.0 - lasting) * z
            row.append(days[n + lead].tmax_c + (1.0 + 0.3 * lead) * error)
        told.append(row)
    return told


def spells_in(days: Sequence[tunis.Day]) -> list[int]:
    """The first day, by its number, of every spell of two hot days or more."""
    hot = [day.tmax_c >= HOT_C for day in days]
    return [n for n in range(1, len(days) - LEADS) if hot[n] and hot[n + 1] and not hot[n - 1]]


def a_garden() -> Site:
    """Seedlings under a cloth that is put up by hand, and pots."""
    salad = a_zone("salad", tender=True, planted=None, shades=(Shade("cloth", 0.5, by_hand=True),))
    pots = a_zone("pots", planted=None, root_depth_m=0.3, pots=Pots(12, 30.0))
    return replace(
        a_site(salad, pots), timezone=TUNIS, latitude_deg=tunis.LATITUDE_DEG, longitude_deg=tunis.LONGITUDE_DEG,
        elevation_m=tunis.ELEVATION_M,
    )  # fmt: skip


def run(days: Sequence[tunis.Day], told: Sequence[Sequence[float]], seed: int, score: Score) -> None:
    """One run of the real core through all the years."""
    site = a_garden()
    garden = new_garden(site, Now(0.0, _at(days[0].date, 0.0)))
    asked: list[bool] = []
    for n, row in enumerate(told):
        today = days[n]
        standing = asked[-1] if asked else False
        garden = _weather_of(site, garden, today, row)
        if today.date.month in MONTHS:
            now = _at(today.date, 18.0)
            garden, digest = look(site, garden, jobs(site, garden, now), now)
            if digest is not None:
                score.messages[seed, digest.day] += 1
                ids = {job.id for job in digest.jobs}
                standing = (standing or {"shade", "pots"} <= ids) and "shade-off" not in ids
                garden = _done(site, garden, ids, now)
            if standing:
                _called(days, n, garden, site, now, seed, score)
        asked.append(standing)
        garden = replace(garden, weather=take_temperature(garden.weather, today.tmin_c, _at(today.date, 23.5), TUNIS))
    score.judge(seed, days, asked)


def _called(
    days: Sequence[tunis.Day], n: int, garden: Garden, site: Site, now: datetime, seed: int, score: Score
) -> None:
    """The days two days ahead that the core counts as hot, while shade is asked for."""
    o = outlook(site, garden, now)
    spell, _ = spell_in_question(o)
    day = days[n + NEAR_DAYS]
    if spell is not None and spell.first <= day.date <= spell.last:
        score.call(seed, day.date, day.tmax_c)


def _weather_of(site: Site, garden: Garden, today: tunis.Day, row: Sequence[float]) -> Garden:
    """A day up to the evening: its forecast came at six in the morning, and the thermometer has seen its heat."""
    issued = _at(today.date, 6.0)
    told = [
        DayWeather(today.date + timedelta(days=lead), tmax_c, min(today.tmin_c, tmax_c), "forecast")
        for lead, tmax_c in enumerate(row)
    ]
    book = replace(take_days(garden.weather, told, today.date), source="drawn", issued=issued)
    for hour, value_c in ((0.5, today.tmin_c), (15.0, today.tmax_c), (17.5, (today.tmin_c + today.tmax_c) / 2.0)):
        book = take_temperature(book, value_c, _at(today.date, hour), TUNIS)
    return replace(garden, weather=book)


def _done(site: Site, garden: Garden, ids: set[str], now: datetime) -> Garden:
    """A gardener does at once what the message says."""
    beds = dict(garden.beds)
    for job in sorted(ids):
        beds = {zone.id: replace(beds[zone.id], hands=after_job(beds[zone.id].hands, job, zone)) for zone in site.zones}
    return replace(garden, beds=beds, jobs_done={**garden.jobs_done, **dict.fromkeys(ids, now)})


def run_plain(
    days: Sequence[tunis.Day], told: Sequence[Sequence[float]], seed: int, level_c: float, score: Score
) -> None:
    """The plain rule: a day within two days is hot when the newest forecast says so; shade goes up for it, and comes
    off when none of the next three days is."""
    asked = list[bool]()
    for n, row in enumerate(told):
        standing = asked[-1] if asked else False
        near = any(value_c >= level_c for value_c in row[: NEAR_DAYS + 1])
        standing = near or (standing and any(value_c >= level_c for value_c in row[: NEAR_DAYS + 2]))
        if row[NEAR_DAYS] >= level_c:
            score.call(seed, days[n + NEAR_DAYS].date, days[n + NEAR_DAYS].tmax_c)
        asked.append(standing)
    score.judge(seed, days, asked)


def _at(day: date, hour: float) -> datetime:
    return (datetime(day.year, day.month, day.day, tzinfo=TUNIS) + timedelta(hours=hour)).astimezone(UTC)
