"""What the gardener's hands have changed, zone by zone: states that a job reported done sets, and another ends.

The states are plain words in `Bed.hands`, so that the model of that bed is another one from the hour of the report.
"""

import re
from collections.abc import Mapping
from types import MappingProxyType

from controller.core.site import Zone

SHADE_UP = "shade up"
MULCH_BACK = "mulch pulled back"
POTS_MOVED = "pots moved off their line"

DAY = re.compile(r"-\d{4}-\d{2}-\d{2}$")

SETS: Mapping[str, str] = MappingProxyType({"shade": SHADE_UP, "mulch-back": MULCH_BACK, "pots": POTS_MOVED})
"""Job done -> the state it brings."""

ENDS: Mapping[str, tuple[str, ...]] = MappingProxyType({"shade-off": (SHADE_UP, POTS_MOVED)})
"""Job done -> the states it ends."""


def changes_beds(job: str) -> bool:
    """Whether a job of this id, once done, makes a bed another one."""
    name = DAY.sub("", job)
    return name in SETS or name in ENDS


def after_job(hands: tuple[str, ...], job: str, zone: Zone) -> tuple[str, ...]:
    """The states of a bed after a job was reported done; those that mean nothing to its zone do not come about.

    The id of a daily job ends with its day.
    """
    job = DAY.sub("", job)
    kept = tuple(state for state in hands if state not in ENDS.get(job, ()))
    new = SETS.get(job)
    return kept if new is None or new in kept or not _means_something(new, zone) else (*kept, new)


def _means_something(state: str, zone: Zone) -> bool:
    return {
        SHADE_UP: any(shade.by_hand for shade in zone.shades),
        MULCH_BACK: zone.mulch is not None,
        POTS_MOVED: zone.pots is not None and zone.pots.moves_off_line,
    }[state]


def after_watering(hands: tuple[str, ...]) -> tuple[str, ...]:
    """The states after a watering has ended: mulch pulled back for a soak is put back after it."""
    return tuple(state for state in hands if state != MULCH_BACK)
