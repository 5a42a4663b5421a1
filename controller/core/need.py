"""Stage 2: soil state and weather in, what each zone is owed out, in mm and litres, with the reasons.

The dawn soak refills what is missing. It waits as long as another day without water costs the plants next to nothing,
by what is believed of the bed and by how firmly, and leaves a little room for rain. With heat coming it does not wait
and fills to field capacity; once it is there, the day's own numbers tell what is due. Before the last harvest it gives
no more than the plants will still draw.
The dusk refresh follows a hot day where it has drawn more than half of what is easily drawn. A day refresh is for pots,
and for zones that may be rescued, when they would not last until dusk.
"""

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from controller.agronomy.drip import gross_mm as gross_depth_mm
from controller.agronomy.drip import largest_volume_l
from controller.agronomy.yield_response import response_factor, stage_on
from controller.core.garden import Bed, Figure, Need, Purpose
from controller.core.hands import CLEARED, mulch_on, off_line
from controller.core.plants import Plants, is_tender, kcb_how, plants_on
from controller.core.site import Site, Zone
from controller.core.soil import day_demand_mm, rain_to_come_mm
from controller.core.weather import DayWeather, WeatherBook, et0_of, share_of_day, weather_on

RAIN_ROOM = 0.10
"""Share of the readily available water left empty on ordinary days, so that a shower is not wasted (common practice, no
source)."""
TENDER = 0.5
"""Seedlings are watered at this share of the depletion that others wait for (common practice, no source)."""
WORTH_WAITING = 0.03
"""A bed waits for another day while that is likely to cost less than this share of a day's growth (no source; tried in
closed loop against an outside crop model)."""
HEAT_FROM = 0.5
"""With heat coming a bed is filled once this share of its readily available water is gone: a fuller one has enough to
go into it, and each watering more is lost from wet ground (no source: a judgement)."""
LAST_DEPLETION = 0.75
"""Share of its available water that may be gone at the last harvest: ripening plants bear it, and what is left in the
ground is of no use then (no source; tried in closed loop against an outside crop model)."""
LAST_DAYS = 30
"""So long before the last harvest it begins to count: no root zone lasts longer in summer (common practice, no
source)."""
REFRESH_FROM = 0.5
REFRESH_TO = 0.25
"""A bed is refreshed from this share of its readily available water gone, down to this share (both: common practice, no
source)."""
REFRESH_SHARE = 0.5
"""A refresh is small: at most this share of the day's demand (common practice, no source)."""
RESCUE_AT = 0.75
"""A zone is refreshed by day if it would lose more than this share of its available water before dusk (common practice,
no source)."""
SURE_FILL_SDS = 2.0
SURE_FILL_MOST = 0.25
SURE_FILL_EVERY = timedelta(days=10)
SURE_FILL_FROM = 0.4
"""A bed with a probe that is less sure than this share of its readily available water gets a soak that surely fills it,
so that the probe can be read: more by so many times the doubt, by this share of the available water at most, and not
more often than this (no source, all four; the threshold was tried on simulated beds)."""
DRY_TOP = 0.6
"""Share of its water that the top layer has lost when repellent sand begins to shed (common practice, no source)."""
FRONT_SLACK = 1.25
"""The wetting front of one watering may reach this many times the depth of the roots: they grow, and it is a model
(common practice, no source)."""


@dataclass(frozen=True, slots=True)
class View:
    """Everything a need is judged by: the zone, its bed at the hour of the watering, the day and its weather.

    demand_mm: what plants and ground draw in the day; left_share: the part of it still to come at that hour.
    rain_mm: rain of the day that may be counted on and that the bed has not had yet.
    hot_ahead: the first hot day that is near; None on a hot day itself.
    closed: the days after it on which the zone cannot be watered (enough) before their evening. closed_mm: what these
        draw, less the rain that may be counted on.
    to_harvest_mm: what the days after it draw until the last harvest; None if that is far away or nobody said when.
    """

    site: Site
    zone: Zone
    bed: Bed
    day: date
    weather: DayWeather
    plants: Plants
    et0_how: str
    hot_ahead: DayWeather | None
    demand_mm: float
    left_share: float
    rain_mm: float
    closed: tuple[date, ...] = ()
    closed_mm: float = 0.0
    to_harvest_mm: float | None = None

    @property
    def hot(self) -> bool:
        """Whether the day itself is a hot one."""
        return self.weather.tmax_c >= self.site.heat.hot_day_c

    @property
    def tender(self) -> bool:
        """Whether its plants are not established yet."""
        return is_tender(self.zone, self.day)

    @property
    def unshaded(self) -> bool:
        """Whether they stand in the open on a hot day: nobody has put shade over them."""
        return self.tender and self.hot and self.plants.shade == 0.0

    @property
    def available_mm(self) -> float:
        """Water within reach of the roots when the bed is full, as it has taught us."""
        return self.plants.available_mm * self.bed.estimate.holds_factor

    @property
    def readily_mm(self) -> float:
        """The part of it that goes without stress."""
        return self.plants.readily_mm * self.bed.estimate.holds_factor

    @property
    def reach_mm(self) -> float:
        """What the roots can reach beyond that."""
        return max(0.1, self.available_mm - self.readily_mm)

    @property
    def bears_mm(self) -> float:
        """What may be missing at dusk before the day has cost more growth than waiting is worth, were the bed surely
        known: the triangle under 1 - Ks (FAO-56 eq. 84) that `_can_wait` weighs."""
        if self.tender:
            return TENDER * self.readily_mm
        return self.readily_mm + math.sqrt(2.0 * self.reach_mm * WORTH_WAITING * self.demand_mm / _response(self))


def view(
    site: Site,
    zone: Zone,
    bed: Bed,
    book: WeatherBook,
    day: date,
    now: datetime,
    closed: tuple[date, ...] = (),
) -> View:
    """Gather what a need on that day is judged by. closed: the days after it that it must last for."""
    et0 = et0_of(book, site, day, now)
    ahead = [weather_on(book, site, day + timedelta(days=n), now) for n in range(site.heat.days_before + 1)]
    hot = next((weather for weather in ahead if weather.tmax_c >= site.heat.hot_day_c), None)
    hot_ahead = hot if hot is not ahead[0] else None
    how = et0.method + (f"; {'; '.join(et0.assumed)}" if et0.assumed else "")
    plants = plants_on(zone, site, book, day, now, bed.hands)
    demand_mm = day_demand_mm(bed, zone, plants)
    left_share = 1.0 - share_of_day(site, day, bed.as_of)
    sure = _sure_enough(site, zone, bed, plants, day, bed.depletion_mm + demand_mm * left_share)
    rain_mm = rain_to_come_mm(bed, site, book, day, now, sure)
    closed_mm = sum(
        day_demand_mm(bed, zone, plants_on(zone, site, book, each, now, bed.hands))
        - rain_to_come_mm(bed, site, book, each, now)
        for each in closed
    )
    to_harvest_mm = _to_harvest_mm(site, zone, bed, book, day, now)
    return View(
        site, zone, bed, day, ahead[0], plants, how, hot_ahead, demand_mm, left_share, rain_mm, closed, closed_mm,
        to_harvest_mm,
    )


def _to_harvest_mm(
    site: Site, zone: Zone, bed: Bed, book: WeatherBook, day: date, now: datetime
) -> float | None:
    """What the days after this one draw until the zone's last harvest."""
    if zone.last_harvest is None or (zone.last_harvest - day).days > LAST_DAYS:
        return None
    after = (day + timedelta(days=n) for n in range(1, (zone.last_harvest - day).days + 1))
    return sum(day_demand_mm(bed, zone, plants_on(zone, site, book, each, now, bed.hands)) for each in after)


def _sure_enough(site: Site, zone: Zone, bed: Bed, plants: Plants, day: date, by_dusk_mm: float) -> float:
    """The probability from which the day's rain counts for a zone: what a wrong guess would cost it decides.

    A bed that lasts until dusk anyway waits at the site's own probability. One that would be thirsty by then waits only
    for what is the surer, the thirstier: certain at the wilting point (1 - Ks, FAO-56 eq. 84). Plants that are not
    established, and pots, are half thirsty to begin with (common practice, no source).
    """
    thirst = 1.0 - plants.stress(by_dusk_mm, bed.estimate.holds_factor)
    if is_tender(zone, day) or zone.pots is not None:
        thirst = 0.5 + 0.5 * thirst
    return site.watering.rain_sure + (1.0 - site.watering.rain_sure) * thirst


def dawn_need(seen: View) -> Need | None:
    """What the dawn soak of the day should give a zone; None if it can wait."""
    bed = seen.bed
    by_dusk_mm = bed.depletion_mm + seen.demand_mm * seen.left_share - seen.rain_mm + max(0.0, seen.closed_mm)
    limit_mm = seen.readily_mm * (TENDER if seen.tender else 1.0)
    heat = seen.hot_ahead if bed.depletion_mm > HEAT_FROM * limit_mm else None
    if heat is None and _can_wait(seen, by_dusk_mm):
        return None
    room_mm = 0.0 if seen.hot or seen.hot_ahead is not None or seen.closed else RAIN_ROOM * seen.readily_mm
    sure_mm = _to_be_sure_mm(seen)
    net_mm = bed.depletion_mm - room_mm - seen.rain_mm + sure_mm
    reasons = [_dryness(seen), _demand(seen)]
    if heat is not None:
        reasons.append(
            f"Heat is coming: {heat.tmax_c:.0f} °C on {heat.day:%A} ({heat.basis}), so the soak fills the root zone."
        )
    else:
        when = f"dusk of {seen.closed[-1]:%A}" if seen.closed else "dusk"
        bears = "seedlings are to miss no more than" if seen.tender else "they go short from"
        near = ", and that is near, for how well the bed is known" if by_dusk_mm < limit_mm else ""
        reasons.append(f"By {when} the plants would miss {by_dusk_mm:.1f} mm; {bears} {limit_mm:.1f} mm{near}.")
    if seen.closed:
        reasons.append(_closed(seen))
    if seen.rain_mm > 0:
        reasons.append(f"{seen.rain_mm:.1f} mm of rain is as good as certain, so that much less is given.")
    if sure_mm > 0:
        reasons.append(f"{sure_mm:.1f} mm more, so that the bed is surely full once and its probe can be understood.")
    figures = (
        *_state(seen),
        *_closed_figure(seen),
        Figure("missing by dusk", by_dusk_mm, "mm", "Dr + ETc - rain that counts"),
        Figure("room left for rain", room_mm, "mm", f"{100 * RAIN_ROOM:.0f} % of RAW, none before heat"),
        Figure("to be sure", sure_mm, "mm", f"{SURE_FILL_SDS:g} times the doubt, while the probe's zero is not known"),
    )
    return _need(seen, "dawn soak", net_mm, reasons, figures)


def _can_wait(seen: View, by_dusk_mm: float) -> bool:
    """Whether the zone may go without water until so much is missing."""
    if seen.tender:
        return by_dusk_mm <= TENDER * seen.readily_mm
    lost_mm = _foregone_mm(seen, by_dusk_mm) - _foregone_mm(seen, min(by_dusk_mm, seen.bed.depletion_mm))
    return _response(seen) * lost_mm <= WORTH_WAITING * seen.demand_mm


def _foregone_mm(seen: View, depletion_mm: float) -> float:
    """What the plants are likely to go without while the bed dries to this depletion.

    The integral of 1 - Ks (FAO-56 eq. 84), as the mean over the normal belief of how far depletion is past the readily
    available water: neither is known for sure, and what is not known costs.
    """
    share = seen.plants.fraction
    doubt_mm = max(1e-3, seen.bed.estimate.sd_beyond_mm(share * seen.available_mm))
    past = (depletion_mm - seen.readily_mm) / doubt_mm
    above = 0.5 * math.erfc(-past / math.sqrt(2.0))
    density = math.exp(-0.5 * past**2) / math.sqrt(2.0 * math.pi)
    return doubt_mm**2 * ((past**2 + 1.0) * above + past * density) / (2.0 * seen.reach_mm)


def _response(seen: View) -> float:
    """Ky, but 1 at the least before the crop ripens: who stays small early is small for good (common practice, no
    source)."""
    zone = seen.zone
    age_days = zone.age_days(seen.day)
    ky = response_factor(zone.crop, age_days)
    return ky if stage_on(zone.crop, age_days) == "ripening" else max(1.0, ky)


def dusk_need(seen: View) -> Need | None:
    """What the dusk refresh of a hot day should give a zone; None on other days, and where enough is left."""
    bed = seen.bed
    if seen.zone.dusk_refresh and seen.closed:
        return _last_chance(seen)
    if not seen.zone.dusk_refresh or not seen.hot:
        return None
    if bed.depletion_mm <= REFRESH_FROM * seen.readily_mm:
        return None
    cap_mm = REFRESH_SHARE * seen.demand_mm
    net_mm = min(bed.depletion_mm - REFRESH_TO * seen.readily_mm, cap_mm)
    reasons = [
        f"{seen.day:%A} reaches {seen.weather.tmax_c:.0f} °C ({seen.weather.basis}), a hot day "
        f"(from {seen.site.heat.hot_day_c:.0f} °C).",
        _dryness(seen),
        f"The plants go short from {seen.readily_mm:.1f} mm; more than half of that is missing, so they get a refresh "
        "to take up overnight.",
    ]
    figures = (
        *_state(seen),
        Figure("most of a refresh", cap_mm, "mm", f"{100 * REFRESH_SHARE:.0f} % of the day's ETc"),
    )
    return _need(seen, "dusk refresh", net_mm, reasons, figures)


def _last_chance(seen: View) -> Need | None:
    """What the dusk before closed days should give: what is missing, if the zone would not last over them."""
    by_then_mm = seen.bed.depletion_mm + max(0.0, seen.closed_mm)
    if seen.hot_ahead is None and _can_wait(seen, by_then_mm):
        return None
    reasons = [
        f"By dusk of {seen.closed[-1]:%A} the plants would miss {by_then_mm:.1f} mm, so the root zone is filled now.",
        _dryness(seen),
        _closed(seen),
    ]
    how = "Dr + ETc of the closed days - rain that counts"
    figures = (*_state(seen), *_closed_figure(seen), Figure("missing by then", by_then_mm, "mm", how))
    return _need(seen, "dusk refresh", seen.bed.depletion_mm, reasons, figures)


def day_need(seen: View) -> Need | None:
    """What a pot, a zone that may be rescued, or seedlings without shade on a hot day should get by day; None if it
    lasts until dusk. Seedlings in the open are not let run short at all."""
    if seen.zone.pots is None and not seen.zone.rescue and not seen.unshaded:
        return None
    by_dusk_mm = seen.bed.depletion_mm + seen.demand_mm * seen.left_share - seen.rain_mm
    limit_mm = seen.readily_mm if seen.unshaded else RESCUE_AT * seen.available_mm
    if by_dusk_mm <= limit_mm:
        return None
    net_mm = min(seen.bed.depletion_mm, seen.demand_mm * seen.left_share)
    what = "Pots hold little" if seen.zone.pots is not None else "The zone may be rescued by day"
    limit = "more than three quarters of what the roots can reach."
    if seen.unshaded:
        what = f"Seedlings without shade on a day of {seen.weather.tmax_c:.0f} °C"
        limit = f"and they go short from {limit_mm:.1f} mm. Under shade they would need less."
    reasons = [_dryness(seen), f"{what}: by dusk {by_dusk_mm:.1f} mm would be missing, {limit}"]
    figures = (*_state(seen), Figure("missing by dusk", by_dusk_mm, "mm", "Dr + ETc still to come - rain that counts"))
    return _need(seen, "day refresh", net_mm, reasons, figures)


def need_by_hand(zone: Zone, gross_mm: float, because: str) -> Need:
    """A need that a person has asked for, as a gross depth."""
    return Need(
        zone=zone.id,
        purpose="by hand",
        net_mm=gross_mm * zone.line.efficiency,
        gross_mm=gross_mm,
        litres=gross_mm * zone.area_m2,
        reasons=(because,),
    )


def _need(seen: View, purpose: Purpose, net_mm: float, reasons: list[str], figures: tuple[Figure, ...]) -> Need | None:
    zone = seen.zone
    hands = seen.bed.hands
    unused_mm = max(0.0, net_mm - _of_use_mm(seen))
    net_mm -= unused_mm
    if net_mm < seen.site.watering.least_depth_mm or off_line(zone, hands) or CLEARED in hands:
        return None
    net_mm, front_mm = _above_the_front(seen, net_mm)
    if unused_mm > 0.0:
        last = f"{seen.zone.last_harvest:%-d %B}"
        reasons = [*reasons, f"The last harvest is on {last}: {unused_mm:.1f} mm more would stay in the ground unused."]
    if front_mm is not None:
        reasons = [*reasons, f"{front_mm:.1f} mm more would sink below the roots at once, and waits for the next time."]
    mulch = mulch_on(zone, hands)
    drinks_mm = mulch.drinks_mm if mulch is not None else 0.0
    if drinks_mm > 0:
        reasons = [
            *reasons,
            f"The mulch over the line drinks the first {drinks_mm:.1f} mm; pull it back to save that.",
        ]
    if zone.leaching_fraction > 0:
        share = f"{100 * zone.leaching_fraction:.0f} %"
        reasons = [*reasons, f"{share} more passes the roots, to take the water's salt along."]
    gross_mm = gross_depth_mm(net_mm, zone.line.efficiency, zone.leaching_fraction) + drinks_mm
    litres = gross_mm * zone.area_m2
    losses = f"net / {zone.line.efficiency:.2f} of the line"
    if zone.leaching_fraction > 0:
        losses += f" / {1 - zone.leaching_fraction:.2f} for salt"
    if drinks_mm > 0:
        losses += f" + {drinks_mm:.1f} for the mulch"
    return Need(
        zone=zone.id,
        purpose=purpose,
        net_mm=net_mm,
        gross_mm=gross_mm,
        litres=litres,
        reasons=tuple(reasons),
        figures=(
            *figures,
            Figure("net depth", net_mm, "mm", "what the root zone is to get"),
            Figure("gross depth", gross_mm, "mm", losses),
            Figure("water", litres, "L", f"gross depth x {zone.area_m2:.3g} m2"),
        ),
        short_mm=front_mm or 0.0,
        dry_top=zone.repellent and seen.bed.top_mm > DRY_TOP * zone.soil.total_evaporable_mm,
    )


def _to_be_sure_mm(seen: View) -> float:
    """What a soak gives beyond the need, now and then, so that the bed is surely full while a probe is not understood.

    The plateau after such a soak is the probe's field capacity; without it a biased probe stays a riddle.
    """
    bed = seen.bed
    if bed.last_full is not None and bed.as_of - bed.last_full < SURE_FILL_EVERY:
        return 0.0
    if not bed.estimate.probes or bed.sd_mm <= SURE_FILL_FROM * seen.readily_mm:
        return 0.0
    sure_mm = SURE_FILL_SDS * min(bed.sd_mm, SURE_FILL_MOST * seen.available_mm)
    # What the valve may not give in one watering would only be tried again at every dawn.
    zone = seen.zone
    most_mm = zone.most_s_per_24h / 60.0 * zone.line.flow_l_min / 2.0 / zone.area_m2 * zone.line.efficiency
    return sure_mm if bed.depletion_mm + sure_mm <= most_mm else 0.0


def _of_use_mm(seen: View) -> float:
    """The most that a watering can give before the last harvest for the plants to have any use of it [net mm]."""
    if seen.to_harvest_mm is None:
        return math.inf
    may_end_mm = LAST_DEPLETION * seen.available_mm * (1.0 - seen.bed.estimate.holds_sd)
    return max(0.0, seen.bed.depletion_mm + seen.demand_mm * seen.left_share + seen.to_harvest_mm - may_end_mm)


def _above_the_front(seen: View, net_mm: float) -> tuple[float, float | None]:
    """The part of a net depth that stays within reach of the roots at once, and what is over, if anything.

    An emitter's bulb goes down with its volume (Schwartzman & Zur 1986): the volume that reaches the roots' depth,
    times the emitters, is the most of one watering.
    """
    line, soil = seen.zone.line, seen.zone.soil
    if line.emitter_flow_l_h is None or seen.zone.pots is not None:
        return net_mm, None
    depth_m = FRONT_SLACK * seen.plants.root_depth_m
    most_l = largest_volume_l(depth_m, soil.saturated_conductivity_mm_h, line.emitter_flow_l_h)
    emitters = line.flow_l_min * 60.0 / line.emitter_flow_l_h
    most_mm = most_l * emitters / seen.zone.area_m2 * line.efficiency
    return (net_mm, None) if net_mm <= most_mm else (most_mm, net_mm - most_mm)


def _dryness(seen: View) -> str:
    missing_mm = max(0.0, seen.bed.depletion_mm)
    return (
        f"{missing_mm:.1f} mm of the {seen.available_mm:.0f} mm that the roots can reach is missing "
        f"(give or take {seen.bed.sd_mm:.1f})."
    )


def _closed(seen: View) -> str:
    return (
        f"After {seen.day:%A} there is no chance, or too little, to water it before the evening of "
        f"{seen.closed[-1]:%A}; "
        f"about {seen.closed_mm:.1f} mm will be drawn by then."
    )


def _closed_figure(seen: View) -> tuple[Figure, ...]:
    if not seen.closed:
        return ()
    return (Figure("drawn on closed days", seen.closed_mm, "mm", "ETc - rain that counts, until the next chance"),)


def _demand(seen: View) -> str:
    return (
        f"{seen.day:%A} draws about {seen.demand_mm:.1f} mm "
        f"(up to {seen.weather.tmax_c:.0f} °C, {seen.weather.basis})."
    )


def _state(seen: View) -> tuple[Figure, ...]:
    plants, zone, learnt = seen.plants, seen.zone, seen.bed.estimate
    shaded = f"; under {100 * plants.shade:.0f} % shade (in the open {plants.open_et0_mm:.1f})"
    shaded = shaded if plants.shade > 0 else ""
    ground_mm = seen.demand_mm / learnt.demand_factor - plants.transpiration_mm
    held = f"{zone.soil.field_capacity:.3f} - {zone.soil.wilting_point:.3f}"
    soil = f"1000 x ({held}) x Zr x Pw (eq. 82; Keller & Karmeli)"
    return (
        Figure("ET0", plants.et0_mm, "mm/day", f"{seen.et0_how}; from the {seen.weather.basis}{shaded}"),
        Figure("Kcb", plants.kcb, "", kcb_how(zone)),
        Figure("transpiration", plants.transpiration_mm, "mm/day", "Kcb x ET0"),
        Figure("evaporation", ground_mm, "mm/day", "of the bare wet ground, at most what its top layer holds (eq. 71)"),
        Figure("learnt demand", learnt.demand_factor, "", "how this bed's demand compares with the table's"),
        Figure("ETc", seen.demand_mm, "mm/day", "(transpiration + evaporation) x learnt demand"),
        Figure("Zr", plants.root_depth_m, "m", "depth of the roots"),
        Figure("Pw", plants.wetted, "", "share of the ground that the line wets"),
        Figure("learnt store", learnt.holds_factor, "", "what this bed holds, beside what its soil was said to"),
        Figure("TAW", seen.available_mm, "mm", f"{soil} x learnt store"),
        Figure("p", plants.fraction, "", "depletion fraction by the day's demand (note of Table 22)"),
        Figure("RAW", seen.readily_mm, "mm", "p x TAW (eq. 83)"),
        Figure("Dr", seen.bed.depletion_mm, "mm", f"balance and probes, +- {seen.bed.sd_mm:.1f}"),
        Figure("rain that counts", seen.rain_mm, "mm", "of the day, as good as certain, not yet in Dr"),
    )
