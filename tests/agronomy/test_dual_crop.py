"""The dual crop coefficient against FAO-56 Example 35 and ten invented days on sand."""

from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.dual_crop import (
    ceiling,
    covered_fraction,
    daily_top_layer,
    evaporation_coefficient,
    evaporation_reduction,
    exposed_fraction,
    exposed_fraction_drip,
    wetted_fraction,
)
from controller.agronomy.reference_et import wind_at_2m
from controller.agronomy.root_zone import available_water_mm, daily_balance, depletion_fraction
from controller.agronomy.soil import total_evaporable_mm

from .printed import printed


@pytest.mark.published(source="FAO-56 (1998), eq. 72: Example 35 and public test cases")
@pytest.mark.parametrize(
    ("wind", "humidity", "height", "kcb", "kc_max"),
    [
        (1.6, 35, 0.3, 0.35, "1.2120"), (2, 40, 1, 0.5, "1.2144"), (1, 50, 3, 0.5, "1.14"),
        (3, 20, 0.6, 1.10, "1.2864"), (5, 12, 0.6, 1.10, "1.3357"), (1, 80, 2, 1.15, "1.20"),
    ],
)
def test_ceiling(wind: float, humidity: float, height: float, kcb: float, kc_max: str) -> None:
    assert ceiling(wind, humidity, height, kcb) == printed(kc_max)


@pytest.mark.published(source="computed from FAO-56 eqs. 75, 76 and p. 149 (from memory)")
@pytest.mark.parametrize(
    ("kcb", "height", "covered", "exposed", "drip"),
    [(0.60, 0.4, "0.3421", "0.35", "0.2702"), (1.10, 0.6, "0.8265", "0.1735", "0.1572")],
)
def test_covered_and_exposed(kcb: float, height: float, covered: str, exposed: str, drip: str) -> None:
    fc = covered_fraction(kcb, 1.25, height)
    assert fc == printed(covered)
    assert exposed_fraction(fc, 0.35) == printed(exposed)
    assert exposed_fraction_drip(fc, 0.35) == printed(drip)


# Day: ETo, few, De start, Kr, Ke, E/few, De end, E, Kc, ETc as printed.
EXAMPLE_35 = [
    (4.5, 0.80, "0", "1.00", "0.91", "5.1", "5", "4.1", "1.21", "5.5"),
    (5.0, 0.80, "5", "1.00", "0.90", "5.6", "11", "4.5", "1.21", "6.1"),
    (3.9, 0.80, "11", "0.72", "0.64", "3.1", "14", "2.5", "0.97", "3.8"),
    (4.2, 0.80, "14", "0.41", "0.36", "1.9", "16", "1.5", "0.69", "2.9"),
    (4.8, 0.80, "16", "0.22", "0.19", "1.1", "17", "0.9", "0.54", "2.6"),
    (2.7, 0.89, "11", "0.71", "0.60", "1.8", "13", "1.6", "0.96", "2.6"),
    (5.8, 0.88, "13", "0.52", "0.44", "2.9", "16", "2.6", "0.81", "4.7"),
    (5.1, 0.87, "16", "0.23", "0.19", "1.1", "17", "1.0", "0.57", "2.9"),
    (4.7, 0.87, "17", "0.12", "0.10", "0.5", "17", "0.5", "0.49", "2.3"),
    (5.2, 0.86, "17", "0.07", "0.05", "0.3", "18", "0.3", "0.45", "2.4"),
]


@pytest.mark.published(source="FAO-56 (1998), Example 35, as the USGS soil-water-balance model tests it")
def test_ten_days_of_evaporation_after_a_watering() -> None:
    """Watered 40 mm on eight tenths of the field on day 1; rain of 6 mm on day 6. TEW 18, REW 8, Kc max
    1.212.
    """
    de = 18.0
    for number, (et0, few, start, kr, ke, strip, end, evaporation, kc, etc) in enumerate(EXAMPLE_35):
        kcb = 0.30 + 0.10 * number / 9
        day = daily_top_layer(
            de, et0_mm=et0, kcb=kcb, kc_max=1.212, exposed=few, wetted=0.80, readily_mm=8, total_mm=18,
            rain_mm=6.0 if number == 5 else 0.0, irrigation_mm=40.0 if number == 0 else 0.0,
        )
        assert day.depletion_start_mm == printed(start)
        assert day.reduction == printed(kr)
        assert day.ke == printed(ke)
        assert day.evaporation_mm / few == printed(strip)
        assert day.depletion_mm == printed(end)
        assert day.evaporation_mm == printed(evaporation)
        assert kcb + day.ke == printed(kc)
        assert (kcb + day.ke) * et0 == printed(etc)
        assert day.percolation_mm == printed("32" if number == 0 else "0")
        de = day.depletion_mm


@dataclass(frozen=True)
class Day:
    et0: float
    kcb: float
    height: float
    roots: float
    rh_min: float
    wind_10m: float
    rain: float
    irrigation: float
    kc_max: str
    covered: str
    exposed: str
    evaporation: str
    """With the layer's limit."""


# Invented weather; reference ET, Kcb, height, roots, Kc max, fc, few as pyfao56 computes them.
TEN_DAYS_ON_SAND = [
    Day(7.284, 0.1500, 0.0500, 0.2500, 28, 3.5, 0, 12, "1.227", "0.000", "0.400", "3.575"),
    Day(8.513, 0.1500, 0.0500, 0.2500, 22, 4.0, 0, 0, "1.239", "0.000", "0.400", "0.325"),
    Day(10.141, 0.1500, 0.0500, 0.2500, 15, 4.5, 0, 8, "1.245", "0.000", "0.400", "3.900"),
    Day(11.607, 0.3875, 0.1875, 0.3625, 10, 5.0, 0, 0, "1.274", "0.183", "0.400", "0.000"),
    Day(12.683, 0.6250, 0.3250, 0.4750, 9, 5.5, 0, 10, "1.295", "0.360", "0.400", "3.900"),
    Day(11.529, 0.8625, 0.4625, 0.5875, 14, 6.0, 0, 0, "1.314", "0.547", "0.400", "0.000"),
    Day(4.596, 1.1000, 0.6000, 0.7000, 50, 4.0, 6.4, 0, "1.212", "0.865", "0.135", "0.515"),
    Day(5.881, 1.1000, 0.6000, 0.7000, 42, 3.0, 0, 0, "1.213", "0.864", "0.136", "0.300"),
    Day(6.774, 1.1000, 0.6000, 0.7000, 32, 3.0, 0, 20, "1.238", "0.838", "0.162", "0.936"),
    Day(8.384, 1.1000, 0.6000, 0.7000, 20, 3.5, 0, 0, "1.277", "0.801", "0.199", "0.790"),
]


@pytest.mark.published(source="pyfao56 1.4.3 (Kc max, fc, few); balances computed from FAO-56")
def test_ten_hot_days_on_sand() -> None:
    total = total_evaporable_mm(0.12, 0.045)
    assert total == printed("9.75")
    de, dr = total, 1000 * (0.12 - 0.09) * 0.25
    fw = 0.4
    evaporated = used = drained = 0.0
    stresses = []
    for day in TEN_DAYS_ON_SAND:
        kc_max = ceiling(wind_at_2m(day.wind_10m, 10), day.rh_min, day.height, day.kcb)
        covered = covered_fraction(day.kcb, kc_max, day.height)
        fw = wetted_fraction(fw, day.rain, day.irrigation, 0.4)
        exposed = exposed_fraction(covered, fw)
        assert kc_max == printed(day.kc_max)
        assert covered == printed(day.covered)
        assert exposed == printed(day.exposed)
        layer = daily_top_layer(
            de, et0_mm=day.et0, kcb=day.kcb, kc_max=kc_max, exposed=exposed, wetted=fw, readily_mm=4.0,
            total_mm=total, rain_mm=day.rain, irrigation_mm=day.irrigation,
        )
        assert layer.evaporation_mm == printed(day.evaporation, digits_off=1)
        demand = (day.kcb + layer.ke) * day.et0
        root_zone = daily_balance(
            dr, available_mm=available_water_mm(0.12, 0.045, day.roots),
            fraction=depletion_fraction(0.40, demand),
            etc_mm=day.kcb * day.et0, evaporation_mm=layer.evaporation_mm, rain_mm=day.rain,
            irrigation_mm=day.irrigation,
        )
        de, dr = layer.depletion_mm, root_zone.depletion_mm
        evaporated += layer.evaporation_mm
        used += root_zone.et_mm
        drained += root_zone.percolation_mm
        stresses.append(root_zone.stress)
    assert evaporated == printed("14.240", digits_off=3)
    assert used == printed("68.671", digits_off=5)
    assert drained == printed("0.809", digits_off=3)
    assert dr == printed("20.580", digits_off=5)
    assert stresses[:9] == [1.0] * 9
    assert stresses[9] == printed("0.997")


@given(
    depletion=st.floats(0, 9.75), et0=st.floats(0, 15), kcb=st.floats(0.15, 1.2), covered=st.floats(0, 0.99),
    wetted=st.floats(0.05, 1), rain=st.floats(0, 50), irrigation=st.floats(0, 40),
)
def test_the_layer_never_makes_water(
    depletion: float, et0: float, kcb: float, covered: float, wetted: float, rain: float, irrigation: float
) -> None:
    exposed = exposed_fraction_drip(covered, wetted)
    day = daily_top_layer(
        depletion, et0_mm=et0, kcb=kcb, kc_max=1.3, exposed=exposed, wetted=wetted, readily_mm=4,
        total_mm=9.75, rain_mm=rain, irrigation_mm=irrigation,
    )
    came = rain + irrigation / wetted
    assert depletion - came + day.evaporation_mm / exposed + day.percolation_mm == pytest.approx(
        day.depletion_mm, abs=1e-9
    )
    assert 0 <= day.depletion_mm <= 9.75 + 1e-9
    assert (kcb + day.ke) * et0 <= 1.3 * et0 + 1e-9


@given(st.floats(0, 20), st.floats(0, 20))
def test_a_drier_layer_never_evaporates_faster(one: float, other: float) -> None:
    wet, dry = sorted((one, other))
    assert evaporation_reduction(dry, 8, 18) <= evaporation_reduction(wet, 8, 18)


@given(st.floats(0, 1), st.floats(0.15, 1.2), st.floats(0.01, 1))
def test_evaporation_stays_under_the_ceiling(reduction: float, kcb: float, exposed: float) -> None:
    assert 0 <= evaporation_coefficient(reduction, 1.25, kcb, exposed) <= 1.25 - kcb + 1e-12


def test_a_refused_number_is_named() -> None:
    with pytest.raises(ValueError, match="readily evaporable"):
        evaporation_reduction(5, 20, 18)
    with pytest.raises(ValueError, match="exposed fraction"):
        daily_top_layer(
            5, et0_mm=5, kcb=1, kc_max=1.2, exposed=0, wetted=0.4, readily_mm=4, total_mm=10
        )
