"""Pots: little soil, much leaf. How much a pot holds, how much the plant takes, how often it must be filled.

The available share of potting mix is 25 to 35 % by volume (nursery targets, from memory; 25 % measured for
pine bark and sand, Bilderback et al. 2005), and plants grow as well as watered controls when refilled at 20
to 40 % of it used (Beeson). A shallower pot of the same mix holds more water and less air.
"""

from math import ceil

from controller.agronomy.ranges import within

AVAILABLE_SHARE = 0.25
REFILL_AT_USED_SHARE = 0.30


def water_use_l(et0_mm: float, kc: float, crown_m2: float) -> float:
    """Water a potted plant takes, litres in the time of `et0_mm`: ETo Kc A, A the crown seen from above.

    A lone plant in dry moving air takes more: the Kc of isolated stands may pass 1.2 (FAO-56 chapters 9 and
    10).

    >>> round(water_use_l(10, 1.15, 0.5), 2)
    5.75
    """
    within("reference evapotranspiration", et0_mm, 0, 50, "mm")
    within("crop coefficient", kc, 0, 2.5)
    within("area of the crown", crown_m2, 0, 1000, "m2")
    return et0_mm * kc * crown_m2


def store_l(volume_l: float, available_share: float = AVAILABLE_SHARE) -> float:
    """Water a pot holds for its plant, litres.

    >>> store_l(30)
    7.5
    """
    within("volume of the pot", volume_l, 0.01, 10000, "L")
    within("available share", available_share, 0.01, 0.9)
    return volume_l * available_share


def waterings(use_l: float, store: float, refill_at_used_share: float = REFILL_AT_USED_SHARE) -> int:
    """How often a pot must be filled to cover `use_l`, each time this share of its store is used.

    >>> waterings(5.75, 7.5), waterings(5.75, 2.5)
    (3, 8)
    """
    within("water use", use_l, 0, 10000, "L")
    within("store of the pot", store, 0.001, 10000, "L")
    within("used share at refill", refill_at_used_share, 0.05, 1)
    return ceil(use_l / (store * refill_at_used_share) - 1e-9)
