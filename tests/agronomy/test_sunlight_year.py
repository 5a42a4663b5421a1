"""Sunrise and sunset on every day of a year beside pvlib (NREL SPA): within a minute, or rightly not at all.

pvlib's own rise-and-set function is off by minutes where the event falls on the neighbouring UTC date, so
its elevation is asked: a minute before sunrise the sun's centre must be under -0.8333 degrees, a minute after
over it. That holds beyond the polar circles too, to the last day before the sun stays up or down.
"""

from datetime import date, datetime, timedelta, timezone
from functools import cache

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from pvlib.solarposition import hour_angle, spa_python

from controller.agronomy.sunlight import SunTimes, sun_times

YEAR = [date(2026, 1, 1) + timedelta(days=number) for number in range(365)]
PLACES = [(-34.9, 138.6, 10), (36.85, 10.23, 1), (59.9, -150.0, -9), (69.7, 18.9, 1), (-77.8, 166.7, 12)]
MINUTE = timedelta(minutes=1)
UPPER_LIMB_DEG = -0.8333
"""The sun's centre when its upper limb touches the horizon: 34' of refraction and 16' of radius."""


@cache
def year_at(latitude: float, longitude: float, zone_h: int) -> tuple[SunTimes, ...]:
    zone = timezone(timedelta(hours=zone_h))
    return tuple(sun_times(latitude, longitude, day, zone) for day in YEAR)


def over_horizon_deg(latitude: float, longitude: float, moments: list[datetime]) -> NDArray[np.float64]:
    elevation = spa_python(pd.DatetimeIndex(moments), latitude, longitude)["elevation"]
    return np.asarray(elevation, float) - UPPER_LIMB_DEG


@pytest.mark.published(source="NREL solar position algorithm as in pvlib 0.16.1, every day of 2026")
@pytest.mark.parametrize(("latitude", "longitude", "zone_h"), PLACES)
@pytest.mark.parametrize(("event", "upwards"), [("sunrise", 1), ("sunset", -1)])
def test_within_a_minute_on_every_day(
    latitude: float, longitude: float, zone_h: int, event: str, upwards: int
) -> None:
    moments = [at for times in year_at(latitude, longitude, zone_h) if (at := getattr(times, event))]
    assert len(moments) > 100
    below = over_horizon_deg(latitude, longitude, [at - upwards * MINUTE for at in moments])
    above = over_horizon_deg(latitude, longitude, [at + upwards * MINUTE for at in moments])
    assert np.all(below < 0)
    assert np.all(above > 0)


@pytest.mark.published(source="NREL equation of time as in pvlib 0.16.1, every day of 2026")
@pytest.mark.parametrize(("latitude", "longitude", "zone_h"), PLACES)
def test_noon_within_a_minute_on_every_day(latitude: float, longitude: float, zone_h: int) -> None:
    noons = pd.DatetimeIndex([times.noon for times in year_at(latitude, longitude, zone_h)])
    equation = spa_python(noons, latitude, longitude)["equation_of_time"]
    assert np.max(np.abs(hour_angle(noons, longitude, equation))) < 15 / 60


@pytest.mark.published(source="NREL solar position algorithm as in pvlib 0.16.1, every day of 2026")
@pytest.mark.parametrize(("latitude", "longitude", "zone_h"), PLACES)
def test_where_an_event_is_missing_the_sun_does_not_cross(
    latitude: float, longitude: float, zone_h: int
) -> None:
    """Sampled every ten minutes of the half day in question. Beyond the polar circles both kinds occur."""
    up: list[datetime] = []
    down: list[datetime] = []
    for times in year_at(latitude, longitude, zone_h):
        for event, half in ((times.sunrise, -1), (times.sunset, 1)):
            if event is None:
                half_day = [times.noon + half * timedelta(minutes=minutes) for minutes in range(0, 721, 10)]
                (down if times.always == "polar night" else up).extend(half_day)
    assert bool(up) == bool(down) == (abs(latitude) > 66.5)
    if up:
        assert np.min(over_horizon_deg(latitude, longitude, up)) > -0.01
        assert np.max(over_horizon_deg(latitude, longitude, down)) < 0.01


@pytest.mark.parametrize("latitude", [-90.0, -66.6, 66.6, 90.0])
def test_every_day_has_an_answer_at_the_poles_and_the_polar_circles(latitude: float) -> None:
    for times in year_at(latitude, 0.0, 0):
        if times.always == "rises":
            assert times.sunrise or times.sunset
        else:
            assert times.sunrise is None
            assert times.sunset is None
