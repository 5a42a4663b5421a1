"""How long water may run before the ground sheds it, and how long it must then rest.

Two views of the same limit. Cycle and soak: the surface holds a little water in its hollows and takes in at
a steady rate (Irrigation Association 2005; the rest is the mass balance of that store). Ponding: fresh dry
soil takes more at first (Horton; Green & Ampt; Philip). Rates and depths are those at the spot where the
water lands.

Units: rates in mm/h, depths in mm, times in minutes.
"""

from dataclasses import dataclass
from math import ceil, inf, log

from controller.agronomy.ranges import within


def longest_on_min(rate_mm_h: float, intake_mm_h: float, store_mm: float) -> float:
    """Longest run, min, that fills the surface store and no more: 60 ASA / (PR - IR); endless when PR <= IR.

    Source: the cycle-and-soak equation of the Irrigation Association.

    >>> round(longest_on_min(1.40 * 25.4, 0.50 * 25.4, 0.26 * 25.4), 2)  # zone 3 of the IA's virtual zones
    17.33
    """
    within("application rate", rate_mm_h, 0, 1e5, "mm/h")
    within("intake rate", intake_mm_h, 0.01, 1e5, "mm/h")
    within("surface store", store_mm, 0, 1000, "mm")
    return 60 * store_mm / (rate_mm_h - intake_mm_h) if rate_mm_h > intake_mm_h else inf


def rest_min(on_min: float, rate_mm_h: float, intake_mm_h: float) -> float:
    """Rest, min, after which the surface store is empty again: t (PR - IR) / IR; none when PR <= IR.

    Mass balance: over one run and its rest the mean rate is the intake rate.

    >>> round(rest_min(16, 30, 10.16), 2)
    31.24
    """
    within("on-time", on_min, 0, 1e6, "min")
    within("intake rate", intake_mm_h, 0.01, 1e5, "mm/h")
    return on_min * max(0.0, rate_mm_h - intake_mm_h) / intake_mm_h


@dataclass(frozen=True)
class Cycles:
    """`count` runs of `on_min` minutes with `rest_min` minutes between them."""

    count: int
    on_min: float
    rest_min: float

    @property
    def elapsed_min(self) -> float:
        """From the first opening to the last closing, min."""
        return self.count * self.on_min + max(0, self.count - 1) * self.rest_min


def cycles(gross_mm: float, rate_mm_h: float, intake_mm_h: float, store_mm: float) -> Cycles:
    """Fewest equal runs that put `gross_mm` on without runoff, and the rest that each needs.

    With no surface store and a rate above the intake there is no such number: ValueError.

    >>> plan = cycles(16, rate_mm_h=30, intake_mm_h=10.16, store_mm=7.366)
    >>> plan.count, round(plan.on_min, 1), round(plan.rest_min, 2), round(plan.elapsed_min, 2)
    (2, 16.0, 31.24, 63.24)
    """
    within("gross depth", gross_mm, 0, 1000, "mm")
    within("application rate", rate_mm_h, 0.01, 1e5, "mm/h")
    longest = longest_on_min(rate_mm_h, intake_mm_h, store_mm)
    if longest <= 0:
        raise ValueError(
            f"application rate {rate_mm_h:g} mm/h is above the intake of {intake_mm_h:g} mm/h and nothing "
            "may stand on the surface: no run is short enough"
        )
    total_min = 60 * gross_mm / rate_mm_h
    # The hair's breadth keeps a run that just fits from being cut in two by rounding.
    count = ceil(total_min / longest - 1e-9)
    if count == 0:
        return Cycles(0, 0.0, 0.0) if gross_mm == 0 else Cycles(1, total_min, 0.0)
    on_min = total_min / count
    return Cycles(count, on_min, rest_min(on_min, rate_mm_h, intake_mm_h))


@dataclass(frozen=True)
class Runoff:
    """Water shed, mm: `direct` by a run too long in itself, `soak` after a rest too short."""

    direct_mm: float
    soak_mm: float


def runoff(plan: Cycles, rate_mm_h: float, intake_mm_h: float, store_mm: float) -> Runoff:
    """What a run of cycles sheds, by the surface store's mass balance, starting empty.

    While on, the store rises by (PR - IR) t / 60; while off it falls by IR t / 60, between nothing and full
    (daily procedure of the Irrigation Association's test of controllers, from memory).

    >>> shed = runoff(Cycles(2, 17, 10), rate_mm_h=1.40 * 25.4, intake_mm_h=0.50 * 25.4, store_mm=0.26 * 25.4)
    >>> round(shed.direct_mm, 4), round(shed.soak_mm / 25.4, 4)
    (0.0, 0.1667)
    """
    rise_mm = (rate_mm_h - intake_mm_h) * plan.on_min / 60
    drain_mm = intake_mm_h * plan.rest_min / 60
    direct_mm = max(0.0, rise_mm - store_mm)
    standing_mm = shed_mm = 0.0
    for _ in range(plan.count):
        standing_mm = max(0.0, standing_mm + rise_mm)
        over_mm = max(0.0, standing_mm - store_mm)
        shed_mm += over_mm
        standing_mm = max(0.0, standing_mm - over_mm - drain_mm)
    return Runoff(plan.count * direct_mm, max(0.0, shed_mm - plan.count * direct_mm))


def horton_on_min(initial_mm_h: float, final_mm_h: float, decay_1_h: float, rate_mm_h: float) -> float:
    """Run, min, until ponding where intake falls from f0 to fc as Horton's equation (the "Hung equation").

    t = [f0 - P + fc ln((f0 - fc)/(P - fc))] / (P b), by time compression. Endless when P <= fc, nothing when
    P >= f0.

    >>> round(horton_on_min(120, 30, 4, 60), 2)
    23.24
    """
    within("initial intake", initial_mm_h, 0, 1e5, "mm/h")
    within("final intake", final_mm_h, 0, initial_mm_h, "mm/h")
    within("decay of intake", decay_1_h, 1e-6, 1e4, "1/h")
    if rate_mm_h <= final_mm_h:
        return inf
    if rate_mm_h >= initial_mm_h:
        return 0.0
    f0, fc, p = initial_mm_h, final_mm_h, rate_mm_h
    return 60 * (f0 - p + fc * log((f0 - fc) / (p - fc))) / (p * decay_1_h)


def green_ampt_ponding_min(
    conductivity_mm_h: float, suction_mm: float, deficit: float, rate_mm_h: float
) -> float:
    """Time until a uniform rate ponds, min: Ks psi dTheta / (P (P - Ks)); endless when P <= Ks.

    `deficit` is the water content still to fill, m3/m3: effective porosity times (1 - saturation).
    Source: Mein & Larson 1973 on Green & Ampt 1911. The depth gone in by then is `rate` times the time.

    >>> round(green_ampt_ponding_min(10.9, 110.1, 0.412 * 0.6, 40), 2)  # sandy loam at saturation 0.4
    15.29
    """
    within("saturated conductivity", conductivity_mm_h, 0, 1e5, "mm/h")
    within("suction at the wetting front", suction_mm, 0, 1e5, "mm")
    within("moisture deficit", deficit, 0, 1, "m3/m3")
    if rate_mm_h <= conductivity_mm_h:
        return inf
    return 60 * conductivity_mm_h * suction_mm * deficit / (rate_mm_h * (rate_mm_h - conductivity_mm_h))


def sorptivity_mm_h05(conductivity_mm_h: float, suction_mm: float, deficit: float) -> float:
    """Sorptivity S, mm per square root of an hour, of a Green-Ampt soil: S^2 = 2 Ks psi dTheta.

    >>> round(sorptivity_mm_h05(10.9, 110.1, 0.412 * 0.6), 2)
    24.36
    """
    within("moisture deficit", deficit, 0, 1, "m3/m3")
    return float((2 * conductivity_mm_h * suction_mm * deficit) ** 0.5)


def philip_ponding_min(sorptivity: float, final_mm_h: float, rate_mm_h: float) -> float:
    """Time until a uniform rate ponds, min, after Philip's two-term equation, by time compression.

    t = S^2 (P - A/2) / (2 P (P - A)^2), S in mm/h^0.5 and A in mm/h; endless when P <= A.

    >>> round(philip_ponding_min(24.36, 10.9, 40), 1)
    18.2
    """
    within("final intake", final_mm_h, 0, 1e5, "mm/h")
    if rate_mm_h <= final_mm_h:
        return inf
    p, a = rate_mm_h, final_mm_h
    return 60 * sorptivity**2 * (p - a / 2) / (2 * p * (p - a) ** 2)
