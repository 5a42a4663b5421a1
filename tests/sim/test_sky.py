"""The weather by seed: the same however it is asked, plausible for its place, and obedient to a script."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from statistics import fmean

import pytest

from controller.core.forecast import Hour
from controller.core.moment import day_bounds
from controller.core.site import MonthNormal
from controller.sim.sky import DayScript, Place, Sky, hot_week, scripted
from tests.sim.plots import HOUR, MONDAY, site

PERTH = {"latitude_deg": -32.0, "longitude_deg": 116.0, "timezone": "Australia/Perth"}


def hours_of(sky: Sky, day: date) -> list[Hour]:
    begins, ends = day_bounds(day, sky.place.timezone)
    return [sky.hour(begins + i * HOUR) for i in range((ends - begins) // HOUR)]


def days(sky: Sky, month: int, years: range) -> list[date]:
    return [date(year, month, day) for year in years for day in range(1, 29)]


def test_order_of_asking_changes_nothing() -> None:
    forward, backward = Sky(site(), 7), Sky(site(), 7)
    hours = [datetime(2026, 6, 30, tzinfo=UTC) + i * HOUR for i in range(0, 2000, 7)]
    assert [forward.hour(at) for at in hours] == [backward.hour(at) for at in reversed(hours)][::-1]


def test_seeds_differ() -> None:
    assert Sky(site(), 1).day(MONDAY) != Sky(site(), 2).day(MONDAY)


@pytest.mark.parametrize("day", [MONDAY, date(2026, 1, 20), date(2026, 3, 29), date(2026, 10, 25)])
def test_hours_keep_to_their_day(day: date) -> None:
    """Also on the two days that clocks change."""
    sky = Sky(site(), 3)
    hours, truth = hours_of(sky, day), sky.day(day)
    assert max(hour.temperature_c for hour in hours) == pytest.approx(truth.tmax_c)
    assert min(hour.temperature_c for hour in hours[:12]) == pytest.approx(truth.tmin_c)
    assert sum(hour.rain_mm or 0.0 for hour in hours) == pytest.approx(truth.rain_mm)
    for hour in hours:
        assert 0.0 < (hour.humidity_percent or -1.0) <= 100.0
        assert 0.0 <= (hour.wind_10m_m_s or -1.0) < 25.0
        assert 0.0 <= (hour.solar_w_m2 if hour.solar_w_m2 is not None else -1.0) <= sky.clear_w_m2(hour.start)


def test_nights_are_dark_and_noons_bright() -> None:
    hours = {hour.start.hour: hour.solar_w_m2 or 0.0 for hour in hours_of(Sky(site(), 3, hot_week(MONDAY)), MONDAY)}
    assert hours[2] == hours[23] == 0.0
    assert max(hours, key=lambda hour: hours[hour]) == 12     # solar noon at 7.9° W is at 12:37 UTC in July
    assert 900.0 < hours[12] < 1050.0


def test_no_jumps_from_hour_to_hour() -> None:
    sky = Sky(site(), 11)
    hours = [sky.hour(datetime(2026, 1, 1, tzinfo=UTC) + i * HOUR) for i in range(24 * 365)]
    steps = [abs(b.temperature_c - a.temperature_c) for a, b in pairwise(hours)]
    assert max(steps) < 5.0


@pytest.mark.parametrize(("place", "july_c", "january_c"), [
    # from memory, climate means of Beja and Perth: July and January mean daily maximum
    (site(), (31.0, 36.0), (10.0, 16.0)),
    (site(**PERTH), (15.0, 20.0), (29.0, 35.0)),   # type: ignore[arg-type]
])
def test_climate_is_that_of_the_place(place: Place, july_c: tuple[float, float],
                                      january_c: tuple[float, float]) -> None:
    sky = Sky(place, 5)
    for month, (low_c, high_c) in ((7, july_c), (1, january_c)):
        assert low_c < fmean(sky.day(day).tmax_c for day in days(sky, month, range(2000, 2015))) < high_c


def test_summers_are_hot_dry_and_broken_by_spells() -> None:
    sky = Sky(site(), 5)
    july = [sky.day(day) for day in days(sky, 7, range(1990, 2020))]
    january = [sky.day(day) for day in days(sky, 1, range(1990, 2020))]
    assert 1 < sum(day.tmax_c >= 37.0 for day in july) / 30 < 10
    assert max(day.tmax_c for day in july) < 50.0
    assert fmean(day.rain_mm for day in july) < 0.5 < 1.0 < fmean(day.rain_mm for day in january)


def test_wet_days_are_as_frequent_as_the_sky_says() -> None:
    sky = Sky(site(), 9)
    all_days = [date(1980, 1, 1) + timedelta(days=i) for i in range(365 * 30)]
    wet = sum(sky.day(day).rain_mm > 0.0 for day in all_days)
    assert wet == pytest.approx(sum(sky.wet_chance(day) for day in all_days), rel=0.08)


def test_hot_days_come_in_runs() -> None:
    """Persistence: the day after a hot day is far likelier to be hot than any day."""
    sky = Sky(site(), 5)
    july = days(sky, 7, range(1980, 2020))
    hot = [sky.day(day).tmax_c >= 37.0 for day in july]
    hot_days = [day for day, is_hot in zip(july, hot, strict=True) if is_hot]
    after_hot = [sky.day(day + timedelta(days=1)).tmax_c >= 37.0 for day in hot_days]
    assert fmean(after_hot) > 2.0 * fmean(hot)


def test_normals_of_the_site_are_followed() -> None:
    desert = replace(site(), normals=tuple(MonthNormal(20.0 + month, 8.0 + month) for month in range(12)))
    sky = Sky(desert, 5)
    assert sky.normal(date(2026, 7, 15)) == pytest.approx((26.0, 14.0))
    assert sky.normal(date(2026, 7, 30))[0] == pytest.approx(26.5)
    assert sky.normal(date(2026, 12, 30))[0] == pytest.approx((31.0 + 20.0) / 2, abs=0.5)


def test_hot_week_is_as_scripted() -> None:
    sky = Sky(site(), 1, hot_week(MONDAY))
    week = [hours_of(sky, MONDAY + timedelta(days=i)) for i in range(7)]
    highs = [max(hour.temperature_c for hour in hours) for hours in week]
    assert highs == pytest.approx([31.0, 33.5, 36.5, 39.5, 42.5, 41.0, 29.5])
    assert [sum(hour.rain_mm or 0.0 for hour in hours) for hours in week] == pytest.approx([0.0] * 6 + [4.0])


def test_script_leaves_the_rest_to_the_generator() -> None:
    drawn = Sky(site(), 1).day(MONDAY)
    told = Sky(site(), 1, scripted(MONDAY, [DayScript(40.0, 20.0, rain_mm=None)])).day(MONDAY)
    assert (told.tmax_c, told.tmin_c) == (40.0, 20.0)
    assert (told.rain_mm, told.cloud, told.wind_10m_m_s) == (drawn.rain_mm, drawn.cloud, drawn.wind_10m_m_s)
    assert Sky(site(), 1, scripted(MONDAY, [DayScript(40.0, 20.0)])).day(MONDAY - timedelta(days=1)) == Sky(
        site(), 1).day(MONDAY - timedelta(days=1))
