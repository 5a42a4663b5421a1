"""Reference evapotranspiration: the water a short, well-watered grass would use, from the day's weather.

Source: Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, chapters 2 to 4; equation
numbers are its own. Temperature in degrees Celsius, pressure in kPa, radiation in MJ/m2 of the period, wind
in m/s at 2 m, elevation in metres above the sea, water in mm of the period.

The page limits Rs/Rso from above only. ASCE-EWRI (2005) and most libraries also hold it at 0.3 or more, which
lowers the result by up to 2 % on a heavily overcast day; we follow the page.
"""

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Literal

from controller.agronomy.ranges import within
from controller.agronomy.sunlight import (
    clear_sky_mj_m2,
    extraterrestrial_daily_mj_m2,
    solar_from_temperature_mj_m2,
)

ASSUMED_WIND_M_S = 2.0
"""Wind where none is measured (FAO-56 p. 63): the mean of over 2000 stations."""

FAO_HOURLY_DRAG = (0.34, 0.34)
"""Wind coefficients of the denominator by day and by night, as printed in eq. 53."""

ASCE_HOURLY_DRAG = (0.24, 0.96)
"""The same in ASCE-EWRI (2005); Allen et al. 2006 recommend them for FAO-56 too."""


@dataclass(frozen=True)
class ReferenceEt:
    """Reference evapotranspiration of a day, its method, and a plain sentence for every guess in it."""

    mm: float
    method: Literal["FAO-56 Penman-Monteith", "Hargreaves"]
    assumed: tuple[str, ...]


# Pieces -------------------------------------------------------------------------------------------


def _check_temperature(quantity: str, value_c: float) -> None:
    within(quantity, value_c, -50, 60, "°C")


def saturation_kpa(temperature_c: float) -> float:
    """Saturation vapour pressure e°(T), kPa (FAO-56 eq. 11).

    >>> round(saturation_kpa(24.5), 3)  # FAO-56 Example 3
    3.075
    """
    _check_temperature("temperature", temperature_c)
    return 0.6108 * exp(17.27 * temperature_c / (temperature_c + 237.3))


def mean_saturation_kpa(tmax_c: float, tmin_c: float) -> float:
    """Saturation vapour pressure of a day, es, kPa: mean of both ends, not e° of the mean (FAO-56 eq. 12).

    >>> round(mean_saturation_kpa(24.5, 15), 2)  # FAO-56 Example 3
    2.39
    """
    return (saturation_kpa(tmax_c) + saturation_kpa(tmin_c)) / 2


def slope_kpa_per_c(temperature_c: float) -> float:
    """Slope of the saturation curve, kPa/°C (FAO-56 eq. 13).

    >>> round(slope_kpa_per_c(30), 3)  # FAO-56 Annex 2, Table 2.4
    0.243
    """
    return 4098 * saturation_kpa(temperature_c) / (temperature_c + 237.3) ** 2


def pressure_kpa(elevation_m: float) -> float:
    """Air pressure, kPa, at an elevation (FAO-56 eq. 7).

    >>> round(pressure_kpa(1800), 1)  # FAO-56 Example 2
    81.8
    """
    within("elevation", elevation_m, -450, 6000, "m")
    return float(101.3 * ((293 - 0.0065 * elevation_m) / 293) ** 5.26)


def psychrometric_kpa_per_c(pressure: float) -> float:
    """Psychrometric constant, kPa/°C, from the air pressure in kPa (FAO-56 eq. 8).

    >>> round(psychrometric_kpa_per_c(81.8), 3)  # FAO-56 Example 2
    0.054
    """
    within("air pressure", pressure, 40, 110, "kPa")
    return 0.665e-3 * pressure


def vapour_from_humidity_kpa(
    tmax_c: float, tmin_c: float, rh_max_percent: float, rh_min_percent: float
) -> float:
    """Actual vapour pressure ea, kPa, from the day's extremes of humidity (FAO-56 eq. 17).

    >>> round(vapour_from_humidity_kpa(25, 18, 82, 54), 2)  # FAO-56 Example 5
    1.7
    """
    within("minimum relative humidity", rh_min_percent, 0, 100, "%")
    within("maximum relative humidity", rh_max_percent, rh_min_percent, 100, "%")
    return (saturation_kpa(tmin_c) * rh_max_percent / 100 + saturation_kpa(tmax_c) * rh_min_percent / 100) / 2


def vapour_from_maximum_humidity_kpa(tmin_c: float, rh_max_percent: float) -> float:
    """Actual vapour pressure ea, kPa, from the highest humidity alone (FAO-56 eq. 18).

    >>> round(vapour_from_maximum_humidity_kpa(18, 82), 2)  # FAO-56 Example 5
    1.69
    """
    within("maximum relative humidity", rh_max_percent, 0, 100, "%")
    return saturation_kpa(tmin_c) * rh_max_percent / 100


def vapour_from_mean_humidity_kpa(tmax_c: float, tmin_c: float, rh_mean_percent: float) -> float:
    """Actual vapour pressure ea, kPa, from the mean humidity (FAO-56 eq. 19).

    >>> round(vapour_from_mean_humidity_kpa(25, 18, 68), 2)  # FAO-56 Example 5
    1.78
    """
    within("mean relative humidity", rh_mean_percent, 0, 100, "%")
    return rh_mean_percent / 100 * mean_saturation_kpa(tmax_c, tmin_c)


def vapour_from_psychrometer_kpa(
    dry_c: float, wet_c: float, pressure: float, coefficient: float = 0.000662
) -> float:
    """Actual vapour pressure ea, kPa, from wet and dry bulb (FAO-56 eqs. 15 and 16).

    `pressure` in kPa; the coefficient, 1/°C, is that of a ventilated instrument.

    >>> round(vapour_from_psychrometer_kpa(25.6, 19.5, 87.9), 2)  # FAO-56 Example 4
    1.91
    """
    within("wet-bulb temperature", wet_c, -50, dry_c, "°C")
    return saturation_kpa(wet_c) - coefficient * pressure * (dry_c - wet_c)


def wind_at_2m(wind_m_s: float, height_m: float) -> float:
    """Wind at 2 m over grass, m/s, from wind measured at `height_m`, 1 to 100 m (FAO-56 eq. 47).

    >>> round(wind_at_2m(3.2, 10), 1)  # FAO-56 Example 14
    2.4
    """
    within("wind", wind_m_s, 0, 60, "m/s")
    within("height of the wind sensor", height_m, 1, 100, "m")
    return wind_m_s * 4.87 / log(67.8 * height_m - 5.42)


def net_shortwave_mj_m2(solar_mj_m2: float) -> float:
    """Net short-wave radiation Rns of a grass with albedo 0.23, MJ/m2 (FAO-56 eq. 38).

    >>> round(net_shortwave_mj_m2(14.5), 1)  # FAO-56 Example 12
    11.2
    """
    return 0.77 * solar_mj_m2


def sky_clearness(solar_mj_m2: float, clear_sky: float) -> float:
    """Rs/Rso, at most 1 (FAO-56, below eq. 39); taken as clear where the sun does not rise.

    >>> round(sky_clearness(14.5, 18.8), 2)  # FAO-56 Example 11
    0.77
    """
    return min(solar_mj_m2 / clear_sky, 1.0) if clear_sky > 0 else 1.0


def net_longwave_daily_mj_m2(tmax_c: float, tmin_c: float, vapour_kpa: float, clearness: float) -> float:
    """Net outgoing long-wave radiation Rnl of a day, MJ/m2 (FAO-56 eq. 39); `clearness` is Rs/Rso.

    >>> round(net_longwave_daily_mj_m2(25.1, 19.1, 2.1, 14.5 / 18.8), 1)  # FAO-56 Example 11
    3.5
    """
    return (
        4.903e-9
        * ((tmax_c + 273.16) ** 4 + (tmin_c + 273.16) ** 4) / 2
        * (0.34 - 0.14 * sqrt(vapour_kpa))
        * (1.35 * clearness - 0.35)
    )


def net_longwave_hourly_mj_m2(temperature_c: float, vapour_kpa: float, clearness: float) -> float:
    """Net outgoing long-wave radiation Rnl of an hour, MJ/m2 (FAO-56 eq. 39 as used for eq. 53).

    >>> round(net_longwave_hourly_mj_m2(28, 3.402, 0.8), 3)  # FAO-56 Example 19
    0.1
    """
    return (
        2.043e-10
        * (temperature_c + 273.16) ** 4
        * (0.34 - 0.14 * sqrt(vapour_kpa))
        * (1.35 * clearness - 0.35)
    )


def monthly_soil_heat_mj_m2(previous_month_c: float, next_month_c: float) -> float:
    """Soil heat flux G of a month, MJ/m2 a day, from the mean temperatures beside it (FAO-56 eq. 43).

    >>> round(monthly_soil_heat_mj_m2(14.1, 18.8), 2)  # FAO-56 Example 13
    0.33
    """
    return 0.07 * (next_month_c - previous_month_c)


def soil_heat_from_previous_month_mj_m2(previous_month_c: float, month_c: float) -> float:
    """Soil heat flux G of a month, MJ/m2 a day, when the next month is not known (FAO-56 eq. 44).

    >>> round(soil_heat_from_previous_month_mj_m2(29.2, 30.2), 2)  # FAO-56 Example 17
    0.14
    """
    return 0.14 * (month_c - previous_month_c)


# The equations ------------------------------------------------------------------------------------


def penman_monteith_daily_mm(
    *,
    net_radiation_mj_m2: float,
    soil_heat_mj_m2: float,
    tmax_c: float,
    tmin_c: float,
    vapour_kpa: float,
    wind_2m_m_s: float,
    elevation_m: float,
) -> float:
    """Reference evapotranspiration of a day, mm (FAO-56 eq. 6), from net radiation; at least 0.

    >>> round(penman_monteith_daily_mm(net_radiation_mj_m2=13.28, soil_heat_mj_m2=0, tmax_c=21.5, tmin_c=12.3,
    ...       vapour_kpa=1.409, wind_2m_m_s=2.078, elevation_m=100), 2)  # FAO-56 Example 18
    3.88
    """
    mean_c = (tmax_c + tmin_c) / 2
    delta = slope_kpa_per_c(mean_c)
    gamma = psychrometric_kpa_per_c(pressure_kpa(elevation_m))
    deficit = max(0.0, mean_saturation_kpa(tmax_c, tmin_c) - vapour_kpa)
    et0 = (
        0.408 * delta * (net_radiation_mj_m2 - soil_heat_mj_m2)
        + gamma * 900 / (mean_c + 273) * wind_2m_m_s * deficit
    ) / (delta + gamma * (1 + 0.34 * wind_2m_m_s))
    return max(0.0, et0)


def hargreaves_mm(tmax_c: float, tmin_c: float, ra_mj_m2: float) -> float:
    """Reference evapotranspiration of a day, mm, from temperature alone (FAO-56 eq. 52); at least 0.

    Blind to wind and dryness: in a hot gale it sees six tenths of the demand.

    >>> round(hargreaves_mm(26.6, 14.8, 40.555), 1)  # FAO-56 Example 20, "near 5"
    5.0
    """
    _check_day_temperatures(tmax_c, tmin_c)
    mean_c = (tmax_c + tmin_c) / 2
    return max(0.0, 0.0023 * (mean_c + 17.8) * sqrt(tmax_c - tmin_c) * 0.408 * ra_mj_m2)


def _check_day_temperatures(tmax_c: float, tmin_c: float) -> None:
    _check_temperature("maximum temperature", tmax_c)
    _check_temperature("minimum temperature", tmin_c)
    if tmin_c > tmax_c:
        raise ValueError(f"minimum temperature {tmin_c} °C is above the maximum {tmax_c} °C; swapped?")


def daily_et0(
    *,
    tmax_c: float,
    tmin_c: float,
    latitude_deg: float,
    elevation_m: float,
    day_of_year: int,
    vapour_kpa: float | None = None,
    wind_2m_m_s: float | None = None,
    solar_mj_m2: float | None = None,
    soil_heat_mj_m2: float = 0.0,
    coastal: bool = False,
) -> ReferenceEt:
    """Reference evapotranspiration of a day (FAO-56 eq. 6), filling gaps as FAO-56 chapter 3 does.

    Without humidity the dew point is the night's minimum (eq. 48), without wind it is 2 m/s, without
    radiation it comes from the span of temperature (eq. 50). With none of the three, Hargreaves (eq. 52).
    Every guess is named in `assumed`. Raises ValueError, naming the quantity, for numbers outside what the
    Earth's surface offers.

    >>> daily_et0(tmax_c=26.6, tmin_c=14.8, latitude_deg=45.72, elevation_m=200, day_of_year=196,
    ...           wind_2m_m_s=2.0).assumed
    ('no humidity: the dew point is taken as the lowest temperature of the day', \
"no radiation: the sun is guessed from the span of the day's temperatures")
    """
    _check_day_temperatures(tmax_c, tmin_c)
    within("elevation", elevation_m, -450, 6000, "m")
    within("soil heat flux", soil_heat_mj_m2, -20, 20, "MJ/m2")
    if vapour_kpa is not None:
        within("vapour pressure", vapour_kpa, 0, 10, "kPa")
    if wind_2m_m_s is not None:
        within("wind", wind_2m_m_s, 0, 60, "m/s")
    if solar_mj_m2 is not None:
        within("solar radiation", solar_mj_m2, 0, 50, "MJ/m2")
    ra = extraterrestrial_daily_mj_m2(latitude_deg, day_of_year)

    if vapour_kpa is None and wind_2m_m_s is None and solar_mj_m2 is None:
        only = "no humidity, wind or radiation: from temperatures alone, which misses dry wind"
        return ReferenceEt(hargreaves_mm(tmax_c, tmin_c, ra), "Hargreaves", (only,))

    assumed = []
    if vapour_kpa is None:
        vapour_kpa = saturation_kpa(tmin_c)
        assumed.append("no humidity: the dew point is taken as the lowest temperature of the day")
    if wind_2m_m_s is None:
        wind_2m_m_s = ASSUMED_WIND_M_S
        assumed.append("no wind: 2 m/s is taken")
    if solar_mj_m2 is None:
        solar_mj_m2 = solar_from_temperature_mj_m2(ra, tmax_c, tmin_c, elevation_m, coastal)
        assumed.append("no radiation: the sun is guessed from the span of the day's temperatures")

    clearness = sky_clearness(solar_mj_m2, clear_sky_mj_m2(ra, elevation_m))
    net_radiation = net_shortwave_mj_m2(solar_mj_m2) - net_longwave_daily_mj_m2(
        tmax_c, tmin_c, vapour_kpa, clearness
    )
    et0 = penman_monteith_daily_mm(
        net_radiation_mj_m2=net_radiation,
        soil_heat_mj_m2=soil_heat_mj_m2,
        tmax_c=tmax_c,
        tmin_c=tmin_c,
        vapour_kpa=vapour_kpa,
        wind_2m_m_s=wind_2m_m_s,
        elevation_m=elevation_m,
    )
    return ReferenceEt(et0, "FAO-56 Penman-Monteith", tuple(assumed))


def hourly_et0(
    *,
    temperature_c: float,
    vapour_kpa: float,
    wind_2m_m_s: float,
    solar_mj_m2: float,
    clearness: float,
    elevation_m: float,
    drag: tuple[float, float] = FAO_HOURLY_DRAG,
) -> float:
    """Reference evapotranspiration of an hour, mm (FAO-56 eq. 53); at least 0.

    `clearness` is Rs/Rso of the hour; at night that of two to three hours before sunset. `drag` are the
    wind coefficients by day and night, day being Rn >= 0. Soil heat is 0.1 Rn by day and 0.5 Rn by night
    (eqs. 45, 46).

    >>> round(hourly_et0(temperature_c=38, vapour_kpa=3.445, wind_2m_m_s=3.3, solar_mj_m2=2.450,
    ...                  clearness=0.922, elevation_m=8), 2)  # FAO-56 Example 19
    0.63
    """
    _check_temperature("temperature", temperature_c)
    within("vapour pressure", vapour_kpa, 0, 10, "kPa")
    within("wind", wind_2m_m_s, 0, 60, "m/s")
    within("solar radiation", solar_mj_m2, 0, 6, "MJ/m2")
    within("clearness (Rs/Rso)", clearness, 0, 1)
    net_radiation = net_shortwave_mj_m2(solar_mj_m2) - net_longwave_hourly_mj_m2(
        temperature_c, vapour_kpa, clearness
    )
    day = net_radiation >= 0
    soil_heat = (0.1 if day else 0.5) * net_radiation
    delta = slope_kpa_per_c(temperature_c)
    gamma = psychrometric_kpa_per_c(pressure_kpa(elevation_m))
    deficit = max(0.0, saturation_kpa(temperature_c) - vapour_kpa)
    et0 = (
        0.408 * delta * (net_radiation - soil_heat)
        + gamma * 37 / (temperature_c + 273) * wind_2m_m_s * deficit
    ) / (delta + gamma * (1 + drag[0 if day else 1] * wind_2m_m_s))
    return max(0.0, et0)
