"""Everything that can happen to the garden. The shells make these; only `core.step` takes them.

Values are already in canonical units, finite and in range: the edge has refused the rest.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from controller.core.forecast import Forecast

Verb = Literal[
    "water", "stop", "hold", "release", "skip", "job-done", "job-dismiss", "away", "back", "replan", "relearn"
]


@dataclass(frozen=True, slots=True)
class Started:
    """The daemon has come up with the garden that the journal remembered (or a new one). The monotonic clock may have
    begun anew; how long it was away is only known from the wall clock. found: what was wrong with its memory, if
    anything."""

    found: str | None = None


@dataclass(frozen=True, slots=True)
class Woke:
    """The time that the core had asked to be woken at has come (or the loop looks in, which is harmless)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A sensor has spoken. value: m3/m3, degC or mm, by the sensor's kind; at: when it measured, UTC."""

    sensor: str
    value: float
    at: datetime


@dataclass(frozen=True, slots=True)
class ReadingRefused:
    """A message from a sensor's topic that could not be used; why is one sentence."""

    sensor: str
    why: str


@dataclass(frozen=True, slots=True)
class ForecastArrived:
    """A forecast passed all checks of the edge."""

    forecast: Forecast


@dataclass(frozen=True, slots=True)
class ForecastFailed:
    """A fetch brought nothing usable; why is one sentence."""

    why: str


@dataclass(frozen=True, slots=True)
class Ask:
    """A person's wish. Amount: one of litres, minutes, mm, or none for "as much as it needs".

    refused: the edge's own reason to refuse it (retained, expired by the broker's clock, malformed), else None.
    job: the id of the job reported done.
    """

    id: str
    do: Verb
    zone: str | None = None
    litres: float | None = None
    minutes: float | None = None
    mm: float | None = None
    until: datetime | None = None
    expires: datetime | None = None
    job: str | None = None
    refused: str | None = None


@dataclass(frozen=True, slots=True)
class GuardReady:
    """The guard owns the lines and everything is closed."""


@dataclass(frozen=True, slots=True)
class GuardLost:
    """The guard process is gone or silent. Its lines are closed, or the kernel has them; nothing may open."""

    why: str


@dataclass(frozen=True, slots=True)
class ValveOpened:
    """The guard has opened a zone's valve for a pulse."""

    zone: str
    pulse: str


@dataclass(frozen=True, slots=True)
class ValveClosed:
    """The guard has closed it.

    open_s: monotonic seconds it stood open.
    water_s: those of them with its master open as well: the measure of what was given; None if nobody saw.
    unsure_s: give or take this much (after a power cut nobody saw the end).
    litres: as the flow meter counted them, None without one. l_min: flow of this valve alone, as measured; None if it
        hardly flowed alone.
    why: "deadline" for a pulse that ran its length, else who or what cut it short.
    """

    zone: str
    pulse: str
    open_s: float
    why: str
    unsure_s: float = 0.0
    water_s: float | None = None
    litres: float | None = None
    l_min: float | None = None


@dataclass(frozen=True, slots=True)
class ValveRefused:
    """The guard would not open it; rule is its plain name, why one sentence."""

    zone: str
    pulse: str
    rule: str
    why: str


@dataclass(frozen=True, slots=True)
class GuardFault:
    """Something at the lines is broken (a pin that cannot be driven, say)."""

    why: str


@dataclass(frozen=True, slots=True)
class GuardNotice:
    """The guard has found something, or (over) it is no more. rule is its plain name, why one sentence.

    zone None: the whole site. locked: nothing opens there until a hand releases it.
    """

    rule: str
    why: str
    zone: str | None = None
    locked: bool = False
    over: bool = False


@dataclass(frozen=True, slots=True)
class SwitchRead:
    """A switch at the guard's own pins has changed, or was read for the first time."""

    sensor: str
    on: bool


@dataclass(frozen=True, slots=True)
class Trouble:
    """A part of the world around the core does not work ("journal", "broker", ...); why None: it works again."""

    part: str
    why: str | None


Event = (
    Started
    | Woke
    | Reading
    | ReadingRefused
    | ForecastArrived
    | ForecastFailed
    | Ask
    | GuardReady
    | GuardLost
    | ValveOpened
    | ValveClosed
    | ValveRefused
    | GuardFault
    | GuardNotice
    | SwitchRead
    | Trouble
)
