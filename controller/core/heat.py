"""Hot spells ahead and behind, and the days between them that are mild enough to plant on.

A day is hot from the site's threshold on (37 degC: common practice, no source); the runs are `agronomy.heat`'s.
"""

from collections.abc import Iterable
from datetime import date

from controller.agronomy.heat import HotSpell, hot_spells
from controller.core.weather import DayWeather

Spell = HotSpell


def spells(days: Iterable[DayWeather], hot_day_c: float) -> list[Spell]:
    """The hot spells among days in order. A day is hot when its maximum reaches `hot_day_c`."""
    return hot_spells([(day.day, day.tmax_c) for day in days], hot_day_c)


def planting_window(days: Iterable[DayWeather], mild_day_c: float) -> date | None:
    """The first day that may be planted on: it and the days on both sides are mild (maximum at most `mild_day_c`;
    common practice, no source). None if there is none among these days."""
    run = list(days)
    for before, middle, after in zip(run, run[1:], run[2:], strict=False):
        if max(before.tmax_c, middle.tmax_c, after.tmax_c) <= mild_day_c:
            return middle.day
    return None
