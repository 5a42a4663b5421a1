"""Hot spells and Excess Heat Factor on 8552 days of real weather, beside a plain calculation with pandas."""

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from controller.agronomy.heat import daily_mean_c, excess_heat, hot_spells

from . import tunis
from .test_heat import EXCESS, SERIES

WEATHER = tunis.table()
MAXIMA = [(moment.date(), float(tmax)) for moment, tmax in WEATHER.MaxTemp.items()]
LEVEL_C = 37.0


def by_pandas(means: "pd.Series[float]", percentile_95: float) -> pd.DataFrame:
    """Excess heat of the three days from each day on (Nairn, Ostendorf & Bi 2018), by rolling means."""
    three = means.rolling(3).mean().shift(-2)
    month_before = means.rolling(30).mean().shift(1)
    significance, acclimatisation = three - percentile_95, three - month_before
    factor = significance * acclimatisation.clip(lower=1)
    columns = {"significance": significance, "acclimatisation": acclimatisation, "factor": factor}
    return pd.DataFrame(columns).dropna()


@pytest.mark.published(source="counted in the open weather of Tunis 1979-2002: 301 days of 37 °C and more")
def test_every_hot_day_is_in_one_spell() -> None:
    spells = hot_spells(MAXIMA, LEVEL_C)
    assert sum(spell.days for spell in spells) == 301
    assert max(spell.peak_c for spell in spells) == 46.6


@pytest.mark.published(source="counted in the open weather of Tunis 1979-2002: 62 spells of two or more days")
def test_spells_of_two_days_and_longer() -> None:
    assert len(hot_spells(MAXIMA, LEVEL_C, least_days=2)) == 62


@pytest.mark.parametrize("least_days", [1, 2, 3])
@pytest.mark.parametrize("level_c", [30.0, 35.0, 37.0, 40.0, 50.0])
def test_spells_are_those_of_a_plain_grouping(level_c: float, least_days: int) -> None:
    hot = WEATHER.MaxTemp >= level_c
    runs = WEATHER.MaxTemp[hot].groupby((~hot).cumsum()[hot])
    expected = [
        (run.index[0].date(), run.index[-1].date(), run.idxmax().date(), run.max())
        for _, run in runs if len(run) >= least_days
    ]
    found = hot_spells(MAXIMA, level_c, least_days)
    assert [(spell.first, spell.last, spell.peak, spell.peak_c) for spell in found] == expected


@pytest.mark.published(source="computed from Nairn, Ostendorf & Bi 2018, forward form, T95 27.0")
def test_the_plain_calculation_meets_the_worked_series() -> None:
    expected = [[float(figure) for figure in row] for row in EXCESS]
    assert np.allclose(by_pandas(pd.Series(SERIES), 27.0).to_numpy(), expected, rtol=0, atol=6e-4)


def test_excess_heat_on_every_day() -> None:
    """The minimum is that of the night after; T95 over all days of the record."""
    means = [
        daily_mean_c(float(tmax), float(tmin))
        for tmax, tmin in zip(WEATHER.MaxTemp.iloc[:-1], WEATHER.MinTemp.iloc[1:], strict=True)
    ]
    theirs = (WEATHER.MaxTemp + WEATHER.MinTemp.shift(-1)).dropna() / 2
    percentile_95 = float(np.percentile(theirs, 95))
    expected = by_pandas(theirs, percentile_95)
    found = [excess_heat(means, first, percentile_95) for first in range(30, len(means) - 2)]
    assert len(found) == len(expected) > 8500
    for name in ("significance", "acclimatisation", "factor"):
        assert np.allclose([getattr(heat, name) for heat in found], expected[name], rtol=0, atol=1e-8)
    heat_wave = expected.factor > 0
    assert 0.02 < heat_wave.mean() < 0.08
    assert set(expected.index[heat_wave].month) <= {5, 6, 7, 8, 9, 10}


def test_the_hottest_spell_is_a_heat_wave_by_both_measures() -> None:
    hottest = max(hot_spells(MAXIMA, LEVEL_C), key=lambda spell: spell.peak_c)
    theirs = (WEATHER.MaxTemp + WEATHER.MinTemp.shift(-1)).dropna() / 2
    factors = by_pandas(theirs, float(np.percentile(theirs, 95))).factor
    near = pd.date_range(hottest.first - timedelta(days=2), hottest.last)
    assert factors[near].max() > 0
