"""A sentence before it has words: its name in the catalogues of `controller.words`, and the facts that go into it.

The core decides what is to be said, and with which figures; in which language is decided at the edge.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Union


@dataclass(frozen=True, slots=True)
class Span:
    """From one day to another, both included."""

    first: date
    last: date


@dataclass(frozen=True, slots=True)
class Zones:
    """Zones by id: a sentence names them by their names."""

    ids: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Each:
    """An amount for each of several things, by zone id or by name; the unit is that of the fact's own name."""

    amounts: tuple[tuple[str, float], ...]


Fact = Union[str, int, float, date, datetime, Span, Zones, Each, "Said", tuple["Said", ...]]
"""A number's name ends with its unit, as everywhere. Several sentences in a tuple are strung together."""


@dataclass(frozen=True, slots=True)
class Said:
    """key: the sentence's name in every catalogue; facts: what its placeholders stand for."""

    key: str
    facts: Mapping[str, Fact] = field(default_factory=dict)
