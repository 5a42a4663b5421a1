"""The simulated air's thirst: near a standard library's reference evapotranspiration, and not the same."""

from datetime import timedelta
from statistics import fmean

import numpy as np
import pytest
import refet

from controller.sim.demand import demand_mm
from controller.sim.sky import Sky, hot_week, vapour_kpa
from tests.sim.plots import MONDAY, site
from tests.sim.test_sky import hours_of


@pytest.mark.published(source="RefET library, ASCE standardized short reference, daily")
def test_summer_days_are_within_some_percent_of_a_library() -> None:
    place = site()
    sky = Sky(place, 5, hot_week(MONDAY))
    ratios = []
    for offset in range(-40, 40):
        day = MONDAY + timedelta(days=offset)
        hours = hours_of(sky, day)
        vapour = fmean(vapour_kpa(h.temperature_c) * (h.humidity_percent or 0.0) / 100.0 for h in hours)
        reference = refet.Daily(
            tmax=max(h.temperature_c for h in hours), tmin=min(h.temperature_c for h in hours), ea=vapour,
            rs=sum(h.solar_w_m2 or 0.0 for h in hours) * 0.0036, uz=fmean(h.wind_10m_m_s or 0.0 for h in hours),
            zw=10.0, elev=place.elevation_m, lat=place.latitude_deg, doy=day.timetuple().tm_yday,
            method="asce", rso_type="simple").eto()
        ratios.append(sum(demand_mm(h, place.elevation_m) for h in hours) / float(np.ravel(reference)[0]))
    assert 0.95 < fmean(ratios) < 1.12
    assert min(ratios) > 0.8
    assert max(ratios) < 1.25
    assert max(ratios) - min(ratios) > 0.02   # a formula of its own, not a copy


def test_never_negative() -> None:
    sky = Sky(site(), 5)
    for offset in range(0, 365, 5):
        assert min(demand_mm(h, 0.0) for h in hours_of(sky, MONDAY + timedelta(days=offset))) >= 0.0
