"""The jobs that no hot spell brings: what hands have begun and must end, the season's own, frost, the house's own.

Seasons are the calendar's, turned by half a year south of the equator. They are practice of the trade (common practice,
no source).
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from types import MappingProxyType

from controller.core.hands import MULCH_BACK, MULCHED, POTS_MOVED, SHADE_UP, off_line, sort_of
from controller.core.heat import Spell
from controller.core.job import Job, Stage
from controller.core.jobs_heat import MINUTES
from controller.core.outlook import Outlook, ids_of, named
from controller.core.plants import plants_on
from controller.core.rules import in_season
from controller.core.said import Each, Fact, Said, Zones
from controller.core.site import OwnJob, Trigger, Zone
from controller.core.soil import day_demand_mm

BREATHER_DAYS = 3
"""With the next heat so near, shade and pots are left as they are."""
OWN_SPAN = timedelta(days=7)
DORMANT = frozenset(
    {"apple frost", "apple", "pear", "cherry", "stone fruit frost", "stone fruit", "stone fruit grassed", "peach",
     "plum", "apricot", "fig", "mulberry", "table grape", "wine grape", "berries", "raspberry", "blueberry"}
)  # fmt: skip
"""Perennials that rest in winter and are pruned then. Stone fruit is better cut after its harvest where it rains in
winter; the text says so."""

Rule = Callable[[Outlook], Iterator[Job]]


def _pots_off_line(o: Outlook) -> Iterator[Job]:
    """Pots that stand off their line are watered by hand: how many litres each, morning and evening."""
    for zone in o.zones:
        if zone.pots is None or not off_line(zone, o.hands(zone)):
            continue
        for day, part, begin, until in o.mornings_and_evenings():
            plants = plants_on(zone, o.site, o.garden.weather, day, o.now, o.hands(zone))
            day_l = day_demand_mm(o.bed(zone), zone, plants) * zone.area_m2
            each_l = day_l / zone.pots.count
            facts: dict[str, Fact] = {"zones": named([zone]), "count": zone.pots.count, "each_l": each_l / 2.0}
            what = Said(f"water-pots.{part}", {**facts, "day": day})
            why = Said("water-pots.why", {"day": day, "day_l": each_l})
            yield Job(
                f"water-{zone.id}-{day}-{part}", "water-pots", "during", what, why, (zone.id,), begin, until,
                5.0 + zone.pots.count, o.midnight(day - timedelta(days=1)), litres={zone.id: day_l / 2.0},
            )  # fmt: skip


def _mulch_on(o: Outlook) -> Iterator[Job]:
    """Mulch that lies beside its line after sunrise is waiting to be put back."""
    back = [zone for zone in o.zones if MULCH_BACK in o.hands(zone)]
    sunrise = o.sunrise(o.today)
    if back and o.now >= sunrise:
        what = Said("mulch-on", {"zones": named(back)})
        yield Job(
            "mulch-on", "mulch-on", "during", what, Said("mulch-on.why"), ids_of(back), sunrise,
            max(o.now + timedelta(hours=1), o.clock(o.today, 9)), MINUTES["zone"] * len(back),
            _since_report(o, "mulch-back"),
        )  # fmt: skip


def _shade_still_up(o: Outlook) -> Iterator[Job]:
    """A cloth or pots that were put away for heat that has gone, or never came."""
    changed = [zone for zone in o.zones if {SHADE_UP, POTS_MOVED} & set(o.hands(zone))]
    near = [day.day for day in o.ahead if (day.day - o.today).days <= BREATHER_DAYS]
    if not changed or any(o.chances[day] >= o.site.jobs.call_chance for day in near):
        return
    pots = any(POTS_MOVED in o.hands(zone) for zone in changed)
    what = Said("shade-off.pots" if pots else "shade-off")
    hottest_c = max(day.tmax_c for day in o.ahead if day.day in near)
    why = Said("shade-off.calm", {"zones": named(changed), "peak_c": hottest_c, "day": near[-1]})
    until = o.sunset(o.today + timedelta(days=1))
    yield Job(
        "shade-off", "shade-off", "after", what, why, ids_of(changed), o.midnight(o.today), until,
        MINUTES["cloth"] * len(changed), _since_report(o, "shade", "pots"),
    )  # fmt: skip


def _since_report(o: Outlook, *kinds: str) -> datetime:
    """When a job of these kinds was last reported done: what ends it counts from then."""
    made = [at for name, at in o.garden.jobs_done.items() if sort_of(name) in kinds]
    return max(made, default=o.midnight(o.today))


# The year -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Season:
    """A stretch of every year, by month and day of the northern half."""

    month: int
    day: int
    days: int

    def around(self, o: Outlook) -> tuple[date, date] | None:
        """Its first and last day, if today is one of them."""
        month = self.month if o.site.latitude_deg >= 0.0 else (self.month + 5) % 12 + 1
        for year in (o.today.year - 1, o.today.year):
            first = date(year, month, self.day)
            if first <= o.today < first + timedelta(days=self.days):
                return first, first + timedelta(days=self.days - 1)
        return None


SEASONS: Mapping[str, Season] = MappingProxyType(
    {
        "valves": Season(3, 15, 30),
        "probes": Season(3, 15, 30),
        "prune": Season(1, 20, 40),
        "summer-mulch": Season(5, 10, 30),
        "cloth-up": Season(5, 25, 21),
        "cloth-down": Season(10, 10, 21),
        "winter": Season(11, 10, 30),
    }
)

TURNS: Mapping[str, int] = MappingProxyType({"valves": 14, "winter": 1})
"""Where the config names the season, these come by it: so many days before its first day, or after its last."""
WINTER = timedelta(days=300)


def _valves(o: Outlook) -> Iterator[Job]:
    each = Each(tuple((zone.id, zone.line.flow_l_min) for zone in o.zones))
    yield from _of_season(o, "valves", Said("valves", {"each_l_min": each}), o.zones, 10.0 + 5.0 * len(o.zones))


def _probes(o: Outlook) -> Iterator[Job]:
    probed = {sensor.zone for sensor in o.site.sensors if sensor.kind == "moisture"}
    zones = [zone for zone in o.zones if zone.id in probed]
    yield from _of_season(o, "probes", Said("probes", {"zones": named(zones)}), zones, 10.0 * len(zones))


def _prune(o: Outlook) -> Iterator[Job]:
    zones = [zone for zone in o.zones if zone.crop.name in DORMANT]
    area_m2 = sum(zone.area_m2 for zone in zones)
    yield from _of_season(o, "prune", Said("prune", {"zones": named(zones)}), zones, 15.0 + 5.0 * area_m2)


def _summer_mulch(o: Outlook) -> Iterator[Job]:
    least_cm = o.site.jobs.thin_mulch_cm
    zones = [zone for zone in o.zones if zone.pots is None and MULCHED not in o.hands(zone)]
    area_m2 = sum(zone.area_m2 for zone in zones)
    what = Said("summer-mulch", {"zones": named(zones), "depth_cm": least_cm})
    yield from _of_season(o, "summer-mulch", what, zones, MINUTES["mulched square metre"] * area_m2)


def _cloth_up(o: Outlook) -> Iterator[Job]:
    zones = _standing_cloth(o)
    yield from _of_season(o, "cloth-up", Said("cloth-up", {"zones": named(zones)}), zones, 20.0 * len(zones))


def _cloth_down(o: Outlook) -> Iterator[Job]:
    zones = _standing_cloth(o)
    yield from _of_season(o, "cloth-down", Said("cloth-down", {"zones": named(zones)}), zones, 20.0 * len(zones))


def _winter(o: Outlook) -> Iterator[Job]:
    yield from _of_season(o, "winter", Said("winter"), o.zones, 30.0 + MINUTES["zone"] * len(o.zones))


def _frost(o: Outlook) -> Iterator[Job]:
    """A night that may freeze: the lines' water has to go, or be kept warm."""
    if not in_season(o.site, o.today) and _drained(o):
        return
    cold = next((day for day in o.ahead[: BREATHER_DAYS + 1] if day.tmin_c <= o.site.jobs.frost_c), None)
    if cold is not None and cold.basis not in ("season guess", "monthly normal"):
        why = Said("frost.why", {"tmin_c": cold.tmin_c, "day": cold.day})
        until = max(o.sunset(cold.day - timedelta(days=1)), o.sunset(o.today))
        yield Job(
            "frost", "frost", "season", Said("frost"), why, ids_of(o.zones), o.midnight(o.today), until,
            15.0 + MINUTES["zone"] * len(o.zones), o.midnight(o.today - timedelta(days=30)),
        )  # fmt: skip


def _drained(o: Outlook) -> bool:
    """Whether somebody has reported the job of this winter done."""
    return any(sort_of(name) == "winter" and o.now - at < WINTER for name, at in o.garden.jobs_done.items())


def _standing_cloth(o: Outlook) -> list[Zone]:
    return [zone for zone in o.zones if any(shade.kind == "cloth" and not shade.by_hand for shade in zone.shades)]


def _of_season(o: Outlook, kind: str, what: Said, zones: Sequence[Zone], minutes: float) -> Iterator[Job]:
    """A job for a stretch of the year, if today is in it and there is anything it is for."""
    season = o.site.watering.season
    span = SEASONS[kind].around(o) if season is None or kind not in TURNS else _at_the_turn(o, kind, season)
    if span is None or not zones:
        return
    first, last = span
    begin, end = o.midnight(first), o.midnight(last + timedelta(days=1))
    name = f"{kind}-{first.year}"
    yield Job(name, kind, "season", what, Said(f"{kind}.why"), ids_of(zones), begin, end, minutes, begin)


def _at_the_turn(
    o: Outlook, kind: str, season: tuple[tuple[int, int], tuple[int, int]]
) -> tuple[date, date] | None:
    """First and last day of a job that belongs to the begin or the end of the config's own season, if today is one."""
    (month, day), shift = (season[0], -TURNS[kind]) if kind == "valves" else (season[1], TURNS[kind])
    for year in (o.today.year - 1, o.today.year, o.today.year + 1):
        first = date(year, month, 1) + timedelta(days=day - 1 + shift)
        if first <= o.today < first + timedelta(days=SEASONS[kind].days):
            return first, first + timedelta(days=SEASONS[kind].days - 1)
    return None


RULES: Sequence[Rule] = (
    _pots_off_line,
    _mulch_on,
    _shade_still_up,
    _valves,
    _probes,
    _prune,
    _summer_mulch,
    _cloth_up,
    _cloth_down,
    _winter,
    _frost,
)
"""A new job that heat does not bring is one generator and one line here."""


# The house's own ----------------------------------------------------------------------------------


def own_jobs(o: Outlook, spell: Spell | None) -> Iterator[Job]:
    """The jobs that the config adds, in the words it gives them."""
    for own in o.site.jobs.own:
        window = _on_the_day(o, own.trigger) if isinstance(own.trigger, tuple) else _occasion(o, own.trigger, spell)
        if window is not None:
            begin, end, why = window
            stage: Stage = "own"
            what = Said("own.zones", {"text": own.text, "zones": Zones(own.zones)}) if own.zones else _plain(own)
            yield Job(
                f"own-{own.id}", "own", stage, what, why, own.zones, begin, end, own.minutes, begin,
            )  # fmt: skip


def _plain(own: OwnJob) -> Said:
    return Said("own", {"text": own.text})


def _on_the_day(o: Outlook, month_day: tuple[int, int]) -> tuple[datetime, datetime, Said] | None:
    """A week from a day of every year."""
    for year in (o.today.year - 1, o.today.year):
        first = date(year, *month_day)
        if first <= o.today < first + OWN_SPAN:
            return o.midnight(first), o.midnight(first + OWN_SPAN), Said("own.yearly", {"day": first})
    return None


def _occasion(o: Outlook, trigger: Trigger, spell: Spell | None) -> tuple[datetime, datetime, Said] | None:
    if trigger == "frost":
        return next(((job.due_from, job.due_until, job.why) for job in _frost(o)), None)
    if spell is None:
        return None
    heat, first, last = spell.said(o.site), spell.first, spell.last
    eve = o.sunset(first - timedelta(days=1))
    after = o.midnight(last + timedelta(days=1))
    windows = {
        "before heat": (o.midnight(first - timedelta(days=3)), eve, "own.before"),
        "eve of heat": (o.midnight(first - timedelta(days=1)), eve, "own.before"),
        "in heat": (o.midnight(max(first, o.today)), o.midnight(max(first, o.today) + timedelta(days=1)), "own.in"),
        "after heat": (after, after + timedelta(days=3), "own.after"),
        "hot wind": (o.midnight(first - timedelta(days=3)), eve, "own.before"),
    }
    if (trigger == "hot wind" and not spell.windy(o.site)) or (trigger == "after heat") != (last < o.today):
        return None
    begin, end, key = windows[trigger]
    return begin, end, Said(key, {"heat": heat})
