"""What only hands can do, asked for in time: the gardener's jobs before, during and after a hot spell.

A rule looks at the days ahead and the zones, and says whether its job is due, for which plants, from when to when,
and why, in one sentence with the numbers. The rules are practice of the trade (common practice, no source); the
thresholds are the site's. Texts stand here and nowhere else.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Literal

from controller.core.garden import Garden
from controller.core.hands import POTS_MOVED
from controller.core.heat import Spell, planting_window, spells, with_excess_heat
from controller.core.moment import local_date, local_midnight
from controller.core.plan import sunrise_of, sunset_of
from controller.core.plants import is_tender, plants_on
from controller.core.site import Site, Zone
from controller.core.soil import day_demand_mm
from controller.core.weather import DayWeather, days_ahead, weather_on

LOOK_AHEAD_DAYS = 7
LOOK_BACK_DAYS = 14
AFTER_DAYS = 2
BREATHER_DAYS = 3
"""With the next heat so near, shade and pots are left as they are."""
THIN_MULCH_CM = 5.0
"""Mulch thinner than this is topped up before heat (common practice, no source)."""

Stage = Literal["before", "during", "after"]

CAUTION = "Work early or late, drink, rest in the shade. Official heat warnings go first."


@dataclass(frozen=True, slots=True)
class Job:
    """Something for the gardener's hands. id is stable while the job is due (a daily one names its day); due_from and
    due_until are UTC. keep_to: something to keep to until then, rather than to have done by then."""

    id: str
    stage: Stage
    what: str
    why: str
    zones: tuple[str, ...]
    due_from: datetime
    due_until: datetime
    done: datetime | None = None
    keep_to: bool = False


@dataclass(frozen=True, slots=True)
class Outlook:
    """What the rules look at. before: the hot spell before this one, as far as anybody remembers."""

    site: Site
    now: datetime
    today: date
    days: Sequence[DayWeather]
    spell: Spell
    before: Spell | None
    zones: Sequence[Zone]

    @property
    def ahead(self) -> bool:
        return self.spell.first > self.today

    @property
    def on(self) -> bool:
        return self.spell.first <= self.today <= self.spell.last

    @property
    def past(self) -> bool:
        return self.spell.last < self.today

    @property
    def heat(self) -> str:
        """The spell in words: "up to 40 °C from Thursday 16 July to Saturday 18 July"."""
        first, last = self.spell.first, self.spell.last
        peak = f"up to {self.spell.peak_c:.0f} °C"
        character = f" ({self.spell.character})" if self.spell.character else ""
        if first == last:
            return f"{peak} on {first:%A} {first.day} {first:%B}{character}"
        return f"{peak} from {first:%A} {first.day} to {last:%A} {last.day} {last:%B}{character}"

    def tender(self, zone: Zone) -> bool:
        """Whether the zone's plants are not established yet."""
        return is_tender(zone, self.today)

    def names(self, zones: Sequence[Zone]) -> str:
        return ", ".join(zone.name.lower() for zone in zones)

    def eve(self) -> datetime:
        """Sunset before the spell's first day; once it has begun, today's: late is better than not."""
        return sunset_of(self.site, max(self.spell.first - timedelta(days=1), self.today))

    def morning(self, day: date) -> datetime:
        return local_midnight(day, self.site.timezone) + timedelta(hours=6)

    def counts_from(self, stage: Stage) -> datetime:
        """What was done before this instant was done for an earlier spell."""
        if stage == "after":
            return local_midnight(self.spell.last + timedelta(days=1), self.site.timezone)
        first_heard = self.spell.first - timedelta(days=LOOK_AHEAD_DAYS + 3)
        calm = first_heard if self.before is None else max(first_heard, self.before.last + timedelta(days=1))
        return local_midnight(calm, self.site.timezone)


Rule = Callable[[Outlook], Job | None]


def jobs(site: Site, garden: Garden, now: datetime) -> list[Job]:
    """The jobs that are due now or soon, the most pressing first. Done ones are marked, not left out."""
    today = local_date(now, site.timezone)
    back = [weather_on(garden.weather, site, today - timedelta(days=n), now) for n in range(LOOK_BACK_DAYS, 0, -1)]
    days = [*back, *days_ahead(garden.weather, site, today, now, LOOK_AHEAD_DAYS)]
    found = with_excess_heat(spells(days, site.heat.hot_day_c), days, garden.weather, site)
    spell = _in_question(found, today)
    by_hand = [_done_at(job, garden.jobs_done.get(job.id)) for job in hand_watering(site, garden, today, now)]
    if spell is None:
        return by_hand
    before = max((s for s in found if s.last < spell.first), key=lambda s: s.last, default=None)
    outlook = Outlook(site, now, today, days, spell, before, site.zones)
    due = [_marked(job, outlook, garden.jobs_done) for rule in RULES if (job := rule(outlook)) is not None]
    return sorted([*due, *by_hand], key=lambda job: (job.due_until, job.id))


def hand_watering(site: Site, garden: Garden, today: date, now: datetime) -> list[Job]:
    """Pots that stand off their line are watered by hand: how many litres each, morning and evening."""
    found = []
    for zone in site.zones:
        bed = garden.beds[zone.id]
        if zone.pots is None or POTS_MOVED not in bed.hands:
            continue
        plants = plants_on(zone, site, garden.weather, today, now, bed.hands)
        litres = day_demand_mm(bed, zone, plants) * zone.area_m2 / zone.pots.count
        what = f"Water the {zone.pots.count} {zone.name.lower()} by hand: {litres / 2:.1f} L each, morning and evening."
        why = f"They stand off their line, and {today:%A} draws about {litres:.1f} L from each."
        start = local_midnight(today, site.timezone)
        until = sunset_of(site, today) + timedelta(hours=2)
        found.append(Job(f"water-{zone.id}-{today}", "during", what, why, (zone.id,), start, until))
    return found


def _done_at(job: Job, at: datetime | None) -> Job:
    return job if at is None else replace(job, done=at)


def _in_question(found: Sequence[Spell], today: date) -> Spell | None:
    """The spell that jobs are about: one that is on or near, else one that is just over, else one farther ahead."""
    coming = next((spell for spell in found if spell.last >= today), None)
    past = next((s for s in reversed(found) if today - timedelta(days=AFTER_DAYS) <= s.last < today), None)
    if coming is not None and (past is None or coming.first - today <= timedelta(days=BREATHER_DAYS)):
        return coming
    return past


def _marked(job: Job, outlook: Outlook, done: Mapping[str, datetime]) -> Job:
    """The job with its time of being done, if it was done for this spell and not for an earlier one."""
    at = done.get(job.id)
    return _done_at(job, at if at is not None and at >= outlook.counts_from(job.stage) else None)


def _no_planting(o: Outlook) -> Job | None:
    if o.past:
        return None
    window = planting_window([d for d in o.days if d.day > o.spell.last], o.site.heat.mild_day_c)
    until = o.morning(window) if window else o.morning(o.spell.last + timedelta(days=2))
    resume = (
        f"{window:%A} {window.day} {window:%B} is the first day with {o.site.heat.mild_day_c:.0f} °C or less around it."
        if window
        else f"No day in sight has {o.site.heat.mild_day_c:.0f} °C or less before and after it."
    )
    what = "Stop planting and transplanting."
    why = f"Heat comes, {o.heat}. {resume}"
    return Job("no-planting", "before", what, why, (), _soon(o), until, keep_to=True)


def _no_pruning(o: Outlook) -> Job | None:
    if o.past:
        return None
    why = f"Heat comes, {o.heat}: cut plants lose the leaves that shade fruit and wood."
    what = "Stop pruning, and give no fertiliser."
    return Job("no-pruning", "before", what, why, (), _soon(o), _after(o), keep_to=True)


def _harvest(o: Outlook) -> Job | None:
    if not o.ahead:
        return None
    why = f"Ripe fruit scalds and draws water from the plant; {o.heat} is coming."
    zones = [zone for zone in o.zones if not o.tender(zone)]
    return Job("harvest", "before", "Harvest what is ripe.", why, _ids(zones), _soon(o), o.eve())


def _mulch(o: Outlook) -> Job | None:
    thin = [z for z in o.zones if not z.pots and (z.mulch is None or z.mulch.depth_cm < THIN_MULCH_CM)]
    if not o.ahead or not thin:
        return None
    what = f"Mulch {o.names(thin)} to {THIN_MULCH_CM:.0f} cm or more, loose, not against the stems."
    why = f"Bare soil loses water to the sun, and {o.heat} is coming."
    return Job("mulch", "before", what, why, _ids(thin), _soon(o), o.eve())


def _stake(o: Outlook) -> Job | None:
    tall = [zone for zone in o.zones if zone.tall]
    if not o.ahead or not tall:
        return None
    why = f"Limp stems break in hot wind; {o.heat} is coming."
    return Job("stake", "before", f"Stake and tie {o.names(tall)}.", why, _ids(tall), _soon(o), o.eve())


def _shade(o: Outlook) -> Job | None:
    if o.past:
        return None
    tender = [zone for zone in o.zones if o.tender(zone)]
    others = [zone for zone in o.zones if not o.tender(zone) and not zone.tall and not zone.pots]
    if not tender and not others:
        return None
    first = f"Shade {o.names(tender)} first" if tender else f"Shade {o.names(others)}"
    then = f", then {o.names(others)}" if tender and others else ""
    why = f"{o.heat[0].upper()}{o.heat[1:]}: seedlings and the newly planted have shallow roots and burn first."
    return Job("shade", "before", f"{first}{then}.", why, _ids([*tender, *others]), _soon(o), o.eve())


def _pots(o: Outlook) -> Job | None:
    pots = [zone for zone in o.zones if zone.pots]
    if o.past or not pots:
        return None
    moving = any(zone.pots is not None and zone.pots.moves_off_line for zone in pots)
    then = "they are then watered by hand" if moving else "keep them on their line"
    what = f"Move {o.names(pots)} out of the midday and afternoon sun; {then}."
    why = f"A pot heats through and holds little water; {o.heat}."
    return Job("pots", "before", what, why, _ids(pots), _soon(o), o.eve())


def _mulch_back(o: Outlook) -> Job | None:
    drinking = [zone for zone in o.zones if zone.mulch is not None and zone.mulch.drinks_mm > 0]
    if o.past or not drinking:
        return None
    soak = max(o.spell.first, o.today + timedelta(days=1))
    what = f"Pull the mulch back from the line at {o.names(drinking)} this evening; put it back after the dawn soak."
    drunk = max(zone.mulch.drinks_mm for zone in drinking if zone.mulch is not None)
    why = f"The mulch would drink the first {drunk:.1f} mm of the soak before {soak:%A}."
    return Job(f"mulch-back-{soak}", "before", what, why, _ids(drinking), _soon(o), sunrise_of(o.site, soak))


def _look_at_dusk(o: Outlook) -> Job | None:
    if not o.on:
        return None
    zones = sorted(o.zones, key=lambda zone: (not o.tender(zone), not zone.pots))
    sunset = sunset_of(o.site, o.today)
    why = (
        f"{o.today:%A} is a hot day, {o.heat}. Leaves that hang at noon and stand again at dusk are not thirsty; "
        "those that still hang at dusk are."
    )
    what = f"Look at {o.names(zones)} after sunset, not at noon."
    return Job(f"look-at-dusk-{o.today}", "during", what, why, _ids(zones), sunset, sunset + timedelta(hours=2))


def _shade_off(o: Outlook) -> Job | None:
    if not o.past:
        return None
    why = f"The heat is over; it was {o.heat}."
    what = "Take the shade off in the evening, and put the pots back."
    start = local_midnight(o.spell.last + timedelta(days=1), o.site.timezone)
    return Job("shade-off", "after", what, why, _ids(o.zones), start, start + timedelta(days=2))


def _check_zones(o: Outlook) -> Job | None:
    if not o.past:
        return None
    why = f"It was {o.heat}. Damage shows some days later; a line that failed shows as one dry plant."
    start = local_midnight(o.spell.last + timedelta(days=1), o.site.timezone)
    what = "Walk past every zone once: scorched leaves, dropped flowers, dry spots along the line."
    return Job("check-zones", "after", what, why, _ids(o.zones), start, start + timedelta(days=3))


def _planting_again(o: Outlook) -> Job | None:
    if not o.past:
        return None
    window = planting_window([d for d in o.days if d.day >= o.today - timedelta(days=1)], o.site.heat.mild_day_c)
    if window is None:
        return None
    day = f"{window:%A} {window.day} {window:%B}"
    why = f"That day and the days on both sides stay at {o.site.heat.mild_day_c:.0f} °C or less."
    start = o.morning(window)
    return Job(
        "plant-again",
        "after",
        f"Planting may begin again on {day}.",
        why,
        (),
        start,
        start + timedelta(days=3),
    )


RULES: Sequence[Rule] = (
    _no_planting,
    _no_pruning,
    _harvest,
    _mulch,
    _stake,
    _shade,
    _pots,
    _mulch_back,
    _look_at_dusk,
    _shade_off,
    _check_zones,
    _planting_again,
)
"""A new job is one function and one line here."""


def _soon(o: Outlook) -> datetime:
    """Jobs before a spell are asked for from the third day before it."""
    return local_midnight(o.spell.first - timedelta(days=3), o.site.timezone)


def _after(o: Outlook) -> datetime:
    return local_midnight(o.spell.last + timedelta(days=1), o.site.timezone)


def _ids(zones: Sequence[Zone]) -> tuple[str, ...]:
    return tuple(zone.id for zone in zones)
