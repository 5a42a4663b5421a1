"""Hot spells, and the Excess Heat Factor against a series worked from its published definition."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.heat import HEAT_LIMITS, Severity, daily_mean_c, excess_heat, hot_spells, severity

from .printed import printed

START = date(2026, 1, 1)


def _days(*maxima: float) -> list[tuple[date, float]]:
    return [(START + timedelta(days=number), tmax) for number, tmax in enumerate(maxima)]


SERIES = [22.0] * 30 + [26, 28, 31, 33, 32, 29, 25, 23, 22, 22]
EXCESS = [
    ("1.333", "6.333", "8.444"), ("3.667", "8.533", "31.289"), ("5.000", "9.667", "48.333"),
    ("4.333", "8.700", "37.700"), ("1.667", "5.667", "9.444"), ("-1.333", "2.333", "-3.111"),
    ("-3.667", "-0.233", "-3.667"), ("-4.667", "-1.333", "-4.667"),
]


@pytest.mark.published(source="computed from Nairn, Ostendorf & Bi 2018, forward form, T95 27.0")
@pytest.mark.parametrize("day", range(8))
def test_excess_heat_factor(day: int) -> None:
    significance, acclimatisation, factor = EXCESS[day]
    heat = excess_heat(SERIES, 30 + day, 27.0)
    assert heat.significance == printed(significance)
    assert heat.acclimatisation == printed(acclimatisation)
    assert heat.factor == printed(factor)


@pytest.mark.published(source="Nairn & Fawcett 2013: the mean uses the minimum after the maximum")
def test_daily_mean() -> None:
    assert daily_mean_c(40.0, 24.0) == 32.0


@pytest.mark.published(source="Nairn & Fawcett 2015: severe from EHF85 on, low below; nought or less is no heat wave")
@pytest.mark.parametrize(
    ("factor", "expected"), [(-0.1, None), (0.0, None), (0.1, "low"), (19.9, "low"), (20.0, "severe"), (59.9, "severe")]
)
def test_severity(factor: float, expected: Severity | None) -> None:
    assert severity(factor, 20.0) == expected


@pytest.mark.published(source="Nairn & Fawcett 2015: extreme from 3 x EHF85 on (the factor from memory)")
@pytest.mark.parametrize(("ehf85", "least"), [(20.0, 60.0), (8.0, 24.0), (33.5, 100.5)])
def test_extreme_severity(ehf85: float, least: float) -> None:
    assert severity(least, ehf85) == "extreme"
    assert severity(least - 0.1, ehf85) == "severe"


@pytest.mark.published(source="computed from Nairn, Ostendorf & Bi 2018, forward form, T95 27.0; classes by EHF85 15.0")
def test_severity_of_the_worked_series() -> None:
    classes = [severity(excess_heat(SERIES, 30 + day, 27.0).factor, 15.0) for day in range(8)]
    assert classes == ["low", "severe", "extreme", "severe", "low", None, None, None]


@pytest.mark.parametrize("ehf85", [0.0, -4.0, float("nan")])
def test_severity_needs_a_percentile_above_nought(ehf85: float) -> None:
    with pytest.raises(ValueError, match="85th percentile"):
        severity(10.0, ehf85)


@pytest.mark.parametrize("first", [29, 38])
def test_excess_heat_needs_a_month_before_and_three_days(first: int) -> None:
    with pytest.raises(ValueError, match="first day's index"):
        excess_heat(SERIES, first, 27.0)


def test_two_spells_with_their_peaks() -> None:
    first, second = hot_spells(_days(30, 37, 41.5, 39, 30, 38, 38, 20), 37.0)
    assert (first.first.day, first.last.day, first.peak.day, first.peak_c, first.days) == (2, 4, 3, 41.5, 3)
    assert (second.first.day, second.last.day, second.peak.day, second.peak_c) == (6, 7, 6, 38)


def test_a_missing_date_ends_a_spell() -> None:
    days = _days(38, 39, 40)
    assert [spell.days for spell in hot_spells([days[0], days[2]], 37.0)] == [1, 1]


def test_a_spell_to_the_end_of_the_forecast_counts() -> None:
    assert hot_spells(_days(20, 37, 38), 37.0, least_days=2)[0].last == START + timedelta(days=2)


def test_no_spell() -> None:
    assert hot_spells(_days(20, 36.9), 37.0) == []
    assert hot_spells([], 37.0) == []


@given(st.lists(st.floats(10, 48), max_size=40), st.floats(20, 45), st.integers(1, 4))
def test_spells_are_hot_apart_and_as_long_as_can_be(maxima: list[float], level: float, least: int) -> None:
    by_day = dict(_days(*maxima))
    one = timedelta(days=1)
    spells = hot_spells(_days(*maxima), level, least)
    for spell in spells:
        inside = [by_day[spell.first + one * offset] for offset in range(spell.days)]
        assert min(inside) >= level
        assert spell.peak_c == max(inside) == by_day[spell.peak]
        assert spell.days >= least
        assert by_day.get(spell.first - one, -99) < level
        assert by_day.get(spell.last + one, -99) < level
    covered = sum(spell.days for spell in spells)
    if least == 1:
        assert covered == sum(tmax >= level for tmax in maxima)


def test_a_mixed_up_forecast_is_refused() -> None:
    days = _days(38, 39)
    with pytest.raises(ValueError, match="order of date"):
        hot_spells([days[1], days[0]], 37.0)
    with pytest.raises(ValueError, match="maximum temperature of 2026-01-01"):
        hot_spells([(START, float("nan"))], 37.0)


@pytest.mark.published(source="South Dakota State, Iowa State universities; Ontario vegetable service")
@pytest.mark.parametrize(
    ("crop", "day_c", "night_c"),
    [("tomato", 37.8, None), ("capsicum", 32.0, 24.0), ("green bean", 30.0, 20.0), ("squash", 30.0, None)],
)
def test_limits_of_crops(crop: str, day_c: float, night_c: float | None) -> None:
    assert (HEAT_LIMITS[crop].day_c, HEAT_LIMITS[crop].night_c) == (day_c, night_c)
