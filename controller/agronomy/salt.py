"""Salt in the water: how much more to give so that it washes down, and what yield it costs.

Sources: Ayers & Westcot 1985, FAO Irrigation and Drainage Paper 29 rev. 1; yields after Maas & Hoffman with
the list of the US Salinity Laboratory (Maas 1990). Electrical conductivity in dS/m: ECw of the water, ECe
of the saturated soil extract.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from controller.agronomy.ranges import within


@dataclass(frozen=True)
class SaltTolerance:
    """Threshold, dS/m ECe, up to which yield is full, and the per cent lost for each dS/m beyond."""

    threshold_ds_m: float
    slope_percent: float

    @property
    def zero_yield_ds_m(self) -> float:
        """ECe at which nothing is left to lose, dS/m."""
        return self.threshold_ds_m + 100 / self.slope_percent


_VEGETABLES = {
    "asparagus": (4.1, 2.0), "green bean": (1.0, 19), "beetroot": (4.0, 9.0), "broccoli": (2.8, 9.2),
    "cabbage": (1.8, 9.7), "carrot": (1.0, 14), "celery": (1.8, 6.2), "sweet corn": (1.7, 12),
    "cucumber": (2.5, 13), "eggplant": (1.1, 6.9), "lettuce": (1.3, 13), "dry onion": (1.2, 16),
    "capsicum": (1.5, 14), "potato": (1.7, 12), "radish": (1.2, 13), "spinach": (2.0, 7.6),
    "squash": (3.2, 16), "zucchini": (4.7, 9.4), "strawberry": (1.0, 33), "sweet potato": (1.5, 11),
    "tomato": (2.5, 9.9), "cherry tomato": (1.7, 9.1), "turnip": (0.9, 9.0),
}
_FRUIT_FROM_MEMORY = {
    "table grape": (1.5, 9.6), "orange": (1.7, 16), "peach": (1.7, 21), "apricot": (1.6, 24),
    "plum": (1.5, 18), "berries": (1.5, 22),
}

SALT_TOLERANCE: Mapping[str, SaltTolerance] = MappingProxyType({
    crop: SaltTolerance(*row) for crop, row in {**_VEGETABLES, **_FRUIT_FROM_MEMORY}.items()
})
"""By crop. The list has no figures for melons, okra, pea, pumpkin."""


def leaching_fraction(water_ds_m: float, soil_ds_m: float) -> float:
    """Share of the water that must pass the roots, surface or sprinkler watering: ECw / (5 ECe - ECw).

    FAO-29 rev. 1 (Rhoades). `soil_ds_m` is the ECe to be kept. ValueError where no amount of such water
    keeps it.

    >>> round(leaching_fraction(1.0, 2.5), 3)
    0.087
    """
    within("conductivity of the water", water_ds_m, 0, 50, "dS/m")
    within("conductivity of the soil extract", soil_ds_m, 0.01, 50, "dS/m")
    if water_ds_m >= 2.5 * soil_ds_m:
        raise ValueError(f"water of {water_ds_m:g} dS/m is too salty to keep the soil at {soil_ds_m:g} dS/m")
    return water_ds_m / (5 * soil_ds_m - water_ds_m)


def leaching_fraction_drip(water_ds_m: float, zero_yield_ds_m: float) -> float:
    """The same for frequent drip: ECw / (2 max ECe), max ECe being that of zero yield (FAO-29 rev. 1).

    >>> round(leaching_fraction_drip(2, SALT_TOLERANCE["tomato"].zero_yield_ds_m), 3)
    0.079
    """
    within("conductivity of the water", water_ds_m, 0, 50, "dS/m")
    within("conductivity at zero yield", zero_yield_ds_m, 0.1, 100, "dS/m")
    return min(1.0, water_ds_m / (2 * zero_yield_ds_m))


def relative_yield_percent(soil_ds_m: float, tolerance: SaltTolerance) -> float:
    """Yield, % of full: 100 - b (ECe - a), 0 to 100 (Maas & Hoffman).

    >>> round(relative_yield_percent(3, SALT_TOLERANCE["capsicum"]))
    79
    """
    within("conductivity of the soil extract", soil_ds_m, 0, 100, "dS/m")
    loss = tolerance.slope_percent * (soil_ds_m - tolerance.threshold_ds_m)
    return max(0.0, min(100.0, 100 - loss))


def soil_from_water_ds_m(water_ds_m: float) -> float:
    """ECe that a water leads to with 15 to 20 % leaching: 1.5 ECw (FAO-29 rev. 1).

    >>> soil_from_water_ds_m(2.0)
    3.0
    """
    within("conductivity of the water", water_ds_m, 0, 50, "dS/m")
    return 1.5 * water_ds_m
