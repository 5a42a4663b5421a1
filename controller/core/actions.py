"""Everything the core may ask for. It never acts; the loop does, in the order of the list.

An opening carries its own closing time: there is no "on" without an end that the guard enforces.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from controller.core.job import Digest


@dataclass(frozen=True, slots=True)
class Open:
    """Open a zone's valve for one pulse of `seconds`, which is to give `litres`. Written down before it is done."""

    zone: str
    pulse: str
    watering: str
    seconds: float
    litres: float


@dataclass(frozen=True, slots=True)
class Close:
    """Close a zone's valve now, or all of them (zone None). Done first, written down after."""

    zone: str | None
    why: str


@dataclass(frozen=True, slots=True)
class Release:
    """Release what the guard has locked: a zone, or everything (zone None)."""

    zone: str | None


@dataclass(frozen=True, slots=True)
class Sense:
    """Tell the guard what a switch says that it cannot read itself."""

    sensor: str
    on: bool


@dataclass(frozen=True, slots=True)
class Measure:
    """Tell the guard where the counter of a flow meter stands that it cannot read itself, L."""

    litres: float


@dataclass(frozen=True, slots=True)
class Answer:
    """The one answer to an ask."""

    ask: str
    ok: bool
    said: str
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Note:
    """A line for the journal: what was seen, decided, refused. `said` is for people, `facts` for programs.

    kind: "plan", "day", "forecast", "sensor", "refusal", "fault", "ask", "job", "hold", "start" ...
    lasting: must be on the disk before life goes on; else it may wait for the next commit.
    """

    kind: str
    said: str
    zone: str | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)
    lasting: bool = False


@dataclass(frozen=True, slots=True)
class Send:
    """A message for the gardener, at most once: it is in the journal before it goes out."""

    digest: Digest


Action = Open | Close | Release | Sense | Measure | Answer | Note | Send
