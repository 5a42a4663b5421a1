"""A whole world on a virtual clock: the real core, guard rules, journal and message parsing around a simulated garden.

Time jumps to whatever is due next: the core's wake-up, the guard's next change, the garden's next hour, the next
forecast. Nothing in the product knows that it is simulated.
"""

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any, Protocol

from controller.core.actions import Answer, Note
from controller.core.events import (
    Event,
    ForecastArrived,
    ForecastFailed,
    GuardNotice,
    GuardReady,
    Started,
    ValveClosed,
    ValveOpened,
    ValveRefused,
)
from controller.core.forecast import Forecast
from controller.core.garden import Garden
from controller.core.job import Digest
from controller.core.moment import Now
from controller.core.site import Site
from controller.core.step import fit_to_site, new_garden
from controller.guard.rules import Charge, Closed, Guard, Notice, Opened, Outcome, is_master, master_line
from controller.loop import Loop
from controller.messages import Message
from controller.settings import Settings
from controller.shells.journal import Journal
from controller.shells.recovery import endings
from controller.shells.telemetry import Telemetry
from controller.sim.watch import Level

ONE_HOUR = timedelta(hours=1)
NEVER_SILENT_S = 3 * 3600.0
"""The virtual loop cannot hang, and time jumps further than a real guard's silence would allow."""


class SimulatedGarden(Protocol):
    """Any class with these methods may be the garden, ours or an outside crop model."""

    def advance(self, until: datetime, litres: dict[str, float]) -> None: ...

    def messages(self) -> list[tuple[str, bytes]]: ...

    def forecast(self, now: datetime) -> Forecast: ...

    def summary(self) -> dict[str, Any]: ...


class Lines(Protocol):
    """Something that the levels are put on: mock pins in the demo, nothing in the simulator."""

    def set(self, name: str, on: bool) -> None: ...


class VirtualClock:
    """Time that goes where it is told.

    utc, true_s: the true time, and seconds of it. The controller sees less: a wall clock that may be `skew` off, and a
    monotonic clock that begins anew with each boot.
    """

    def __init__(self, utc: datetime, mono_s: float = 1000.0) -> None:
        self.utc = utc
        self.mono_s = self.true_s = mono_s
        self.skew = timedelta(0)
        self.trusted = True

    def now(self) -> Now:
        """The present by the controller's clocks."""
        return Now(self.mono_s, self.utc + self.skew, self.trusted)

    def true(self, told: datetime) -> datetime:
        """The true time at which the wall clock will say this."""
        return told - self.skew

    def go(self, utc: datetime) -> None:
        """Both clocks run on to an instant; never back."""
        if utc > self.utc:
            passed_s = (utc - self.utc).total_seconds()
            self.mono_s += passed_s
            self.true_s += passed_s
            self.utc = utc


class VirtualGuard:
    """The guard's own rules, driven by the virtual clock. Keeps a diary of the lines; a `seams.Valves`."""

    def __init__(
        self, charge: Charge, clock: VirtualClock, lines: Lines | None = None, diary: list[Level] | None = None
    ) -> None:
        self.rules = Guard(replace(charge, silence_s=NEVER_SILENT_S), started_s=clock.mono_s)
        self.diary = [Level(clock.true_s, frozenset())] if diary is None else diary
        self.said: deque[Event] = deque([GuardReady()])
        self._clock = clock
        self._lines = lines
        self.rules.beat(clock.mono_s)
        self._names = frozenset(self.rules.levels(clock.mono_s))

    def open(self, zone: str, pulse: str, seconds: float) -> None:
        """Ask for an opening."""
        self._hear([self.rules.open(zone, pulse, seconds, self._clock.mono_s)])

    def close(self, zone: str | None, why: str) -> None:
        """Ask to close."""
        self._hear(self.rules.close(zone, why, self._clock.mono_s))

    def noted(self, pulse: str) -> None:
        """A closing is in the journal."""

    def sense(self, name: str, on: bool) -> None:
        """What an input says."""
        self._hear(self.rules.sense(name, on, self._clock.mono_s))

    def measure(self, litres: float) -> None:
        """Where the flow meter stands."""
        self._hear(self.rules.measure(litres, self._clock.mono_s))

    def release(self, zone: str | None) -> None:
        """Somebody releases a lock."""
        self._hear(self.rules.release(zone, self._clock.mono_s))

    def beat(self) -> None:
        """The loop is alive, as it always is here."""
        self.rules.beat(self._clock.mono_s)

    def advance(self) -> None:
        """The clock has moved on: end what has ended."""
        self.beat()
        self._hear(self.rules.advance(self._clock.mono_s))

    @property
    def on(self) -> frozenset[str]:
        """The lines that are on now."""
        return self.diary[-1].on

    @property
    def off(self) -> frozenset[str]:
        """The lines that are off now."""
        return self._names - self.on

    def next_change(self) -> datetime | None:
        """When a line changes next by itself."""
        change_s = self.rules.next_change_s()
        if change_s is None:
            return None
        return self._clock.utc + timedelta(seconds=max(0.0, change_s - self._clock.mono_s))

    def _hear(self, outcomes: Sequence[Outcome]) -> None:
        for outcome in outcomes:
            match outcome:
                case Opened(valve, pulse):
                    self.said.append(ValveOpened(valve, pulse))
                case Closed(valve, pulse, open_s, why, water_s, litres, l_min):
                    closed = ValveClosed(valve, pulse, open_s, why, water_s=water_s, litres=litres, l_min=l_min)
                    self.said.append(closed)
                case Notice(rule, why, valve, locked, over):
                    self.said.append(GuardNotice(rule, why, valve, locked, over))
                case _:
                    self.said.append(ValveRefused(outcome.valve or "", outcome.pulse or "", outcome.rule, outcome.why))
        self.drive(self.rules.levels(self._clock.mono_s))

    def drive(self, levels: Mapping[str, bool]) -> None:
        """Put the levels on the lines, and into the diary if they have changed."""
        on = frozenset(name for name, high in levels.items() if high)
        if on == self.on:
            return
        for name in sorted(levels, key=lambda name: not is_master(name)):
            if self._lines is not None and levels[name] != (name in self.on):
                self._lines.set(name, levels[name])
        self.diary.append(Level(self._clock.true_s, on))


class Silent:
    """An outlet that keeps what was said, and shows nobody."""

    def __init__(self) -> None:
        self.notes: list[Note] = []
        self.answers: list[Answer] = []
        self.digests: list[Digest] = []

    def show(self, site: Site, garden: Garden, now: Now) -> None:
        """Nobody looks."""

    def said(self, note: Note) -> None:
        """Kept."""
        self.notes.append(note)

    def answer(self, answer: Answer) -> None:
        """Kept."""
        self.answers.append(answer)

    def send(self, site: Site, digest: Digest) -> None:
        """Kept."""
        self.digests.append(digest)


Carry = Callable[[Sequence[tuple[str, bytes]]], list[Event]]
"""How the garden's messages come to the loop: straight into the telemetry, or through a broker."""

Fetch = Callable[[Now], Event]
"""What asking for a forecast comes to."""


@dataclass
class World:
    """A garden and the controller that waters it. `run` lets time pass."""

    settings: Settings
    garden: SimulatedGarden
    journal: Journal
    clock: VirtualClock
    outlet: Any = field(default_factory=Silent)
    lines: Lines | None = None
    carry: Carry | None = None
    fetch: Fetch | None = None
    watch: Callable[["World"], None] = lambda world: None

    def __post_init__(self) -> None:
        self.site = self.settings.build()
        self.litres = {zone.id: 0.0 for zone in self.site.zones}
        self._passed = {zone.id: 0.0 for zone in self.site.zones}
        self._forecast_due = self.clock.utc
        self._every = timedelta(hours=self.settings.forecast.every_h)
        self._assemble()

    def _assemble(self) -> None:
        """The controller, as it starts from what its journal remembers."""
        now = self.clock.now()
        remembered = self.journal.remember()
        garden = new_garden(self.site, now) if remembered is None else fit_to_site(self.site, remembered, now)
        self.guard = VirtualGuard(self.settings.charge(), self.clock, self.lines)
        self.telemetry = Telemetry(self.settings.sensor, self.site.id, lambda event: None, self.clock)
        self.loop = Loop(
            self.site, garden, clock=self.clock, valves=self.guard, journal=self.journal, outlet=self.outlet
        )

    def begin(self, words: Mapping[str, Mapping[str, Any]] | None = None) -> None:
        """The daemon starts. words: what an earlier guard said last of pulses whose end is not in the journal."""
        self.loop.take(Started())
        for closed in endings(self.journal.unfinished(), words or {}):
            self.loop.take(closed)
        self._listen()

    def run(self, until: datetime) -> None:
        """Let time pass up to an instant."""
        while self.clock.utc < until:
            self._pass(min(until, self._next()))
            self.guard.advance()
            self._garden_lives()
            self._turn()
            self.watch(self)

    def _turn(self) -> None:
        """The controller comes round once: it hears, fetches a forecast if one is due, and decides."""
        self._listen()
        if self.clock.utc >= self._forecast_due:
            self._forecast_due = self.clock.utc + self._every
            self.loop.take(self._forecast())
        self.loop.look_in()
        self._listen()

    def end(self) -> None:
        """The daemon stops in order."""
        self.guard.close(None, "stopped")
        self._listen()
        self.loop.commit()

    def deliver(self, messages: Sequence[tuple[str, bytes]]) -> list[Event]:
        """Messages put straight into the telemetry, as a broker would hand them over."""
        for topic, payload in messages:
            self.telemetry.receive(Message(topic, payload))
        return self.telemetry.events()

    def _next(self) -> datetime:
        """The next instant at which anything can happen."""
        hour = self.clock.utc.replace(minute=0, second=0, microsecond=0) + ONE_HOUR
        due = [hour, *self._due()]
        ahead = [moment for moment in due if moment is not None and moment > self.clock.utc]
        # Something may be due this very instant; a millisecond lets it happen without time standing still.
        late = any(moment is not None and moment <= self.clock.utc for moment in due)
        return self.clock.utc + timedelta(milliseconds=1) if late else min(ahead)

    def _due(self) -> list[datetime | None]:
        """When the controller or a line does something next by itself."""
        return [self.clock.true(self.loop.wake_at), self.guard.next_change(), self._forecast_due]

    def _pass(self, until: datetime) -> None:
        """Time passes, and water where the lines let it."""
        minutes = (until - self.clock.utc).total_seconds() / 60.0
        off = self.guard.off
        for zone in self.site.zones:
            if zone.id in self.guard.on and master_line(zone.supply) not in off:
                litres = zone.line.flow_l_min * minutes
                self.litres[zone.id] += litres
                self._passed[zone.id] += litres
        self.clock.go(until)

    def _garden_lives(self) -> None:
        passed, self._passed = self._passed, dict.fromkeys(self._passed, 0.0)
        self.garden.advance(self.clock.utc, passed)

    def _listen(self) -> None:
        """Everything that has been said since, into the loop."""
        messages = self.garden.messages()
        carry = self.carry or self.deliver
        for event in carry(messages) if messages else []:
            self.loop.take(event)
        while self.guard.said:
            self.loop.take(self.guard.said.popleft())

    def _forecast(self) -> Event:
        now = self.clock.now()
        if self.fetch is not None:
            return self.fetch(now)
        try:
            return ForecastArrived(self.garden.forecast(self.clock.utc))
        except Exception as error:  # an outside garden may have no forecast; then there is none
            return ForecastFailed(f"the garden gave no forecast ({error})")


def summary_of(zone_id: str, summary: Mapping[str, Any]) -> Mapping[str, Any]:
    """What a garden says of one zone in its summary; nothing if it says nothing."""
    zones = summary.get("zones")
    found = zones.get(zone_id) if isinstance(zones, Mapping) else None
    return found if isinstance(found, Mapping) else {}
