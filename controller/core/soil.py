"""Stage 1: weather, water and readings in; the soil water of each bed out, with how unsure it is.

The balance runs on between readings: demand takes water by day, rain and irrigation bring it, what exceeds field
capacity drains. A probe corrects the balance by a one-number Kalman filter: what is known better weighs more. A
probe's error is mostly the same from hour to hour (placement, calibration), so many readings of one probe in a day
count as little more than one; else a liar that speaks often would win.
"""

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from controller.agronomy.crop import crop_coefficient, root_depth_m
from controller.agronomy.rainfall import effective_daily_mm
from controller.agronomy.root_zone import (
    available_water_mm,
    daily_balance,
    depletion_fraction,
    readily_available_mm,
)
from controller.core.garden import Bed, DayLedger, Probe
from controller.core.moment import day_bounds, hours_between, local_date
from controller.core.site import Sensor, Site, Zone
from controller.core.weather import DayWeather, WeatherBook, et0_of, share_of_day, weather_on

STEP = timedelta(hours=2)
DEMAND_SD = 0.15
"""Table demand is right to about this share of itself (common practice, no source)."""
WATER_SD = 0.10
"""What a line gives is known to about this share of itself."""
PROBE_MEMORY_H = 24.0
"""Readings of one probe within this time share most of their error."""
GATE_SD = 4.0
"""A reading this many standard deviations from the balance is doubted until the balance has grown as unsure."""
STUCK_H = 24.0


@dataclass(frozen=True, slots=True)
class Plants:
    """What the plants of a zone are like on a day: demand in mm/day, roots in m, water within their reach in mm."""

    et0_mm: float
    kc: float
    root_depth_m: float
    available_mm: float
    fraction: float

    @property
    def demand_mm(self) -> float:
        return self.kc * self.et0_mm

    @property
    def readily_mm(self) -> float:
        return readily_available_mm(self.available_mm, self.fraction)


def plants_on(zone: Zone, day: date, et0_mm: float) -> Plants:
    """Crop coefficient, roots and available water of a zone on a day of that reference evapotranspiration.

    FAO-56: eq. 66 (coefficient by stage), eq. 82 (available water), note of Table 22 (p by the day's demand).
    """
    # A day before planting (a clock in the past, a date ahead in the config) is taken for the day itself.
    age_days = max(0, (day - zone.planted).days) if zone.planted is not None else None
    roots_m = zone.root_depth_m or root_depth_m(zone.crop, age_days)
    kc = crop_coefficient(zone.crop, age_days)
    available_mm = available_water_mm(zone.soil.field_capacity, zone.soil.wilting_point, roots_m)
    return Plants(et0_mm, kc, roots_m, available_mm, depletion_fraction(zone.crop.depletion_fraction, kc * et0_mm))


def new_bed(zone: Zone, site: Site, now: datetime) -> Bed:
    """A bed nobody has told us about: half of its readily available water gone, and very unsure."""
    day = local_date(now, site.timezone)
    plants = plants_on(zone, day, 5.0)
    return Bed(
        zone=zone.id,
        depletion_mm=plants.readily_mm / 2,
        sd_mm=plants.available_mm / 3,
        as_of=now,
        today=DayLedger(day),
    )


def advance(bed: Bed, zone: Zone, site: Site, book: WeatherBook, until: datetime, now: datetime) -> Bed:
    """The bed at `until`, without further water or readings. `now` says how old the forecast is.

    Steps end at civil midnights, where the day's ledger is closed and its rain is credited if no gauge has been.
    """
    while bed.as_of < until:
        _, day_end = day_bounds(bed.today.day, site.timezone)
        step_end = min(until, day_end, bed.as_of + STEP)
        bed = _draw(bed, zone, site, book, step_end, now)
        if step_end == day_end:
            bed = _close_day(bed, zone, site, book, now)
    return bed


def wet(bed: Bed, zone: Zone, net_mm: float, at: datetime) -> Bed:
    """The bed after `net_mm` of irrigation has reached the root zone."""
    drained_mm = max(0.0, net_mm - bed.depletion_mm)
    return replace(
        bed,
        depletion_mm=max(0.0, bed.depletion_mm - net_mm),
        sd_mm=bed.sd_mm + WATER_SD * net_mm,
        last_wetted=at,
        today=replace(
            bed.today,
            irrigation_net_mm=bed.today.irrigation_net_mm + net_mm,
            drained_mm=bed.today.drained_mm + drained_mm,
        ),
    )


def rain_on(bed: Bed, rain_mm: float) -> Bed:
    """The bed after rain: what is above field capacity drains."""
    drained_mm = max(0.0, rain_mm - bed.depletion_mm)
    return replace(
        bed,
        depletion_mm=max(0.0, bed.depletion_mm - rain_mm),
        today=replace(bed.today, rain_mm=bed.today.rain_mm + rain_mm, drained_mm=bed.today.drained_mm + drained_mm),
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


def rain_to_come_mm(bed: Bed, site: Site, book: WeatherBook, day: date, now: datetime) -> float:
    """The part of a day's expected rain that the bed has not been credited with yet."""
    weather = weather_on(book, site, day, now)
    whole_mm = expected_rain_mm(weather, et0_of(book, site, day, now).mm, site.watering.rain_sure)
    return max(0.0, whole_mm - bed.today.rain_mm) if day == bed.today.day else whole_mm


def notice(
    bed: Bed, probe: Probe, sensor: Sensor, zone: Zone, site: Site, book: WeatherBook, now: datetime
) -> tuple[Bed, Probe]:
    """What a moisture probe's last reading changes: the bed's depletion, and the trust in the probe.

    A stuck probe (not the slightest change for a day, or through a watering that must have moved it) and one that
    disagrees wildly with the balance correct nothing.
    """
    if probe.value is None or probe.at is None:
        return bed, probe
    plants = plants_on(zone, bed.today.day, et0_of(book, site, bed.today.day, now).mm)
    scale_mm = 1000.0 * plants.root_depth_m
    if _stuck(probe, bed):
        return bed, replace(probe, trust=0.0, word="stuck")
    told_mm = (zone.soil.field_capacity - probe.value) * scale_mm
    idle_h = PROBE_MEMORY_H if probe.used_at is None else max(0.05, hours_between(probe.used_at, probe.at))
    noise_mm2 = (sensor.sd * scale_mm) ** 2 * max(1.0, PROBE_MEMORY_H / idle_h)
    surprise_mm = told_mm - bed.depletion_mm
    spread_mm = (bed.sd_mm**2 + (sensor.sd * scale_mm) ** 2) ** 0.5
    if abs(surprise_mm) > GATE_SD * spread_mm:
        return bed, replace(probe, trust=0.2, word="doubtful")
    gain = bed.sd_mm**2 / (bed.sd_mm**2 + noise_mm2)
    corrected = min(plants.available_mm, max(0.0, bed.depletion_mm + gain * surprise_mm))
    bed = replace(
        bed,
        depletion_mm=corrected,
        sd_mm=bed.sd_mm * (1.0 - gain) ** 0.5,
        today=replace(bed.today, corrected_mm=bed.today.corrected_mm + corrected - bed.depletion_mm),
    )
    return bed, replace(probe, used_at=probe.at, trust=1.0, word="good")


def _stuck(probe: Probe, bed: Bed) -> bool:
    if probe.same_since is None or probe.at is None:
        return False
    same_h = hours_between(probe.same_since, probe.at)
    slept_through = (
        bed.last_wetted is not None
        and probe.same_since < bed.last_wetted
        and hours_between(bed.last_wetted, probe.at) > 2.0
        and bed.last_litres > 0.0
        and same_h > 3.0
    )
    return same_h >= STUCK_H or slept_through


def _draw(bed: Bed, zone: Zone, site: Site, book: WeatherBook, until: datetime, now: datetime) -> Bed:
    """The plants draw their share of the day's demand between the bed's instant and `until`."""
    day = bed.today.day
    et0_mm = et0_of(book, site, day, now).mm
    plants = plants_on(zone, day, et0_mm)
    share = share_of_day(site, day, until) - share_of_day(site, day, bed.as_of)
    if share <= 0.0:
        return replace(bed, as_of=until)
    # Where roots have shrunk (an edited config), depletion cannot exceed what is left: booked as a correction.
    within_mm = min(bed.depletion_mm, plants.available_mm)
    after = daily_balance(
        within_mm, available_mm=plants.available_mm, fraction=plants.fraction, etc_mm=plants.demand_mm * share
    )
    stressed_h = hours_between(bed.as_of, until) if after.stress < 1.0 else 0.0
    return replace(
        bed,
        depletion_mm=after.depletion_mm,
        sd_mm=min(plants.available_mm / 2, bed.sd_mm + DEMAND_SD * after.et_mm),
        as_of=until,
        today=replace(
            bed.today,
            et0_mm=bed.today.et0_mm + et0_mm * share,
            demand_mm=bed.today.demand_mm + plants.demand_mm * share,
            used_mm=bed.today.used_mm + after.et_mm,
            corrected_mm=bed.today.corrected_mm + within_mm - bed.depletion_mm,
            stress_hours=bed.today.stress_hours + stressed_h,
        ),
    )


def _close_day(bed: Bed, zone: Zone, site: Site, book: WeatherBook, now: datetime) -> Bed:
    """Midnight: credit the day's rain where no gauge did so as it fell (no gauge has been at a day still to come), and
    open the next day's ledger."""
    day = bed.today.day
    if not has_rain_gauge(site) or bed.as_of > now:
        bed = rain_on(bed, rain_to_come_mm(bed, site, book, day, now))
    return replace(bed, yesterday=bed.today, today=DayLedger(day + timedelta(days=1)))


def has_rain_gauge(site: Site) -> bool:
    """Whether the site measures its own rain."""
    return any(sensor.kind == "rain" for sensor in site.sensors)
