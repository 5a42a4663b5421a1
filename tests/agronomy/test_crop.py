"""Crop coefficients against FAO-56 Examples 27 and 28 and Tables 11, 12, 17 and 22."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.crop import (
    CROPS,
    ROOT_DEPTH_AT_PLANTING_M,
    Stages,
    basal_coefficient,
    climate_adjusted,
    climate_term,
    crop_coefficient,
    root_depth_m,
    stage_value,
)

from .printed import printed

DAYS = st.floats(0, 400)
NAMES = st.sampled_from(sorted(CROPS))


@pytest.mark.published(source="FAO-56 (1998), Example 28: dry bean, 25/25/30/20 days")
@pytest.mark.parametrize(("day", "kcb"), [(20, "0.15"), (40, "0.77"), (70, "1.19"), (95, "0.56")])
def test_curve_of_dry_bean(day: int, kcb: str) -> None:
    assert stage_value(0.15, 1.19, 0.35, Stages(25, 25, 30, 20, "Example 28"), day) == printed(kcb)


@pytest.mark.published(source="computed from FAO-56 eq. 66 for tomato of Tables 11 and 12")
@pytest.mark.parametrize(
    ("day", "kc"),
    [(1, "0.60"), (30, "0.60"), (31, "0.6138"), (50, "0.875"), (70, "1.15"), (130, "0.975"), (145, "0.80")],
)
def test_curve_of_tomato(day: int, kc: str) -> None:
    assert crop_coefficient(CROPS["tomato"], day) == printed(kc)


@pytest.mark.published(source="FAO-56 (1998), Example 27: maize 2 m high in two climates")
@pytest.mark.parametrize(("wind", "humidity", "kc"), [(4.6, 44, "1.30"), (1.3, 75, "1.07")])
def test_maize_in_two_climates(wind: float, humidity: float, kc: str) -> None:
    assert climate_adjusted(1.20, wind, humidity, 2) == printed(kc)


@pytest.mark.published(source="computed from FAO-56 eqs. 62 and 65 for rows of Table 12")
@pytest.mark.parametrize(
    ("crop", "dry", "gale", "damp"),
    [
        ("tomato", "1.236", "1.286", "1.064"),
        ("capsicum", "1.140", "1.192", "0.960"),
        ("lettuce", "1.070", "1.110", "0.930"),
        ("citrus", "0.803", "0.890", "0.497"),
        ("table grape", "0.974", "1.045", "0.726"),
    ],
)
def test_adjusted_rows(crop: str, dry: str, gale: str, damp: str) -> None:
    row = CROPS[crop]
    for wind, humidity, kc in ((3, 20, dry), (5, 20, gale), (5, 5, gale), (1, 70, damp)):
        assert climate_adjusted(row.kc_mid, wind, humidity, row.height_m) == printed(kc)


def test_a_low_coefficient_is_not_adjusted() -> None:
    assert climate_adjusted(0.40, 5, 20, 1) == 0.40


# name; Kc; h; Kcb; Zr; p; stages in use. Printed ranges by their middle, roots by the smaller end.
TABLES = [
    ("tomato", (0.60, 1.15, 0.80), 0.6, (0.15, 1.10, 0.70), 0.7, 0.40, (30, 40, 45, 30)),
    ("capsicum", (0.60, 1.05, 0.90), 0.7, (0.15, 1.00, 0.80), 0.5, 0.30, (30, 35, 40, 20)),
    ("eggplant", (0.60, 1.05, 0.90), 0.8, (0.15, 1.00, 0.80), 0.7, 0.45, (30, 45, 40, 25)),
    ("cucumber", (0.60, 1.00, 0.75), 0.3, (0.15, 0.95, 0.70), 0.7, 0.50, (20, 30, 40, 15)),
    ("zucchini", (0.50, 0.95, 0.75), 0.3, (0.15, 0.90, 0.70), 0.6, 0.50, (20, 30, 25, 15)),
    ("pumpkin", (0.50, 1.00, 0.80), 0.4, (0.15, 0.95, 0.70), 1.0, 0.35, (20, 30, 30, 20)),
    ("sweet melon", (0.50, 1.05, 0.75), 0.4, (0.15, 1.00, 0.70), 0.8, 0.40, (25, 35, 40, 20)),
    ("watermelon", (0.40, 1.00, 0.75), 0.4, (0.15, 0.95, 0.70), 0.8, 0.40, (20, 30, 30, 30)),
    ("lettuce", (0.70, 1.00, 0.95), 0.3, (0.15, 0.90, 0.90), 0.3, 0.30, (20, 30, 15, 10)),
    ("spinach", (0.70, 1.00, 0.95), 0.3, (0.15, 0.90, 0.85), 0.3, 0.20, (20, 20, 20, 5)),
    ("cabbage", (0.70, 1.05, 0.95), 0.4, (0.15, 0.95, 0.85), 0.5, 0.45, (40, 60, 50, 15)),
    ("carrot", (0.70, 1.05, 0.95), 0.3, (0.15, 0.95, 0.85), 0.5, 0.35, (30, 40, 60, 20)),
    ("dry onion", (0.70, 1.05, 0.75), 0.4, (0.15, 0.95, 0.65), 0.3, 0.30, (15, 25, 70, 40)),
    ("potato", (0.50, 1.15, 0.75), 0.6, (0.15, 1.10, 0.65), 0.4, 0.35, (25, 30, 40, 30)),
    ("green bean", (0.50, 1.05, 0.90), 0.4, (0.15, 1.00, 0.80), 0.5, 0.45, (20, 30, 30, 10)),
    ("sweet corn", (0.30, 1.15, 1.05), 1.5, (0.15, 1.10, 1.00), 0.8, 0.50, (20, 25, 25, 10)),
    ("strawberry", (0.40, 0.85, 0.75), 0.2, (0.30, 0.80, 0.70), 0.2, 0.20, None),
    ("table grape", (0.30, 0.85, 0.45), 2.0, (0.15, 0.80, 0.40), 1.0, 0.35, (20, 50, 75, 60)),
    ("citrus young", (0.50, 0.45, 0.55), 2.0, (0.45, 0.40, 0.50), 0.8, 0.50, (60, 90, 120, 95)),
    ("avocado", (0.60, 0.85, 0.75), 3.0, (0.50, 0.80, 0.70), 0.5, 0.70, None),
]
Triple = tuple[float, float, float]


@pytest.mark.published(source="FAO-56 (1998), Tables 11, 12, 17 and 22")
@pytest.mark.parametrize(
    ("name", "kc", "height", "kcb", "roots", "fraction", "stages"), TABLES, ids=[row[0] for row in TABLES]
)
def test_rows_of_the_tables(
    name: str, kc: Triple, height: float, kcb: Triple, roots: float, fraction: float,
    stages: tuple[int, int, int, int] | None,
) -> None:
    crop = CROPS[name]
    assert (crop.kc_ini, crop.kc_mid, crop.kc_end) == kc
    assert (crop.kcb_ini, crop.kcb_mid, crop.kcb_end) == kcb
    assert (crop.height_m, crop.root_depth_max_m, crop.depletion_fraction) == (height, roots, fraction)
    found = crop.stages
    assert (found and (found.initial, found.development, found.mid, found.late)) == stages


@pytest.mark.published(source="FAO-56 (1998), Table 11, printed totals of stage lengths")
@pytest.mark.parametrize(
    ("name", "days"),
    [("tomato", 145), ("capsicum", 125), ("eggplant", 140), ("cucumber", 105), ("lettuce", 75),
     ("carrot", 150)],
)
def test_stage_totals(name: str, days: int) -> None:
    stages = CROPS[name].stages
    assert stages is not None
    assert stages.total == days


@pytest.mark.parametrize("name", CROPS)
def test_every_row_makes_sense(name: str) -> None:
    crop = CROPS[name]
    assert crop.name == name
    singles = (crop.kc_ini, crop.kc_mid, crop.kc_end)
    for single, basal in zip(singles, (crop.kcb_ini, crop.kcb_mid, crop.kcb_end), strict=True):
        assert 0.1 <= basal <= single <= 1.2
    assert 0.1 <= crop.height_m <= 5
    assert 0.2 <= crop.root_depth_max_m <= 2
    assert 0.1 <= crop.depletion_fraction <= 0.8
    assert "FAO-56" in crop.source


@pytest.mark.parametrize(
    ("name", "row"),
    [("herbs", "mint"), ("fig", "stone fruit"), ("squash", "zucchini"), ("chilli", "capsicum")],
)
def test_a_stand_in_says_so(name: str, row: str) -> None:
    assert replace(CROPS[name], name=row, source="") == replace(CROPS[row], source="")
    assert row in CROPS[name].source


@pytest.mark.published(source="FAO-56 second edition (2025), okra")
def test_okra_is_from_the_second_edition() -> None:
    okra = CROPS["okra"]
    assert (okra.kc_ini, okra.kc_mid, okra.kc_end, okra.height_m) == (0.50, 0.95, 0.80, 0.9)
    assert (okra.root_depth_max_m, okra.depletion_fraction) == (0.6, 0.40)


def test_at_least_thirty_garden_crops() -> None:
    assert len(CROPS) >= 30


def test_without_a_day_or_stages_a_plant_gets_its_mid_value() -> None:
    assert crop_coefficient(CROPS["strawberry"], 10) == CROPS["strawberry"].kc_mid
    assert crop_coefficient(CROPS["tomato"], None) == CROPS["tomato"].kc_mid
    assert basal_coefficient(CROPS["tomato"], None) == CROPS["tomato"].kcb_mid


def test_an_old_tree_is_not_taken_for_one_at_leaf_fall() -> None:
    grape = CROPS["table grape"]
    assert crop_coefficient(grape, 205) == grape.kc_end
    assert crop_coefficient(grape, 1500) == grape.kc_mid


@pytest.mark.published(source="FAO-56 chapter 8: roots grow evenly to full depth at mid-season")
@pytest.mark.parametrize(("day", "depth"), [(0, "0.15"), (35, "0.425"), (70, "0.70"), (140, "0.70")])
def test_roots_of_tomato(day: int, depth: str) -> None:
    assert root_depth_m(CROPS["tomato"], day) == printed(depth)


def test_plants_that_stay_have_all_their_roots() -> None:
    assert root_depth_m(CROPS["citrus"], 1) == 1.2
    assert root_depth_m(CROPS["garlic"], 1) == 0.3


@given(NAMES, DAYS)
def test_a_coefficient_stays_within_its_three_values(name: str, day: float) -> None:
    crop = CROPS[name]
    ends = (crop.kc_ini, crop.kc_mid, crop.kc_end)
    assert min(ends) - 1e-12 <= crop_coefficient(crop, day) <= max(ends) + 1e-12
    assert basal_coefficient(crop, day) <= crop_coefficient(crop, day)


@given(NAMES, DAYS, st.floats(0, 50))
def test_roots_never_shrink(name: str, day: float, later: float) -> None:
    crop = CROPS[name]
    now = root_depth_m(crop, day)
    assert ROOT_DEPTH_AT_PLANTING_M <= now <= root_depth_m(crop, day + later) + 1e-12


@given(st.floats(0, 20), st.floats(0, 100), st.floats(0, 20))
def test_wind_and_dryness_never_lower_the_demand(wind: float, humidity: float, height: float) -> None:
    assert climate_term(wind + 1, humidity, height) >= climate_term(wind, humidity, height)
    assert climate_term(wind, max(0.0, humidity - 5), height) >= climate_term(wind, humidity, height)


def test_a_day_before_planting_is_refused() -> None:
    with pytest.raises(ValueError, match="days since planting"):
        crop_coefficient(CROPS["tomato"], -1)
