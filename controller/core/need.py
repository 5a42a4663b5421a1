"""Stage 2: soil state and weather in, what each zone is owed out, in mm and litres, with the reasons.

The dawn soak refills what is missing. On ordinary days it waits until the day would take the bed past its readily
available water, and leaves a little room for rain. With heat coming it does not wait and fills to field capacity.
The dusk refresh follows a hot day where it has drawn more than half of what is easily drawn.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from controller.agronomy.drip import gross_mm as gross_depth_mm
from controller.core.garden import Bed, Figure, Need, Purpose
from controller.core.site import Site, Zone
from controller.core.soil import Plants, plants_on, rain_to_come_mm
from controller.core.weather import DayWeather, WeatherBook, et0_of, weather_on

RAIN_ROOM = 0.10
"""Share of the readily available water left empty on ordinary days, so that a shower is not wasted."""
TENDER = 0.5
"""Seedlings are watered at this share of the depletion that others wait for (common practice, no source)."""
REFRESH_FROM = 0.5
REFRESH_TO = 0.25
REFRESH_SHARE = 0.5
"""A refresh is small: at most this share of the day's demand."""


@dataclass(frozen=True, slots=True)
class View:
    """Everything a need is judged by: the zone, its bed at the hour of the watering, the day and its weather.

    rain_mm: rain of the day that may be counted on and that the bed has not had yet.
    """

    site: Site
    zone: Zone
    bed: Bed
    day: date
    weather: DayWeather
    plants: Plants
    et0_how: str
    hot_ahead: DayWeather | None
    rain_mm: float

    @property
    def hot(self) -> bool:
        """Whether the day itself is a hot one."""
        return self.weather.tmax_c >= self.site.heat.hot_day_c


def view(site: Site, zone: Zone, bed: Bed, book: WeatherBook, day: date, now: datetime) -> View:
    """Gather what a need on that day is judged by."""
    et0 = et0_of(book, site, day, now)
    ahead = [weather_on(book, site, day + timedelta(days=n), now) for n in range(site.heat.days_before + 1)]
    hot = next((weather for weather in ahead if weather.tmax_c >= site.heat.hot_day_c), None)
    how = et0.method + (f"; {'; '.join(et0.assumed)}" if et0.assumed else "")
    rain_mm = rain_to_come_mm(bed, site, book, day, now)
    return View(site, zone, bed, day, ahead[0], plants_on(zone, day, et0.mm), how, hot, rain_mm)


def dawn_need(seen: View) -> Need | None:
    """What the dawn soak of the day should give a zone; None if it can wait."""
    plants, bed = seen.plants, seen.bed
    by_dusk_mm = bed.depletion_mm + plants.demand_mm - seen.rain_mm
    limit_mm = plants.readily_mm * (TENDER if seen.zone.tender else 1.0)
    if seen.hot_ahead is None and by_dusk_mm <= limit_mm:
        return None
    room_mm = 0.0 if seen.hot_ahead is not None else RAIN_ROOM * plants.readily_mm
    net_mm = bed.depletion_mm - room_mm - seen.rain_mm
    reasons = [_dryness(seen), _demand(seen)]
    if seen.hot_ahead is not None:
        reasons.append(
            f"Heat is coming: {seen.hot_ahead.tmax_c:.0f} °C on {seen.hot_ahead.day:%A} "
            f"({seen.hot_ahead.basis}), so the soak fills the root zone."
        )
    else:
        whose = "half of the" if seen.zone.tender else "the"
        reasons.append(f"By dusk {by_dusk_mm:.1f} mm would be missing, past {whose} easily drawn {limit_mm:.1f} mm.")
    if seen.rain_mm > 0:
        reasons.append(f"{seen.rain_mm:.1f} mm of rain is as good as certain, so that much less is given.")
    figures = (
        *_state(seen),
        Figure("missing by dusk", by_dusk_mm, "mm", "Dr + ETc - rain that counts"),
        Figure("room left for rain", room_mm, "mm", f"{RAIN_ROOM:.0%} of RAW on ordinary days, none before heat"),
    )
    return _need(seen, "dawn soak", net_mm, reasons, figures)


def dusk_need(seen: View) -> Need | None:
    """What the dusk refresh of a hot day should give a zone; None on other days, and where enough is left."""
    plants, bed = seen.plants, seen.bed
    if not seen.zone.dusk_refresh or not seen.hot:
        return None
    if bed.depletion_mm <= REFRESH_FROM * plants.readily_mm:
        return None
    cap_mm = REFRESH_SHARE * plants.demand_mm
    net_mm = min(bed.depletion_mm - REFRESH_TO * plants.readily_mm, cap_mm)
    reasons = [
        f"{seen.day:%A} reaches {seen.weather.tmax_c:.0f} °C ({seen.weather.basis}), a hot day "
        f"(from {seen.site.heat.hot_day_c:.0f} °C).",
        _dryness(seen),
        f"More than half of the easily drawn {plants.readily_mm:.1f} mm is gone, so the plants get a refresh "
        "to take up overnight.",
    ]
    figures = (
        *_state(seen),
        Figure("most of a refresh", cap_mm, "mm", f"{REFRESH_SHARE:.0%} of the day's ETc"),
    )
    return _need(seen, "dusk refresh", net_mm, reasons, figures)


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
    least_mm = seen.site.watering.least_depth_mm
    if net_mm < least_mm:
        return None
    zone = seen.zone
    drinks_mm = zone.mulch.drinks_mm if zone.mulch is not None else 0.0
    gross_mm = gross_depth_mm(net_mm, zone.line.efficiency) + drinks_mm
    if drinks_mm > 0:
        reasons = [
            *reasons,
            f"The mulch over the line drinks the first {drinks_mm:.1f} mm; pull it back to save that.",
        ]
    litres = gross_mm * zone.area_m2
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
            Figure(
                "gross depth",
                gross_mm,
                "mm",
                f"net / {zone.line.efficiency:.2f} of the line + {drinks_mm:.1f} mulch",
            ),
            Figure("water", litres, "L", f"gross depth x {zone.area_m2:g} m2"),
        ),
    )


def _dryness(seen: View) -> str:
    plants = seen.plants
    return (
        f"{seen.bed.depletion_mm:.1f} mm of the {plants.available_mm:.0f} mm that the roots can reach is missing "
        f"(give or take {seen.bed.sd_mm:.1f})."
    )


def _demand(seen: View) -> str:
    return (
        f"{seen.day:%A} draws about {seen.plants.demand_mm:.1f} mm "
        f"(up to {seen.weather.tmax_c:.0f} °C, {seen.weather.basis})."
    )


def _state(seen: View) -> tuple[Figure, ...]:
    plants, zone = seen.plants, seen.zone
    return (
        Figure("ET0", plants.et0_mm, "mm/day", f"{seen.et0_how}; from the {seen.weather.basis}"),
        Figure("Kc", plants.kc, "", f"{zone.crop.name}, by its stage (FAO-56 eq. 66)"),
        Figure("ETc", plants.demand_mm, "mm/day", "Kc x ET0"),
        Figure("Zr", plants.root_depth_m, "m", "depth of the roots"),
        Figure(
            "TAW",
            plants.available_mm,
            "mm",
            f"1000 x ({zone.soil.field_capacity:.3f} - {zone.soil.wilting_point:.3f}) x Zr (eq. 82)",
        ),
        Figure("p", plants.fraction, "", "depletion fraction by the day's demand (note of Table 22)"),
        Figure("RAW", plants.readily_mm, "mm", "p x TAW (eq. 83)"),
        Figure("Dr", seen.bed.depletion_mm, "mm", f"balance and probes, +- {seen.bed.sd_mm:.1f}"),
        Figure("rain that counts", seen.rain_mm, "mm", "of the day, as good as certain, not yet in Dr"),
    )
