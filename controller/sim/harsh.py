"""The world with everything that goes wrong in it: the same core, loop, guard rules, journal and message parsing.

The daemon is a thing that dies here, at any call over a seam, and is started anew from what the disk kept; so is the
guard. What each kind of fault does stands in one table at the end, `BEGIN` and `END`. What must hold all the same is in
`controller.sim.watch`.
"""

import hashlib
import heapq
import json
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Any

from controller.core.actions import Answer, Note, Open
from controller.core.events import (
    Event,
    ForecastArrived,
    ForecastFailed,
    GuardLost,
    GuardNotice,
    Started,
    Woke,
)
from controller.core.garden import Garden
from controller.core.job import Digest
from controller.core.moment import RELEASED, Belief, Now
from controller.core.step import begun_anew, fit_to_site, new_garden
from controller.guard.rules import Charge, Closed, Lock, master_line
from controller.loop import Loop
from controller.messages import ROOT, Message
from controller.shells.forecast import ForecastError, Place, read_open_meteo
from controller.shells.journal import AGAIN, Given, JournalReader
from controller.shells.recovery import SPARE, STARTS, endings, open_journal, presume_used, restless, used_openings
from controller.shells.telemetry import Telemetry
from controller.sim.dice import dice
from controller.sim.faults import KINDS, Fault, instant
from controller.sim.service import open_meteo_document
from controller.sim.sun import sine_of_elevation
from controller.sim.watch import CLOGS, Booked, History, Level, Locked, OutOfOrder, Passed, Spell
from controller.sim.world import NEVER_SILENT_S, VirtualClock, VirtualGuard, World

GUARD_SEEN_DEAD_S = 0.5
GUARD_SEEN_HUNG_S = 4.5
"""How long the daemon takes to replace a guard: it is told at once of one that died, and a hung one is deaf."""
HANG_MOST_S = 30.0
"""Then the service manager ends a daemon that gives no sign of life."""
BOOT_S = 15.0
CARRIED_S = 3 * 86_400.0
"""What a new journal is sure to hold of the past, from memory."""
RESTART_S = (1.0, 20.0)
LONG_AGO, NEVER = datetime(1900, 1, 1, tzinfo=UTC), datetime(9999, 1, 1, tzinfo=UTC)
KEPT_LINES = 60
LOOK_OFTEN, LOOK_SELDOM = timedelta(seconds=5), timedelta(seconds=300)
SETTLED_S = 120.0
MENDED = timedelta(hours=1)
WELL_AFTER = timedelta(days=1)
"""So long after the last fault everything must be well again."""
WATER_FAULTS = ("valve stuck open", "valve stuck shut", "line bursts", "pipe leaks")


class Killed(BaseException):
    """The process ends at this very call. Nothing catches it but the world. power: everything does."""

    def __init__(self, power: bool) -> None:
        super().__init__()
        self.power = power


class HarshClock(VirtualClock):
    """A wall clock that may be wrong, and is believed as the daemon's own clock is. synced: how often network time has
    come; None if it never has since the power came."""

    def __init__(self, utc: datetime, mono_s: float = 1000.0) -> None:
        super().__init__(utc, mono_s)
        self.belief = Belief()
        self.synced: int | None = 0

    def now(self) -> Now:
        return self.belief.now(self.mono_s, self.utc + self.skew, self.synced)

    def true(self, told: datetime) -> datetime:
        return told - (self.now().utc - self.utc)


class Fuse:
    """Counts the calls over the seams, and dies at the one it was set to."""

    def __init__(self) -> None:
        self.left: int | None = None
        self.power = False

    def call(self) -> None:
        if self.left is not None:
            self.left -= 1
            if self.left <= 0:
                self.left = None
                raise Killed(self.power)


class Fused:
    """Something behind a seam. The process may die just before one of its calls, or just after."""

    def __init__(self, inner: Any, fuse: Fuse, calls: Sequence[str]) -> None:
        self._inner, self._fuse, self._calls = inner, fuse, frozenset(calls)

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._inner, name)
        if name not in self._calls:
            return found

        def called(*given: Any, **named: Any) -> Any:
            self._fuse.call()
            result = found(*given, **named)
            self._fuse.call()
            return result

        return called


class Latch:
    """What is locked, on a disk that outlives all; and since when, for the watchers."""

    def __init__(self, clock: VirtualClock) -> None:
        self._clock = clock
        self.locks: tuple[Lock, ...] = ()
        self.since: dict[str | None, tuple[float, str]] = {}
        self.was: list[Locked] = []

    def keep(self, locks: Iterable[Lock]) -> None:
        """These, from now on."""
        now_s, self.locks = self._clock.true_s, tuple(locks)
        held = {lock.valve: lock.rule for lock in self.locks}
        for zone in [zone for zone in self.since if zone not in held]:
            from_s, rule = self.since.pop(zone)
            self.was.append(Locked(zone, rule, Spell(from_s, now_s)))
        for zone, rule in held.items():
            self.since.setdefault(zone, (now_s, rule))

    def history(self) -> list[Locked]:
        """What was locked, and what is."""
        still = [Locked(zone, rule, Spell(from_s, float("inf"))) for zone, (from_s, rule) in self.since.items()]
        return [*self.was, *still]


class Meter:
    """The flow meter of a garden: it counts whole steps of what truly flows, from nothing with each guard."""

    def __init__(self, step_l: float) -> None:
        self._step_l = step_l
        self._litres = 0.0
        self.flows = False

    def pass_by(self, litres: float) -> None:
        """So much has flowed."""
        self._litres += litres
        self.flows = litres > 0.0

    def start(self) -> None:
        """A new guard counts anew."""
        self._litres %= self._step_l

    @property
    def counted(self) -> float:
        return self._litres // self._step_l * self._step_l


class MortalGuard(VirtualGuard):
    """The guard's process: it may die or hang, and then the lines keep their level. latch: the file of its locks, which
    it reads at its start."""

    def __init__(self, charge: Charge, clock: VirtualClock, diary: list[Level], latch: Latch) -> None:
        super().__init__(replace(charge, locks=(*charge.locks, *latch.locks)), clock, diary=diary)
        self.alive = True
        self._latch = latch
        latch.keep(self.rules.locks.values())
        self.said += [GuardNotice(lock.rule, lock.why, lock.valve, True) for lock in self.rules.locks.values()]
        self._silence_s = charge.silence_s
        self.unnoted: dict[str, dict[str, Any]] = {}
        self.drive({})  # it claims every line at rest

    def open(self, zone: str, pulse: str, seconds: float) -> None:
        if self.alive:
            super().open(zone, pulse, seconds)

    def close(self, zone: str | None, why: str) -> None:
        if self.alive:
            super().close(zone, why)

    def noted(self, pulse: str) -> None:
        self.unnoted.pop(pulse, None)

    def release(self, zone: str | None) -> None:
        if self.alive:
            super().release(zone)

    def measure(self, litres: float) -> None:
        if self.alive:
            super().measure(litres)

    def advance(self) -> None:
        if self.alive:
            if self.rules.charge is not None and self.rules.charge.silence_s == NEVER_SILENT_S:
                self.rules.beat(self._clock.mono_s)
            self._hear(self.rules.advance(self._clock.mono_s))

    def next_change(self) -> datetime | None:
        return super().next_change() if self.alive else None

    def left_alone(self, alone: bool) -> None:
        """The daemon beats no more, or again."""
        assert self.rules.charge is not None, "a guard here has its charge from the start"
        self.rules.beat(self._clock.mono_s)
        self.rules.charge = replace(self.rules.charge, silence_s=self._silence_s if alone else NEVER_SILENT_S)

    def last_words(self) -> dict[str, dict[str, Any]]:
        """Its owner is gone: everything is closed, and what nobody has noted is left behind."""
        if not self.alive:
            return {}
        self.close(None, "owner gone")
        self.alive = False
        return self.unnoted

    def _hear(self, outcomes: Sequence[Any]) -> None:
        for each in outcomes:
            if isinstance(each, Closed):
                self.unnoted[each.pulse] = {"pulse": each.pulse, "valve": each.valve, "open_s": each.open_s,
                                            "why": each.why, "water_s": each.water_s, "litres": each.litres}
        self._latch.keep(self.rules.locks.values())
        super()._hear(outcomes)


class Chronicle:
    """All that happened, as a checksum, and its last lines in words. Also the loop's outlet."""

    def __init__(self, clock: VirtualClock, directory: Path) -> None:
        self._clock = clock
        self._directory = str(directory)  # another in each run, and no part of the history
        self._sum = hashlib.sha256()
        self.lines: deque[str] = deque(maxlen=KEPT_LINES)
        self.notes: list[Note] = []
        self.answers: list[tuple[str, bool]] = []

    def tell(self, text: str) -> None:
        line = f"{self._clock.utc:%Y-%m-%d %H:%M:%S.%f} {text.replace(self._directory, '')}"
        self._sum.update(line.encode() + b"\n")
        self.lines.append(line)

    @property
    def digest(self) -> str:
        return self._sum.hexdigest()

    def show(self, site: Any, garden: Garden, now: Now) -> None:
        """Nobody looks."""

    def said(self, note: Note) -> None:
        self.notes.append(note)
        self.tell(f"note {note.kind}: {note.said}")

    def answer(self, answer: Answer) -> None:
        self.answers.append((answer.ask, answer.ok))
        self.tell(f"answer {answer.ask} {answer.ok}: {answer.said}")

    def send(self, site: Any, digest: Digest) -> None:
        self.tell(f"message with {len(digest.jobs)} jobs and {len(digest.faults)} faults")


@dataclass
class HarshWorld(World):
    """A world in which the faults happen. The journal's path must be a file: it outlives the daemon."""

    faults: tuple[Fault, ...] = ()
    seed: int = 1

    def __post_init__(self) -> None:
        self.start = self._last_fault_at = self.clock.utc
        self.path = Path(self.journal.path)
        self.fuse, self.diary = Fuse(), [Level(self.clock.true_s, frozenset())]
        self._spare, self._starts = self.path.with_name(SPARE), self.path.with_name(STARTS)
        self.chronicle = self.outlet = Chronicle(self.clock, self.path.parent)
        self.up, self.starts_at, self.hung_until = True, NEVER, NEVER
        self.guard_back_at = NEVER
        self.words: dict[str, dict[str, Any]] = {}
        self.holding: dict[str, list[Fault]] = {}
        self.asked: list[bytes] = []
        self.starts: list[float] = []
        self.guardless: list[Spell] = []
        self.hung: list[Spell] = []
        self.passed: list[Passed] = []
        self.unwritten: list[Spell] = []
        self.gone: list[Spell] = []
        self._trouble_since_s: float | None = None
        self._answers_written = 0
        self._open: dict[str, Passed] = {}
        rule = self.settings.charge().meter
        self._supply = {zone.id: zone.supply for zone in self.settings.build().zones}
        self.meter = Meter(rule.litres_per_pulse) if rule is not None else None
        self.latch = Latch(self.clock)
        self.out_of_order: list[OutOfOrder] = []
        self._look_at, self._changed_s = self.clock.utc, self.clock.true_s
        self._booting = False
        self.rows: list[Given] = []
        self._agenda = [(instant(self.start, each.at_h), n, "begin", each) for n, each in enumerate(self.faults)]
        heapq.heapify(self._agenda)
        self._armed: list[Fault] = []
        self._count = len(self._agenda)
        self.journal.close()
        super().__post_init__()
        self.diary_seen = 0

    # --- starting and dying ---

    def _assemble(self) -> None:
        """The daemon starts from what the disk has kept."""
        found = open_journal(self.path, self._spare)
        self.journal, remembered = found.journal, found.garden
        self._sicken_journal()
        assert isinstance(self.clock, HarshClock), "a harsh world has a clock that can be wrong"
        beds = remembered.beds.values() if remembered is not None else ()
        self.clock.belief = Belief(max((bed.as_of for bed in beds), default=RELEASED))
        now = self.clock.now()
        if restless(self._starts, now.mono_s) and remembered is not None:
            self.chronicle.tell("it has ended too often and begins anew")
            remembered = begun_anew(self.site, remembered, now)
        garden = new_garden(self.site, now) if remembered is None else fit_to_site(self.site, remembered, now)
        self.telemetry = Telemetry(self.settings.sensor, self.site.id, lambda event: None, self.clock)
        journal: Any = Fused(self.journal, self.fuse, ("commit", "intend", "closed"))
        valves: Any = Fused(Way(self), self.fuse, ("open", "close"))
        outlet: Any = Fused(self.chronicle, self.fuse, ("answer",))
        self.loop = Loop(self.site, garden, clock=self.clock, valves=valves, journal=journal, outlet=outlet)
        if found.lost:
            self._forget_before()
            presume_used(self.journal, self.settings.charge(), now)
        if found.trouble is not None:
            self._forget_old()
        self.loop.take(Started(found.trouble))
        self._recover()
        self._new_guard()

    @property
    def mortal(self) -> MortalGuard:
        """The guard that there is, or was last."""
        assert isinstance(self.guard, MortalGuard), "a harsh world starts no other"
        return self.guard

    def begin(self, words: Mapping[str, Mapping[str, Any]] | None = None) -> None:
        self._listen()

    def end(self) -> None:
        """The daemon stops in order, if it lives."""
        if self.up and self.mortal.alive:
            super().end()

    def _recover(self) -> None:
        words, self.words = self.words, {}
        for closed in endings(self.journal.unfinished(), words, self.journal.known()):
            self.loop.take(closed)

    def _new_guard(self) -> None:
        locks = tuple(Lock(lock.rule, lock.why, lock.zone) for lock in self.loop.garden.locks)
        charge = replace(self.settings.charge(), used=used_openings(self.journal, self.clock.now()), locks=locks)
        self.guard = MortalGuard(charge, self.clock, self.diary, self.latch)
        if self.meter is not None:
            self.meter.start()
        self._end_guardless()
        self.guard_back_at = NEVER

    def _end_guardless(self) -> None:
        if self.guardless and self.guardless[-1].until_s == float("inf"):
            self.guardless[-1] = Spell(self.guardless[-1].from_s, self.clock.true_s)

    def die(self, *, power: bool = False, guard_too: bool = False, away: timedelta | None = None) -> None:
        """The daemon is gone, and with it the guard that it owned. power: of everything."""
        if not self.up and not power:
            return
        self.chronicle.tell("the power goes" if power else "the daemon dies")
        if power:
            self._forget_unwritten()
            for kept in (self._spare, self._starts):
                kept.unlink(missing_ok=True)
        if self.up:
            self._crash_disk(power)
        if power:
            self.words = {}
            self.mortal.alive = False
            self.guard.drive({})
        elif guard_too or not self.mortal.alive:
            self._guard_gone()
        else:
            self.words.update(self.mortal.last_words())
        self._booting = self._booting or power
        self.up, self.hung_until, self.guard_back_at = False, NEVER, NEVER
        self.fuse.left = None
        wait_s = dice(self.seed, "restart", self.clock.utc).uniform(*RESTART_S)
        self.starts_at = self.clock.utc + (away or timedelta(seconds=wait_s))

    def _forget_before(self) -> None:
        """All memory of the past is gone: nobody can be asked for what was in it, nor which asks have been heard."""
        self.unwritten.append(Spell(-float("inf"), self.clock.true_s))
        self.chronicle.answers.clear()

    def _forget_old(self) -> None:
        """A new file is begun, into which memory brings the last days only; the old one lies aside, or is lost."""
        self.unwritten.append(Spell(-float("inf"), self.clock.true_s - CARRIED_S))

    def _forget_unwritten(self) -> None:
        """What a sick disk had not taken is gone with the memory that held it; that it was unwritten had been said."""
        if self._trouble_since_s is not None:
            self.gone.append(Spell(self._trouble_since_s, self.clock.true_s))
            del self.chronicle.answers[self._answers_written :]

    def _crash_disk(self, power: bool) -> None:
        """What the disk holds after it: with power gone, only what was synced (nothing since the last checkpoint,
        where commits are not synced)."""
        synced = self.journal._db.execute("PRAGMA synchronous").fetchone()[0] >= 2
        kept = self.path.read_bytes() if power and not synced and self.path.exists() else None
        if self.journal._db.in_transaction:
            self.journal._db.execute("ROLLBACK")
        self.journal.close()
        if kept is not None:
            for ending in ("-wal", "-shm"):
                self.path.with_name(self.path.name + ending).unlink(missing_ok=True)
            self.path.write_bytes(kept)

    def _guard_gone(self) -> None:
        self.mortal.alive = False
        self.guardless.append(Spell(self.clock.true_s, float("inf")))

    def _start(self) -> None:
        self.chronicle.tell("the daemon starts")
        if self._booting:
            self.clock.mono_s, self._booting = BOOT_S, False
        self.up, self.starts_at = True, NEVER
        self.starts.append(self.clock.true_s)
        self._assemble()

    def lose_guard(self, seen_s: float) -> None:
        """The guard is dead or hangs; the daemon will know."""
        if self.up and self.mortal.alive:
            self._guard_gone()
            self.guard_back_at = self.clock.utc + timedelta(seconds=seen_s)

    # --- time ---

    def _due(self) -> list[datetime | None]:
        due: list[datetime | None] = [self.guard.next_change(), self.guard_back_at, self.starts_at, self.hung_until]
        due += [self._agenda[0][0]] if self._agenda else []
        due += [self._look_at] if self.meter is not None and self.mortal.alive else []
        if self.up and self.hung_until == NEVER:
            due += [self._forecast_due]
            if not self.holding.get("alarm late"):
                due += [self.clock.true(self.loop.wake_at)]
        return due

    def _pass(self, until: datetime) -> None:
        minutes = (until - self.clock.utc).total_seconds() / 60.0
        true_l_min = self._true_flows()
        on, off = self.guard.on, self.guard.off
        for zone, flow_l_min in true_l_min.items():
            self._passed[zone] += flow_l_min * minutes
            if zone in on and master_line(self._supply[zone]) not in off:
                known_l_min = self.site.zone(zone).line.flow_l_min if self.meter is None else flow_l_min
                self._pour(zone, known_l_min * minutes)
        if self.meter is not None:
            leak_l_min = sum(fault.size for fault in self.holding.get("pipe leaks", ()))
            self.meter.pass_by((sum(true_l_min.values()) + leak_l_min) * minutes)
        self.clock.go(until)

    def _true_flows(self) -> dict[str, float]:
        """What each zone's line lets out now, L/min; together no more than its supply gives."""
        flows = dict.fromkeys(self._supply, 0.0)
        on, off = self.guard.on, self.guard.off
        for zone in self.site.zones:
            opened = zone.id in on or self._at("valve stuck open", zone.id)
            if opened and master_line(zone.supply) not in off and not self._at("valve stuck shut", zone.id):
                clogged, burst = self._sizes(CLOGS, zone.id), self._sizes("line bursts", zone.id)
                flows[zone.id] = zone.line.flow_l_min * min([1.0, *clogged]) * max([1.0, *burst])
        for supply in self.site.supplies:
            mine = [zone.id for zone in self.site.zones if zone.supply == supply.id]
            share = supply.capacity_l_min / max(supply.capacity_l_min, sum(flows[zone] for zone in mine))
            flows |= {zone: flows[zone] * share for zone in mine}
        return flows

    def _look_at_the_meter(self) -> None:
        """As the guard does, though less often while nothing can have happened."""
        if self.meter is None or self.clock.utc < self._look_at:
            return
        self.guard.measure(self.meter.counted)
        busy = bool(self.guard.on) or self.meter.flows or self.clock.true_s < self._changed_s + SETTLED_S
        self._look_at = self.clock.utc + (LOOK_OFTEN if busy else LOOK_SELDOM)

    def _pour(self, zone: str, litres: float) -> None:
        """Water through an open line, by the pulse it was opened for."""
        self.litres[zone] += litres
        pulse = next((grant.pulse for grant in self.guard.rules.grants if grant.valve == zone), "")
        before = self._open.get(zone)
        if before is None or before.pulse != pulse:
            self._end_flow(zone)
            before = Passed(pulse, zone, self.clock.true_s, self.clock.true_s, 0.0)
        self._open[zone] = replace(before, litres=before.litres + litres)

    def _end_flow(self, zone: str) -> None:
        if zone in self._open:
            self.passed.append(replace(self._open.pop(zone), until_s=self.clock.true_s))

    def _turn(self) -> None:
        """One instant of this world: what goes wrong, then the controller, if there is one."""
        try:
            self._happen()
            self._look_at_the_meter()
            if self.up and self.hung_until == NEVER:
                self._come_round()
        except Killed as end:
            self.die(power=end.power)
        self._read_lines()

    def _happen(self) -> None:
        while self._agenda and self._agenda[0][0] <= self.clock.utc:
            _, _, what, fault = heapq.heappop(self._agenda)
            if what == "begin" and fault.after_open_s > 0.0:
                self._armed.append(fault)
            elif what == "end":
                self._end(fault)
            else:
                self._begin(fault)
        if self.clock.utc >= self.starts_at:
            self._start()
        if self.clock.utc >= self.hung_until:
            self.hung_until = NEVER
            self.mortal.left_alone(False)
        if self.clock.utc >= self.guard_back_at:
            self.guard_back_at = NEVER
            self._replace_guard()

    def _replace_guard(self) -> None:
        """As the daemon does it: tell the core, take over what the old one left, start a new one."""
        self.loop.take(GuardLost("the guard process has ended or hung up"))
        self.guard.drive({})
        self._recover()
        self._new_guard()

    def _come_round(self) -> None:
        super()._turn()
        if self.holding.get("alarm doubled"):
            self.loop.take(Woke())

    def put_down(self, at: datetime, fault: Fault, what: str = "begin") -> None:
        """On the agenda."""
        self._count += 1
        heapq.heappush(self._agenda, (at, self._count, what, fault))

    def _begin(self, fault: Fault) -> None:
        self.chronicle.tell(f"fault: {fault}")
        if fault.kind in KINDS:
            self._last_fault_at = self.clock.utc
        if fault.kind in (*WATER_FAULTS, CLOGS):
            ends_s = self.clock.true_s + 3600.0 * fault.lasts_h
            self.out_of_order.append(OutOfOrder(fault.kind, fault.where, Spell(self.clock.true_s, ends_s)))
        if fault.lasts_h > 0.0:
            self.holding.setdefault(fault.kind, []).append(fault)
            self.put_down(self.clock.utc + timedelta(hours=fault.lasts_h), fault, "end")
        BEGIN.get(fault.kind, _nothing)(self, fault)
        self._read_lines()

    def _end(self, fault: Fault) -> None:
        self.chronicle.tell(f"over: {fault}")
        self._last_fault_at = self.clock.utc
        self.holding[fault.kind].remove(fault)
        END.get(fault.kind, _nothing)(self, fault)

    def _at(self, kind: str, where: str) -> bool:
        return bool(self._sizes(kind, where))

    def _sizes(self, kind: str, where: str) -> list[float]:
        return [fault.size for fault in self.holding.get(kind, ()) if fault.where == where]

    def _read_lines(self) -> None:
        """The diary goes on: an opening may be what a fault has waited for."""
        for level in self.diary[self.diary_seen :]:
            self.chronicle.tell(f"lines on: {' '.join(sorted(level.on)) or 'none'}")
        if self.diary_seen < len(self.diary):
            self._changed_s, self._look_at = self.clock.true_s, min(self._look_at, self.clock.utc + LOOK_OFTEN)
            for fault in self._armed if self.diary[-1].on else ():
                self.put_down(self.clock.utc + timedelta(seconds=fault.after_open_s), replace(fault, after_open_s=0.0))
            self._armed = [] if self.diary[-1].on else self._armed
            for zone in [zone for zone in self._open if zone not in self.diary[-1].on]:
                self._end_flow(zone)
        self.diary_seen = len(self.diary)
        if self.up and self.journal.trouble is None:
            self._trouble_since_s, self._answers_written = None, len(self.chronicle.answers)
        elif self.up and self._trouble_since_s is None:
            self._trouble_since_s = self.clock.true_s

    # --- the network ---

    def _listen(self) -> None:
        messages = [Message(topic, payload) for topic, payload in self.garden.messages()]
        if self.holding.get("nonsense"):
            messages += self._nonsense()
        if not self.holding.get("broker gone"):
            self._hand_over(messages)
        while self.up and self.guard.said:
            self.loop.take(self.guard.said.popleft())

    def _hand_over(self, messages: Sequence[Message]) -> None:
        for message in messages:
            self.telemetry.receive(message)
        for event in self.telemetry.events() if messages else []:
            self.loop.take(event)

    def _nonsense(self) -> Iterator[Message]:
        chance = dice(self.seed, "nonsense", self.clock.utc)
        if chance.random() < 0.3:
            spoken = [sensor.topic for sensor in self.settings.sensor if sensor.topic is not None]
            topics = [*spoken, f"{ROOT}/{self.site.id}/ask"]
            yield Message(chance.choice(topics), chance.choice(NONSENSE), retained=chance.random() < 0.2)

    def _forecast(self) -> Event:
        wrong = next((kind for kind in FORECAST_FAULTS if self.holding.get(kind)), None)
        if wrong == "forecast gone" or self.holding.get("broker gone"):
            return ForecastFailed("no answer from the service")
        try:
            if wrong is None:
                return ForecastArrived(self.garden.forecast(self.clock.utc))
            return ForecastArrived(self._wrong_forecast(wrong, self.holding[wrong][-1].size))
        except ForecastError as error:
            return ForecastFailed(str(error))

    def _wrong_forecast(self, kind: str, size: float) -> Any:
        """What the service says, through the real reader."""
        site, asked = self.site, self.clock.now().utc
        back = timedelta(hours=round(size)) if kind == "forecast late" else timedelta(0)
        hours = self.garden.forecast(self.clock.utc - back).hours
        document = open_meteo_document(hours, site.latitude_deg, site.longitude_deg)
        if kind == "forecast shifted":
            document["hourly"]["time"] = [stamp + 3600 * round(size) for stamp in document["hourly"]["time"]]
        if kind == "forecast absurd":
            ABSURD[int(size) % len(ABSURD)](document)
        place = Place(site.latitude_deg, site.longitude_deg, site.elevation_m)
        return read_open_meteo(document, place, asked,
                               lambda at: sine_of_elevation(at, site.latitude_deg, site.longitude_deg) > 0.0)

    # --- the disk ---

    def _sicken_journal(self) -> None:
        """A disk that ails ails for each new connection too."""
        full, fixed = bool(self.holding.get("disk full")), bool(self.holding.get("disk read-only"))
        pages = self.journal._db.execute("PRAGMA page_count").fetchone()[0] if full else 1_000_000_000
        self.journal._db.execute(f"PRAGMA max_page_count = {pages}")
        self.journal._db.execute(f"PRAGMA query_only = {'ON' if fixed else 'OFF'}")

    def lose_journal(self) -> None:
        for ending in ("", "-wal", "-shm"):
            self.path.with_name(self.path.name + ending).unlink(missing_ok=True)
        self._forget_old()

    def spoil_journal(self, count: int) -> None:
        """Bytes of the file turn into others while nobody looks."""
        if not self.path.exists():
            return
        chance, body = dice(self.seed, "corrupt", self.clock.utc), bytearray(self.path.read_bytes())
        for _ in range(count):
            body[chance.randrange(len(body))] = chance.randrange(256)
        self.path.write_bytes(body)

    # --- the judgement ---

    def history(self, ill: Sequence[str] = ()) -> History:
        """What the watchers read."""
        forgotten = [each.pulse for each in self.passed if self._forgotten(each)]
        passed = [each for each in self.passed if each.pulse not in forgotten]
        reader = JournalReader(self.path)
        try:
            self.rows = reader.openings(LONG_AGO, NEVER)
        finally:
            reader.close()
        still_open = {each.pulse for each in self._open.values()}
        hung = tuple(self.hung)
        booked = [_booked(row) for row in self.rows]
        booked = [row for row in booked if row.pulse not in still_open and row.pulse not in forgotten]
        return History(self.settings.charge(), self.diary, self.clock.true_s, tuple(self.guardless),
                       tuple(self.starts), hung, tuple(self.gone), passed, booked,
                       tuple(self.chronicle.answers), ill, tuple(self.latch.history()), tuple(self.out_of_order))

    def _forgotten(self, passed: Passed) -> bool:
        spells = [*self.unwritten, *self.gone]
        return any(spell.from_s <= passed.until_s and passed.from_s <= spell.until_s for spell in spells)

    def ill(self) -> list[str]:
        """What is not as it should be, by the journal's own garden: nothing, until the last fault is a day past. One
        that waits for an opening may come late, where little is watered."""
        if any(self.holding.values()) or self.clock.utc - self._last_fault_at < WELL_AFTER:
            return []
        if not self.up:
            return ["the daemon does not run"]
        reader = JournalReader(self.path)
        try:
            body = reader._db.execute("SELECT at, body FROM garden").fetchone()
        finally:
            reader.close()
        if body is None:
            return ["the journal remembers no garden"]
        at, garden = datetime.fromisoformat(body[0]), json.loads(body[1])
        found = [f"the fault {name} is still said" for name in garden["faults"] if not name.startswith("sensor-")]
        if self.clock.utc - at > timedelta(minutes=15):
            found.append(f"the journal was last written at {at:%Y-%m-%d %H:%M}")
        if not garden["guard_ready"]:
            found.append("the guard is not ready")
        if abs(datetime.fromisoformat(garden["plan"]["made"]) - self.clock.utc) > timedelta(hours=2):
            found.append("the plan is old")
        running = {p["zone"] for w in garden["plan"]["waterings"] for p in w["pulses"]
                   if p["state"] in ("asked", "running")}
        found += [f"{zone} is thought to be open" for zone in running if zone not in self.guard.on]
        return found


def _booked(row: Given) -> Booked:
    return Booked(row.pulse.partition(AGAIN)[0], row.zone, row.litres, row.unsure_litres, row.why or "")


class Way:
    """The daemon's way to whichever guard there is."""

    def __init__(self, world: HarshWorld) -> None:
        self._world = world

    def open(self, zone: str, pulse: str, seconds: float) -> None:
        self._world.guard.open(zone, pulse, seconds)

    def close(self, zone: str | None, why: str) -> None:
        self._world.guard.close(zone, why)

    def noted(self, pulse: str) -> None:
        self._world.guard.noted(pulse)

    def release(self, zone: str | None) -> None:
        self._world.guard.release(zone)

    def beat(self) -> None:
        self._world.guard.beat()


# What each kind of fault does ----------------------------------------------------------------------------


def _nothing(world: HarshWorld, fault: Fault) -> None:
    """It does what it does while it holds; see who asks for it."""


def _kill(world: HarshWorld, fault: Fault) -> None:
    world.fuse.left, world.fuse.power = max(1, int(fault.size)), False


def _power_at_a_call(world: HarshWorld, fault: Fault) -> None:
    _kill(world, fault)
    world.fuse.power = True


def _run_wild(world: HarshWorld, fault: Fault) -> None:
    """The core asks for what no plan has, some of it longer than may be, at odd times: only the guard stands before the
    water."""
    chance = dice(world.seed, "wild", fault.at_h)
    for n in range(int(fault.size)):
        at = world.clock.utc + timedelta(hours=chance.uniform(0.0, fault.lasts_h))
        wild = replace(fault, kind="wild opening", lasts_h=0.0, size=chance.random(), where=f"wild-{fault.at_h}-{n}")
        world.put_down(at, wild)


def _wild_opening(world: HarshWorld, fault: Fault) -> None:
    if world.up and world.mortal.alive and world.hung_until == NEVER:
        chance = dice(world.seed, "wild", fault.where)
        zone = chance.choice([zone.id for zone in world.site.zones])
        longest_s = world.settings.charge().valves[zone].longest_s
        seconds = chance.choice((0.02, 0.3, 0.9, 1.0, 1.002, 1.5)) * longest_s
        world.journal.intend(Open(zone, fault.where, "wild", seconds, 0.0), world.clock.now())
        world.loop.commit()
        world.guard.open(zone, fault.where, seconds)


def _power_cut(world: HarshWorld, fault: Fault) -> None:
    world.die(power=True, away=timedelta(hours=max(fault.lasts_h, 0.01)))


def _no_clock(world: HarshWorld, fault: Fault) -> None:
    _power_cut(world, replace(fault, lasts_h=0.05))
    world.clock.skew, world.clock.synced = -timedelta(days=fault.size), None  # type: ignore[attr-defined]


def _clock_comes(world: HarshWorld, fault: Fault) -> None:
    """By network time."""
    clock: HarshClock = world.clock  # type: ignore[assignment]
    clock.skew, clock.synced = timedelta(0), (clock.synced or 0) + 1


def _hang(world: HarshWorld, fault: Fault) -> None:
    lasts_s = fault.lasts_h * 3600.0
    if world.up and world.mortal.alive and lasts_s < HANG_MOST_S:
        world.hung_until = world.clock.utc + timedelta(seconds=lasts_s)
        world.hung.append(Spell(world.clock.true_s, world.clock.true_s + lasts_s))
        world.mortal.left_alone(True)
    elif world.up:
        world.guard.close(None, "silence")
        world.die()


def _restarts(world: HarshWorld, fault: Fault) -> None:
    world.die()
    if fault.size > 1:
        world.put_down(world.clock.utc + timedelta(minutes=1), replace(fault, size=fault.size - 1))


def _sicken(world: HarshWorld, fault: Fault) -> None:
    if world.up:
        world._sicken_journal()


def _corrupt(world: HarshWorld, fault: Fault) -> None:
    world.die()
    world.spoil_journal(int(fault.size))


def _step_clock(world: HarshWorld, fault: Fault) -> None:
    world.clock.skew = timedelta(days=fault.size if fault.kind == "clock steps on" else -fault.size)


def _mended(world: HarshWorld, fault: Fault) -> None:
    """Somebody has put it right, and releases what was locked when nothing answers why it should not."""
    world.put_down(world.clock.utc + MENDED, Fault("released by hand", fault.at_h))


def _released(world: HarshWorld, fault: Fault) -> None:
    if not world.latch.locks:
        return
    if not any(world.holding.get(kind) for kind in WATER_FAULTS):
        wish = {"do": "release", "id": f"mended-{world.clock.true_s:.0f}"}
        _publish(world, json.dumps(wish).encode(), retained=False)
    world.put_down(world.clock.utc + MENDED, fault)


def _ask(world: HarshWorld, fault: Fault) -> None:
    chance = dice(world.seed, "ask", fault.size, fault.at_h)
    zone = chance.choice([zone.id for zone in world.site.zones])
    wish: dict[str, Any] = {"do": chance.choice(VERBS), "id": f"ask-{fault.at_h}", "zone": zone}
    if wish["do"] == "water":
        wish |= {chance.choice(("litres", "minutes", "mm")): round(chance.uniform(0.5, 40.0), 1)}
    if wish["do"] == "hold":
        wish["until"] = (world.clock.utc + timedelta(hours=chance.uniform(0.1, 30.0))).isoformat()
    if chance.random() < 0.5:
        wish["expires"] = (world.clock.utc + timedelta(minutes=10)).isoformat()
    payload = json.dumps(wish).encode()
    world.asked.append(payload)
    _publish(world, payload, retained=False)


def _ask_again(world: HarshWorld, fault: Fault) -> None:
    if world.asked:
        _publish(world, world.asked[int(fault.size) % len(world.asked)], retained=False)


def _ask_kept(world: HarshWorld, fault: Fault) -> None:
    wish = {"do": "water", "id": f"kept-{fault.at_h}", "zone": world.site.zones[0].id, "minutes": 5}
    _publish(world, json.dumps(wish).encode(), retained=True)


def _publish(world: HarshWorld, payload: bytes, *, retained: bool) -> None:
    if world.up and world.hung_until == NEVER and not world.holding.get("broker gone"):
        world._hand_over([Message(f"{ROOT}/{world.site.id}/ask", payload, retained=retained)])


VERBS = ("water", "water", "water", "water", "stop", "hold", "release", "skip", "replan")

BEGIN: Mapping[str, Callable[[HarshWorld, Fault], None]] = MappingProxyType(
    {
        "kill": _kill,
        "kill in a pulse": lambda world, fault: world.die(),
        "power at a call": _power_at_a_call,
        "planner runs wild": _run_wild,
        "wild opening": _wild_opening,
        "power cut": _power_cut,
        "no clock at boot": _no_clock,
        "hang": _hang,
        "guard killed": lambda world, fault: world.lose_guard(GUARD_SEEN_DEAD_S),
        "guard hung": lambda world, fault: world.lose_guard(GUARD_SEEN_HUNG_S),
        "both killed": lambda world, fault: world.die(guard_too=True, away=timedelta(seconds=3)),
        "restarts": _restarts,
        "disk full": _sicken,
        "disk read-only": _sicken,
        "journal lost": lambda world, fault: world.lose_journal(),
        "journal corrupt": _corrupt,
        "ask": _ask,
        "ask again": _ask_again,
        "ask kept": _ask_kept,
        "clock steps on": _step_clock,
        "clock steps back": _step_clock,
        "released by hand": _released,
    }
)
END: Mapping[str, Callable[[HarshWorld, Fault], None]] = MappingProxyType(
    {
        "no clock at boot": _clock_comes,
        "disk full": _sicken,
        "disk read-only": _sicken,
        "clock steps on": _clock_comes,
        "clock steps back": _clock_comes,
        "valve stuck open": _mended,
        "valve stuck shut": _mended,
        "line bursts": _mended,
        "pipe leaks": _mended,
    }
)

FORECAST_FAULTS = ("forecast gone", "forecast late", "forecast shifted", "forecast absurd")


def _scaled(column: str, factor: float, plus: float = 0.0) -> Callable[[dict[str, Any]], None]:
    def scale(document: dict[str, Any]) -> None:
        values = document["hourly"][column]
        document["hourly"][column] = [None if value is None else value * factor + plus for value in values]

    return scale


ABSURD: Sequence[Callable[[dict[str, Any]], None]] = (
    _scaled("precipitation", 25.4),
    _scaled("temperature_2m", 1.8, 32.0),
    _scaled("temperature_2m", float("nan")),
    _scaled("shortwave_radiation", -1.0),
    lambda document: document["hourly"].pop("temperature_2m"),
    lambda document: document.update(utc_offset_seconds=3600),
)

NONSENSE = (
    b"", b"NaN", b"Infinity", b"-1e999", b"true", b'"12"', b"[]", b"{}", b"\xff\xfe1\x002\x00", b"{" * 3000,
    b'{"do":"water","id":"", "zone":"tomatoes"}', b'{"do":"water"}', b'{"id":"n1","do":"flood","zone":null}',
    b'{"id":"n2","do":"water","zone":"nowhere","minutes":5}', b'{"id":"n3","do":"water","minutes":1e308}',
    b'{"id":"n4","do":"hold","until":"1970-01-01T00:00:00Z"}', b"1" * 5000, b"null", b"0x10", b" 12 ",
)
