"""The soil library against the tables that it was taken from."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.soil import SOILS, total_evaporable_mm

from .printed import printed

Range = tuple[float, float]


@pytest.mark.published(source="FAO-56 (1998), Table 19")
@pytest.mark.parametrize(
    ("texture", "capacity", "wilting", "available_mm_m", "readily", "total"),
    [
        ("sand", (0.07, 0.17), (0.02, 0.07), (50, 110), (2, 7), (6, 12)),
        ("loamy sand", (0.11, 0.19), (0.03, 0.10), (60, 120), (4, 8), (9, 14)),
        ("sandy loam", (0.18, 0.28), (0.06, 0.16), (110, 150), (6, 10), (15, 20)),
        ("loam", (0.20, 0.30), (0.07, 0.17), (130, 180), (8, 10), (16, 22)),
        ("silt loam", (0.22, 0.36), (0.09, 0.21), (130, 190), (8, 11), (18, 25)),
        ("silt", (0.28, 0.36), (0.12, 0.22), (160, 200), (8, 11), (22, 26)),
        ("silty clay loam", (0.30, 0.37), (0.17, 0.24), (130, 180), (8, 11), (22, 27)),
        ("silty clay", (0.30, 0.42), (0.17, 0.29), (130, 190), (8, 12), (22, 28)),
        ("clay", (0.32, 0.40), (0.20, 0.24), (120, 200), (8, 12), (22, 29)),
    ],
)
def test_every_figure_is_in_the_middle_of_its_printed_range(
    texture: str, capacity: Range, wilting: Range, available_mm_m: Range, readily: Range, total: Range
) -> None:
    soil = SOILS[texture]
    assert soil.field_capacity == pytest.approx(sum(capacity) / 2)
    assert soil.wilting_point == pytest.approx(sum(wilting) / 2)
    # Silt: its midpoints differ by 150 mm/m, ten less than the printed range of the difference.
    assert available_mm_m[0] - 10 <= round(soil.available_mm_m, 6) <= available_mm_m[1]
    assert soil.readily_evaporable_mm == pytest.approx(sum(readily) / 2)
    assert soil.total_evaporable_mm == pytest.approx(sum(total) / 2)
    # Eq. 73 and the table of TEW agree to the width of its ranges.
    assert total[0] - 1 <= soil.evaporable_mm() <= total[1] + 1


@pytest.mark.published(source="Irrigation Association 2005, intake and surface accumulation, mm; from memory")
@pytest.mark.parametrize(
    ("texture", "intake", "stores"),
    [
        ("clay", "2.5", ("5.1", "3.8", "2.5", "2.5")),
        ("silty clay", "3.8", ("5.8", "4.8", "4.1", "3.3")),
        ("clay loam", "5.1", ("6.6", "5.6", "4.6", "3.8")),
        ("loam", "8.9", ("7.6", "6.4", "5.3", "4.3")),
        ("sandy loam", "10.2", ("8.4", "7.4", "6.1", "5.1")),
        ("loamy sand", "12.7", ("9.1", "7.6", "6.6", "5.6")),
        ("sand", "15.2", ("10.2", "8.9", "7.6", "6.4")),
    ],
)
def test_intake_and_surface_store(texture: str, intake: str, stores: tuple[str, ...]) -> None:
    soil = SOILS[texture]
    assert soil.intake_mm_h == printed(intake)
    for slope, store in zip((0, 5, 10, 15), stores, strict=True):
        assert soil.surface_store_mm(slope) == printed(store)


@pytest.mark.parametrize(("slope", "same_as"), [(3, 0), (3.5, 6), (6, 5), (6.1, 12), (12, 7), (12.1, 90)])
def test_a_slope_between_two_classes_takes_the_steeper(slope: float, same_as: float) -> None:
    loam = SOILS["loam"]
    assert loam.surface_store_mm(slope) == loam.surface_store_mm(same_as)


@pytest.mark.published(source="Rawls, Brakensiek & Miller 1983, Table 2")
@pytest.mark.parametrize(
    ("texture", "porosity", "suction_cm", "conductivity_cm_h"),
    [
        ("sand", 0.417, 4.95, 11.78), ("loamy sand", 0.401, 6.13, 2.99), ("sandy loam", 0.412, 11.01, 1.09),
        ("loam", 0.434, 8.89, 0.34), ("silt loam", 0.486, 16.68, 0.65),
        ("sandy clay loam", 0.330, 21.85, 0.15), ("clay loam", 0.390, 20.88, 0.10),
        ("silty clay loam", 0.432, 27.30, 0.10),
        ("silty clay", 0.423, 29.22, 0.05), ("clay", 0.385, 31.63, 0.03),
    ],
)
def test_green_ampt_rows(texture: str, porosity: float, suction_cm: float, conductivity_cm_h: float) -> None:
    soil = SOILS[texture]
    assert soil.effective_porosity == porosity
    assert soil.suction_mm == pytest.approx(10 * suction_cm)
    assert soil.saturated_conductivity_mm_h == pytest.approx(10 * conductivity_cm_h)


@pytest.mark.published(source="FAO-56 (1998), Example 35: TEW 18 mm")
def test_total_evaporable_water() -> None:
    assert total_evaporable_mm(0.23, 0.10, 0.10) == printed("18")


@pytest.mark.parametrize("texture", SOILS)
def test_every_soil_makes_sense(texture: str) -> None:
    soil = SOILS[texture]
    assert soil.texture == texture
    assert 0 < soil.wilting_point < soil.field_capacity < 0.5
    assert 0 < soil.readily_evaporable_mm < soil.total_evaporable_mm
    assert list(soil.surface_stores_mm) == sorted(soil.surface_stores_mm, reverse=True)
    assert "from memory" in soil.source


@given(st.floats(0, 100), st.floats(0, 100))
def test_a_steeper_slope_never_holds_more(one: float, other: float) -> None:
    for soil in SOILS.values():
        assert soil.surface_store_mm(max(one, other)) <= soil.surface_store_mm(min(one, other))


def test_a_slope_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="slope"):
        SOILS["sand"].surface_store_mm(-1)
