"""How much water the air draws from a short green cover in an hour: the simulated garden's own formula.

Makkink's radiation term less a constant, plus a drying term of wind and vapour deficit in Penman's form; no
net radiation. Not the Penman-Monteith equation of the water balance, and some percent apart from it, on purpose.
"""

import math

from controller.core.forecast import Hour
from controller.sim.sky import vapour_kpa

LATENT_HEAT_MJ_KG = 2.45
RADIATION_SHARE = 0.60       # Makkink (1957): 0.61
RADIATED_MM_H = 0.035        # radiated back; Makkink (1957): 0.12 mm a day, with no drying term
DRYING_MM_H_KPA = 0.11       # Penman (1963) has 6.43 / 2.45 / 24 = 0.109
WIND_FACTOR_S_M = 0.54       # Penman (1948)


def demand_mm(hour: Hour, elevation_m: float) -> float:
    """Potential evapotranspiration of the hour [mm]; never negative: dew is not counted.

    [Δ (R Rs / λ − L) + γ D (1 + 0.54 u2) (es − ea)] / (Δ + γ), Rs in MJ m-2 h-1, pressures in kPa.
    """
    assert hour.humidity_percent is not None
    assert hour.wind_10m_m_s is not None
    assert hour.solar_w_m2 is not None
    saturation_kpa = vapour_kpa(hour.temperature_c)
    slope_kpa_k = saturation_kpa * 17.625 * 243.04 / (hour.temperature_c + 243.04) ** 2
    psychrometric_kpa_k = 0.0673 * math.exp(-elevation_m / 8430.0)
    radiation_mm = RADIATION_SHARE * hour.solar_w_m2 * 0.0036 / LATENT_HEAT_MJ_KG - RADIATED_MM_H
    wind_2m_m_s = 0.75 * hour.wind_10m_m_s
    deficit_kpa = saturation_kpa * (1.0 - hour.humidity_percent / 100.0)
    drying_mm = DRYING_MM_H_KPA * (1.0 + WIND_FACTOR_S_M * wind_2m_m_s) * deficit_kpa
    drawn_mm = slope_kpa_k * radiation_mm + psychrometric_kpa_k * drying_mm
    return max(0.0, drawn_mm / (slope_kpa_k + psychrometric_kpa_k))
