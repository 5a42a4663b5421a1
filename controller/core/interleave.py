"""Pulses of several zones on one supply: one zone's rest is another's turn.

A chain is a zone's run of pulses with a rest after each. Chains are laid into time by a list rule: whenever something
changes, open what has rested and fits the supply, the longest remaining chain first. A schedule read backwards is
again one (the rests are the same from both sides), so a soak that must end by dawn is laid from its deadline back.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Chain:
    """Pulses of one zone: how many, how long each, how long the rest between two, at which flow.

    ready_s: earliest start of the first pulse, seconds from the schedule's zero.
    rank: served first when there is a choice; lower is sooner.
    """

    zone: str
    pulses_s: tuple[float, ...]
    rest_s: float
    flow_l_min: float
    ready_s: float = 0.0
    rank: int = 0

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
) -> list[Slot]:
    """Every pulse as early as the rule gives it. A chain that alone exceeds the capacity raises ValueError."""
    for chain in chains:
        if chain.flow_l_min > capacity_l_min:
            raise ValueError(
                f"{chain.zone} takes {chain.flow_l_min:g} L/min, more than the supply's {capacity_l_min:g} L/min"
            )
    ready = [chain.ready_s for chain in chains]
    following = [0] * len(chains)
    drawn = [(from_s - settle_s, until_s + settle_s, flow) for from_s, until_s, flow in taken]
    slots: list[Slot] = []
    clock_s = 0.0
    while any(following[i] < len(chain.pulses_s) for i, chain in enumerate(chains)):
        waiting = sorted(
            (i for i, chain in enumerate(chains) if following[i] < len(chain.pulses_s)),
            key=lambda i: (-_remaining_s(chains[i], following[i]), chains[i].rank, i),
        )
        later: list[float] = []
        for i in waiting:
            chain, number = chains[i], following[i]
            length_s = chain.pulses_s[number]
            start_s = _out_of(barred, max(ready[i], clock_s), length_s)
            if start_s > clock_s:
                later.append(start_s)
            elif _most_drawn(drawn, clock_s, clock_s + length_s) + chain.flow_l_min <= capacity_l_min + 1e-9:
                slots.append(Slot(chain.zone, number, clock_s, clock_s + length_s))
                drawn.append((clock_s, clock_s + length_s + settle_s, chain.flow_l_min))
                following[i] += 1
                ready[i] = clock_s + length_s + chain.rest_s
        drawn = [(from_s, until_s, flow) for from_s, until_s, flow in drawn if until_s > clock_s]
        clock_s = min([*later, *(until_s for _, until_s, _ in drawn)], default=clock_s)
    return sorted(slots, key=lambda slot: (slot.start_s, slot.zone))


def lay_backward(
    chains: Sequence[Chain],
    capacity_l_min: float,
    deadline_s: float,
    *,
    settle_s: float = 0.0,
    barred: Sequence[Barred] = (),
    taken: Sequence[Taken] = (),
) -> list[Slot]:
    """Every pulse as late as the mirrored rule gives it, the last one ending at the deadline. Starts may be negative:
    then there is not enough time, and the caller decides what to leave out."""
    mirrored = [Chain(c.zone, tuple(reversed(c.pulses_s)), c.rest_s, c.flow_l_min, 0.0, c.rank) for c in chains]
    mirrored_barred = [(deadline_s - until, deadline_s - start) for start, until in barred]
    mirrored_taken = [(deadline_s - until, deadline_s - start, flow) for start, until, flow in taken]
    lengths = {c.zone: len(c.pulses_s) for c in chains}
    slots = lay_forward(
        mirrored, capacity_l_min, settle_s=settle_s, barred=mirrored_barred, taken=mirrored_taken
    )
    turned = [Slot(s.zone, lengths[s.zone] - 1 - s.number, deadline_s - s.end_s, deadline_s - s.start_s) for s in slots]
    return sorted(turned, key=lambda slot: (slot.start_s, slot.zone))


def _remaining_s(chain: Chain, following: int) -> float:
    left = chain.pulses_s[following:]
    return sum(left) + chain.rest_s * max(0, len(left) - 1)


def _most_drawn(drawn: Sequence[Taken], from_s: float, until_s: float) -> float:
    """The most flow that others draw at any instant within [from, until). It changes only where one of them begins."""
    within = [each for each in drawn if each[0] < until_s and each[1] > from_s]
    instants = [max(from_s, begin_s) for begin_s, _, _ in within]
    return max((sum(flow for a, b, flow in within if a <= at < b) for at in instants), default=0.0)


def _out_of(barred: Sequence[Barred], start_s: float, length_s: float) -> float:
    """The earliest start from `start_s` on at which a pulse of that length overlaps no barred time."""
    for from_s, until_s in sorted(barred):
        if start_s < until_s and start_s + length_s > from_s:
            start_s = until_s
    return start_s
