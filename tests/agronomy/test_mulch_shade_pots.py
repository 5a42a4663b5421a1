"""Mulch, shade cloth and pots against handbook figures."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.mulch import (
    MULCHES,
    dry,
    evaporation_factor,
    gravel_interception,
    kc_under_plastic,
    straw_store_mm,
    wet,
)
from controller.agronomy.pots import store_l, water_use_l, waterings
from controller.agronomy.reference_et import vapour_from_humidity_kpa, wind_at_2m
from controller.agronomy.shade import shade_of_part_of_the_day, shaded_et0_mm
from controller.agronomy.sunlight import extraterrestrial_hourly_mj_m2

from .printed import printed

# Mulch --------------------------------------------------------------------------------------------


@pytest.mark.published(source="FAO-56 (1998), chapter 10: 5 % less for each tenth covered; from memory")
@pytest.mark.parametrize(("cover", "factor"), [(0.0, 1.0), (0.1, 0.95), (0.5, 0.75), (1.0, 0.5)])
def test_organic_mulch(cover: float, factor: float) -> None:
    assert evaporation_factor(MULCHES["straw"], cover) == pytest.approx(factor)
    assert evaporation_factor(MULCHES["none"], cover) == 1


@pytest.mark.published(source="Soil & Water Res. 2018, 13:115: rain caught by gravel of 1 to 10 cm")
@pytest.mark.parametrize(("depth_cm", "share"), [(1, 0.15), (3, 0.17), (5, 0.21), (7, 0.31), (10, 0.46)])
def test_gravel(depth_cm: float, share: float) -> None:
    assert gravel_interception(depth_cm) == pytest.approx(share)


@pytest.mark.published(source="crop models store 0.4 to 0.5 mm per t/ha of straw; from memory")
def test_straw_of_five_tonnes() -> None:
    assert straw_store_mm(0.5, 0.4) == pytest.approx(2.0)
    assert straw_store_mm(0.5, 0.5) == pytest.approx(2.5)


@pytest.mark.published(source="FAO-56 (1998), Table 25 and chapter 10; from memory")
@pytest.mark.parametrize(
    ("crop", "least", "most"),
    [("squash", 0.05, 0.15), ("cucumber", 0.15, 0.20), ("watermelon", 0.25, 0.30), ("tomato", 0.35, 0.35),
     ("lettuce", 0.10, 0.30)],
)
def test_plastic_takes_off_the_smaller_printed_share(crop: str, least: float, most: float) -> None:
    assert 1 - most <= kc_under_plastic(1.0, crop) <= 1
    assert kc_under_plastic(1.0, crop) == pytest.approx(1 - least)


@given(st.floats(0, 50), st.floats(0, 1), st.floats(0, 10), st.floats(0, 20))
def test_a_mulch_neither_makes_nor_loses_water(
    event: float, full: float, store: float, evaporation: float
) -> None:
    held = full * store
    wetting = wet(event, held, store)
    assert wetting.soil_mm + wetting.caught_mm == pytest.approx(event, abs=1e-9)
    assert wetting.held_mm - held == pytest.approx(wetting.caught_mm, abs=1e-9)
    assert 0 <= dry(wetting.held_mm, evaporation) <= wetting.held_mm <= store + 1e-9


# Shade --------------------------------------------------------------------------------------------

# Invented days of a hot and a mild kind; ETo, mm, by shade, in the open wind and in six tenths of it.
HOT = {"tmax_c": 44, "tmin_c": 25, "wind_2m_m_s": wind_at_2m(4, 10), "solar_mj_m2": 30,
       "vapour_kpa": vapour_from_humidity_kpa(44, 25, 45, 9)}
MILD = {"tmax_c": 27, "tmin_c": 15, "wind_2m_m_s": wind_at_2m(3, 10), "solar_mj_m2": 29,
        "vapour_kpa": vapour_from_humidity_kpa(27, 15, 85, 45)}
SHADE = [
    (0.0, "11.09", "8.96", "5.82", "5.48"),
    (0.3, "9.13", "6.88", "4.27", "3.81"),
    (0.5, "7.83", "5.49", "3.25", "2.70"),
    (0.7, "6.52", "4.09", "2.22", "1.58"),
]


@pytest.mark.published(source="computed from FAO-56 eq. 6 with Rns and wind cut, open-sky Rs/Rso in Rnl")
@pytest.mark.parametrize(("shade", "hot", "hot_still", "mild", "mild_still"), SHADE)
def test_shade(shade: float, hot: str, hot_still: str, mild: str, mild_still: str) -> None:
    for weather, wind_factor, figure in (
        (HOT, 1.0, hot), (HOT, 0.6, hot_still), (MILD, 1.0, mild), (MILD, 0.6, mild_still)
    ):
        et0 = shaded_et0_mm(
            latitude_deg=-34, elevation_m=50, day_of_year=15, shade=shade, wind_factor=wind_factor, **weather
        )
        assert et0 == printed(figure)


@pytest.mark.published(source="Mahmood et al. 2018: screens cut ET by 17 to 50 %")
def test_the_cut_of_common_cloth_is_within_the_published_span() -> None:
    def et0(shade: float, wind_factor: float) -> float:
        return shaded_et0_mm(
            latitude_deg=-34, elevation_m=50, day_of_year=15, shade=shade, wind_factor=wind_factor, **HOT
        )

    assert 0.17 <= 1 - et0(0.3, 0.6) / et0(0, 1) <= 0.50


@given(st.floats(0, 0.95), st.floats(0, 0.05))
def test_more_shade_never_raises_the_demand(shade: float, more: float) -> None:
    def et0(s: float) -> float:
        return shaded_et0_mm(latitude_deg=-34, elevation_m=50, day_of_year=15, shade=s, **HOT)

    assert et0(shade + more) <= et0(shade)


def test_shade_at_midday_weighs_more_than_its_hours() -> None:
    ra = [extraterrestrial_hourly_mj_m2(-34, 139, 135, 15, hour + 0.5) for hour in range(24)]
    midday = shade_of_part_of_the_day(0.5, ra, range(11, 16))
    assert 0.5 * 5 / 14 < midday < 0.5
    assert shade_of_part_of_the_day(0.5, ra, range(24)) == pytest.approx(0.5)
    assert shade_of_part_of_the_day(0.5, [0.0] * 24, range(24)) == 0


# Pots ---------------------------------------------------------------------------------------------


@pytest.mark.published(source="computed: ETo 10 mm, Kc 1.15, 0.5 m2, a quarter available, 30 % used")
def test_pots_on_a_hot_day() -> None:
    use = water_use_l(10, 1.15, 0.5)
    assert use == printed("5.75")
    assert store_l(30) == printed("7.5")
    assert 0.30 * store_l(30) == printed("2.25")
    assert waterings(use, store_l(30)) == 3
    assert 0.30 * store_l(10) == printed("0.75")
    assert waterings(use, store_l(10)) == 8
    assert store_l(20) < use


def test_an_idle_pot_needs_no_watering() -> None:
    assert waterings(0, 5) == 0
    with pytest.raises(ValueError, match="volume of the pot"):
        store_l(0)
