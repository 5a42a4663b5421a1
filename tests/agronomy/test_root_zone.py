"""The root zone against FAO-56 Examples 36 and 37, and a balance that neither makes nor loses water."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.root_zone import (
    available_water_mm,
    daily_balance,
    depletion_fraction,
    readily_available_mm,
    stress_coefficient,
)

from .printed import printed


@pytest.mark.published(source="FAO-56 (1998), Example 36: tomato, roots 0.8 m, p 0.40, three soils")
@pytest.mark.parametrize(
    ("capacity", "wilting", "available", "readily"),
    [(0.15, 0.06, "72", "29"), (0.32, 0.15, "136", "54"), (0.35, 0.23, "96", "38")],
    ids=["loamy sand", "silt", "silty clay"],
)
def test_available_water(capacity: float, wilting: float, available: str, readily: str) -> None:
    total = available_water_mm(capacity, wilting, 0.8)
    assert total == printed(available)
    assert readily_available_mm(total, 0.40) == printed(readily)


EXAMPLE_37 = [
    ("1.00", "61.0", "6.00"), ("1.00", "67.0", "6.00"), ("0.97", "72.8", "5.81"), ("0.91", "78.3", "5.45"),
    ("0.85", "83.4", "5.11"), ("0.80", "88.2", "4.79"), ("0.75", "92.6", "4.49"), ("0.70", "96.9", "4.21"),
    ("0.66", "100.8", "3.95"), ("0.62", "104.5", "3.70"),
]


@pytest.mark.published(source="FAO-56 (1998), Example 37: tomato under stress, ten days without rain")
def test_ten_days_of_stress() -> None:
    depletion_mm = 55.0
    for stress, depletion, et in EXAMPLE_37:
        day = daily_balance(depletion_mm, available_mm=160, fraction=0.40, etc_mm=6.0)
        assert day.stress == printed(stress)
        assert day.depletion_mm == printed(depletion)
        assert day.et_mm == printed(et)
        assert day.percolation_mm == 0
        depletion_mm = day.depletion_mm


@pytest.mark.published(source="FAO-56 (1998), note of Table 22 and p. 162: p = p_table + 0.04 (5 - ETc)")
@pytest.mark.parametrize(
    ("table", "etc_mm", "fraction"),
    [(0.40, 8, "0.28"), (0.40, 12, "0.12"), (0.30, 10, "0.10"), (0.50, 3, "0.58"), (0.20, 9, "0.10"),
     (0.65, 2, "0.77"), (0.80, 1, "0.80"), (0.40, 5, "0.40")],
)
def test_depletion_fraction(table: float, etc_mm: float, fraction: str) -> None:
    assert depletion_fraction(table, etc_mm) == printed(fraction)


@pytest.mark.published(source="computed from FAO-56 eq. 84: TAW 60 mm, p 0.4")
@pytest.mark.parametrize(("depletion", "stress"), [(20, "1.0"), (30, "0.8333"), (48, "0.3333"), (60, "0.0")])
def test_stress_coefficient(depletion: float, stress: str) -> None:
    assert stress_coefficient(depletion, 60, 0.4) == printed(stress)


# Sand with 75 mm/m and p 0.40: RAW, and the hours for which it covers a mean day's demand.
SAND_HOURS = [
    (0.2, [("6.0", "28.8"), ("4.2", "12.6"), ("2.4", "5.2"), ("1.5", "2.6")]),
    (0.3, [("9.0", "43"), ("6.3", "19"), ("3.6", "7.9"), ("2.25", "3.9")]),
    (0.5, [("15.0", "72"), ("10.5", "32"), ("6.0", "13"), ("3.75", "6.4")]),
    (0.7, [("21.0", "101"), ("14.7", "44"), ("8.4", "18"), ("5.25", "9.0")]),
]


@pytest.mark.published(source="computed from FAO-56 eqs. 82, 83 and Table 22 for sand of 75 mm/m (Table 19)")
@pytest.mark.parametrize(("roots_m", "row"), SAND_HOURS)
def test_why_sand_needs_a_second_watering_on_a_hot_day(roots_m: float, row: list[tuple[str, str]]) -> None:
    for etc_mm, (readily, hours) in zip((5, 8, 11, 14), row, strict=True):
        raw = readily_available_mm(available_water_mm(0.12, 0.045, roots_m), depletion_fraction(0.40, etc_mm))
        assert raw == printed(readily)
        assert 24 * raw / etc_mm == printed(hours)


@given(
    depletion=st.floats(-50, 300),
    available=st.floats(1, 300),
    fraction=st.floats(0.1, 0.8),
    etc=st.floats(0, 20),
    rain=st.floats(0, 200),
    runoff_share=st.floats(0, 1),
    irrigation=st.floats(0, 100),
    rise=st.floats(0, 5),
)
def test_water_is_conserved(
    depletion: float, available: float, fraction: float, etc: float, rain: float, runoff_share: float,
    irrigation: float, rise: float,
) -> None:
    runoff = min(rain, rain * runoff_share)
    day = daily_balance(
        depletion, available_mm=available, fraction=fraction, etc_mm=etc, rain_mm=rain, runoff_mm=runoff,
        irrigation_mm=irrigation, capillary_rise_mm=rise,
    )
    came = rain - runoff + irrigation + rise
    went = day.et_mm + day.percolation_mm
    assert depletion - came + went == pytest.approx(day.depletion_mm, abs=1e-9)
    assert 0 <= day.et_mm <= etc
    assert 0 <= day.stress <= 1
    assert day.percolation_mm >= 0
    assert day.depletion_mm >= 0
    assert day.depletion_mm <= max(available, depletion) + 1e-9


@given(st.floats(0, 150), st.floats(0, 50), st.floats(0, 50))
def test_more_water_never_leaves_a_drier_soil(depletion: float, some: float, more: float) -> None:
    def end(irrigation_mm: float) -> float:
        day = daily_balance(depletion, available_mm=150, fraction=0.4, etc_mm=8, irrigation_mm=irrigation_mm)
        return day.depletion_mm

    assert end(some + more) <= end(some) + 1e-9


@pytest.mark.parametrize(
    ("change", "quantity"),
    [
        ({"available_mm": 0}, "available water"),
        ({"fraction": 1.5}, "depletion fraction"),
        ({"etc_mm": -1}, "evapotranspiration"),
        ({"irrigation_mm": float("nan")}, "irrigation"),
        ({"rain_mm": 5, "runoff_mm": 6}, "runoff"),
    ],
)
def test_a_refused_number_is_named(change: dict[str, float], quantity: str) -> None:
    with pytest.raises(ValueError, match=quantity):
        daily_balance(10, **{"available_mm": 100, "fraction": 0.4, "etc_mm": 5, **change})
