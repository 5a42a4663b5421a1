"""What must hold in every history, checked from the diary of the lines alone: one function a property.

Each takes the diary and the charge and returns what was broken, in words. An empty list is the only pass.
"""

from collections.abc import Callable, Iterator, Sequence

from controller.guard.rules import DAY_S, Charge, master_line
from controller.sim.world import Level

GRACE_S = 1.0


def openings(diary: Sequence[Level], line: str, end_s: float) -> list[tuple[float, float]]:
    """When a line was on: (from, until) in monotonic seconds."""
    found: list[tuple[float, float]] = []
    since: float | None = None
    for level in diary:
        if line in level.on and since is None:
            since = level.mono_s
        elif line not in level.on and since is not None:
            found.append((since, level.mono_s))
            since = None
    if since is not None:
        found.append((since, end_s))
    return found


def longest_opening(diary: Sequence[Level], charge: Charge, end_s: float) -> Iterator[str]:
    """No valve is open longer than its limit plus a second."""
    for valve, rule in charge.valves.items():
        for start_s, stop_s in openings(diary, valve, end_s):
            if stop_s - start_s > rule.longest_s + GRACE_S:
                yield f"{valve} was open for {stop_s - start_s:.0f} s, its limit is {rule.longest_s:.0f} s"


def rolling_day(diary: Sequence[Level], charge: Charge, end_s: float) -> Iterator[str]:
    """No valve is open for more than its allowance in any 24 hours. The worst window ends where an opening ends."""
    for valve, rule in charge.valves.items():
        spans = openings(diary, valve, end_s)
        for _, until_s in spans:
            used_s = sum(max(0.0, min(b, until_s) - max(a, until_s - DAY_S)) for a, b in spans)
            if used_s > rule.most_s_per_24h + GRACE_S:
                yield f"{valve} was open {used_s:.0f} s within 24 h, its limit is {rule.most_s_per_24h:.0f} s"


def supply_capacity(diary: Sequence[Level], charge: Charge, end_s: float) -> Iterator[str]:
    """Never more flow than a supply gives."""
    for level in diary:
        for supply, rule in charge.supplies.items():
            on = _on_supply(charge, supply, level)
            flow_l_min = sum(charge.valves[valve].flow_l_min for valve in on)
            if flow_l_min > rule.capacity_l_min + 1e-6:
                yield f"{', '.join(on)} drew {flow_l_min:.1f} L/min at {level.mono_s:.0f} s"


def pump_against_closed(diary: Sequence[Level], charge: Charge, end_s: float) -> Iterator[str]:
    """A master valve or pump is on only while a zone valve of its supply is."""
    for level in diary:
        for supply in charge.supplies:
            if master_line(supply) in level.on and not _on_supply(charge, supply, level):
                yield f"the {master_line(supply)} was on against closed valves at {level.mono_s:.0f} s"


def _on_supply(charge: Charge, supply: str, level: Level) -> list[str]:
    return sorted(valve for valve, rule in charge.valves.items() if rule.supply == supply and valve in level.on)


PROPERTIES: Sequence[Callable[[Sequence[Level], Charge, float], Iterator[str]]] = (
    longest_opening,
    rolling_day,
    supply_capacity,
    pump_against_closed,
)


def violations(diary: Sequence[Level], charge: Charge, end_s: float) -> list[str]:
    """Everything that was broken."""
    return [said for broken in PROPERTIES for said in broken(diary, charge, end_s)]
