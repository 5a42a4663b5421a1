"""What the weather of a day was, is or will be, and who says so.

The book keeps days, not hours: the forecast's hours are folded into days when they arrive, and the site's own
thermometer and rain gauge into the days they measured. Asked for a day, it answers with the best it has, in this
order: the site's own measurement, a fresh forecast, an aged forecast, the last days that were measured, the monthly
normal of the config, and last a dry guess from the season. Every answer says which it was.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import Literal

from controller.agronomy.reference_et import ReferenceEt, daily_et0, saturation_kpa, wind_at_2m
from controller.agronomy.shade import shaded_et0_mm
from controller.agronomy.sunlight import (
    SunTimes,
    extraterrestrial_daily_mj_m2,
    solar_from_temperature_mj_m2,
    sun_times,
)
from controller.core.forecast import Forecast, Hour
from controller.core.frozen import replace
from controller.core.moment import day_bounds, hours_between, local_date, local_midnight
from controller.core.recall import recalled
from controller.core.site import MonthNormal, Site
from controller.core.skill import Skill, Slip, taught

Basis = Literal["measured", "forecast", "aged forecast", "recent days", "monthly normal", "season guess"]

FRESH_H = 48.0
"""A forecast older than this is called aged. Its days are still the best there is until they are past (common practice,
no source)."""

KEPT_DAYS = 40
"""Days remembered: the Excess Heat Factor needs 33."""
FORECAST_DAYS_MOST = 16
"""What weather services give at most."""
RECENT_DAYS = 5
"""Without a forecast, a day is expected to be like the mean of so many before it (common practice, no source)."""
WHOLE_DAY_H = 20
"""Fewer hours than this do not show a day's maximum and minimum for sure (common practice, no source)."""
HALF_DAY_H, FALLING_H = 12.0, 1.0
"""Watched for so long, and lower than its maximum for so long, a day is past its heat (common practice, no source)."""
SLIP_DAYS = 3
"""An issue is judged by what it said of one of so many days before (no source)."""

MAST_M = 10.0
"""Height at which services tell the wind (WMO-No. 8, from memory)."""

BIAS_PACE = 0.1
"""A place's difference from the forecast is learnt over about ten days, and held within BIAS_MOST_C (both: common
practice, no source)."""
BIAS_MOST_C = 4.0
CLIMATE_LEAST_DAYS = 365
"""Days from which the 95th percentile of their means is worth something (common practice, no source)."""
WARM_DAYS_K = 3.0
"""By how much that percentile tops the mean of the warmest month (common practice, no source)."""

VAPOUR_KPA_MOST, WIND_M_S_MOST, SOLAR_MJ_M2_MOST = 10.0, 60.0, 50.0
"""Daily means and sums beyond these are not of this Earth, even if each of their hours was (common practice, no
source)."""
TEMPERATURE_C_LEAST, TEMPERATURE_C_MOST, SPAN_K_MOST = -50.0, 60.0, 50.0
"""Nor are temperatures beyond these, or a day that spans more (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class DayWeather:
    """One civil day at the site. None where nobody knows; the handbook's fall-backs take over there.

    tmax_c, tmin_c [degC]; vapour_kpa: mean actual vapour pressure; wind_2m_m_s; solar_mj_m2: short-wave sum;
    rain_mm: sum; rain_probability: of any rain, 0 to 1; hours: how many hours it was folded from.
    """

    day: date
    tmax_c: float
    tmin_c: float
    basis: Basis
    vapour_kpa: float | None = None
    wind_2m_m_s: float | None = None
    solar_mj_m2: float | None = None
    rain_mm: float | None = None
    rain_probability: float | None = None
    hours: int = 24


@dataclass(frozen=True, slots=True)
class Measured:
    """What the site's own instruments saw of a day so far. readings counts those of the thermometer; peak: when it
    showed the maximum."""

    day: date
    tmax_c: float | None = None
    tmin_c: float | None = None
    rain_mm: float | None = None
    readings: int = 0
    first: datetime | None = None
    last: datetime | None = None
    peak: datetime | None = None

    @property
    def whole(self) -> bool:
        """Whether the thermometer watched long enough to have seen both ends of the day."""
        return self._watched_h() >= WHOLE_DAY_H

    @property
    def past_its_heat(self) -> bool:
        """Whether the maximum is known already: watched since the night, and falling again."""
        if self.whole or self.peak is None or self.last is None:
            return self.whole
        return self._watched_h() >= HALF_DAY_H and hours_between(self.peak, self.last) >= FALLING_H

    def _watched_h(self) -> float:
        return 0.0 if self.first is None or self.last is None else hours_between(self.first, self.last)


@dataclass(frozen=True, slots=True)
class WeatherBook:
    """Forecast days and measured days, by date. source, issued: of the last forecast that was taken in.

    hours: what was last said of the hours of that forecast's first two days. A later forecast begins in the middle of
    a day, and the rain of its morning must not be forgotten over it.
    bias_max_c, bias_min_c: by how much the site's own thermometer tops the forecast, learnt from its days; learnt_to:
    the last of them. climate: how many days had which daily mean temperature, in whole degC. excess_heat: how many had
    which positive Excess Heat Factor, in whole degC2; excess_heat_to: the last day that was looked at for it.
    told: day -> day of issue -> the maximum [degC] told then; skill: what has been learnt from them.
    """

    forecast: dict[date, DayWeather] = field(default_factory=dict)
    measured: dict[date, Measured] = field(default_factory=dict)
    source: str | None = None
    issued: datetime | None = None
    trouble: str | None = None
    bias_max_c: float = 0.0
    bias_min_c: float = 0.0
    learnt_to: date | None = None
    climate: dict[int, int] = field(default_factory=dict)
    excess_heat: dict[int, int] = field(default_factory=dict)
    excess_heat_to: date | None = None
    hours: tuple[Hour, ...] = ()
    told: dict[date, dict[date, float]] = field(default_factory=dict)
    skill: Skill = field(default_factory=Skill)


def take_forecast(book: WeatherBook, forecast: Forecast, site: Site) -> WeatherBook:
    """The book with a forecast's days in it. Days the new one sees only in part keep what the old one knew of them."""
    hours = _hours_known(book, forecast, site.timezone)
    book = take_days(book, fold_hours(hours, site.timezone), local_date(forecast.issued, site.timezone))
    next_day = local_date(hours[0].start, site.timezone) + timedelta(days=1) if hours else date.min
    two_days = tuple(hour for hour in hours if local_date(hour.start, site.timezone) <= next_day)
    return replace(book, source=forecast.source, issued=forecast.issued, trouble=None, hours=two_days)


def take_days(book: WeatherBook, fresh: Iterable[DayWeather], issued_on: date) -> WeatherBook:
    """The book with whole days of a forecast that was issued on a local day; its last issue of that day counts."""
    days, told = dict(book.forecast), dict(book.told)
    for each in fresh:
        before = days.get(each.day)
        whole = each.hours >= WHOLE_DAY_H
        days[each.day] = _completed(each, before) if before is not None and not whole else each
        if whole and each.day >= issued_on:
            told[each.day] = {**told.get(each.day, {}), issued_on: each.tmax_c}
    kept = {day: days[day] for day in sorted(days)[-KEPT_DAYS:]}
    recent = {day: issues for day, issues in told.items() if day >= issued_on - timedelta(days=SLIP_DAYS)}
    return replace(book, forecast=kept, told=recent)


def _hours_known(book: WeatherBook, forecast: Forecast, timezone: tzinfo) -> list[Hour]:
    """The forecast's hours, and before them what was last said of the hours of its first day."""
    if not forecast.hours:
        return []
    begin = local_midnight(local_date(forecast.hours[0].start, timezone), timezone)
    known = {hour.start: hour for hour in (*book.hours, *forecast.hours) if hour.start >= begin}
    return [known[start] for start in sorted(known)]


def take_temperature(book: WeatherBook, value_c: float, at: datetime, timezone: tzinfo) -> WeatherBook:
    """The book with one reading of the site's thermometer in it. With a day's first, the day before is learnt from."""
    day = local_date(at, timezone)
    if day not in book.measured:
        book = _learnt(book, day - timedelta(days=1))
    seen = _measured(book, day)
    seen = replace(
        seen,
        peak=at if seen.tmax_c is None or value_c > seen.tmax_c else seen.peak,
        tmax_c=value_c if seen.tmax_c is None else max(seen.tmax_c, value_c),
        tmin_c=value_c if seen.tmin_c is None else min(seen.tmin_c, value_c),
        readings=seen.readings + 1,
        first=at if seen.first is None else min(seen.first, at),
        last=at if seen.last is None else max(seen.last, at),
    )
    return _with_measured(book, seen)


def take_rain(book: WeatherBook, rain_mm: float, at: datetime, timezone: tzinfo) -> WeatherBook:
    """The book with what the site's rain gauge has caught since its last report."""
    seen = _measured(book, local_date(at, timezone))
    return _with_measured(book, replace(seen, rain_mm=(seen.rain_mm or 0.0) + rain_mm))


def forget_place(book: WeatherBook) -> WeatherBook:
    """The book with nothing learnt of how the place differs from its forecast: its thermometer was moved, or replaced.
    The climate stays known."""
    return replace(book, bias_max_c=0.0, bias_min_c=0.0)


def none_after(book: WeatherBook, today: date, now: datetime) -> WeatherBook:
    """The book without days that a wrong clock has written into the future: they would push out the true ones."""
    last = today + timedelta(days=FORECAST_DAYS_MOST)
    return replace(
        book,
        forecast={day: told for day, told in book.forecast.items() if day <= last},
        measured={day: seen for day, seen in book.measured.items() if day <= today},
        told={day: told for day, told in book.told.items() if day <= last},
        issued=None if book.issued is None else min(book.issued, now),
        hours=tuple(hour for hour in book.hours if hour.start <= now + timedelta(days=2)),
    )


def weather_on(book: WeatherBook, site: Site, day: date, now: datetime) -> DayWeather:
    """The best that is known of a day at `now`, with its basis."""
    return _weather(book, site, day, _aged(book, now))


def _aged(book: WeatherBook, now: datetime) -> bool:
    return book.issued is None or hours_between(book.issued, now) > FRESH_H


@recalled(facts=2)
def _weather(book: WeatherBook, site: Site, day: date, aged: bool) -> DayWeather:
    seen = book.measured.get(day)
    told = book.forecast.get(day)
    if told is not None:
        if aged:
            told = replace(told, basis="aged forecast")
        return _earthly(_corrected(_at_this_place(told, book.bias_max_c, book.bias_min_c), seen))
    guess = _recent(book, day) or _normal(site, day) or _season_guess(site, day)
    return _earthly(_corrected(guess, seen))


def et0_of(book: WeatherBook, site: Site, day: date, now: datetime) -> ReferenceEt:
    """Reference evapotranspiration of a day [mm], FAO-56 Penman-Monteith with the handbook's own fall-backs."""
    return _et0_on(book, site, day, _aged(book, now))


@recalled(facts=2)
def _et0_on(book: WeatherBook, site: Site, day: date, aged: bool) -> ReferenceEt:
    return _et0(_weather(book, site, day, aged), site.latitude_deg, site.elevation_m)


def et0_under(weather: DayWeather, site: Site, shade: float, wind_factor: float) -> float:
    """Reference evapotranspiration under shade [mm]: FAO-56 eq. 6 with less sun and less wind.

    What the weather does not say is filled in as the handbook does: dew point at the minimum, 2 m/s, eq. 50.
    """
    j = weather.day.timetuple().tm_yday
    ra = extraterrestrial_daily_mj_m2(site.latitude_deg, j)
    solar = weather.solar_mj_m2
    if solar is None:
        solar = solar_from_temperature_mj_m2(ra, weather.tmax_c, weather.tmin_c, site.elevation_m)
    return max(
        0.0,
        shaded_et0_mm(
            tmax_c=weather.tmax_c,
            tmin_c=weather.tmin_c,
            latitude_deg=site.latitude_deg,
            elevation_m=site.elevation_m,
            day_of_year=j,
            vapour_kpa=weather.vapour_kpa if weather.vapour_kpa is not None else saturation_kpa(weather.tmin_c),
            wind_2m_m_s=2.0 if weather.wind_2m_m_s is None else weather.wind_2m_m_s,
            solar_mj_m2=solar,
            shade=shade,
            wind_factor=wind_factor,
        ),
    )


def sun_on(site: Site, day: date) -> SunTimes:
    """Sunrise and sunset of a civil day at the site, in UTC."""
    return _sun(site.latitude_deg, site.longitude_deg, day, site.timezone)


def share_of_day(site: Site, day: date, until: datetime) -> float:
    """Which part of a day's evapotranspiration has passed by `until`, 0 to 1.

    It follows the sun: half a cosine wave between sunrise and sunset, nothing at night. (FAO-56 Example 19 has
    0.00 mm for the hour from 2 to 3 at night.) Where the sun does not set, it is spread evenly.
    """
    sun = sun_on(site, day)
    rise, fall = (sun.sunrise, sun.sunset)
    if rise is None or fall is None:
        rise, fall = day_bounds(day, site.timezone)
        passed = (until - rise) / (fall - rise)
        return min(1.0, max(0.0, passed))
    passed = min(1.0, max(0.0, (until - rise) / (fall - rise)))
    return (1.0 - math.cos(math.pi * passed)) / 2.0


def fold_hours(hours: Iterable[Hour], timezone: tzinfo) -> list[DayWeather]:
    """Hours gathered into civil days, in order; those that no place on Earth has are left out."""
    by_day: dict[date, list[Hour]] = {}
    for hour in hours:
        if TEMPERATURE_C_LEAST <= hour.temperature_c <= TEMPERATURE_C_MOST:
            by_day.setdefault(local_date(hour.start, timezone), []).append(hour)
    return [_fold(day, by_day[day]) for day in sorted(by_day)]


def percentile_95_c(book: WeatherBook, site: Site) -> float | None:
    """The 95th percentile of the daily mean temperature: as configured, learnt from at least a year of days, or guessed
    from the normals (the warmest month's mean and 3 K: common practice, no source). None if nothing is known."""
    if site.heat.t95_c is not None:
        return site.heat.t95_c
    count = sum(book.climate.values())
    if count >= CLIMATE_LEAST_DAYS:
        rest = 0.05 * count
        for mean_c in sorted(book.climate, reverse=True):
            rest -= book.climate[mean_c]
            if rest <= 0.0:
                return float(mean_c)
    means = [(month.tmax_c + month.tmin_c) / 2.0 for month in site.normals]
    return max(means) + WARM_DAYS_K if means else None


def issues_of(book: WeatherBook, day: date) -> dict[int, float]:
    """What was told of a day's maximum [degC], by how many days ahead."""
    return {(day - issued_on).days: told_c for issued_on, told_c in book.told.get(day, {}).items()}


def slips_of(book: WeatherBook, day: date) -> dict[int, Slip]:
    """How far the issues for a day were off about the last day before it that is known, by how many days ahead they
    look."""
    found: dict[int, Slip] = {}
    for days in range(SLIP_DAYS, 0, -1):  # the nearest one stays
        past = day - timedelta(days=days)
        seen = book.measured.get(past)
        if seen is None or seen.tmax_c is None or not seen.past_its_heat:
            continue
        for ahead, told_c in issues_of(book, past).items():
            found[ahead + days] = Slip(book.skill.off_sd(ahead, told_c, seen.tmax_c), days)
    return found


def _learnt(book: WeatherBook, day: date) -> WeatherBook:
    """The book after a day that the thermometer watched whole: how the place differs from the forecast, slowly."""
    seen, told = book.measured.get(day), book.forecast.get(day)
    if seen is None or not seen.whole or seen.tmax_c is None or seen.tmin_c is None or book.learnt_to == day:
        return book
    mean_c = round((seen.tmax_c + seen.tmin_c) / 2.0)
    book = replace(book, learnt_to=day, climate={**book.climate, mean_c: book.climate.get(mean_c, 0) + 1})
    if told is None:
        return book
    return replace(
        book,
        skill=taught(book.skill, issues_of(book, day), seen.tmax_c, slips_of(book, day)),
        bias_max_c=_nearer(book.bias_max_c, seen.tmax_c - told.tmax_c),
        bias_min_c=_nearer(book.bias_min_c, seen.tmin_c - told.tmin_c),
    )


def _nearer(bias_c: float, gap_c: float) -> float:
    """A learnt difference moved a little towards the newest one, within bounds."""
    moved_c = bias_c + BIAS_PACE * (gap_c - bias_c)
    return min(BIAS_MOST_C, max(-BIAS_MOST_C, moved_c))


@lru_cache(maxsize=512)
def _at_this_place(told: DayWeather, bias_max_c: float, bias_min_c: float) -> DayWeather:
    """A forecast day as it is likely to be at the site's own thermometer."""
    tmax_c = told.tmax_c + bias_max_c
    return replace(told, tmax_c=tmax_c, tmin_c=min(told.tmin_c + bias_min_c, tmax_c))


def _fold(day: date, hours: list[Hour]) -> DayWeather:
    temperatures = [hour.temperature_c for hour in hours]
    vapours = [
        saturation_kpa(hour.temperature_c) * hour.humidity_percent / 100.0
        for hour in hours
        if hour.humidity_percent is not None
    ]
    winds = [hour.wind_10m_m_s for hour in hours if hour.wind_10m_m_s is not None]
    suns = [hour.solar_w_m2 for hour in hours if hour.solar_w_m2 is not None]
    rains = [hour.rain_mm for hour in hours if hour.rain_mm is not None]
    chances = [hour.rain_probability for hour in hours if hour.rain_probability is not None]
    most = 0.75 * len(hours)  # a mean of the few hours that have a value would not be the day's
    return DayWeather(
        day=day,
        tmax_c=max(temperatures),
        tmin_c=min(temperatures),
        basis="forecast",
        vapour_kpa=_possible(sum(vapours) / len(vapours), VAPOUR_KPA_MOST) if len(vapours) >= most else None,
        wind_2m_m_s=_at_2m(_possible(sum(winds) / len(winds), WIND_M_S_MOST) if len(winds) >= most else None),
        solar_mj_m2=_possible(sum(suns) * 0.0036, SOLAR_MJ_M2_MOST) if len(suns) >= max(most, WHOLE_DAY_H) else None,
        rain_mm=sum(rains) if len(rains) >= most else None,
        rain_probability=max(chances) if chances else None,
        hours=len(hours),
    )


def _possible(value: float, most: float) -> float | None:
    """The value, or None where it is more than a day can bring: the handbook's fall-back is nearer then."""
    return value if value <= most else None


def _at_2m(wind_10m_m_s: float | None) -> float | None:
    return None if wind_10m_m_s is None else wind_at_2m(wind_10m_m_s, MAST_M)


def _earthly(day: DayWeather) -> DayWeather:
    """The day held to what a day may be: a broken thermometer must not stop the reckoning."""
    tmax_c = min(TEMPERATURE_C_MOST, max(TEMPERATURE_C_LEAST, day.tmax_c))
    tmin_c = min(tmax_c, max(TEMPERATURE_C_LEAST, tmax_c - SPAN_K_MOST, day.tmin_c))
    return day if (tmax_c, tmin_c) == (day.tmax_c, day.tmin_c) else replace(day, tmax_c=tmax_c, tmin_c=tmin_c)


def _completed(part: DayWeather, before: DayWeather) -> DayWeather:
    return replace(
        before,
        tmax_c=max(part.tmax_c, before.tmax_c),
        tmin_c=min(part.tmin_c, before.tmin_c),
        rain_mm=part.rain_mm if part.rain_mm is not None else before.rain_mm,
        rain_probability=part.rain_probability if part.rain_probability is not None else before.rain_probability,
    )


def _measured(book: WeatherBook, day: date) -> Measured:
    return book.measured.get(day, Measured(day))


def _with_measured(book: WeatherBook, seen: Measured) -> WeatherBook:
    days = {**book.measured, seen.day: seen}
    return replace(book, measured={day: days[day] for day in sorted(days)[-KEPT_DAYS:]})


def _corrected(told: DayWeather, seen: Measured | None) -> DayWeather:
    """What was told, overruled by what the site's own instruments saw."""
    if seen is None:
        return told
    if seen.rain_mm is not None and (seen.whole or seen.rain_mm >= (told.rain_mm or 0.0)):
        told = replace(told, rain_mm=seen.rain_mm, rain_probability=1.0)
    if seen.tmax_c is None or seen.tmin_c is None:
        return told
    if seen.whole:
        return replace(told, tmax_c=seen.tmax_c, tmin_c=seen.tmin_c, basis="measured")
    if told.tmin_c <= seen.tmin_c and seen.tmax_c <= told.tmax_c:
        return told
    return replace(told, tmax_c=max(told.tmax_c, seen.tmax_c), tmin_c=min(told.tmin_c, seen.tmin_c))


def _recent(book: WeatherBook, day: date) -> DayWeather | None:
    """The mean of the last days that the site's own thermometer watched whole: weather tends to stay as it is."""
    whole = [seen for past, seen in sorted(book.measured.items()) if past < day and seen.whole]
    near = [seen for seen in whole if (day - seen.day).days <= RECENT_DAYS * 3][-RECENT_DAYS:]
    if not near:
        return None
    tmax = sum(seen.tmax_c for seen in near if seen.tmax_c is not None) / len(near)
    tmin = sum(seen.tmin_c for seen in near if seen.tmin_c is not None) / len(near)
    return DayWeather(day, tmax, tmin, "recent days")


def _normal(site: Site, day: date) -> DayWeather | None:
    """The monthly normals, run into one another so that there is no step from the 31st to the 1st."""
    if not site.normals:
        return None
    middle = day.replace(day=15)
    other = (middle + timedelta(days=31 if day >= middle else -31)).replace(day=15)
    weight = (day - middle) / (other - middle)
    here, there = site.normals[day.month - 1], site.normals[other.month - 1]
    mixed = MonthNormal(
        tmax_c=here.tmax_c * (1 - weight) + there.tmax_c * weight,
        tmin_c=here.tmin_c * (1 - weight) + there.tmin_c * weight,
    )
    return DayWeather(day, mixed.tmax_c, mixed.tmin_c, "monthly normal")


def _season_guess(site: Site, day: date) -> DayWeather:
    """A hot-summer year from nothing but the date and the hemisphere: common practice, no source. It errs to the
    warm side, since with nothing known a little too much water harms less than too little."""
    warmest = 205 if site.latitude_deg >= 0 else 22
    mean = 17.0 + 9.0 * math.cos(2.0 * math.pi * (day.timetuple().tm_yday - warmest) / 365.0)
    return DayWeather(day, mean + 8.0, mean - 7.0, "season guess")


@lru_cache(maxsize=512)
def _et0(weather: DayWeather, latitude_deg: float, elevation_m: float) -> ReferenceEt:
    return daily_et0(
        tmax_c=weather.tmax_c,
        tmin_c=weather.tmin_c,
        latitude_deg=latitude_deg,
        elevation_m=elevation_m,
        day_of_year=weather.day.timetuple().tm_yday,
        vapour_kpa=weather.vapour_kpa,
        wind_2m_m_s=weather.wind_2m_m_s,
        solar_mj_m2=weather.solar_mj_m2,
    )


@lru_cache(maxsize=512)
def _sun(latitude_deg: float, longitude_deg: float, day: date, timezone: tzinfo) -> SunTimes:
    return sun_times(latitude_deg, longitude_deg, day, timezone)


def days_ahead(book: WeatherBook, site: Site, today: date, now: datetime, count: int) -> list[DayWeather]:
    """`count` days from today on, each the best that is known of it."""
    return [weather_on(book, site, today + timedelta(days=n), now) for n in range(count)]
