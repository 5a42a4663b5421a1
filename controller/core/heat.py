"""Hot days and hot spells: runs of days that reach the site's threshold (37 degC: common practice, no source).

Beside the threshold stands the Excess Heat Factor of Nairn & Fawcett, which asks how unusual a heat is for the place
and for the month before it: above zero it is a heat wave, whatever the thermometer says, and beside the place's own
heat waves a low, a severe or an extreme one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from types import MappingProxyType

from controller.agronomy.heat import DAYS_IN_A_HEAT_WAVE, Severity, daily_mean_c, excess_heat, hot_spells, severity
from controller.agronomy.reference_et import saturation_kpa
from controller.core.site import Site
from controller.core.weather import DayWeather, WeatherBook, percentile_95_c

WINDY_2M_M_S = 5.0
"""Daily mean wind from which a spell is called windy (common practice, no source)."""
DRY_RH_PERCENT = 15.0
"""Humidity of the hottest hour below which its air is called very dry (common practice, no source)."""
LEARN_DAYS = 30
"""The month before, of the Excess Heat Factor (Nairn & Fawcett 2013)."""
EHF85_LEAST_DAYS = 30
"""From so many days of positive factor on their 85th percentile is worth something: two to four years of an ordinary
climate (common practice, no source; published ones rest on thirty years)."""

CLASSES: Mapping[Severity, str] = MappingProxyType({
    "low": "a heat wave of low intensity for the place",
    "severe": "a severe heat wave for the place",
    "extreme": "an extreme heat wave for the place",
})


@dataclass(frozen=True, slots=True)
class Spell:
    """A run of hot days. peak_c: highest daily maximum within it.

    ehf_c2: largest Excess Heat Factor of its days [degC2], None if the place's climate is not known; severity: its
    class beside the place's own heat waves, None where these are not known or it is none. wind_2m_m_s: the strongest
    daily mean wind; dry: whether its air is very dry.
    """

    first: date
    last: date
    peak_c: float
    ehf_c2: float | None = None
    severity: Severity | None = None
    wind_2m_m_s: float | None = None
    dry: bool = False

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1

    @property
    def character(self) -> str:
        """What else there is to say of it, in words; empty if nothing."""
        words = []
        if self.severity is not None:
            words.append(CLASSES[self.severity])
        elif self.ehf_c2 is not None and self.ehf_c2 > 0.0:
            words.append("unusual for the place")
        if self.wind_2m_m_s is not None and self.wind_2m_m_s >= WINDY_2M_M_S:
            words.append("windy")
        if self.dry:
            words.append("very dry")
        return ", ".join(words)


def spells(days: Sequence[DayWeather], hot_day_c: float) -> list[Spell]:
    """The hot spells among days, in order. A day is hot when its maximum reaches `hot_day_c`."""
    found = hot_spells([(day.day, day.tmax_c) for day in days], hot_day_c)
    return [_described(Spell(each.first, each.last, each.peak_c), days) for each in found]


def with_excess_heat(found: Sequence[Spell], days: Sequence[DayWeather], book: WeatherBook, site: Site) -> list[Spell]:
    """The spells with their Excess Heat Factor and its class, where the climate and the month before are known well
    enough."""
    t95_c = percentile_95_c(book, site) if site.heat.ehf else None
    if t95_c is None:
        return list(found)
    means, ehf85_c2 = _means(days, book), percentile_85_c2(book, site)
    return [_classed(spell, _largest(spell, means, t95_c), ehf85_c2) for spell in found]


def percentile_85_c2(book: WeatherBook, site: Site) -> float | None:
    """EHF85, the 85th percentile of the place's positive Excess Heat Factors [degC2]: as configured, or learnt from at
    least EHF85_LEAST_DAYS of them; None if neither is there."""
    if site.heat.ehf85_c2 is not None:
        return site.heat.ehf85_c2
    count = sum(book.excess_heat.values())
    if count < EHF85_LEAST_DAYS:
        return None
    rest = 0.15 * count
    for factor_c2 in sorted(book.excess_heat, reverse=True):
        rest -= book.excess_heat[factor_c2]
        if rest <= 0.0:
            return float(factor_c2)
    return None


def learn_excess_heat(book: WeatherBook, site: Site) -> WeatherBook:
    """The book after the last day that the thermometer watched whole: if the three days before it were a heat wave,
    their factor is one more of the place's own. (Its night closes the last of the three.)"""
    last = book.learnt_to
    t95_c = percentile_95_c(book, site)
    if last is None or last == book.excess_heat_to or t95_c is None:
        return book
    book = replace(book, excess_heat_to=last)
    means = _means((), replace(book, measured={day: seen for day, seen in book.measured.items() if seen.whole}))
    known = [means.get(last - timedelta(days=n)) for n in range(LEARN_DAYS + DAYS_IN_A_HEAT_WAVE, 0, -1)]
    series = [mean_c for mean_c in known if mean_c is not None]
    if len(series) < len(known):
        return book
    factor_c2 = excess_heat(series, LEARN_DAYS, t95_c).factor
    if factor_c2 <= 0.0:
        return book
    whole_c2 = max(1, round(factor_c2))
    return replace(book, excess_heat={**book.excess_heat, whole_c2: book.excess_heat.get(whole_c2, 0) + 1})


def planting_window(days: Sequence[DayWeather], mild_day_c: float) -> date | None:
    """The first day that may be planted on: it and the days on both sides are mild (maximum at most `mild_day_c`;
    common practice, no source). None if there is none among these days."""
    run = list(days)
    for before, middle, after in zip(run, run[1:], run[2:], strict=False):
        if max(before.tmax_c, middle.tmax_c, after.tmax_c) <= mild_day_c:
            return middle.day
    return None


def _described(spell: Spell, days: Sequence[DayWeather]) -> Spell:
    within = [day for day in days if spell.first <= day.day <= spell.last]
    winds = [day.wind_2m_m_s for day in within if day.wind_2m_m_s is not None]
    return replace(spell, wind_2m_m_s=max(winds, default=None), dry=any(_very_dry(day) for day in within))


def _very_dry(day: DayWeather) -> bool:
    """Whether the humidity of its hottest hour is very low, by its mean vapour pressure."""
    return day.vapour_kpa is not None and 100.0 * day.vapour_kpa / saturation_kpa(day.tmax_c) < DRY_RH_PERCENT


def _classed(spell: Spell, ehf_c2: float | None, ehf85_c2: float | None) -> Spell:
    if ehf_c2 is None or ehf85_c2 is None:
        return replace(spell, ehf_c2=ehf_c2)
    return replace(spell, ehf_c2=ehf_c2, severity=severity(ehf_c2, ehf85_c2))


def _means(days: Sequence[DayWeather], book: WeatherBook) -> dict[date, float]:
    """Daily means by the factor's definition: a day's maximum and the minimum that follows it."""
    tmax = {day: seen.tmax_c for day, seen in book.measured.items() if seen.tmax_c is not None}
    tmin = {day: seen.tmin_c for day, seen in book.measured.items() if seen.tmin_c is not None}
    tmax |= {day.day: day.tmax_c for day in days}
    tmin |= {day.day: day.tmin_c for day in days}
    following = {day: tmin.get(day + timedelta(days=1), tmin.get(day)) for day in tmax}
    return {day: daily_mean_c(tmax[day], low_c) for day, low_c in following.items() if low_c is not None}


def _largest(spell: Spell, means: dict[date, float], t95_c: float) -> float | None:
    """The largest factor of the spell's days; None where the thirty days before are not all known."""
    factors = []
    for ahead in range(spell.days):
        day = spell.first + timedelta(days=ahead)
        series = [means.get(day + timedelta(days=n)) for n in range(-LEARN_DAYS, 3)]
        if None not in series:
            known = [mean_c for mean_c in series if mean_c is not None]
            factors.append(excess_heat(known, LEARN_DAYS, t95_c).factor)
    return max(factors, default=None)
