"""The plants of a zone on a day: coefficients, roots, wetted ground, shade, mulch, beside the pages they are from."""

from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.agronomy.crop import CROPS
from controller.agronomy.dual_crop import covered_fraction, exposed_fraction, exposed_fraction_drip
from controller.agronomy.reference_et import saturation_kpa, vapour_from_humidity_kpa, wind_at_2m
from controller.agronomy.sunlight import extraterrestrial_hourly_mj_m2
from controller.core.hands import MULCH_BACK, SHADE_UP
from controller.core.moment import local_midnight
from controller.core.plants import (
    LEAST_WETTED,
    ROOTS_OF_SEEDLINGS_M,
    Plants,
    evaporation_mm,
    plants_on,
    roots_on,
    shade_on,
    wetted_share,
)
from controller.core.site import Hours, Line, Mulch, Pots, Shade, Site, Zone
from controller.core.soil import new_bed, rain_on, wet
from controller.core.weather import DayWeather, WeatherBook, et0_under, take_forecast
from tests.agronomy.printed import printed
from tests.core.gardens import LISBON, a_forecast, a_site, a_zone

DAY = date(2026, 7, 15)
START = local_midnight(DAY, LISBON)


def of(zone: Zone, *hands: str, day: date = DAY, weather: DayWeather | None = None, site: Site | None = None) -> Plants:
    """A zone's plants on a day: of that weather, or of one of 33 degC."""
    site = replace(site or a_site(), zones=(zone,))
    if weather is not None:
        return plants_on(zone, site, WeatherBook(forecast={day: weather}, issued=START), day, START, hands)
    book = take_forecast(WeatherBook(), a_forecast(local_midnight(day, LISBON), [33.0]), site)
    return plants_on(zone, site, book, day, START, hands)


def a_day(rh_min_percent: float, wind_2m_m_s: float) -> DayWeather:
    """33 degC with that humidity at its hottest hour."""
    vapour_kpa = rh_min_percent / 100.0 * saturation_kpa(33.0)
    return DayWeather(DAY, 33.0, 17.0, "forecast", vapour_kpa=vapour_kpa, wind_2m_m_s=wind_2m_m_s, solar_mj_m2=28.0)


# Coefficients -------------------------------------------------------------------------------------

WARM_SEASON_TURF = (0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55)


@pytest.mark.published(source="University of California, monthly turf coefficients (Meyer et al. 1985), warm season")
def test_a_lawn_goes_by_the_calendar_of_its_country() -> None:
    lawn = a_zone(crop=replace(CROPS["mint"], kcb_months=WARM_SEASON_TURF), planted=None)
    found = [of(lawn, day=date(2026, month, 10)).kcb for month in range(1, 13)]
    assert found == list(WARM_SEASON_TURF)



@pytest.mark.published(source="FAO-56 (1998), Example 27: maize, Kc mid 1.20, 2 m high (eq. 70 has the form of eq. 62)")
@pytest.mark.parametrize(("wind", "humidity", "expected"), [(4.6, 44.0, "1.30"), (1.3, 75.0, "1.07")])
def test_the_basal_coefficient_is_moved_to_the_climate_of_the_day(wind: float, humidity: float, expected: str) -> None:
    maize = replace(CROPS["sweet corn"], kcb_mid=1.20, height_m=2.0)
    assert of(a_zone(crop=maize, planted=None), weather=a_day(humidity, wind)).kcb == printed(expected)


@pytest.mark.published(source="FAO-56 (1998), Example 35: Kc max 1.212 at 1.6 m/s, 35 %, 0.3 m, Kcb 0.30")
def test_the_ceiling_of_the_handbooks_young_crop_and_a_small_coefficient_that_stays() -> None:
    young = replace(CROPS["lettuce"], kcb_mid=0.30, height_m=0.3)
    plants = of(a_zone(crop=young, planted=None), weather=a_day(35.0, 1.6))
    assert plants.kc_max == printed("1.212")
    assert plants.kcb == 0.30


@pytest.mark.published(source="FAO-56 (1998), Tables 11 and 17: tomato 30/40/45/30 days, Kcb 0.15, 1.10, 0.70")
@pytest.mark.parametrize(("age", "kcb"), [(10, 0.15), (50, 0.625), (90, 1.10), (145, 0.70), (300, 0.70)])
def test_the_stage_of_the_crop_is_counted_from_its_planting(age: int, kcb: float) -> None:
    """At 45 % and 2 m/s, for which the tables hold."""
    zone = a_zone(planted=DAY - timedelta(days=age))
    assert of(zone, weather=a_day(45.0, 2.0)).kcb == pytest.approx(kcb)


def test_what_nobody_measured_is_taken_as_a_dry_light_summer_day() -> None:
    bare = DayWeather(DAY, 33.0, 17.0, "monthly normal")
    assert of(a_zone(), weather=bare).kcb == of(a_zone(), weather=a_day(25.0, 2.0)).kcb


# Ground and roots ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("rate_mm_h", "share"), [(17.8, 1.0), (36.0, 0.5), (60.0, 0.3), (500.0, LEAST_WETTED)])
def test_the_wetted_share_is_the_lines_flow_over_its_rate(rate_mm_h: float, share: float) -> None:
    """3 L/min are 180 L/h: at 60 mm/h they come down on 3 of the 10 m2. The available water is that of this ground."""
    zone = a_zone(line=Line("drippers", flow_l_min=3.0, rate_mm_h=rate_mm_h), root_depth_m=0.4)
    plants = of(zone)
    assert wetted_share(zone) == plants.wetted == pytest.approx(share)
    assert plants.available_mm == pytest.approx(share * 1000.0 * 0.4 * (0.15 - 0.065))
    assert plants.scale_mm == pytest.approx(share * 400.0)


def test_pots_are_wetted_whole_however_few_their_drippers() -> None:
    line = Line("drippers", flow_l_min=0.5, rate_mm_h=100.0)
    assert wetted_share(a_zone(line=line)) == LEAST_WETTED
    assert wetted_share(a_zone(line=line, pots=Pots(12, 30.0))) == 1.0


def test_seedlings_are_trusted_with_shallow_roots_until_they_are_established() -> None:
    planted = date(2026, 6, 28)
    zone = a_zone(crop=CROPS["tomato"], planted=planted, tender=True, tender_until=planted + timedelta(days=21))
    assert roots_on(zone, planted) == 0.15
    assert roots_on(zone, planted + timedelta(days=20)) == ROOTS_OF_SEEDLINGS_M
    assert roots_on(zone, planted + timedelta(days=21)) == pytest.approx(0.15 + 0.3 * 0.55)
    assert roots_on(replace(zone, root_depth_m=0.5), planted) == 0.5, "the gardener's own word goes first"
    assert roots_on(replace(zone, tender_until=None), DAY + timedelta(days=90)) == ROOTS_OF_SEEDLINGS_M
    assert roots_on(replace(zone, planted=None, tender=False, tender_until=None), DAY) == 0.7


# Shade --------------------------------------------------------------------------------------------


AFTERNOON = Hours(time(12), time(17))


def sun_between(first_hour: int, last_hour: int) -> float:
    """The share of the day's extraterrestrial sun in some hours of Lisbon's summer time (UTC + 1)."""
    ra = [extraterrestrial_hourly_mj_m2(38.57, -7.91, 15.0, DAY.timetuple().tm_yday, h + 0.5) for h in range(24)]
    return sum(ra[first_hour:last_hour]) / sum(ra)


def test_shade_of_some_hours_takes_their_part_of_the_suns_day() -> None:
    """Beside FAO-56's own hourly sun (eq. 28); half a cosine wave is not quite it, so within 0.03."""
    zone = a_zone(shades=(Shade("tree", 0.5, hours=AFTERNOON),))
    assert shade_on(zone, a_site(zone), DAY, ())[0] == pytest.approx(0.5 * sun_between(12, 17), abs=0.03)
    whole = a_zone(shades=(Shade("tree", 0.5),))
    assert shade_on(whole, a_site(whole), DAY, ())[0] == pytest.approx(0.5)
    other = a_zone(shades=(Shade("wall", 0.5, hours=Hours(time(17), time(12))),))
    both = shade_on(zone, a_site(zone), DAY, ())[0] + shade_on(other, a_site(other), DAY, ())[0]
    assert both == pytest.approx(0.5), "the hours across midnight are the rest of the day"


def test_a_tree_that_sheds_its_leaves_shades_in_its_months_only() -> None:
    zone = a_zone(shades=(Shade("tree", 0.4, months=frozenset({5, 6, 7, 8, 9})),))
    assert shade_on(zone, a_site(zone), DAY, ())[0] == pytest.approx(0.4)
    assert shade_on(zone, a_site(zone), date(2026, 12, 15), ())[0] == 0.0


def test_a_cloth_shades_once_hands_have_put_it_up() -> None:
    zone = a_zone(shades=(Shade("cloth", 0.5, wind_factor=0.6, by_hand=True),))
    assert shade_on(zone, a_site(zone), DAY, ()) == (0.0, 1.0)
    assert shade_on(zone, a_site(zone), DAY, (SHADE_UP,)) == (0.5, 0.6)
    up, down = of(zone, SHADE_UP), of(zone)
    assert (up.shade, down.shade) == (0.5, 0.0)
    assert up.et0_mm < 0.75 * down.et0_mm == 0.75 * down.open_et0_mm == 0.75 * up.open_et0_mm
    assert up.transpiration_mm < 0.75 * down.transpiration_mm


def test_of_two_shadows_each_leaves_its_part() -> None:
    zone = a_zone(shades=(Shade("tree", 0.5, wind_factor=0.8), Shade("cloth", 0.3, wind_factor=0.6)))
    assert list(shade_on(zone, a_site(zone), DAY, ())) == pytest.approx([1.0 - 0.5 * 0.7, 0.8 * 0.6])


HOT = DayWeather(
    date(2026, 1, 15), 44.0, 25.0, "forecast",
    vapour_kpa=vapour_from_humidity_kpa(44, 25, 45, 9), wind_2m_m_s=wind_at_2m(4, 10), solar_mj_m2=30.0,
)


@pytest.mark.published(source="computed from FAO-56 eq. 6 with Rns and wind cut, open-sky Rs/Rso in Rnl")
@pytest.mark.parametrize(
    ("share", "wind_factor", "et0"),
    [(0.3, 1.0, "9.13"), (0.5, 1.0, "7.83"), (0.7, 1.0, "6.52"), (0.3, 0.6, "6.88"), (0.5, 0.6, "5.49")],
)
def test_the_demand_under_a_cloth(share: float, wind_factor: float, et0: str) -> None:
    site = a_site(latitude_deg=-34.0, elevation_m=50.0)
    zone = a_zone(shades=(Shade("cloth", share, wind_factor=wind_factor),))
    plants = of(zone, day=HOT.day, weather=HOT, site=site)
    assert plants.et0_mm == printed(et0)
    assert plants.open_et0_mm == printed("11.09")


def test_shade_leaves_the_plants_more_of_their_water_without_stress() -> None:
    """The depletion fraction follows the demand (note of FAO-56 Table 22)."""
    assert of(a_zone(shades=(Shade("cloth", 0.5),))).fraction > of(a_zone()).fraction + 0.05


# Evaporation --------------------------------------------------------------------------------------


def test_what_is_bare_and_wet_is_by_the_kind_of_line() -> None:
    """FAO-56 eq. 75 under a sprinkler, p. 149 under drip, of the same young plants."""
    crop = replace(CROPS["lettuce"], kcb_mid=0.6)
    for kind, exposed_by in (("micro-spray", exposed_fraction), ("dripline", exposed_fraction_drip)):
        plants = of(a_zone(crop=crop, planted=None, line=Line(kind, 3.0, 45.0)))  # type: ignore[arg-type]
        covered = covered_fraction(plants.kcb, plants.kc_max, crop.height_m)
        assert 0.2 < covered < 0.6
        assert plants.exposed == pytest.approx(exposed_by(covered, 0.4))


def drying(plants: Plants, top_mm: float, share: float = 1.0) -> float:
    return evaporation_mm(plants, top_mm, plants.wetted, 11.5, 6.0, share)


@pytest.mark.published(source="FAO-56 (1998), chapter 10: organic mulch everywhere halves evaporation; from memory")
def test_mulch_halves_what_the_ground_gives_and_pulled_back_it_does_nothing() -> None:
    bare = a_zone(planted=DAY - timedelta(days=20))
    straw = replace(bare, mulch=Mulch("straw", 6.0, cover=1.0, evaporation_cut=0.5, under_line=True))
    half = replace(bare, mulch=Mulch("straw", 6.0, cover=0.5, evaporation_cut=0.5, under_line=True))
    open_mm = drying(of(bare), 2.0)
    assert open_mm > 2.0
    assert drying(of(straw), 2.0) == pytest.approx(0.5 * open_mm)
    assert drying(of(half), 2.0) == pytest.approx(0.75 * open_mm)
    assert drying(of(straw, MULCH_BACK), 2.0) == open_mm


@settings(deadline=None)
@given(st.floats(0.0, 11.5), st.floats(0.0, 1.0), st.integers(0, 100), st.floats(0.05, 1.0), st.booleans())
def test_the_ground_never_gives_more_than_its_top_layer_holds(
    top_mm: float, share: float, age: int, wetting: float, spray: bool
) -> None:
    line = Line("micro-spray" if spray else "dripline", 3.0, 30.0)
    plants = of(a_zone(planted=DAY - timedelta(days=age), line=line))
    gives_mm = evaporation_mm(plants, top_mm, wetting, 11.5, 6.0, share)
    assert 0.0 <= gives_mm <= plants.exposed_by(wetting) * (11.5 - top_mm) + 1e-9
    assert plants.transpiration_mm * share + gives_mm <= plants.kc_max * plants.et0_mm * share + 1e-9
    assert evaporation_mm(plants, 11.5, wetting, 11.5, 6.0, share) == 0.0


@pytest.mark.published(source="FAO-56 (1998), chapter 7 and Table 20: from 3 mm on rain wets all of the ground")
def test_rain_that_wets_all_ground_lets_all_that_is_bare_evaporate() -> None:
    """And the next watering wets its own strip again; rain in small reports counts as what it comes to."""
    zone = a_zone(planted=DAY - timedelta(days=20), line=Line("dripline", 3.0, 60.0))
    plants, bed = of(zone), new_bed(zone, a_site(zone), START)
    rained = rain_on(rain_on(bed, 2.0), 0.9)
    assert rained.wetting == plants.wetted == pytest.approx(0.3)
    rained = rain_on(rained, 0.2)
    assert rained.wetting == 1.0
    assert plants.exposed_by(1.0) == pytest.approx(1.0 - plants.covered)
    assert drying(plants, 2.0) < evaporation_mm(plants, 2.0, 1.0, 11.5, 6.0, 1.0)
    assert wet(rained, zone, 3.0, START).wetting == plants.wetted


def test_a_drier_top_gives_less_and_young_plants_let_the_ground_give_more() -> None:
    young, grown = (of(a_zone(planted=DAY - timedelta(days=age))) for age in (10, 90))
    given = [drying(young, top_mm, 0.2) for top_mm in (0.0, 4.0, 8.0, 10.0, 11.5)]
    assert given == sorted(given, reverse=True)
    assert drying(young, 0.0) > 3.0 * drying(grown, 0.0)


# Stress -------------------------------------------------------------------------------------------


def test_stress_begins_where_the_easy_water_ends_and_a_bed_that_holds_more_bears_more() -> None:
    plants = of(a_zone(root_depth_m=0.4))
    assert plants.stress(plants.readily_mm) == 1.0
    assert plants.stress(plants.readily_mm + 1.0) < 1.0 == plants.stress(plants.readily_mm + 1.0, 1.2)
    assert plants.stress(plants.available_mm) == 0.0 < plants.stress(plants.available_mm, 1.2)
    assert plants.stress(-10.0) == 1.0


def test_shade_is_reckoned_without_a_word_on_sun_wind_or_humidity() -> None:
    """From temperatures alone, by the handbook's own fall-backs: less than in the open, and in its range."""
    weather = DayWeather(date(2026, 7, 15), 38.0, 20.0, "season guess")
    site = a_site()
    in_the_open = et0_under(weather, site, 0.0, 1.0)
    assert 6.0 < in_the_open < 9.0
    assert 0.4 * in_the_open < et0_under(weather, site, 0.5, 1.0) < 0.85 * in_the_open
