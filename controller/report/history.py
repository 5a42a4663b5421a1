"""The soil water of a zone over the last days, put together again from the daily ledgers and the openings.

The journal keeps what came and went each day, not the depletion itself. The curve runs backwards from the
depletion that is known now; within a day the plants draw with the sun, and water comes when the valve was
open.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from controller.core.garden import Bed, DayLedger
from controller.core.moment import day_bounds
from controller.core.site import Site, Zone
from controller.core.weather import share_of_day
from controller.shells.journal import Given, JournalReader

HOURS_BETWEEN = 2


@dataclass(frozen=True, slots=True)
class DayPast:
    """A day's ledger with the depletion at both of its ends (the present one ends now).

    Below zero: water above field capacity, still on its way down.
    """

    ledger: DayLedger
    begin_mm: float
    end_mm: float


@dataclass(frozen=True, slots=True)
class Point:
    """The depletion at an instant; below zero while water above field capacity is still on its way down."""

    at: datetime
    depletion_mm: float


def days_past(reader: JournalReader, site: Site, bed: Bed, since: date) -> list[DayPast]:
    """The days from `since` to the bed's own, in order; only those that hang together without a gap before
    today.
    """
    written = {date.fromisoformat(raw["day"]): raw for raw in reader.ledgers(bed.zone, since, bed.today.day)}
    days: list[DayPast] = []
    ledger: DayLedger | None = bed.today
    end_mm = bed.depletion_mm
    while ledger is not None and ledger.day >= since:
        begin_mm = end_mm - _change_mm(ledger)
        days.insert(0, DayPast(ledger, begin_mm, end_mm))
        end_mm = begin_mm
        before = written.get(ledger.day - timedelta(days=1))
        ledger = ledger_of(before) if before is not None else None
    return days


def ledger_of(raw: dict[str, object]) -> DayLedger:
    """A ledger as the journal has it."""
    numbers = {key: float(str(value)) for key, value in raw.items() if key != "day"}
    return DayLedger(date.fromisoformat(str(raw["day"])), **numbers)


def curve(
    site: Site, zone: Zone, bed: Bed, days: Sequence[DayPast], openings: Sequence[Given]
) -> list[Point]:
    """Points from the first of the days to the bed's instant."""
    points: list[Point] = []
    for past in days:
        begin, end = day_bounds(past.ledger.day, site.timezone)
        end = min(end, max(begin, bed.as_of))
        if not points:
            points.append(Point(begin, past.begin_mm))
        mine = [
            each
            for each in openings
            if each.closed is not None and begin <= each.closed < end and each.litres
        ]
        points += _within(site, zone, past, begin, end, mine)
    return points


def _within(
    site: Site, zone: Zone, past: DayPast, begin: datetime, end: datetime, openings: Sequence[Given]
) -> list[Point]:
    """A day's points. What the ledger cannot date (rain, drainage, corrections) is spread over the day."""
    ledger = past.ledger
    efficiency = zone.line.efficiency
    net_mm = {each: zone.line.reaching_l(each.litres or 0.0) / zone.area_m2 * efficiency for each in openings}
    undated_mm = ledger.drained_mm + ledger.corrected_mm - ledger.rain_mm + sum(net_mm.values())
    undated_mm -= ledger.irrigation_net_mm
    whole_share = share_of_day(site, ledger.day, end) or 1.0
    span_s = max(1.0, (end - begin).total_seconds())
    instants = {begin + timedelta(hours=n) for n in range(HOURS_BETWEEN, 26, HOURS_BETWEEN)}
    instants |= {each.opened for each in openings} | {each.closed for each in openings if each.closed} | {end}
    points: list[Point] = []
    for at in sorted(each for each in instants if begin < each <= end):
        given_mm = sum(mm * _done(each, at) for each, mm in net_mm.items())
        drawn_mm = ledger.used_mm * share_of_day(site, ledger.day, at) / whole_share
        passed = (at - begin).total_seconds() / span_s
        points.append(Point(at, past.begin_mm + drawn_mm - given_mm + passed * undated_mm))
    return points


def _done(opening: Given, at: datetime) -> float:
    """Which part of an opening was over by an instant, 0 to 1."""
    assert opening.closed is not None, "only closed openings come here"
    length_s = max(1.0, (opening.closed - opening.opened).total_seconds())
    return min(1.0, max(0.0, (at - opening.opened).total_seconds() / length_s))


def _change_mm(ledger: DayLedger) -> float:
    """What a day did to the depletion: up by what was drawn, down by what came; what drained had come in
    vain.
    """
    came_mm = ledger.rain_mm + ledger.irrigation_net_mm - ledger.drained_mm
    return ledger.used_mm - came_mm + ledger.corrected_mm
