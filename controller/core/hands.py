"""What the gardener's hands have changed, zone by zone: states that a job reported done sets, and another ends.

The states are plain words in `Bed.hands`, so that the model of that bed is another one from the hour of the report.
"""

import re
from collections.abc import Collection, Mapping
from datetime import date
from types import MappingProxyType

from controller.core.frozen import replace
from controller.core.site import Mulch, Zone

SHADE_UP = "shade up"
MULCH_BACK = "mulch pulled back"
MULCHED = "mulch topped up"
POTS_MOVED = "pots moved into the shade"
CLEARED = "harvested and cleared"

DAY = re.compile(r"-\d{4}(-\d{2}-\d{2}(-(morning|evening))?)?$")
"""What the id of a daily or yearly job ends with."""

SETS: Mapping[str, str] = MappingProxyType(
    {
        "shade": SHADE_UP,
        "mulch-back": MULCH_BACK,
        "mulch": MULCHED,
        "summer-mulch": MULCHED,
        "pots": POTS_MOVED,
        "cleared": CLEARED,
    }
)
"""Job done -> the state it brings."""

ENDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "shade-off": (SHADE_UP, POTS_MOVED),
        "pots-back": (POTS_MOVED,),
        "mulch-on": (MULCH_BACK,),
        "planted": (CLEARED,),
        "cloth-down": (SHADE_UP,),
        "winter": (MULCHED,),
    }
)
"""Job done -> the states it ends."""

SHADING, MULCHING = (SHADE_UP, POTS_MOVED), (MULCHED,)
"""The states by which a job saves water from day to day, by what saves it."""

UNDONE: Mapping[str, str] = MappingProxyType({"shade": "shade-off", "pots": "pots-back", "mulch-back": "mulch-on"})
"""Job that a switch may tell done -> the one that it tells when it goes off again."""

ONE_ZONE = frozenset({"cleared", "planted"})
"""Reports that must name their zone: said of all, they would stop the water everywhere."""

FRESH_MULCH = Mulch("straw", 5.0, evaporation_cut=0.5, holds_mm=2.0, under_line=True)
"""What ground that had none is mulched with, over its line: straw, by the rows of `agronomy.mulch`."""


TAKEN_WHOLE = frozenset(
    {"lettuce", "cabbage", "cauliflower", "carrot", "dry onion", "green onion", "garlic", "radish", "beetroot",
     "potato", "sweet potato", "sweet corn"}
)  # fmt: skip
"""Crops that a harvest takes out of the bed; of the others it takes the fruit or leaves, and they go on growing."""


def sort_of(job: str) -> str:
    """The job's id without its day."""
    return DAY.sub("", job)


def changes_beds(job: str) -> bool:
    """Whether a job of this id, once done, makes a bed another one."""
    return sort_of(job) in SETS or sort_of(job) in ENDS


def after_job(hands: tuple[str, ...], job: str, zone: Zone) -> tuple[str, ...]:
    """The states of a bed after a job was reported done; those that mean nothing to its zone do not come about."""
    job = sort_of(job)
    kept = tuple(state for state in hands if state not in ENDS.get(job, ()))
    new = SETS.get(job)
    return kept if new is None or new in kept or not _means_something(new, zone) else (*kept, new)


def _means_something(state: str, zone: Zone) -> bool:
    return {
        SHADE_UP: any(shade.by_hand for shade in zone.shades),
        MULCH_BACK: zone.mulch is not None,
        MULCHED: zone.pots is None,
        POTS_MOVED: zone.pots is not None,
        CLEARED: not zone.crop.perennial,
    }[state]


def empties(job: str, zone: Zone, day: date) -> bool:
    """Whether a job reported done of this zone by itself leaves its bed bare: the harvest of a crop that is taken
    whole, in its late stage. Before that some were pulled early, and the rest stands."""
    stages, age_days = zone.crop.stages, zone.age_days(day)
    if sort_of(job) != "harvest" or stages is None or age_days is None or zone.crop.name not in TAKEN_WHOLE:
        return False
    return age_days >= stages.initial + stages.development + stages.mid


def after_soak(hands: tuple[str, ...]) -> tuple[str, ...]:
    """The states after a dawn soak has ended: mulch pulled back for it is put back."""
    return tuple(state for state in hands if state != MULCH_BACK)


def off_line(zone: Zone, hands: Collection[str]) -> bool:
    """Whether its line reaches nothing now."""
    return zone.pots is not None and zone.pots.moves_off_line and POTS_MOVED in hands


def mulch_on(zone: Zone, hands: Collection[str]) -> Mulch | None:
    """The mulch as it lies now: as configured, topped up, or none while it is pulled back from the line."""
    if MULCH_BACK in hands:
        return None
    if MULCHED not in hands:
        return zone.mulch
    if zone.mulch is None:
        return FRESH_MULCH
    thicker = max(1.0, FRESH_MULCH.depth_cm / zone.mulch.depth_cm)
    depth_cm, holds_mm = zone.mulch.depth_cm * thicker, zone.mulch.holds_mm * thicker
    return replace(zone.mulch, depth_cm=depth_cm, holds_mm=holds_mm, cover=1.0)
