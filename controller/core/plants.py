"""What the plants of a zone are like on a day: their roots, the water within reach, and what they and their soil draw.

Demand is by the dual crop coefficient (FAO-56 chapter 7): transpiration by the basal coefficient, evaporation of the
wet bare ground by its own. Shade, mulch and shelter change it, as config, season and the gardener's hands have it.
Under drip only part of the ground is wetted, and that part is what the roots live from: Keller & Karmeli 1974 take the
available water times the wetted share, and so does this.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache

from controller.agronomy.crop import basal_coefficient, climate_adjusted, root_depth_m
from controller.agronomy.dual_crop import (
    ceiling,
    covered_fraction,
    evaporation_coefficient,
    evaporation_reduction,
    exposed_fraction,
    exposed_fraction_drip,
)
from controller.agronomy.reference_et import saturation_kpa
from controller.agronomy.root_zone import (
    available_water_mm,
    depletion_fraction,
    readily_available_mm,
    stress_coefficient,
)
from controller.core.hands import CLEARED, POTS_MOVED, SHADE_UP, mulch_on
from controller.core.moment import local_midnight
from controller.core.recall import recalled
from controller.core.site import Shade, Site, Zone
from controller.core.weather import DayWeather, WeatherBook, et0_of, et0_under, share_of_day, weather_on

UNKNOWN_RH_MIN_PERCENT = 25.0
"""Minimum humidity of a dry summer day when nobody measured it (common practice, no source)."""
LEAST_WETTED = 0.2
"""Share of its ground that a line is taken to wet at the least: roots gather where the water is, and a store much
smaller than the bed would be refilled by the hour (common practice, no source)."""
PROBED_M = 0.4
"""A probe stands in the upper ground, where roots draw most: what the plants drink and what they are given shows down
to about this depth at first (two fifths of it come from the upper quarter of the root zone, seven tenths from the upper
half: the 4-3-2-1 rule of the trade, from memory)."""
ROOTS_OF_SEEDLINGS_M = 0.20
"""Depth that a seedling's or transplant's roots are trusted with until it is established (FAO-56: 0.15 to 0.20 m)."""


@dataclass(frozen=True, slots=True)
class Plants:
    """A zone's plants on a day. Depths are means over the zone's area.

    et0_mm: reference evapotranspiration under the zone's shade; open_et0_mm: in the open. kcb: basal coefficient of the
    stage, moved to the day's climate. kc_max: its ceiling with evaporation. covered: share of the ground under leaves;
    exposed: share that is bare and wetted by the line. evaporation_factor: what mulch leaves of evaporation. wetted:
    share of the ground that the line wets. root_depth_m, available_mm (TAW), fraction (p). shade: share of the day's
    sun that is taken from it.
    """

    et0_mm: float
    open_et0_mm: float
    kcb: float
    kc_max: float
    covered: float
    exposed: float
    evaporation_factor: float
    wetted: float
    root_depth_m: float
    available_mm: float
    fraction: float
    shade: float

    @property
    def transpiration_mm(self) -> float:
        """What the plants would transpire in the day with water enough."""
        return self.kcb * self.et0_mm

    @property
    def readily_mm(self) -> float:
        return readily_available_mm(self.available_mm, self.fraction)

    def exposed_by(self, wetting: float) -> float:
        """Share of the ground bare and wet when the last water wetted `wetting` of it: rain wets more than the line."""
        return self.exposed if wetting <= self.wetted else exposed_fraction(self.covered, wetting)

    @property
    def scale_mm(self) -> float:
        """Depletion over the zone for one m3/m3 in the wetted ground."""
        return 1000.0 * self.root_depth_m * self.wetted

    def probed_mm(self, depletion_mm: float) -> float:
        """The same for one m3/m3 at a probe: of the upper ground only, until that has nothing left to give."""
        held = self.available_mm / self.scale_mm
        upper_mm = 1000.0 * min(self.root_depth_m, PROBED_M) * self.wetted
        return min(self.scale_mm, max(upper_mm, depletion_mm / held))

    def stress(self, depletion_mm: float, holds: float = 1.0) -> float:
        """Ks (FAO-56 eq. 84). holds: the bed's available water as a multiple of the table's."""
        return stress_coefficient(depletion_mm, self.available_mm * holds, self.fraction)


def plants_on(
    zone: Zone, site: Site, book: WeatherBook, day: date, now: datetime, hands: Sequence[str] = ()
) -> Plants:
    """A zone's plants on a day, as the weather of that day is known at `now`. hands: what the gardener has done."""
    return _plants(zone, site, weather_on(book, site, day, now), et0_of(book, site, day, now).mm, tuple(hands))


def kcb_how(zone: Zone) -> str:
    """Where a zone's basal coefficient comes from."""
    if zone.crop.kcb_months:
        return f"{zone.crop.name}, of the month as configured"
    return f"{zone.crop.name}, by its stage and this climate (FAO-56 eqs. 66, 70)"


@recalled(facts=3)
def _plants(zone: Zone, site: Site, weather: DayWeather, open_et0_mm: float, hands: tuple[str, ...]) -> Plants:
    day = weather.day
    shade, wind_factor = shade_on(zone, site, day, hands)
    et0_mm = open_et0_mm if shade == 0.0 and wind_factor == 1.0 else et0_under(weather, site, shade, wind_factor)
    age_days = zone.age_days(day)
    wind_2m_m_s = 2.0 if weather.wind_2m_m_s is None else weather.wind_2m_m_s * wind_factor
    rh_min_percent = _rh_min_percent(weather)
    by_calendar = zone.crop.kcb_months
    by_stage = by_calendar[day.month - 1] if by_calendar else basal_coefficient(zone.crop, age_days)
    # A month's figure is of its place: there is nothing to adjust.
    kcb = by_stage if by_calendar else climate_adjusted(by_stage, wind_2m_m_s, rh_min_percent, zone.crop.height_m)
    kcb = 0.0 if CLEARED in hands else kcb
    kc_max = ceiling(wind_2m_m_s, rh_min_percent, zone.crop.height_m, kcb)
    wetted = wetted_share(zone)
    covered = covered_fraction(kcb, kc_max, zone.crop.height_m)
    exposed_by = exposed_fraction if zone.line.kind == "micro-spray" else exposed_fraction_drip
    roots_m = roots_on(zone, day)
    available_mm = available_water_mm(zone.soil.field_capacity, zone.soil.wilting_point, roots_m) * wetted
    return Plants(
        et0_mm=et0_mm,
        open_et0_mm=open_et0_mm,
        kcb=kcb,
        kc_max=kc_max,
        covered=covered,
        exposed=exposed_by(covered, wetted),
        evaporation_factor=_evaporation_factor(zone, hands),
        wetted=wetted,
        root_depth_m=roots_m,
        available_mm=available_mm,
        fraction=depletion_fraction(zone.crop.depletion_fraction, kcb * et0_mm),
        shade=shade,
    )


def roots_on(zone: Zone, day: date) -> float:
    """Depth of the roots [m]: as configured, else by the curve of the crop; shallow while tender plants settle in."""
    if zone.root_depth_m is not None:
        return zone.root_depth_m
    age_days = zone.age_days(day)
    roots_m = root_depth_m(zone.crop, age_days)
    return min(roots_m, ROOTS_OF_SEEDLINGS_M) if is_tender(zone, day) else roots_m


def is_tender(zone: Zone, day: date) -> bool:
    """Whether the zone's seedlings or newly planted are not established yet on that day."""
    return zone.tender and (zone.tender_until is None or day < zone.tender_until)


def wetted_share(zone: Zone) -> float:
    """Share of the zone's ground that its line wets (Keller & Karmeli's Pw), 0.2 to 1; pots are wetted whole."""
    if zone.pots is not None:
        return 1.0
    wetted_m2 = zone.line.flow_l_min * 60.0 / zone.line.rate_mm_h
    return max(LEAST_WETTED, min(1.0, wetted_m2 / zone.area_m2))


def evaporation_mm(
    plants: Plants, top_mm: float, wetting: float, total_mm: float, readily_mm: float, share: float
) -> float:
    """What the bare wet ground evaporates in a share of the day, over the zone [mm] (FAO-56 eqs. 71, 74).

    top_mm: depletion of the wetted top layer; wetting: share of the ground wetted last; total_mm, readily_mm: TEW, REW.
    Never more than the layer still holds, so that no water is made.
    """
    exposed = plants.exposed_by(wetting)
    reduction = evaporation_reduction(min(top_mm, total_mm), readily_mm, total_mm)
    ke = evaporation_coefficient(reduction, plants.kc_max, plants.kcb, exposed)
    possible_mm = ke * plants.et0_mm * share * plants.evaporation_factor
    return max(0.0, min(possible_mm, exposed * (total_mm - top_mm)))


def shade_on(zone: Zone, site: Site, day: date, hands: Sequence[str]) -> tuple[float, float]:
    """Share of the day's sun that is taken from the zone, and the factor on its wind. Shadows that fall together both
    count: what is left is what each leaves."""
    left, wind_factor = 1.0, 1.0
    for shade in zone.shades:
        if (shade.months and day.month not in shade.months) or (shade.by_hand and SHADE_UP not in hands):
            continue
        left *= 1.0 - shade.share * _share_of_hours(shade, site, day)
        wind_factor *= shade.wind_factor
    if zone.pots is not None and POTS_MOVED in hands:
        left *= 1.0 - zone.pots.shade
    return 1.0 - left, wind_factor


def _share_of_hours(shade: Shade, site: Site, day: date) -> float:
    """The share of the day's sun that falls in the hours of a shadow."""
    if shade.hours is None:
        return 1.0
    midnight = local_midnight(day, site.timezone)
    begin, end = (
        midnight.astimezone(site.timezone).replace(hour=clock.hour, minute=clock.minute)
        for clock in (shade.hours.start, shade.hours.until)
    )
    part = share_of_day(site, day, end) - share_of_day(site, day, begin)
    return part if part >= 0.0 else 1.0 + part


def _evaporation_factor(zone: Zone, hands: Sequence[str]) -> float:
    mulch = mulch_on(zone, hands)
    return 1.0 if mulch is None else mulch.evaporation_factor


@lru_cache(maxsize=256)
def _rh_min_percent(weather: DayWeather) -> float:
    """Minimum humidity of the day, from its mean vapour pressure and its maximum temperature (FAO-56 eq. 64's form)."""
    if weather.vapour_kpa is None:
        return UNKNOWN_RH_MIN_PERCENT
    return min(100.0, 100.0 * weather.vapour_kpa / saturation_kpa(weather.tmax_c))
