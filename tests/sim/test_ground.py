"""The true soil: no water from nothing, drainage at the rate that defines field capacity, roots that choose."""

import random

import pytest

from controller.sim.ground import Column, Earth, drink, layers_mm, seep_sideways

SAND = Earth(saturated=0.43, field_capacity=0.12, wilting_point=0.045, conductivity_mm_h=118.0,
             intake_mm_h=15.0, hollows_mm=6.0)
CLAY = Earth(saturated=0.47, field_capacity=0.36, wilting_point=0.22, conductivity_mm_h=2.5,
             intake_mm_h=2.5, hollows_mm=2.0)


def column(earth: Earth, available: float = 1.0, share: float = 1.0) -> Column:
    return Column(earth, layers_mm(600.0), available, share)


@pytest.mark.parametrize(("depth_mm", "count"), [(84.0, 2), (100.0, 2), (400.0, 8), (600.0, 10), (1050.0, 14)])
def test_layers_end_at_the_depth(depth_mm: float, count: int) -> None:
    assert sum(layers_mm(depth_mm)) == pytest.approx(depth_mm)
    assert len(layers_mm(depth_mm)) == count


@pytest.mark.parametrize("earth", [SAND, CLAY])
def test_no_water_is_made_or_lost(earth: Earth) -> None:
    chance = random.Random(1)
    one, other = column(earth, 0.7, 0.4), column(earth, 0.3, 0.6)
    roots = [[0.4 / 10] * 10, [0.6 / 10] * 10]
    balance_mm = one.store_mm() * one.share + other.store_mm() * other.share
    for _ in range(3000):
        hours = chance.choice((1 / 12, 1 / 6, 0.5, 1.0))
        for part in (one, other):
            inflow_mm = chance.choice((0.0, 0.0, 0.0, 20.0)) * chance.random() * hours
            ran_off_mm, drained_mm = part.take_in(inflow_mm, hours)
            evaporated_mm = part.evaporate(0.3 * hours)
            balance_mm += (inflow_mm - ran_off_mm - drained_mm - evaporated_mm) * part.share
            assert min(ran_off_mm, drained_mm, evaporated_mm) >= 0.0
        seep_sideways(one, other, hours)
        balance_mm -= drink([one, other], roots, 0.6 * hours, 0.5)
        assert min(one.water_mm) > 0.0
        assert min(other.water_mm) > 0.0
    assert one.store_mm() * one.share + other.store_mm() * other.share == pytest.approx(balance_mm, abs=1e-6)


@pytest.mark.parametrize("earth", [SAND, CLAY])
def test_field_capacity_drains_at_its_own_slow_rate(earth: Earth) -> None:
    _, drained_mm = column(earth).take_in(0.0, 1.0)
    assert drained_mm == pytest.approx(0.04, rel=0.02)


def test_a_long_step_drains_as_much_as_many_short_ones() -> None:
    """One layer: the step is solved exactly."""
    once, often = Column(SAND, [100.0], 3.0), Column(SAND, [100.0], 3.0)
    _, drained_once_mm = once.take_in(0.0, 1.0)
    drained_often_mm = sum(often.take_in(0.0, 0.01)[1] for _ in range(100))
    assert drained_once_mm == pytest.approx(drained_often_mm, rel=1e-9)


def test_sand_is_near_field_capacity_a_few_days_after_a_flood_and_clay_is_not() -> None:
    shares = []
    for earth in (SAND, CLAY):
        flooded = column(earth)
        for _ in range(48):
            flooded.take_in(20.0, 1.0)
        for _ in range(72):
            flooded.take_in(0.0, 1.0)
        shares.append(flooded.content(0.0, 300.0) / earth.field_capacity)
    assert 0.8 < shares[0] < 1.3
    assert shares[1] > 1.0


def test_what_the_ground_refuses_stands_and_then_runs_off() -> None:
    tight = column(CLAY)
    runoff_mm = [tight.take_in(2.0, 1 / 12)[0] for _ in range(6)]
    assert runoff_mm[0] == 0.0
    assert 1.2 < runoff_mm[-1] < 2.0
    assert tight.standing_mm == pytest.approx(CLAY.hollows_mm)


def test_air_takes_less_as_the_top_dries_and_nothing_below_air_dry() -> None:
    bare = column(SAND)
    given_mm = [bare.evaporate(1.0) for _ in range(400)]
    assert given_mm[0] == pytest.approx(1.0)
    assert given_mm == sorted(given_mm, reverse=True)
    assert bare.water_mm[0] / 50.0 == pytest.approx(SAND.air_dry, rel=0.1)
    assert bare.water_mm[1] / 50.0 == pytest.approx(SAND.field_capacity)


def test_roots_in_wet_ground_make_up_for_dry_ones() -> None:
    wet, dry = column(SAND, 1.0, 0.5), column(SAND, 0.0, 0.5)
    assert drink([wet, dry], [[0.07] * 10, [0.03] * 10], 1.0, 0.5) == pytest.approx(1.0)
    assert drink([wet, dry], [[0.03] * 10, [0.07] * 10], 1.0, 0.5) == pytest.approx(0.3 / 0.6)
    assert drink([dry, dry], [[0.05] * 10, [0.05] * 10], 1.0, 0.5) == 0.0


def test_water_creeps_to_the_drier_side() -> None:
    wet, dry = column(SAND, 1.0, 0.5), column(SAND, 0.2, 0.5)
    gap = wet.content(0.0, 300.0) - dry.content(0.0, 300.0)
    for _ in range(24):
        seep_sideways(wet, dry, 1.0)
    assert 0.3 * gap < wet.content(0.0, 300.0) - dry.content(0.0, 300.0) < 0.9 * gap
