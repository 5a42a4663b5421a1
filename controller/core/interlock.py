"""Stage 5: the last word of the core before it asks for a valve: a table of vetoes with their reasons.

The guard checks again, with code and limits of its own; this table is about what the guard cannot know.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta

from controller.core.budget import counted, counts, left_l
from controller.core.garden import Garden, Hold, Pulse, Watering
from controller.core.locks import lock_on, lock_said
from controller.core.moment import Now, local_date
from controller.core.rules import closed_by, in_front, in_words
from controller.core.site import Site
from controller.core.tank import stores_of

LATE = timedelta(seconds=5)
"""A pulse that could not begin within this time of its start is planned anew: later it would run into the pulse that
was to follow it on the same supply, or into its own rest."""
FROST_C = 3.0
"""No watering at or below this air temperature (common practice, no source)."""
FROST_MEMORY = timedelta(hours=2)
"""After so long a thermometer's last word no longer says whether it freezes (common practice, no source)."""
BUDGET_GRACE_L = 1.0
"""A valve is some tenths of a second late with its closing, and over a day that comes to so much."""
RAIN_SWITCH_MEMORY = timedelta(days=7)
"""A rain switch tells its state only when it changes; after so long it has rather fallen silent (common practice, no
source)."""
SWITCH_SAYS = {
    "stop switch": (1.0, "The stop switch is pressed."),
    "pressure switch": (0.0, "There is no pressure in the mains."),
    "tank switch": (0.0, "The tank is empty."),
}
"""What a switch says when nothing may open."""


@dataclass(frozen=True, slots=True)
class Case:
    """What a veto looks at."""

    site: Site
    garden: Garden
    watering: Watering
    pulse: Pulse
    now: Now

    @property
    def by_hand(self) -> bool:
        return self.watering.purpose == "by hand"


@dataclass(frozen=True, slots=True)
class Veto:
    """A reason not to open a valve. lasting: the watering is given up; else the pulse waits or is planned anew."""

    name: str
    said: str
    lasting: bool = False


def _guard(case: Case) -> Veto | None:
    if case.garden.guard_ready:
        return None
    return Veto("guard", "The guard is not ready, so no valve may open.")


def _clock(case: Case) -> Veto | None:
    if case.now.trusted or case.by_hand:
        return None
    return Veto("clock", "The clock is not to be trusted yet, so no watering goes by the calendar.")


def _locked(case: Case) -> Veto | None:
    lock = lock_on(case.garden, case.pulse.zone)
    return None if lock is None else Veto("lock", lock_said(case.site, lock.zone, lock.why), lasting=True)


def _switched(case: Case) -> Veto | None:
    """The guard closes by these by itself; here it is said why nothing is asked of it."""
    for sensor in case.site.sensors:
        probe = case.garden.probes.get(sensor.id)
        if sensor.kind not in SWITCH_SAYS or probe is None or probe.word == "stale":
            continue
        bad, said = SWITCH_SAYS[sensor.kind]
        if probe.value == bad:
            return Veto(sensor.kind, said, lasting=True)
    return None


def _held(case: Case) -> Veto | None:
    hold = hold_on(case.garden.holds, case.pulse.zone)
    if hold is None:
        return None
    until = "it is released" if hold.until is None else f"{hold.until.astimezone(case.site.timezone):%a %H:%M}"
    return Veto("hold", f"Watering is on hold until {until}.", lasting=True)


def _frost(case: Case) -> Veto | None:
    for sensor in case.site.sensors:
        probe = case.garden.probes.get(sensor.id)
        if sensor.kind != "air temperature" or probe is None or probe.value is None or probe.at is None:
            continue
        if probe.value <= FROST_C and case.now.utc - probe.at <= FROST_MEMORY:
            return Veto("frost", f"The air is at {probe.value:.1f} °C: no water in frost.", lasting=True)
    return None


def _raining(case: Case) -> Veto | None:
    if case.by_hand:
        return None
    for sensor in case.site.sensors:
        probe = case.garden.probes.get(sensor.id)
        if sensor.kind != "rain switch" or probe is None or probe.value != 1.0 or probe.at is None:
            continue
        # A switch that stays wet for a week is stuck, not rained on.
        if case.now.utc - probe.at <= RAIN_SWITCH_MEMORY:
            return Veto("rain", "The rain switch is wet: the watering is left to the next time.", lasting=True)
    return None


def _late(case: Case) -> Veto | None:
    if case.now.utc - case.pulse.start <= LATE:
        return None
    return Veto("late", f"It was due at {case.pulse.start.astimezone(case.site.timezone):%H:%M} and is planned anew.")


def _forbidden(case: Case) -> Veto | None:
    zone, start = case.site.zone(case.pulse.zone), case.now.utc
    end = start + timedelta(seconds=case.pulse.seconds)
    found = closed_by(case.site, zone, start, end, by_hand=case.by_hand)
    return None if found is None else Veto("rule", in_words(case.site, zone, found, by_hand=case.by_hand))


def _spent(case: Case) -> Veto | None:
    today = local_date(case.now.utc, case.site.timezone)
    running = [pulse for watering in case.garden.plan.waterings for pulse in watering.pulses if pulse.running]
    litres = case.pulse.litres + case.site.zone(case.pulse.zone).line.fill_l
    for budget in case.site.budgets:
        left = left_l(budget, counted(budget, case.site, case.garden, running), today)
        if counts(budget, case.pulse.zone) and litres > left + BUDGET_GRACE_L:
            said = f"{in_front(budget.name)} does not allow {litres:.0f} L more"
            return Veto("budget", f"{said}: {left:.0f} L are left of it.", lasting=True)
    return None


def _tank_low(case: Case) -> Veto | None:
    zone = case.site.zone(case.pulse.zone)
    store = stores_of(case.site, case.garden, case.now.utc).get(zone.supply)
    if store is None:
        return None
    running = [pulse for watering in case.garden.plan.waterings for pulse in watering.pulses if pulse.running]
    mine = [pulse for pulse in running if case.site.zone(pulse.zone).supply == zone.supply]
    draws = [
        (0.0, (pulse.end - case.now.utc).total_seconds(), case.site.zone(pulse.zone).line.flow_l_min) for pulse in mine
    ]
    if not store.short_l([*draws, (0.0, case.pulse.seconds, zone.line.flow_l_min)]):
        return None
    kept = f" of which {store.tank.kept_l:.0f} L stay in it," if store.tank.kept_l > 0.0 else ""
    said = f"The tank holds {store.litres:.0f} L,{kept} too little for {case.pulse.litres:.0f} L more; planned anew."
    return Veto("tank", said)


VETOES: Sequence[Callable[[Case], Veto | None]] = (
    _guard, _clock, _locked, _switched, _held, _frost, _raining, _late, _forbidden, _spent, _tank_low,
)
"""In order: the first that objects is the one that is told."""


def veto(case: Case) -> Veto | None:
    """The first objection to opening a valve for this pulse now; None if there is none."""
    return next((objection for check in VETOES if (objection := check(case)) is not None), None)


def hold_on(holds: Sequence[Hold], zone_id: str | None) -> Hold | None:
    """The hold that covers a zone (or the whole site, for None)."""
    return next((hold for hold in holds if hold.zone is None or hold.zone == zone_id), None)
