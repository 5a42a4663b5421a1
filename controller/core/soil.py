"""Stage 1: weather, water and readings in; the soil water of each bed out, with how unsure it is.

The balance runs on between readings: plants and wet ground draw by day, rain and irrigation bring water, what exceeds
field capacity drains. Probes correct it through the estimate (`core.estimate`), which learns on the way how the bed
differs from the tables. A probe that is stuck, silent or wildly at odds with everything else corrects nothing
(`core.quality`).
"""

import math
from collections.abc import Iterable
from datetime import date, datetime, timedelta

from controller.agronomy.rainfall import effective_daily_mm
from controller.agronomy.soil import SOILS
from controller.core.estimate import (
    HOLDS_SD,
    Estimate,
    foreseen,
    forgotten,
    lived,
    meet,
    new_estimate,
    observed,
    watered,
)
from controller.core.frozen import replace
from controller.core.garden import Bed, DayLedger, Probe
from controller.core.hands import MULCH_BACK, MULCHING, SHADING, mulch_on
from controller.core.moment import day_bounds, hours_between, local_date
from controller.core.plants import Plants, evaporation_mm, plants_on, roots_on, wetted_share
from controller.core.quality import FOLLOWED, Sight, judged
from controller.core.site import Sensor, Site, Zone
from controller.core.weather import DayWeather, WeatherBook, et0_of, share_of_day, weather_on

STEP = timedelta(hours=2)
"""The balance is reckoned in steps no longer than this."""
STEP_AHEAD = timedelta(hours=6)
"""What is still to come is not known well enough to be reckoned in finer steps."""
PROBE_MEMORY_H = 3.0
"""Readings of one probe within this time share much of their noise: sun on the sensor, water on its way (common
practice, no source)."""
SOAKING_H = 6.0
"""After water a probe shows the front passing, not the root zone, for about this long (common practice, no source)."""
RAIN_TO_NOTICE_MM = 1.0
"""Rain that a probe may show (common practice, no source)."""
MULCH_DRIES_H = 6.0
"""Mulch over the line drinks anew this long after the last pulse; between the pulses of one watering it is wet (common
practice, no source)."""
DRAIN_DAYS = ((100.0, 0.5), (20.0, 0.8), (5.0, 1.2))
"""From this conductivity on [mm/h], excess falls to 1/e in so many days; below the last, in SLOWEST_DRAIN_DAYS (the
steps are common practice, no source; see `drain_days`)."""
SLOWEST_DRAIN_DAYS = 2.0
RAIN_SD = 0.2
"""How far rain on a bed is from the gauge's or the forecast's: a share of it (common practice, no source)."""
TOLD_SD = 0.10
"""How far field capacity and wilting point of a soil are told from the truth: a share of each (common practice, no
source)."""
SAME_SOIL_SDS = 2.24
"""Two opinions of what a soil holds that are further apart than so many of their standard deviations, which chance does
to one in forty, are of two soils (no source: a judgement)."""
THIRST_DAYS = 20
"""So long a bed remembers the days on which it was short of water."""
RAIN_THAT_WETS_ALL_MM = 3.0
"""A day's rain from which the whole ground is wet, not only the line's strip (common practice, no source)."""


def new_bed(zone: Zone, site: Site, now: datetime) -> Bed:
    """A bed nobody has told us about: a fifth of its available water gone, and very unsure."""
    day = local_date(now, site.timezone)
    held = zone.soil.field_capacity - zone.soil.wilting_point
    holds, holds_sd = holds_at_first(zone)
    available_mm = holds * 1000.0 * held * roots_on(zone, day) * wetted_share(zone)
    return Bed(
        zone=zone.id,
        estimate=new_estimate(available_mm / 5.0, available_mm / 3.0, holds, holds_sd),
        as_of=now,
        today=DayLedger(day),
        top_mm=zone.soil.total_evaporable_mm / 2.0,
        wetting=wetted_share(zone),
    )


def holds_at_first(zone: Zone) -> tuple[float, float]:
    """What a bed is taken to hold until it has taught us, as a multiple of what its soil is said to, and how unsure
    that is, as a share.

    A soil's own figures and the usual ones of its texture are two opinions of the same water, and count by how sure
    each is: available water is the small difference of two figures that are each told a tenth wrong, so in sand, and
    most of all where little is left of it, its own figures say little. Where the two are further apart than their
    doubts explain, they speak of different soils, and its own stand.
    """
    usual, told = SOILS.get(zone.soil.texture), zone.soil
    if usual is None or zone.pots is not None or told.available_mm_m == usual.available_mm_m:
        return 1.0, HOLDS_SD
    told_sd = TOLD_SD * math.hypot(told.field_capacity, told.wilting_point) / (told.field_capacity - told.wilting_point)
    apart = math.log(usual.available_mm_m / told.available_mm_m)
    if abs(apart) > SAME_SOIL_SDS * math.hypot(told_sd, HOLDS_SD):
        return 1.0, HOLDS_SD
    told_weight, usual_weight = told_sd**-2, HOLDS_SD**-2
    whole = told_weight + usual_weight
    return math.exp(apart * usual_weight / whole), 1.0 / math.sqrt(whole)


def relearnt(bed: Bed, zone: Zone) -> Bed:
    """The bed with what it has taught forgotten."""
    return replace(bed, estimate=forgotten(bed.estimate, *holds_at_first(zone)), last_full=None)


def believed(bed: Bed, depletion_mm: float, sd_mm: float | None = None) -> Bed:
    """The bed with another depletion believed of it; what was learnt of it stays."""
    estimate = bed.estimate
    cov = [list(row) for row in estimate.cov]
    if sd_mm is not None:
        cov[0] = [0.0] * len(cov)
        for row in cov:
            row[0] = 0.0
        cov[0][0] = sd_mm**2
    mean = (depletion_mm, *estimate.mean[1:])
    return replace(bed, estimate=replace(estimate, mean=mean, cov=tuple(tuple(row) for row in cov)))


def advance(
    bed: Bed, zone: Zone, site: Site, book: WeatherBook, until: datetime, now: datetime
) -> Bed:
    """The bed at `until`, without further water or readings. `now` says how old the forecast is.

    Steps end at civil midnights, where the day's ledger is closed and its rain is credited if no gauge has been.
    """
    plants: Plants | None = None
    while bed.as_of < until:
        _, day_end = day_bounds(bed.today.day, site.timezone)
        step_end = min(until, day_end, bed.as_of + STEP)
        plants = plants or plants_on(zone, site, book, bed.today.day, now, bed.hands)
        before = bed
        bed = _draw(bed, zone, site, plants, step_end)
        if bed.hands:
            bed = _spared(before, bed, zone, site, book, plants, now)
        if step_end == day_end:
            bed, plants = _close_day(bed, zone, site, book, now), None
    return bed


def foresee(bed: Bed, zone: Zone, site: Site, book: WeatherBook, until: datetime, now: datetime) -> Bed:
    """The bed as it is expected to be at an instant to come: the same balance for the mean alone, as if it were sure,
    at a fraction of the cost. Of its days it books only the rain."""
    while bed.as_of < until:
        _, day_end = day_bounds(bed.today.day, site.timezone)
        plants = plants_on(zone, site, book, bed.today.day, now, bed.hands)
        bed = _draw_ahead(bed, zone, site, plants, min(until, day_end))
        if bed.as_of == day_end:
            bed = _close_day(bed, zone, site, book, now)
    return bed


def wet(bed: Bed, zone: Zone, net_mm: float, at: datetime, unsure_mm: float = 0.0) -> Bed:
    """The bed after irrigation of `net_mm`, give or take `unsure_mm`; mulch over the line keeps its share of it."""
    net_mm -= min(net_mm, _drunk_mm(bed, zone, at))
    # What a mulch that is pulled back would have drunk is saved as well.
    covered = replace(bed, hands=tuple(state for state in bed.hands if state != MULCH_BACK))
    spared_mm = min(net_mm, _drunk_mm(covered, zone, at)) - _drunk_mm(bed, zone, at) if covered != bed else 0.0
    wetted = wetted_share(zone)
    full = bed.depletion_mm + bed.sd_mm < net_mm
    return replace(
        bed,
        estimate=watered(bed.estimate, net_mm, sd_mm=unsure_mm),
        balance_mm=bed.balance_mm + net_mm,
        last_wetted=at,
        last_full=at if full else bed.last_full,
        top_mm=max(0.0, bed.top_mm - net_mm / wetted),
        wetting=wetted,
        today=replace(
            bed.today,
            irrigation_net_mm=bed.today.irrigation_net_mm + net_mm,
            mulch_spared_mm=bed.today.mulch_spared_mm + spared_mm,
        ),
    )


def _drunk_mm(bed: Bed, zone: Zone, at: datetime) -> float:
    """What a dry mulch over the line keeps of a watering, as a net depth; nothing once it is wet or pulled back."""
    mulch = mulch_on(zone, bed.hands)
    if mulch is None:
        return 0.0
    dry = bed.last_wetted is None or hours_between(bed.last_wetted, at) > MULCH_DRIES_H
    return mulch.drinks_mm * zone.line.efficiency if dry else 0.0


def rain_on(bed: Bed, rain_mm: float) -> Bed:
    """The bed after rain. A shower of several reports wets all ground once it comes to enough."""
    whole_mm = bed.today.rain_mm + rain_mm
    return replace(
        bed,
        estimate=watered(bed.estimate, rain_mm, sd_share=RAIN_SD),
        balance_mm=bed.balance_mm + rain_mm,
        top_mm=max(0.0, bed.top_mm - rain_mm),
        wetting=1.0 if whole_mm >= RAIN_THAT_WETS_ALL_MM else bed.wetting,
        today=replace(bed.today, rain_mm=whole_mm),
    )


def expected_rain_mm(weather: DayWeather, et0_mm: float, sure: float) -> float:
    """Rain of a whole day that may be counted on: what fell (that is certain), or what is forecast with at least the
    probability `sure`. A source that gives no probabilities is taken at its word.

    Rain under a fifth of the day's reference evapotranspiration is ignored (FAO-56 ch. 8): it never reaches the roots.
    """
    if weather.rain_mm is None:
        return 0.0
    if weather.rain_probability is not None and weather.rain_probability < sure:
        return 0.0
    return effective_daily_mm(weather.rain_mm, et0_mm)


def rain_to_come_mm(
    bed: Bed, site: Site, book: WeatherBook, day: date, now: datetime, sure: float | None = None
) -> float:
    """The part of a day's expected rain that the bed has not been credited with yet. sure: the probability from which
    rain counts; None takes the site's."""
    weather = weather_on(book, site, day, now)
    sure = site.watering.rain_sure if sure is None else sure
    whole_mm = expected_rain_mm(weather, et0_of(book, site, day, now).mm, sure)
    return max(0.0, whole_mm - bed.today.rain_mm) if day == bed.today.day else whole_mm


def day_demand_mm(bed: Bed, zone: Zone, plants: Plants) -> float:
    """What plants and ground of a zone draw in a whole day with water enough [mm], as the bed has taught it."""
    soil = zone.soil
    ground_mm = evaporation_mm(
        plants, bed.top_mm, bed.wetting, soil.total_evaporable_mm, soil.readily_evaporable_mm, share=1.0
    )
    return bed.estimate.demand_factor * (plants.transpiration_mm + ground_mm)


def notice(
    bed: Bed,
    probe: Probe,
    sensor: Sensor,
    zone: Zone,
    site: Site,
    book: WeatherBook,
    now: datetime,
    others: Iterable[tuple[Sensor, Probe]] = (),
    *,
    watering: bool = False,
) -> tuple[Bed, Probe]:
    """What a moisture probe's last reading changes: what is believed of the bed, and of the probe.

    others: the other probes of the zone; watering: its valve is open.
    """
    if probe.value is None or probe.at is None:
        return bed, probe
    plants = plants_on(zone, site, book, bed.today.day, now, bed.hands)
    estimate = meet(bed.estimate, sensor.id, sensor.sd)
    rained = _rained_lately(bed, site, book, now)
    sight = _sight(bed, zone, plants, estimate, probe, watering=watering, rained=rained)
    found = judged(probe, sensor, sight, others)
    if found.probe.word == "overstating" and probe.word != "overstating":
        # It has led the whole belief away, and the offsets of the other probes with it.
        bed = believed(relearnt(bed, zone), bed.depletion_mm, max(bed.sd_mm, plants.available_mm / 3.0))
        estimate = meet(bed.estimate, sensor.id, sensor.sd)
    if found.probe.word not in (*FOLLOWED, "overstating"):
        return bed, found.probe
    if found.seconded_by_m3_m3 is not None:
        # Two probes against one balance: the balance is doubted by as much as they say it is off.
        unsure_mm = max(bed.sd_mm, found.seconded_by_m3_m3 * sight.scale_mm)
        estimate = meet(believed(bed, bed.depletion_mm, unsure_mm).estimate, sensor.id, sensor.sd)
    after = observed(estimate, sensor.id, probe.value, zone.soil.field_capacity, sight.scale_mm, found.noise_sd)
    after = _within_reach(after, plants)
    corrected_mm = after.depletion_mm - bed.depletion_mm
    probe = replace(found.probe, wetter_mm=found.probe.wetter_mm - corrected_mm)
    if probe.word not in FOLLOWED:  # what it would have changed is what it is judged by
        return bed, probe
    bed = replace(bed, estimate=after, today=replace(bed.today, corrected_mm=bed.today.corrected_mm + corrected_mm))
    return bed, replace(probe, used_at=probe.at)


def has_rain_gauge(site: Site) -> bool:
    """Whether the site measures its own rain."""
    return any(sensor.kind == "rain" for sensor in site.sensors)


# The pieces ---------------------------------------------------------------------------------------


def _sight(
    bed: Bed, zone: Zone, plants: Plants, estimate: Estimate, probe: Probe, *, watering: bool, rained: bool
) -> Sight:
    """What the checks of a probe's last reading need to know of its bed.

    Noise counts for more soon after the last reading, which shared it, and soon after water, which is on its way.
    """
    assert probe.value is not None
    assert probe.at is not None
    idle_h = PROBE_MEMORY_H if probe.used_at is None else max(0.05, hours_between(probe.used_at, probe.at))
    since_h = math.inf if bed.last_wetted is None else max(0.0, hours_between(bed.last_wetted, probe.at))
    since_h = 0.0 if watering else since_h
    return Sight(
        value=probe.value,
        at=probe.at,
        estimate=estimate,
        field_capacity=zone.soil.field_capacity,
        least=zone.soil.wilting_point,
        most=max(zone.soil.field_capacity, zone.soil.effective_porosity),
        scale_mm=plants.probed_mm(bed.depletion_mm),
        balance_mm=bed.balance_mm,
        drawn_mm=bed.drawn_mm,
        drained_mm=bed.drained_mm,
        watered=since_h <= SOAKING_H,
        rained=rained,
        watered_at=bed.last_wetted,
        soaking=1.0 + 5.0 * max(0.0, 1.0 - since_h / SOAKING_H),
        again=math.sqrt(max(1.0, PROBE_MEMORY_H / idle_h)),
    )


def _rained_lately(bed: Bed, site: Site, book: WeatherBook, now: datetime) -> bool:
    """Whether rain, measured or only forecast, may be why a probe has risen. Last night's still sinks in."""
    midnight, _ = day_bounds(bed.today.day, site.timezone)
    days = [bed.today]
    if bed.yesterday is not None and hours_between(midnight, now) <= SOAKING_H:
        days.append(bed.yesterday)
    told = (weather_on(book, site, ledger.day, now).rain_mm or 0.0 for ledger in days)
    return any(ledger.rain_mm > 0.0 for ledger in days) or any(mm >= RAIN_TO_NOTICE_MM for mm in told)


def _within_reach(estimate: Estimate, plants: Plants) -> Estimate:
    """Depletion cannot exceed what the roots can reach."""
    most_mm = plants.available_mm * estimate.holds_factor
    if estimate.depletion_mm <= most_mm:
        return estimate
    return replace(estimate, mean=(most_mm, *estimate.mean[1:]))


def _draw(bed: Bed, zone: Zone, site: Site, plants: Plants, until: datetime) -> Bed:
    """Plants and wet ground draw their share of the day between the bed's instant and `until`."""
    day = bed.today.day
    share = share_of_day(site, day, until) - share_of_day(site, day, bed.as_of)
    soil = zone.soil
    ground_mm = evaporation_mm(
        plants, bed.top_mm, bed.wetting, soil.total_evaporable_mm, soil.readily_evaporable_mm, share
    )
    wanted_mm = plants.transpiration_mm * share

    def use(depletion_mm: float, demand: float, holds: float) -> float:
        return _used_mm(plants, depletion_mm, demand, holds, wanted_mm, ground_mm)

    before = _within_reach(bed.estimate, plants)
    hours = hours_between(bed.as_of, until)
    after = lived(before, use, hours / 24.0, drain_days(zone))
    reached = _within_reach(after.estimate, plants)
    thirsty = share > 0.0 and plants.stress(before.depletion_mm, before.holds_factor) < 1.0
    today = bed.today
    return replace(
        bed,
        estimate=reached,
        as_of=until,
        balance_mm=bed.balance_mm - after.used_mm - after.drained_mm,
        drawn_mm=bed.drawn_mm + after.used_mm,
        drained_mm=bed.drained_mm + after.drained_mm,
        top_mm=min(soil.total_evaporable_mm, bed.top_mm + ground_mm / plants.exposed_by(bed.wetting)),
        today=replace(
            today,
            et0_mm=today.et0_mm + plants.open_et0_mm * share,
            demand_mm=today.demand_mm + before.demand_factor * (wanted_mm + ground_mm),
            used_mm=today.used_mm + after.used_mm,
            drained_mm=today.drained_mm + after.drained_mm,
            corrected_mm=today.corrected_mm
            + (before.depletion_mm - bed.depletion_mm)
            + (reached.depletion_mm - after.estimate.depletion_mm),
            stress_hours=today.stress_hours + (hours if thirsty else 0.0),
        ),
    )


def _draw_ahead(bed: Bed, zone: Zone, site: Site, plants: Plants, until: datetime) -> Bed:
    """The same for what is only expected, to an instant of the same day."""
    estimate, soil, day, at = bed.estimate, zone.soil, bed.today.day, bed.as_of
    demand, holds, passed = estimate.demand_factor, estimate.holds_factor, share_of_day(site, day, at)
    most_mm, in_days = plants.available_mm * holds, drain_days(zone)
    depletion_mm, top_mm = min(most_mm, estimate.depletion_mm), bed.top_mm
    while at < until:
        end = min(until, at + STEP_AHEAD)
        by_end, used_mm = share_of_day(site, day, end), 0.0
        if by_end > passed:
            ground_mm = evaporation_mm(
                plants, top_mm, bed.wetting, soil.total_evaporable_mm, soil.readily_evaporable_mm, by_end - passed
            )
            wanted_mm = plants.transpiration_mm * (by_end - passed)
            used_mm = _used_mm(plants, depletion_mm, demand, holds, wanted_mm, ground_mm)
            top_mm = min(soil.total_evaporable_mm, top_mm + ground_mm / plants.exposed_by(bed.wetting))
        depletion_mm = foreseen(depletion_mm, used_mm, hours_between(at, end) / 24.0, in_days)
        depletion_mm, passed, at = min(most_mm, depletion_mm), by_end, end
    return replace(bed, estimate=replace(estimate, mean=(depletion_mm, *estimate.mean[1:])), as_of=at, top_mm=top_mm)


def _used_mm(
    plants: Plants, depletion_mm: float, demand: float, holds: float, wanted_mm: float, ground_mm: float
) -> float:
    """What plants and ground take of what they would draw by the tables: less when it is dry, and never more than is
    left."""
    left_mm = max(0.0, plants.available_mm * holds - depletion_mm)
    return min(left_mm, demand * (plants.stress(depletion_mm, holds) * wanted_mm + ground_mm))


def _spared(
    before: Bed, bed: Bed, zone: Zone, site: Site, book: WeatherBook, plants: Plants, now: datetime
) -> Bed:
    """The bed with what hands have saved in a step added to its ledger: the demand without them less that with them."""
    day, until = before.today.day, bed.as_of
    share = share_of_day(site, day, until) - share_of_day(site, day, before.as_of)
    if share <= 0.0:
        return bed

    def saved_mm(states: tuple[str, ...]) -> float:
        hands = tuple(state for state in before.hands if state not in states)
        if hands == before.hands:
            return 0.0
        without = plants_on(zone, site, book, day, now, hands)
        more_mm = _demand_mm(before, zone, without, share) - _demand_mm(before, zone, plants, share)
        return bed.estimate.demand_factor * more_mm

    today = replace(
        bed.today,
        shade_spared_mm=bed.today.shade_spared_mm + saved_mm(SHADING),
        mulch_spared_mm=bed.today.mulch_spared_mm + saved_mm(MULCHING),
    )
    return replace(bed, today=today)


def _demand_mm(bed: Bed, zone: Zone, plants: Plants, share: float) -> float:
    """What plants and ground would draw in a share of the day by the tables."""
    soil = zone.soil
    return plants.transpiration_mm * share + evaporation_mm(
        plants, bed.top_mm, bed.wetting, soil.total_evaporable_mm, soil.readily_evaporable_mm, share
    )


def drain_days(zone: Zone) -> float:
    """Time in which water above field capacity falls to 1/e of it [days], by how well the soil leads water.

    A 0.3 m layer draining by Carsel & Parrish's curves has lost most of its excess after half a day in sand and two
    days in loam; the steps between are practice.
    """
    conductivity_mm_h = zone.soil.saturated_conductivity_mm_h
    return next((days for least_mm_h, days in DRAIN_DAYS if conductivity_mm_h >= least_mm_h), SLOWEST_DRAIN_DAYS)


def _close_day(bed: Bed, zone: Zone, site: Site, book: WeatherBook, now: datetime) -> Bed:
    """Midnight: credit the day's rain where no gauge did so as it fell (no gauge has been at a day still to come), and
    open the next day's ledger."""
    day = bed.today.day
    if not has_rain_gauge(site) or bed.as_of > now:
        rain_mm = rain_to_come_mm(bed, site, book, day, now)
        bed = rain_on(bed, rain_mm) if rain_mm > 0.0 else bed
    thirst_h = {each: hours for each, hours in bed.thirst_h.items() if (day - each).days < THIRST_DAYS}
    if bed.today.stress_hours > 0.0:
        thirst_h[day] = bed.today.stress_hours
    return replace(bed, yesterday=bed.today, today=DayLedger(day + timedelta(days=1)), thirst_h=thirst_h)
