"""The jobs of a hot spell: days before, on its eve, in it, and after it. One generator a job, in `HEAT_RULES`.

They are practice of the trade (common practice, no source); their thresholds are the site's.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from types import MappingProxyType

from controller.agronomy.heat import HEAT_LIMITS
from controller.core.hands import MULCHED, POTS_MOVED, mulch_on
from controller.core.heat import planting_window
from controller.core.job import Job
from controller.core.outlook import Heat, ids_of, named
from controller.core.plants import plants_on
from controller.core.said import Each, Fact, Said
from controller.core.site import Zone
from controller.core.soil import day_demand_mm
from controller.core.weather import et0_of

Rule = Callable[[Heat], Iterator[Job]]

FAR_DAYS = 3
"""Jobs that can be done days before are asked for from this day before the spell."""

MINUTES: Mapping[str, float] = MappingProxyType(
    {"zone": 5.0, "cloth": 10.0, "pot": 2.0, "square metre": 1.5, "mulched square metre": 3.0}
)
"""How long a pair of hands needs (common practice, no source)."""


def _no_planting(h: Heat) -> Iterator[Job]:
    if h.past:
        return
    mild_c = h.o.site.heat.mild_day_c
    window = planting_window([d for d in h.o.days if d.day > h.spell.last], mild_c)
    until = h.o.clock(window or h.spell.last + timedelta(days=2), 6)
    facts: dict[str, Fact] = {"heat": h.said, "mild_c": mild_c}
    why = Said("no-planting.until", {**facts, "day": window}) if window else Said("no-planting.no-end", facts)
    yield Job(
        "no-planting", "no-planting", "before", Said("no-planting"), why, (), h.days_before(FAR_DAYS), until, 0.0,
        h.counts_from, keep_to=True,
    )  # fmt: skip


def _no_pruning(h: Heat) -> Iterator[Job]:
    if h.past:
        return
    why = Said("no-pruning.why", {"brief": h.brief})
    yield Job(
        "no-pruning", "no-pruning", "before", Said("no-pruning"), why, (), h.days_before(FAR_DAYS), h.over, 0.0,
        h.counts_from, keep_to=True,
    )  # fmt: skip


def _harvest(h: Heat) -> Iterator[Job]:
    zones = [zone for zone in h.o.zones if not h.o.tender(zone)]
    if zones:
        area_m2 = sum(zone.area_m2 for zone in zones)
        minutes = 10.0 + area_m2 * MINUTES["square metre"] / 2.0
        yield from _before(h, "harvest", Said("harvest"), "harvest.why", zones, minutes)


def _mulch(h: Heat) -> Iterator[Job]:
    least_cm = h.o.site.jobs.thin_mulch_cm
    lacking_cm = {
        zone.id: least_cm - (zone.mulch.depth_cm if zone.mulch is not None else 0.0)
        for zone in h.o.zones
        if zone.pots is None and MULCHED not in h.o.hands(zone)
    }
    thin = [zone for zone in h.o.zones if lacking_cm.get(zone.id, 0.0) > 0.0]
    if not thin:
        return
    loose_l = sum(10.0 * lacking_cm[zone.id] * zone.area_m2 for zone in thin)
    what = Said("mulch", {"zones": named(thin), "depth_cm": least_cm, "loose_l": loose_l})
    minutes = sum(zone.area_m2 for zone in thin) * MINUTES["mulched square metre"]
    yield from _before(h, "mulch", what, "mulch.why", thin, minutes)


def _stake(h: Heat) -> Iterator[Job]:
    """Where nobody tells the wind, it is taken for a strong one."""
    tall = [zone for zone in h.o.zones if zone.tall]
    if tall and (h.spell.wind_2m_m_s is None or h.spell.windy(h.o.site)):
        minutes = 10.0 + sum(zone.area_m2 for zone in tall) * MINUTES["square metre"]
        why = "stake.why" if h.spell.wind_2m_m_s is None else "stake.wind"
        facts: dict[str, Fact] = {"wind_m_s": h.spell.wind_2m_m_s or 0.0}
        yield from _before(h, "stake", Said("stake", {"zones": named(tall)}), why, tall, minutes, facts)


def _check_lines(h: Heat) -> Iterator[Job]:
    minutes = 10.0 + MINUTES["zone"] * len(h.o.zones)
    what = "check-lines.pump" if any(each.pump for each in h.o.site.supplies) else "check-lines"
    yield from _before(h, "check-lines", Said(what), "check-lines.why", h.o.zones, minutes)


def _fill(h: Heat) -> Iterator[Job]:
    """Cans and tanks: for the pots that no valve reaches, as much as the spell draws."""
    store_l = h.o.site.jobs.store_l
    hottest = max((d.day for d in h.o.ahead if h.spell.first <= d.day <= h.spell.last), default=h.spell.first)
    drawn_l = h.spell.days * sum(litres * count for _, count, litres in _pots_by_hand(h, hottest))
    if store_l or drawn_l:
        facts: dict[str, Fact] = {"store_l": store_l or drawn_l, "drawn_l": drawn_l, "days": h.spell.days}
        why = "fill.pots" if drawn_l else "fill.why"
        yield from _before(h, "fill", Said("fill", facts), why, (), 15.0, facts)


def _animals(h: Heat) -> Iterator[Job]:
    animals = h.o.site.jobs.animals
    if animals:
        what = Said("animals", {"animals": tuple(Said("own", {"text": name}) for name in animals)})
        yield from _before(h, "animals", what, "animals.why", (), 10.0 * len(animals))


def _shade(h: Heat) -> Iterator[Job]:
    """Seedlings first, then by what the crops bear, and those in the open before those in some shade."""
    if h.past:
        return
    tender = [zone for zone in h.o.zones if h.o.tender(zone)]
    others = [zone for zone in h.o.zones if not h.o.tender(zone) and not zone.tall and not zone.pots]
    others.sort(key=lambda zone: (_bears_c(zone), h.o.shaded(zone)))
    zones = [*tender, *others]
    if not zones:
        return
    which = "shade.first-then" if tender and others else "shade.tender" if tender else "shade.others"
    what = Said(which, {"tender": named(tender), "others": named(others)})
    why = Said("shade.why" if tender else "shade.why-others", {"heat": h.said})
    yield Job(
        "shade", "shade", "eve", what, why, ids_of(zones), h.near, h.late_eve,
        MINUTES["cloth"] * len(zones), h.since_taken_off,
    )  # fmt: skip


def _pots(h: Heat) -> Iterator[Job]:
    pots = [zone for zone in h.o.zones if zone.pots]
    if h.past or not pots:
        return
    off = [zone for zone in pots if zone.pots is not None and zone.pots.moves_off_line]
    each = Each(tuple((zone.id, pot_litres(h, zone, h.spell.first)) for zone in off))
    what = Said("pots.by-hand" if off else "pots", {"zones": named(pots), "each_l": each})
    why = Said("pots.why", {"brief": h.brief, "volume_l": min(zone.pots.volume_l for zone in pots if zone.pots)})
    minutes = sum(zone.pots.count for zone in pots if zone.pots) * MINUTES["pot"]
    yield Job(
        "pots", "pots", "eve", what, why, ids_of(pots), h.near, h.late_eve, minutes, h.since_taken_off,
    )  # fmt: skip


def _mulch_back(h: Heat) -> Iterator[Job]:
    """The soak that a line above the mulch would first have to give to the mulch."""
    if h.past:
        return
    drinks_mm = {
        zone.id: mulch.drinks_mm for zone in h.o.zones if (mulch := mulch_on(zone, h.o.hands(zone))) is not None
    }
    drinking = [zone for zone in h.o.zones if drinks_mm.get(zone.id, 0.0) > 0.0]
    soak = max(h.spell.first, h.o.today + timedelta(days=1))
    if not drinking or soak > h.spell.last:
        return
    saved_l = sum(drinks_mm[zone.id] * zone.area_m2 for zone in drinking)
    what = Said("mulch-back", {"zones": named(drinking)})
    why = Said("mulch-back.why", {"drunk_mm": max(drinks_mm.values()), "saved_l": saved_l, "day": soak})
    yield Job(
        f"mulch-back-{soak}", "mulch-back", "eve", what, why, ids_of(drinking), h.o.clock(soak, -12),
        h.o.sunrise(soak), MINUTES["zone"] * len(drinking), h.counts_from,
    )  # fmt: skip


def _look_at_dusk(h: Heat) -> Iterator[Job]:
    if not h.on:
        return
    zones = sorted(h.o.zones, key=lambda zone: (not h.o.tender(zone), not zone.pots))
    sunset = h.o.sunset(h.o.today)
    facts: dict[str, Fact] = {"zones": named(zones), "heat": h.said, "day": h.o.today}
    yield Job(
        f"look-at-dusk-{h.o.today}", "look-at-dusk", "during", Said("look-at-dusk", facts),
        Said("look-at-dusk.why", facts), ids_of(zones), sunset, sunset + timedelta(hours=2), 3.0 * len(zones),
        h.counts_from,
    )  # fmt: skip


def _water_by_hand(h: Heat) -> Iterator[Job]:
    """Pots that no valve reaches: what each gets, morning and evening, on each day of the heat."""
    for day, part, begin, until in h.o.mornings_and_evenings():
        pots = _pots_by_hand(h, day)
        if not pots or not h.spell.first <= day <= h.spell.last:
            continue
        each = Each(tuple((name, litres / 2.0) for name, _, litres in pots))
        whole_l = sum(count * litres for _, count, litres in pots)
        what = Said(f"water-by-hand.{part}", {"each_l": each, "day": day})
        why = Said("water-by-hand.why", {"day": day, "whole_l": whole_l, "heat": h.said})
        yield Job(
            f"water-by-hand-{day}-{part}", "water-by-hand", "during", what, why, (), begin, until,
            5.0 + 2.0 * sum(count for _, count, _ in pots), h.counts_from,
        )  # fmt: skip


def _shade_off(h: Heat) -> Iterator[Job]:
    """Where nothing was reported, it is asked for all the same: a cloth may hang that nobody spoke of."""
    if not h.past:
        return
    pots = any(zone.pots for zone in h.o.zones)
    what = Said("shade-off.pots" if pots else "shade-off")
    why = Said("shade-off.why", {"heat": h.said})
    yield Job(
        "shade-off", "shade-off", "after", what, why, ids_of(h.o.zones), h.over, h.over + timedelta(days=2),
        MINUTES["cloth"] * len(h.o.zones), h.over,
    )  # fmt: skip


def _check_zones(h: Heat) -> Iterator[Job]:
    """A walk past the zones that were short of water in the spell; past all, if none was."""
    if not h.past:
        return
    thirsty_h = {
        zone.id: sum(hours for day, hours in h.o.bed(zone).thirst_h.items() if h.spell.first <= day <= h.spell.last)
        for zone in h.o.zones
    }
    short = sorted((zone for zone in h.o.zones if thirsty_h[zone.id] >= 1.0), key=lambda zone: -thirsty_h[zone.id])
    zones = short or list(h.o.zones)
    what = Said("check-zones.short" if short else "check-zones", {"zones": named(short)})
    each = Each(tuple((zone.id, thirsty_h[zone.id]) for zone in short))
    why = Said("check-zones.short-why" if short else "check-zones.why", {"heat": h.said, "each_h": each})
    yield Job(
        "check-zones", "check-zones", "after", what, why, ids_of(zones), h.over, h.over + timedelta(days=3),
        MINUTES["zone"] * len(zones), h.over,
    )  # fmt: skip


def _planting_again(h: Heat) -> Iterator[Job]:
    if not h.past:
        return
    mild_c = h.o.site.heat.mild_day_c
    window = planting_window([d for d in h.o.days if d.day >= h.o.today - timedelta(days=1)], mild_c)
    if window is None:
        return
    start = h.o.clock(window, 6)
    why = Said("plant-again.why", {"mild_c": mild_c})
    yield Job(
        "plant-again", "plant-again", "after", Said("plant-again", {"day": window}), why, (), start,
        start + timedelta(days=3), 0.0, h.over,
    )  # fmt: skip


HEAT_RULES: Sequence[Rule] = (
    _no_planting,
    _no_pruning,
    _harvest,
    _mulch,
    _stake,
    _check_lines,
    _fill,
    _animals,
    _shade,
    _pots,
    _mulch_back,
    _look_at_dusk,
    _water_by_hand,
    _shade_off,
    _check_zones,
    _planting_again,
)
"""A new job of the heat is one generator and one line here."""


def _before(
    h: Heat, kind: str, what: Said, why: str, zones: Sequence[Zone], minutes: float,
    facts: Mapping[str, Fact] | None = None,
) -> Iterator[Job]:  # fmt: skip
    """A job to have done by the eve; once the spell is over nobody speaks of it any more."""
    if not h.past:
        yield Job(
            kind, kind, "before", what, Said(why, {**(facts or {}), "brief": h.brief}), ids_of(zones),
            h.days_before(FAR_DAYS), h.eve, minutes, h.counts_from,
        )  # fmt: skip


def pot_litres(h: Heat, zone: Zone, day: date) -> float:
    """What each pot of a zone draws on a day once it stands in the shade, litres."""
    assert zone.pots is not None, "only pots come here"
    bed = h.o.bed(zone)
    plants = plants_on(zone, h.o.site, h.o.garden.weather, day, h.o.now, (*bed.hands, POTS_MOVED))
    return day_demand_mm(bed, zone, plants) * zone.area_m2 / zone.pots.count


def _pots_by_hand(h: Heat, day: date) -> list[tuple[str, int, float]]:
    """Name, number and litres a day of each, for the pots that no valve reaches: ETo Kc A, A the crown's area."""
    et0_mm = et0_of(h.o.garden.weather, h.o.site, day, h.o.now).mm
    return [
        (pots.name, pots.count, et0_mm * pots.crop.kc_mid * pots.crown_m2) for pots in h.o.site.jobs.by_hand
    ]


def _bears_c(zone: Zone) -> float:
    """The daily maximum above which the zone's crop suffers; crops that no source names come last."""
    limit = HEAT_LIMITS.get(zone.crop.name)
    return limit.day_c if limit is not None else 50.0
