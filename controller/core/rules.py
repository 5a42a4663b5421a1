"""When a zone may be watered: hours of the house, rules of the place and hours of the pump, as closed times.

Everything is judged day by day in the site's civil calendar, and told in UTC: a day of a clock change is as long as it
is. A pulse must lie wholly outside the closed times (`shut`). Each closed time says what closes it (`closed_by`), so
that it can be told to a person, and so that a plan can be made as if it were not.

A rule of the place leaves out what it exempts, the rest between seasons what is asked for by hand. The hours of the
house and of the pump leave out nothing.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import TypeVar

from controller.core.frozen import replace
from controller.core.moment import day_bounds, local_date, local_midnight
from controller.core.plants import is_tender
from controller.core.recall import recalled
from controller.core.site import Exemption, Hours, Rule, Site, Supply, Zone
from controller.core.weather import sun_on

Span = tuple[datetime, datetime]
"""A stretch of time, its end not in it."""

HOUSE = "the list of allowed hours"
QUIET = "the pump's quiet time"
SUN = "the pump's need of sunlight"
OFF_SEASON = "the rest between seasons"
LOOK_AHEAD = timedelta(days=40)
ONE_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Closed:
    """A time in which a zone may not be watered, and what closes it: the name of a rule, or one of the words above."""

    start: datetime
    end: datetime
    by: str


def shut(site: Site, zone: Zone, since: datetime, until: datetime, *, by_hand: bool = False) -> list[Span]:
    """The times from `since` to `until` in which the zone may not be watered, in order and apart from each other."""
    return merged((each.start, each.end) for each in closed(site, zone, since, until, by_hand=by_hand))


def closed(site: Site, zone: Zone, since: datetime, until: datetime, *, by_hand: bool = False) -> list[Closed]:
    """The same, with what closes each: where two rules close the same hour, it is told twice."""
    if not restricted(site):
        return []
    found: list[Closed] = []
    day, last = local_date(since, site.timezone), local_date(until, site.timezone)
    while day <= last:
        found += [each for each in _on(site, zone.id, day, by_hand) if each.start < until and each.end > since]
        day += ONE_DAY
    return found


@recalled(facts=1)
def _on(site: Site, zone_id: str, day: date, by_hand: bool) -> tuple[Closed, ...]:
    """What is closed to a zone on one civil day."""
    zone, supply = site.zone(zone_id), site.supply_of(zone_id)
    spans = [(HOUSE, span) for span in _house(site.watering.allowed, site.timezone, day)]
    spans += [(QUIET, span) for span in _daily(supply.quiet, site.timezone, day, wide=True)]
    spans += [(SUN, span) for span in _without_sun(site, supply, day)]
    spans += [(OFF_SEASON, day_bounds(day, site.timezone))] if not by_hand and not in_season(site, day) else []
    spans += [
        (rule.name, span)
        for rule in site.rules
        if not exempt(rule, zone, day, by_hand=by_hand)
        for span in _of_rule(rule, site.timezone, day)
    ]
    return tuple(Closed(*span, by) for by, span in spans)


def closed_by(site: Site, zone: Zone, start: datetime, end: datetime, *, by_hand: bool = False) -> Closed | None:
    """What closes any part of a stretch of time for a zone, the first of it; None if it may be watered throughout."""
    return min(closed(site, zone, start, end, by_hand=by_hand), key=lambda each: each.start, default=None)


def banned_by(site: Site, zone: Zone, at: datetime, *, by_hand: bool = False) -> Closed | None:
    """The rule of the place that closes an instant for a zone; None if none does."""
    names = {rule.name for rule in site.rules}
    moment = timedelta(seconds=1)
    found = closed(site, zone, at, at + moment, by_hand=by_hand)
    return next((each for each in found if each.by in names), None)


def open_again(site: Site, zone: Zone, at: datetime, *, by_hand: bool = False) -> datetime | None:
    """The first instant from `at` on at which the zone may be watered; None if there is none for weeks."""
    end = at + LOOK_AHEAD
    first = next(iter(without([(at, end)], shut(site, zone, at, end, by_hand=by_hand))), None)
    return first[0] if first is not None else None


def in_words(site: Site, zone: Zone, found: Closed, *, by_hand: bool = False) -> str:
    """What closes a zone and until when it may not be watered, as a sentence."""
    if found.by == OFF_SEASON:
        return season_said(site, local_date(found.start, site.timezone)) or ""
    again = open_again(site, zone, found.start, by_hand=by_hand)
    until = f"before {again.astimezone(site.timezone):%a %d %b %H:%M}" if again is not None else "for weeks"
    return f"{in_front(found.by)} lets no water run here {until}."


def in_front(name: str) -> str:
    """The name of a rule as a sentence begins with it."""
    return name[:1].upper() + name[1:]


def restricted(site: Site) -> bool:
    """Whether anything ever closes anything here."""
    house, pumps = site.watering, any(each.quiet or each.sun_pump for each in site.supplies)
    return bool(house.allowed or house.season or house.off or site.rules or pumps)


def limited(site: Site) -> bool:
    """Whether there is any rule at all here, for when or for how much."""
    return restricted(site) or bool(site.budgets)


def in_season(site: Site, day: date) -> bool:
    """Whether the garden is watered by plan on that day."""
    season = site.watering.season
    return not site.watering.off and (season is None or _within(*season, day))


def season_said(site: Site, day: date) -> str | None:
    """Why nothing is watered by plan on a day, and until when; None in the season."""
    if in_season(site, day):
        return None
    season, by_hand = site.watering.season, "Water asked for by hand still runs."
    if site.watering.off or season is None:
        return f'Nothing is watered by plan: season = "off" in the config. {by_hand}'
    (month, first), _ = season
    year = day.year if (day.month, day.day) < (month, first) else day.year + 1
    return f"The season is over: nothing is watered by plan before {first} {date(year, month, 1):%B %Y}. {by_hand}"


@recalled(facts=1)
def lifted(site: Site) -> list[tuple[str, Site]]:
    """The site without each of its rules, one at a time, each with what was taken away."""
    others = [tuple(each for each in site.rules if each != rule) for rule in site.rules]
    found = [(rule.name, replace(site, rules=left)) for rule, left in zip(site.rules, others, strict=True)]
    for budget in site.budgets:
        found.append((budget.name, replace(site, budgets=tuple(each for each in site.budgets if each != budget))))
    if site.watering.allowed:
        found.append((HOUSE, replace(site, watering=replace(site.watering, allowed=()))))
    if any(each.quiet for each in site.supplies):
        found.append((QUIET, replace(site, supplies=tuple(replace(each, quiet=()) for each in site.supplies))))
    if any(each.sun_pump for each in site.supplies):
        found.append((SUN, replace(site, supplies=tuple(replace(each, sun_pump=None) for each in site.supplies))))
    return found


def exempt(rule: Rule, zone: Zone, day: date, *, by_hand: bool = False) -> bool:
    """Whether a rule leaves out the zone on that day, or a watering of it that somebody asks for."""
    if rule.zones and zone.id not in rule.zones:
        return True
    is_one: dict[Exemption, bool] = {
        "drip": zone.line.kind in ("dripline", "drippers"),
        "weeper hose": zone.line.kind == "weeper hose",
        "by hand": by_hand,
        "food plants": zone.food,
        "newly planted": is_tender(zone, day),
        "pots": zone.pots is not None,
    }
    return any(is_one[each] for each in rule.exempt)


def rooms(spans: Sequence[Span], since: datetime, until: datetime, least: timedelta) -> list[Span]:
    """What `spans` leave open between two instants: the stretches of at least `least`. spans: in order, apart."""
    return [(start, end) for start, end in without([(since, until)], spans) if end - start >= least]


# Stretches of time ------------------------------------------------------------------------------------


Point = TypeVar("Point", datetime, float)


def merged(spans: Iterable[tuple[Point, Point]]) -> list[tuple[Point, Point]]:
    """The same times, in order, and those that touch made one."""
    whole: list[tuple[Point, Point]] = []
    for start, end in sorted(spans):
        if whole and start <= whole[-1][1]:
            whole[-1] = (whole[-1][0], max(whole[-1][1], end))
        elif start < end:
            whole.append((start, end))
    return whole


def without(
    spans: Iterable[tuple[Point, Point]], others: Iterable[tuple[Point, Point]]
) -> list[tuple[Point, Point]]:
    """The times that are in the first and not in the second."""
    left = merged(spans)
    for from_, to in merged(others):
        cut = [(start, min(end, from_)) for start, end in left] + [(max(start, to), end) for start, end in left]
        left = sorted((start, end) for start, end in cut if start < end)
    return left


# Days -------------------------------------------------------------------------------------------------


def _house(allowed: tuple[Hours, ...], timezone: tzinfo, day: date) -> list[Span]:
    """What the hours of the house close of a day."""
    return without([day_bounds(day, timezone)], _daily(allowed, timezone, day, wide=False)) if allowed else []


def _of_rule(rule: Rule, timezone: tzinfo, day: date) -> tuple[Span, ...]:
    """What a rule closes of a day, before it is asked for whom."""
    whole = [day_bounds(day, timezone)]
    named: list[Span] = []
    if _names(rule, day):
        named += _daily(rule.hours, timezone, day, rule.forbids, not rule.from_evening) if rule.hours else whole
    if rule.from_evening and _names(rule, day - ONE_DAY):
        named += _mornings(rule.hours, timezone, day, rule.forbids)
    if rule.forbids:
        return tuple(merged(named))
    return tuple(without(whole, named)) if _in_season(rule, day) else ()


def _names(rule: Rule, day: date) -> bool:
    """Whether a day is one of those that the rule names. Out of its season a ban names none."""
    return (
        (_in_season(rule, day) or not rule.forbids)
        and (not rule.weekdays or day.weekday() in rule.weekdays)
        and (not rule.month_days or day.day in rule.month_days)
        and (not rule.dates or day in rule.dates)
        and (rule.since is None or (day - rule.since).days % rule.every == 0)
    )


def _in_season(rule: Rule, day: date) -> bool:
    return rule.first is None or rule.last is None or _within(rule.first, rule.last, day)


def _within(first: tuple[int, int], last: tuple[int, int], day: date) -> bool:
    """Whether a day is in a part of every year, across the new year if it ends earlier than it begins."""
    at = (day.month, day.day)
    return first <= at <= last if first <= last else at >= first or at <= last


def _daily(
    windows: tuple[Hours, ...], timezone: tzinfo, day: date, wide: bool, mornings: bool = True
) -> list[Span]:
    """The part of daily windows that lies in one civil day. Of those across midnight it has two, the second only with
    `mornings`. wide: see `_civil`."""
    _, midnight = day_bounds(day, timezone)
    spans = _mornings(windows, timezone, day, wide) if mornings else []
    for hours in windows:
        start = _civil(day, hours.start, timezone, late=not wide)
        until = midnight if _across(hours) else _civil(day, hours.until, timezone, late=wide)
        spans += [(start, until)] if start < until else []
    return merged(spans)


def _mornings(windows: tuple[Hours, ...], timezone: tzinfo, day: date, wide: bool) -> list[Span]:
    """The ends, on one civil day, of windows that are across midnight."""
    begin = local_midnight(day, timezone)
    ends = [_civil(day, hours.until, timezone, late=wide) for hours in windows if _across(hours)]
    return [(begin, end) for end in ends if begin < end]


def _across(hours: Hours) -> bool:
    return hours.until <= hours.start


def _civil(day: date, at: time, timezone: tzinfo, *, late: bool) -> datetime:
    """The instant of a local time of day, within that day. Twice a year a time may come twice, or not at all: then the
    later of the two instants that it could be, or the earlier. So a closed time is taken wide, and an open one narrow.
    """
    both = [
        datetime.combine(day, at, timezone).replace(fold=fold).astimezone(UTC) for fold in (0, 1)
    ]
    begin, end = day_bounds(day, timezone)
    return min(end, max(begin, *both) if late else max(begin, min(both)))


def _without_sun(site: Site, supply: Supply, day: date) -> list[Span]:
    """What a pump on sunlight leaves closed of a day."""
    if supply.sun_pump is None:
        return []
    whole, sun = day_bounds(day, site.timezone), sun_on(site, day)
    if sun.sunrise is None or sun.sunset is None:
        return [] if sun.always == "polar day" else [whole]
    # Plans are made in whole seconds, downwards.
    start = sun.sunrise.replace(microsecond=0) + timedelta(minutes=supply.sun_pump.after_sunrise_min, seconds=1)
    end = sun.sunset - timedelta(minutes=supply.sun_pump.before_sunset_min)
    return without([whole], [(start, end)] if start < end else [])
