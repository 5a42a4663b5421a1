"""The guard's rules: which valve may open, and when every line must be off again.

No clock, no files, no sockets: the process and the simulator run this same machine, each on its own time.
All times are monotonic seconds (`now_s`, `..._at_s`, `..._s` on one axis), all flows L/min.

State is two lists: *grants*, the valves that may be open now, each with its end, and the *ledger*, the
openings of the last 24 hours; beside them the *locks*, which only a hand takes away, and what the inputs say.
The level of every line is a function of these and the time alone. A grant is never lengthened; what is asked
beyond a limit is refused, never silently shortened.

The owner (the daemon) has to be heard every `silence_s`. Nothing opens for a silent owner, and everything
open is closed at once: its own end is the first of three that a grant may meet (deadline, asked, silence).
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise
from types import MappingProxyType

from controller.guard.flow import Finding, MeterRule, Watch

DAY_S = 86_400.0
MASTER = "master"
"""Name of the master line among the levels, or the first word of it; no zone may bear it."""
SUPPLY = "supply"
"""Id of a supply that has no other: the only one of most gardens."""

# A sum of decimal fractions (0.1 + 0.2) may pass its limit by rounding alone. Nothing real is this small.
ROUNDING = 1e-9

DRY_TIMES = 2
"""So many pulses without water, one after the other, lock."""
FLOW_SLACK = 1.3
"""So many times its flow a valve may give before something is taken to be broken (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Switch:
    """What an input of a kind does. bad: what it says when nothing may open. locks: until a hand releases it."""

    rule: str
    bad: bool
    locks: bool
    why: str
    over: str


INPUTS: Mapping[str, Switch] = MappingProxyType(
    {
        "stop switch": Switch("stopped", True, True, "the stop switch is pressed", "the stop switch is free again"),
        "pressure switch": Switch(
            "no pressure", False, False, "there is no pressure in the mains", "the mains have pressure again"
        ),
        "tank switch": Switch("tank empty", False, False, "the tank is empty", "the tank has water again"),
    }
)
"""An emergency stop is not undone by letting go of it (ISO 13850, from memory); water that comes back is."""


@dataclass(frozen=True, slots=True)
class ValveRule:
    """What one valve may do: its flow [L/min], its longest opening [s], its most in any 24 hours [s and L]; its supply.

    most_l_per_24h: None is a third more than its flow gives in most_s_per_24h.
    """

    flow_l_min: float
    longest_s: float
    most_s_per_24h: float
    supply: str = SUPPLY
    most_l_per_24h: float | None = None

    def __post_init__(self) -> None:
        _refuse_unless_positive(self, ("flow_l_min", "longest_s", "most_s_per_24h", "most_l_per_24h"))

    @property
    def most_litres(self) -> float:
        """The most it may give in any 24 hours, L."""
        if self.most_l_per_24h is not None:
            return self.most_l_per_24h
        return FLOW_SLACK * self.most_s_per_24h / 60.0 * self.flow_l_min


@dataclass(frozen=True, slots=True)
class MasterRule:
    """A master valve or pump on a line of its own, with its dead times [s, 0 or more].

    It opens `lead_s` after the zone valve and closes `trail_s` before it, unless another zone carries on, so
    that a pump never pushes against closed valves. Once off it rests for `rest_s`; on it runs for
    `longest_run_s` at most (None: as long as it likes).
    """

    lead_s: float
    trail_s: float
    rest_s: float = 0.0
    longest_run_s: float | None = None

    def __post_init__(self) -> None:
        _refuse_unless_not_negative(self, ("lead_s", "trail_s", "rest_s"))
        _refuse_unless_positive(self, ("longest_run_s",))


@dataclass(frozen=True, slots=True)
class SupplyRule:
    """A tap, pump or tank: what it gives at most to all its valves together [L/min], and its master, if any."""

    capacity_l_min: float
    master: MasterRule | None = None

    def __post_init__(self) -> None:
        _refuse_unless_positive(self, ("capacity_l_min",))


def master_line(supply: str) -> str:
    """Name of a supply's master line among the levels."""
    return MASTER if supply == SUPPLY else f"{MASTER} {supply}"


def is_master(line: str) -> bool:
    """Whether a line of that name is a master's."""
    return line.split(" ")[0] == MASTER


@dataclass(frozen=True, slots=True)
class UsedOpening:
    """An opening from before this guard's life: handed over so that the 24 hours stay true.

    litres: what it gave; None is what the valve's flow gives in that time.
    """

    valve: str
    ended_ago_s: float
    open_s: float
    litres: float | None = None

    def __post_init__(self) -> None:
        _refuse_unless_not_negative(self, ("ended_ago_s", "open_s", "litres"))


@dataclass(frozen=True, slots=True)
class Lock:
    """Nothing opens here until a hand releases it. valve None: the whole site. `rule` caused it, `why` says how."""

    rule: str
    why: str
    valve: str | None = None


@dataclass(frozen=True, slots=True)
class Charge:
    """What the guard is told to guard: supplies and valves by id.

    most_s_per_24h, most_l_per_24h: of all valves together; None leaves it to the valves' own.
    never_together: pairs of valves of which one must be closed. inputs: kind of each, a key of INPUTS, by name.

    A limit that limits nothing raises ValueError naming the field, and so does a valve of no supply here.
    """

    supplies: Mapping[str, SupplyRule]
    valves: Mapping[str, ValveRule]
    silence_s: float = 1.0
    used: tuple[UsedOpening, ...] = ()
    most_s_per_24h: float | None = None
    most_l_per_24h: float | None = None
    never_together: tuple[tuple[str, str], ...] = ()
    inputs: Mapping[str, str] = field(default_factory=dict)
    locks: tuple[Lock, ...] = ()
    meter: MeterRule | None = None

    def __post_init__(self) -> None:
        _refuse_unless_positive(self, ("silence_s", "most_s_per_24h", "most_l_per_24h"))
        for name, valve in self.valves.items():
            if is_master(name):
                raise ValueError(f"a zone may not be called {name!r}: that is the name of a master line")
            if valve.supply not in self.supplies:
                raise ValueError(f"the supply {valve.supply!r} of {name} is none of this garden")
        if odd := sorted({valve for pair in self.never_together for valve in pair} - set(self.valves)):
            raise ValueError(f"never_together names {odd[0]!r}, which is no valve")
        if odd := sorted(name for name, kind in self.inputs.items() if kind not in INPUTS):
            raise ValueError(f"the input {odd[0]!r} is of no known kind")
        if self.meter is not None and self.meter.supply not in self.supplies:
            raise ValueError(f"the supply {self.meter.supply!r} of the flow meter is none of this garden")

    def supply_of(self, valve: str) -> SupplyRule:
        """The supply that the valve hangs on."""
        return self.supplies[self.valves[valve].supply]

    def on_supply(self, supply: str, grants: tuple["Grant", ...]) -> tuple["Grant", ...]:
        """Those of these grants whose valves hang on that supply."""
        return tuple(grant for grant in grants if self.valves[grant.valve].supply == supply)


@dataclass(frozen=True, slots=True)
class Grant:
    """One valve may be open from `opened_s` until `closes_at_s`; `why` is the reason of that end.

    `water_s` is how long it has been open so far with its master, if any, open as well.
    """

    valve: str
    pulse: str
    opened_s: float
    closes_at_s: float
    why: str = "deadline"
    water_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Opened:
    """The valve may be open from `opened_s` to `closes_at_s`."""

    valve: str
    pulse: str
    opened_s: float
    closes_at_s: float


@dataclass(frozen=True, slots=True)
class Closed:
    """`open_s` is the time that really passed; `why` is deadline, silence, or what the closer said.

    `water_s` is the part of it with the master open as well, which another zone may keep open throughout.
    litres: as the meter counted them; None without one, or if it was silent. l_min: the flow of this valve alone, as
    measured; None if it hardly flowed alone.
    """

    valve: str
    pulse: str
    open_s: float
    why: str
    water_s: float
    litres: float | None = None
    l_min: float | None = None


@dataclass(frozen=True, slots=True)
class Notice:
    """Something the guard has found, or (`over`) that it is no more. `locked`: only a hand will release it.

    `rule` is a plain name, `why` one sentence. valve None: the whole site.
    """

    rule: str
    why: str
    valve: str | None = None
    locked: bool = False
    over: bool = False


@dataclass(frozen=True, slots=True)
class Refused:
    """Nothing changed. `rule` is the plain name of a veto, `why` one sentence."""

    rule: str
    why: str
    valve: str | None = None
    pulse: str | None = None


Outcome = Opened | Closed | Refused | Notice


@dataclass(frozen=True, slots=True)
class _Span:
    """An opening in time, past or granted, with what it gave or will give."""

    valve: str
    from_s: float
    until_s: float
    litres: float

    def seconds_within(self, since_s: float, at_s: float) -> float:
        return max(0.0, min(self.until_s, at_s) - max(self.from_s, since_s))

    def litres_within(self, since_s: float, at_s: float) -> float:
        """Of its litres, as many as of its time; an opening of no time gave what it gave at once, and still counts at
        the instant at which its day is over: just before it, all that has been given since counts beside it."""
        if self.until_s > self.from_s:
            return self.litres * self.seconds_within(since_s, at_s) / (self.until_s - self.from_s)
        return self.litres if since_s <= self.from_s <= at_s else 0.0


@dataclass(frozen=True, slots=True)
class _Ask:
    valve: str
    seconds: float
    now_s: float


@dataclass
class Guard:
    """The machine. Call `advance` first whenever time has passed; `levels` says what every line must be."""

    charge: Charge | None = None
    started_s: float = 0.0
    grants: tuple[Grant, ...] = ()
    heard_s: float = -math.inf
    locks: dict[str | None, Lock] = field(default_factory=dict)
    inputs: dict[str, bool] = field(default_factory=dict)
    _ledger: list[_Span] = field(default_factory=list)
    _latest_s: float = -math.inf
    _on_since_s: dict[str, float] = field(default_factory=dict)
    _off_since_s: dict[str, float] = field(default_factory=dict)
    _watch: Watch | None = None
    _ended: tuple[str, ...] = ()
    _dry_times: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._take_time(self.started_s)
        if self.charge is None:
            return
        self.locks |= {lock.valve: lock for lock in self.charge.locks}
        if self.charge.meter is not None:
            self._watch = Watch(self.charge.meter)
        for used in self.charge.used:
            until_s = self.started_s - used.ended_ago_s
            litres = self._litres(used.valve, used.open_s) if used.litres is None else used.litres
            self._ledger.append(_Span(used.valve, until_s - used.open_s, until_s, litres))
            if used.valve in self.charge.valves:  # a pump's rest outlives a guard too
                supply = self.charge.valves[used.valve].supply
                self._off_since_s[supply] = max(until_s, self._off_since_s.get(supply, -math.inf))

    def beat(self, now_s: float, sent_s: float | None = None) -> Refused | None:
        """The owner was alive at `sent_s` (default: now). An old beat from a queue is no new one."""
        self._take_time(now_s)
        sent_s = now_s if sent_s is None else sent_s
        if not sent_s <= now_s:
            return Refused("beat", "the beat was sent later than now, so not by the monotonic clock")
        self.heard_s = max(self.heard_s, sent_s)
        return None

    def open(self, valve: str, pulse: str, seconds: float, now_s: float) -> Opened | Refused:
        """Grant `valve` for `seconds` from now, or say which veto forbids it."""
        self._take_time(now_s)
        self._book(now_s)
        ask = _Ask(valve, seconds, now_s)
        for rule, veto in VETOES:
            if why := veto(self, ask):
                return Refused(rule, why, valve, pulse)
        grant = Grant(valve, pulse, now_s, now_s + seconds)
        self.grants += (grant,)
        self._book(now_s)
        return Opened(valve, pulse, grant.opened_s, grant.closes_at_s)

    def close(self, valve: str | None, why: str, now_s: float) -> list[Outcome]:
        """Close one valve, the master first by its dead time; or with None everything, at once."""
        self._take_time(now_s)
        if valve is None:
            return self._end(self.grants, now_s, why)
        grant = next((grant for grant in self.grants if grant.valve == valve), None)
        if grant is None:
            return []  # what is closed need not be closed
        end_s = now_s + self._trail_s(grant, now_s)
        if end_s < grant.closes_at_s:
            sooner = replace(grant, closes_at_s=end_s, why=why)
            self.grants = tuple(sooner if each is grant else each for each in self.grants)
        return self.advance(now_s)

    def advance(self, now_s: float) -> list[Outcome]:
        """Time has come this far: what has ended by its deadline, and all of it if the owner is silent."""
        self._take_time(now_s)
        self._ledger = [past for past in self._ledger if past.until_s > now_s - DAY_S]
        ended = self._end(tuple(grant for grant in self.grants if grant.closes_at_s <= now_s), now_s)
        if self.silent(now_s):
            ended += self._end(self.grants, now_s, "silence")
        return ended

    def sense(self, name: str, on: bool, now_s: float) -> list[Outcome]:
        """An input says on or off. What may not be closes everything at once, and locks if its kind does."""
        self._take_time(now_s)
        kind = _charge(self).inputs.get(name)
        if kind is None:
            return [Refused("unknown input", f"there is no input {name!r} in this garden")]
        before, self.inputs[name] = self.inputs.get(name), on
        switch = INPUTS[kind]
        if before is on:
            return []
        if on is not switch.bad:
            return [] if before is None or switch.locks else [Notice(switch.rule, switch.over, over=True)]
        if switch.locks:
            return self.lock(Lock(switch.rule, switch.why), now_s)
        return [*self._end(self.grants, now_s, switch.rule), Notice(switch.rule, switch.why)]

    def lock(self, lock: Lock, now_s: float) -> list[Outcome]:
        """Close at once what it covers, and open it no more. An older lock of the same place keeps its reason."""
        self._take_time(now_s)
        ended = self._end(
            tuple(grant for grant in self.grants if lock.valve in (None, grant.valve)), now_s, lock.rule
        )
        if lock.valve in self.locks:
            return ended
        self.locks[lock.valve] = lock
        return [*ended, Notice(lock.rule, lock.why, lock.valve, locked=True)]

    def measure(self, litres: float, now_s: float) -> list[Outcome]:
        """The meter's counter stands at so many litres: what is done about it."""
        self._take_time(now_s)
        if self._watch is None:
            return [Refused("no meter", "there is no flow meter in this garden")]
        if not 0.0 <= litres < math.inf:
            return [Refused("not a volume", f"the meter tells of {litres} L, which is no volume")]
        return [outcome for finding in self._watch.look(litres, now_s) for outcome in self._react(finding, now_s)]

    def _react(self, finding: Finding, now_s: float) -> list[Outcome]:
        valves = [grant.valve for grant in self._flowing(now_s)]
        flow, where = f"{finding.l_min:.2g} L/min", " and ".join(valves or self._ended)
        match finding.kind:
            case "burst" if valves:
                expected = sum(_charge(self).valves[valve].flow_l_min for valve in valves)
                why = f"{where} drew {flow} and more, where {expected:.2g} L/min are right: burst, or a line is off"
                return [each for valve in valves for each in self.lock(Lock("burst", why, valve), now_s)]
            case "burst":
                return self.lock(Lock("burst", f"{flow} and more flow with every valve closed"), now_s)
            case "does not close":
                why = f"{flow} and more flow although {where} was closed: the valve does not close"
                return self.lock(Lock("does not close", why), now_s)
            case "no flow":
                return self._dry(valves, flow, now_s)
            case "flows":
                over = [valve for valve in valves if valve in self._dry_times]
                self._dry_times.clear()
                return [Notice("no flow", "water flows again", valve, over=True) for valve in over]
            case "leak":
                litres = finding.l_min * 1440.0
                return [Notice("leak", f"{flow} flow with every valve closed, {litres:.0f} L a day")]
            case "drip":
                return [Notice("drip", f"{finding.l_min * 1440.0:.0f} L a day and more drip with every valve closed")]
            case "quiet":
                return [Notice(rule, "nothing flows any more", over=True) for rule in ("leak", "drip", "meter")]
            case _:  # nonsense
                return [Notice("meter", f"the flow meter tells of {flow}, more than can be; look at its wire")]

    def _dry(self, valves: list[str], flow: str, now_s: float) -> list[Outcome]:
        """No water: closed and tried once more; then the valve is locked, or all if it is not this valve alone."""
        ended = self._end(self._flowing(now_s), now_s, "no flow")
        for valve in valves:
            self._dry_times[valve] = self._dry_times.get(valve, 0) + 1
        twice = [valve for valve in valves if self._dry_times[valve] >= DRY_TIMES]
        if len(self._dry_times) > len(valves) or (twice and _charge(self).supply_of(twice[0]).master):
            names = " and ".join(self._dry_times)
            why = f"{names} had no water one after the other: supply shut or empty, or its pump or master does not open"
            return [*ended, *self.lock(Lock("no water", why), now_s)]
        for valve in valves:
            why = f"{valve} had {flow} at most: blocked, or its valve does not open"
            if valve in twice:
                ended += self.lock(Lock("no flow", why, valve), now_s)
            else:
                ended.append(Notice("no flow", why, valve))
        return ended

    def release(self, valve: str | None, now_s: float) -> list[Outcome]:
        """Take away the lock of a valve, or with None every lock. A stop that is still pressed locks again."""
        released = [lock for lock in self.locks.values() if valve in (None, lock.valve)]
        self.locks = {name: lock for name, lock in self.locks.items() if lock not in released}
        self._dry_times.clear()
        over: list[Outcome] = [
            Notice(lock.rule, "released by hand", lock.valve, locked=True, over=True) for lock in released
        ]
        for name in [name for name, on in self.inputs.items() if on]:
            switch = INPUTS[_charge(self).inputs[name]]
            if switch.locks:
                over += self.lock(Lock(switch.rule, switch.why), now_s)
        return over

    def silent(self, now_s: float) -> bool:
        """Has the owner not been heard for `silence_s`, or never? True as well while there is no charge."""
        return self.charge is None or now_s >= self.heard_s + self.charge.silence_s

    def levels(self, now_s: float) -> dict[str, bool]:
        """Which lines must be on now. Depends on grants, beats and time only; changes nothing."""
        if self.charge is None:
            return {}
        live = () if self.silent(now_s) else tuple(each for each in self.grants if now_s < each.closes_at_s)
        on = {grant.valve for grant in live}
        levels = {valve: valve in on for valve in self.charge.valves}
        for name, supply in self.charge.supplies.items():
            if supply.master:
                grants = self.charge.on_supply(name, live)
                levels[master_line(name)] = self._rested(name, now_s) and _master_on(supply.master, grants, now_s)
        return levels

    def next_change_s(self) -> float | None:
        """When a level may next change by itself; None while nothing is open.

        Next after the last time this machine was told, not after now: what falls between two calls is due.
        """
        if not self.grants or self.charge is None:
            return None
        instants = [self.heard_s + self.charge.silence_s, *(grant.closes_at_s for grant in self.grants)]
        for grant in self.grants:
            supply = self.charge.valves[grant.valve].supply
            if master := self.charge.supplies[supply].master:
                instants += [*_turns(master, grant), self._rested_at_s(supply)]
        return min(instant for instant in instants if instant > self._latest_s)

    def used_s(self, valve: str, at_s: float) -> float:
        """Seconds the valve was open within the 24 hours that end at `at_s`, by the ledger."""
        return sum(past.seconds_within(at_s - DAY_S, at_s) for past in self._ledger if past.valve == valve)

    def most_used_s(self, valve: str, now_s: float, seconds: float) -> float:
        """The most any 24 hours would hold that end during an opening of `seconds` from now."""
        return _most(self._spans(valve, now_s, seconds, valve), now_s, _Span.seconds_within)

    def _spans(self, valve: str, now_s: float, seconds: float, of: str | None) -> list[_Span]:
        """What was, what is granted, and an opening of `valve` for `seconds` from now. of: one valve; None for all."""
        ahead = [_Span(valve, now_s, now_s + seconds, self._litres(valve, seconds))]
        for grant in self.grants:
            length_s = grant.closes_at_s - grant.opened_s
            ahead.append(_Span(grant.valve, grant.opened_s, grant.closes_at_s, self._litres(grant.valve, length_s)))
        return [span for span in (*self._ledger, *ahead) if of in (None, span.valve)]

    def _litres(self, valve: str, seconds: float) -> float:
        """What a valve gives in that time by its flow; nothing is known of one that is no more."""
        rule = _charge(self).valves.get(valve)
        return 0.0 if rule is None else seconds / 60.0 * rule.flow_l_min

    def _end(self, grants: tuple[Grant, ...], now_s: float, why: str | None = None) -> list[Outcome]:
        self.grants = tuple(grant for grant in self.grants if grant not in grants)
        closed: list[Outcome] = []
        for grant in grants:
            open_s = now_s - grant.opened_s
            counted = self._watch.counted(grant.pulse, now_s) if self._watch else None
            litres, l_min = (counted.litres, counted.l_min) if counted else (None, None)
            supposed_l = self._litres(grant.valve, open_s) if litres is None else litres
            self._ledger.append(_Span(grant.valve, grant.opened_s, now_s, supposed_l))
            closed.append(Closed(grant.valve, grant.pulse, open_s, why or grant.why, grant.water_s, litres, l_min))
        if grants:
            self._ended = tuple(grant.valve for grant in grants)
        self._book(now_s)
        return closed

    def _book(self, now_s: float) -> None:
        """Remember since when each master is on or off, from where its rest and its run are counted; and tell the watch
        where water can flow."""
        if self.charge is None:
            return
        levels = self.levels(now_s)
        for name in self.charge.supplies:
            if levels.get(master_line(name), False):
                self._on_since_s.setdefault(name, now_s)
            elif name in self._on_since_s:
                del self._on_since_s[name]
                self._off_since_s[name] = now_s
        if self._watch:
            paths = {each.pulse: self.charge.valves[each.valve].flow_l_min for each in self._with_water(levels)}
            self._watch.change(paths, now_s)

    def _flowing(self, now_s: float) -> tuple[Grant, ...]:
        return self._with_water(self.levels(now_s))

    def _with_water(self, levels: Mapping[str, bool]) -> tuple[Grant, ...]:
        """The grants that can have water through the meter: valve open, and the master if there is one."""
        charge = _charge(self)
        assert charge.meter is not None, "only a garden with a meter is watched"
        supply = charge.meter.supply
        on = levels.get(master_line(supply), True)
        return tuple(grant for grant in charge.on_supply(supply, self.grants) if on and levels[grant.valve])

    def _rested_at_s(self, supply: str) -> float:
        """When the master of a supply has rested, or had."""
        master = _charge(self).supplies[supply].master
        return self._off_since_s.get(supply, -math.inf) + (master.rest_s if master else 0.0)

    def _rested(self, supply: str, now_s: float) -> bool:
        return supply in self._on_since_s or now_s >= self._rested_at_s(supply)

    def _trail_s(self, grant: Grant, now_s: float) -> float:
        """How long a zone asked to close stays open: the master's trail, which a closing already begun keeps.

        No time if the master runs on for others, or is off and has not been on for this zone yet.
        """
        charge = _charge(self)
        master = charge.supply_of(grant.valve).master
        if master is None:
            return 0.0
        grants = charge.on_supply(charge.valves[grant.valve].supply, self.grants)
        others = tuple(each for each in grants if each is not grant)
        waits = _master_on(master, grants, now_s) or now_s >= grant.opened_s + master.lead_s
        return master.trail_s if waits and not _master_on(master, others, now_s) else 0.0

    def _take_time(self, now_s: float) -> None:
        if not self._latest_s <= now_s < math.inf:
            raise ValueError(f"time must be finite and never run back: {now_s} s after {self._latest_s} s")
        since_s, self._latest_s = self._latest_s, now_s
        self.grants = tuple(
            replace(each, water_s=each.water_s + self._water_s(each, since_s, now_s)) for each in self.grants
        )

    def _water_s(self, grant: Grant, since_s: float, now_s: float) -> float:
        """How long of this time, in which no grant came or went, the master of a grant was open."""
        charge = _charge(self)
        master = charge.supply_of(grant.valve).master
        if master is None:
            return now_s - since_s
        supply = charge.valves[grant.valve].supply
        grants = charge.on_supply(supply, self.grants)
        turns = [instant for each in grants for instant in (*_turns(master, each), self._rested_at_s(supply))]
        spans = pairwise([since_s, *sorted(instant for instant in turns if since_s < instant < now_s), now_s])
        return sum(
            until_s - from_s
            for from_s, until_s in spans
            if self._rested(supply, from_s) and _master_on(master, grants, from_s)
        )


def _turns(master: MasterRule, grant: Grant) -> tuple[float, float]:
    """When a grant may turn the master on, and off."""
    return grant.opened_s + master.lead_s, grant.closes_at_s - master.trail_s


def _master_on(master: MasterRule, live: tuple[Grant, ...], now_s: float) -> bool:
    """On when one zone has been open for the lead and one stays open for longer than the trail.

    They may be two zones, if the first stays open until the second has had its lead: then the path for the
    water is never shut in between, and a pump need not stop and start again.
    """
    return any(
        first.opened_s + master.lead_s <= now_s < last.closes_at_s - master.trail_s
        and last.opened_s + master.lead_s <= first.closes_at_s
        for first in live
        for last in live
    )


def _runs(master: MasterRule, grants: tuple[Grant, ...], now_s: float) -> list[tuple[float, float]]:
    """When the master is to be on from now on, by these grants: (from, until), in order."""
    opened = [grant.opened_s + master.lead_s for grant in grants]
    closes = [grant.closes_at_s - shift_s for grant in grants for shift_s in (0.0, master.trail_s)]
    instants = sorted({now_s, *(instant for instant in (*opened, *closes) if instant > now_s)})
    runs: list[tuple[float, float]] = []
    for from_s, until_s in pairwise(instants):
        if not _master_on(master, grants, from_s):
            continue
        if runs and runs[-1][1] == from_s:
            from_s = runs.pop()[0]
        runs.append((from_s, until_s))
    return runs


def _most(spans: list[_Span], now_s: float, within: Callable[[_Span, float, float], float]) -> float:
    """The most any 24 hours hold that end from now on.

    The sum rises with what is open and bends down only where a span ends, or begins to leave the window.
    """
    last_s = max(span.until_s for span in spans)
    bends = {bend for span in spans for bend in (span.until_s, span.from_s + DAY_S) if now_s < bend <= last_s}
    return max(sum(within(span, at_s - DAY_S, at_s) for span in spans) for at_s in {now_s, *bends})


def _no_charge(guard: Guard, ask: _Ask) -> str | None:
    return "the guard has not been told its valves and limits yet" if guard.charge is None else None


def _silence(guard: Guard, ask: _Ask) -> str | None:
    if not guard.silent(ask.now_s):
        return None
    return "the daemon has not been heard for too long, so nothing opens until it beats again"


def _unknown_valve(guard: Guard, ask: _Ask) -> str | None:
    return None if ask.valve in _charge(guard).valves else f"there is no valve {ask.valve!r} in this garden"


def _not_a_duration(guard: Guard, ask: _Ask) -> str | None:
    # Compared, not computed with: NaN fails both comparisons.
    if 0.0 < ask.seconds < math.inf:
        return None
    return f"{ask.valve} was to open for {ask.seconds} s, which is no duration"


def _already_open(guard: Guard, ask: _Ask) -> str | None:
    for grant in guard.grants:
        if grant.valve == ask.valve:
            return f"{ask.valve} is already open, for pulse {grant.pulse}"
    return None


def _locked(guard: Guard, ask: _Ask) -> str | None:
    lock = guard.locks.get(None) or guard.locks.get(ask.valve)
    return None if lock is None else f"{lock.valve or 'the whole site'} is locked until it is released: {lock.why}"


def _input(kind: str) -> Callable[["Guard", "_Ask"], str | None]:
    """The veto of every input of that kind."""

    def veto(guard: Guard, ask: _Ask) -> str | None:
        kinds, switch = _charge(guard).inputs, INPUTS[kind]
        says = any(on is switch.bad for name, on in guard.inputs.items() if kinds[name] == kind)
        return switch.why if says else None

    return veto


def _never_together(guard: Guard, ask: _Ask) -> str | None:
    others = {grant.valve for grant in guard.grants}
    for one, other in _charge(guard).never_together:
        for valve, rival in ((one, other), (other, one)):
            if valve == ask.valve and rival in others:
                return f"{rival} is open, and {valve} and {rival} may never be open together"
    return None


def _longest(guard: Guard, ask: _Ask) -> str | None:
    longest_s = _charge(guard).valves[ask.valve].longest_s
    if ask.seconds <= longest_s:
        return None
    return f"{ask.valve} was to open for {ask.seconds:g} s, longer than its limit of {longest_s:g} s"


def _dead_times(guard: Guard, ask: _Ask) -> str | None:
    master = _charge(guard).supply_of(ask.valve).master
    if master is None or ask.seconds > master.lead_s + master.trail_s:
        return None
    dead_s = master.lead_s + master.trail_s
    return f"{ask.valve} was to open for {ask.seconds:g} s, but the master's dead times take {dead_s:g} s"


def _master_times(guard: Guard, ask: _Ask) -> str | None:
    """Would the pump start before it has rested, or run for too long, with this opening added?"""
    charge = _charge(guard)
    supply, master = charge.valves[ask.valve].supply, charge.supply_of(ask.valve).master
    if master is None:
        return None
    asked = Grant(ask.valve, "asked", ask.now_s, ask.now_s + ask.seconds)
    grants = (*charge.on_supply(supply, guard.grants), asked)
    running_s, off_s = guard._on_since_s.get(supply), guard._off_since_s.get(supply, -math.inf)
    for from_s, until_s in _runs(master, grants, ask.now_s):
        if running_s is None and from_s < off_s + master.rest_s:
            left_s = off_s + master.rest_s - from_s
            return f"the pump rests for {master.rest_s:g} s after each run; {left_s:.0f} s are left"
        run_s = until_s - (from_s if running_s is None else running_s)
        if master.longest_run_s is not None and run_s > master.longest_run_s:
            return f"the pump would run for {run_s:.0f} s, longer than its {master.longest_run_s:g} s"
        running_s, off_s = None, until_s
    return None


def _day(guard: Guard, ask: _Ask) -> str | None:
    most_s = _charge(guard).valves[ask.valve].most_s_per_24h
    used_s = guard.most_used_s(ask.valve, ask.now_s, ask.seconds)
    if used_s <= most_s * (1 + ROUNDING):
        return None
    return f"{ask.valve} would have been open {used_s:.0f} s within 24 hours, more than its {most_s:g} s"


def _day_litres(guard: Guard, ask: _Ask) -> str | None:
    most_l = _charge(guard).valves[ask.valve].most_litres
    used_l = _most(guard._spans(ask.valve, ask.now_s, ask.seconds, ask.valve), ask.now_s, _Span.litres_within)
    if used_l <= most_l * (1 + ROUNDING):
        return None
    return f"{ask.valve} would have given {used_l:.0f} L within 24 hours, more than its {most_l:.0f} L"


def _site_day(guard: Guard, ask: _Ask) -> str | None:
    most_s, spans = _charge(guard).most_s_per_24h, guard._spans(ask.valve, ask.now_s, ask.seconds, None)
    if most_s is None or (used_s := _most(spans, ask.now_s, _Span.seconds_within)) <= most_s * (1 + ROUNDING):
        return None
    return f"all valves would have been open {used_s:.0f} s within 24 hours, more than the site's {most_s:g} s"


def _site_day_litres(guard: Guard, ask: _Ask) -> str | None:
    most_l, spans = _charge(guard).most_l_per_24h, guard._spans(ask.valve, ask.now_s, ask.seconds, None)
    if most_l is None or (used_l := _most(spans, ask.now_s, _Span.litres_within)) <= most_l * (1 + ROUNDING):
        return None
    return f"all valves would have given {used_l:.0f} L within 24 hours, more than the site's {most_l:.0f} L"


def _supply(guard: Guard, ask: _Ask) -> str | None:
    charge = _charge(guard)
    supply = charge.valves[ask.valve].supply
    capacity_l_min = charge.supplies[supply].capacity_l_min
    valves = [*(grant.valve for grant in charge.on_supply(supply, guard.grants)), ask.valve]
    flow_l_min = sum(charge.valves[valve].flow_l_min for valve in valves)
    if flow_l_min <= capacity_l_min * (1 + ROUNDING):
        return None
    return f"{' and '.join(valves)} would draw {flow_l_min:g} L/min, more than the supply's {capacity_l_min:g} L/min"


VETOES: tuple[tuple[str, Callable[[Guard, _Ask], str | None]], ...] = (
    ("no charge", _no_charge),
    ("silence", _silence),
    ("unknown valve", _unknown_valve),
    ("locked", _locked),
    ("stopped", _input("stop switch")),
    ("no pressure", _input("pressure switch")),
    ("tank empty", _input("tank switch")),
    ("not a duration", _not_a_duration),
    ("already open", _already_open),
    ("never together", _never_together),
    ("longest opening", _longest),
    ("master's dead times", _dead_times),
    ("pump's rest and run", _master_times),
    ("24 hours", _day),
    ("litres in 24 hours", _day_litres),
    ("site's 24 hours", _site_day),
    ("site's litres in 24 hours", _site_day_litres),
    ("supply capacity", _supply),
)
"""Asked in this order; each may rely on those above it having let the ask pass. The first reason is given."""


def _charge(guard: Guard) -> Charge:
    assert guard.charge is not None, "the veto `no charge` comes first"
    return guard.charge


def _refuse_unless_positive(rule: object, names: tuple[str, ...]) -> None:
    """None, where a field may be None, is no number to judge."""
    for name in names:
        if (value := getattr(rule, name)) is not None and not 0.0 < value < math.inf:
            raise ValueError(f"{name} must be a finite number above 0, not {value}")


def _refuse_unless_not_negative(rule: object, names: tuple[str, ...]) -> None:
    for name in names:
        if (value := getattr(rule, name)) is not None and not 0.0 <= value < math.inf:
            raise ValueError(f"{name} must be a finite number, 0 or more, not {value}")
