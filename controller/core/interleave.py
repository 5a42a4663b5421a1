"""Pulses of several zones on one supply: one zone's rest is another's turn.

A chain is a zone's run of pulses with a rest after each. Chains are laid into time by a list rule: whenever something
changes, open what has rested and fits the supply, the longest remaining chain first. A schedule read backwards is
again one (the rests are the same from both sides), so a soak that must end by dawn is laid from its deadline back.

The list rule is quick and often some tenths too long: it never keeps a gap free for a pulse that is still resting.
With effort, the pulses are laid in the order that the search in `packing` finds best, if that ends earlier. The search
works on a grid, on which everything is rounded to the safe side; what it finds is laid anew here, in exact times.
"""

from bisect import insort
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count
from math import ceil, floor, gcd, inf

from controller.core.frozen import replace
from controller.core.packing import FULL, Row, best_order
from controller.core.tank import Store

THOROUGH = 600_000
"""An effort of about half a second on one core of a desktop machine, a few seconds on a small board."""
MOST_CELLS = 2000
"""The finest grid: so many cells for the list rule's makespan."""
ENDLESS_S = 3 * 86400.0
"""What a tank will not bear within this time it is not waited for."""
TICK_S = 0.1
"""Times that are whole multiples of this, and have a coarse common measure, are exact on the grid."""


@dataclass(frozen=True, slots=True)
class Chain:
    """Pulses of one zone: how many, how long each, how long the rest between two, at which flow.

    ready_s: earliest start of the first pulse, seconds from the schedule's zero.
    rank: served first when there is a choice; lower is sooner.
    barred: times closed to this chain alone, beside those closed to all.
    branch: of the supply, with the flow that it carries, and what others draw through it.
    rivals: the chains from whose pulses each of this is to be `apart_s` apart at the least.
    """

    zone: str
    pulses_s: tuple[float, ...]
    rest_s: float
    flow_l_min: float
    ready_s: float = 0.0
    rank: int = 0
    barred: tuple["Barred", ...] = ()
    branch: str = ""
    branch_l_min: float = inf
    branch_taken: tuple["Taken", ...] = ()
    rivals: frozenset[str] = frozenset()
    apart_s: float = 0.0

    @property
    def length_s(self) -> float:
        return sum(self.pulses_s) + self.rest_s * max(0, len(self.pulses_s) - 1)


@dataclass(frozen=True, slots=True)
class Slot:
    """One pulse in time: seconds from the schedule's zero."""

    zone: str
    number: int
    start_s: float
    end_s: float


Barred = tuple[float, float]
"""A closed time: no pulse may overlap [from, until)."""

Taken = tuple[float, float, float]
"""A flow that others draw: (from, until, litres per minute)."""


def lay_forward(
    chains: Sequence[Chain],
    capacity_l_min: float,
    *,
    settle_s: float = 0.0,
    barred: Sequence[Barred] = (),
    taken: Sequence[Taken] = (),
    effort: int = 0,
    enough_s: float | None = None,
    store: Store | None = None,
) -> list[Slot]:
    """Every pulse as early as the rule gives it. A chain that alone exceeds the capacity raises ValueError.

    store: the tank that all draw on: each pulse waits until it bears it, and nothing is searched for.

    effort: how many pulses a search may lay to end earlier than by the rule (0: no search). The last end is never later
    than without it. enough_s: a last end that is early enough: the search is for this one, and ends when it has it.
    """
    for chain in chains:
        if chain.flow_l_min > capacity_l_min:
            raise ValueError(
                f"{chain.zone} takes {chain.flow_l_min:g} L/min, more than the supply's {capacity_l_min:g} L/min"
            )
    slots = _by_rule(chains, capacity_l_min, settle_s, barred, taken, store)
    if slots and effort > 0 and store is None and (enough_s is None or _last_end_s(slots) > enough_s):
        order = _searched(chains, slots, capacity_l_min, settle_s, barred, taken, effort, enough_s)
        tighter = _in_order(chains, order, capacity_l_min, settle_s, barred, taken)
        slots = min(slots, tighter, key=_last_end_s)
    return sorted(slots, key=lambda slot: (slot.start_s, slot.zone))


def lay_backward(
    chains: Sequence[Chain],
    capacity_l_min: float,
    deadline_s: float,
    *,
    settle_s: float = 0.0,
    barred: Sequence[Barred] = (),
    taken: Sequence[Taken] = (),
    effort: int = 0,
) -> list[Slot]:
    """Every pulse as late as the mirrored rule gives it, the last one ending at the deadline. Starts may be negative:
    then there is not enough time, and the caller decides what to leave out. effort: as in `lay_forward`, spent only on
    starting at nought or later; the first start is never earlier than without it."""
    def turn(times: Sequence[Barred]) -> tuple[Barred, ...]:
        return tuple((deadline_s - until, deadline_s - start) for start, until in times)

    def turned_flows(flows: Sequence[Taken]) -> tuple[Taken, ...]:
        return tuple((deadline_s - until, deadline_s - start, flow) for start, until, flow in flows)

    mirrored = [
        replace(
            c, pulses_s=c.pulses_s[::-1], ready_s=0.0, barred=turn(c.barred), branch_taken=turned_flows(c.branch_taken)
        )
        for c in chains
    ]
    lengths = {c.zone: len(c.pulses_s) for c in chains}
    slots = lay_forward(
        mirrored,
        capacity_l_min,
        settle_s=settle_s,
        barred=turn(barred),
        taken=turned_flows(taken),
        effort=effort,
        enough_s=deadline_s,
    )
    turned = [Slot(s.zone, lengths[s.zone] - 1 - s.number, deadline_s - s.end_s, deadline_s - s.start_s) for s in slots]
    return sorted(turned, key=lambda slot: (slot.start_s, slot.zone))


def _by_rule(
    chains: Sequence[Chain],
    capacity_l_min: float,
    settle_s: float,
    barred: Sequence[Barred],
    taken: Sequence[Taken],
    store: Store | None,
) -> list[Slot]:
    """The list rule."""
    ready = [chain.ready_s for chain in chains]
    following = [0] * len(chains)
    shut = [sorted((*barred, *chain.barred)) for chain in chains]
    drawn = [(from_s - settle_s, until_s + settle_s, flow) for from_s, until_s, flow in taken]
    slots: list[Slot] = []
    clock_s = 0.0
    # The longest remaining chain first, then by rank and number.
    waiting = [(-chain.length_s, chain.rank, i) for i, chain in enumerate(chains) if chain.pulses_s]
    while waiting:
        waiting.sort()
        later: list[float] = []
        still: list[tuple[float, int, int]] = []
        for place in waiting:
            i = place[2]
            chain, number = chains[i], following[i]
            length_s = chain.pulses_s[number]
            start_s = _out_of(shut[i], max(ready[i], clock_s), length_s)
            if start_s == clock_s and store is not None and clock_s < ENDLESS_S:
                pulse = (clock_s, clock_s + length_s, chain.flow_l_min)
                start_s += _wait_s(store, [*taken, *draws(chains, slots), pulse])
            if start_s > clock_s:
                later.append(start_s)
            elif _fits(chain, chains, slots, drawn, clock_s, capacity_l_min, length_s):
                slots.append(Slot(chain.zone, number, clock_s, clock_s + length_s))
                drawn.append((clock_s, clock_s + length_s + settle_s, chain.flow_l_min))
                _bar_rivals(chains, shut, slots[-1])
                following[i] += 1
                ready[i] = clock_s + length_s + chain.rest_s
                if following[i] < len(chain.pulses_s):
                    still.append((-_remaining_s(chain, following[i]), chain.rank, i))
                continue
            still.append(place)
        waiting = still
        drawn = [(from_s, until_s, flow) for from_s, until_s, flow in drawn if until_s > clock_s]
        clock_s = min([*later, *(until_s for _, until_s, _ in drawn)], default=clock_s)
    return slots


def _fits(
    chain: Chain, chains: Sequence[Chain], slots: Sequence[Slot], drawn: Sequence[Taken], start_s: float,
    capacity_l_min: float, length_s: float,
) -> bool:  # fmt: skip
    """Whether supply and branch carry a pulse of a chain from an instant on."""
    end_s = start_s + length_s
    if _most_drawn(drawn, start_s, end_s) + chain.flow_l_min > capacity_l_min + 1e-9:
        return False
    return _branch_bears(chain, chains, slots, start_s, end_s)


def _branch_bears(chain: Chain, chains: Sequence[Chain], slots: Sequence[Slot], start_s: float, end_s: float) -> bool:
    """Whether a chain's branch carries it beside the slots that are laid already."""
    if chain.branch_l_min == inf:
        return True
    others = [each for each in chains if each.branch == chain.branch]
    names = {each.zone for each in others}
    drawn = [*chain.branch_taken, *draws(others, [slot for slot in slots if slot.zone in names])]
    return _most_drawn(drawn, start_s, end_s) + chain.flow_l_min <= chain.branch_l_min + 1e-9


def _bar_rivals(chains: Sequence[Chain], shut: Sequence[list[Barred]], slot: Slot) -> None:
    """A pulse that is laid closes its time to the rivals of its chain. shut: the closed times of each, in order."""
    for chain, mine in zip(chains, shut, strict=True):
        if slot.zone in chain.rivals:
            insort(mine, (slot.start_s - chain.apart_s, slot.end_s + chain.apart_s))


def draws(chains: Sequence[Chain], slots: Sequence[Slot]) -> list[Taken]:
    """What slots draw."""
    flows_l_min = {chain.zone: chain.flow_l_min for chain in chains}
    return [(slot.start_s, slot.end_s, flows_l_min[slot.zone]) for slot in slots]


def _wait_s(store: Store, draws: Sequence[Taken]) -> float:
    """How long the last of some draws has to wait at the least until the tank bears it; whole seconds."""
    short_l = store.short_l(draws)
    return 0.0 if short_l == 0.0 else max(1.0, float(ceil(min(ENDLESS_S, store.wait_s(short_l)))))


def _in_order(
    chains: Sequence[Chain],
    order: Sequence[int],
    capacity_l_min: float,
    settle_s: float,
    barred: Sequence[Barred],
    taken: Sequence[Taken],
) -> list[Slot]:
    """Every pulse, in this order, as early as those before it leave room. order: numbers of the chains.

    An order by the starts of a schedule makes none of its pulses later: at any time only those that began before
    draw, and none of these has become later.
    """
    ready = [chain.ready_s for chain in chains]
    shut = [sorted((*barred, *chain.barred)) for chain in chains]
    numbers = [count() for _ in chains]
    # Each draw, ours too, is followed by its pause; so none before it is needed here.
    drawn = [(from_s, until_s + settle_s, flow) for from_s, until_s, flow in taken]
    slots: list[Slot] = []
    for i in order:
        chain, number = chains[i], next(numbers[i])
        length_s = chain.pulses_s[number]
        starts = sorted([ready[i], *(until_s for _, until_s, _ in drawn if until_s > ready[i])])
        start_s = next(
            start_s
            for start_s in (_out_of(shut[i], each_s, length_s) for each_s in starts)
            if _most_drawn(drawn, start_s, start_s + length_s + settle_s) + chain.flow_l_min <= capacity_l_min + 1e-9
            and _branch_bears(chain, chains, slots, start_s, start_s + length_s)
        )
        slots.append(Slot(chain.zone, number, start_s, start_s + length_s))
        drawn.append((start_s, start_s + length_s + settle_s, chain.flow_l_min))
        _bar_rivals(chains, shut, slots[-1])
        ready[i] = start_s + length_s + chain.rest_s
    return slots


def _searched(
    chains: Sequence[Chain],
    slots: Sequence[Slot],
    capacity_l_min: float,
    settle_s: float,
    barred: Sequence[Barred],
    taken: Sequence[Taken],
    effort: int,
    enough_s: float | None,
) -> list[int]:
    """The order in which a search on a grid lays the pulses best. slots: a schedule to begin with."""
    some = [i for i, chain in enumerate(chains) if chain.pulses_s]
    cell_s = _cell_s([chains[i] for i in some], _last_end_s(slots), settle_s)
    units = _units([chain.flow_l_min for chain in chains], capacity_l_min)
    rows = [
        Row(
            tuple(
                (max(1, _up(pulse_s + settle_s, cell_s)), _up(pulse_s + chain.rest_s, cell_s))
                for pulse_s in chain.pulses_s
            ),
            max(1, _up(chain.flow_l_min * units / capacity_l_min, 1.0)),
            _up(chain.ready_s, cell_s),
        )
        for chain in (chains[i] for i in some)
    ]
    # Rounding up may make the schedule longer on the grid than it is: a third more is room enough.
    free = [units] * _up(_last_end_s(slots) * 4.0 / 3.0 + settle_s, cell_s)
    drawn = [(from_s, until_s + settle_s, flow) for from_s, until_s, flow in taken]
    for from_s, until_s, flow_l_min in [*drawn, *((from_s, until_s, capacity_l_min) for from_s, until_s in barred)]:
        for cell in range(max(0, floor(from_s / cell_s)), min(len(free), _up(until_s, cell_s))):
            free[cell] = max(0, free[cell] - _up(flow_l_min * units / capacity_l_min, 1.0))
    row_of = {chains[i].zone: row for row, i in enumerate(some)}
    first = [row_of[slot.zone] for slot in sorted(slots, key=lambda slot: slot.start_s)]
    enough = None if enough_s is None else floor((enough_s + settle_s) / cell_s + 1e-6)
    return [some[row] for row in best_order(rows, bytes(free), first, effort, enough)]


def _cell_s(chains: Sequence[Chain], makespan_s: float, settle_s: float) -> float:
    """The common measure of all times, if that is not too fine; else the finest cell there may be."""
    times_s = [settle_s, *(each for chain in chains for each in (chain.rest_s, chain.ready_s, *chain.pulses_s))]
    measure_s = TICK_S * gcd(*(round(time_s / TICK_S) for time_s in times_s))
    return max(measure_s, makespan_s / MOST_CELLS)


def _units(flows_l_min: Sequence[float], capacity_l_min: float) -> int:
    """Into how many units to cut the capacity (a byte holds them), so that flows lose least by being rounded up."""
    return min(
        range(1, FULL + 1),
        key=lambda units: sum(
            round(_up(flow * units / capacity_l_min, 1.0) / units - flow / capacity_l_min, 6) for flow in flows_l_min
        ),
    )


def _up(value: float, step: float) -> int:
    return ceil(value / step - 1e-6)


def _last_end_s(slots: Sequence[Slot]) -> float:
    return max(slot.end_s for slot in slots)


def _remaining_s(chain: Chain, following: int) -> float:
    left = chain.pulses_s[following:]
    return sum(left) + chain.rest_s * max(0, len(left) - 1)


def _most_drawn(drawn: Sequence[Taken], from_s: float, until_s: float) -> float:
    """The most flow that others draw at any instant within [from, until). It changes only where one of them begins."""
    within = [each for each in drawn if each[0] < until_s and each[1] > from_s]
    if len(within) < 2:
        return within[0][2] if within else 0.0
    instants = [max(from_s, begin_s) for begin_s, _, _ in within]
    return max((sum(flow for a, b, flow in within if a <= at < b) for at in instants), default=0.0)


def _out_of(barred: Sequence[Barred], start_s: float, length_s: float) -> float:
    """The earliest start from `start_s` on at which a pulse of that length overlaps no barred time (in order)."""
    for from_s, until_s in barred:
        if start_s < until_s and start_s + length_s > from_s:
            start_s = until_s
    return start_s
