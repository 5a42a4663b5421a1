"""What is particular to one bed, in plain words: what it has taught, how far its probes are trusted, and what hands
have changed of it. And what the place has taught beside its forecast.

What a bed has taught is in its estimate. What hands have changed is folded again from the jobs reported done, so that
it can be told for any day that the journal knows, with the hour since when.
"""

import re
from collections.abc import Collection, Mapping
from dataclasses import asdict
from datetime import datetime, timedelta

from controller.core.estimate import Estimate
from controller.core.garden import DayLedger, Garden, Need
from controller.core.hands import CLEARED, MULCH_BACK, MULCHED, POTS_MOVED, SHADE_UP, after_job
from controller.core.moment import local_date
from controller.core.site import Site, Zone
from controller.core.weather import WeatherBook
from controller.report.views import together, trusts
from controller.shells.journal import JournalReader

SEASON = timedelta(days=200)
"""How far back a shade may have been put up."""
TELLS = 0.02
"""A learnt factor nearer to 1 than this is not worth a word."""
TELLS_M3_M3 = 0.005
TELLS_K = 0.25
"""A learnt difference in temperature smaller than this is not worth a word."""

WORDS: Mapping[str, str] = {
    "new": "has not been heard yet",
    "noisy": "is noisy",
    "doubtful": "disagrees with the balance and is not followed",
    "disagreeing": "disagrees with another probe and is not followed",
    "overstating": "tells of water that nobody gave and is not followed",
    "backwards": "moves against its bed and is not followed",
    "jumped": "has jumped and is not followed",
    "stuck": "is stuck and not followed",
    "stale": "is silent",
}
LEAST_SPARED_MM = 0.05
TELLS_FAINT = 0.5
"""Probes that are taken for so much of themselves noisier show so little that somebody should look at them."""

SAID: Mapping[str, str] = {
    SHADE_UP: "Its shade is up",
    MULCH_BACK: "Its mulch is pulled back from the line",
    MULCHED: "Its mulch is topped up",
    POTS_MOVED: "Its pots stand out of the midday and afternoon sun",
    CLEARED: "It is harvested and cleared, and gets no water",
}

_SHADED = re.compile(r"under (?P<percent>\d+) ?% shade \(in the open (?P<open_mm>[\d.]+)\)")


def learnt_said(zone: Zone, site: Site, estimate: Estimate) -> str:
    """What the bed has taught about itself, in a sentence."""
    if not any(sensor.kind == "moisture" and sensor.zone == zone.id for sensor in site.sensors):
        return "It has no probe, so nothing is learnt of it: it goes by the tables and the weather."
    if not estimate.probes:
        return "Nothing is learnt of it yet: its probe has not been heard."
    parts = [
        f"it draws {_beside(estimate.demand_factor)}",
        f"holds {_beside(estimate.holds_factor)}",
        *(_offset_said(probe, estimate.offset(probe)) for probe in estimate.probes),
    ]
    return f"Learnt of this bed so far: {', '.join(parts[:-1])}, and {parts[-1]}."


def trust_said(site: Site, garden: Garden, zone: Zone, now: datetime) -> str | None:
    """How far the zone's probes are trusted at `now`, in a sentence; None for a zone without one."""
    probes = site.probes_of(zone.id)
    if not probes:
        return None
    trusted = trusts(site, garden, zone, now)
    parts = []
    for probe in probes:
        word = WORDS.get(garden.probes[probe.id].word)
        parts.append(f"{probe.id} {trusted[probe.id]:.2f}" + (f" (it {word})" if word else ""))
    whole = together(site, zone, trusted)
    both = f"; together {whole:.2f}" if whole is not None and len(probes) > 1 else ""
    heeded = [garden.probes[probe.id] for probe in probes if garden.probes[probe.id].convicted is None]
    faint = any(probe.faint >= TELLS_FAINT for probe in heeded)
    whose = "They show little of the water that comes and goes; do they stand"
    if len(probes) == 1:
        whose = "It shows little of the water that comes and goes; does it stand"
    why = f" {whose} where the line wets the ground?" if faint else ""
    return f"Trust in its probes, from 0 to 1: {', '.join(parts)}{both}.{why}"


def place_said(site: Site, book: WeatherBook) -> str | None:
    """What the site's own thermometer has taught of the place, in a sentence; None where it has none."""
    if not any(sensor.kind == "air temperature" for sensor in site.sensors):
        return None
    parts = [
        f"{part} {abs(bias_c):.1f} °C {'warmer' if bias_c > 0.0 else 'cooler'}"
        for part, bias_c in (("days", book.bias_max_c), ("nights", book.bias_min_c))
        if abs(bias_c) >= TELLS_K
    ]
    if not parts:
        return "By its own thermometer the place is as warm as its forecast."
    return f"By its own thermometer the place has {' and '.join(parts)} than forecast; this is allowed for."


def _beside(factor: float) -> str:
    """A learnt factor beside the table's 1."""
    if abs(factor - 1.0) < TELLS:
        return "what the tables say"
    way = "more" if factor > 1.0 else "less"
    return f"{100.0 * abs(factor - 1.0):.0f} % {way} than the tables say (× {factor:.2f})"


def _offset_said(probe: str, offset_m3_m3: float) -> str:
    if abs(offset_m3_m3) < TELLS_M3_M3:
        return f"{probe} reads true"
    way = "wet" if offset_m3_m3 > 0.0 else "dry"
    return f"{probe} reads too {way} ({offset_m3_m3:+.2f} m3/m3), which is allowed for"


def hands_then(reader: JournalReader, zone: Zone, until: datetime) -> dict[str, datetime]:
    """The states that jobs reported done had brought about in the zone by an instant, and since when."""
    since: dict[str, datetime] = {}
    for note in reader.notes(until - SEASON, until, kind="job"):
        if note.zone in (None, zone.id):
            states = after_job(tuple(since), str(note.facts.get("job", "")), zone)
            since = {state: since.get(state, note.at) for state in states}
    back = since.get(MULCH_BACK)
    soaks = reader.openings(back, until) if back is not None else []
    if any(each.zone == zone.id and each.closed and each.litres and "-dawn-" in each.watering for each in soaks):
        del since[MULCH_BACK]  # it was for one soak
    return since


def hands_said(site: Site, since: Mapping[str, datetime]) -> list[str]:
    """The same in sentences."""
    told = []
    for state, at in since.items():
        local = at.astimezone(site.timezone)
        told.append(f"{SAID[state]} since the job was reported done ({local:%A} {local.day} {local:%B, %H:%M}).")
    return told


def saved_by_shade_said(zone: Zone, need: Need, states: Collection[str]) -> list[str]:
    """What the zone's shade saves on the day of a need, in a sentence; nothing if there is none, or too little to say.

    states: what hands have changed by then. Transpiration goes with ET0, so in the open it would be as much larger.
    What the ground evaporates is left out: its wet top may hold no more to lose. So this is the least that is saved.
    """
    figures = {figure.name: figure for figure in need.figures}
    if not {"ET0", "transpiration", "learnt demand"} <= figures.keys():
        return []
    under, learnt = figures["ET0"], figures["learnt demand"].value
    found = _SHADED.search(under.how)
    if found is None or under.value <= 0.0:
        return []
    saved_mm = learnt * figures["transpiration"].value * (float(found["open_mm"]) / under.value - 1.0)
    litres = saved_mm * zone.area_m2 / zone.line.efficiency
    if litres < 0.5:
        return []
    by_hand = SHADE_UP in states and all(shade.by_hand for shade in zone.shades)
    whose = "The shade that you put up" if by_hand else "Its shade"
    return [
        f"{whose} takes {found['percent']} % of the sun and so saves {saved_mm:.1f} mm or more that day: "
        f"{litres:.0f} L less to give."
    ]


def saved_said(
    site: Site, reader: JournalReader, zone: Zone, ledger: DayLedger, since: Mapping[str, datetime]
) -> list[str]:
    """What jobs done have saved the zone, on a day and since they were reported, in sentences.

    By the balance: what plants and ground would have drawn without them, or the mulch would have drunk. since: the
    states that hands had brought about, and since when.
    """
    begun = min((local_date(at, site.timezone) for at in since.values()), default=ledger.day)
    days = [*reader.ledgers(zone.id, begun, ledger.day - timedelta(days=1)), asdict(ledger)]
    told = []
    for key, whose in (("shade_spared_mm", "Shade and moved pots"), ("mulch_spared_mm", "Mulch laid or pulled back")):
        today_mm, all_mm = getattr(ledger, key), sum(float(day.get(key, 0.0)) for day in days)
        if all_mm < LEAST_SPARED_MM:
            continue
        that_day = f" that day: {_litres(zone, today_mm)}" if today_mm >= LEAST_SPARED_MM else ""
        that_day = f"saved {today_mm:.1f} mm{that_day}" if that_day else "saved nothing that day"
        whole = f"; since {begun:%A} {begun.day} {begun:%B} {all_mm:.1f} mm: {_litres(zone, all_mm)}"
        told.append(f"{whose} {that_day}{whole if begun < ledger.day else ''}.")
    return told


def _litres(zone: Zone, net_mm: float) -> str:
    """What the line would have had to give for it."""
    litres = net_mm * zone.area_m2 / zone.line.efficiency
    return f"{litres:.0f} L" if litres >= 10.0 else f"{litres:.1f} L"
