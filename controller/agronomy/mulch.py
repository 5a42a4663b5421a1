"""What a mulch saves and what it keeps for itself.

It shades the soil, so less evaporates; laid between line and soil it first soaks up water of its own. A
line over the mulch loses that store once per wetting; a line under it loses nothing to it (practice).

Depths in mm over the mulched ground, cover as a share 0 to 1.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

from controller.agronomy.ranges import within


@dataclass(frozen=True)
class Mulch:
    """One kind of mulch. `evaporation_cut` is the share of soil evaporation stopped under full cover."""

    name: str
    evaporation_cut: float
    store_mm: float
    source: str


MULCHES: Mapping[str, Mulch] = MappingProxyType({
    mulch.name: mulch
    for mulch in (
        Mulch("none", 0.0, 0.0, "definition"),
        Mulch("straw", 0.5, 2.25, "cut as FAO-56 chapter 10; store of 5 t/ha by crop models, from memory"),
        Mulch("wood chips", 0.5, 4.0, "cut as straw; store 2 to 6 mm for 5 to 10 cm, from memory"),
        Mulch("plastic", 1.0, 0.0, "AquaCrop, from memory"),
    )
})
"""Starting figures by name."""

# Share of rain caught by gravel, at 0, 1, 3, 5, 7 and 10 cm.
_GRAVEL = ((0.0, 0.0), (1.0, 0.15), (3.0, 0.17), (5.0, 0.21), (7.0, 0.31), (10.0, 0.46))


def evaporation_factor(mulch: Mulch, cover: float) -> float:
    """Factor on soil evaporation: 1 - f cover.

    FAO-56 chapter 10 (from memory): organic mulch takes 5 % off for each tenth of the ground covered. The
    same form stands in FAO's AquaCrop with f 0.5 for organic and about 1.0 for plastic.

    >>> evaporation_factor(MULCHES["straw"], 0.5)
    0.75
    """
    within("covered share", cover, 0, 1)
    return 1 - mulch.evaporation_cut * cover


def straw_store_mm(mass_kg_m2: float, mm_per_t_ha: float = 0.45) -> float:
    """Water, mm, that straw of this mass can hold; crop models take 0.4 to 0.5 mm per t/ha (from memory).

    >>> round(straw_store_mm(0.5), 2)
    2.25
    """
    within("mass of straw", mass_kg_m2, 0, 10, "kg/m2")
    return 10 * mass_kg_m2 * mm_per_t_ha


def gravel_interception(depth_cm: float) -> float:
    """Share of a rain caught by a gravel mulch, by depth (Soil & Water Res. 2018, 13:115), straight between.

    >>> gravel_interception(5), round(gravel_interception(6), 2)
    (0.21, 0.26)
    """
    within("depth of gravel", depth_cm, 0, 10, "cm")
    (low_cm, low), (high_cm, high) = next(ends for ends in pairwise(_GRAVEL) if depth_cm <= ends[1][0])
    return low + (depth_cm - low_cm) / (high_cm - low_cm) * (high - low)


@dataclass(frozen=True)
class Wetting:
    """Where the water of one event went, mm; the mulch then holds `held_mm`."""

    soil_mm: float
    caught_mm: float
    held_mm: float


def wet(event_mm: float, held_mm: float, store_mm: float) -> Wetting:
    """Water that comes from above through a mulch already holding `held_mm` of its `store_mm`.

    It loses min(room left, event); nothing is made or lost.

    >>> wet(5.0, held_mm=0.5, store_mm=2.0)
    Wetting(soil_mm=3.5, caught_mm=1.5, held_mm=2.0)
    """
    within("event", event_mm, 0, 2000, "mm")
    within("store of the mulch", store_mm, 0, 100, "mm")
    within("water held by the mulch", held_mm, 0, store_mm, "mm")
    caught_mm = min(store_mm - held_mm, event_mm)
    return Wetting(event_mm - caught_mm, caught_mm, held_mm + caught_mm)


def dry(held_mm: float, evaporation_mm: float) -> float:
    """Water left in the mulch, mm, after this much potential evaporation (practice: it empties at that rate).

    >>> dry(2.0, 1.5)
    0.5
    """
    within("water held by the mulch", held_mm, 0, 100, "mm")
    within("potential evaporation", evaporation_mm, 0, 50, "mm")
    return max(0.0, held_mm - evaporation_mm)


PLASTIC_KC_CUT: Mapping[str, tuple[float, float]] = MappingProxyType({
    "squash": (0.05, 0.15),
    "cucumber": (0.15, 0.20),
    "sweet melon": (0.05, 0.10),
    "watermelon": (0.25, 0.30),
    "tomato": (0.35, 0.35),
})
"""Share by which mid and end Kc fall under complete plastic cover with drip: FAO-56 Table 25, from memory."""

PLASTIC_KC_CUT_OTHERS = (0.10, 0.30)
"""The same for crops that the table does not name: FAO-56 chapter 10, from memory."""


def kc_under_plastic(kc: float, crop: str) -> float:
    """Mid or end Kc under complete plastic cover: less by the smaller printed cut, the safe side.

    >>> round(kc_under_plastic(1.00, "cucumber"), 2), round(kc_under_plastic(1.00, "okra"), 2)
    (0.85, 0.9)
    """
    within("crop coefficient", kc, 0, 2.5)
    return kc * (1 - PLASTIC_KC_CUT.get(crop, PLASTIC_KC_CUT_OTHERS)[0])
