"""Drip lines and weeper hoses: litres and millimetres, evenness, pressure, and the wet soil under an emitter.

Sources by function. Flow in L/h of one emitter or L/h per metre of hose; spacing in metres; 1 mm on 1 m2 is
1 litre.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, pi, sqrt
from statistics import fmean, stdev

from controller.agronomy.ranges import within

# Depth, litres, minutes ---------------------------------------------------------------------------


def application_rate_mm_h(flow_l_h: float, emitter_spacing_m: float, line_spacing_m: float) -> float:
    """Mean rate over the ground, mm/h, of emitters on a grid: q / (Se Sl) (definition).

    >>> round(application_rate_mm_h(1.6, 0.30, 0.40), 2)
    13.33
    """
    within("emitter flow", flow_l_h, 0, 1000, "L/h")
    within("emitter spacing", emitter_spacing_m, 0.01, 20, "m")
    within("line spacing", line_spacing_m, 0.01, 20, "m")
    return flow_l_h / (emitter_spacing_m * line_spacing_m)


def hose_rate_mm_h(flow_l_h_m: float, line_spacing_m: float) -> float:
    """Mean rate over the ground, mm/h, of a weeper hose giving `flow_l_h_m` per metre (definition).

    >>> round(hose_rate_mm_h(7.5, 0.45), 1)
    16.7
    """
    within("hose flow", flow_l_h_m, 0, 1000, "L/h per m")
    within("line spacing", line_spacing_m, 0.01, 20, "m")
    return flow_l_h_m / line_spacing_m


def bed_rate_mm_h(flow_l_min: float, area_m2: float) -> float:
    """Mean rate over a bed, mm/h, from the whole flow into it: the one to trust, since emitters come whole.

    >>> round(bed_rate_mm_h(39 * 1.6 / 60, 1.2 * 4), 1)
    13.0
    """
    within("flow", flow_l_min, 0, 10000, "L/min")
    within("area", area_m2, 0.001, 1e6, "m2")
    return 60 * flow_l_min / area_m2


def gross_mm(net_mm: float, efficiency: float, leaching_fraction: float = 0.0) -> float:
    """Depth to apply, mm, so that `net_mm` stays in the root zone: net / (Ea (1 - LR)).

    From memory for the leaching part (FAO-29). Drip Ea 0.85 to 0.95, weeper hose 0.70 to 0.85 (from memory).

    >>> round(gross_mm(8, 0.90), 3)
    8.889
    """
    within("net depth", net_mm, 0, 1000, "mm")
    within("application efficiency", efficiency, 0.05, 1)
    within("leaching fraction", leaching_fraction, 0, 0.9)
    return net_mm / (efficiency * (1 - leaching_fraction))


def run_time_min(net_mm: float, efficiency: float, rate_mm_h: float) -> float:
    """Minutes of water for a net depth: 60 d / (Ea AR) (definition).

    >>> round(run_time_min(8, 0.90, 13.333), 1)
    40.0
    """
    within("application rate", rate_mm_h, 0.001, 1e5, "mm/h")
    return 60 * gross_mm(net_mm, efficiency) / rate_mm_h


def line_volume_l(bore_mm: float, length_m: float) -> float:
    """Water in a filled line, litres, from its inner diameter (geometry).

    >>> round(line_volume_l(13.6, 30), 2)
    4.36
    """
    within("bore", bore_mm, 0.5, 200, "mm")
    within("length of the line", length_m, 0, 10000, "m")
    return pi / 4 * (bore_mm / 10) ** 2 * length_m / 10


def line_fill_min(bore_mm: float, length_m: float, flow_l_min: float) -> float:
    """Minutes to fill an empty line at the zone's flow. A pulse should last 5 to 10 times this (practice),
    or the near end gets most of it.

    >>> round(line_fill_min(13.6, 30, 4.36), 2)
    1.0
    """
    within("flow", flow_l_min, 0.001, 10000, "L/min")
    return line_volume_l(bore_mm, length_m) / flow_l_min


# Emitters and pressure ----------------------------------------------------------------------------


def flow_ratio(pressure_ratio: float, exponent: float) -> float:
    """Flow as a share of nominal when pressure is this share of nominal: q = k h^x.

    x about 0 for compensating emitters, 0.5 for turbulent ones, 1 for laminar ones and most weeper hoses.

    >>> round(flow_ratio(0.8, 0.5), 3)
    0.894
    """
    within("pressure ratio", pressure_ratio, 0, 10)
    within("emitter exponent", exponent, 0, 1.5)
    return float(pressure_ratio**exponent)


def emitter_exponent(flow_1: float, head_1: float, flow_2: float, head_2: float) -> float:
    """Exponent x of q = k h^x from two measured points (same units in each pair): ln(q2/q1) / ln(h2/h1).

    >>> round(emitter_exponent(1.60, 10, 1.95, 15), 3)
    0.488
    """
    for quantity, value in (("flow", flow_1), ("flow", flow_2), ("head", head_1), ("head", head_2)):
        within(quantity, value, 1e-9, 1e9)
    if head_1 == head_2:
        raise ValueError("the two heads are equal; an exponent needs two different pressures")
    return log(flow_2 / flow_1) / log(head_2 / head_1)


# Evenness -----------------------------------------------------------------------------------------


def design_emission_uniformity_percent(
    manufacturing_cv: float, emitters_per_plant: int, flow_min: float, flow_mean: float
) -> float:
    """Design emission uniformity EU, %: 100 (1 - 1.27 Cv/sqrt(n)) qmin/qavg.

    Keller & Karmeli 1974; ASAE EP405, from memory.

    >>> round(design_emission_uniformity_percent(0.05, 1, 1.50, 1.60), 2)
    87.8
    """
    within("manufacturing variation", manufacturing_cv, 0, 0.7)
    within("emitters per plant", emitters_per_plant, 1, 1000)
    within("mean flow", flow_mean, 1e-9, 1e6)
    within("lowest flow", flow_min, 0, flow_mean)
    return 100 * (1 - 1.27 * manufacturing_cv / sqrt(emitters_per_plant)) * flow_min / flow_mean


@dataclass(frozen=True)
class Uniformity:
    """Evenness of measured emitter flows."""

    mean: float
    low_quarter: float
    """DU_lq: mean of the lowest quarter over the mean of all."""
    variation: float
    """Coefficient of variation, from the sample's standard deviation (n - 1)."""
    statistical_percent: float
    """Us = 100 (1 - s/mean), ASAE EP458."""
    christiansen_percent: float
    """100 (1 - mean deviation / mean)."""


def uniformity(flows: Sequence[float]) -> Uniformity:
    """Evenness of at least four measured flows, in any one unit.

    The lowest quarter of n flows is n/4 of them, rounded down but at least one.

    >>> round(uniformity([1.0, 2.0, 2.0, 3.0]).low_quarter, 2)
    0.5
    """
    within("number of measured flows", len(flows), 4, 1e6)
    for flow in flows:
        within("measured flow", flow, 0, 1e6)
    mean = fmean(flows)
    if mean == 0:
        raise ValueError("all measured flows are nought; there is no evenness to speak of")
    lowest = sorted(flows)[: len(flows) // 4]
    variation = stdev(flows) / mean
    return Uniformity(
        mean=mean,
        low_quarter=fmean(lowest) / mean,
        variation=variation,
        statistical_percent=100 * (1 - variation),
        christiansen_percent=100 * (1 - fmean(abs(flow - mean) for flow in flows) / mean),
    )


def run_time_multiplier(low_quarter: float, strict: bool = False) -> float:
    """Factor on run time that makes up for unevenness: 1/(0.4 + 0.6 DU_lq), or `strict` 1/DU_lq.

    Irrigation Association auditing, from memory; the strict form waters the driest quarter in full.

    >>> round(run_time_multiplier(0.9346), 3), round(run_time_multiplier(0.9346, strict=True), 2)
    (1.041, 1.07)
    """
    within("low-quarter uniformity", low_quarter, 0.05, 1)
    return 1 / low_quarter if strict else 1 / (0.4 + 0.6 * low_quarter)


# Wet soil under an emitter ------------------------------------------------------------------------
# Schwartzman & Zur 1986, J. Irrig. Drain. Eng. 112:242, from memory; the three remembered forms convert
# into each other. Fitted to a loam and a sand and to 4 to 20 L/h: elsewhere it is extrapolation, and for loam
# at low flow it gives bulbs that are too shallow. Started dry; moist soil carries the front deeper.


@dataclass(frozen=True)
class Bulb:
    """Wet soil under a point source: diameter and depth, m."""

    diameter_m: float
    depth_m: float

    def mean_gain(self, volume_l: float) -> float:
        """Mean rise of water content, m3/m3, if `volume_l` fills the half-ellipsoid (2/3) pi (w/2)^2 z."""
        return volume_l / 1000 / (2 / 3 * pi * (self.diameter_m / 2) ** 2 * self.depth_m)


def _conductivity_over_flow(conductivity_mm_h: float, flow_l_h: float) -> float:
    """Ks/q in 1/m2 (m/s over m3/s)."""
    within("saturated conductivity", conductivity_mm_h, 0.01, 1e4, "mm/h")
    within("emitter flow", flow_l_h, 0.01, 1000, "L/h")
    return conductivity_mm_h / flow_l_h  # mm/h over L/h: 1e-3 m over 1e-3 m3, the hours cancel


def wetted_bulb(volume_l: float, conductivity_mm_h: float, flow_l_h: float) -> Bulb:
    """Bulb after `volume_l` from one surface emitter.

    w = 1.82 V^0.22 (Ks/q)^-0.17, z = 2.54 V^0.63 (Ks/q)^0.45; V in m3, Ks in m/s, q in m3/s.

    >>> bulb = wetted_bulb(1, 117.8, 2)  # sand
    >>> round(bulb.diameter_m, 3), round(bulb.depth_m, 3)
    (0.199, 0.205)
    """
    within("volume", volume_l, 0, 1e5, "L")
    ratio = _conductivity_over_flow(conductivity_mm_h, flow_l_h)
    volume_m3 = volume_l / 1000
    return Bulb(1.82 * volume_m3**0.22 * ratio**-0.17, 2.54 * volume_m3**0.63 * ratio**0.45)


def wetted_diameter_m(depth_m: float, conductivity_mm_h: float, flow_l_h: float) -> float:
    """Diameter, m, of the bulb when its front is at `depth_m`: w = 1.32 z^0.35 (q/Ks)^0.33.

    >>> round(wetted_diameter_m(0.205, 117.8, 2), 2)
    0.2
    """
    within("depth", depth_m, 0, 10, "m")
    return float(1.32 * depth_m**0.35 * _conductivity_over_flow(conductivity_mm_h, flow_l_h) ** -0.33)


def largest_volume_l(depth_m: float, conductivity_mm_h: float, flow_l_h: float) -> float:
    """Most water, litres, from one emitter whose front stays above `depth_m`: the depth formula turned round.

    >>> round(largest_volume_l(0.30, 117.8, 2), 2)
    1.83
    """
    within("depth", depth_m, 0, 10, "m")
    ratio = _conductivity_over_flow(conductivity_mm_h, flow_l_h)
    return float(1000 * (depth_m / 2.54 * ratio**-0.45) ** (1 / 0.63))


def storage_volume_l(depletion_mm: float, wetted_diameter: float) -> float:
    """Net water, litres, that one emitter's wetted circle can store: depletion times area (geometry).

    >>> round(storage_volume_l(8.4, 0.25), 3)
    0.412
    """
    within("depletion", depletion_mm, 0, 1000, "mm")
    within("wetted diameter", wetted_diameter, 0, 10, "m")
    return depletion_mm * pi / 4 * wetted_diameter**2


def saturated_radius_m(flow_l_h: float, conductivity_mm_h: float, alpha_1_cm: float) -> float:
    """Radius, m, of the pond under an emitter in the end: q = Ks (pi r^2 + 4 r/alpha).

    Wooding 1968, Water Resour. Res. 4:1259, from memory. alpha, 1/cm: coarse sand 0.36, most structured
    soils 0.12, fine unstructured 0.04 (Elrick & Reynolds, from memory). A pond wider than half the emitter
    spacing, or on a slope, runs: pulse it, or use smaller emitters.

    >>> round(100 * saturated_radius_m(2, 117.8, 0.36), 1)  # sand, cm
    5.8
    """
    within("alpha", alpha_1_cm, 0.001, 10, "1/cm")
    area_m2 = 1 / _conductivity_over_flow(conductivity_mm_h, flow_l_h)
    reach_m = 4 / (100 * alpha_1_cm)
    return (-reach_m + sqrt(reach_m**2 + 4 * pi * area_m2)) / (2 * pi)
