"""Where the sun stands, when it rises and sets, and what radiation comes in above the air and below it.

Radiation follows FAO-56 (Allen, Pereira, Raes & Smith 1998, Irrigation and Drainage Paper 56), chapter 3,
whose equation numbers are given. Its sunset angle knows neither refraction nor the sun's radius, so it
serves for radiation only; the hours of the gardener come from the sun's true position (Meeus, Astronomical
Algorithms, 2nd ed., chapters 12, 22 and 25: the series behind the NOAA solar calculator, good to 0.01
degree 1950-2050).

Latitude: degrees, south negative. Longitude: degrees, east positive (the page of eq. 31 counts west).
Day of year: 1 January = 1.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from math import acos, asin, atan2, cos, degrees, pi, radians, sin, sqrt, tan
from typing import Literal

from controller.agronomy.ranges import within

SOLAR_CONSTANT_MJ_M2_MIN = 0.0820
"""Gsc of FAO-56 eq. 21."""

HORIZON_DEG = -0.8333
"""Height of the sun's centre when its upper limb touches a level horizon: 34' refraction and 16' radius."""

KRS_INLAND, KRS_COAST = 0.16, 0.19
"""Adjustment coefficients of eq. 50."""


# Radiation, FAO-56 chapter 3 ----------------------------------------------------------------------


def inverse_distance(day_of_year: int) -> float:
    """Inverse relative distance Earth-Sun, dr (FAO-56 eq. 23).

    >>> round(inverse_distance(246), 3)  # FAO-56 Example 8
    0.985
    """
    within("day of year", day_of_year, 1, 366)
    return 1 + 0.033 * cos(2 * pi * day_of_year / 365)


def declination_rad(day_of_year: int) -> float:
    """Solar declination, rad (FAO-56 eq. 24).

    >>> round(declination_rad(246), 3)  # FAO-56 Example 8
    0.12
    """
    within("day of year", day_of_year, 1, 366)
    return 0.409 * sin(2 * pi * day_of_year / 365 - 1.39)


def sunset_hour_angle_rad(latitude_deg: float, day_of_year: int) -> float:
    """Sunset hour angle, rad, of a sun without radius or refraction (FAO-56 eq. 25); 0 in the polar night,
    pi in the polar day.

    >>> round(sunset_hour_angle_rad(-20, 246), 3)  # FAO-56 Example 8
    1.527
    """
    within("latitude", latitude_deg, -90, 90, "degrees")
    return acos(max(-1.0, min(1.0, -tan(radians(latitude_deg)) * tan(declination_rad(day_of_year)))))


def extraterrestrial_daily_mj_m2(latitude_deg: float, day_of_year: int) -> float:
    """Radiation of a day at the top of the air, Ra, MJ/m2 (FAO-56 eq. 21).

    >>> round(extraterrestrial_daily_mj_m2(-20, 246), 1)  # FAO-56 Example 8
    32.2
    """
    phi, delta = radians(latitude_deg), declination_rad(day_of_year)
    omega_s = sunset_hour_angle_rad(latitude_deg, day_of_year)
    return max(
        0.0,
        24 * 60 / pi * SOLAR_CONSTANT_MJ_M2_MIN * inverse_distance(day_of_year)
        * (omega_s * sin(phi) * sin(delta) + cos(phi) * cos(delta) * sin(omega_s)),
    )


def seasonal_correction_h(day_of_year: int) -> float:
    """Seasonal correction for solar time, Sc, hours (FAO-56 eqs. 32 and 33).

    >>> round(seasonal_correction_h(274), 4)  # FAO-56 Example 19
    0.1889
    """
    within("day of year", day_of_year, 1, 366)
    b = 2 * pi * (day_of_year - 81) / 364
    return 0.1645 * sin(2 * b) - 0.1255 * cos(b) - 0.025 * sin(b)


def hour_angle_rad(
    longitude_deg: float, zone_longitude_deg: float, day_of_year: int, mid_hour_h: float
) -> float:
    """Solar time angle at the midpoint of a period, rad, -pi to pi (FAO-56 eq. 31, with longitudes east
    positive).

    `mid_hour_h` is the middle of the period in standard clock time (14.5 for 14 to 15 o'clock), and
    `zone_longitude_deg` the meridian of that clock (15 degrees an hour east of Greenwich).

    >>> round(hour_angle_rad(-16.25, -15, 274, 14.5), 3)  # FAO-56 Example 19
    0.682
    """
    within("longitude", longitude_deg, -180, 180, "degrees")
    within("longitude of the time zone", zone_longitude_deg, -195, 210, "degrees")
    within("hour", mid_hour_h, 0, 24, "h")
    solar_h = mid_hour_h + 0.06667 * (longitude_deg - zone_longitude_deg) + seasonal_correction_h(day_of_year)
    return (pi / 12 * (solar_h - 12) + pi) % (2 * pi) - pi


def extraterrestrial_hourly_mj_m2(
    latitude_deg: float,
    longitude_deg: float,
    zone_longitude_deg: float,
    day_of_year: int,
    mid_hour_h: float,
    length_h: float = 1.0,
) -> float:
    """Radiation of an hour (or shorter period) at the top of the air, Ra, MJ/m2 (FAO-56 eqs. 28 to 31).

    Arguments as in `hour_angle_rad`; `length_h` is t1 of the page. The part of the period in which the sun is
    down counts nothing.

    >>> round(extraterrestrial_hourly_mj_m2(16 + 13 / 60, -16.25, -15, 274, 14.5), 3)  # FAO-56 Example 19
    3.543
    """
    within("length of the period", length_h, 0, 24, "h")
    phi, delta = radians(latitude_deg), declination_rad(day_of_year)
    omega_s = sunset_hour_angle_rad(latitude_deg, day_of_year)
    omega = hour_angle_rad(longitude_deg, zone_longitude_deg, day_of_year, mid_hour_h)
    omega_1, omega_2 = omega - pi * length_h / 24, omega + pi * length_h / 24
    total = 0.0
    for lit_noon in (-2 * pi, 0.0, 2 * pi):  # an hour across midnight may touch the daylight of two days
        begin, end = max(omega_1, lit_noon - omega_s), min(omega_2, lit_noon + omega_s)
        if begin < end:
            total += (end - begin) * sin(phi) * sin(delta) + cos(phi) * cos(delta) * (sin(end) - sin(begin))
    return max(0.0, 12 * 60 / pi * SOLAR_CONSTANT_MJ_M2_MIN * inverse_distance(day_of_year) * total)


def daylight_h(latitude_deg: float, day_of_year: int) -> float:
    """Daylight hours N for radiation, h (FAO-56 eq. 34); 0.15 to 0.3 h shorter than from sunrise to sunset.

    >>> round(daylight_h(-20, 246), 1)  # FAO-56 Example 9
    11.7
    """
    return 24 / pi * sunset_hour_angle_rad(latitude_deg, day_of_year)


def clear_sky_mj_m2(ra_mj_m2: float, elevation_m: float) -> float:
    """Radiation at the ground under a clear sky, Rso, MJ/m2, from Ra of the same period (FAO-56 eq. 37).

    >>> round(clear_sky_mj_m2(41.09, 100), 2)  # FAO-56 Example 18
    30.9
    """
    within("extraterrestrial radiation", ra_mj_m2, 0, 60, "MJ/m2")
    within("elevation", elevation_m, -450, 6000, "m")
    return (0.75 + 2e-5 * elevation_m) * ra_mj_m2


def solar_from_sunshine_mj_m2(ra_mj_m2: float, sunshine_h: float, daylight_hours: float) -> float:
    """Solar radiation Rs, MJ/m2, from n hours of bright sunshine of N possible (FAO-56 eq. 35, as 0.25, bs
    0.50).

    >>> round(solar_from_sunshine_mj_m2(25.11, 7.1, 10.9), 1)  # FAO-56 Example 10
    14.5
    """
    within("extraterrestrial radiation", ra_mj_m2, 0, 60, "MJ/m2")
    within("daylight", daylight_hours, 0, 24, "h")
    within("sunshine", sunshine_h, 0, daylight_hours, "h")
    bright = sunshine_h / daylight_hours if daylight_hours else 0.0
    return (0.25 + 0.50 * bright) * ra_mj_m2


def solar_from_temperature_mj_m2(
    ra_mj_m2: float, tmax_c: float, tmin_c: float, elevation_m: float, coastal: bool = False
) -> float:
    """Solar radiation Rs, MJ/m2, from the day's span of temperature (FAO-56 eq. 50), at most Rso.

    `coastal`: on or next to a large water body, kRs 0.19 instead of 0.16. Not for islands, nor for single
    days where a front passes: the span then tells of the front, not of the sun.

    >>> round(solar_from_temperature_mj_m2(40.6, 26.6, 14.8, 200), 1)  # FAO-56 Example 15
    22.3
    """
    within("temperature span (maximum less minimum)", tmax_c - tmin_c, 0, 50, "K")
    krs = KRS_COAST if coastal else KRS_INLAND
    return min(krs * sqrt(tmax_c - tmin_c) * ra_mj_m2, clear_sky_mj_m2(ra_mj_m2, elevation_m))


# The sun's place in the sky -----------------------------------------------------------------------

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)


def _declination_and_hour_angle_deg(longitude_deg: float, when_utc: datetime) -> tuple[float, float]:
    """Apparent declination, and hour angle west of the meridian within -180 to 180, both in degrees.

    Meeus chapter 25 (low accuracy, with aberration and the main term of nutation) and eq. 12.4 for sidereal
    time.
    """
    days = (when_utc - _J2000) / timedelta(days=1)
    t = days / 36525  # Julian centuries
    mean_longitude = 280.46646 + t * (36000.76983 + 0.0003032 * t)
    anomaly = radians(357.52911 + t * (35999.05029 - 0.0001537 * t))
    centre = (
        (1.914602 - t * (0.004817 + 0.000014 * t)) * sin(anomaly)
        + (0.019993 - 0.000101 * t) * sin(2 * anomaly)
        + 0.000289 * sin(3 * anomaly)
    )
    node = radians(125.04 - 1934.136 * t)
    nutation = -0.00478 * sin(node)
    longitude = radians(mean_longitude + centre - 0.00569 + nutation)
    obliquity = radians(
        23.4392911 - t * (0.0130042 + t * (1.64e-7 - 5.04e-7 * t)) + 0.00256 * cos(node)
    )
    right_ascension = degrees(atan2(cos(obliquity) * sin(longitude), cos(longitude)))
    declination = degrees(asin(sin(obliquity) * sin(longitude)))
    sidereal = 280.46061837 + 360.98564736629 * days + 0.000387933 * t * t + nutation * cos(obliquity)
    return declination, (sidereal + longitude_deg - right_ascension + 180) % 360 - 180


def _check_place_and_time(latitude_deg: float, longitude_deg: float, when_utc: datetime) -> None:
    within("latitude", latitude_deg, -90, 90, "degrees")
    within("longitude", longitude_deg, -180, 180, "degrees")
    if when_utc.tzinfo is None:
        raise ValueError(f"the time {when_utc.isoformat()} has no time zone; give it in UTC")


def sun_elevation_deg(latitude_deg: float, longitude_deg: float, when_utc: datetime) -> float:
    """Height of the sun's centre over the true horizon, degrees, without refraction.

    `when_utc` must carry a time zone (any; it is converted). Good to about 0.01 degree between 1950 and 2050.
    Source: Meeus, Astronomical Algorithms, eq. 13.6, less the sun's parallax of 8.8 seconds of arc.

    >>> round(sun_elevation_deg(23.44, 0, datetime(2026, 6, 21, 12, 2, tzinfo=UTC)))  # overhead on the tropic
    90
    """
    _check_place_and_time(latitude_deg, longitude_deg, when_utc)
    declination, hour_angle = _declination_and_hour_angle_deg(longitude_deg, when_utc)
    phi, delta = radians(latitude_deg), radians(declination)
    sin_height = sin(phi) * sin(delta) + cos(phi) * cos(delta) * cos(radians(hour_angle))
    height = asin(max(-1.0, min(1.0, sin_height)))
    return degrees(height) - 8.794 / 3600 * cos(height)


@dataclass(frozen=True)
class SunTimes:
    """Sunrise, noon (highest sun) and sunset of a day, in UTC; a missing event is None, `always` says why."""

    sunrise: datetime | None
    noon: datetime
    sunset: datetime | None
    always: Literal["rises", "polar day", "polar night"]


def sun_times(latitude_deg: float, longitude_deg: float, day: date, timezone: tzinfo) -> SunTimes:
    """Sunrise, noon and sunset of the civil day `day` in `timezone`, upper limb on a level horizon.

Noon is the one nearest to 12:00 of that day, sunrise the one before it and sunset the one after; where
    clocks and sun are far apart, or near the polar circles, these can fall on the neighbouring civil date.
    Each event is found at its own moment, so it is right within seconds (what a real horizon and real air
    do is minutes).

    On the last day before a polar day the sun may rise and not set: then only that event is None.
    """
    mid_day = datetime.combine(day, time(12), tzinfo=timezone).astimezone(UTC)
    _check_place_and_time(latitude_deg, longitude_deg, mid_day)
    noon = _transit_near(longitude_deg, mid_day)
    half_day = timedelta(hours=12)

    def above_horizon_deg(moment: datetime) -> float:
        return sun_elevation_deg(latitude_deg, longitude_deg, moment) - HORIZON_DEG

    if above_horizon_deg(noon) < 0:
        return SunTimes(None, noon, None, "polar night")
    sunrise = _crossing(above_horizon_deg, down=noon - half_day, up=noon)
    sunset = _crossing(above_horizon_deg, down=noon + half_day, up=noon)
    rises = sunrise is not None or sunset is not None
    return SunTimes(sunrise, noon, sunset, "rises" if rises else "polar day")


def _transit_near(longitude_deg: float, moment: datetime) -> datetime:
    """The sun's passage over the meridian nearest to `moment`: step back by the hour angle till nought."""
    for _ in range(3):
        _, hour_angle = _declination_and_hour_angle_deg(longitude_deg, moment)
        moment -= timedelta(hours=hour_angle / 15)
    return moment


def _crossing(height: Callable[[datetime], float], down: datetime, up: datetime) -> datetime | None:
    """When `height` passes nought between `down` and `up`, to 0.1 s; None if it is not below at `down`.

    Halving the interval is slower than Newton's rule and cannot run away where the sun only grazes the
    horizon.
    """
    if height(down) > 0:
        return None
    while abs(up - down) > timedelta(seconds=0.1):
        middle = down + (up - down) / 2
        if height(middle) < 0:
            down = middle
        else:
            up = middle
    return up
