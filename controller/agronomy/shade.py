"""Reference evapotranspiration under shade cloth or a tree's crown, and behind shelter from the wind.

Cloth cuts the sun that reaches the leaves, not the clouds' share of the long-wave exchange: it scales the
net short-wave radiation, while Rs/Rso stays that of the open sky. A net slows the wind too, by about 0.4 in
one study (Tanny & Cohen 2003). In dry heat cloth alone saves less than its percentage, and shelter is worth
as much. Published savings under screens run from 17 to 50 % of ET (Mahmood et al. 2018).
"""

from collections.abc import Sequence

from controller.agronomy.ranges import within
from controller.agronomy.reference_et import (
    net_longwave_daily_mj_m2,
    net_shortwave_mj_m2,
    penman_monteith_daily_mm,
    sky_clearness,
)
from controller.agronomy.sunlight import clear_sky_mj_m2, extraterrestrial_daily_mj_m2


def shaded_et0_mm(
    *,
    tmax_c: float,
    tmin_c: float,
    latitude_deg: float,
    elevation_m: float,
    day_of_year: int,
    vapour_kpa: float,
    wind_2m_m_s: float,
    solar_mj_m2: float,
    shade: float,
    wind_factor: float = 1.0,
) -> float:
    """FAO-56 eq. 6 with Rns times (1 - shade) and wind times `wind_factor`, mm a day; weather as in the open.

    >>> round(shaded_et0_mm(tmax_c=44, tmin_c=25, latitude_deg=-34, elevation_m=50, day_of_year=15,
    ...                     vapour_kpa=1.122, wind_2m_m_s=2.992, solar_mj_m2=30.0, shade=0.5), 1)
    7.8
    """
    within("shade", shade, 0, 1)
    within("wind factor", wind_factor, 0, 1)
    within("wind", wind_2m_m_s, 0, 60, "m/s")
    within("solar radiation", solar_mj_m2, 0, 50, "MJ/m2")
    within("vapour pressure", vapour_kpa, 0, 10, "kPa")
    clear_sky = clear_sky_mj_m2(extraterrestrial_daily_mj_m2(latitude_deg, day_of_year), elevation_m)
    longwave = net_longwave_daily_mj_m2(tmax_c, tmin_c, vapour_kpa, sky_clearness(solar_mj_m2, clear_sky))
    return penman_monteith_daily_mm(
        net_radiation_mj_m2=(1 - shade) * net_shortwave_mj_m2(solar_mj_m2) - longwave,
        soil_heat_mj_m2=0.0,
        tmax_c=tmax_c,
        tmin_c=tmin_c,
        vapour_kpa=vapour_kpa,
        wind_2m_m_s=wind_factor * wind_2m_m_s,
        elevation_m=elevation_m,
    )


def shade_of_part_of_the_day(shade: float, ra_by_hour: Sequence[float], shaded_hours: Sequence[int]) -> float:
    """Shade of the whole day, 0 to 1, where it falls in some hours only: weighed by Ra of those hours.

    >>> round(shade_of_part_of_the_day(0.5, [0, 1, 2, 1, 0], shaded_hours=[2]), 2)
    0.25
    """
    within("shade", shade, 0, 1)
    whole = sum(ra_by_hour)
    return shade * sum(ra_by_hour[hour] for hour in shaded_hours) / whole if whole > 0 else 0.0
