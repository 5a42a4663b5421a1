"""Cycles and rests against the virtual zones of the Irrigation Association; ponding against Green & Ampt."""

from dataclasses import replace
from math import inf, isinf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.infiltration import (
    Cycles,
    cycles,
    green_ampt_ponding_min,
    horton_on_min,
    longest_on_min,
    philip_ponding_min,
    rest_min,
    runoff,
    sorptivity_mm_h05,
)
from controller.agronomy.soil import SOILS

from .printed import printed

INCH = 25.4

# Precipitation rate, intake, surface accumulation (in/h, in/h, in); longest cycle and its rest, min.
ZONES = [
    (1.60, 0.35, 0.25, "12.0", "42.9"),
    (1.60, 0.15, 0.16, "6.62", "64.0"),
    (1.40, 0.50, 0.26, "17.33", "31.2"),
    (1.40, 0.40, 0.24, "14.4", "36.0"),
    (0.35, 0.10, 0.10, "24.0", "60.0"),
]


@pytest.mark.published(source="IA SWAT climatologically based controllers, six zones; from memory")
@pytest.mark.parametrize(("rate", "intake", "store", "longest", "rest"), ZONES)
def test_longest_cycle_and_rest_of_the_virtual_zones(
    rate: float, intake: float, store: float, longest: str, rest: str
) -> None:
    on_min = longest_on_min(rate * INCH, intake * INCH, store * INCH)
    assert on_min == printed(longest)
    assert rest_min(on_min, rate * INCH, intake * INCH) == printed(rest)


@pytest.mark.published(source="IA SWAT, zone 5 (surface drip, PR <= IR): no limit; from memory")
def test_no_limit_below_the_intake_rate() -> None:
    assert longest_on_min(0.20 * INCH, 0.20 * INCH, 0.26 * INCH) == inf
    assert rest_min(60, 0.20 * INCH, 0.20 * INCH) == 0
    assert cycles(20, 0.20 * INCH, 0.20 * INCH, 0.26 * INCH) == Cycles(1, 60 * 20 / (0.20 * INCH), 0)


@pytest.mark.published(source="computed from the cycle-and-soak equations: sandy loam, 30 mm/h, 16 mm")
def test_worked_cycles() -> None:
    soil = SOILS["sandy loam"]
    store = soil.surface_store_mm(5)
    assert store == printed("7.366")
    assert longest_on_min(30, soil.intake_mm_h, store) == printed("22.28")
    assert rest_min(22.28, 30, soil.intake_mm_h) == printed("43.5")
    plan = cycles(12 / 0.75, 30, soil.intake_mm_h, store)
    assert plan.count == 2
    assert plan.on_min == printed("16.0")
    assert plan.rest_min == printed("31.24")
    assert plan.elapsed_min == printed("63.24")


@pytest.mark.published(source="mass balance: over a cycle and its rest the mean rate is the intake rate")
@given(st.floats(20, 200), st.floats(1, 19), st.floats(0.5, 20), st.floats(0.1, 60))
def test_mean_rate_is_the_intake_rate(rate: float, intake: float, store: float, gross: float) -> None:
    plan = cycles(gross, rate, intake, store)
    mean = rate * plan.on_min / (plan.on_min + plan.rest_min)
    assert mean == pytest.approx(intake, rel=1e-9)


@pytest.mark.published(source="IA SWAT daily procedure, trace of zone 3: days 2, 4 and 6; from memory")
@pytest.mark.parametrize(
    ("plan", "direct_in", "soak_in"),
    [
        (Cycles(3, 15, 35), "0.0000", "0.0000"),
        (Cycles(1, 25, 0), "0.1150", "0.0000"),
        (Cycles(2, 17, 10), "0.0000", "0.1667"),
    ],
)
def test_runoff_of_the_trace(plan: Cycles, direct_in: str, soak_in: str) -> None:
    shed = runoff(plan, 1.40 * INCH, 0.50 * INCH, 0.26 * INCH)
    assert shed.direct_mm / INCH == printed(direct_in)
    assert shed.soak_mm / INCH == printed(soak_in)


@given(st.floats(20, 200), st.floats(1, 19), st.floats(0.5, 20), st.floats(0.1, 60))
def test_a_plan_of_cycles_applies_everything_and_sheds_nothing(
    rate: float, intake: float, store: float, gross: float
) -> None:
    plan = cycles(gross, rate, intake, store)
    assert plan.count * plan.on_min * rate / 60 == pytest.approx(gross, rel=1e-9)
    shed = runoff(plan, rate, intake, store)
    assert shed.direct_mm + shed.soak_mm == pytest.approx(0, abs=1e-6)
    if plan.count > 1:  # one cycle fewer would have to be too long
        assert gross * 60 / rate / (plan.count - 1) > longest_on_min(rate, intake, store)


@given(
    st.integers(1, 12), st.floats(0.1, 60), st.floats(0, 120), st.floats(0, 60), st.floats(20, 200),
    st.floats(1, 19), st.floats(0, 20),
)
def test_a_wider_rest_never_raises_the_runoff(
    count: int, on_min: float, rest: float, wider: float, rate: float, intake: float, store: float
) -> None:
    plan = Cycles(count, on_min, rest)
    narrow = runoff(plan, rate, intake, store)
    wide = runoff(replace(plan, rest_min=rest + wider), rate, intake, store)
    assert wide.soak_mm <= narrow.soak_mm + 1e-9
    assert wide.direct_mm == narrow.direct_mm
    assert 0 <= narrow.direct_mm + narrow.soak_mm <= count * on_min * rate / 60 + 1e-9


def test_nothing_to_give_is_no_cycle() -> None:
    assert cycles(0, 30, 10, 5) == Cycles(0, 0.0, 0.0)
    assert cycles(0, 30, 10, 5).elapsed_min == 0


def test_a_rate_that_no_run_can_bear_is_refused() -> None:
    with pytest.raises(ValueError, match="no run is short enough"):
        cycles(10, rate_mm_h=30, intake_mm_h=10, store_mm=0)


@pytest.mark.published(source="computed from the Hung equation (Horton intake, time compression)")
def test_horton() -> None:
    on_min = horton_on_min(120, 30, 4, 60)
    assert on_min == printed("23.24")
    assert on_min * 60 / 60 == printed("23.24")  # 60 mm/h: as many mm as minutes
    assert isinf(horton_on_min(120, 30, 4, 30))
    assert horton_on_min(120, 30, 4, 120) == 0


# Rate, minutes, mm at a saturation of 0.4.
PONDING = [
    ("loamy sand", 40, "65.5", "43.7"), ("loamy sand", 80, "6.60", "8.80"),
    ("loamy sand", 150, "1.47", "3.67"), ("sandy loam", 20, "97.8", "32.6"),
    ("sandy loam", 40, "15.29", "10.19"), ("sandy loam", 80, "3.22", "4.29"),
    ("loam", 20, "14.22", "4.74"), ("loam", 40, "3.23", "2.15"),
    ("clay loam", 20, "7.71", "2.57"), ("sand", 150, "18.1", "45.3"),
]


@pytest.mark.published(source="computed from Mein & Larson's Green-Ampt form with Rawls et al. 1983, Table 2")
@pytest.mark.parametrize(("texture", "rate", "minutes", "depth"), PONDING)
def test_green_ampt_ponding(texture: str, rate: float, minutes: str, depth: str) -> None:
    soil = SOILS[texture]
    deficit = soil.effective_porosity * (1 - 0.4)
    ponding = green_ampt_ponding_min(soil.saturated_conductivity_mm_h, soil.suction_mm, deficit, rate)
    assert ponding == printed(minutes)
    assert ponding * rate / 60 == printed(depth)


@pytest.mark.published(source="Rawls et al. 1983: sand takes 117.8 mm/h for ever")
def test_sand_ponds_only_above_its_conductivity() -> None:
    sand = SOILS["sand"]
    assert isinf(green_ampt_ponding_min(sand.saturated_conductivity_mm_h, sand.suction_mm, 0.25, 117))


@pytest.mark.published(source="computed from Philip's equation by time compression: sandy loam")
@pytest.mark.parametrize(("share", "minutes"), [(1.0, "18.16"), (1 / 3, "12.85")])
def test_philip_ponding(share: float, minutes: str) -> None:
    sorptivity = sorptivity_mm_h05(10.9, 110.1, 0.412 * 0.6)
    assert sorptivity == printed("24.36")
    assert philip_ponding_min(sorptivity, share * 10.9, 40) == printed(minutes)


@given(st.floats(12, 500), st.floats(1, 100))
def test_a_faster_rate_ponds_sooner(rate: float, faster: float) -> None:
    def ponding(mm_h: float) -> float:
        return green_ampt_ponding_min(10.9, 110.1, 0.25, mm_h)

    assert ponding(rate + faster) < ponding(rate)
