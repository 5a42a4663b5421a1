"""Stage 3: needs in, waterings out: when, in which pulses, in which order, inside the allowed hours and each supply.

The days ahead are lived through with the same soil model that keeps the beds: at every dawn and dusk each zone is
asked what it needs, the pulses are laid into time, and the foreseen bed gets the water. So the plan of the third
day reckons with the waterings of the first two.

Waterings that have begun, and those asked for by hand, are laid first, from now on; what they have been given
already is not given again. What the time does not hold is left out where that costs least (`core.shortage`), and said.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import reduce
from math import ceil, floor
from types import MappingProxyType

from controller.agronomy.infiltration import cycles, rest_min
from controller.core.budget import counted, counts, today_l
from controller.core.frozen import replace
from controller.core.garden import Bed, Figure, Garden, Need, Plan, Pulse, Purpose, Watering
from controller.core.hands import after_soak
from controller.core.interleave import Barred, Chain, Slot, Taken, draws, lay_backward, lay_forward
from controller.core.interlock import LATE
from controller.core.moment import day_bounds, local_date, local_midnight
from controller.core.need import View, dawn_need, day_need, dusk_need, view
from controller.core.recall import recalled
from controller.core.rules import (
    OFF_SEASON,
    Span,
    closed,
    closed_by,
    in_front,
    in_season,
    lifted,
    limited,
    merged,
    restricted,
    rooms,
    season_said,
    shut,
    without,
)
from controller.core.shortage import BY_HAND, Stake, cheapest_first, stake_of
from controller.core.site import Site, Supply, Zone
from controller.core.soil import advance, foresee, wet
from controller.core.tank import Store, stores_of
from controller.core.weather import sun_on

HORIZON_DAYS = 4
HORIZON_DAYS_MOST = 7
"""The plan looks as far ahead as the forecast, within these bounds; the days it does not know are like the last."""
DUSK_HOURS = 5.0
"""A refresh that has not ended this long after sunset is left to the dawn soak."""
DAY_HOURS = 3.0
"""A refresh by day happens around and after solar noon, when what is left until dusk can be foreseen."""
LATE_H = 1.0
"""A soak that was held up may end this long after sunrise (common practice, no source); then the rest waits."""
BY_HAND_HOURS = 24.0
ROOM = timedelta(minutes=10)
"""A stretch of open time shorter than this is no chance to water."""
AHEAD_DAYS = 8
"""So many days past the plan's own are looked at for the next chance to water a zone: no root zone lasts longer."""
HELD = 0.95
"""A dawn that holds less than this share of a soak is too short for it."""
TOLD_MM = 0.5
"""What a rule costs a zone is told from here on."""
FIGURES_AHEAD = timedelta(hours=36)
"""Waterings farther ahead are planned anew many times: neither hard thinking nor carrying their arithmetic about is
worth it."""
TOLERANCE = 0.02
"""A watering whose pulses miss its target by less than this share is let run on as it is."""
SQUEEZE = 100_000
"""The effort to lay a session tighter before its pulses are left out (see `lay_forward`): some 50 ms on a desktop
machine, and it may be spent on every session of the days ahead."""
PARTS = (0.75, 0.5, 0.25)
"""Shares of a pulse that are tried where the whole does not fit."""
MOST_NAMED = 3
"""Of more waterings that are cut, the last are told by their number."""
RETRY_AFTER = timedelta(minutes=2)
"""What the guard has refused is tried again no sooner (common practice, no source)."""
SHORTEST_PULSE_S = 20.0
SHORT_PULSE_S = 300.0
"""Pulses are not halved to less than this: a line needs time to fill (common practice, no source)."""
FILLS = 5.0
"""A pulse is to last as long as so many fillings of its line: 5 to 10 (common practice, no source)."""
WETTING_MM = 1.5
WETTING_REST_S = 20 * 60.0
"""Dry repellent sand first gets this much, and time to let it in (1 to 2 mm and 15 to 60 min: common practice)."""

JUDGES: Mapping[Purpose, Callable[[View], Need | None]] = MappingProxyType(
    {"dawn soak": dawn_need, "day refresh": day_need, "dusk refresh": dusk_need}
)
"""Who says what a zone needs, by purpose."""


@dataclass(frozen=True, slots=True)
class Session:
    """A stretch of time in which zones are watered together: the dawn of a day, or its dusk.

    start: not before. deadline: the water is to have ended (dawn only; laid from there backwards). end: the hard end.
    zones: that may be watered in it.
    """

    purpose: Purpose
    day: date
    start: datetime
    deadline: datetime | None
    end: datetime
    zones: frozenset[str]

    @property
    def judged_at(self) -> datetime:
        """The instant for which a bed's need is judged."""
        return self.deadline or self.start


@dataclass(frozen=True, slots=True)
class Order:
    """A watering with its past pulses, and the pulses still to be laid. ready: earliest start of the first of them.
    stake: what its plants lose if it is cut."""

    watering: Watering
    pulses_s: tuple[float, ...]
    ready: datetime
    stake: Stake

    def first(self, count: int) -> "Order":
        """Only so many of its pulses."""
        return replace(self, pulses_s=self.pulses_s[:count])

    def halved(self, shortest_s: float) -> "Order":
        """The same water in twice as many pulses, and half the rest that each needs, if they do not become too short.
        A first pulse that is to wet a dry top is given whole."""
        if self.watering.need.dry_top or min(self.pulses_s, default=0.0) < 2.0 * shortest_s:
            return self
        watering = replace(self.watering, rest_s=self.watering.rest_s / 2.0)
        halves_s = tuple(pulse_s / 2.0 for pulse_s in self.pulses_s for _ in range(2))
        return replace(self, watering=watering, pulses_s=halves_s)


@dataclass(frozen=True, slots=True)
class Loss:
    """What the time does not hold of a watering, net mm. shared: not by its own length, but because others need the
    supply more. dry: not for want of time, but of water in the tank."""

    zone: str
    purpose: Purpose
    day: date
    short_mm: float
    shared: bool
    dry: bool = False


def make_plan(site: Site, garden: Garden, now: datetime, because: str, wish: Order | None = None) -> Plan:
    """The plan from `now` on. `wish`: a watering asked for by hand, which goes first.

    Waterings under way keep their pulses, unless they have fallen behind or must make room for a wish: then what they
    still owe is laid anew. All the days ahead are thought over once a day, with each forecast and whenever something
    else than the beds has changed; between that only the near ones, as the later ones bear on nothing that is near.
    Only where the time or the water is short they do.
    """
    # Thinking hard takes time, and an open valve must not wait for it: the guard would take it for a hang.
    running = any(pulse.running for watering in garden.plan.waterings for pulse in watering.pulses)
    before, today = garden.plan, (local_date(now, site.timezone), garden.weather.issued)
    pressed, thought, costs = before.pressed, before.thought, before.costs
    whole = thought != today or wish is not None or limited(site) or bool(before.remarks)
    if running or not whole:
        course = _live_through(
            site, garden, now, wish, 0 if running else SQUEEZE,
            watched=False, pressed=frozenset(pressed), until=now + FIGURES_AHEAD,
        )  # fmt: skip
    else:
        course, pressed = _best_course(site, garden, now, wish)
        if thought != today:
            thought, costs = today, (*_without_chance(site, now), *_costs(site, garden, now, wish, course))
    waterings = sorted(course.waterings, key=lambda w: (w.next_start, w.zone))
    remarks = (*_season_told(site, now), *_holds_told(site, garden), *course.remarks, *costs)
    return Plan(now, because, tuple(waterings), remarks, pressed=pressed, costs=costs, thought=thought)


Pressed = tuple[tuple[str, date], ...]
"""Zones and days whose dawn does not hold the whole soak."""


@dataclass(frozen=True, slots=True)
class Course:
    """The days ahead as they were lived through. short_mm: for each zone and day, what was missing at dusk beyond what
    the plants bear; empty if nobody watched. pressed: zones and days whose dawn did not hold the whole soak."""

    waterings: list[Watering]
    remarks: list[str]
    short_mm: dict[tuple[str, date], float]
    pressed: frozenset[tuple[str, date]]


def _best_course(site: Site, garden: Garden, now: datetime, wish: Order | None) -> tuple[Course, Pressed]:
    """The days ahead; where a dawn turns out too short, with as much of its soak on the evening before as helps."""
    course = _live_through(site, garden, now, wish, SQUEEZE, watched=limited(site))
    if not course.pressed or not course.short_mm:
        return course, ()
    other = _live_through(site, garden, now, wish, SQUEEZE, watched=True, pressed=course.pressed)
    if sum(other.short_mm.values()) >= sum(course.short_mm.values()):
        return course, ()
    return other, tuple(sorted(course.pressed))


def _live_through(
    site: Site,
    garden: Garden,
    now: datetime,
    wish: Order | None,
    squeeze: int,
    *,
    watched: bool,
    pressed: frozenset[tuple[str, date]] = frozenset(),
    until: datetime | None = None,
) -> Course:
    """The waterings of the days ahead, each planned on the beds that those before it leave behind. pressed: zones and
    days whose dawn is known to be too short. until: what begins later stays as it was planned before."""
    under_way = [watering for watering in garden.plan.waterings if watering.under_way]
    closing = [watering for watering in garden.plan.waterings if watering.ended and not watering.idle]
    kept = [*closing, *(watering for watering in under_way if wish is None and _on_track(watering, now))]
    rests = [_rest_of(site, garden, watering, now) for watering in under_way if watering not in kept]
    orders = [wish, *rests] if wish is not None else rests
    running = [pulse for watering in [*under_way, *closing] for pulse in watering.pulses if pulse.running]
    promised = [pulse for watering in kept for pulse in watering.pulses if pulse.state == "planned"]
    again, losses = _fit(site, orders, now, None, [*running, *promised], squeeze, stores_of(site, garden, now))
    waterings = [*kept, *again]
    taken = [pulse for watering in waterings for pulse in watering.pulses if pulse.ahead]
    of = {zone.id: [watering for watering in waterings if watering.zone == zone.id] for zone in site.zones}
    beds = _foreseen(site, garden, waterings, now)
    first = local_date(now, site.timezone)
    ahead = range(HORIZON_DAYS_MOST + AHEAD_DAYS) if restricted(site) else range(0)
    days = {day: sessions_of(site, day) for day in (first + timedelta(days=n) for n in ahead)}
    short_mm: dict[tuple[str, date], float] = {}
    drawn_l: dict[str, float] = {}
    too_short: set[tuple[str, date]] = set()
    coming = sessions(site, now, _horizon_days(site, garden, now))
    later = {(each.purpose, each.day) for each in coming if until is not None and each.start > until}
    for session in coming:
        if (session.purpose, session.day) in later:
            continue
        waits = _closed_days(site, days, session, pressed)
        views: list[View] = []
        for zone in site.zones:
            at = max(session.judged_at, now)
            beds[zone.id] = foresee(beds[zone.id], zone, site, garden.weather, at, now)
            if watched and session.purpose == "dusk refresh":
                seen = view(site, zone, beds[zone.id], garden.weather, session.day, now)
                short_mm[zone.id, session.day] = max(0.0, seen.bed.depletion_mm - seen.bears_mm)
            free = free_from(garden, zone.id, now)
            if free is None or session.end - free < ROOM:
                continue
            if zone.id not in session.zones or _served(garden.beds[zone.id], of[zone.id], session):
                continue
            seen = view(site, zone, beds[zone.id], garden.weather, session.day, now, waits[zone.id])
            drawn_l[zone.id] = seen.demand_mm * zone.area_m2 / zone.line.efficiency
            # Once the sun is nearly up, a soak that was missed is worth its losses on a hot day only.
            if session.deadline is None or now < session.deadline or seen.hot:
                views.append(seen)
        needs = _affordable(site, garden, session, _needs(site, session, views), taken, drawn_l, waits)
        near = session.start <= now + FIGURES_AHEAD
        fresh, left = _serve(site, garden, session, now, needs, views, taken, squeeze if near else 0)
        if session.purpose == "dawn soak":
            got_l = {watering.zone: watering.litres_to_come for watering in fresh}
            too_short |= {(n.zone, session.day) for n in needs if got_l.get(n.zone, 0.0) < HELD * n.litres}
        for watering in fresh:
            beds[watering.zone] = _watered(site, beds[watering.zone], watering, watering.litres_to_come)
            taken += watering.pulses
            of[watering.zone].append(watering)
        waterings += fresh if near else [_in_short(watering) for watering in fresh]
        losses += left
    as_before = [each for each in garden.plan.waterings if (each.purpose, each.day) in later]
    waterings += [watering for watering in as_before if not watering.begun and not watering.ended]
    return Course(waterings, _told(site, losses), short_mm, frozenset(too_short))


def _without_chance(site: Site, now: datetime) -> list[str]:
    """The zones that may not be watered at all in the days ahead, and why not."""
    coming = sessions(site, now, HORIZON_DAYS) if restricted(site) else []
    served = {zone for session in coming for zone in session.zones}
    said: list[str] = []
    for zone in site.zones if coming else ():
        found = closed_by(site, zone, now, coming[-1].end) if zone.id not in served else None
        if found is not None and found.by != OFF_SEASON:
            said.append(f"{zone.name}: {found.by} leaves no time that is long enough to water it in the days ahead.")
    return said


def _costs(site: Site, garden: Garden, now: datetime, wish: Order | None, course: Course) -> list[str]:
    """What each rule costs the plants, where it does: how much less they would be short without it, at the worst."""
    if max(course.short_mm.values(), default=0.0) < TOLD_MM or not in_season(site, local_date(now, site.timezone)):
        return []
    last = max(day for _, day in course.short_mm) + timedelta(days=1)
    until = local_midnight(last, site.timezone)
    biting = {each.by for zone in site.zones for each in closed(site, zone, now, until)}
    biting |= {budget.name for budget in site.budgets}
    said: list[str] = []
    for what, free in lifted(site):
        if what in biting:
            other = _live_through(free, garden, now, wish, squeeze=0, watched=True)
            said += [f"{zone}: {what} leaves it {cost}." for zone, cost in _compared(site, course, other)]
    return said


def _compared(site: Site, course: Course, other: Course) -> Iterator[tuple[str, str]]:
    """For each zone that a course leaves shorter than the other does: its name, by how much at the worst, and when."""
    for zone in site.zones:
        costs_mm = {
            day: short_mm - other.short_mm[zone_id, day]
            for (zone_id, day), short_mm in course.short_mm.items()
            if zone_id == zone.id
        }
        worst = max(costs_mm, key=lambda day: costs_mm[day], default=None)
        if worst is not None and costs_mm[worst] >= TOLD_MM:
            yield zone.name, f"{costs_mm[worst]:.1f} mm short on {worst:%a %d %b}"


def order_by_hand(site: Site, need: Need, ask: str, now: datetime) -> Order:
    """A watering that a person asked for, ready to be laid from now on."""
    today = local_date(now, site.timezone)
    latest_end = now + timedelta(hours=BY_HAND_HOURS)
    if site.budgets:  # it counts on this day
        latest_end = min(latest_end, day_bounds(today, site.timezone)[1])
    at_once = now.replace(microsecond=0)  # who asks does not wait for the next full second
    return _fresh(site, need, BY_HAND, f"hand-{need.zone}-{ask}", today, at_once, latest_end)


def _horizon_days(site: Site, garden: Garden, now: datetime) -> int:
    """How many days the plan looks ahead: as many as the forecast, within bounds."""
    last = max(garden.weather.forecast, default=date.min)
    known = (last - local_date(now, site.timezone)).days + 1
    return min(HORIZON_DAYS_MOST, max(HORIZON_DAYS, known))


def sessions(site: Site, now: datetime, days: int = 2) -> list[Session]:
    """The coming dawns, noons and dusks of so many days, in order, and the one that is going on."""
    today = local_date(now, site.timezone)
    found = [each for ahead in range(days) for each in sessions_of(site, today + timedelta(days=ahead))]
    return [session for session in found if session.end > now]


@recalled(facts=1)
def sessions_of(site: Site, day: date) -> list[Session]:
    """Dawn, noon and dusk of a day, each with the zones that may be watered in it.

    A zone that may not be watered before sunrise has its soak at the first hour of the day that is open to it, if that
    is before noon, or if there is no later chance on that day.
    """
    rules, sunrise, sunset, noon = site.watering, sunrise_of(site, day), sunset_of(site, day), sun_on(site, day).noon
    deadline = sunrise - timedelta(minutes=rules.dawn_margin_min)
    dusk = sunset + timedelta(minutes=rules.dusk_delay_min)
    earliest = sunrise - timedelta(hours=rules.dawn_earliest_h)
    dusk_end = sunset + timedelta(hours=DUSK_HOURS)
    if site.budgets:
        # So that each watering is of one day, on which it counts.
        midnight, next_midnight = day_bounds(day, site.timezone)
        earliest, dusk_end = max(earliest, midnight), min(dusk_end, next_midnight)
    night = _open_to(site, earliest, deadline)
    evening = _open_to(site, dusk, dusk_end)
    found = [Session("dawn soak", day, earliest, deadline, sunrise + timedelta(hours=LATE_H), frozenset(night))]
    late: dict[datetime, set[str]] = {}
    for zone, start in _open_to(site, deadline, dusk).items():
        if zone not in night and (start < noon or zone not in evening or not site.zone(zone).dusk_refresh):
            late.setdefault(start, set()).add(zone)
    found += [Session("dawn soak", day, start, None, dusk, frozenset(zones)) for start, zones in late.items()]
    if any(zone.pots is not None or zone.rescue or zone.tender for zone in site.zones):
        end = noon + timedelta(hours=DAY_HOURS)
        found.append(Session("day refresh", day, noon, None, end, frozenset(_open_to(site, noon, end))))
    found.append(Session("dusk refresh", day, dusk, None, dusk_end, frozenset(evening)))
    return sorted(found, key=lambda session: session.judged_at)


def _open_to(site: Site, start: datetime, end: datetime) -> dict[str, datetime]:
    """The zones that may be watered for a while between two instants, and the first at which they may."""
    first = {zone.id: rooms(shut(site, zone, start, end), start, end, ROOM) for zone in site.zones}
    return {zone: spans[0][0] for zone, spans in first.items() if spans}


def _closed_days(
    site: Site,
    days: Mapping[date, Sequence[Session]],
    session: Session,
    pressed: frozenset[tuple[str, date]],
) -> dict[str, tuple[date, ...]]:
    """For each zone, the days after a session through which there is no chance to water it before their evening, or
    too little."""
    found: dict[str, tuple[date, ...]] = {}
    for zone in site.zones:
        mine: list[date] = []
        for day in sorted(day for day in days if day > session.day and in_season(site, day)):
            open_for = {each.purpose for each in days[day] if zone.id in each.zones}
            if "dawn soak" in open_for:
                mine += [day] if (zone.id, day) in pressed else []
                break
            mine.append(day)
            if "dusk refresh" in open_for and zone.dusk_refresh:
                break
        found[zone.id] = tuple(mine)
    return found


def sunrise_of(site: Site, day: date) -> datetime:
    """Sunrise, or six hours before solar noon where the sun does not rise or never sets."""
    sun = sun_on(site, day)
    return sun.sunrise or sun.noon - timedelta(hours=6)


def sunset_of(site: Site, day: date) -> datetime:
    """Sunset, or six hours after solar noon where there is none."""
    sun = sun_on(site, day)
    return sun.sunset or sun.noon + timedelta(hours=6)


def _needs(site: Site, session: Session, views: Sequence[View]) -> list[Need]:
    """What the zones need in a session, those first that can least wait."""
    judge = JUDGES[session.purpose]
    needs = [need for seen in sorted(views, key=_first_served) if (need := judge(seen)) is not None]
    if session.purpose == "dawn soak" and session.deadline is None:
        first = f"{session.start.astimezone(site.timezone):%H:%M}"
        why = f"Before sunrise no water may run here, so the soak begins at the first open hour, {first}."
        needs = [replace(need, reasons=(*need.reasons, why)) for need in needs]
    return [_limited(site.zone(need.zone), need) for need in needs]


def _affordable(
    site: Site,
    garden: Garden,
    session: Session,
    needs: Sequence[Need],
    taken: Sequence[Pulse],
    drawn_l: Mapping[str, float],
    waits: Mapping[str, tuple[date, ...]],
) -> list[Need]:
    """The needs as far as the budgets allow them. drawn_l: what each zone draws in a day."""
    books = [(budget, counted(budget, site, garden, taken)) for budget in site.budgets]
    found: list[Need] = []
    for need in needs:
        mine = [(budget, days) for budget, days in books if counts(budget, need.zone)]
        for budget, days in mine:
            day_l = sum(litres for zone, litres in drawn_l.items() if counts(budget, zone))
            most_l = today_l(budget, days, session.day, day_l, len(waits[need.zone]))
            need = _cut(need, most_l, f"{in_front(budget.name)} does not allow")
        for _, days in mine:
            days[session.day] = days.get(session.day, 0.0) + need.litres
        found.append(need)
    return found


def _serve(
    site: Site,
    garden: Garden,
    session: Session,
    now: datetime,
    needs: Sequence[Need],
    views: Sequence[View],
    taken: Sequence[Pulse],
    squeeze: int,
) -> tuple[list[Watering], list[Loss]]:
    """The waterings of one session, as much of them as its time holds. views: of the zones that may have one."""
    start = max(session.start, now).replace(microsecond=0)
    seen = {each.zone.id: each for each in views}
    orders = [
        _fresh(
            site,
            need,
            stake_of(seen[need.zone], need),
            _watering_id(session, garden.beds[need.zone]),
            session.day,
            max(start, (free_from(garden, need.zone, now) or start).replace(microsecond=0)),
            session.end,
        )
        for need in needs
    ]
    stores = stores_of(site, garden, now)
    whole, losses = _fit(site, orders, start, session.deadline, taken, squeeze, stores)
    if losses and start > session.start and any(each.hot for each in views):
        # Late already: rather on after the deadline, up to the hard end, than leave plants short on a hot day.
        whole, losses = _fit(site, orders, start, None, taken, squeeze, stores)
    return [_as_laid(watering, losses) for watering in whole], losses


def _as_laid(watering: Watering, losses: Sequence[Loss]) -> Watering:
    """The watering with its need cut to the pulses that the time holds; else it would run on after its time for it."""
    shared = any(loss.shared for loss in losses if loss.zone == watering.zone)
    dry = any(loss.dry for loss in losses if loss.zone == watering.zone)
    no = "the tank does not hold" if dry else "there is no time for"
    why = f"Others need the supply more; {no}" if shared else in_front(no)
    return replace(watering, need=_cut(watering.need, watering.litres_to_come, why))


def _fit(
    site: Site,
    orders: Sequence[Order],
    start: datetime,
    deadline: datetime | None,
    taken: Sequence[Pulse],
    squeeze: int,
    stores: Mapping[str, Store] = MappingProxyType({}),
) -> tuple[list[Watering], list[Loss]]:
    """The orders laid between `start` and each one's latest end, or before the deadline, and what they lost.

    stores: the tanks, by supply, as they are now.

    What does not fit is laid tighter; what does not fit even so loses its last pulses. No supply's want touches zones
    of another, but for pairs that may never be open together: there the supply of the first order goes first. None
    loses for another's sake that is short of time by itself.
    """
    whole: list[Watering] = []
    losses: list[Loss] = []
    rows: dict[str, list[Order]] = {}
    for order in orders:
        rows.setdefault(site.zone(order.watering.zone).supply, []).append(order)
    for row in rows.values():
        supply = site.supply_of(row[0].watering.zone)
        beside = [*taken, *(pulse for watering in whole for pulse in watering.pulses if pulse.ahead)]
        desk = _desk(site, supply, row, start, deadline, beside, stores.get(supply.id))
        laid, lost = _most_of(desk, row, squeeze)
        if lost and desk.store is not None:
            # Is it the tank's fault?
            untiring, _ = _most_of(replace(desk, store=None), row, 0)
            dry = sum(w.litres_to_come for w in untiring) > sum(w.litres_to_come for w in laid) + 1.0
            lost = [replace(loss, dry=dry) for loss in lost]
        whole += laid
        losses += lost
    return [watering for watering in whole if watering.pulses], losses


def _most_of(desk: "Desk", row: Sequence[Order], squeeze: int) -> tuple[list[Watering], list[Loss]]:
    """A row laid whole, tighter if need be; else as much of it as fits, and what is left out."""
    laid = desk.lay(row) or (desk.lay(row, squeeze) if squeeze else None)
    if laid is not None:
        return laid, []
    # In twice as many pulses more may fit, between those of others.
    ways = [_part_of(desk, each) for each in (row, desk.halved(row))]
    return min(ways, key=lambda way: _harm(desk, row, way[0]))


def _harm(desk: "Desk", row: Sequence[Order], laid: Sequence[Watering]) -> float:
    """What it costs that the waterings of a row are no more than they are."""
    got_l = {watering.id: watering.litres_to_come for watering in laid}
    return sum(
        order.stake.harm(
            _gross_mm(desk.site, order, _run_s(order)) - got_l[order.watering.id] / desk.zone_of(order).area_m2
        )
        for order in row
    )


def _part_of(desk: "Desk", row: Sequence[Order]) -> tuple[list[Watering], list[Loss]]:
    """As much of a row as fits, and what is left out of it."""
    losses: list[Loss] = []
    alone = [_longest(desk, order) for order in row]
    left = _topped(desk, row, _shared(desk, alone))
    for order, by_itself, kept in zip(row, alone, left, strict=True):
        short_mm = _net_mm(desk.site, order) - _net_mm(desk.site, kept)
        if short_mm > 0.0:
            of = order.watering
            losses.append(Loss(of.zone, of.purpose, of.day, short_mm, shared=_run_s(kept) < _run_s(by_itself)))
    return desk.lay(left) or [], losses


def _longest(desk: "Desk", order: Order) -> Order:
    """As much of an order as fits when it has its supply to itself."""
    pulses = len(order.pulses_s)
    fewest = bisect_left(range(pulses), True, key=lambda cut: desk.holds([order.first(pulses - cut)]))
    return order if fewest == 0 else order.first(pulses - fewest)


def _shared(desk: "Desk", row: Sequence[Order]) -> list[Order]:
    """As much of a row as fits: the pulses whose omission costs least are left out, as few of them as will do."""
    depths_mm = [[_gross_mm(desk.site, order, pulse_s) for pulse_s in order.pulses_s] for order in row]
    cheapest = list(cheapest_first([order.stake for order in row], depths_mm))

    def without(which: Counter[int]) -> list[Order]:
        return [order.first(len(order.pulses_s) - which[n]) if which[n] else order for n, order in enumerate(row)]

    fewest = bisect_left(range(len(cheapest)), True, key=lambda few: desk.holds(without(Counter(cheapest[:few]))))
    given_up, settled = Counter(cheapest[:fewest]), set[int]()
    for n in reversed(cheapest[:fewest]):
        # What went because it was cheap may have made no room: it comes back where it can, the dearest first.
        fewer = given_up - Counter([n])
        if n not in settled and desk.holds(without(fewer)):
            given_up = fewer
        else:
            settled.add(n)
    return without(given_up)


def _topped(desk: "Desk", row: Sequence[Order], left: Sequence[Order]) -> list[Order]:
    """What is left of a row, and of each next pulse as much as still fits; who loses most without it goes first."""
    topped = list(left)

    def worth(n: int) -> float:
        short_mm = _gross_mm(desk.site, row[n], _run_s(row[n]) - _run_s(left[n]))
        return row[n].stake.harm(short_mm) / short_mm

    short = [n for n, kept in enumerate(left) if len(kept.pulses_s) < len(row[n].pulses_s)]
    for n in sorted(short, key=worth, reverse=True):
        next_s = row[n].pulses_s[len(topped[n].pulses_s)]
        for share in PARTS:
            more = replace(topped[n], pulses_s=(*topped[n].pulses_s, next_s * share))
            if next_s * share >= desk.shortest_s(more) and desk.holds([*topped[:n], more, *topped[n + 1 :]]):
                topped[n] = more
                break
    return topped


def _run_s(order: Order) -> float:
    return sum(order.pulses_s)


@dataclass(frozen=True, slots=True)
class Desk:
    """Where the orders of one supply are laid out in time: from `start` on, or back from a deadline. Times in seconds
    from the start.

    drawn: what flows already; barred: closed to all of them; alone: for each watering, by its id, what else is.
    store: what the tank holds at the start, if the supply has one. beside: what flows already through each branch.
    """

    site: Site
    supply: Supply
    start: datetime
    deadline: datetime | None
    drawn: tuple[Taken, ...]
    barred: tuple[Barred, ...]
    alone: Mapping[str, tuple[Barred, ...]]
    store: Store | None
    beside: Mapping[str, tuple[Taken, ...]]

    def lay(self, orders: Sequence[Order], effort: int = 0) -> list[Watering] | None:
        """Every order's pulses in their places; None if they do not fit."""
        slots = self._in_time(orders, effort)
        if slots is None:
            return None
        starts: dict[str, list[datetime]] = {}
        for slot in slots:
            starts.setdefault(slot.zone, []).append(self.start + timedelta(seconds=slot.start_s))
        return [_placed(self.site, order, starts.get(order.watering.id, [])) for order in orders]

    def holds(self, orders: Sequence[Order]) -> bool:
        """Whether the orders fit."""
        return self._in_time(orders) is not None

    def halved(self, row: Sequence[Order]) -> list[Order]:
        """The orders in twice as many pulses."""
        return [order.halved(self.shortest_s(order)) for order in row]

    def shortest_s(self, order: Order) -> float:
        """A shorter pulse would hardly do more than fill the line."""
        return max(SHORT_PULSE_S, FILLS * self.zone_of(order).line.fill_s)

    def zone_of(self, order: Order) -> Zone:
        return self.site.zone(order.watering.zone)

    def _in_time(self, orders: Sequence[Order], effort: int = 0) -> list[Slot] | None:
        """The pulses, if all of them lie between the start and their watering's latest end (a second of grace for
        rounding); a slot bears its watering's id for a zone."""
        slots = self._slots(orders, effort)
        of = {order.watering.id: order for order in orders}
        for slot in slots:
            order = of[slot.zone]
            open_s = slot.start_s + order.pulses_s[slot.number] + self.supply.before_s(self.zone_of(order).line)
            if slot.start_s < -1.0 or open_s > self._end_s(order):
                return None
        return slots

    def _end_s(self, order: Order) -> float:
        return (min(order.watering.latest_end, self.deadline or order.watering.latest_end) - self.start).total_seconds()

    def _slots(self, orders: Sequence[Order], effort: int) -> list[Slot]:
        """The pulses where the rule of the supply puts them, in time or not. From a tank that would not bear them all
        shortly before the deadline they are drawn as it fills, from the start on."""
        chains = [self._chain(order, rank, orders) for rank, order in enumerate(orders)]
        capacity_l_min, settle_s = self.supply.capacity_l_min, _up(self.supply.settle_s)
        if self.deadline is not None:
            slots = lay_backward(
                chains, capacity_l_min, floor((self.deadline - self.start).total_seconds()), settle_s=settle_s,
                barred=self.barred, taken=self.drawn, effort=effort,
            )  # fmt: skip
            if self.store is None or not self.store.short_l([*self.drawn, *draws(chains, slots)]):
                return slots
        return lay_forward(
            chains, capacity_l_min, settle_s=settle_s, barred=self.barred, taken=self.drawn, effort=effort,
            enough_s=min(map(self._end_s, orders)), store=self.store,
        )  # fmt: skip

    def _chain(self, order: Order, rank: int, orders: Sequence[Order]) -> Chain:
        """An order among all that are laid with it."""
        zone = self.zone_of(order)
        before_s, rivals = self.supply.before_s(zone.line), self.site.rivals_of(zone.id)
        return Chain(
            order.watering.id,
            tuple(_up(pulse_s + before_s) for pulse_s in order.pulses_s),
            _up(order.watering.rest_s),
            zone.line.flow_l_min,
            max(0.0, _up((order.ready - self.start).total_seconds())),
            rank,
            self.alone[order.watering.id],
            zone.branch,
            self.supply.branch_l_min(zone),
            self.beside.get(zone.branch, ()),
            frozenset(each.watering.id for each in orders if each.watering.zone in rivals),
            LATE.total_seconds(),
        )


def _desk(
    site: Site,
    supply: Supply,
    orders: Sequence[Order],
    start: datetime,
    deadline: datetime | None,
    taken: Sequence[Pulse],
    store: Store | None,
) -> Desk:
    """A desk for these orders, beside the pulses that have the supply already.

    All is laid in whole seconds, rounded to the safe side: a plan is read by people, and a start that were rounded
    afterwards could run into the pulse before it.
    """
    start = start.replace(microsecond=0)
    since, until = start - timedelta(days=1), max(order.watering.latest_end for order in orders) + timedelta(days=1)
    zones = {zone.id: zone for zone in site.zones if zone.supply == supply.id}
    mine = [pulse for pulse in taken if pulse.zone in zones]
    flows = [
        ((*_seconds((p.start, p.end), start), zones[p.zone].line.flow_l_min), zones[p.zone].branch)
        for p in mine
        if p.start < until and p.end > since
    ]
    drawn = tuple(flow for flow, _ in flows)
    beside = {name: tuple(flow for flow, branch in flows if branch == name) for name, _ in supply.branches}
    closed = [[_seconds(span, start) for span in _closed_to(site, order, since, until, taken)] for order in orders]
    barred = reduce(lambda one, other: without(one, without(one, other)), closed)
    alone = {
        order.watering.id: tuple(without(spans, barred)) for order, spans in zip(orders, closed, strict=True)
    }
    if store is not None:
        before = [(*_seconds((p.start, p.end), store.as_of), zones[p.zone].line.flow_l_min) for p in mine]
        store = store.after(before, max(0.0, (start - store.as_of).total_seconds()))
    return Desk(site, supply, start, deadline, drawn, tuple(barred), alone, store, beside)


def _up(seconds: float) -> float:
    return float(ceil(seconds - 1e-6))


def _placed(site: Site, order: Order, starts: Sequence[datetime]) -> Watering:
    """The order's watering with its past pulses and the new ones at their times."""
    past = order.watering.pulses
    line = site.zone(order.watering.zone).line
    flow_l_min, before_s = line.flow_l_min, site.supply_of(order.watering.zone).before_s(line)
    coming = tuple(
        Pulse(
            f"{order.watering.id}-{len(past) + n + 1}",
            order.watering.zone,
            begin,
            length_s + before_s,
            length_s / 60.0 * flow_l_min,
        )
        for n, (begin, length_s) in enumerate(zip(starts, order.pulses_s, strict=True))
    )
    return replace(order.watering, pulses=past + coming)


def _gross_mm(site: Site, order: Order, seconds: float) -> float:
    """What an order's zone gets in so many seconds, before losses."""
    zone = site.zone(order.watering.zone)
    return seconds / 60.0 * zone.line.flow_l_min / zone.area_m2


def _net_mm(site: Site, order: Order) -> float:
    """What an order's pulses leave in the root zone."""
    return _gross_mm(site, order, sum(order.pulses_s)) * site.zone(order.watering.zone).line.efficiency


def _told(site: Site, losses: Sequence[Loss]) -> list[str]:
    """What there is no time for, in one line for each zone, and who gives way to others."""
    said: list[str] = []
    for zone in site.zones:
        for dry, no in ((False, "there is no time"), (True, "the tank does not hold enough")):
            mine = [loss for loss in losses if loss.zone == zone.id and loss.dry == dry]
            kinds = dict.fromkeys(loss.purpose for loss in mine)
            whole = " nor for all of the ".join(_cut_short([loss for loss in mine if loss.purpose == p]) for p in kinds)
            said += [f"{zone.name}: {no} for all of the {whole}."] if mine else []
    yields = [zone.name for zone in site.zones if any(loss.zone == zone.id and loss.shared for loss in losses)]
    if yields:
        *others, last = yields
        who = f"{', '.join(others)} and {last} give" if others else f"{last} gives"
        said.append(f"Not everything fits at once, and {who} way: there a shortage does least harm.")
    return said


def _cut_short(losses: Sequence[Loss]) -> str:
    """`dawn soak of Thu 16 Jul (4.1 mm short), of Fri 17 Jul (3.0 mm short) and of 2 more days`."""
    each = [f"of {loss.day:%a %d %b} ({loss.short_mm:.1f} mm short)" for loss in losses]
    if len(each) > MOST_NAMED:
        each[MOST_NAMED - 1 :] = [f"of {len(each) - MOST_NAMED + 1} more days"]
    *first, last = each
    return f"{losses[0].purpose} {', '.join(first)}{' and ' if first else ''}{last}"


def _fresh(
    site: Site, need: Need, stake: Stake, watering_id: str, day: date, ready: datetime, latest_end: datetime
) -> Order:
    """A need cut into pulses that the ground takes in."""
    zone = site.zone(need.zone)
    wetting_s = WETTING_MM / zone.line.rate_mm_h * 3600.0 if need.dry_top else 0.0
    before_s = site.supply_of(zone.id).before_s(zone.line)
    pulses_s = split(zone, need.litres - wetting_s / 60.0 * zone.line.flow_l_min, before_s)
    pulse_s = max(pulses_s, default=0.0)
    rest_s = 60.0 * rest_min(pulse_s / 60.0, zone.line.rate_mm_h, zone.soil.intake_mm_h)
    if need.dry_top and pulses_s:
        pulses_s, rest_s = (wetting_s, *pulses_s), max(rest_s, WETTING_REST_S)
    store_mm = zone.soil.surface_store_mm(zone.slope_percent)
    figures = (
        Figure("rate", zone.line.rate_mm_h, "mm/h", f"the {zone.line.kind} on the ground it wets"),
        Figure("intake", zone.soil.intake_mm_h, "mm/h", f"what {zone.soil.texture} takes in"),
        Figure("surface store", store_mm, "mm", f"what may stand on a slope of {zone.slope_percent:g} %"),
        Figure("pulses", len(pulses_s), "", "run time / longest on-time, rounded up"),
        Figure("pulse", pulse_s / 60.0, "min", "at most 60 x store / (rate - intake), and the valve's own limit"),
        Figure("rest", rest_s / 60.0, "min", "pulse x (rate - intake) / intake; after a wetting pulse 20 min at least"),
    )
    need = replace(need, figures=(*need.figures, *figures))
    watering = Watering(watering_id, zone.id, need.purpose, day, need, rest_s, latest_end, ())
    return Order(watering, pulses_s, ready, stake)


def _rest_of(site: Site, garden: Garden, watering: Watering, now: datetime) -> Order:
    """What a watering under way still owes, after the rest that its last pulse asks for."""
    zone = site.zone(watering.zone)
    past = tuple(pulse for pulse in watering.pulses if pulse.state not in ("planned", "dropped"))
    running = [pulse for pulse in past if pulse.running]
    owed_l = watering.owed_litres - sum(pulse.litres for pulse in running)
    ready = [now, *(pulse.end + timedelta(seconds=watering.rest_s) for pulse in running)]
    ready += [pulse.start + RETRY_AFTER for pulse in past if pulse.state == "refused"]
    wetted = garden.beds[zone.id].last_wetted
    if past and not running and wetted is not None:
        # A pulse that was cut short has less to soak in, and so a shorter rest.
        share = min(1.0, past[-1].given_litres / past[-1].litres)
        ready.append(wetted + timedelta(seconds=watering.rest_s * share))
    pulses_s = split(zone, owed_l, site.supply_of(zone.id).before_s(zone.line))
    return Order(replace(watering, pulses=past), pulses_s, max(ready), _stake_of_rest(site, garden, watering, now))


def _stake_of_rest(site: Site, garden: Garden, watering: Watering, now: datetime) -> Stake:
    """What is lost if a watering under way gets no more."""
    if watering.purpose == "by hand":
        return BY_HAND
    zone, bed = site.zone(watering.zone), garden.beds[watering.zone]
    share = watering.owed_litres / watering.need.litres
    owed = replace(watering.need, net_mm=watering.need.net_mm * share, gross_mm=watering.need.gross_mm * share)
    return stake_of(view(site, zone, bed, garden.weather, local_date(now, site.timezone), now), owed)


def split(zone: Zone, litres: float, before_s: float = 0.0) -> tuple[float, ...]:
    """Lengths [s] of equal pulses that give `litres`, none longer than the surface and the valve's limit allow.
    before_s: the part of each opening in which nothing is given, beside these lengths."""
    run_s = litres * 60.0 / zone.line.flow_l_min
    if run_s < SHORTEST_PULSE_S:
        return ()
    rate_mm_h, soil = zone.line.rate_mm_h, zone.soil
    by_surface = cycles(
        rate_mm_h * run_s / 3600.0, rate_mm_h, soil.intake_mm_h, soil.surface_store_mm(zone.slope_percent)
    )
    by_limit = -(-run_s // (zone.longest_pulse_s - before_s - 1.0))
    count = int(max(by_surface.count, by_limit))
    return (run_s / count,) * count


def _limited(zone: Zone, need: Need) -> Need:
    """Half of what the guard lets the valve give in a day is the most for one watering: the other end of the day
    wants its share too."""
    most_l = zone.most_s_per_24h / 60.0 * zone.line.flow_l_min / 2.0
    return _cut(need, most_l, "The valve's daily limit does not allow")


def _cut(need: Need, most_l: float, why: str) -> Need:
    """The need with no more than `most_l`; what it is short of is said. Its figures still show the whole."""
    share = most_l / need.litres if need.litres > 0.0 else 1.0
    if share >= 1.0 - 1e-6:
        return need
    short_mm = need.net_mm * (1.0 - share)
    return replace(
        need,
        net_mm=need.net_mm * share,
        gross_mm=need.gross_mm * share,
        litres=most_l,
        short_mm=need.short_mm + short_mm,
        reasons=(*need.reasons, f"{why} {short_mm:.1f} mm of it."),
    )


def _on_track(watering: Watering, now: datetime) -> bool:
    """Whether its running and planned pulses still give what it owes, and none has been missed."""
    planned = [pulse for pulse in watering.pulses if pulse.state == "planned"]
    missed = any(pulse.start < now - LATE for pulse in planned)
    return not missed and abs(watering.owed_litres - watering.litres_to_come) <= TOLERANCE * watering.need.litres


def _foreseen(site: Site, garden: Garden, waterings: Sequence[Watering], now: datetime) -> dict[str, Bed]:
    """The beds as they will be once the waterings under way are done."""
    beds = {zone.id: advance(garden.beds[zone.id], zone, site, garden.weather, now, now) for zone in site.zones}
    for watering in waterings:
        beds[watering.zone] = _watered(site, beds[watering.zone], watering, watering.litres_to_come)
    return beds


def _in_short(watering: Watering) -> Watering:
    return replace(watering, need=replace(watering.need, figures=()))


def _watered(site: Site, bed: Bed, watering: Watering, litres: float) -> Bed:
    zone = site.zone(watering.zone)
    bed = wet(bed, zone, litres / zone.area_m2 * zone.line.efficiency, bed.as_of)
    return replace(bed, hands=after_soak(bed.hands)) if watering.purpose == "dawn soak" else bed


def _served(bed: Bed, waterings: Sequence[Watering], session: Session) -> bool:
    """Whether the zone has had, or is getting, this very watering, or its one valve is taken for another meanwhile.
    waterings: its own."""
    done = bed.done.get(session.purpose)
    if done is not None and done >= session.day:
        return True
    # By its name too: a clock that was set and set back may have moved its day, and no name stands for two waterings.
    name = _watering_id(session, bed)
    if any(w.id == name or (w.purpose == session.purpose and w.day == session.day) for w in waterings):
        return True
    ahead = [pulse for w in waterings for pulse in w.pulses if pulse.ahead]
    return any(pulse.start < session.end and pulse.end > session.start for pulse in ahead)


def _first_served(seen: View) -> tuple[bool, bool, bool, int, float]:
    """Sort key: seedlings without shade in the heat, then tender zones, then pots, then what is worth most, then the
    driest in relation to what it can bear."""
    dryness = seen.bed.depletion_mm / max(0.1, seen.readily_mm)
    return (not seen.unshaded, not seen.tender, seen.zone.pots is None, -seen.zone.value, -dryness)


def _watering_id(session: Session, bed: Bed) -> str:
    """A name for a watering of a session; another one if the bed has had water in it already, as before a hold."""
    name = f"{session.day}-{session.purpose.split()[0]}-{bed.zone}"
    wetted = bed.last_wetted
    return name if wetted is None or wetted <= session.start else f"{name}-after-{wetted:%H%M%S}"


def _season_told(site: Site, now: datetime) -> list[str]:
    """That the season is over, or ends within the days ahead."""
    today = local_date(now, site.timezone)
    over = season_said(site, today)
    if over is not None:
        return [over]
    ahead = [today + timedelta(days=n) for n in range(HORIZON_DAYS)]
    last = next((day for day in ahead if not in_season(site, day + timedelta(days=1))), None)
    return [] if last is None else [f"The season ends with {last:%A}; nothing is planned after it."]


def _holds_told(site: Site, garden: Garden) -> list[str]:
    """What is not planned because of a hold."""
    said: list[str] = []
    for hold in garden.holds:
        who = "The whole garden" if hold.zone is None else site.zone(hold.zone).name
        when = "it is released" if hold.until is None else f"{hold.until.astimezone(site.timezone):%a %H:%M}"
        said.append(f"{who} is on hold until {when}; nothing is planned for that time.")
    return said


def free_from(garden: Garden, zone_id: str, now: datetime) -> datetime | None:
    """From when on no hold keeps a zone dry: now, or the end of one; None while nobody has said when it ends."""
    ends = [hold.until for hold in garden.holds if hold.zone in (None, zone_id)]
    known = [end for end in ends if end is not None]
    return max([now, *known]) if len(known) == len(ends) else None


def _closed_to(
    site: Site, order: Order, since: datetime, until: datetime, taken: Sequence[Pulse]
) -> list[Span]:
    """The times closed to an order: by the rules, by pulses of zones that may not be open beside it, and before it is
    ready.

    A closed time begins a little sooner than by the clock: a pulse may open late, and must have ended all the same.
    """
    zone, by_hand = site.zone(order.watering.zone), order.watering.purpose == "by hand"
    spans = [(begin - LATE, end) for begin, end in shut(site, zone, since, until, by_hand=by_hand)]
    rivals = site.rivals_of(zone.id)
    spans += [(pulse.start - LATE, pulse.end + LATE) for pulse in taken if pulse.zone in rivals]
    return merged([(since, max(since, order.ready)), *spans])


def _seconds(span: Span, start: datetime) -> Barred:
    """A stretch of time in seconds from `start`, rounded to the safe side."""
    return floor((span[0] - start).total_seconds()), _up((span[1] - start).total_seconds())
