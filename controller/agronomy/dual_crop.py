"""The dual crop coefficient: what plants transpire and what the bare wet soil evaporates, kept apart.

Source: Allen et al. 1998, FAO-56, chapter 7; equation numbers are its own. Coefficients and fractions
without unit, water in mm. Depletions of the top layer (De) are those of the wetted strip, not means over
the bed: 20 mm over a bed of which four tenths are wetted are 50 mm in the strip.

The page's daily step lets a thin sandy layer evaporate more than it holds on a hot day, and a clamp hides
it. Here evaporation stops at what the layer has, so that no water is made. Water comes at the start of the
day, as in the page's Example 35.
"""

from dataclasses import dataclass

from controller.agronomy.crop import climate_term
from controller.agronomy.ranges import within

BARE_SOIL_KC = 0.15
"""Least Kc, of dry bare soil (FAO-56: 0.15 to 0.20)."""

RAIN_THAT_WETS_ALL_MM = 3.0
"""From about this much rain the whole surface counts as wet (FAO-56 chapter 7)."""


def ceiling(wind_2m_m_s: float, rh_min_percent: float, height_m: float, kcb: float) -> float:
    """Upper limit of Kcb + Ke, Kc max (FAO-56 eq. 72).

    >>> round(ceiling(1.6, 35, 0.3, 0.35), 3)  # FAO-56 Example 35
    1.212
    """
    within("basal crop coefficient", kcb, 0, 2)
    return max(1.2 + climate_term(wind_2m_m_s, rh_min_percent, height_m), kcb + 0.05)


def covered_fraction(kcb: float, kc_max: float, height_m: float, kc_min: float = BARE_SOIL_KC) -> float:
    """Share of the ground covered by leaves, fc, 0 to 0.99 (FAO-56 eq. 76).

    >>> round(covered_fraction(1.10, 1.25, 0.6), 4)
    0.8265
    """
    within("crop height", height_m, 0, 100, "m")
    within("Kc of bare soil", kc_min, 0, 0.5)
    within("ceiling of Kc", kc_max, kc_min + 0.01, 3)
    share = max(0.0, min(1.0, (kcb - kc_min) / (kc_max - kc_min)))
    return float(min(0.99, share ** (1 + 0.5 * height_m)))


def wetted_fraction(before: float, rain_mm: float, irrigation_mm: float, line_fraction: float) -> float:
    """Share of the ground that the last water wetted, fw (FAO-56 Table 20, from memory).

    Rain from 3 mm wets all of it, a watering its own share `line_fraction` (drip 0.3 to 0.4, sprinkler 1.0);
    otherwise the share of the day before stays.

    >>> wetted_fraction(0.4, 6.0, 0.0, 0.4), wetted_fraction(1.0, 0.0, 8.0, 0.4)
    (1.0, 0.4)
    """
    within("wetted fraction of the line", line_fraction, 0.01, 1)
    if rain_mm >= RAIN_THAT_WETS_ALL_MM:
        return 1.0
    return line_fraction if irrigation_mm > 0 else before


def exposed_fraction(covered: float, wetted: float) -> float:
    """Share of the ground both bare and wet, few, at least 0.01 (FAO-56 eq. 75).

    >>> round(exposed_fraction(0.8265, 0.35), 4)
    0.1735
    """
    within("covered fraction", covered, 0, 1)
    within("wetted fraction", wetted, 0, 1)
    return max(0.01, min(1 - covered, wetted))


def exposed_fraction_drip(covered: float, wetted: float) -> float:
    """The same where drippers stand under the leaves (FAO-56 p. 149, from memory).

    few = min(1 - fc, (1 - 2/3 fc) fw)

    >>> round(exposed_fraction_drip(0.8265, 0.35), 4)
    0.1572
    """
    within("covered fraction", covered, 0, 1)
    within("wetted fraction", wetted, 0, 1)
    return max(0.01, min(1 - covered, (1 - 2 / 3 * covered) * wetted))


def evaporation_reduction(depletion_mm: float, readily_mm: float, total_mm: float) -> float:
    """Reduction of evaporation as the top layer dries, Kr, 0 to 1 (FAO-56 eq. 74), from De, REW and TEW.

    >>> round(evaporation_reduction(11, 8, 18), 2)  # FAO-56 Example 35, day 3, from rounded De
    0.7
    """
    within("total evaporable water", total_mm, 0.1, 200, "mm")
    within("readily evaporable water", readily_mm, 0, 0.999 * total_mm, "mm")
    return max(0.0, min(1.0, (total_mm - depletion_mm) / (total_mm - readily_mm)))


def evaporation_coefficient(reduction: float, kc_max: float, kcb: float, exposed: float) -> float:
    """Evaporation coefficient Ke = min(Kr (Kc max - Kcb), few Kc max) (FAO-56 eq. 71).

    >>> round(evaporation_coefficient(1.0, 1.212, 0.30, 0.80), 2)  # FAO-56 Example 35, day 1
    0.91
    """
    return max(0.0, min(reduction * (kc_max - kcb), exposed * kc_max))


@dataclass(frozen=True)
class TopLayer:
    """A day of the evaporating layer: evaporation over the bed, the rest in the wet strip."""

    depletion_start_mm: float
    """De after the day's water."""
    reduction: float
    ke: float
    evaporation_mm: float
    depletion_mm: float
    """De at the end of the day."""
    percolation_mm: float
    """Passed on to the roots below; not lost."""


def daily_top_layer(
    depletion_mm: float,
    *,
    et0_mm: float,
    kcb: float,
    kc_max: float,
    exposed: float,
    wetted: float,
    readily_mm: float,
    total_mm: float,
    rain_mm: float = 0.0,
    runoff_mm: float = 0.0,
    irrigation_mm: float = 0.0,
) -> TopLayer:
    """The evaporating layer after a day (FAO-56 eqs. 71, 74, 77 and 79).

    Water first, then evaporation, at most what the layer still holds: E <= few (TEW - De). Nothing is made
    or lost:

        De after = De before - (rain - runoff) - irrigation / fw + E / few + percolation

    `irrigation_mm` is the mean over the bed.

    >>> day = daily_top_layer(18, et0_mm=4.5, kcb=0.30, kc_max=1.212, exposed=0.80, wetted=0.80, readily_mm=8,
    ...                       total_mm=18, irrigation_mm=40)
    >>> round(day.evaporation_mm, 1), round(day.depletion_mm), day.percolation_mm  # FAO-56 Example 35, day 1
    (4.1, 5, 32.0)
    """
    within("reference evapotranspiration", et0_mm, 0, 50, "mm")
    within("rain", rain_mm, 0, 2000, "mm")
    within("runoff", runoff_mm, 0, rain_mm, "mm")
    within("irrigation", irrigation_mm, 0, 2000, "mm")
    within("wetted fraction", wetted, 0.01, 1)
    within("exposed fraction", exposed, 0.01, 1)
    watered_mm = depletion_mm - (rain_mm - runoff_mm) - irrigation_mm / wetted
    percolation_mm = max(0.0, -watered_mm)
    start_mm = watered_mm + percolation_mm
    reduction = evaporation_reduction(start_mm, readily_mm, total_mm)
    possible_mm = evaporation_coefficient(reduction, kc_max, kcb, exposed) * et0_mm
    evaporation_mm = min(possible_mm, exposed * max(0.0, total_mm - start_mm))
    return TopLayer(
        depletion_start_mm=start_mm,
        reduction=reduction,
        ke=evaporation_mm / et0_mm if et0_mm > 0 else 0.0,
        evaporation_mm=evaporation_mm,
        depletion_mm=start_mm + evaporation_mm / exposed,
        percolation_mm=percolation_mm,
    )
