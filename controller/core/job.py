"""One job for the gardener's hands, and the message that tells of several."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal

from controller.core.garden import Fault
from controller.core.said import Said

Stage = Literal["before", "eve", "during", "after", "season", "own"]
State = Literal["open", "done", "dismissed", "expired"]


@dataclass(frozen=True, slots=True)
class Job:
    """Something for the gardener's hands.

    id: stable while the job is due (a daily one names its day). kind: what sort of job. what, why: one sentence each.
    due_from, due_until: UTC. minutes: how long it should take (common practice, no source). counts_from: what was
    reported before this instant was for an earlier time. litres: by zone, where the job is watering. keep_to: something
    to keep to until then, rather than to have done by then.
    """

    id: str
    kind: str
    stage: Stage
    what: Said
    why: Said
    zones: tuple[str, ...]
    due_from: datetime
    due_until: datetime
    minutes: float
    counts_from: datetime
    litres: Mapping[str, float] = field(default_factory=dict)
    keep_to: bool = False
    done: datetime | None = None
    dismissed: datetime | None = None

    @property
    def of_heat(self) -> bool:
        """Whether it belongs to a hot spell: then people go first, and are told so."""
        return self.stage not in ("season", "own")

    def state(self, now: datetime) -> State:
        """How it stands at an instant."""
        if self.done is not None:
            return "done"
        if self.dismissed is not None:
            return "dismissed"
        return "open" if self.due_until > now else "expired"


@dataclass(frozen=True, slots=True)
class Digest:
    """One message. also_open: how many jobs are open that it does not repeat. faults: what is broken. thirsty: zones
    that are short of water. given_l: what was given on the day. heat: the hot spell ahead or on, if there is one."""

    day: date
    urgent: bool
    away: bool
    jobs: tuple[Job, ...]
    also_open: int
    faults: tuple[Fault, ...]
    thirsty: tuple[str, ...]
    given_l: float
    heat: Said | None
