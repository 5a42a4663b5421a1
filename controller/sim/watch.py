"""What must hold in every history: one function a property, apart from the system that it judges.

It reads only the diary of the lines, the water that passed them, the journal's rows and what was answered to people.
Each yields what was broken, and when. An empty list is the only pass.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from controller.guard.flow import BURST_S, FILL_S
from controller.guard.rules import Charge, is_master, master_line

DAY_S = 86_400.0
BURST_SHUT_S = FILL_S + BURST_S + 15.0
"""The lines fill, the verdict takes its time, and the meter is looked at now and then."""
CAUSE_S = 1800.0
"""What was wrong may be told of so long after it has ended: a stretch of water that was judged began before."""
CLOGS = "line clogs"
"""The one thing wrong with a line that is no cause for a lock."""
GRACE_S = 1.0
KEPT = "kept-"
"""Asks that the broker had kept."""
AFTER_START_S = 5.0
"""A daemon that starts after a crash has every line off within this."""
GUARDLESS_S = 6.0
"""A guard that dies or hangs beside a living daemon is replaced, its lines at rest, within this."""


@dataclass(frozen=True, slots=True)
class Level:
    """The lines that are on from this instant on. at_s: seconds of true time."""

    at_s: float
    on: frozenset[str]


@dataclass(frozen=True, slots=True)
class Spell:
    """A stretch of true time; `until_s` infinite while it lasts."""

    from_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class Passed:
    """The water that truly passed a line in one opening."""

    pulse: str
    zone: str
    from_s: float
    until_s: float
    litres: float


@dataclass(frozen=True, slots=True)
class Booked:
    """What the journal says of one opening: litres (None: it has no end), give or take `unsure_litres`."""

    pulse: str
    zone: str
    litres: float | None
    unsure_litres: float
    why: str = ""


@dataclass(frozen=True, slots=True)
class Locked:
    """When nothing was to open in a zone (None: in the whole garden), until a hand released it; by which rule."""

    zone: str | None
    rule: str
    spell: Spell


@dataclass(frozen=True, slots=True)
class OutOfOrder:
    """When a pipe, line or valve let through what it should not, or nothing. zone "": before all valves."""

    kind: str
    zone: str
    spell: Spell


@dataclass(slots=True)
class History:
    """All that is judged. Times in seconds of true time.

    guardless: when no guard was alive. starts: when a daemon began after a crash. hung: when a daemon hung. passed,
    booked: the water and what the journal says of it, of the same openings. answers: ask and whether it was granted.
    gone: when a failing disk, of which it was said, took nothing until the power went: nobody can know of that time.
    locked: what the guard has locked. out_of_order: what was wrong with pipes and valves.
    """

    charge: Charge
    diary: Sequence[Level]
    end_s: float
    guardless: Sequence[Spell] = ()
    starts: Sequence[float] = ()
    hung: Sequence[Spell] = ()
    gone: Sequence[Spell] = ()
    passed: Sequence[Passed] = ()
    booked: Sequence[Booked] = ()
    answers: Sequence[tuple[str, bool]] = ()
    ill: Sequence[str] = ()
    locked: Sequence[Locked] = ()
    out_of_order: Sequence[OutOfOrder] = ()
    _spans: dict[str, list[tuple[float, float]]] = field(default_factory=dict)

    def spans(self, line: str) -> list[tuple[float, float]]:
        """When a line was on."""
        if line not in self._spans:
            self._spans[line] = openings(self.diary, line, self.end_s)
        return self._spans[line]

    def guardless_s(self, from_s: float, until_s: float) -> float:
        """How long no guard was alive in a stretch."""
        return sum(max(0.0, min(until_s, each.until_s) - max(from_s, each.from_s)) for each in self.guardless)


@dataclass(frozen=True, slots=True)
class Broken:
    """A property that did not hold: when, and in words."""

    at_s: float
    said: str
    rule: str = ""


def openings(diary: Sequence[Level], line: str, end_s: float) -> list[tuple[float, float]]:
    """When a line was on: (from, until) in seconds."""
    found: list[tuple[float, float]] = []
    since: float | None = None
    for level in diary:
        if line in level.on and since is None:
            since = level.at_s
        elif line not in level.on and since is not None:
            found.append((since, level.at_s))
            since = None
    if since is not None:
        found.append((since, end_s))
    return found


def longest_opening(history: History) -> Iterator[Broken]:
    """No valve is open longer than its limit plus a second, the time without a guard apart (see `guardless`)."""
    for valve, rule in history.charge.valves.items():
        for start_s, stop_s in history.spans(valve):
            most_s = rule.longest_s + GRACE_S
            if stop_s - start_s > most_s + history.guardless_s(start_s, stop_s):
                said = f"{valve} was open for {stop_s - start_s:.0f} s, its limit is {rule.longest_s:.0f} s"
                yield Broken(start_s + most_s, said)


def without_guard(history: History) -> Iterator[Broken]:
    """Where the guard is gone and the daemon lives, every line is off soon."""
    for spell in history.guardless:
        for line in lines_of(history.charge):
            for start_s, stop_s in history.spans(line):
                if start_s <= spell.from_s < stop_s and stop_s > spell.until_s + GRACE_S:
                    yield Broken(stop_s, f"{line} stayed open beyond a time without a guard")
        restarted = any(spell.from_s < start_s <= spell.until_s for start_s in history.starts)
        if spell.until_s - spell.from_s > GUARDLESS_S and not restarted:
            yield Broken(spell.from_s + GUARDLESS_S, "no new guard came in time")


def after_a_crash(history: History) -> Iterator[Broken]:
    """What a start finds open is closed soon."""
    for start_s in history.starts:
        for line in lines_of(history.charge):
            for from_s, until_s in history.spans(line):
                if from_s < start_s and until_s > start_s + AFTER_START_S:
                    yield Broken(start_s + AFTER_START_S, f"{line} was still open after a start")


def silent_daemon(history: History) -> Iterator[Broken]:
    """A daemon that hangs waters no longer than its silence is borne."""
    for spell in history.hung:
        until_s = spell.from_s + history.charge.silence_s + GRACE_S
        if spell.until_s <= until_s or history.guardless_s(spell.from_s, until_s):
            continue
        for line in lines_of(history.charge):
            if any(from_s < until_s < stop_s for from_s, stop_s in history.spans(line)):
                yield Broken(until_s, f"{line} was open beside a daemon that hung")


def rolling_day(history: History) -> Iterator[Broken]:
    """No valve is open for more than its allowance in any 24 hours. The worst window ends where an opening ends."""
    for valve, rule in history.charge.valves.items():
        gone = [(each.from_s, each.until_s) for each in history.gone]
        spans = [span for span in history.spans(valve) if not any(a <= span[0] <= b for a, b in gone)]
        ends = [until_s for _, until_s in spans]
        for n, (_, until_s) in enumerate(spans):
            first = bisect_left(ends, until_s - DAY_S)
            inside = spans[first : n + 1]
            used_s = sum(b - max(a, until_s - DAY_S) for a, b in inside)
            if used_s > rule.most_s_per_24h + GRACE_S + history.guardless_s(until_s - DAY_S, until_s):
                said = f"{valve} was open {used_s:.0f} s within 24 h, its limit is {rule.most_s_per_24h:.0f} s"
                yield Broken(until_s, said)


def supply_capacity(history: History) -> Iterator[Broken]:
    """Never more flow than a supply gives."""
    charge = history.charge
    for level in history.diary:
        for supply, rule in charge.supplies.items():
            on = _on_supply(charge, supply, level.on)
            flow_l_min = sum(charge.valves[valve].flow_l_min for valve in on)
            if flow_l_min > rule.capacity_l_min + 1e-6:
                yield Broken(level.at_s, f"{', '.join(on)} drew {flow_l_min:.1f} L/min")


def pump_against_closed(history: History) -> Iterator[Broken]:
    """A master valve or pump is on only while a zone valve of its supply is."""
    for level in history.diary:
        for supply in history.charge.supplies:
            if master_line(supply) in level.on and not _on_supply(history.charge, supply, level.on):
                yield Broken(level.at_s, f"the {master_line(supply)} was on against closed valves")


def pump_after_the_valve(history: History) -> Iterator[Broken]:
    """A master starts no sooner than its lead after a zone valve of its supply has opened."""
    before, open_since = frozenset[str](), dict[str, float]()
    for level in history.diary:
        open_since = {line: open_since.get(line, level.at_s) for line in level.on}
        for supply, rule in history.charge.supplies.items():
            if rule.master is None or master_line(supply) not in level.on - before:
                continue
            zones = _on_supply(history.charge, supply, level.on)
            waited_s = max((level.at_s - open_since[zone] for zone in zones), default=0.0)
            if waited_s < rule.master.lead_s - 0.01:
                yield Broken(level.at_s, f"the {master_line(supply)} was on {waited_s:.2f} s after the valve")
        before = level.on


def pump_before_the_valve(history: History) -> Iterator[Broken]:
    """The last valve of an opening that ran its time shuts no sooner than the master's trail after the master."""
    count = Counter(each.pulse for each in history.passed)
    ran = {row.pulse for row in history.booked if row.why == "deadline" and count[row.pulse] == 1}
    times = [level.at_s for level in history.diary]
    for each in history.passed:
        supply = history.charge.valves[each.zone].supply
        master = history.charge.supplies[supply].master
        if master is None or each.pulse not in ran or history.guardless_s(each.from_s, each.until_s):
            continue
        at = bisect_left(times, each.until_s - master.trail_s / 2.0) - 1
        on = history.diary[at].on if at >= 0 else frozenset()
        if master_line(supply) in on and _on_supply(history.charge, supply, on) == [each.zone]:
            yield Broken(each.until_s, f"{each.zone} shut with the master still on")


def never_together(history: History) -> Iterator[Broken]:
    """Two valves of a pair are never open at once."""
    for level in history.diary:
        for one, other in history.charge.never_together:
            if {one, other} <= level.on:
                yield Broken(level.at_s, f"{one} and {other} were open together")


def pump_rests(history: History) -> Iterator[Broken]:
    """A master that has stopped stays off for its rest, and runs no longer than it may at a stretch."""
    for supply, rule in history.charge.supplies.items():
        if rule.master is None:
            continue
        line, most_s = master_line(supply), rule.master.longest_run_s or float("inf")
        spans = history.spans(line)
        for from_s, until_s in spans:
            if until_s - from_s > most_s + GRACE_S + history.guardless_s(from_s, until_s):
                yield Broken(from_s + most_s, f"the {line} ran for {until_s - from_s:.0f} s")
        for (_, off_s), (on_s, _) in pairwise(spans):
            gone = any(spell.from_s <= off_s <= spell.until_s for spell in history.gone)
            if on_s - off_s < rule.master.rest_s - 0.01 and not gone:
                yield Broken(on_s, f"the {line} rested for {on_s - off_s:.1f} s")


def locked_stays_shut(history: History) -> Iterator[Broken]:
    """What is locked does not open until a hand has released it, whatever dies meanwhile."""
    for lock in history.locked:
        for zone in history.charge.valves if lock.zone is None else (lock.zone,):
            for from_s, _ in history.spans(zone):
                if lock.spell.from_s < from_s < lock.spell.until_s:
                    yield Broken(from_s, f"{zone} was opened though locked by {lock.rule}")


def locks_have_a_cause(history: History) -> Iterator[Broken]:
    """Nothing is locked where pipes and valves are in order. (An old lock may come back with a start: a release that a
    sick disk did not take is forgotten with the power.)"""
    for n, lock in enumerate(history.locked):
        at_s = lock.spell.from_s
        if at_s in history.starts and any((lock.zone, lock.rule) == (old.zone, old.rule) for old in history.locked[:n]):
            continue
        if not any(each.spell.from_s <= at_s <= each.spell.until_s + CAUSE_S
                   for each in history.out_of_order if each.kind != CLOGS):
            yield Broken(at_s, f"{lock.zone or 'the whole garden'} was locked by {lock.rule}, and nothing was wrong")


def burst_is_shut(history: History) -> Iterator[Broken]:
    """Where a meter tells of it, a line that has burst is shut within the time of the verdict."""
    bursts = [each for each in history.out_of_order if each.kind == "line bursts"]
    if history.charge.meter is None or not bursts:
        return
    for level, after in zip(history.diary, [*history.diary[1:], Level(history.end_s, frozenset())], strict=True):
        for each in bursts:
            supply = history.charge.valves[each.zone].supply
            dry = history.charge.supplies[supply].master is not None and master_line(supply) not in level.on
            from_s, until_s = max(level.at_s, each.spell.from_s), min(after.at_s, each.spell.until_s)
            if each.zone not in level.on or dry:
                continue
            if until_s - from_s > BURST_SHUT_S + history.guardless_s(from_s, until_s):
                said = f"{each.zone} was open for {until_s - from_s:.0f} s though it had burst"
                yield Broken(from_s + BURST_SHUT_S, said)


def lines_of(charge: Charge) -> list[str]:
    """The names of all lines."""
    return [*(master_line(supply) for supply in charge.supplies), *charge.valves]


def _on_supply(charge: Charge, supply: str, on: frozenset[str]) -> list[str]:
    """The zone valves of a supply among the lines that are on."""
    return sorted(line for line in on if not is_master(line) and charge.valves[line].supply == supply)


def litres_in_the_journal(history: History) -> Iterator[Broken]:
    """Every litre that passed is in the journal, or inside the bound that it states; opening by opening."""
    true_l: Counter[str] = Counter()
    for each in history.passed:
        true_l[each.pulse] += each.litres  # type: ignore[assignment]  # litres are counted in parts too
    rows: dict[str, Booked] = {}
    for row in history.booked:
        rows[row.pulse] = _together(rows[row.pulse], row) if row.pulse in rows else row
    for each in history.passed:
        if each.pulse not in rows and each.litres > 0.0:
            said = f"{each.zone} got {each.litres:.1f} L in {each.pulse}, of which the journal knows nothing"
            yield Broken(each.until_s, said)
    shared = _beside_the_pipes(history)
    for row in rows.values():
        if row.litres is None:
            yield Broken(history.end_s, f"{row.pulse} has no end in the journal")
            continue
        if row.pulse in shared:
            continue
        off_l = abs(true_l[row.pulse] - row.litres) - row.unsure_litres
        if off_l > 0.01 + history.charge.valves[row.zone].flow_l_min * slack_s(history.charge, row.zone) / 60.0:
            told = f"{row.litres:.1f} ± {row.unsure_litres:.1f} L"
            said = f"{row.pulse} gave {true_l[row.pulse]:.1f} L, the journal says {told}"
            yield Broken(next((p.until_s for p in history.passed if p.pulse == row.pulse), history.end_s), said)


def _beside_the_pipes(history: History) -> set[str]:
    """Pulses during which water was counted that did not go their way, or beside a line that took less than its share:
    how much of it was theirs, no meter can tell."""
    if history.charge.meter is None:
        return set()
    shared = set()
    for wrong in history.out_of_order:
        there = [each for each in history.passed if _meet(each, wrong.spell)]
        if wrong.kind == CLOGS:
            there = [each for each in there if any(other is not each and _meet(each, other) for other in there)]
        shared |= {each.pulse for each in there}
    return shared


def _meet(one: Passed | Spell, other: Passed | Spell) -> bool:
    return one.from_s <= other.until_s and other.from_s <= one.until_s


def _together(one: Booked, other: Booked) -> Booked:
    """Two rows of one pulse: it was opened again."""
    litres = None if one.litres is None or other.litres is None else one.litres + other.litres
    return replace(other, litres=litres, unsure_litres=one.unsure_litres + other.unsure_litres)


def slack_s(charge: Charge, zone: str) -> float:
    """What an opening's length may be unsure by without anything being wrong: the line fills and the master leads and
    trails, and a signal takes its time."""
    master = charge.supply_of(zone).master
    return 7.0 + (master.lead_s + master.trail_s if master else 0.0)


def asks_act_once(history: History) -> Iterator[Broken]:
    """No ask is granted twice, and none that the broker had kept."""
    for ask, granted in history.answers:
        if granted and ask.startswith(KEPT):
            yield Broken(history.end_s, f"the ask {ask} was acted on, which the broker had kept")
    for ask, count in Counter(ask for ask, granted in history.answers if granted).items():
        if count > 1:
            yield Broken(history.end_s, f"the ask {ask} was acted on {count} times")


def well_again(history: History) -> Iterator[Broken]:
    """A day after the last fault nothing is wrong any more. `ill` holds what still is."""
    for said in history.ill:
        yield Broken(history.end_s, f"a day after the last fault: {said}")


PROPERTIES: Sequence[Callable[[History], Iterator[Broken]]] = (
    longest_opening,
    without_guard,
    after_a_crash,
    rolling_day,
    supply_capacity,
    pump_against_closed,
    silent_daemon,
    pump_after_the_valve,
    pump_before_the_valve,
    litres_in_the_journal,
    never_together,
    pump_rests,
    locked_stays_shut,
    locks_have_a_cause,
    burst_is_shut,
    asks_act_once,
    well_again,
)


def broken(history: History) -> list[Broken]:
    """Everything that did not hold, the earliest first."""
    found = [replace(each, rule=check.__name__) for check in PROPERTIES for each in check(history)]
    return sorted(found, key=lambda each: each.at_s)


def violations(diary: Sequence[Level], charge: Charge, end_s: float) -> list[str]:
    """What the diary alone shows to be broken, in words."""
    return [f"{each.said}, at {each.at_s:.0f} s" for each in broken(History(charge, diary, end_s))]
