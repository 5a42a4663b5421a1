"""What the gardener's hands have changed, zone by zone: states that a job reported done sets, and another ends.

The states are plain words in `Bed.hands`, so that the model of that bed is another one from the hour of the report.
"""

from collections.abc import Mapping
from types import MappingProxyType

SHADE_UP = "shade up"
MULCH_BACK = "mulch pulled back"
POTS_MOVED = "pots moved off their line"

SETS: Mapping[str, str] = MappingProxyType({"shade": SHADE_UP, "mulch-back": MULCH_BACK, "pots": POTS_MOVED})
"""Job done -> the state it brings."""

ENDS: Mapping[str, tuple[str, ...]] = MappingProxyType({"shade-off": (SHADE_UP, POTS_MOVED)})
"""Job done -> the states it ends."""


def after_job(hands: tuple[str, ...], job: str) -> tuple[str, ...]:
    """The states of a bed after a job was reported done."""
    kept = tuple(state for state in hands if state not in ENDS.get(job, ()))
    new = SETS.get(job)
    return kept if new is None or new in kept else (*kept, new)


def after_watering(hands: tuple[str, ...]) -> tuple[str, ...]:
    """The states after a watering has ended: mulch pulled back for a soak is put back after it."""
    return tuple(state for state in hands if state != MULCH_BACK)
