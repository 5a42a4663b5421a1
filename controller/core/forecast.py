"""The project's own forecast: what every forecast source is turned into, and what a simulated garden hands out.

A missing value is None and stays None: an hour without a rain figure is not a dry hour.
"""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Hour:
    """The weather of the hour that begins at `start`.

    start: UTC instant on the full hour.
    temperature_c: air temperature at 2 m, mean of the hour [degC].
    humidity_percent: relative humidity at 2 m, 0 to 100.
    wind_10m_m_s: wind speed at 10 m [m/s]; the balance reduces it to 2 m (FAO-56 eq. 47).
    solar_w_m2: global short-wave radiation, mean of the hour [W/m2].
    rain_mm: rain that falls within the hour [mm].
    rain_probability: probability of rain within the hour, 0 to 1.
    """

    start: datetime
    temperature_c: float
    humidity_percent: float | None = None
    wind_10m_m_s: float | None = None
    solar_w_m2: float | None = None
    rain_mm: float | None = None
    rain_probability: float | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """Hours in order, without repeats, from one source.

    source: who said so, for the log ("open-meteo", "simulated").
    issued: when it was fetched, UTC; its age is counted from here.
    """

    source: str
    issued: datetime
    hours: tuple[Hour, ...]
