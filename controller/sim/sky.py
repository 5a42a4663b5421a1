"""The true weather of a simulated garden: any hot-summer place, any day, hour by hour, the same for a seed.

Each day has a highest and a lowest temperature, a dew point, a wind, a cloud cover and its rain. They follow
the season, remember the days before, and rise in hot spells. Hours lie on a curve from one day's low over its
high to the next low; the hour that holds the high shows exactly the high. A script can dictate days.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import NamedTuple, Protocol

from controller.core.forecast import Hour
from controller.core.moment import local_date, local_midnight
from controller.core.site import MonthNormal
from controller.sim.dice import ONE_DAY, STANDARD_NORMAL, dice, persistent
from controller.sim.sun import (
    clear_sky_w_m2,
    equation_of_time_min,
    half_day_h,
    sine_of_elevation,
    solar_time_h,
    through_cloud,
)

ONE_HOUR = timedelta(hours=1)
HOTTEST_DAY = 205            # day of the year, northern half; 24 July
HOTTEST_AT_SOLAR_H = 15.0
LONGEST_SPELL_DAYS = 7


class Place(Protocol):
    """What the sky must know of a site; `core.site.Site` is one."""

    @property
    def latitude_deg(self) -> float: ...
    @property
    def longitude_deg(self) -> float: ...
    @property
    def elevation_m(self) -> float: ...
    @property
    def timezone(self) -> tzinfo: ...
    @property
    def normals(self) -> tuple[MonthNormal, ...]: ...


@dataclass(frozen=True, slots=True)
class DayScript:
    """A day as it is dictated. None leaves that part to the generator.

    tmax_c, tmin_c: highest and lowest hourly temperature of the civil day [degC].
    rain_mm: rain of the civil day. cloud: mean cover, 0 to 1. wind_10m_m_s: daily mean. dew_point_c: all day.
    """

    tmax_c: float
    tmin_c: float
    rain_mm: float | None = 0.0
    cloud: float | None = None
    wind_10m_m_s: float | None = None
    dew_point_c: float | None = None


Script = Mapping[date, DayScript]


def scripted(first: date, days: Sequence[DayScript]) -> dict[date, DayScript]:
    """Consecutive dictated days from `first` on."""
    return {first + offset * ONE_DAY: day for offset, day in enumerate(days)}


def hot_week(monday: date) -> dict[date, DayScript]:
    """A heat wave of the inland Alentejo: mild Monday, 39 to 43 degC Thursday to Saturday, rain on Sunday.

    Invented for the demonstration; seven days from the date given.
    """
    return scripted(monday, (
        DayScript(31.0, 15.5, cloud=0.15, wind_10m_m_s=3.6, dew_point_c=12.5),
        DayScript(33.5, 16.5, cloud=0.05, wind_10m_m_s=3.2, dew_point_c=12.0),
        DayScript(36.5, 18.5, cloud=0.00, wind_10m_m_s=3.0, dew_point_c=11.0),
        DayScript(39.5, 21.0, cloud=0.00, wind_10m_m_s=3.4, dew_point_c=9.5),
        DayScript(42.5, 23.5, cloud=0.05, wind_10m_m_s=4.2, dew_point_c=8.0),
        DayScript(41.0, 24.5, cloud=0.20, wind_10m_m_s=4.6, dew_point_c=11.0),
        DayScript(29.5, 18.0, rain_mm=4.0, cloud=0.70, wind_10m_m_s=5.0, dew_point_c=15.5),
    ))


@dataclass(frozen=True, slots=True)
class Day:
    """The true weather of one civil day.

    tmax_c, tmin_c, dew_point_c [degC]; wind_10m_m_s, daily mean; cloud, mean cover 0 to 1; rain_mm in all,
    of which rain_by_hour_mm falls in the first hours after local midnight, one figure each.
    """

    tmax_c: float
    tmin_c: float
    dew_point_c: float
    wind_10m_m_s: float
    cloud: float
    rain_mm: float
    rain_by_hour_mm: tuple[float, ...]


class _Throw(NamedTuple):
    """The independent draws of one day: standard normals, and uniforms from 0 to 1."""

    warmth: float
    spread: float
    dew: float
    wind: float
    cloud: float
    wet: float
    spell: float
    spell_days: float
    spell_lift: float
    rain_size: float
    rain_start: float
    rain_length: float


class Sky:
    """Weather by seed. Ask for any day or hour, in any order; the answer does not change."""

    def __init__(self, place: Place, seed: int, script: Script | None = None) -> None:
        self.place = place
        self._seed = seed
        self._script = dict(script or {})
        self._throws: dict[date, _Throw] = {}
        self._days: dict[date, Day] = {}
        self._turns: dict[date, tuple[datetime, datetime]] = {}
        self._hours: dict[datetime, Hour] = {}
        self._clear_w_m2: dict[datetime, float] = {}
        self._dew_points_c: dict[datetime, float] = {}

    # --- the climate ---

    def summer(self, day: date) -> float:
        """1 at the height of summer, −1 in midwinter."""
        shift = 0.0 if self.place.latitude_deg >= 0 else 182.5
        return math.cos(2 * math.pi * (day.timetuple().tm_yday - HOTTEST_DAY - shift) / 365.25)

    def normal(self, day: date) -> tuple[float, float]:
        """Usual highest and lowest temperature of a day of the year [degC].

        From the site's own normals, else from latitude: a rough fit to Beja, Seville, Perth and Adelaide
        (from memory; good to a few kelvin, deserts are hotter), lowered by 6.5 K per km.
        """
        if self.place.normals:
            return _between_months(self.place.normals, day)
        latitude, summer = abs(self.place.latitude_deg), self.summer(day)
        tmax_c = 23.5 + 0.45 * (38.0 - latitude) + 0.25 * latitude * summer - 0.0065 * self.place.elevation_m
        return tmax_c, tmax_c - 12.5 - 3.5 * summer

    def wet_chance(self, day: date) -> float:
        """Probability that a day of this season brings rain, 0 to 1: dry summers, wetter winters."""
        return 0.17 - 0.13 * self.summer(day)

    # --- days ---

    def day(self, day: date) -> Day:
        """The true weather of a civil day of the site."""
        if day not in self._days:
            self._days[day] = self._dictated(day) if day in self._script else self._drawn(day)
        return self._days[day]

    def _throw(self, day: date) -> _Throw:
        throw = self._throws.get(day)
        if throw is None:
            chance = dice(self._seed, "sky", day)
            throw = _Throw(*(chance.gauss(0.0, 1.0) for _ in range(6)), *(chance.random() for _ in range(6)))
            self._throws[day] = throw
        return throw

    def _spell_lift_k(self, day: date) -> float:
        """How much a hot spell adds [K]: the strongest of those begun in the days before; none in winter."""
        lift_k = 0.0
        for back in range(LONGEST_SPELL_DAYS):
            begun = day - back * ONE_DAY
            throw = self._throw(begun)
            length = 3 + int(throw.spell_days * (LONGEST_SPELL_DAYS - 2))
            if throw.spell < 0.05 * max(0.0, self.summer(begun)) and back < length:
                rise = min(1.0, (back + 1) / 2.0)
                lift_k = max(lift_k, rise * (3.0 + 4.5 * throw.spell_lift))
        return lift_k

    def _drawn(self, day: date) -> Day:
        throw, summer = self._throw(day), self.summer(day)
        usual_max_c, usual_min_c = self.normal(day)
        warmth_k = 2.4 * persistent(lambda d: self._throw(d).warmth, day, 0.65)
        lift_k = self._spell_lift_k(day)
        if lift_k > 0.0:
            warmth_k = min(warmth_k, 2.0 + 0.3 * warmth_k)   # a spell is warmth: not added twice
        wet = STANDARD_NORMAL.cdf(persistent(lambda d: self._throw(d).wet, day, 0.4)) < self.wet_chance(day)
        cloud = 0.22 - 0.14 * summer + 0.22 * persistent(lambda d: self._throw(d).cloud, day, 0.4)
        cloud = min(1.0, max(0.0, cloud + (0.55 if wet else 0.0)))
        tmax_c = usual_max_c + warmth_k + lift_k + 1.2 - 4.5 * cloud
        tmin_c = usual_min_c + 0.7 * warmth_k + 0.6 * lift_k + 1.5 * throw.spread + 2.0 * cloud
        tmin_c = min(tmin_c, tmax_c - 3.0)
        dew_c = usual_min_c - 2.0 - 2.0 * summer + 2.5 * throw.dew + 0.4 * warmth_k + (4.0 if wet else 0.0)
        rain_mm = max(0.5, -math.log(1.0 - 0.999 * throw.rain_size) * (6.0 - 1.5 * summer)) if wet else 0.0
        wind_m_s = min(12.0, 3.2 * math.exp(0.3 * throw.wind))
        return Day(
            tmax_c=tmax_c, tmin_c=tmin_c, dew_point_c=min(dew_c, tmin_c - 0.5),
            wind_10m_m_s=wind_m_s, cloud=cloud,
            rain_mm=rain_mm, rain_by_hour_mm=shower(rain_mm, throw.rain_start, throw.rain_length))

    def _dictated(self, day: date) -> Day:
        script, drawn, throw = self._script[day], self._drawn(day), self._throw(day)
        rain_mm = drawn.rain_mm if script.rain_mm is None else script.rain_mm
        dew_c = drawn.dew_point_c if script.dew_point_c is None else script.dew_point_c
        return Day(
            tmax_c=script.tmax_c, tmin_c=script.tmin_c, dew_point_c=min(dew_c, script.tmin_c),
            wind_10m_m_s=drawn.wind_10m_m_s if script.wind_10m_m_s is None else script.wind_10m_m_s,
            cloud=drawn.cloud if script.cloud is None else script.cloud,
            rain_mm=rain_mm, rain_by_hour_mm=shower(rain_mm, throw.rain_start, throw.rain_length))

    # --- hours ---

    def hour(self, start: datetime) -> Hour:
        """The true weather of the hour that begins at `start`, a full hour in UTC."""
        hour = self._hours.get(start)
        if hour is None:
            hour = self._hours[start] = self._make_hour(start)
        return hour

    def clear_w_m2(self, start: datetime) -> float:
        """Radiation that the hour from `start` would have under a clear sky, mean of the hour [W/m2]."""
        clear_w_m2 = self._clear_w_m2.get(start)
        if clear_w_m2 is None:
            latitude, longitude = self.place.latitude_deg, self.place.longitude_deg
            clear_w_m2 = self._clear_w_m2[start] = sum(
                clear_sky_w_m2(sine_of_elevation(start + timedelta(minutes=minute), latitude, longitude))
                for minute in (10, 30, 50)) / 3.0
        return clear_w_m2

    def _make_hour(self, start: datetime) -> Hour:
        date_ = local_date(start, self.place.timezone)
        day = self.day(date_)
        middle = start + ONE_HOUR / 2
        temperature_c = self.temperature_c(middle)
        sundial_h = solar_time_h(middle, self.place.longitude_deg)
        breeze = 1.0 + 0.45 * math.cos(2 * math.pi * (sundial_h - HOTTEST_AT_SOLAR_H) / 24.0)
        since_midnight = int((start - local_midnight(date_, self.place.timezone)) / ONE_HOUR)
        falling_mm = day.rain_by_hour_mm[since_midnight] if since_midnight < len(day.rain_by_hour_mm) else 0.0
        cloud = max(day.cloud, 0.9) if falling_mm > 0.0 else day.cloud
        return Hour(
            start=start, temperature_c=temperature_c,
            humidity_percent=humidity_percent(temperature_c, min(self.dew_point_c(start), temperature_c)),
            wind_10m_m_s=day.wind_10m_m_s * breeze,
            solar_w_m2=self.clear_w_m2(start) * through_cloud(cloud), rain_mm=falling_mm)

    def dew_point_c(self, start: datetime) -> float:
        """Dew point of the hour from `start`: a day's figure holds at noon, straight lines in between."""
        dew_c = self._dew_points_c.get(start)
        if dew_c is None:
            date_ = local_date(start, self.place.timezone)
            noon = local_midnight(date_, self.place.timezone) + 12 * ONE_HOUR
            share = (start + ONE_HOUR / 2 - noon) / ONE_DAY
            beside_c = self.day(date_ + (ONE_DAY if share >= 0.0 else -ONE_DAY)).dew_point_c
            dew_c = self.day(date_).dew_point_c * (1.0 - abs(share)) + beside_c * abs(share)
            self._dew_points_c[start] = dew_c
        return dew_c

    def _turning_points(self, day: date) -> tuple[datetime, datetime]:
        """Middle of the coldest and of the hottest hour of a civil day, in UTC."""
        if day not in self._turns:
            noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
            noon -= timedelta(hours=self.place.longitude_deg / 15.0, minutes=equation_of_time_min(noon))
            civil_noon = local_midnight(day, self.place.timezone) + 12 * ONE_HOUR
            noon += round((civil_noon - noon) / ONE_DAY) * ONE_DAY   # where the date is the other side's
            sunrise = noon - timedelta(hours=min(8.0, max(3.0, half_day_h(noon, self.place.latitude_deg))))
            hottest = noon + timedelta(hours=HOTTEST_AT_SOLAR_H - 12.0)
            self._turns[day] = _middle_of_hour(sunrise), _middle_of_hour(hottest)
        return self._turns[day]

    def temperature_c(self, at: datetime) -> float:
        """Air temperature at an instant, UTC [degC]."""
        date_ = local_date(at, self.place.timezone)
        coldest, hottest = self._turning_points(date_)
        day = self.day(date_)
        if at < coldest:
            before = date_ - ONE_DAY
            last_hottest = self._turning_points(before)[1]
            return _cooling_c(self.day(before).tmax_c, day.tmin_c, last_hottest, coldest, at)
        if at > hottest:
            after = date_ + ONE_DAY
            return _cooling_c(day.tmax_c, self.day(after).tmin_c, hottest, self._turning_points(after)[0], at)
        share = (at - coldest) / (hottest - coldest)
        return day.tmin_c + (day.tmax_c - day.tmin_c) * (1.0 - math.cos(math.pi * share)) / 2.0


def humidity_percent(temperature_c: float, dew_point_c: float) -> float:
    """Relative humidity, 0 to 100, with the Magnus form of Alduchov & Eskridge (1996)."""
    return min(100.0, 100.0 * vapour_kpa(dew_point_c) / vapour_kpa(temperature_c))


def vapour_kpa(temperature_c: float) -> float:
    """Saturation vapour pressure [kPa]: 0.61094 exp(17.625 T / (T + 243.04)), Alduchov & Eskridge (1996)."""
    return 0.61094 * math.exp(17.625 * temperature_c / (temperature_c + 243.04))


def _middle_of_hour(instant: datetime) -> datetime:
    return instant.replace(minute=30, second=0, microsecond=0)


def _cooling_c(from_c: float, to_c: float, begins: datetime, ends: datetime, at: datetime) -> float:
    """Evening and night: quick after the high, slow before dawn."""
    share = ((at - begins) / (ends - begins)) ** 0.75
    return from_c + (to_c - from_c) * (1.0 - math.cos(math.pi * share)) / 2.0


def shower(rain_mm: float, start: float, length: float) -> tuple[float, ...]:
    """A day's rain as one event of one to five hours, ending before the civil day does, heaviest at first.

    start, length: uniform draws from 0 to 1. Returns mm by hour after local midnight, to the event's end.
    """
    if rain_mm <= 0.0:
        return ()
    hours = 1 + int(length * 5)
    shares = [1.0 + (hours - i) * 0.5 for i in range(hours)]
    return (0.0,) * int(start * (22 - hours)) + tuple(rain_mm * share / sum(shares) for share in shares)


def _between_months(normals: tuple[MonthNormal, ...], day: date) -> tuple[float, float]:
    """Monthly means joined by straight lines from mid-month to mid-month."""
    position = day.month - 1 + (day.day - 15) / 30.0
    left = math.floor(position)
    share = position - left
    one, two = normals[left % 12], normals[(left + 1) % 12]
    return one.tmax_c + (two.tmax_c - one.tmax_c) * share, one.tmin_c + (two.tmin_c - one.tmin_c) * share
