"""Hot spells, how unusual they are for the place, and the days one may plant on; the thresholds are common practice, no
source."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from controller.agronomy.heat import excess_heat
from controller.core.heat import (
    EHF85_LEAST_DAYS,
    learn_excess_heat,
    percentile_85_c2,
    planting_window,
    spells,
    with_excess_heat,
)
from controller.core.site import Heat
from controller.core.weather import DayWeather, WeatherBook, take_temperature
from controller.words import Words
from tests.core.gardens import LISBON, a_site

FIRST = date(2026, 7, 10)
MEANS = [22.0] * 30 + [26.0, 28.0, 31.0, 33.0, 32.0, 29.0, 25.0, 23.0, 22.0, 22.0]
"""The worked series of tests/agronomy/test_heat.py. Its factors by T95 27: 8.4, 31.3, 48.3, 37.7, 9.4, then none."""
SITE = replace(a_site(), heat=Heat(hot_day_c=37.0, t95_c=27.0))


def watched(means: Sequence[float], book: WeatherBook | None = None, first: date = date(2026, 6, 1)) -> WeatherBook:
    """Days that the site's thermometer watched whole. A maximum and the minimum after it have the mean of `means`."""
    book = book or WeatherBook()
    lows = [mean_c - 8.0 for mean_c in (means[0], *means)]
    for n, mean_c in enumerate(means):
        midnight = datetime.combine(first + timedelta(days=n), time(), LISBON)
        top_c = 2.0 * mean_c - lows[n + 1]
        # The coldest hour belongs to the mean of the day before it.
        for hour, value_c in ((0, lows[n] + 1.0), (5, lows[n]), (15, top_c), (23, lows[n] + 4.0)):
            book = learn_excess_heat(take_temperature(book, value_c, midnight + timedelta(hours=hour), LISBON), SITE)
    return book


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


# How unusual --------------------------------------------------------------------------------------


def test_the_place_learns_its_own_heat_waves_from_its_thermometer() -> None:
    """Each whole day with a factor above nought is counted once, in whole degC2."""
    expected = [excess_heat(MEANS, 30 + n, 27.0).factor for n in range(8)]
    learnt = watched([*MEANS, 22.0, 22.0]).excess_heat
    assert learnt == {round(factor): 1 for factor in expected if factor > 0.0}
    assert sorted(learnt) == [8, 9, 31, 38, 48]


def test_a_day_that_nobody_watched_teaches_no_heat_wave() -> None:
    book = watched(MEANS[:20])
    book = watched(MEANS[21:], book, date(2026, 6, 1) + timedelta(days=21))
    assert book.excess_heat == {}


def test_no_class_is_given_before_enough_heat_waves_are_known() -> None:
    few = WeatherBook(excess_heat={10: EHF85_LEAST_DAYS - 1})
    assert percentile_85_c2(few, SITE) is None
    assert percentile_85_c2(replace(few, excess_heat={10: EHF85_LEAST_DAYS}), SITE) == 10.0


def test_the_learnt_percentile_has_fifteen_in_a_hundred_at_or_above_it() -> None:
    book = WeatherBook(excess_heat=dict.fromkeys(range(1, 101), 1))
    assert percentile_85_c2(book, SITE) == 86.0
    given_c2 = replace(SITE, heat=replace(SITE.heat, ehf85_c2=12.5))
    assert percentile_85_c2(book, given_c2) == 12.5, "what the config says goes first"


@pytest.mark.parametrize(
    ("ehf85_c2", "severity", "said"),
    [
        (60.0, "low", "a heat wave of low intensity for the place"),
        (40.0, "severe", "a severe heat wave for the place"),
        (12.0, "extreme", "an extreme heat wave for the place"),
        (None, None, "unusual for the place"),
    ],
)
def test_a_spell_is_classed_by_its_largest_factor(ehf85_c2: float | None, severity: str | None, said: str) -> None:
    site = replace(SITE, heat=replace(SITE.heat, ehf85_c2=ehf85_c2))
    series = watched(MEANS[:30])
    week = [
        DayWeather(date(2026, 7, 1) + timedelta(days=n), mean_c + 8.0, MEANS[29 + n] - 8.0, "forecast")
        for n, mean_c in enumerate(MEANS[30:])
    ]
    (spell,) = with_excess_heat(spells(week, 37.0), week, series, site)
    assert (spell.first.day, spell.last.day) == (3, 6)
    assert spell.ehf_c2 == pytest.approx(48.333, abs=0.5)
    assert spell.severity == severity
    assert [Words(site).say(trait) for trait in spell.traits(site)] == [said]


def test_what_was_learnt_of_heat_waves_comes_back_from_the_journal() -> None:
    adapter = TypeAdapter(WeatherBook)
    book = watched([*MEANS, 22.0, 22.0])
    assert adapter.validate_json(adapter.dump_json(book)) == book
