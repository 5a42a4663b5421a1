"""Forecasts: the same for the same issue, wrong in a way that grows, honest about rain."""

from collections import defaultdict
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from statistics import fmean, pstdev

import pytest

from controller.sim.demand import demand_mm
from controller.sim.outlook import Outlook
from controller.sim.sky import Sky, hot_week
from tests.sim.plots import HOUR, MONDAY, site

NOW = datetime(2026, 7, 13, 9, 40, tzinfo=UTC)


def test_hours_from_now_to_seven_days_ahead() -> None:
    forecast = Outlook(Sky(site(), 1), 1).forecast(NOW)
    assert (forecast.source, forecast.issued) == ("simulated", NOW)
    assert [hour.start for hour in forecast.hours] == [
        datetime(2026, 7, 13, 9, tzinfo=UTC) + i * HOUR for i in range(168)]


def test_asking_more_often_changes_nothing() -> None:
    often, once = Outlook(Sky(site(), 1), 1), Outlook(Sky(site(), 1), 1)
    for i in range(30):
        often.forecast(NOW - i * HOUR)
    assert often.forecast(NOW) == once.forecast(NOW)


def test_issues_and_seeds_differ_but_share_half_of_the_error() -> None:
    sky = Sky(site(), 1)
    errors: dict[str, list[float]] = defaultdict(list)
    target = 100
    for seed in range(120):
        outlook = Outlook(sky, seed)
        first, later = outlook.forecast(NOW), outlook.forecast(NOW + 6 * HOUR)
        truth = sky.hour(first.hours[target].start)
        assert later.hours[target - 6].start == truth.start
        errors["first"].append(first.hours[target].temperature_c - truth.temperature_c)
        errors["later"].append(later.hours[target - 6].temperature_c - truth.temperature_c)
    shared = fmean(a * b for a, b in zip(errors["first"], errors["later"], strict=True))
    assert 0.3 < shared / (pstdev(errors["first"]) * pstdev(errors["later"])) < 0.7


def test_errors_grow_with_lead() -> None:
    temperature_k: dict[int, list[float]] = defaultdict(list)
    demand: dict[int, list[float]] = defaultdict(list)
    for seed in range(60):
        sky = Sky(site(), seed)
        outlook = Outlook(sky, seed)
        for day in range(155, 260, 35):
            forecast = outlook.forecast(datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=day))
            for lead in range(7):
                told = forecast.hours[24 * lead:24 * lead + 24]
                true = [sky.hour(hour.start) for hour in told]
                temperature_k[lead].append(told[12].temperature_c - true[12].temperature_c)
                told_mm, true_mm = (sum(demand_mm(hour, 240.0) for hour in hours) for hours in (told, true))
                demand[lead].append(told_mm / true_mm)
    for lead in range(7):
        assert pstdev(temperature_k[lead]) == pytest.approx(1.0 + 0.3 * (lead + 0.5), rel=0.15)
        assert abs(fmean(temperature_k[lead])) < 0.5
        assert pstdev(demand[lead]) == pytest.approx(0.07 + 0.025 * lead, rel=0.35)
    spreads = [pstdev(temperature_k[lead]) for lead in range(7)]
    assert spreads == sorted(spreads)


def test_errors_hang_together_along_the_lead() -> None:
    """Neighbouring hours err alike; a forecast does not flicker."""
    same: list[float] = []
    for seed in range(60):
        sky = Sky(site(), seed)
        hours = Outlook(sky, seed).forecast(NOW).hours
        errors = [hour.temperature_c - sky.hour(hour.start).temperature_c for hour in hours]
        same += [abs(b - a) for a, b in pairwise(errors)]
    assert max(same) < 0.8


def test_rain_probability_is_calibrated() -> None:
    """Of the hours told with some probability, about that share is wet; over whole years, so that it rains enough."""
    told: dict[float, list[float]] = defaultdict(list)
    wet: dict[float, list[bool]] = defaultdict(list)
    for seed in range(8):
        sky = Sky(site(), seed)
        outlook = Outlook(sky, seed)
        for day in range(0, 365, 9):
            for hour in outlook.forecast(datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=day)).hours:
                assert hour.rain_probability is not None
                kind = round(hour.rain_probability * 5) / 5
                told[kind].append(hour.rain_probability)
                wet[kind].append((sky.hour(hour.start).rain_mm or 0.0) > 0.0)
    assert len(told) >= 3
    for kind, probabilities in told.items():
        if len(probabilities) > 300:
            assert fmean(wet[kind]) == pytest.approx(fmean(probabilities), abs=max(0.004, 0.2 * kind))


def test_values_stay_possible() -> None:
    sky = Sky(site(), 4, hot_week(MONDAY))
    for i in range(20):
        for hour in Outlook(sky, 4).forecast(NOW + i * 12 * HOUR).hours:
            assert 0.0 < (hour.humidity_percent or 0.0) <= 100.0
            assert 0.0 <= (hour.solar_w_m2 if hour.solar_w_m2 is not None else -1.0) <= 1150.0
            assert 0.0 <= (hour.rain_probability if hour.rain_probability is not None else -1.0) <= 1.0
            assert ((hour.rain_mm or 0.0) > 0.0) == ((hour.rain_probability or 0.0) > 0.3)


def test_exact_forecasts_are_the_truth() -> None:
    sky = Sky(site(), 4)
    assert all(hour == sky.hour(hour.start) for hour in Outlook(sky, 4, exact=True).forecast(NOW).hours)
