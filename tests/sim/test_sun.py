"""The simulated sun against pvlib: independent of the sun of the water balance, and both must be right."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pvlib
import pytest

from controller.sim.sun import clear_sky_w_m2, half_day_h, sine_of_elevation, through_cloud

PLACES = [(38.57, -7.91), (-34.0, 139.0), (33.4, -112.0)]


@pytest.mark.parametrize(("latitude_deg", "longitude_deg"), PLACES)
@pytest.mark.published(source="pvlib, solar position by NREL SPA")
def test_sun_stands_where_pvlib_puts_it(latitude_deg: float, longitude_deg: float) -> None:
    times = pd.date_range("2026-01-01", "2026-12-31", freq="97h", tz="UTC")
    true_deg = pvlib.solarposition.get_solarposition(times, latitude_deg, longitude_deg)["elevation"].to_numpy()
    ours_deg = [np.degrees(np.arcsin(sine_of_elevation(time, latitude_deg, longitude_deg)))
                for time in times.to_pydatetime()]
    assert np.abs(np.array(ours_deg) - true_deg).max() < 1.6   # Cooper's declination is out by up to 1.5°


@pytest.mark.published(source="pvlib, clear-sky model of Haurwitz (1945)")
def test_clear_sky_is_that_of_haurwitz() -> None:
    elevation_deg = np.array([2.0, 10.0, 30.0, 60.0, 90.0])
    expected = pvlib.clearsky.haurwitz(pd.Series(90.0 - elevation_deg))["ghi"].to_numpy()
    ours = [clear_sky_w_m2(float(np.sin(np.radians(degrees)))) for degrees in elevation_deg]
    assert ours == pytest.approx(list(expected), rel=1e-6)


def test_no_sun_at_night() -> None:
    assert clear_sky_w_m2(-0.3) == 0.0
    assert clear_sky_w_m2(0.0) == 0.0


@pytest.mark.published(source="Kasten & Czeplak (1980), from memory: overcast passes a quarter")
def test_overcast_passes_a_quarter() -> None:
    assert through_cloud(0.0) == 1.0
    assert through_cloud(1.0) == 0.25


def test_summer_days_are_long_on_either_half_of_the_earth() -> None:
    june, december = datetime(2026, 6, 21, tzinfo=UTC), datetime(2026, 12, 21, tzinfo=UTC)
    assert half_day_h(june, 38.0) > 7.0 > 5.0 > half_day_h(december, 38.0)
    assert half_day_h(june, -38.0) == pytest.approx(half_day_h(december, 38.0), abs=0.05)
    assert half_day_h(june, 75.0) == 12.0
    assert half_day_h(june + timedelta(days=182), 75.0) == 0.0
