"""Sun position and sun times beside pvlib (NREL SPA) and astral, both hemispheres and beyond the polar
circle.
"""

from datetime import UTC, date, datetime, timedelta, timezone

import pandas as pd
import pytest
from astral import Observer
from astral.sun import sunrise as astral_sunrise
from astral.sun import sunset as astral_sunset
from pvlib.solarposition import spa_python

from controller.agronomy.sunlight import sun_elevation_deg, sun_times

PLACES = [(-35.0, 139.0, 10), (-33.9, 18.4, 2), (33.4, -112.1, -7), (52.0, 0.0, 0), (-54.8, -68.3, -3)]
DAYS = [date(2026, 1, 1) + timedelta(days=30 * i) for i in range(12)]


@pytest.mark.published(source="NREL solar position algorithm as in pvlib")
@pytest.mark.parametrize(("latitude", "longitude", "zone_h"), [*PLACES, (70.0, 25.0, 1), (-78.0, 167.0, 12)])
def test_elevation_through_the_year(latitude: float, longitude: float, zone_h: int) -> None:
    moments = pd.date_range("2026-01-01", periods=60, freq="146h", tz="UTC")
    reference = spa_python(moments, latitude, longitude)["elevation"]
    for moment, elevation in zip(moments, reference, strict=True):
        ours = sun_elevation_deg(latitude, longitude, moment.to_pydatetime())
        assert ours == pytest.approx(elevation, abs=0.01)


@pytest.mark.published(source="NREL solar position algorithm as in pvlib")
@pytest.mark.parametrize(("latitude", "longitude", "zone_h"), PLACES)
def test_at_sunrise_and_sunset_the_upper_limb_touches_the_horizon(
    latitude: float, longitude: float, zone_h: int
) -> None:
    events: list[datetime] = []
    for day in DAYS:
        times = sun_times(latitude, longitude, day, timezone(timedelta(hours=zone_h)))
        assert times.sunrise is not None
        assert times.sunset is not None
        events += [times.sunrise, times.sunset]
    elevations = spa_python(pd.DatetimeIndex(events), latitude, longitude)["elevation"]
    assert max(abs(elevations + 0.8333)) <= 0.01


@pytest.mark.published(source="astral 3.2, itself within 36 s of the NREL roots to 60 degrees of latitude")
@pytest.mark.parametrize(("latitude", "longitude", "zone_h"), PLACES)
def test_hours_of_astral(latitude: float, longitude: float, zone_h: int) -> None:
    zone = timezone(timedelta(hours=zone_h))
    observer = Observer(latitude, longitude, 0)
    for day in DAYS:
        times = sun_times(latitude, longitude, day, zone)
        assert times.sunrise is not None
        assert times.sunset is not None
        assert abs(times.sunrise - astral_sunrise(observer, day, tzinfo=zone)) < timedelta(seconds=40)
        assert abs(times.sunset - astral_sunset(observer, day, tzinfo=zone)) < timedelta(seconds=40)


@pytest.mark.published(source="astral 3.2 has no sunrise at 70 N on these days either")
@pytest.mark.parametrize("day", [date(2026, 6, 21), date(2026, 12, 21)])
def test_beyond_the_polar_circle(day: date) -> None:
    assert sun_times(70, 25, day, UTC).sunrise is None
    with pytest.raises(ValueError, match="horizon"):
        astral_sunrise(Observer(70, 25, 0), day)
