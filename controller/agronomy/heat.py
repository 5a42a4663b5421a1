"""Heat spells: by a level that the gardener sets, and by the Excess Heat Factor against a place's own
climate.

A level near 37 °C sits where tomatoes stop setting fruit, 5 K above capsicum and beans; `HEAT_LIMITS` has
the limits. The Excess Heat Factor (Nairn & Fawcett 2013, 2015; forward form of Nairn, Ostendorf & Bi 2018)
compares three days with the site's hottest twentieth and with the month before. It needs mean daily
temperatures (maximum plus the minimum that FOLLOWS it, over two); a minimum from midnight to midnight
shifts it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import fmean
from types import MappingProxyType
from typing import Literal

from controller.agronomy.ranges import within

DAYS_IN_A_HEAT_WAVE = 3
DAYS_OF_ACCLIMATISATION = 30

Severity = Literal["low", "severe", "extreme"]
EXTREME = 3.0
"""Multiple of EHF85 from which a heat wave is extreme (Nairn & Fawcett 2015; the factor from memory)."""


@dataclass(frozen=True)
class HotSpell:
    """Days in a row with a maximum at or above the level; the peak is the hottest, the earlier of equals."""

    first: date
    last: date
    peak: date
    peak_c: float

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1


def hot_spells(maxima: Sequence[tuple[date, float]], level_c: float, least_days: int = 1) -> list[HotSpell]:
    """Hot spells in daily maxima, °C, given in order of date; a missing date ends a spell.

    >>> week = [(date(2026, 1, 10 + i), tmax) for i, tmax in enumerate((31.0, 37.0, 41.5, 39.0, 30.0, 38.0))]
    >>> [(spell.first.day, spell.last.day, spell.peak.day) for spell in hot_spells(week, 37.0, least_days=2)]
    [(11, 13, 12)]
    """
    within("level", level_c, -50, 70, "°C")
    within("least number of days", least_days, 1, 365)
    spells: list[HotSpell] = []
    previous: date | None = None
    for day, tmax_c in maxima:
        if previous is not None and day <= previous:
            raise ValueError(f"daily maxima must be in order of date; {day} comes after {previous}")
        previous = day
        within(f"maximum temperature of {day}", tmax_c, -80, 70, "°C")
        if tmax_c < level_c:
            continue
        if spells and day - spells[-1].last == timedelta(days=1):
            running = spells[-1]
            hotter = tmax_c > running.peak_c
            spells[-1] = HotSpell(
                running.first, day, day if hotter else running.peak, tmax_c if hotter else running.peak_c
            )
        else:
            spells.append(HotSpell(day, day, day, tmax_c))
    return [spell for spell in spells if spell.days >= least_days]


def daily_mean_c(tmax_c: float, following_tmin_c: float) -> float:
    """Daily mean temperature for the Excess Heat Factor, °C: the minimum is that of the night after.

    >>> daily_mean_c(40.0, 24.0)
    32.0
    """
    return (tmax_c + following_tmin_c) / 2


@dataclass(frozen=True)
class ExcessHeat:
    """Excess heat of three days, K, and the factor, K squared: above nought is a heat wave."""

    significance: float
    acclimatisation: float
    factor: float


def excess_heat(daily_means_c: Sequence[float], first: int, percentile_95_c: float) -> ExcessHeat:
    """Excess Heat Factor of the three days from index `first` (forward form).

    EHIsig = mean of three days - T95; EHIaccl = the same mean - mean of the thirty days before; EHF =
    EHIsig max(1, EHIaccl). T95 is the 95th percentile of daily means over all days of some thirty years.

    >>> round(excess_heat([22.0] * 30 + [26, 28, 31], 30, 27.0).factor, 3)
    8.444
    """
    within("first day's index", first, DAYS_OF_ACCLIMATISATION, len(daily_means_c) - DAYS_IN_A_HEAT_WAVE)
    three = fmean(daily_means_c[first:first + DAYS_IN_A_HEAT_WAVE])
    before = fmean(daily_means_c[first - DAYS_OF_ACCLIMATISATION:first])
    significance, acclimatisation = three - percentile_95_c, three - before
    return ExcessHeat(significance, acclimatisation, significance * max(1.0, acclimatisation))


def severity(factor: float, percentile_85: float) -> Severity | None:
    """Class of a heat wave by its Excess Heat Factor, K squared; None where the factor is not above nought.

    percentile_85: EHF85, the 85th percentile of all positive factors of the site, over some thirty years. Severe
    from there on, extreme from three times as much, of low intensity below (Nairn & Fawcett 2015, Int. J. Environ.
    Res. Public Health 12:227).

    >>> [severity(factor, 12.0) for factor in (-3.0, 5.0, 12.0, 36.0)]
    [None, 'low', 'severe', 'extreme']
    """
    within("85th percentile of the Excess Heat Factor", percentile_85, 0.1, 1000, "K squared")
    if factor <= 0.0:
        return None
    if factor < percentile_85:
        return "low"
    return "severe" if factor < EXTREME * percentile_85 else "extreme"


@dataclass(frozen=True)
class HeatLimit:
    """Above `day_c`, or at night above `night_c` where known, flowers fail to set. Air temperature, °C."""

    day_c: float
    night_c: float | None
    source: str


HEAT_LIMITS: Mapping[str, HeatLimit] = MappingProxyType({
    "tomato": HeatLimit(37.8, None, "South Dakota State University: no set above 37.8 °C"),
    "tomato, warm nights": HeatLimit(32.0, 21.0, "South Dakota State University: no set at 32 to 37 °C"),
    "capsicum": HeatLimit(32.0, 24.0, "South Dakota State University (day); Iowa State University (night)"),
    "green bean": HeatLimit(30.0, 20.0, "Ontario vegetable service: in flower"),
    "squash": HeatLimit(30.0, None, "South Dakota State University: flowers close by mid-morning"),
    "pumpkin": HeatLimit(30.0, None, "South Dakota State University: flowers close by mid-morning"),
})
"""By crop; what to watch in the forecast, not what to water by."""
