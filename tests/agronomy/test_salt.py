"""Leaching and yield under salt, against FAO-29 and the list of the US Salinity Laboratory."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.drip import gross_mm
from controller.agronomy.salt import (
    SALT_TOLERANCE,
    leaching_fraction,
    leaching_fraction_drip,
    relative_yield_percent,
    soil_from_water_ds_m,
)

from .printed import printed


@pytest.mark.published(source="computed from FAO-29 rev. 1: LR = ECw / (5 ECe - ECw)")
@pytest.mark.parametrize(
    ("water", "soil", "fraction"),
    [(1.0, 2.5, "0.087"), (2.0, 2.5, "0.190"), (1.0, 1.0, "0.25"), (1.5, 1.0, "0.429")],
)
def test_leaching(water: float, soil: float, fraction: str) -> None:
    assert leaching_fraction(water, soil) == printed(fraction)


@pytest.mark.published(source="computed from FAO-29 rev. 1: LR = ECw / (2 max ECe), drip")
@pytest.mark.parametrize(
    ("crop", "zero", "water", "fraction"),
    [("tomato", "12.6", 2, "0.079"), ("green bean", "6.26", 1, "0.080"), ("strawberry", "4.03", 1, "0.124")],
)
def test_leaching_under_drip(crop: str, zero: str, water: float, fraction: str) -> None:
    most = SALT_TOLERANCE[crop].zero_yield_ds_m
    assert most == printed(zero)
    assert leaching_fraction_drip(water, most) == printed(fraction)


@pytest.mark.published(source="FAO-29 rev. 1: gross depth ET / (1 - LR)")
def test_gross_depth() -> None:
    assert gross_mm(8, 1.0, leaching_fraction(1.0, 2.5)) == printed("8.76")


@pytest.mark.published(source="Maas 1990 (US Salinity Laboratory), yield at ECe 3 dS/m")
@pytest.mark.parametrize(
    ("crop", "percent"),
    [("tomato", "95.0"), ("capsicum", "79.0"), ("green bean", "62.0"), ("lettuce", "77.9"),
     ("cucumber", "93.5"), ("strawberry", "34")],
)
def test_yield(crop: str, percent: str) -> None:
    assert relative_yield_percent(3, SALT_TOLERANCE[crop]) == printed(percent)


@pytest.mark.published(source="FAO-29 rev. 1: ECe is about 1.5 ECw; full yield up to this water")
@pytest.mark.parametrize(("crop", "water"), [("tomato", "1.67"), ("capsicum", "1.0"), ("green bean", "0.67")])
def test_water_for_full_yield(crop: str, water: str) -> None:
    tolerance = SALT_TOLERANCE[crop]
    assert tolerance.threshold_ds_m / 1.5 == printed(water)
    assert relative_yield_percent(soil_from_water_ds_m(float(water) * 0.99), tolerance) == 100


SALT_LABORATORY = (
    "asparagus 4.1 2.0 · green bean 1.0 19 · beetroot 4.0 9.0 · broccoli 2.8 9.2 · cabbage 1.8 9.7 · "
    "carrot 1.0 14 · celery 1.8 6.2 · sweet corn 1.7 12 · cucumber 2.5 13 · eggplant 1.1 6.9 · "
    "lettuce 1.3 13 · dry onion 1.2 16 · capsicum 1.5 14 · potato 1.7 12 · radish 1.2 13 · "
    "spinach 2.0 7.6 · squash 3.2 16 · zucchini 4.7 9.4 · strawberry 1.0 33 · sweet potato 1.5 11 · "
    "tomato 2.5 9.9 · cherry tomato 1.7 9.1 · turnip 0.9 9.0"
)


@pytest.mark.published(source="US Salinity Laboratory list (Maas 1990), dS/m and % per dS/m")
@pytest.mark.parametrize("row", SALT_LABORATORY.split(" · "))
def test_tolerances(row: str) -> None:
    crop, threshold, slope = row.rsplit(" ", 2)
    assert SALT_TOLERANCE[crop].threshold_ds_m == float(threshold)
    assert SALT_TOLERANCE[crop].slope_percent == float(slope)


@given(st.floats(0, 40), st.floats(0, 10))
def test_more_salt_never_raises_the_yield(soil: float, more: float) -> None:
    for tolerance in SALT_TOLERANCE.values():
        saltier = relative_yield_percent(soil + more, tolerance)
        assert 0 <= saltier <= relative_yield_percent(soil, tolerance) <= 100


@given(st.floats(0, 10), st.floats(1, 10))
def test_leaching_is_a_share_or_is_refused(water: float, soil: float) -> None:
    if water < 2.5 * soil:
        assert 0 <= leaching_fraction(water, soil) < 1
    else:
        with pytest.raises(ValueError, match="too salty"):
            leaching_fraction(water, soil)
