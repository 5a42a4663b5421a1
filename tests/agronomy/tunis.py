"""Real weather to test with: Tunis, every day from 1979-01-01 to 2002-05-31.

Source: the open example data that the package aquacrop (3.1.0) carries, `tunis_climate.txt`: minimum and
maximum temperature, °C, rain and reference evapotranspiration, mm. The place is not in the file; that of the
airport is taken.
"""

from datetime import date
from functools import cache
from typing import NamedTuple

import pandas as pd
from aquacrop.utils import get_filepath, prepare_weather

LATITUDE_DEG, LONGITUDE_DEG, ELEVATION_M = 36.85, 10.23, 4.0


class Day(NamedTuple):
    date: date
    tmin_c: float
    tmax_c: float
    rain_mm: float
    et0_mm: float


@cache
def table() -> pd.DataFrame:
    """The days as a table by date, with the columns MinTemp, MaxTemp, Precipitation and ReferenceET."""
    return prepare_weather(get_filepath("tunis_climate.txt")).set_index("Date")


def days(first: date, last: date) -> list[Day]:
    """The days from `first` to `last`, both included."""
    rows = table().loc[str(first):str(last)].itertuples()
    return [Day(moment.date(), *map(float, numbers)) for moment, *numbers in rows]
