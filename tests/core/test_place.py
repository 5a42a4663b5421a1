"""What a site's own thermometer teaches about its place, and that the days ahead are then foreseen for that place."""

from datetime import date, datetime, timedelta

import pytest

from controller.core.weather import BIAS_MOST_C, WeatherBook, take_forecast, take_temperature, weather_on
from tests.core.gardens import LISBON, a_forecast, a_site

START = datetime(2026, 7, 1, tzinfo=LISBON)
SITE = a_site()


def watched(days: int, top_c: float, bottom_c: float) -> WeatherBook:
    """Days of 30 degC by the forecast, and of other extremes by the site's thermometer."""
    book = take_forecast(WeatherBook(), a_forecast(START, [30.0] * 16), SITE)
    for hour in range(24 * days + 1):
        at = START + timedelta(hours=hour)
        book = take_temperature(book, top_c if at.hour == 15 else bottom_c, at, LISBON)
    return book


@pytest.mark.parametrize("warmer_c", [3.0, -3.0])
def test_a_day_ahead_is_foreseen_as_warm_as_the_place_has_been_beside_its_forecast(warmer_c: float) -> None:
    book = watched(12, 30.0 + warmer_c, 14.0 + warmer_c)
    ahead = weather_on(book, SITE, date(2026, 7, 15), START + timedelta(days=12))
    # Twelve days at a tenth each leave 0.9^12, about 28 %, of the difference still unlearnt.
    assert ahead.tmax_c == pytest.approx(30.0 + warmer_c * (1 - 0.9**12), abs=0.01)
    assert ahead.tmin_c == pytest.approx(14.0 + warmer_c * (1 - 0.9**12), abs=0.01)


def test_a_thermometer_in_the_sun_shifts_the_days_ahead_by_no_more_than_the_bound() -> None:
    book = watched(15, 55.0, 14.0)
    ahead = weather_on(book, SITE, date(2026, 7, 16), START + timedelta(days=15))
    assert ahead.tmax_c == pytest.approx(30.0 + BIAS_MOST_C)


def test_what_the_thermometer_saw_is_not_shifted() -> None:
    book = watched(12, 33.0, 17.0)
    seen = weather_on(book, SITE, date(2026, 7, 10), START + timedelta(days=12))
    assert (seen.tmax_c, seen.tmin_c) == (33.0, 17.0)


def test_what_was_learnt_of_one_day_does_not_teach_the_next_twice() -> None:
    """The forecast itself stays as it was told: the difference is learnt against that, not against its own echo."""
    book = watched(12, 33.0, 17.0)
    assert book.forecast[date(2026, 7, 12)].tmax_c == 30.0
