"""What the flow meter has taught about each zone's line: its true flow, and how that changes over weeks.

A measured flow overrules the stated one wherever litres become minutes. Emitters clog little by little, which no single
pulse shows; the slow mean against what it was at first does.
"""

from collections.abc import Mapping

from controller.core.actions import Action, Note
from controller.core.frozen import replace
from controller.core.garden import Fault, Garden, LearntFlow
from controller.core.moment import Now
from controller.core.recall import recalled
from controller.core.site import Line, Site, Zone

FIRST = 5
"""So many pulses make the first mean, which later ones are held against."""
SLOW = 0.1
"""Weight of a new pulse in the mean after that."""
CLOGGED, CLEAN = 0.85, 0.92
"""Share of the first flow below which a line is said to clog, and from which it is clean again (common practice, no
source)."""


def learnt(before: LearntFlow | None, l_min: float) -> LearntFlow:
    """The flow of a line with one more pulse measured, L/min."""
    if before is None:
        return LearntFlow(l_min, l_min, 1)
    count = before.count + 1
    mean = before.l_min + (l_min - before.l_min) * max(SLOW, 1.0 / count)
    return LearntFlow(mean, mean if count <= FIRST else before.first_l_min, count)


def as_measured(site: Site, flows: Mapping[str, LearntFlow]) -> Site:
    """The site with each line's flow as it was measured, where it was."""
    return _as_measured(site, flows) if flows else site


@recalled(facts=2)
def _as_measured(site: Site, flows: Mapping[str, LearntFlow]) -> Site:
    return replace(site, zones=tuple(_measured(zone, flows.get(zone.id)) for zone in site.zones))


def _measured(zone: Zone, flow: LearntFlow | None) -> Zone:
    return zone if flow is None else replace(zone, line=with_flow(zone.line, flow.l_min))


def with_flow(line: Line, l_min: float) -> Line:
    """The line with another flow; its emitters share it as before."""
    ratio = l_min / line.flow_l_min
    emitter_l_h = line.emitter_flow_l_h and line.emitter_flow_l_h * ratio
    return replace(line, flow_l_min=l_min, rate_mm_h=line.rate_mm_h * ratio, emitter_flow_l_h=emitter_l_h)


def learn_flow(site: Site, garden: Garden, zone_id: str, l_min: float, now: Now) -> tuple[Garden, list[Action]]:
    """Take in the flow of a pulse; say when the line has begun to clog, or is clean again."""
    flow = learnt(garden.flows.get(zone_id), l_min)
    garden = replace(garden, flows={**garden.flows, zone_id: flow})
    name, share = f"clogging-{zone_id}", flow.l_min / flow.first_l_min
    if share < CLOGGED and name not in garden.faults:
        said = (
            f"{site.zone(zone_id).name} gives {flow.l_min:.1f} L/min, {1.0 - share:.0%} less than at first:"
            " flush the line, clean the filter, look for clogged emitters."
        )
        fault = Fault(name, said, now.utc)
        return replace(garden, faults={**garden.faults, name: fault}), [
            Note("fault", said, zone_id, {"fault": name, "l_min": flow.l_min, "first_l_min": flow.first_l_min})
        ]
    if share >= CLEAN and name in garden.faults:
        faults = {key: fault for key, fault in garden.faults.items() if key != name}
        return replace(garden, faults=faults), [Note("fault", "Its line gives its full flow again.", zone_id)]
    return garden, []
