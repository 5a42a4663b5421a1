"""Water in the root zone: what it holds, what is easily drawn, when plants go short, and the day's balance.

Source: Allen et al. 1998, FAO-56, chapter 8; equation numbers are its own. Water contents in m3/m3, depths
of water in mm, roots in metres. Depletion (Dr) is water missing below field capacity.
"""

from dataclasses import dataclass

from controller.agronomy.ranges import within


def available_water_mm(field_capacity: float, wilting_point: float, root_depth_m: float) -> float:
    """Total available water of the root zone, TAW, mm (FAO-56 eq. 82).

    >>> round(available_water_mm(0.15, 0.06, 0.8))  # FAO-56 Example 36, loamy sand
    72
    """
    within("wilting point", wilting_point, 0, 1, "m3/m3")
    within("field capacity", field_capacity, wilting_point, 1, "m3/m3")
    within("root depth", root_depth_m, 0, 10, "m")
    return 1000 * (field_capacity - wilting_point) * root_depth_m


def readily_available_mm(available_mm: float, fraction: float) -> float:
    """Readily available water, RAW, mm: what can go before plants feel it (FAO-56 eq. 83); `fraction` is p.

    >>> round(readily_available_mm(72, 0.40))  # FAO-56 Example 36, loamy sand
    29
    """
    within("depletion fraction", fraction, 0, 1)
    return fraction * available_mm


def depletion_fraction(table_fraction: float, etc_mm: float) -> float:
    """Share p of the available water that can go without stress on a day of this demand, 0.1 to 0.8.

    p = p_table + 0.04 (5 - ETc), with ETc in mm a day: note of FAO-56 Table 22 and p. 162; eq. 8.5 of its
    second edition (2025). The harder the air draws, the sooner plants go short.

    >>> round(depletion_fraction(0.40, 8), 2)
    0.28
    """
    within("depletion fraction of the table", table_fraction, 0, 1)
    within("crop evapotranspiration", etc_mm, 0, 50, "mm/day")
    return max(0.1, min(0.8, table_fraction + 0.04 * (5 - etc_mm)))


def stress_coefficient(depletion_mm: float, available_mm: float, fraction: float) -> float:
    """Stress coefficient Ks (FAO-56 eq. 84): 1 while depletion is within RAW, then evenly down to 0.

    >>> round(stress_coefficient(67.0, 160, 0.40), 2)  # FAO-56 Example 37, day 3
    0.97
    """
    within("available water", available_mm, 1e-9, 1e5, "mm")
    within("depletion fraction", fraction, 0, 0.99)
    within("depletion", depletion_mm, -1e5, 1e5, "mm")
    return max(0.0, min(1.0, (available_mm - depletion_mm) / ((1 - fraction) * available_mm)))


@dataclass(frozen=True)
class Balance:
    """One day of the root zone, mm: depletion at its end, what was used, what drained below the roots."""

    depletion_mm: float
    stress: float
    et_mm: float
    percolation_mm: float


def daily_balance(
    depletion_mm: float,
    *,
    available_mm: float,
    fraction: float,
    etc_mm: float,
    evaporation_mm: float = 0.0,
    rain_mm: float = 0.0,
    runoff_mm: float = 0.0,
    irrigation_mm: float = 0.0,
    capillary_rise_mm: float = 0.0,
) -> Balance:
    """The root zone after a day (FAO-56 eqs. 85 and 88).

    `etc_mm` is the whole demand of the crop with a single coefficient, or with a dual one what it would
    transpire; `evaporation_mm` is then what left the bare soil, which stress does not curb (eq. 80).

    Water comes first, then the crop draws Ks times `etc_mm`, then what is above field capacity drains. Ks
    is taken after the day's water, so a watered day is not charged with yesterday's thirst. Nothing is made
    or lost:

        depletion after = depletion before - (rain - runoff) - irrigation - rise + et + percolation

    Use cannot go beyond the available water. A depletion already beyond it (because `available_mm` shrank)
    is kept, not cut off: cutting it would make water.

    >>> day = daily_balance(55, available_mm=160, fraction=0.40, etc_mm=6)
    >>> round(day.depletion_mm, 1), day.percolation_mm  # FAO-56 Example 37, day 1
    (61.0, 0.0)
    """
    within("crop evapotranspiration", etc_mm, 0, 50, "mm")
    within("evaporation", evaporation_mm, 0, 50, "mm")
    within("rain", rain_mm, 0, 2000, "mm")
    within("runoff", runoff_mm, 0, rain_mm, "mm")
    within("irrigation", irrigation_mm, 0, 2000, "mm")
    within("capillary rise", capillary_rise_mm, 0, 100, "mm")
    watered_mm = depletion_mm - (rain_mm - runoff_mm) - irrigation_mm - capillary_rise_mm
    stress = stress_coefficient(watered_mm, available_mm, fraction)
    et_mm = max(0.0, min(stress * etc_mm + evaporation_mm, available_mm - watered_mm))
    percolation_mm = max(0.0, -(watered_mm + et_mm))
    return Balance(watered_mm + et_mm + percolation_mm, stress, et_mm, percolation_mm)
