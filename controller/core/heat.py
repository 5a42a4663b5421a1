"""Hot days and hot spells: runs of days that reach the site's threshold (37 degC: common practice, no source)."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from controller.core.weather import DayWeather


@dataclass(frozen=True, slots=True)
class Spell:
    """A run of hot days. peak_c: highest daily maximum within it."""

    first: date
    last: date
    peak_c: float

    @property
    def days(self) -> int:
        return (self.last - self.first).days + 1


def spells(days: Iterable[DayWeather], hot_day_c: float) -> list[Spell]:
    """The hot spells among consecutive days, in order. A day is hot when its maximum reaches `hot_day_c`."""
    found: list[Spell] = []
    for day in days:
        if day.tmax_c < hot_day_c:
            continue
        if found and day.day - found[-1].last == timedelta(days=1):
            found[-1] = Spell(found[-1].first, day.day, max(found[-1].peak_c, day.tmax_c))
        else:
            found.append(Spell(day.day, day.day, day.tmax_c))
    return found


def planting_window(days: Iterable[DayWeather], mild_day_c: float) -> date | None:
    """The first day that may be planted on: it and the days on both sides are mild (maximum at most `mild_day_c`;
    common practice, no source). None if there is none among these days."""
    run = list(days)
    for before, middle, after in zip(run, run[1:], run[2:], strict=False):
        if max(before.tmax_c, middle.tmax_c, after.tmax_c) <= mild_day_c:
            return middle.day
    return None
