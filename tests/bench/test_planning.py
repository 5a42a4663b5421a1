"""The benchmark of the planning: its rows, and that its gardens are what they say."""

import argparse

import pytest

from controller.core.plan import make_plan
from tests.bench import planning


def test_a_row_for_each_size_and_for_the_growth(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(planning, "ZONES", (1, 2, 3))
    monkeypatch.setattr(planning, "DAYS", (4, 7))
    rows = planning.rows(argparse.Namespace(runs=1, plot=False))
    assert [row["name"] for row in rows] == [
        "1 zones, 7 days", "2 zones, 7 days", "3 zones, 7 days", "12 zones, 4 days", "12 zones, 7 days",
        "12 zones, 7 days, pressed", "a zone: 3 beside 2", "a day: 7 beside 4",
    ]  # fmt: skip
    assert all(float(row["ratio"] or 0.0) > 0.0 for row in rows)
    assert all(row["meets"] == (float(row["ratio"] or 0.0) <= float(row["goal"] or 0.0)) for row in rows)


def test_the_pressed_garden_is_pressed_and_the_other_is_not() -> None:
    capacities_l_min = [12 * planning.L_MIN_A_ZONE, 12 * planning.PRESSED_L_MIN_A_ZONE]
    sites = [planning.a_site(12, capacity_l_min) for capacity_l_min in capacities_l_min]
    plans = [make_plan(site, planning.a_garden(site, 7), planning.NOON, "a test") for site in sites]
    assert {watering.day.day for watering in plans[0].waterings} >= {16, 17, 18, 19, 20, 21}, "seven days are planned"
    assert len(plans[1].remarks) > len(plans[0].remarks)
