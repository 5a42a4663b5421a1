"""Radiation at the top of the air and hours of the sun, against FAO-56 and the NREL solar position
algorithm.
"""

from datetime import UTC, date, datetime, timedelta, timezone
from math import isfinite

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.sunlight import (
    clear_sky_mj_m2,
    daylight_h,
    declination_rad,
    extraterrestrial_daily_mj_m2,
    extraterrestrial_hourly_mj_m2,
    hour_angle_rad,
    inverse_distance,
    seasonal_correction_h,
    solar_from_sunshine_mj_m2,
    solar_from_temperature_mj_m2,
    sun_elevation_deg,
    sun_times,
    sunset_hour_angle_rad,
)

from .printed import printed

LATITUDES = st.floats(-90, 90)
DAYS = st.integers(1, 366)


@pytest.mark.published(source="FAO-56 (1998), Examples 8 and 9: 20 degrees S, 3 September")
def test_radiation_and_daylight_of_3_september_at_20_south() -> None:
    assert inverse_distance(246) == printed("0.985")
    assert declination_rad(246) == printed("0.120")
    assert sunset_hour_angle_rad(-20, 246) == printed("1.527")
    assert extraterrestrial_daily_mj_m2(-20, 246) == printed("32.2")
    assert daylight_h(-20, 246) == printed("11.7")


@pytest.mark.published(source="FAO-56 (1998), Examples 10, 17, 18 and 20")
@pytest.mark.parametrize(
    ("latitude_deg", "day", "ra", "hours"),
    [
        (-(22 + 54 / 60), 135, "25.1", "10.9"),
        (13 + 44 / 60, 105, "38.06", "12.31"),
        (50 + 48 / 60, 187, "41.09", "16.1"),
        (45 + 43 / 60, 196, "40.55", None),
    ],
)
def test_daily_radiation_and_daylight(latitude_deg: float, day: int, ra: str, hours: str | None) -> None:
    assert extraterrestrial_daily_mj_m2(latitude_deg, day) == printed(ra)
    if hours:
        assert daylight_h(latitude_deg, day) == printed(hours)


@pytest.mark.published(source="FAO-56 (1998), Example 10: Rio de Janeiro, May")
def test_solar_radiation_from_sunshine() -> None:
    assert solar_from_sunshine_mj_m2(25.1, 7.1, 10.9) == printed("14.5")


@pytest.mark.published(source="FAO-56 (1998), Examples 15 and 20: Lyon, July")
@pytest.mark.parametrize(("ra", "rs"), [(40.6, "22.3"), (40.555, "22.29")])
def test_solar_radiation_from_temperature(ra: float, rs: str) -> None:
    assert solar_from_temperature_mj_m2(ra, 26.6, 14.8, 200) == printed(rs)


@pytest.mark.published(source="FAO-56 (1998), Examples 17 (Rso 28.54) and 18 (Rso 30.90)")
@pytest.mark.parametrize(("ra", "elevation_m", "rso"), [(38.058, 2, "28.54"), (41.088, 100, "30.90")])
def test_clear_sky(ra: float, elevation_m: float, rso: str) -> None:
    assert clear_sky_mj_m2(ra, elevation_m) == printed(rso)


def test_coast_has_the_larger_coefficient_and_both_stop_at_the_clear_sky() -> None:
    inland = solar_from_temperature_mj_m2(40, 30, 20, 0)
    assert solar_from_temperature_mj_m2(40, 30, 20, 0, coastal=True) / inland == pytest.approx(0.19 / 0.16)
    assert solar_from_temperature_mj_m2(40, 45, 5, 0, coastal=True) == clear_sky_mj_m2(40, 0)


@pytest.mark.published(source="FAO-56 (1998), Example 19: N'Diaye, 1 October, 14 to 15 o'clock")
def test_hourly_radiation_by_day() -> None:
    where = (16 + 13 / 60, -16.25, -15, 274)
    assert hour_angle_rad(-16.25, -15, 274, 14.5) == printed("0.682")
    assert extraterrestrial_hourly_mj_m2(*where, 14.5) == printed("3.543")
    assert clear_sky_mj_m2(extraterrestrial_hourly_mj_m2(*where, 14.5), 8) == printed("2.658")
    assert seasonal_correction_h(274) == printed("0.1889")
    assert declination_rad(274) == printed("-0.0753")


@pytest.mark.published(source="FAO-56 (1998), Example 19: N'Diaye, 1 October, 2 to 3 o'clock")
def test_hourly_radiation_by_night() -> None:
    assert hour_angle_rad(-16.25, -15, 274, 2.5) == printed("-2.46")
    assert extraterrestrial_hourly_mj_m2(16 + 13 / 60, -16.25, -15, 274, 2.5) == 0


@given(LATITUDES, DAYS)
def test_the_hours_of_a_day_add_up_to_the_day(latitude_deg: float, day: int) -> None:
    hours = sum(extraterrestrial_hourly_mj_m2(latitude_deg, 0, 0, day, h + 0.5) for h in range(24))
    assert hours == pytest.approx(extraterrestrial_daily_mj_m2(latitude_deg, day), abs=1e-9)


@given(LATITUDES, DAYS)
def test_radiation_is_finite_and_never_negative(latitude_deg: float, day: int) -> None:
    ra = extraterrestrial_daily_mj_m2(latitude_deg, day)
    assert 0 <= ra < 50
    assert 0 <= daylight_h(latitude_deg, day) <= 24


@pytest.mark.parametrize(
    ("call", "quantity"),
    [
        (lambda: extraterrestrial_daily_mj_m2(91, 1), "latitude"),
        (lambda: extraterrestrial_daily_mj_m2(float("nan"), 1), "latitude"),
        (lambda: declination_rad(0), "day of year"),
        (lambda: clear_sky_mj_m2(30, 20000), "elevation"),
        (lambda: solar_from_sunshine_mj_m2(30, 13, 12), "sunshine"),
        (lambda: solar_from_temperature_mj_m2(30, 10, 20, 0), "temperature span"),
        (lambda: sun_elevation_deg(0, 181, datetime(2026, 1, 1, tzinfo=UTC)), "longitude"),
        (lambda: sun_elevation_deg(0, 0, datetime(2026, 1, 1)), "no time zone"),  # noqa: DTZ001
    ],
)
def test_a_refused_number_is_named(call: object, quantity: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=quantity):
        call()


# Place, zone in hours, day, sunrise, sunset: instants at which the NREL solar position algorithm has the
# centre of the sun at -0.8333 degree without refraction, found by bisection, local standard time.
NREL_ROOTS = [
    (-35, 139, 10, date(2026, 1, 15), "05:45:36", "20:00:32"),
    (-35, 139, 10, date(2026, 6, 21), "07:51:44", "17:39:43"),
    (-35, 139, 10, date(2026, 9, 21), "06:35:35", "18:39:23"),
    (-34, 18, 2, date(2026, 1, 15), "05:52:21", "20:02:01"),
    (-34, 18, 2, date(2026, 6, 21), "07:53:13", "17:46:23"),
    (33, -112, -7, date(2026, 6, 21), "05:19:53", "19:39:51"),
    (33, -112, -7, date(2026, 9, 21), "06:15:37", "18:25:47"),
    (37, 10, 1, date(2026, 6, 21), "05:00:39", "19:42:57"),
    (52, 0, 0, date(2026, 6, 21), "03:39:46", "20:23:50"),
]


@pytest.mark.published(source="NREL solar position algorithm (Reda & Andreas 2004), roots at -0.8333 degree")
@pytest.mark.parametrize(("latitude", "longitude", "zone_h", "day", "sunrise", "sunset"), NREL_ROOTS)
def test_sunrise_and_sunset_within_three_seconds(
    latitude: float, longitude: float, zone_h: int, day: date, sunrise: str, sunset: str
) -> None:
    zone = timezone(timedelta(hours=zone_h))
    times = sun_times(latitude, longitude, day, zone)
    assert times.always == "rises"
    for found, clock in ((times.sunrise, sunrise), (times.sunset, sunset)):
        assert found is not None
        expected = datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=zone)
        assert abs(found - expected) <= timedelta(seconds=3)
        assert found.utcoffset() == timedelta(0)


@pytest.mark.published(source="NREL solar position algorithm: none at 70 N 25 E on these days")
@pytest.mark.parametrize(
    ("day", "always"), [(date(2026, 6, 21), "polar day"), (date(2026, 12, 21), "polar night")]
)
def test_no_event_is_an_answer(day: date, always: str) -> None:
    times = sun_times(70, 25, day, timezone(timedelta(hours=1)))
    assert (times.sunrise, times.sunset, times.always) == (None, None, always)


def test_the_day_is_the_civil_day_of_the_zone() -> None:
    """At 139 E the sun rises on the evening before by UTC; the answer still belongs to the named day."""
    zone = timezone(timedelta(hours=10))
    times = sun_times(-35, 139, date(2026, 1, 15), zone)
    assert times.sunrise is not None
    assert times.sunrise.date() == date(2026, 1, 14)
    assert times.sunrise.astimezone(zone).date() == date(2026, 1, 15)


@given(st.floats(-65, 65), st.floats(-180, 180), st.dates(date(1990, 1, 1), date(2060, 1, 1)))
def test_between_the_polar_circles_the_sun_rises_before_noon_and_sets_after(
    latitude: float, longitude: float, day: date
) -> None:
    times = sun_times(latitude, longitude, day, timezone(timedelta(hours=round(longitude / 15))))
    assert times.sunrise is not None
    assert times.sunset is not None
    assert times.sunrise < times.noon < times.sunset
    for event in (times.sunrise, times.sunset):
        assert sun_elevation_deg(latitude, longitude, event) == pytest.approx(-0.8333, abs=0.001)


@given(LATITUDES, st.floats(-180, 180), st.dates(date(1990, 1, 1), date(2060, 1, 1)))
def test_everywhere_there_is_an_answer(latitude: float, longitude: float, day: date) -> None:
    times = sun_times(latitude, longitude, day, UTC)
    assert (times.always == "rises") == (times.sunrise is not None or times.sunset is not None)
    assert isfinite(sun_elevation_deg(latitude, longitude, times.noon))
