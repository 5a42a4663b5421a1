"""What the guard has found and locked, as the core keeps it: faults for people, locks for the interlock.

A lock lives in three places: in the guard, in the guard's latch file and here, in the journal. Whichever is lost, the
others still lock; only a person's `release` takes it from all three.
"""

from collections.abc import Sequence

from controller.core.actions import Action, Note, Sense
from controller.core.events import GuardNotice, Reading, SwitchRead
from controller.core.frozen import replace
from controller.core.garden import Fault, Garden, Lock
from controller.core.moment import Now
from controller.core.site import SWITCHES, Site

STOPPED = "stopped"
"""The guard's name for the lock of a stop switch."""

FOUND = ("leak", "drip", "no-flow", "meter", "no-pressure", "tank-empty", "lines")
"""Faults that a guard finds by itself, or of its lines: a new guard finds anew what is still so."""


def hear_notice(site: Site, garden: Garden, event: GuardNotice, now: Now) -> tuple[Garden, list[Action]]:
    """Take in what the guard says of itself: a fault that stands until it is over, and a lock if it has locked."""
    if event.zone is not None and event.zone not in {zone.id for zone in site.zones}:
        return garden, []  # a zone that is no more may stay locked; nobody will open it
    name = fault_name(event)
    facts = {"fault": name, "rule": event.rule}
    if event.over:
        return _over(garden, event, name, Note("fault", _over_said(site, event), event.zone, facts, lasting=True))
    said = lock_said(site, event.zone, event.why) if event.locked else f"{event.why[:1].upper()}{event.why[1:]}."
    locks = garden.locks
    if event.locked and event.zone not in {lock.zone for lock in locks}:
        locks = (*locks, Lock(event.zone, event.rule, event.why, now.utc))
    if name in garden.faults and garden.faults[name].said == said:
        return replace(garden, locks=locks), []
    faults = {**garden.faults, name: Fault(name, said, now.utc)}
    return replace(garden, faults=faults, locks=locks), [Note("fault", said, event.zone, facts, lasting=True)]


def _over(garden: Garden, event: GuardNotice, name: str, note: Note) -> tuple[Garden, list[Action]]:
    if name not in garden.faults:
        return garden, []  # a hand has released it, and was told so
    if event.locked:
        return without_locks(garden, [lock for lock in garden.locks if lock.zone == event.zone]), [note]
    return replace(garden, faults={key: fault for key, fault in garden.faults.items() if key != name}), [note]


def without_findings(garden: Garden) -> Garden:
    """The garden without what a guard has found that is no more: the new one knows nothing of it, and would never say
    that it is over."""
    gone = {name for name in garden.faults if name.startswith(FOUND)}
    return replace(garden, faults={name: fault for name, fault in garden.faults.items() if name not in gone})


def without_locks(garden: Garden, gone: Sequence[Lock]) -> Garden:
    """The garden without these locks and their faults."""
    names = {"locked" if lock.zone is None else f"locked-{lock.zone}" for lock in gone}
    faults = {name: fault for name, fault in garden.faults.items() if name not in names}
    return replace(garden, locks=tuple(lock for lock in garden.locks if lock not in gone), faults=faults)


def fault_name(event: GuardNotice) -> str:
    """The fault's id: one lock for each place, else one fault for each rule and place."""
    rule = "locked" if event.locked else "".join(each if each.isalnum() else "-" for each in event.rule.lower())
    return rule if event.zone is None else f"{rule}-{event.zone}"


def lock_said(site: Site, zone: str | None, why: str) -> str:
    """The sentence for a lock, with what to do about it."""
    where = "The whole garden" if zone is None else site.zone(zone).name
    do = "seepward release" if zone is None else f"seepward release {zone}"
    return f"{where} is locked: {why}. Put it right, then: {do}"


def _over_said(site: Site, event: GuardNotice) -> str:
    where = "" if event.zone is None else f"{site.zone(event.zone).name}: "
    return f"{where}{event.why}."


def lock_on(garden: Garden, zone: str | None) -> Lock | None:
    """The lock that covers a zone, or the whole site."""
    return next((lock for lock in garden.locks if lock.zone in (None, zone)), None)


def read_switch(event: SwitchRead, now: Now) -> Reading:
    """What a switch at the guard's pins says, as a reading like any other's."""
    return Reading(event.sensor, 1.0 if event.on else 0.0, now.utc)


def tell_guard(site: Site, garden: Garden) -> list[Action]:
    """Every switch that the guard cannot read itself, as it was last heard: a new guard knows nothing of them."""
    return [
        Sense(sensor.id, garden.probes[sensor.id].value == 1.0)
        for sensor in site.sensors
        if sensor.kind in SWITCHES and not sensor.wired and garden.probes[sensor.id].value is not None
    ]
