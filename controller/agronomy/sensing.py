"""From what a soil probe says to water content or tension.

Permittivity (capacitance and time-domain probes) gives water content, m3/m3; granular-matrix probes give
tension, kPa. On sand the useful range lies between 1 and 15 kPa, where granular-matrix probes hardly
respond and a tension that trebles is a water content that hardly moves: a volume probe and a tensiometer
see different things there.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt
from types import MappingProxyType

from controller.agronomy.ranges import within

CM_PER_KPA = 10.197
"""Height of water that weighs one kPa."""


def topp(permittivity: float) -> float:
    """Water content, m3/m3, from relative permittivity (Topp, Davis & Annan 1980, Water Resour. Res. 16:574).

    Mineral soils, permittivity 1 to 60. Never negative.

    >>> round(topp(10), 4)
    0.1883
    """
    within("relative permittivity", permittivity, 1, 81)
    e = permittivity
    return max(0.0, -0.053 + 0.0292 * e - 5.5e-4 * e**2 + 4.3e-6 * e**3)


def permittivity_topp(water_content: float) -> float:
    """Relative permittivity from water content: Topp's second fit, from memory.

    It is not the exact inverse of the first: there and back is up to 0.015 m3/m3 off (permittivity 3 to 34).

    >>> round(permittivity_topp(0.1883), 1)
    9.4
    """
    within("water content", water_content, 0, 0.6, "m3/m3")
    w = water_content
    return 3.03 + 9.3 * w + 146 * w**2 - 76.7 * w**3


def ledieu(permittivity: float) -> float:
    """Water content, m3/m3, from the root of permittivity (Ledieu et al. 1986, from memory). Never negative.

    >>> round(ledieu(10), 4)
    0.1841
    """
    within("relative permittivity", permittivity, 1, 81)
    return max(0.0, 0.1138 * sqrt(permittivity) - 0.1758)


def thompson_armstrong_kpa(resistance_kohm: float, soil_c: float = 21.0) -> float:
    """Tension, kPa, of a granular-matrix probe (Thompson & Armstrong 1987), for 10 to 100 kPa.

    psi = R / (0.01306 [1.062 (34.21 - T + 0.01060 T^2) - R]), R in kilo-ohms, T soil temperature. A
    resistance so high that the curve has no answer is refused.

    >>> round(thompson_armstrong_kpa(5))
    27
    """
    within("resistance", resistance_kohm, 0, 1000, "kOhm")
    within("soil temperature", soil_c, 0, 50, "°C")
    room = 1.062 * (34.21 - soil_c + 0.01060 * soil_c**2) - resistance_kohm
    if room <= 0:
        raise ValueError(
            f"resistance {resistance_kohm:g} kOhm is beyond the curve at {soil_c:g} °C; is the probe dry?"
        )
    return resistance_kohm / (0.01306 * room)


def granular_linear_kpa(resistance_kohm: float, soil_c: float = 21.0) -> float:
    """Tension, kPa, of a granular-matrix probe by the straight line of a sensor manual (temperature term
    from memory).

    >>> round(granular_linear_kpa(5), 1)
    33.3
    """
    within("resistance", resistance_kohm, 0, 1000, "kOhm")
    within("soil temperature", soil_c, 0, 50, "°C")
    return max(0.0, 7.407 * resistance_kohm / (1 - 0.018 * (soil_c - 21)) - 3.704)


def shock_kpa(resistance_kohm: float, soil_c: float = 21.0) -> float:
    """Tension, kPa, of a granular-matrix probe (Shock et al. 1998, from memory).

    >>> round(shock_kpa(5), 1)
    28.9
    """
    within("resistance", resistance_kohm, 0, 40, "kOhm")
    within("soil temperature", soil_c, 0, 40, "°C")
    return (4.093 + 3.213 * resistance_kohm) / (1 - 0.009733 * resistance_kohm - 0.01205 * soil_c)


@dataclass(frozen=True)
class RetentionCurve:
    """Van Genuchten's water retention curve (1980): water contents in m3/m3, alpha in 1/cm."""

    residual: float
    saturated: float
    alpha_1_cm: float
    n: float

    def water_content(self, tension_kpa: float) -> float:
        """theta = theta_r + (theta_s - theta_r) / [1 + (alpha h)^n]^(1 - 1/n).

        >>> round(RETENTION["sand"].water_content(10), 4)
        0.0492
        """
        within("tension", tension_kpa, 0, 1e6, "kPa")
        wet = (1 + (self.alpha_1_cm * tension_kpa * CM_PER_KPA) ** self.n) ** (1 / self.n - 1)
        return float(self.residual + (self.saturated - self.residual) * wet)

    def tension_kpa(self, water_content: float) -> float:
        """The curve turned round: h = (Se^(-n/(n - 1)) - 1)^(1/n) / alpha; above residual, to saturation.

        >>> round(RETENTION["sand"].tension_kpa(0.0763), 1)
        3.0
        """
        within("water content", water_content, self.residual + 1e-9, self.saturated, "m3/m3")
        share = (water_content - self.residual) / (self.saturated - self.residual)
        head_cm = (share ** (-self.n / (self.n - 1)) - 1) ** (1 / self.n) / self.alpha_1_cm
        return float(head_cm / CM_PER_KPA)

    def field_capacity(self) -> float:
        """Water content at which free drainage has become negligible, m3/m3 (Assouline & Or 2014, from
        memory).

        Se = [1 + ((n - 1)/n)^(1 - 2n)]^((1 - n)/n)

        >>> round(RETENTION["sand"].field_capacity(), 4)
        0.1445
        """
        n = self.n
        share = (1 + ((n - 1) / n) ** (1 - 2 * n)) ** ((1 - n) / n)
        return float(self.residual + (self.saturated - self.residual) * share)


RETENTION: Mapping[str, RetentionCurve] = MappingProxyType({
    "sand": RetentionCurve(0.045, 0.43, 0.145, 2.68),
    "loamy sand": RetentionCurve(0.057, 0.41, 0.124, 2.28),
    "sandy loam": RetentionCurve(0.065, 0.41, 0.075, 1.89),
    "loam": RetentionCurve(0.078, 0.43, 0.036, 1.56),
    "silt loam": RetentionCurve(0.067, 0.45, 0.020, 1.41),
    "sandy clay loam": RetentionCurve(0.100, 0.39, 0.059, 1.48),
    "clay loam": RetentionCurve(0.095, 0.41, 0.019, 1.31),
    "clay": RetentionCurve(0.068, 0.38, 0.008, 1.09),
})
"""Carsel & Parrish 1988 (clay loam and clay from memory). For the shape of the curve, not for amounts:
taken between 10 and 1500 kPa this sand would hold a tenth of the available water of FAO-56 Table 19.
"""
