"""Whether the allowed windows leave room for a dawn soak and a dusk refresh through the growing season."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from controller.agronomy.sunlight import daylight_h, sun_times
from controller.settings.tables import SiteTable, WateringTable, WindowTable

SPAN_MIN = 10
"""Least stretch of time, minutes, that counts as room for a watering."""

DUSK_H = 2.0
"""A dusk refresh has until so long after it may begin (common practice, no source)."""


@dataclass(frozen=True)
class Stretch:
    """A time of a day in which a watering may run."""

    name: str
    begin: datetime
    end: datetime

    def __str__(self) -> str:
        return f"{self.name} of {self.begin:%d %B} ({self.begin:%H:%M} to {self.end:%H:%M})"


def _open_at(moment: time, windows: Iterable[WindowTable]) -> bool:
    return any(
        each.start <= moment < each.until
        if each.start < each.until
        else moment >= each.start or moment < each.until
        for each in windows
    )


def _has_room(stretch: Stretch, windows: tuple[WindowTable, ...]) -> bool:
    run_min = 0
    for minute in range(int((stretch.end - stretch.begin).total_seconds() // 60)):
        run_min = run_min + 1 if _open_at((stretch.begin + timedelta(minutes=minute)).time(), windows) else 0
        if run_min >= SPAN_MIN:
            return True
    return False


def _growing_days(site: SiteTable) -> Iterator[date]:
    """The 21st of each month of the light half of the year, of a common year."""
    for month in range(1, 13):
        day = date(2025, month, 21)
        if daylight_h(site.latitude, day.timetuple().tm_yday) >= 12:
            yield day


def _stretches(site: SiteTable, watering: WateringTable, timezone: tzinfo, day: date) -> Iterator[Stretch]:
    """Dawn and dusk of a day, in local time without offset: the windows are local too."""
    sun = sun_times(site.latitude, site.longitude, day, timezone)
    if sun.sunrise:
        sunrise = sun.sunrise.astimezone(timezone).replace(tzinfo=None)
        begin = sunrise - timedelta(hours=watering.dawn_earliest_h)
        yield Stretch("dawn", begin, sunrise - timedelta(minutes=watering.dawn_margin_min))
    if sun.sunset:
        begin = sun.sunset.astimezone(timezone).replace(tzinfo=None) + timedelta(minutes=watering.dusk_delay_min)
        yield Stretch("dusk", begin, begin + timedelta(hours=DUSK_H))


def without_room(site: SiteTable, watering: WateringTable, timezone: tzinfo) -> dict[str, Stretch]:
    """For dawn and dusk, the first of the growing season that has no room in the allowed windows."""
    windows = watering.allowed
    if not windows or any(each.start == each.until for each in windows):
        return {}
    found: dict[str, Stretch] = {}
    for day in _growing_days(site):
        for stretch in _stretches(site, watering, timezone, day):
            if not _has_room(stretch, windows):
                found.setdefault(stretch.name, stretch)
    return found
