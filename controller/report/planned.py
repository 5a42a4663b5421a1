"""The plans read back from the journal: each watering as it was last planned before it began.

The journal keeps a plan whenever it differs from the one before: what is new in it with every figure of its
arithmetic, the rest by name.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from pydantic import TypeAdapter, ValidationError

from controller.core.garden import Watering
from controller.core.moment import day_bounds
from controller.core.site import Site
from controller.core.weather import DayWeather
from controller.shells.journal import JournalReader, Noted

_WATERING = TypeAdapter(Watering)
_WEATHER = TypeAdapter(DayWeather)


PLANNED_AHEAD_DAYS = 4
"""How far a plan looks ahead."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A watering, and the plan it stood in: at which instant, why it was made, and the weather it was made
    with.

    weather: of the day the plan was made on. last_seen: the last plan that still held it.
    """

    watering: Watering
    at: datetime
    because: str
    weather: DayWeather | None
    last_seen: datetime


@dataclass(frozen=True, slots=True)
class PlanRead:
    """One plan of the journal in short: which waterings it held, what it remarked."""

    at: datetime
    said: str
    waterings: frozenset[str]
    remarks: tuple[str, ...]
    weather: DayWeather | None
    et0_mm: float | None


def planned(reader: JournalReader, site: Site, since: date, until: date) -> dict[str, Planned]:
    """Every watering planned for one of these days, by id."""
    found: dict[str, tuple[dict[str, Any], Noted, datetime]] = {}
    day = since - timedelta(days=PLANNED_AHEAD_DAYS)
    while day <= until:
        for note in _plans(reader, site, day):
            for raw in note.facts.get("waterings", ()):
                if since.isoformat() <= str(raw.get("day")) <= until.isoformat():
                    _keep(found, raw, note)
            for name in note.facts.get("unchanged", ()):
                if name in found:
                    found[name] = (*found[name][:2], note.at)
        day += timedelta(days=1)
    plans = {name: _planned(*each) for name, each in found.items()}
    return {name: plan for name, plan in plans.items() if plan is not None}


def plans_of(reader: JournalReader, site: Site, day: date) -> list[PlanRead]:
    """The plans made on a day, in order."""
    return [
        PlanRead(
            note.at,
            note.said,
            frozenset(str(raw.get("id")) for raw in note.facts.get("waterings", ()))
            | frozenset(map(str, note.facts.get("unchanged", ()))),
            tuple(map(str, note.facts.get("remarks", ()))),
            _weather(note),
            note.facts.get("et0_mm"),
        )
        for note in _plans(reader, site, day)
    ]


def last_plan_before(reader: JournalReader, site: Site, day: date) -> list[PlanRead]:
    """The last plan made before a day, as far ahead of it as plans look: none, or one."""
    for days in range(1, PLANNED_AHEAD_DAYS + 1):
        if made := plans_of(reader, site, day - timedelta(days=days)):
            return made[-1:]
    return []


def _plans(reader: JournalReader, site: Site, day: date) -> list[Noted]:
    """Day by day: a plan is some tens of kilobytes, and a season of them does not fit into a small Pi's
    memory.
    """
    return reader.notes(*day_bounds(day, site.timezone), kind="plan")


def _keep(found: dict[str, tuple[dict[str, Any], Noted, datetime]], raw: dict[str, Any], note: Noted) -> None:
    """The last word before it began; after that, only that it was still there."""
    name = str(raw.get("id"))
    begun = any(pulse.get("state") != "planned" for pulse in raw.get("pulses", ()))
    if begun and name in found:
        found[name] = (*found[name][:2], note.at)
    else:
        found[name] = (raw, note, note.at)


def _planned(raw: dict[str, Any], note: Noted, last_seen: datetime) -> Planned | None:
    """None for a plan that another version wrote and this one cannot read."""
    try:
        watering = _WATERING.validate_python(raw)
    except ValidationError:
        return None
    return Planned(watering, note.at, str(note.facts.get("because", "")), _weather(note), last_seen)


def _weather(note: Noted) -> DayWeather | None:
    try:
        return _WEATHER.validate_python(note.facts.get("weather"))
    except ValidationError:
        return None
