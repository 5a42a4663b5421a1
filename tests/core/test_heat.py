"""Hot spells and the days one may plant on; the thresholds are common practice, no source."""

from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from controller.core.heat import planting_window, spells
from controller.core.weather import DayWeather

FIRST = date(2026, 7, 10)


def days(*maxima: float) -> list[DayWeather]:
    return [DayWeather(FIRST + timedelta(days=n), tmax, tmax - 15.0, "forecast") for n, tmax in enumerate(maxima)]


def test_a_day_on_the_threshold_is_hot() -> None:
    found = spells(days(36.9, 37.0, 41.0, 30.0, 38.0), 37.0)
    assert [(s.first.day, s.last.day, s.days, s.peak_c) for s in found] == [(11, 12, 2, 41.0), (14, 14, 1, 38.0)]


def test_a_missing_day_ends_a_spell() -> None:
    week = days(38.0, 38.0, 38.0)
    assert [s.days for s in spells([week[0], week[2]], 37.0)] == [1, 1]


def test_planting_waits_for_a_mild_day_with_mild_days_on_both_sides() -> None:
    assert planting_window(days(37, 37, 26, 26, 26), 26.0) == FIRST + timedelta(days=3)
    assert planting_window(days(37, 26, 26, 27, 26, 26), 26.0) is None
    assert planting_window(days(26, 26), 26.0) is None


@given(st.lists(st.floats(20, 50), min_size=1, max_size=30), st.floats(25, 45))
def test_every_hot_day_is_in_one_spell_and_no_other_day_in_any(maxima: list[float], level_c: float) -> None:
    week = days(*maxima)
    within = [spell.first + timedelta(days=n) for spell in spells(week, level_c) for n in range(spell.days)]
    assert within == [day.day for day in week if day.tmax_c >= level_c]
