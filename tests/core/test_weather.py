"""Days out of hours, and which of several tellers is believed."""

import itertools
import math
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from controller.core.forecast import Forecast, Hour
from controller.core.moment import day_bounds, local_midnight
from controller.core.site import MonthNormal, Site
from controller.core.weather import (
    FRESH_H,
    WeatherBook,
    days_ahead,
    et0_of,
    fold_hours,
    none_after,
    share_of_day,
    sun_on,
    take_forecast,
    take_rain,
    take_temperature,
    weather_on,
)
from tests.core.gardens import LISBON, a_forecast, a_site

JULY_15 = date(2026, 7, 15)
HOUR = timedelta(hours=1)


def hours(start: datetime, count: int, *, rain_mm: float | None = 0.0, chance: float | None = None) -> list[Hour]:
    """Plain hours; the temperature is the number of the hour, so that a day's extremes say which hours are in it."""
    return [Hour(start + n * HOUR, float(n % 50), 50.0, 2.0, 100.0, rain_mm, chance) for n in range(count)]


def midnight(day: date = JULY_15) -> datetime:
    return local_midnight(day, LISBON)


# Hours to days ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "day", "length"),
    [
        ("Europe/Lisbon", date(2026, 7, 15), 24),
        ("Europe/Lisbon", date(2026, 3, 29), 23),
        ("Europe/Lisbon", date(2026, 10, 25), 25),
        ("Australia/Sydney", date(2026, 4, 5), 25),
        ("Australia/Sydney", date(2026, 10, 4), 23),
    ],
)
def test_a_civil_day_has_its_own_hours_all_over_the_world_and_on_both_changes_of_the_clock(
    zone: str, day: date, length: int
) -> None:
    timezone = ZoneInfo(zone)
    begin, end = day_bounds(day, timezone)
    assert end - begin == length * HOUR
    folded = {each.day: each for each in fold_hours(hours(begin, length, rain_mm=0.5), timezone)}
    assert list(folded) == [day]
    assert (folded[day].hours, folded[day].tmin_c, folded[day].tmax_c) == (length, 0.0, length - 1.0)
    assert folded[day].rain_mm == pytest.approx(0.5 * length)


def test_a_utc_day_of_hours_falls_into_two_civil_days_far_from_greenwich() -> None:
    folded = fold_hours(hours(datetime(2026, 1, 10, tzinfo=UTC), 24), ZoneInfo("Australia/Perth"))   # UTC+8
    assert [(each.day.day, each.hours) for each in folded] == [(10, 16), (11, 8)]


def test_radiation_of_a_day_is_its_hours_in_megajoules() -> None:
    (day,) = fold_hours(hours(midnight(), 24), LISBON)
    assert day.solar_mj_m2 == pytest.approx(24 * 100 * 3600 / 1e6)


def test_what_is_missing_is_not_nought() -> None:
    bare = [Hour(midnight() + n * HOUR, 20.0 + n % 3) for n in range(24)]
    (day,) = fold_hours(bare, LISBON)
    assert (day.rain_mm, day.solar_mj_m2, day.wind_2m_m_s, day.vapour_kpa, day.rain_probability) == (None,) * 5
    holes = [*hours(midnight(), 10, rain_mm=1.0), *hours(midnight() + 10 * HOUR, 14, rain_mm=None)]
    assert fold_hours(holes, LISBON)[0].rain_mm is None, "ten hours do not tell the rain of a day"


def test_the_sun_of_half_a_day_is_not_the_sun_of_the_day() -> None:
    assert fold_hours(hours(midnight() + 12 * HOUR, 12), LISBON)[0].solar_mj_m2 is None


def test_a_day_that_no_place_on_earth_has_does_not_stop_the_reckoning() -> None:
    """Each hour for itself is possible; all of them together are not. Such a column counts as missing."""
    site = a_site()
    wild = [Hour(midnight() + n * HOUR, 55.0 + n % 2, 100.0, 100.0, 1400.0, 400.0, 1.0) for n in range(24)]
    book = take_forecast(WeatherBook(), Forecast("wild", midnight(), tuple(wild)), site)
    day = book.forecast[JULY_15]
    assert (day.solar_mj_m2, day.vapour_kpa, day.wind_2m_m_s) == (None, None, None)
    assert 0.0 < et0_of(book, site, JULY_15, midnight()).mm < 30.0


# A later forecast ---------------------------------------------------------------------------------


def rain_of(book: WeatherBook, day: date = JULY_15) -> float | None:
    return book.forecast[day].rain_mm


def test_the_rain_of_the_morning_is_not_forgotten_over_the_evenings_forecast() -> None:
    site = a_site()
    first = Forecast("t", midnight(), tuple(hours(midnight(), 12, rain_mm=1.0) + hours(midnight() + 12 * HOUR, 36)))
    book = take_forecast(WeatherBook(), first, site)
    assert rain_of(book) == pytest.approx(12.0)
    evening = midnight() + 18 * HOUR
    book = take_forecast(book, Forecast("t", evening, tuple(hours(evening, 48))), site)
    assert rain_of(book) == pytest.approx(12.0), "the new one begins at 18 o'clock and knows nothing of the morning"
    assert book.forecast[JULY_15].hours == 24
    night = midnight() + 26 * HOUR
    book = take_forecast(book, Forecast("t", night, tuple(hours(night, 48, rain_mm=0.25))), site)
    assert rain_of(book) == pytest.approx(12.0)
    assert rain_of(book, date(2026, 7, 16)) == pytest.approx(22 * 0.25)


def test_what_the_newer_forecast_says_of_an_hour_holds() -> None:
    site = a_site()
    book = take_forecast(WeatherBook(), Forecast("t", midnight(), tuple(hours(midnight(), 48, rain_mm=1.0))), site)
    noon = midnight() + 12 * HOUR
    book = take_forecast(book, Forecast("t", noon, tuple(hours(noon, 48))), site)
    assert rain_of(book) == pytest.approx(12.0)


def test_the_heat_of_the_day_is_not_forgotten_when_only_its_evening_is_foretold_anew() -> None:
    site = a_site()
    book = take_forecast(WeatherBook(), a_forecast(midnight() - 72 * HOUR, [30, 31, 32, 41, 33]), site)
    evening = midnight() + 20 * HOUR
    cool = tuple(Hour(evening + n * HOUR, 24.0) for n in range(20))
    book = take_forecast(book, Forecast("t", evening, cool), site)
    assert book.forecast[JULY_15].tmax_c == pytest.approx(41.0)


def test_a_forecast_of_no_hours_changes_no_day() -> None:
    site = a_site()
    book = take_forecast(WeatherBook(), a_forecast(midnight(), [30, 31]), site)
    assert take_forecast(book, Forecast("t", midnight(), ()), site).forecast == book.forecast


# Who is believed ----------------------------------------------------------------------------------


NORMALS = tuple(MonthNormal(10.0 + month, month) for month in range(12))


def watched(book: WeatherBook, day: date, tmin_c: float, tmax_c: float) -> WeatherBook:
    """A day that the site's thermometer has seen whole."""
    for hour, value in ((1, tmin_c), (12, tmax_c), (23, (tmin_c + tmax_c) / 2)):
        book = take_temperature(book, value, midnight(day) + hour * HOUR, LISBON)
    return book


def test_the_order_of_belief() -> None:
    bare, with_normals = a_site(), a_site(normals=NORMALS)
    now = midnight() + 12 * HOUR
    assert weather_on(WeatherBook(), bare, JULY_15, now).basis == "season guess"
    normal = weather_on(WeatherBook(), with_normals, JULY_15, now)
    assert (normal.basis, normal.tmax_c) == ("monthly normal", 16.0)
    recent = watched(watched(WeatherBook(), date(2026, 7, 13), 15, 35), date(2026, 7, 14), 17, 39)
    told = weather_on(recent, with_normals, JULY_15, now)
    assert (told.basis, told.tmax_c, told.tmin_c) == ("recent days", 37.0, 16.0)
    forecast = take_forecast(recent, a_forecast(midnight(), [40, 41]), with_normals)
    assert weather_on(forecast, with_normals, JULY_15, now).basis == "forecast"
    late = midnight() + FRESH_H * HOUR
    assert weather_on(forecast, with_normals, JULY_15, late).basis == "forecast"
    assert weather_on(forecast, with_normals, JULY_15, late + HOUR).basis == "aged forecast"
    measured = weather_on(watched(forecast, JULY_15, 18, 43), with_normals, JULY_15, late)
    assert (measured.basis, measured.tmax_c, measured.tmin_c) == ("measured", 43.0, 18.0)


def test_measured_days_long_past_are_not_recent() -> None:
    book = watched(WeatherBook(), date(2026, 6, 1), 15, 35)
    assert weather_on(book, a_site(), JULY_15, midnight()).basis == "season guess"


def test_a_day_half_watched_widens_the_forecast_and_does_not_replace_it() -> None:
    book = take_forecast(WeatherBook(), a_forecast(midnight(), [38]), a_site())
    book = take_temperature(book, 42.0, midnight() + 12 * HOUR, LISBON)
    day = weather_on(book, a_site(), JULY_15, midnight() + 13 * HOUR)
    assert (day.basis, day.tmax_c) == ("forecast", 42.0)
    assert day.tmin_c == pytest.approx(22.0)


def test_rain_in_the_gauge_is_certain_and_a_forecast_of_more_stays_as_unsure_as_it_was() -> None:
    site = a_site()
    told = Forecast("t", midnight(), tuple(hours(midnight(), 24, rain_mm=0.5, chance=0.4)))
    book = take_forecast(WeatherBook(), told, site)
    some = weather_on(take_rain(book, 3.0, midnight() + 9 * HOUR, LISBON), site, JULY_15, midnight())
    assert some.rain_mm == pytest.approx(12.0)
    assert some.rain_probability == 0.4
    book = take_rain(take_rain(book, 3.0, midnight() + 9 * HOUR, LISBON), 12.0, midnight() + 10 * HOUR, LISBON)
    much = weather_on(book, site, JULY_15, midnight())
    assert (much.rain_mm, much.rain_probability) == (15.0, 1.0)


def test_a_thermometer_does_not_make_a_forecast_rain_certain() -> None:
    site = a_site()
    told = Forecast("t", midnight(), tuple(hours(midnight(), 24, rain_mm=0.5, chance=0.4)))
    day = weather_on(watched(take_forecast(WeatherBook(), told, site), JULY_15, 1, 20), site, JULY_15, midnight())
    assert (day.basis, day.rain_probability) == ("measured", 0.4)


def test_normals_run_into_one_another_without_a_step() -> None:
    seasons = tuple(MonthNormal(21.0 - 10.0 * math.cos(math.tau * month / 12), 5.0) for month in range(12))
    site = a_site(normals=seasons)
    days = [weather_on(WeatherBook(), site, date(2026, 1, 1) + timedelta(days=n), midnight()) for n in range(365)]
    steps = [abs(b.tmax_c - a.tmax_c) for a, b in itertools.pairwise(days)]
    assert 0.1 < max(steps) < 0.25, "the steepest month rises by 5 degrees"


def test_the_season_guess_knows_the_hemisphere() -> None:
    south = a_site(latitude_deg=-34.0, longitude_deg=150.0, timezone=ZoneInfo("Australia/Sydney"))
    for site, warm, cold in ((a_site(), 7, 1), (south, 1, 7)):
        summer, winter = (weather_on(WeatherBook(), site, date(2026, m, 20), midnight()) for m in (warm, cold))
        assert summer.tmax_c > 30 > 20 > winter.tmax_c > winter.tmin_c


def test_days_ahead_begin_with_today_and_leave_none_out() -> None:
    days = days_ahead(WeatherBook(), a_site(), JULY_15, midnight(), 7)
    assert [each.day for each in days] == [JULY_15 + timedelta(days=n) for n in range(7)]


def test_days_written_by_a_clock_that_ran_ahead_are_forgotten() -> None:
    site, far = a_site(), date(2036, 7, 15)
    book = take_forecast(WeatherBook(), a_forecast(midnight(far), [30] * 3), site)
    book = watched(watched(book, far, 1, 9), JULY_15, 15, 35)
    book = none_after(book, JULY_15, midnight() + 12 * HOUR)
    assert (list(book.forecast), list(book.measured), book.hours) == ([], [JULY_15], ())
    assert book.issued is not None
    assert book.issued <= midnight() + 12 * HOUR


# The sun ------------------------------------------------------------------------------------------


PLACES = [
    a_site(),
    a_site(latitude_deg=-37.8, longitude_deg=145.0, timezone=ZoneInfo("Australia/Melbourne")),
    a_site(latitude_deg=69.6, longitude_deg=18.9, timezone=ZoneInfo("Europe/Oslo")),
]


@pytest.mark.parametrize("site", PLACES, ids=lambda site: str(site.timezone))
@pytest.mark.parametrize("month", [1, 3, 6, 10, 12])
def test_a_day_draws_the_whole_of_itself_and_never_backwards(site: Site, month: int) -> None:
    for day in (date(2026, month, 25), date(2026, month, 29)):
        begin, end = day_bounds(day, site.timezone)
        shares = [share_of_day(site, day, begin + n * HOUR) for n in range(int((end - begin) / HOUR) + 1)]
        assert shares[0] == 0.0
        assert shares[-1] == pytest.approx(1.0)
        assert shares == sorted(shares)


@pytest.mark.published(source="FAO-56 (1998), Example 19: 0.00 mm in the hour from 2 to 3 at night")
def test_nothing_is_drawn_at_night_and_half_by_noon() -> None:
    site, sun = a_site(), sun_on(a_site(), JULY_15)
    assert sun.sunrise is not None
    assert sun.sunset is not None
    assert share_of_day(site, JULY_15, sun.sunrise) == 0.0
    assert share_of_day(site, JULY_15, sun.sunset) == 1.0
    assert share_of_day(site, JULY_15, sun.noon) == pytest.approx(0.5, abs=0.01)
    two, three = (midnight() + hour * HOUR for hour in (2, 3))
    assert share_of_day(site, JULY_15, three) - share_of_day(site, JULY_15, two) == 0.0
