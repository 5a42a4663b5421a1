"""What can go wrong, when, and how often: a seed draws a list of faults, a file holds one, a list is made shorter.

A fault is plain data. What it does to the world is in `controller.sim.harsh`; this file knows only names and numbers.
"""

import json
import math
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from controller.sim.dice import dice

Place = Literal["", "zone", "probe", "meter"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong.

    at_h: hours of true time after the start. lasts_h: for how long. where: the zone or probe it happens to. size: how
    much, in the unit of its kind. after_open_s: above 0, it waits from `at_h` on for the next opening of a valve, and
    happens this long after it.
    """

    kind: str
    at_h: float
    lasts_h: float = 0.0
    where: str = ""
    size: float = 0.0
    after_open_s: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in KINDS and self.kind not in WITHIN:
            raise FaultError(f'there is no kind of fault "{self.kind}"; there are {", ".join(KINDS)}')
        for name in ("at_h", "lasts_h", "size", "after_open_s"):
            if not math.isfinite(getattr(self, name)):
                raise FaultError(f"{self.kind}: {name} must be a finite number")
        if self.at_h < 0.0 or self.lasts_h < 0.0 or self.after_open_s < 0.0:
            raise FaultError(f"{self.kind}: at_h, lasts_h and after_open_s must be 0 or more")

    @property
    def ends_h(self) -> float:
        return self.at_h + self.lasts_h

    def __str__(self) -> str:
        extra = f" at {self.where}" if self.where else ""
        extra += f", {self.lasts_h:.1f} h" if self.lasts_h else ""
        extra += f", size {self.size:g}" if self.size else ""
        extra += f", {self.after_open_s:.1f} s into an opening" if self.after_open_s else ""
        return f"{self.at_h:8.2f} h {self.kind}{extra}"


class FaultError(ValueError):
    """A list of faults that cannot be used, in one sentence."""


@dataclass(frozen=True, slots=True)
class Kind:
    """How a kind of fault is drawn.

    a_year: how many there are in a garden-year. lasts_h, size: the range, drawn evenly in the logarithm where both are
    above 0. armed: the share that waits for an opening. fair: one of them alone must leave no bed dry.
    """

    said: str
    a_year: float
    lasts_h: tuple[float, float] = (0.0, 0.0)
    size: tuple[float, float] = (0.0, 0.0)
    place: Place = ""
    armed: float = 0.0
    fair: bool = False


KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        # The process and the machine. size of "kill": at which call over a seam (journal, guard, broker) it dies.
        "kill": Kind("the daemon is killed at some call to journal, guard or broker", 10, size=(1, 60)),
        "kill in a pulse": Kind("the daemon is killed while water runs", 6, armed=1.0),
        "power cut": Kind("power goes, and comes back with the right time", 8, (0.02, 20.0), armed=0.6),
        "no clock at boot": Kind("power goes; until network time comes the clock says size days less", 4, (0.5, 30.0),
                                 (0.02, 400.0), armed=0.5),
        "hang": Kind("the deciding loop hangs", 6, (0.001, 0.5), armed=0.7),
        "guard killed": Kind("the guard is killed", 6, armed=0.8),
        "guard hung": Kind("the guard hangs", 5, (0.01, 0.1), armed=0.8),
        "both killed": Kind("daemon and guard are killed together", 5, armed=0.8),
        "power at a call": Kind("power goes at some call to journal, guard or broker", 8, size=(1, 60)),
        "planner runs wild": Kind("something asks the guard for size openings that nobody planned", 8, (0.2, 8.0),
                                  (5, 60)),
        "restarts": Kind("the daemon dies size times, a minute apart", 2, size=(3, 12)),
        # The disk.
        "disk full": Kind("no page can be added to the journal", 3, (0.5, 200.0)),
        "disk read-only": Kind("nothing can be written to the journal", 3, (0.5, 200.0)),
        "journal lost": Kind("the journal's files vanish under the daemon", 2),
        "journal corrupt": Kind("size bytes of the journal are changed while the daemon is down", 3, size=(1, 4000)),
        # What comes over the network.
        "broker gone": Kind("no message comes or goes", 4, (0.5, 700.0), fair=True),
        "forecast gone": Kind("no forecast is to be had", 4, (6.0, 1000.0), fair=True),
        "forecast late": Kind("the service says what it said size hours ago", 3, (6.0, 100.0), (6.0, 200.0), fair=True),
        "forecast shifted": Kind("the forecast's times are size hours off", 3, (6.0, 100.0), (1.0, 12.0), fair=True),
        "forecast absurd": Kind("the forecast has numbers that cannot be, or another unit", 3, (6.0, 100.0),
                                (1.0, 6.0), fair=True),
        "nonsense": Kind("messages that no sensor and no person would send", 4, (0.5, 50.0), fair=True),
        "ask": Kind("a person asks for something", 40, size=(1, 1000)),
        "ask again": Kind("an old ask comes once more", 15, size=(1, 1000)),
        "ask kept": Kind("the broker hands over an ask that it had kept", 4, size=(1, 1000)),
        # Time. Both changes of summer time lie in every year.
        "clock steps on": Kind("the clock is size days ahead", 4, (0.02, 30.0), (0.001, 300.0), "", 0.3, True),
        "clock steps back": Kind("the clock is size days behind", 4, (0.02, 30.0), (0.001, 300.0), "", 0.3, True),
        "alarm late": Kind("the loop is woken only on the hour", 3, (0.5, 20.0)),
        "alarm doubled": Kind("each alarm rings twice", 3, (0.5, 50.0)),
        # Probes.
        "probe stuck": Kind("a probe repeats its last word", 2, (20.0, 500.0), place="probe", fair=True),
        "probe silent": Kind("a probe says nothing", 2, (5.0, 700.0), place="probe", fair=True),
        "probe floods": Kind("a probe reads its wettest", 1, (5.0, 200.0), place="probe"),
        "probe falls": Kind("a probe reads its driest", 1, (5.0, 200.0), place="probe"),
        "probe drifts": Kind("a probe drifts by size m3/m3 a week", 2, (100.0, 1000.0), (-0.01, 0.01), "probe"),
        "probe scaled": Kind("a probe says size times its number", 2, (5.0, 200.0), (0.01, 100.0), "probe", fair=True),
        "probe swapped": Kind("a probe stands in another bed", 2, (50.0, 1000.0), place="probe"),
        "probe reversed": Kind("a probe falls as its bed gets wetter; both together are size", 1, (200.0, 1000.0),
                               (0.2, 0.3), "probe"),
        # Water. Where nothing measures it, what these let through is not in the journal.
        "valve stuck open": Kind("a valve lets water through when there is pressure", 2, (0.5, 100.0), place="zone"),
        "valve stuck shut": Kind("a valve lets nothing through", 2, (0.5, 60.0), place="zone"),
        "line bursts": Kind("a line lets out size times what it should", 3, (0.5, 60.0), (3.0, 6.0), "zone"),
        "line clogs": Kind("a line lets out only size times what it should", 2, (24.0, 700.0), (0.5, 0.9), "zone"),
        "pipe leaks": Kind("size L/min run out before all valves", 3, (3.0, 60.0), (0.03, 8.0), "meter"),
    }
)

WITHIN = ("wild opening", "released by hand")
"""Not drawn by themselves: what "planner runs wild" consists of, and what follows when something was mended."""
QUIET_H = 49.0
"""At the end of a run nothing goes wrong for so long: then everything must be well again."""
HOURS_A_YEAR = 365.25 * 24.0


def draw(
    seed: int, hours: float, zones: Sequence[str], probes: Sequence[str], often: float = 1.0, *, metered: bool = False
) -> tuple[Fault, ...]:
    """The faults of a run of so many hours, in order. often: a factor on how many there are; above 1 they last shorter
    by as much, or the long ones (no broker, no forecast) would hide all the others. metered: there is a flow meter."""
    found: list[Fault] = []
    room_h = max(0.0, hours - QUIET_H)
    for name, kind in KINDS.items():
        chance = dice(seed, "fault", name)
        places: Sequence[str] = {
            "": ("",), "zone": zones, "probe": probes, "meter": ("",) if metered else (),
        }[kind.place]
        for _ in range(_how_many(kind.a_year * often * hours / HOURS_A_YEAR, chance.random()) if places else 0):
            at_h = chance.uniform(0.0, room_h)
            lasts_h = min(_between(*kind.lasts_h, chance.random()) / max(1.0, often), room_h - at_h)
            size = _between(*kind.size, chance.random())
            armed = chance.expovariate(1 / 200.0) + 0.01 if chance.random() < kind.armed else 0.0
            place = chance.choice(list(places))
            found.append(Fault(name, round(at_h, 4), round(lasts_h, 4), place, round(size, 4), round(armed, 3)))
    return tuple(sorted(found, key=lambda fault: (fault.at_h, fault.kind)))


def _how_many(expected: float, chance: float) -> int:
    """Poisson by inversion."""
    count, term = 0, math.exp(-expected)
    total = term
    while total < chance and count < 1000:
        count += 1
        term *= expected / count
        total += term
    return count


def _between(low: float, high: float, chance: float) -> float:
    if low > 0.0:
        return float(low * (high / low) ** chance)
    return low + (high - low) * chance


def load_faults(path: Path) -> tuple[Fault, ...]:
    """A list from a file: JSON, or TOML with tables [[fault]]. FaultError in one sentence."""
    try:
        text = path.read_text(encoding="utf-8")
        document = json.loads(text) if path.suffix == ".json" else tomllib.loads(text)
    except OSError as error:
        raise FaultError(f"{path}: {error.strerror}; give a file with a list of faults, or none, or default") from None
    except ValueError as error:
        raise FaultError(f"{path}: {error}") from None
    rows = document.get("fault") if isinstance(document, dict) else document
    if not isinstance(rows, list):
        raise FaultError(f"{path}: give a list of faults, each a table [[fault]] with kind and at_h")
    found = [_fault(row, f"{path}, fault {n}") for n, row in enumerate(rows, 1)]
    return tuple(sorted(found, key=lambda fault: (fault.at_h, fault.kind)))


def _fault(row: Any, where: str) -> Fault:
    try:
        return Fault(**row)
    except (TypeError, FaultError) as error:
        raise FaultError(f"{where}: {error}") from None


def as_rows(faults: Iterable[Fault]) -> list[dict[str, Any]]:
    """The list as `load_faults` reads it."""
    return [{key: value for key, value in asdict(fault).items() if value not in ("", 0.0)} for fault in faults]


def count_by_kind(faults: Iterable[Fault]) -> dict[str, int]:
    """How many of each kind, all kinds named."""
    counts = dict.fromkeys(KINDS, 0)
    for fault in faults:
        counts[fault.kind] += 1
    return counts


def shrink(faults: Sequence[Fault], breaks: Callable[[Sequence[Fault]], bool], most_tries: int) -> tuple[Fault, ...]:
    """The fewest faults found that still break what was broken (Zeller and Hildebrandt 2002, ddmin, without its
    tests of subsets alone): parts of the list are left out, large parts first. `breaks` runs the world, so it is asked
    `most_tries` times at most."""
    if breaks(()):
        return ()
    left, parts, tries = tuple(faults), 2, 1
    while len(left) > 1:
        size = math.ceil(len(left) / parts)
        for start in range(0, len(left), size):
            fewer = left[:start] + left[start + size :]
            tries += 1
            if tries > most_tries:
                return left
            if breaks(fewer):
                left, parts = fewer, max(2, parts - 1)
                break
        else:
            if size == 1:
                return left
            parts = min(len(left), 2 * parts)
    return left


def instant(start: datetime, hours: float) -> datetime:
    """Hours of true time after the start."""
    return start + timedelta(hours=hours)
