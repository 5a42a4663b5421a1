"""More sun, wind or heat never lowers what a day asks for, nor what plants take; where that is not so, why.

The Penman-Monteith equation has three honest exceptions. Each is left out by name, and shown below to be one:

- More sun is also a clearer sky, which lets more long-wave radiation out. Where a clear day brings little
  (winter, high latitudes) the loss is the larger. With a clear sky of 22 MJ/m2 and more it never is.
- More wind over moist sunny grass cools it more than it dries it. At a saturation deficit of 1 kPa and more
  (a dry summer's day) it never does.
- In still air a hotter surface may only radiate more: over some 40 °C, or where the sun brings little. FAO-56
  (p. 63, from memory) takes at least 0.5 m/s; with that, summer's sun and up to 50 °C it never is so.
"""

from collections.abc import Sequence
from math import isclose

from hypothesis import assume, given
from hypothesis import strategies as st

from controller.agronomy.crop import CROPS
from controller.agronomy.dual_crop import (
    ceiling,
    covered_fraction,
    daily_top_layer,
    exposed_fraction_drip,
)
from controller.agronomy.reference_et import (
    daily_et0,
    hargreaves_mm,
    hourly_et0,
    mean_saturation_kpa,
    saturation_kpa,
)
from controller.agronomy.root_zone import daily_balance, depletion_fraction
from controller.agronomy.sunlight import clear_sky_mj_m2, extraterrestrial_daily_mj_m2

A_HAIR = 1e-9
SUMMER_CLEAR_SKY_MJ_M2 = 22.0
DRY_AIR_KPA = 1.0
LEAST_WIND_M_S = 0.5
HOTTEST_C = 50.0

places = st.tuples(st.floats(-50, 50), st.floats(0, 2000), st.integers(1, 366))
"""Latitude, elevation, day of the year."""
temperatures = st.tuples(st.floats(5, 30), st.floats(3, 20)).map(lambda pair: (sum(pair), pair[0]))
"""Maximum and minimum."""


def clear_sky(place: tuple[float, float, int]) -> float:
    latitude, elevation, day = place
    return clear_sky_mj_m2(extraterrestrial_daily_mj_m2(latitude, day), elevation)


def et0(
    place: tuple[float, float, int], tmax: float, tmin: float, *, vapour: float, wind: float, solar: float
) -> float:
    latitude, elevation, day = place
    return daily_et0(
        tmax_c=tmax, tmin_c=tmin, latitude_deg=latitude, elevation_m=elevation, day_of_year=day,
        vapour_kpa=vapour, wind_2m_m_s=wind, solar_mj_m2=solar,
    ).mm


# The reference ------------------------------------------------------------------------------------


@given(places, temperatures, st.floats(0.3, 0.9), st.floats(0, 12), st.floats(0.2, 1.0), st.floats(0, 0.2))
def test_more_sun_never_lowers_a_summer_day(
    place: tuple[float, float, int], ends: tuple[float, float], humidity: float, wind: float, share: float,
    more: float,
) -> None:
    sky = clear_sky(place)
    assume(sky >= SUMMER_CLEAR_SKY_MJ_M2)
    vapour = max(0.5, humidity * saturation_kpa(ends[1]))
    some = et0(place, *ends, vapour=vapour, wind=wind, solar=share * sky)
    assert et0(place, *ends, vapour=vapour, wind=wind, solar=(share + more) * sky) >= some - A_HAIR


def test_a_clear_winter_day_in_the_north_asks_for_less_than_a_dull_one() -> None:
    """The exception: 60 N in December, a clear sky of under 2 MJ/m2."""
    north = (60.0, 10.0, 350)
    sky = clear_sky(north)
    assert sky < 2
    dull, clear = (et0(north, 8, 5, vapour=0.75, wind=4, solar=share * sky) for share in (0.4, 1.0))
    assert clear < dull


@given(places, temperatures, st.floats(0.2, 1.0), st.floats(0, 12), st.floats(0, 5), st.floats(0.3, 1.0))
def test_more_wind_never_lowers_a_dry_day(
    place: tuple[float, float, int], ends: tuple[float, float], humidity: float, wind: float, more: float,
    share: float,
) -> None:
    vapour = humidity * saturation_kpa(ends[1])
    assume(mean_saturation_kpa(*ends) - vapour >= DRY_AIR_KPA)
    solar = share * clear_sky(place)
    some = et0(place, *ends, vapour=vapour, wind=wind, solar=solar)
    assert et0(place, *ends, vapour=vapour, wind=wind + more, solar=solar) >= some - A_HAIR


def test_wind_over_moist_sunny_grass_asks_for_less() -> None:
    """The exception: air nearly saturated under a strong sun."""
    tropics = (0.0, 10.0, 80)
    calm, windy = (et0(tropics, 27, 25, vapour=3.3, wind=wind, solar=24) for wind in (1, 6))
    assert windy < calm


@given(
    places, temperatures, st.floats(0.2, 1.0), st.floats(LEAST_WIND_M_S, 12), st.floats(0, 10),
    st.floats(0.3, 1.0),
)
def test_a_warmer_summer_day_never_asks_for_less(
    place: tuple[float, float, int], ends: tuple[float, float], humidity: float, wind: float, warmer: float,
    share: float,
) -> None:
    """Night and day warmer, with the same vapour in the air."""
    tmax, tmin = ends
    assume(clear_sky(place) >= SUMMER_CLEAR_SKY_MJ_M2 and tmax + warmer <= HOTTEST_C)
    vapour, solar = humidity * saturation_kpa(tmin), share * clear_sky(place)
    some = et0(place, tmax, tmin, vapour=vapour, wind=wind, solar=solar)
    assert et0(place, tmax + warmer, tmin + warmer, vapour=vapour, wind=wind, solar=solar) >= some - A_HAIR


def test_in_still_air_a_hotter_surface_only_radiates_more() -> None:
    """The exception, and why a calm is taken as 0.5 m/s."""
    place = (-34.0, 50.0, 15)
    hot, hotter = (et0(place, tmax, 30, vapour=0.8, wind=0, solar=30) for tmax in (50, 58))
    assert hotter < hot


@given(st.floats(-10, 50), st.floats(0, 25), st.floats(0, 10), st.floats(0, 45))
def test_a_hotter_noon_never_lowers_hargreaves(tmin: float, span: float, more: float, ra: float) -> None:
    """A warmer night alone does: a narrow span means cloud there."""
    assume(tmin + span + more <= 60)
    assert hargreaves_mm(tmin + span + more, tmin, ra) >= hargreaves_mm(tmin + span, tmin, ra) - A_HAIR


@given(st.floats(10, 45), st.floats(0.1, 0.9), st.floats(0, 10), st.floats(0.5, 3.5), st.floats(0, 0.5))
def test_more_sun_never_lowers_an_hour(
    temperature: float, humidity: float, wind: float, solar: float, more: float
) -> None:
    """With the same clearness: an hour's sun rises with its height as well as with the sky."""
    def hour(solar_mj_m2: float) -> float:
        return hourly_et0(
            temperature_c=temperature, vapour_kpa=humidity * saturation_kpa(temperature), wind_2m_m_s=wind,
            solar_mj_m2=solar_mj_m2, clearness=0.8, elevation_m=50,
        )

    assert hour(solar + more) >= hour(solar) - A_HAIR


# What plants and bare soil take -------------------------------------------------------------------

days = st.tuples(
    st.floats(0, 9.75), st.floats(0, 45), st.floats(0.15, 1.2), st.floats(0.05, 2), st.floats(0.1, 1)
)
"""De, Dr, Kcb, height, fw, on a sand with 10 mm in its top layer and 45 mm in reach of the roots."""


TABLE_FRACTIONS = sorted({crop.depletion_fraction for crop in CROPS.values()})


def taken(day: Sequence[float], et0_mm: float, wind: float, rh_min: float, table_fraction: float) -> float:
    """Evaporation and transpiration of a day, mm."""
    de, dr, kcb, height, wetted = day
    kc_max = ceiling(wind, rh_min, height, kcb)
    layer = daily_top_layer(
        de, et0_mm=et0_mm, kcb=kcb, kc_max=kc_max, wetted=wetted,
        exposed=exposed_fraction_drip(covered_fraction(kcb, kc_max, height), wetted), readily_mm=4,
        total_mm=9.75,
    )
    return daily_balance(
        dr, available_mm=45, fraction=depletion_fraction(table_fraction, (kcb + layer.ke) * et0_mm),
        etc_mm=kcb * et0_mm, evaporation_mm=layer.evaporation_mm,
    ).et_mm


@given(days, st.floats(0, 15), st.floats(0, 5), st.sampled_from(TABLE_FRACTIONS))
def test_a_harder_day_never_takes_less_from_the_soil(
    day: tuple[float, ...], et0_mm: float, more: float, table_fraction: float
) -> None:
    """Though stress sets in sooner on it: p falls, but never as fast as the demand rises."""
    some = taken(day, et0_mm, 2, 45, table_fraction)
    assert taken(day, et0_mm + more, 2, 45, table_fraction) >= some - A_HAIR


@given(
    st.floats(0.15, 1.2), st.floats(0.05, 3), st.floats(0, 12), st.floats(0, 6), st.floats(5, 95),
    st.floats(0, 50),
)
def test_windier_and_drier_air_never_lowers_the_ceiling(
    kcb: float, height: float, wind: float, windier: float, rh_min: float, drier: float
) -> None:
    some = ceiling(wind, rh_min, height, kcb)
    assert ceiling(wind + windier, max(0.0, rh_min - drier), height, kcb) >= some - A_HAIR


def test_outside_the_clipped_range_the_ceiling_stays() -> None:
    """FAO-56 claims nothing over 6 m/s and under 20 %, so a gale in a desert gets no more than that."""
    assert isclose(ceiling(6, 20, 1, 1), ceiling(15, 5, 1, 1))
