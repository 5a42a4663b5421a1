"""The guard's rules: which valve may open, and when every line must be off again.

No clock, no files, no sockets: the process and the simulator run this same machine, each on its own time.
All times are monotonic seconds (`now_s`, `..._at_s`, `..._s` on one axis), all flows L/min.

State is two lists: *grants*, the valves that may be open now, each with its end, and the *ledger*, the
openings of the last 24 hours. The level of every line is a function of the grants and the time alone.
A grant is never lengthened; what is asked beyond a limit is refused, never silently shortened.

The owner (the daemon) has to be heard every `silence_s`. Nothing opens for a silent owner, and everything
open is closed at once: its own end is the first of three that a grant may meet (deadline, asked, silence).
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise

DAY_S = 86_400.0
MASTER = "master"
"""Name of the master line among the levels, or the first word of it; no zone may bear it."""
SUPPLY = "supply"
"""Id of a supply that has no other: the only one of most gardens."""

# A sum of decimal fractions (0.1 + 0.2) may pass its limit by rounding alone. Nothing real is this small.
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class ValveRule:
    """What one valve may do: its flow [L/min], its longest opening [s], its most in any 24 hours [s]; its supply."""

    flow_l_min: float
    longest_s: float
    most_s_per_24h: float
    supply: str = SUPPLY

    def __post_init__(self) -> None:
        _refuse_unless_positive(self, ("flow_l_min", "longest_s", "most_s_per_24h"))


@dataclass(frozen=True, slots=True)
class MasterRule:
    """A master valve or pump on a line of its own, with its dead times [s, 0 or more].

    It opens `lead_s` after the zone valve and closes `trail_s` before it, unless another zone carries on, so
    that a pump never pushes against closed valves.
    """

    lead_s: float
    trail_s: float

    def __post_init__(self) -> None:
        _refuse_unless_not_negative(self, ("lead_s", "trail_s"))


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
    """An opening from before this guard's life: handed over so that the 24 hours stay true."""

    valve: str
    ended_ago_s: float
    open_s: float

    def __post_init__(self) -> None:
        _refuse_unless_not_negative(self, ("ended_ago_s", "open_s"))


@dataclass(frozen=True, slots=True)
class Charge:
    """What the guard is told to guard: supplies and valves by id.

    A limit that limits nothing raises ValueError naming the field, and so does a valve of no supply here.
    """

    supplies: Mapping[str, SupplyRule]
    valves: Mapping[str, ValveRule]
    silence_s: float = 1.0
    used: tuple[UsedOpening, ...] = ()

    def __post_init__(self) -> None:
        _refuse_unless_positive(self, ("silence_s",))
        for name, valve in self.valves.items():
            if is_master(name):
                raise ValueError(f"a zone may not be called {name!r}: that is the name of a master line")
            if valve.supply not in self.supplies:
                raise ValueError(f"the supply {valve.supply!r} of {name} is none of this garden")

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
    """

    valve: str
    pulse: str
    open_s: float
    why: str
    water_s: float


@dataclass(frozen=True, slots=True)
class Refused:
    """Nothing changed. `rule` is the plain name of a veto, `why` one sentence."""

    rule: str
    why: str
    valve: str | None = None
    pulse: str | None = None


Outcome = Opened | Closed | Refused


@dataclass(frozen=True, slots=True)
class _Past:
    valve: str
    from_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class _Ask:
    valve: str
    pulse: str
    seconds: float
    now_s: float


@dataclass
class Guard:
    """The machine. Call `advance` first whenever time has passed; `levels` says what every line must be."""

    charge: Charge | None = None
    started_s: float = 0.0
    grants: tuple[Grant, ...] = ()
    heard_s: float = -math.inf
    _ledger: list[_Past] = field(default_factory=list)
    _latest_s: float = -math.inf

    def __post_init__(self) -> None:
        self._take_time(self.started_s)
        for used in self.charge.used if self.charge else ():
            until_s = self.started_s - used.ended_ago_s
            self._ledger.append(_Past(used.valve, until_s - used.open_s, until_s))

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
        ask = _Ask(valve, pulse, seconds, now_s)
        for rule, veto in VETOES:
            if why := veto(self, ask):
                return Refused(rule, why, valve, pulse)
        grant = Grant(valve, pulse, now_s, now_s + seconds)
        self.grants += (grant,)
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
                levels[master_line(name)] = _master_on(supply.master, self.charge.on_supply(name, live), now_s)
        return levels

    def next_change_s(self) -> float | None:
        """When a level may next change by itself; None while nothing is open.

        Next after the last time this machine was told, not after now: what falls between two calls is due.
        """
        if not self.grants or self.charge is None:
            return None
        instants = [self.heard_s + self.charge.silence_s, *(grant.closes_at_s for grant in self.grants)]
        for grant in self.grants:
            if master := self.charge.supply_of(grant.valve).master:
                instants += _turns(master, grant)
        return min(instant for instant in instants if instant > self._latest_s)

    def used_s(self, valve: str, at_s: float) -> float:
        """Seconds the valve was open within the 24 hours that end at `at_s`, by the ledger."""
        since_s = at_s - DAY_S
        return sum(
            max(0.0, min(past.until_s, at_s) - max(past.from_s, since_s))
            for past in self._ledger
            if past.valve == valve
        )

    def most_used_s(self, valve: str, now_s: float, seconds: float) -> float:
        """The most any 24 hours would hold that end during an opening of `seconds` from now.

        The sum rises with the opening and bends down only where a past opening begins to leave the window.
        """
        end_s = now_s + seconds
        bends = [past.from_s + DAY_S for past in self._ledger if now_s < past.from_s + DAY_S < end_s]
        instants = [now_s, *bends, end_s]
        return max(self.used_s(valve, at_s) + at_s - now_s for at_s in instants)

    def _end(self, grants: tuple[Grant, ...], now_s: float, why: str | None = None) -> list[Outcome]:
        self.grants = tuple(grant for grant in self.grants if grant not in grants)
        self._ledger += [_Past(grant.valve, grant.opened_s, now_s) for grant in grants]
        return [
            Closed(each.valve, each.pulse, now_s - each.opened_s, why or each.why, each.water_s) for each in grants
        ]

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
        grants = charge.on_supply(charge.valves[grant.valve].supply, self.grants)
        turns = [instant for each in grants for instant in _turns(master, each) if since_s < instant < now_s]
        spans = pairwise([since_s, *sorted(turns), now_s])
        return sum(until_s - from_s for from_s, until_s in spans if _master_on(master, grants, from_s))


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


def _day(guard: Guard, ask: _Ask) -> str | None:
    most_s = _charge(guard).valves[ask.valve].most_s_per_24h
    used_s = guard.most_used_s(ask.valve, ask.now_s, ask.seconds)
    if used_s <= most_s * (1 + ROUNDING):
        return None
    return f"{ask.valve} would have been open {used_s:.0f} s within 24 hours, more than its {most_s:g} s"


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
    ("not a duration", _not_a_duration),
    ("already open", _already_open),
    ("longest opening", _longest),
    ("master's dead times", _dead_times),
    ("24 hours", _day),
    ("supply capacity", _supply),
)
"""Asked in this order; each may rely on those above it having let the ask pass. The first reason is given."""


def _charge(guard: Guard) -> Charge:
    assert guard.charge is not None, "the veto `no charge` comes first"
    return guard.charge


def _refuse_unless_positive(rule: object, names: tuple[str, ...]) -> None:
    for name in names:
        if not 0.0 < getattr(rule, name) < math.inf:
            raise ValueError(f"{name} must be a finite number above 0, not {getattr(rule, name)}")


def _refuse_unless_not_negative(rule: object, names: tuple[str, ...]) -> None:
    for name in names:
        if not 0.0 <= getattr(rule, name) < math.inf:
            raise ValueError(f"{name} must be a finite number, 0 or more, not {getattr(rule, name)}")
