"""Hot days and hot spells: runs of days that reach the site's threshold (37 degC: common practice, no source).

A day still to come is hot when that is likely enough: what its forecasts say together, and how far they have been off,
give the chance. Near days, for which shade must go up now or never, count from a small one: shade put up for nothing
costs an hour, seedlings burnt cost the crop. From a smaller one still where the day after is hot anyway: the hour is
spent then, and a cloth that goes up a day too soon only costs some light.

Beside the threshold stands the Excess Heat Factor of Nairn & Fawcett, which asks how unusual a heat is for the place
and for the month before it: above zero it is a heat wave, whatever the thermometer says, and beside the place's own
heat waves a low, a severe or an extreme one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from controller.agronomy.heat import DAYS_IN_A_HEAT_WAVE, Severity, daily_mean_c, excess_heat, hot_spells, severity
from controller.agronomy.reference_et import saturation_kpa
from controller.core.frozen import replace
from controller.core.said import Fact, Said, Span
from controller.core.site import Site
from controller.core.skill import Guess, together
from controller.core.weather import DayWeather, WeatherBook, issues_of, percentile_95_c, slips_of, weather_on

NEAR_DAYS = 2
LIKELY = 0.5
"""Chance from which a day farther ahead counts as hot: what must be done days before can also be done a day later."""
SOONER = 0.25
"""A day under shade for nothing costs so much of what putting it up for nothing costs (common practice, no source)."""
FORETOLD = ("forecast", "aged forecast")
DRY_RH_PERCENT = 15.0
"""Humidity of the hottest hour below which its air is called very dry (common practice, no source)."""
LEARN_DAYS = 30
"""The month before, of the Excess Heat Factor (Nairn & Fawcett 2013)."""
EHF85_LEAST_DAYS = 30
"""From so many days of positive factor on their 85th percentile is worth something: two to four years of an ordinary
climate (common practice, no source; published ones rest on thirty years)."""


@dataclass(frozen=True, slots=True)
class Spell:
    """A run of hot days. peak_c: highest daily maximum within it.

    ehf_c2: largest Excess Heat Factor of its days [degC2], None if the place's climate is not known; severity: its
    class beside the place's own heat waves, None where these are not known or it is none. wind_2m_m_s: the strongest
    daily mean wind; dry: whether its air is very dry. chance: that one of its days reaches the threshold.
    """

    first: date
    last: date
    peak_c: float
    ehf_c2: float | None = None
    severity: Severity | None = None
    wind_2m_m_s: float | None = None
    dry: bool = False
    chance: float = 1.0

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1

    def windy(self, site: Site) -> bool:
        """Whether its wind would break limp stems."""
        return self.wind_2m_m_s is not None and self.wind_2m_m_s >= site.jobs.windy_m_s

    def traits(self, site: Site) -> tuple[Said, ...]:
        """What else there is to say of it."""
        unusual = self.severity is None and self.ehf_c2 is not None and self.ehf_c2 > 0.0
        traits = {"unusual": unusual, "windy": self.windy(site), "dry": self.dry}
        names = [*([self.severity] if self.severity is not None else []), *(name for name, so in traits.items() if so)]
        return tuple(Said(f"heat.{name}") for name in names)

    def said(self, site: Site) -> Said:
        """The spell in half a sentence: how hot, when, and what else there is to say of it."""
        facts: dict[str, Fact] = {"peak_c": self.peak_c, "chance_percent": 100.0 * self.chance}
        facts |= {"hot_c": site.heat.hot_day_c, "when": Span(self.first, self.last)}
        facts["traits"] = self.traits(site)
        sure = "heat" if self.peak_c >= site.heat.hot_day_c - 0.5 else "heat.perhaps"
        return Said(f"{sure}.traits" if facts["traits"] else sure, facts)

    def brief(self, site: Site) -> Said:
        """The same in a few words, where it has been said in full before: how hot, and from when."""
        facts: dict[str, Fact] = {"peak_c": self.peak_c, "hot_c": site.heat.hot_day_c, "day": self.first}
        if self.peak_c < site.heat.hot_day_c - 0.5:
            return Said("heat.brief-perhaps", facts)
        return Said("heat.brief" if self.days > 1 else "heat.brief-one", facts)


def spells(days: Sequence[DayWeather], hot_day_c: float) -> list[Spell]:
    """The hot spells among days, in order. A day is hot when its maximum reaches `hot_day_c`."""
    found = hot_spells([(day.day, day.tmax_c) for day in days], hot_day_c)
    return [_described(Spell(each.first, each.last, each.peak_c), days, {}) for each in found]


def guess_on(book: WeatherBook, site: Site, day: date, today: date, now: datetime) -> Guess | None:
    """The day's maximum by all its forecasts together, at this place; None where nothing was forecast."""
    seen = weather_on(book, site, day, now)
    if seen.basis not in FORETOLD or book.issued is None:
        return None
    issues = issues_of(book, day)
    if not issues:
        return together(book.skill, {(day - today).days: seen.tmax_c - book.skill.bias_c})
    return together(book.skill, issues, slips_of(book, day))


def foreseen(
    book: WeatherBook, site: Site, today: date, now: datetime, count: int
) -> tuple[list[DayWeather], dict[date, float]]:
    """The days from today on with the maximum that is guessed of each, and the chance that it is a hot one."""
    days, chances = [], {}
    for ahead in range(count):
        day = weather_on(book, site, today + timedelta(days=ahead), now)
        guess = guess_on(book, site, day.day, today, now)
        # What the day has reached already, it has reached.
        seen_c = day.tmax_c if guess is None else guess.mean_c
        reached_c = book.measured[day.day].tmax_c if day.day in book.measured else None
        seen_c = seen_c if reached_c is None else max(seen_c, reached_c)
        if guess is None or seen_c == reached_c:
            chances[day.day] = float(seen_c >= site.heat.hot_day_c)
        else:
            chances[day.day] = guess.chance_of(site.heat.hot_day_c)
        days.append(replace(day, tmax_c=seen_c, tmin_c=min(day.tmin_c, seen_c)))
    return days, chances


def likely_spells(
    past: Sequence[DayWeather], ahead: Sequence[DayWeather], chances: Mapping[date, float], site: Site
) -> list[Spell]:
    """The hot spells among days past and days ahead, in order: of those ahead by their chances."""
    hot_c = site.heat.hot_day_c

    def marked(day: DayWeather) -> tuple[date, float]:
        near = (day.day - ahead[0].day).days <= NEAR_DAYS
        hot = chances[day.day] >= (_call_chance(day.day, chances, site) if near else LIKELY)
        return day.day, max(day.tmax_c, hot_c) if hot else min(day.tmax_c, hot_c - 0.01)

    days = [*past, *ahead]
    found = hot_spells([*((day.day, day.tmax_c) for day in past), *map(marked, ahead)], hot_c)
    return [
        _described(Spell(each.first, each.last, _peak_c(each.first, each.last, days)), days, chances) for each in found
    ]


def _call_chance(day: date, chances: Mapping[date, float], site: Site) -> float:
    """The chance from which a near day counts as hot: cost over loss, and the cost is the work only in so far as the
    next day would not ask for it."""
    next_hot = chances.get(day + timedelta(days=1), 0.0)
    return site.jobs.call_chance * max(SOONER, 1.0 - next_hot)


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


def _peak_c(first: date, last: date, days: Sequence[DayWeather]) -> float:
    return max(day.tmax_c for day in days if first <= day.day <= last)


def _described(spell: Spell, days: Sequence[DayWeather], chances: Mapping[date, float]) -> Spell:
    within = [day for day in days if spell.first <= day.day <= spell.last]
    winds = [day.wind_2m_m_s for day in within if day.wind_2m_m_s is not None]
    return replace(
        spell,
        wind_2m_m_s=max(winds, default=None),
        dry=any(_very_dry(day) for day in within),
        chance=max(chances.get(day.day, 1.0) for day in within),
    )


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
