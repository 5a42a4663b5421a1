"""A garden whose beds are AquaCrop's: for `seepward simulate --garden tests.bench.outside:CropGarden`, and `season`.

The config says which: the site's id is or begins with the climate of the record ("tunis", "tunis-school"); the
zone's texture is the soil; its crop one of ours that it has; `planted` begins the season, in a year of its record.
A zone with mulch has one that halves evaporation. Up to three probes a zone, at 10, 20 and 30 cm in the order of the
config; air thermometer and rain gauge as they are there.

AquaCrop lives a day at a time, water first. So its day ends in the last full hour before sunset: what comes after that
is the next day's water. Then the probes speak, once a day.
"""

import math
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta, timezone
from datetime import time as clock_time
from functools import lru_cache
from typing import Any

from controller.agronomy.reference_et import daily_et0, saturation_kpa
from controller.agronomy.sunlight import clear_sky_mj_m2, extraterrestrial_daily_mj_m2, sun_times
from controller.core.forecast import Forecast, Hour
from controller.settings import Settings
from controller.settings.tables import SensorTable, ZoneTable
from controller.sim.dice import ONE_DAY, dice
from tests.bench.field import CLIMATES, CROPS, Case, Climate, Field, unstressed, weather_of
from tests.bench.instruments import Instruments, Lie, Quality, Told

ONE_HOUR = timedelta(hours=1)
WARMEST_H = 15
"""Hour of the civil day at which a day is warmest; it is coolest twelve hours before."""
PROBE_DEPTHS_M = (0.10, 0.20, 0.30)
WIND_2M_M_S = (2.0, 0.5, 10.0)
WIND_10M_OVER_2M = 1.0 / 0.748
"""FAO-56 eq. 47."""


class CropGarden:
    """Beds of AquaCrop with cheap instruments. `GoodCropGarden` and `ExactCropGarden` have better ones."""

    quality: Quality = "cheap"

    def __init__(self, config: Settings, seed: int, *, quality: Quality | None = None, lie: Lie | None = None) -> None:
        self.zones = {zone.id: zone for zone in config.zone}
        self.cases = {zone.id: case_of(config, zone) for zone in config.zone}
        self.fields = {zone: Field(case) for zone, case in self.cases.items()}
        first = next(iter(self.cases.values()))
        self.sky = Sky(CLIMATES[first.climate], first.climate, seed)
        self.instruments = {
            zone: Instruments(case, quality or self.quality, seed, lie) for zone, case in self.cases.items()
        }
        self._station = self.instruments[config.zone[0].id]
        self._areas_m2 = {zone.id: zone.area_m2 for zone in config.build().zones}
        self._sensors = config.sensor
        self._passed_l = dict.fromkeys(self.zones, 0.0)
        self._forecast: Forecast | None = None
        self._said: list[tuple[str, bytes]] = []
        self._now: datetime | None = None

    # --- the methods of a garden ---

    def advance(self, until: datetime, litres: Mapping[str, float]) -> None:
        """Life goes on to `until`. Water that passes while a day ends belongs to that day."""
        for zone, amount in litres.items():
            self._passed_l[zone] += amount
        now = self._now or until - ONE_HOUR
        hour = _full_hour(now) + ONE_HOUR
        while hour <= until:
            self._at(hour)
            hour += ONE_HOUR
        self._now = until

    def messages(self) -> list[tuple[str, bytes]]:
        """What the sensors have said since the last call."""
        said, self._said = self._said, []
        return said

    def forecast(self, now: datetime) -> Forecast:
        """The forecast of this civil day, by the hour. One is issued each midnight."""
        issued = self.sky.civil(now).date()
        if self._forecast is None or self._forecast.hours[0].start != self.sky.midnight(issued):
            hours = [
                hour
                for ahead, told in enumerate(self._station.forecast(issued))
                for hour in self.sky.hours(issued + ahead * ONE_DAY, told)
            ]
            self._forecast = Forecast("record", now, tuple(hours))
        return self._forecast

    def summary(self) -> dict[str, Any]:
        """Yield and water of each bed."""
        return {"zones": {zone: self._account(zone) for zone in self.zones}}

    # --- days ---

    def _at(self, hour: datetime) -> None:
        """A full hour has come: the thermometer speaks, the gauge if rain fell, and in the last of light the beds have
        lived through their day."""
        day = self.sky.civil(hour).date()
        if day not in weather_of(self.sky.climate):
            return
        temperature_c, fallen_mm = self.sky.at(hour)
        self._say("air temperature", round(temperature_c, 1))
        if fallen_mm > 0.0:
            self._say("rain", round(self._station.gauge_mm(fallen_mm), 2))
        if hour == self.sky.day_end(day):
            self._live(day)

    def _live(self, day: date) -> None:
        for zone, field in self.fields.items():
            commanded_mm, self._passed_l[zone] = self._passed_l[zone] / self._areas_m2[zone], 0.0
            if day != field.day:
                continue
            field.step(self.instruments[zone].delivered_mm(commanded_mm, day))
            for number, sensor in enumerate(self._probes(zone)):
                value = self.instruments[zone].probe(number, PROBE_DEPTHS_M[min(number, 2)], field, day)
                if value is not None and sensor.topic is not None:
                    self._said.append((sensor.topic, f"{value:.4f}".encode()))

    def _probes(self, zone: str) -> list[SensorTable]:
        return [sensor for sensor in self._sensors if sensor.kind == "soil moisture" and sensor.zone == zone]

    def _say(self, kind: str, value: float) -> None:
        payload = str(value).encode()
        self._said += [(each.topic, payload) for each in self._sensors if each.kind == kind and each.topic is not None]

    def _account(self, zone: str) -> dict[str, Any]:
        field, case = self.fields[zone], self.cases[zone]
        if not field.finished:
            return {"finished": False}
        harvest, best = field.harvest, unstressed(case)
        return {
            "finished": True,
            "relative_yield": round(harvest.dry_t_ha / best.dry_t_ha, 4),
            "fresh_t_ha": round(harvest.fresh_t_ha, 2),
            "irrigation_mm": round(harvest.irrigation_mm, 1),
            "drainage_mm": round(harvest.drainage_mm, 1),
        }


class Sky:
    """A record's days by the hour: a temperature that swings once, and a shower before the light goes."""

    def __init__(self, place: Climate, climate: str, seed: int) -> None:
        self.place, self.climate = place, climate
        self._seed = seed
        self._showers: dict[date, tuple[int, int]] = {}

    def at(self, hour: datetime) -> tuple[float, float]:
        """The temperature at a full hour [degC], and the rain of the hour before it [mm]."""
        civil, before = self.civil(hour), self.civil(hour - ONE_HOUR)
        days = weather_of(self.climate)
        weather, then = days[civil.date()], days[before.date()]
        fallen_mm = then.rain_mm * self._rain_share(before.date(), before.hour)
        return _temperature_c(weather.tmin_c, weather.tmax_c, civil.hour), fallen_mm

    def hours(self, day: date, told: Told, *, rain_known: bool = True, humid: bool = False) -> list[Hour]:
        """A forecast day, hour by hour, such that FAO-56 makes the day's ET0 of it. humid: as humid as the climate
        that FAO-56's coefficients are for (45 % at least), where the night allows."""
        vapour_kpa = _vapour_kpa(told)
        if humid:
            vapour_kpa = min(saturation_kpa(told.tmin_c), 0.45 * saturation_kpa(told.tmax_c))
        wind_2m_m_s, solar_mj_m2 = weather_for(self.place, day.timetuple().tm_yday, told, vapour_kpa)
        sun = _sun_shares(self.place, day, self.midnight(day))
        hours = []
        for hour in range(24):
            temperature_c = _temperature_c(told.tmin_c, told.tmax_c, hour)
            hours.append(Hour(
                start=self.midnight(day) + hour * ONE_HOUR,
                temperature_c=temperature_c,
                humidity_percent=min(100.0, 100.0 * vapour_kpa / saturation_kpa(temperature_c)),
                wind_10m_m_s=wind_2m_m_s * WIND_10M_OVER_2M,
                solar_w_m2=solar_mj_m2 * sun[hour] / 0.0036,
                rain_mm=told.rain_mm * self._rain_share(day, hour) if rain_known else None,
                rain_probability=told.rain_chance if rain_known else None,
            ))
        return hours

    def day_end(self, day: date) -> datetime:
        """The last full hour before sunset."""
        return _full_hour(_sunset(self.place, day))

    def civil(self, instant: datetime) -> datetime:
        """The clock there; its zone is not to be believed."""
        return instant.astimezone(UTC) + self.place.hours_east * ONE_HOUR

    def midnight(self, day: date) -> datetime:
        """The instant at which a civil day begins."""
        return datetime.combine(day, clock_time(), UTC) - self.place.hours_east * ONE_HOUR

    def _rain_share(self, day: date, hour: int) -> float:
        """The share of the day's rain that falls in an hour."""
        if day not in self._showers:
            last = self.civil(self.day_end(day)).hour
            chance = dice(self._seed, "shower", day)
            begin = chance.randrange(0, last)
            self._showers[day] = (begin, min(last, begin + chance.randrange(1, 7)))
        begin, end = self._showers[day]
        return 1.0 / (end - begin) if begin <= hour < end else 0.0


class GoodCropGarden(CropGarden):
    """With good instruments."""

    quality: Quality = "good"


class ExactCropGarden(CropGarden):
    """With instruments and a forecast that do not err."""

    quality: Quality = "exact"


def case_of(config: Settings, zone: ZoneTable) -> Case:
    """The season that a zone of a config asks for. ValueError if AquaCrop has none such."""
    climate = next((name for name in CLIMATES if f"{config.site.id}-".startswith(f"{name.replace('_', '-')}-")), None)
    named = zone.crop if isinstance(zone.crop, str) else zone.crop.like
    crop = next((name for name, plant in CROPS.items() if plant.ours == named), None)
    soil = zone.soil if isinstance(zone.soil, str) or zone.soil is None else zone.soil.texture
    if climate is None:
        raise ValueError(f'site "{config.site.id}" is no climate of the record; there are {", ".join(CLIMATES)}')
    if crop is None or soil is None or zone.planted is None:
        known = ", ".join(plant.ours for plant in CROPS.values())
        raise ValueError(f'zone "{zone.id}" needs soil, planted and one of these crops: {known}')
    return Case(climate, soil, crop, zone.planted, zone.mulch is not None)


@lru_cache(maxsize=4096)
def weather_for(place: Climate, day_of_year: int, told: Told, vapour_kpa: float) -> tuple[float, float]:
    """Wind at 2 m [m/s] and sunshine [MJ/m2] from which FAO-56 makes the ET0 told, at the temperatures told.

    The record has ET0 and not what it was made of: this only writes it in the words of a forecast. Sunshine first,
    within what a day can have; where that is not enough, wind. What is left then stays off.
    """
    clear_mj_m2 = clear_sky_mj_m2(extraterrestrial_daily_mj_m2(place.latitude_deg, day_of_year), place.elevation_m)

    def et0_mm(wind_2m_m_s: float, solar_mj_m2: float) -> float:
        return daily_et0(
            tmax_c=told.tmax_c,
            tmin_c=told.tmin_c,
            latitude_deg=place.latitude_deg,
            elevation_m=place.elevation_m,
            day_of_year=day_of_year,
            vapour_kpa=vapour_kpa,
            wind_2m_m_s=wind_2m_m_s,
            solar_mj_m2=solar_mj_m2,
        ).mm

    usual, least, most = WIND_2M_M_S
    # In sunshine ET0 is a straight line.
    low_mj_m2 = 0.3 * clear_mj_m2
    low_mm, high_mm = et0_mm(usual, low_mj_m2), et0_mm(usual, clear_mj_m2)
    share = (told.et0_mm - low_mm) / (high_mm - low_mm)
    solar_mj_m2 = low_mj_m2 + min(1.0, max(0.0, share)) * (clear_mj_m2 - low_mj_m2)
    if 0.0 <= share <= 1.0:
        return usual, solar_mj_m2
    for _ in range(12):
        wind_2m_m_s = (least + most) / 2.0
        enough = et0_mm(wind_2m_m_s, solar_mj_m2) >= told.et0_mm
        least, most = (least, wind_2m_m_s) if enough else (wind_2m_m_s, most)
    return (least + most) / 2.0, solar_mj_m2


def _vapour_kpa(told: Told) -> float:
    """Dew point at the minimum, 2 K below it in a dry place (FAO-56 p. 36): told by how far the day swings."""
    return saturation_kpa(told.tmin_c - (2.0 if told.tmax_c - told.tmin_c > 10.0 else 0.0))


def _temperature_c(tmin_c: float, tmax_c: float, hour: int) -> float:
    return (tmin_c + tmax_c) / 2.0 + (tmax_c - tmin_c) / 2.0 * math.cos(2.0 * math.pi * (hour - WARMEST_H) / 24.0)


@lru_cache(maxsize=4096)
def _sunset(place: Climate, day: date) -> datetime:
    civil = timezone(place.hours_east * ONE_HOUR)
    found = sun_times(place.latitude_deg, place.longitude_deg, day, civil)
    return found.sunset or found.noon + 6 * ONE_HOUR


@lru_cache(maxsize=4096)
def _sun_shares(place: Climate, day: date, midnight: datetime) -> tuple[float, ...]:
    """The share of the day's sunshine in each of its hours: half a sine between six hours before noon and after."""
    noon = sun_times(place.latitude_deg, place.longitude_deg, day, timezone(place.hours_east * ONE_HOUR)).noon
    heights = [
        max(0.0, math.cos(math.pi * (midnight + hour * ONE_HOUR - noon + ONE_HOUR / 2) / timedelta(hours=13)))
        if abs(midnight + hour * ONE_HOUR - noon + ONE_HOUR / 2) < timedelta(hours=6.5) else 0.0
        for hour in range(24)
    ]
    return tuple(height / sum(heights) for height in heights)


def _full_hour(instant: datetime) -> datetime:
    return instant.replace(minute=0, second=0, microsecond=0)
