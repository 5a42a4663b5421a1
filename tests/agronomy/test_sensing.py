"""Probe conversions and retention curves against their published tables."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.sensing import (
    RETENTION,
    granular_linear_kpa,
    ledieu,
    permittivity_topp,
    shock_kpa,
    thompson_armstrong_kpa,
    topp,
)

from .printed import printed

TOPP = [
    (3, "0.0298"), (4, "0.0553"), (5, "0.0798"), (8, "0.1476"), (10, "0.1883"), (12, "0.2256"),
    (15, "0.2758"), (20, "0.3454"), (25, "0.4004"), (30, "0.4441"), (40, "0.5102"),
]


@pytest.mark.published(source="Topp, Davis & Annan 1980")
@pytest.mark.parametrize(("permittivity", "water"), TOPP)
def test_topp(permittivity: float, water: str) -> None:
    assert topp(permittivity) == printed(water)


@pytest.mark.published(source="Topp, Davis & Annan 1980, two fits (the second from memory)")
@given(st.floats(3, 34))
def test_the_two_fits_of_topp_agree(permittivity: float) -> None:
    assert topp(permittivity_topp(topp(permittivity))) == pytest.approx(topp(permittivity), abs=0.015)


@pytest.mark.published(source="Ledieu et al. 1986; from memory")
@pytest.mark.parametrize(("permittivity", "water"), [(5, "0.0787"), (10, "0.1841"), (20, "0.3331")])
def test_ledieu(permittivity: float, water: str) -> None:
    assert ledieu(permittivity) == printed(water)


@pytest.mark.published(source="manual of a granular-matrix sensor, 21 °C (Thompson & Armstrong 1987)")
@pytest.mark.parametrize(
    ("resistance", "tension", "manual"),
    [(2, "9.0", "9"), (3, "14.4", "14"), (4, "20.4", "20"), (5, "27.4", "27"), (6, "35.4", "35"),
     (7, "44.7", "45"), (8, "55.7", "56"), (9, "69.0", "69"), (10, "85.1", "85"), (11, "105.4", "105")],
)
def test_thompson_armstrong(resistance: float, tension: str, manual: str) -> None:
    assert thompson_armstrong_kpa(resistance) == printed(tension)
    assert thompson_armstrong_kpa(resistance) == printed(manual)


@pytest.mark.published(source="computed from Thompson & Armstrong 1987 at 30 °C")
def test_thompson_armstrong_in_warm_soil() -> None:
    assert thompson_armstrong_kpa(5, 30) == printed("39.9")
    with pytest.raises(ValueError, match="beyond the curve"):
        thompson_armstrong_kpa(40)


@pytest.mark.published(source="straight line of a granular-matrix sensor manual at 21 °C")
@pytest.mark.parametrize(("resistance", "tension"), [(1, "3.7"), (5, "33.3"), (10, "70.4")])
def test_granular_linear(resistance: float, tension: str) -> None:
    assert granular_linear_kpa(resistance) == printed(tension)


@pytest.mark.published(source="Shock et al. 1998; from memory")
@pytest.mark.parametrize(("resistance", "tension"), [(2, "14.5"), (5, "28.9"), (10, "55.8")])
def test_shock(resistance: float, tension: str) -> None:
    assert shock_kpa(resistance) == printed(tension)


TENSIONS_KPA = (1, 3, 5, 8, 10, 15, 20, 33, 100, 1500)
CURVES = {
    "sand": ".2103 .0762 .0583 .0511 .0492 .0471 .0463 .0456 .0451 .0450",
    "loamy sand": ".2588 .1194 .0900 .0752 .0707 .0652 .0626 .0600 .0577 .0570",
    "sandy loam": ".3413 .2157 .1659 .1328 .1209 .1041 .0954 .0845 .0723 .0657",
    "loam": ".4068 .3449 .3007 .2591 .2406 .2102 .1915 .1644 .1247 .0883",
    "silt loam": ".4389 .4074 .3788 .3454 .3282 .2963 .2743 .2389 .1778 .1036",
}


@pytest.mark.published(source="computed from van Genuchten 1980 with Carsel & Parrish 1988")
@pytest.mark.parametrize("texture", CURVES)
def test_retention(texture: str) -> None:
    curve = RETENTION[texture]
    for tension, water in zip(TENSIONS_KPA, CURVES[texture].split(), strict=True):
        assert curve.water_content(tension) == printed(water)


@pytest.mark.published(source="computed from Assouline & Or 2014 (from memory) with Carsel & Parrish 1988")
@pytest.mark.parametrize(
    ("texture", "water", "tension"),
    [("sand", "0.1445", "1.45"), ("loamy sand", "0.1611", "1.95"), ("sandy loam", "0.1869", "3.96"),
     ("loam", "0.2333", "11.0")],
)
def test_field_capacity_by_drainage(texture: str, water: str, tension: str) -> None:
    curve = RETENTION[texture]
    assert curve.field_capacity() == printed(water)
    assert curve.tension_kpa(curve.field_capacity()) == printed(tension)


@given(st.sampled_from(sorted(RETENTION)), st.floats(0.1, 100))
def test_a_curve_and_its_inverse(texture: str, tension: float) -> None:
    curve = RETENTION[texture]
    assert curve.tension_kpa(curve.water_content(tension)) == pytest.approx(tension, rel=1e-3)


@given(st.sampled_from(sorted(RETENTION)), st.floats(0, 1500), st.floats(0.01, 100))
def test_drier_soil_holds_on_harder(texture: str, tension: float, more: float) -> None:
    curve = RETENTION[texture]
    drier = curve.water_content(tension + more)
    assert curve.residual <= drier <= curve.water_content(tension) <= curve.saturated


@given(st.floats(1, 60), st.floats(0.01, 5))
def test_higher_permittivity_is_wetter(permittivity: float, more: float) -> None:
    assert topp(permittivity + more) >= topp(permittivity)
    assert ledieu(permittivity + more) >= ledieu(permittivity)


@given(st.floats(0, 10), st.floats(0.01, 1), st.floats(5, 30))
def test_higher_resistance_is_drier(resistance: float, more: float, soil_c: float) -> None:
    for conversion in (thompson_armstrong_kpa, granular_linear_kpa, shock_kpa):
        assert conversion(resistance + more, soil_c) >= conversion(resistance, soil_c)
