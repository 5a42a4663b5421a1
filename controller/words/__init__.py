"""All that the gardener is told about jobs, in each language: a catalogue of sentences with placeholders a language.

The core names a sentence and its facts (`core.said`); `Words.say` turns them into text. A placeholder is a fact's name;
a number's unit is the end of that name, as everywhere. A new language is one more module like `english` and a row in
`LANGUAGES`; a test holds all catalogues to the same keys and placeholders.
"""

import string
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from types import MappingProxyType
from typing import Any

from controller.core.garden import Fault
from controller.core.said import Each, Fact, Said, Span, Zones
from controller.core.site import Site
from controller.words import english, portuguese


@dataclass(frozen=True, slots=True)
class Language:
    """texts: the catalogue. on_day, plain_day, span: how a day, a day by itself and a stretch of days are said. lower:
    whether names of zones stand in small letters inside a sentence. decimal: the sign."""

    code: str
    texts: Mapping[str, str]
    decimal: str
    joined: Callable[[Sequence[str]], str]
    on_day: Callable[[date], str]
    plain_day: Callable[[date], str]
    weekday: Callable[[date], str]
    span: Callable[[date, date], str]


LANGUAGES: Mapping[str, Language] = MappingProxyType(
    {
        module.CODE: Language(
            module.CODE, module.TEXTS, module.DECIMAL, module.joined, module.on_day, module.plain_day, module.weekday,
            module.span,
        )
        for module in (english, portuguese)
    }
)  # fmt: skip

UNITS: Mapping[str, tuple[str, Callable[[float], float], int]] = MappingProxyType(
    {
        "l_min": ("L/min", lambda value: value, 1),
        "m_s": ("km/h", lambda value: 3.6 * value, 0),
        "percent": ("%", lambda value: value, 0),
        "mm": ("mm", lambda value: value, 1),
        "cm": ("cm", lambda value: value, 0),
        "min": ("min", lambda value: value, 0),
        "c": ("°C", lambda value: value, 0),
        "l": ("L", lambda value: value, 1),
        "h": ("h", lambda value: value, 0),
    }
)
"""End of a name -> unit as shown, factor, decimals. Wind is told in km/h, as the weather report tells it."""


@dataclass(frozen=True, slots=True)
class _Named:
    name: str
    value: Fact


class Words:
    """The texts of one site in one language."""

    def __init__(self, site: Site, language: str | None = None) -> None:
        self.language = LANGUAGES[language or site.language]
        self._site = site
        self._names = {zone.id: zone.name for zone in site.zones}
        self._fill = _Fill(self)

    def say(self, said: Said) -> str:
        """The sentence in words. KeyError for one that the catalogue has not, or that lacks a fact."""
        return self._fill.vformat(self.language.texts[said.key], (), said.facts)

    def text(self, key: str, **facts: Fact) -> str:
        """A sentence of the edges' own."""
        return self.say(Said(key, facts))

    def zone(self, zone: str) -> str:
        """The zone's name."""
        return self._names.get(zone, zone)

    def fault(self, fault: Fault) -> str:
        """What is broken: in the catalogue's words where it has any for it, else as it was said."""
        kind = fault.id if not fault.id.startswith("sensor-") else "sensor"
        key = f"fault.{kind}"
        if key not in self.language.texts:
            return fault.said
        return self.text(key, sensor=fault.id.removeprefix("sensor-"), since=fault.since)

    def takes(self, minutes: float) -> str:
        """How long a job takes: in fives from a quarter of an hour, for nobody knows better."""
        return self.text("takes", work_min=minutes if minutes < 15.0 else 5.0 * round(minutes / 5.0))

    def due(self, until: datetime, keep_to: bool) -> str:
        """A deadline, or the end of something to keep to, as people say it: midnight belongs to the day before."""
        local = until.astimezone(self._site.timezone)
        word = "until" if keep_to else "by"
        if (local.hour, local.minute) == (0, 0):
            return self.text(f"when.{word}-night", day=local.date() - timedelta(days=1))
        return self.text(f"when.{word}", day=local.date(), at=local)

    def shown(self, name: str, value: Fact, spec: str = "") -> str:
        """One fact in words."""
        match value:
            case Said():
                text = self.say(value)
                return text[:1].upper() + text[1:] if spec == "cap" else text
            case tuple():
                return ", ".join(self.say(each) for each in value)
            case Zones(ids):
                return self.language.joined([self._name(zone, spec) for zone in ids])
            case Each(amounts):
                unit = name.removeprefix("each")
                parts = [f"{self._name(who, spec)} {self.shown(unit, amount)}" for who, amount in amounts]
                return self.language.joined(parts)
            case Span(first, last):
                return self.language.span(first, last)
            case datetime():
                return f"{value.astimezone(self._site.timezone):%H:%M}"
            case date():
                ways = {"on": self.language.on_day, "weekday": self.language.weekday}
                return ways.get(spec, self.language.plain_day)(value)
            case float() | int():
                return self._number(name, value)
        return value

    def _name(self, zone: str, spec: str) -> str:
        name = self._names.get(zone, zone)
        return name if spec == "cap" else name[:1].lower() + name[1:]

    def _number(self, name: str, value: float) -> str:
        unit = next((each for each in UNITS if name.endswith(f"_{each}")), None)
        if unit is None:
            return f"{value:g}"
        sign, factor, digits = UNITS[unit]
        shown = factor(value)
        digits = 0 if unit == "l" and shown >= 10.0 else digits
        return f"{shown:.{digits}f}".replace(".", self.language.decimal) + f" {sign}"


class _Fill(string.Formatter):
    """Puts facts into a sentence: each by its name, as `Words.shown` tells it."""

    def __init__(self, words: Words) -> None:
        self._words = words

    def get_field(self, field_name: str, args: Sequence[Any], kwargs: Mapping[str, Any]) -> tuple[_Named, str]:
        """The fact with its name, for its unit stands there."""
        return _Named(field_name, kwargs[field_name]), field_name

    def format_field(self, value: _Named, format_spec: str) -> str:
        """The fact in words."""
        return self._words.shown(value.name, value.value, format_spec)
