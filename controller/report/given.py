"""The waterings read back from the journal: what each was to give, what it gave, and how it ended.

A watering is a run of openings. It belongs to the day that its id names: a dawn soak that begins before
midnight is the soak of the morning it ends in. Refusals that never came to an opening are rows too, with
nothing given.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from types import MappingProxyType

from controller.core.garden import Need, Purpose, Watering
from controller.core.moment import day_bounds, local_date
from controller.core.pulse import WHOLE_WHY
from controller.core.site import Site, Zone
from controller.report.planned import Planned, planned
from controller.shells.journal import UNSEEN, Given, JournalReader, Noted

ENDINGS = MappingProxyType(
    {
        "asked": "stopped by hand",
        "by hand": "closed by hand at the guard",
        "hold": "cut short by a hold",
        "reload": "cut short: the config was read anew",
        "owner gone": "cut short: the daemon ended",
        "stopped": "cut short by the stop switch",
        "no pressure": "cut short: no pressure in the mains",
        "tank empty": "cut short: the tank is empty",
        "no flow": "cut short: no water came",
        "burst": "cut short: far too much water came",
        "silence": "cut short: the daemon fell silent",
        "end not seen": "its end was not seen (power cut?)",
        "never opened": "never opened",
    }
)
"""The guard's words for why a valve closed, for people. Any other is shown as it is."""

WHOLE, OPEN = "whole", "still open"
SHORT_MM = 0.1
LATE = "the time ran out; the rest waits for the next watering"
NEAR_L = 1.0
NEAR_SHARE = 0.10
"""So close to what was planned counts as all of it: the journal notes a plan anew when it has changed by a tenth."""

_ID = re.compile(r"(?P<day>\d{4}-\d{2}-\d{2})-(?P<part>dawn|day|dusk)-")
_PURPOSES: MappingProxyType[str, Purpose] = MappingProxyType(
    {"dawn": "dawn soak", "day": "day refresh", "dusk": "dusk refresh"}
)


@dataclass(frozen=True, slots=True)
class Watered:
    """One watering as it was. start, end in UTC; minutes of open valve; end None: a valve is still open.

    litres: what reached the bed, without what only filled its line. planned_litres: what was to; None if no plan tells.
    most_litres: what can have passed at most: as counted, or without a flow meter all that the supply gives in the time
    of open valves.
    rain_litres: how much smaller it was made because of rain.
    """

    id: str
    zone: str
    day: date
    purpose: Purpose
    start: datetime
    end: datetime | None
    pulses: int
    minutes: float
    litres: float
    unsure_litres: float
    planned_litres: float | None
    rain_litres: float
    ended: str
    most_litres: float = 0.0
    metered: bool = False

    @property
    def whole(self) -> bool:
        return self.ended == WHOLE

    @property
    def refused(self) -> bool:
        return self.pulses == 0

    @property
    def short_litres(self) -> float:
        """What it gave less than it was to."""
        return max(0.0, (self.planned_litres or 0.0) - self.litres)


@dataclass(frozen=True, slots=True)
class Total:
    """Sums over several waterings. What one was short is not summed: the next one was planned to make up for
    it.
    """

    waterings: int
    litres: float
    minutes: float
    rain_litres: float
    most_litres: float
    metered: bool

    @property
    def bound(self) -> str:
        """How sure the litres are, in a sentence; "" if there are none."""
        if self.waterings == 0:
            return ""
        if self.metered:
            return "The litres are counted by the flow meter."
        return (
            "No flow meter has counted all of it: the litres come from the flow of each line and the time its valve was"
            f" open. At most {self.most_litres:.0f} L can have passed."
        )


def watered(
    reader: JournalReader, site: Site, since: date, until: date, zone: str | None = None
) -> list[Watered]:
    """The waterings of the days from `since` to `until`, both included, in order of day, zone as configured,
    start.

    Zones that the config no longer has come last. zone: only that one.
    """
    return assembled(reader, site, since, until, planned(reader, site, since, until), zone)


def assembled(
    reader: JournalReader,
    site: Site,
    since: date,
    until: date,
    plans: dict[str, Planned],
    zone: str | None = None,
) -> list[Watered]:
    """As `watered`, with the plans of those days already read."""
    begin = day_bounds(since - timedelta(days=1), site.timezone)[0]
    end = day_bounds(until + timedelta(days=1), site.timezone)[1]
    rows = [*_opened(reader, site, begin, end, plans), *_forbidden(reader, site, begin, end)]
    order = {each.id: n for n, each in enumerate(site.zones)}
    wanted = [row for row in rows if since <= row.day <= until and zone in (None, row.zone)]
    return sorted(
        wanted, key=lambda row: (row.day, order.get(row.zone, len(order)), row.zone, row.start, row.id)
    )


def total(rows: Iterable[Watered]) -> Total:
    """The sums of some rows."""
    rows = list(rows)
    return Total(
        sum(not row.refused for row in rows),
        sum(row.litres for row in rows),
        sum(row.minutes for row in rows),
        sum(row.rain_litres for row in rows),
        sum(row.most_litres for row in rows),
        all(row.metered for row in rows if not row.refused),
    )


def purpose_of(watering_id: str) -> Purpose:
    """What a watering was for, by its id."""
    found = _ID.match(watering_id)
    return _PURPOSES[found["part"]] if found else "by hand"


def day_of(watering_id: str, begun: datetime, site: Site) -> date:
    """The day a watering belongs to: the one its id names, else the local day it began on."""
    found = _ID.match(watering_id)
    return date.fromisoformat(found["day"]) if found else local_date(begun, site.timezone)


def _opened(
    reader: JournalReader, site: Site, begin: datetime, end: datetime, plans: dict[str, Planned]
) -> Iterator[Watered]:
    zones = {zone.id: zone for zone in site.zones}
    runs: dict[str, list[Given]] = {}
    for opening in reader.openings(begin, end):
        runs.setdefault(opening.watering, []).append(opening)
    for watering_id, run in runs.items():
        plan = plans[watering_id].watering if watering_id in plans else None
        yield _row(watering_id, run, plan, zones.get(run[0].zone), site)


def _row(watering_id: str, run: list[Given], plan: Watering | None, zone: Zone | None, site: Site) -> Watered:
    litres = sum(_reaching_l(each, zone) for each in run)
    return Watered(
        id=watering_id,
        zone=run[0].zone,
        day=day_of(watering_id, run[0].opened, site),
        purpose=purpose_of(watering_id),
        start=run[0].opened,
        end=max((each.closed for each in run if each.closed), default=None) if _all_closed(run) else None,
        pulses=sum(not _was_refused(each) for each in run),
        minutes=sum(each.open_s or 0.0 for each in run) / 60.0,
        litres=litres,
        unsure_litres=sum(each.unsure_litres for each in run),
        planned_litres=plan.need.litres if plan is not None else None,
        rain_litres=_rain_l(plan, zone),
        ended=_ending(run, litres, plan),
        most_litres=sum(_most_litres(each, zone, site) for each in run),
        metered=all(each.metered for each in run if not _was_refused(each)),
    )


def _reaching_l(opening: Given, zone: Zone | None) -> float:
    """What of an opening's litres reached the bed; all of them where the zone is no more known."""
    passed_l = opening.litres or 0.0
    return passed_l if zone is None else zone.line.reaching_l(passed_l)


def _most_litres(opening: Given, zone: Zone | None, site: Site) -> float:
    """What one opening can have let through: a line that is off lets out all that the supply gives."""
    litres = (opening.litres or 0.0) + opening.unsure_litres
    if opening.metered or zone is None:
        return litres
    open_s = (opening.open_s or 0.0) * (2.0 if opening.why == UNSEEN else 1.0)
    return max(litres, open_s / 60.0 * site.supply_of(zone.id).capacity_l_min)


def _ending(run: list[Given], litres: float, plan: Watering | None) -> str:
    if not _all_closed(run):
        return OPEN
    last = run[-1]
    if _was_refused(last):
        return last.why or "refused"
    if last.why != WHOLE_WHY:
        return ENDINGS.get(last.why or "", f"cut short: {last.why}")
    if plan is None:
        return WHOLE
    if litres < plan.need.litres - max(NEAR_L, NEAR_SHARE * plan.need.litres):
        return LATE
    cut_mm = cut_from(plan.need)
    return f"all that was planned, {cut_mm:.1f} mm short of the need" if cut_mm >= SHORT_MM else WHOLE


def cut_from(need: Need) -> float:
    """What the valve's daily limit or the time took from a need, net mm.

    What would have sunk below the roots at once is not counted: it waits on purpose, and the need's own sum is without.
    """
    whole_mm = next((figure.value for figure in need.figures if figure.name == "net depth"), None)
    return need.short_mm if whole_mm is None else max(0.0, whole_mm - need.net_mm)


def _all_closed(run: list[Given]) -> bool:
    return all(each.closed is not None for each in run)


def _was_refused(opening: Given) -> bool:
    return (opening.why or "").startswith("refused")


def _rain_l(plan: Watering | None, zone: Zone | None) -> float:
    if plan is None or zone is None:
        return 0.0
    rain_mm = sum(figure.value for figure in plan.need.figures if figure.name == "rain that counts")
    return rain_mm * zone.area_m2 / zone.line.efficiency


def _forbidden(reader: JournalReader, site: Site, begin: datetime, end: datetime) -> Iterator[Watered]:
    """Waterings that our own last check called off before a valve was asked for; those with openings are told
    above.
    """
    called_off: dict[str, Noted] = {}
    for note in reader.notes(begin, end, kind="refusal"):
        if "veto" in note.facts and note.zone is not None:
            called_off[str(note.facts.get("pulse", "")).rpartition("-")[0]] = note
    opened = {opening.watering for opening in reader.openings(begin, end)} if called_off else set()
    for watering_id, note in called_off.items():
        if watering_id and watering_id not in opened and note.zone is not None:
            day = day_of(watering_id, note.at, site)
            purpose = purpose_of(watering_id)
            said = f"refused: {note.said}"
            yield Watered(watering_id, note.zone, day, purpose, note.at, note.at, 0, 0, 0, 0, None, 0, said)
