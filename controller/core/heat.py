"""Hot days and hot spells: runs of days that reach the site's threshold (37 degC: common practice, no source).

Beside the threshold stands the Excess Heat Factor of Nairn & Fawcett, which asks how unusual a heat is for the place
and for the month before it: above zero it is a heat wave, whatever the thermometer says.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from controller.agronomy.heat import daily_mean_c, excess_heat, hot_spells
from controller.agronomy.reference_et import saturation_kpa
from controller.core.site import Site
from controller.core.weather import DayWeather, WeatherBook, percentile_95_c

WINDY_2M_M_S = 5.0
DRY_RH_PERCENT = 15.0
LEARN_DAYS = 30


@dataclass(frozen=True, slots=True)
class Spell:
    """A run of hot days. peak_c: highest daily maximum within it.

    ehf_c2: largest Excess Heat Factor of its days [degC2], None if the place's climate is not known. wind_2m_m_s: the
    strongest daily mean wind; dry: whether its air is very dry.
    """

    first: date
    last: date
    peak_c: float
    ehf_c2: float | None = None
    wind_2m_m_s: float | None = None
    dry: bool = False

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1

    @property
    def character(self) -> str:
        """What else there is to say of it, in words; empty if nothing."""
        words = []
        if self.ehf_c2 is not None and self.ehf_c2 > 0.0:
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
    """The spells with their Excess Heat Factor, where the climate and the month before are known well enough."""
    t95_c = percentile_95_c(book, site) if site.heat.ehf else None
    if t95_c is None:
        return list(found)
    means = _means(days, book)
    return [replace(spell, ehf_c2=_largest(spell, means, t95_c)) for spell in found]


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
