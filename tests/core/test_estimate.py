"""What is believed of a bed: a covariance that stays one, water that stays whole, and what the bed teaches."""

import math
import random
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.estimate import (
    LEARNT_LEAST,
    LEARNT_MOST,
    OFFSET_MOST_SDS,
    OFFSET_SD,
    Estimate,
    Use,
    foreseen,
    forgotten,
    lived,
    meet,
    new_estimate,
    observed,
    surprise,
    watered,
)

AVAILABLE_MM, EASY_MM = 40.0, 14.0
FIELD_CAPACITY, SCALE_MM = 0.15, 400.0
TWO_HOURS = 1.0 / 12.0
DRAIN_DAYS = 0.8


def draws(wanted_mm: float, ground_mm: float = 0.0) -> Use:
    """What a bed draws: Ks times its plants' wish (FAO-56 eq. 84) and the ground's, at most what is left."""

    def use(depletion_mm: float, demand: float, holds: float) -> float:
        ease = (AVAILABLE_MM * holds - depletion_mm) / (holds * (AVAILABLE_MM - EASY_MM))
        left_mm = max(0.0, AVAILABLE_MM * holds - depletion_mm)
        return min(left_mm, demand * (max(0.0, min(1.0, ease)) * wanted_mm + ground_mm))

    return use


def sure(depletion_mm: float) -> Estimate:
    """A belief without a doubt."""
    return Estimate((depletion_mm, 0.0, 0.0), ((0.0,) * 3,) * 3)


def read(estimate: Estimate, probe: str, reading: float, noise_sd: float = 0.01) -> Estimate:
    return observed(estimate, probe, reading, FIELD_CAPACITY, SCALE_MM, noise_sd)


def of(estimate: Estimate, days: float, daily_mm: float, steps: int = 12) -> Estimate:
    """The estimate some days on, with an even demand."""
    for _ in range(round(days * steps)):
        estimate = lived(estimate, draws(daily_mm / steps), 1.0 / steps, DRAIN_DAYS).estimate
    return estimate


# The matrix ---------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=8)
@given(st.integers(0, 10**6))
def test_after_thousands_of_steps_of_any_kind_the_covariance_is_still_one(seed: int) -> None:
    """Symmetric to the last bit, no negative variance in any direction, every correlation within -1 to 1."""
    chance = random.Random(seed)
    estimate = meet(meet(new_estimate(8.0, 12.0), "a", 0.03), "b", 0.02)
    for _ in range(2500):
        happens = chance.random()
        if happens < 0.5:
            use = draws(chance.uniform(0.0, 3.0), chance.uniform(0.0, 1.0))
            estimate = lived(estimate, use, chance.choice((0.003, TWO_HOURS, 1.0)), chance.choice((0.5, 2.0))).estimate
        elif happens < 0.6:
            estimate = watered(estimate, chance.uniform(0.0, 25.0), sd_mm=chance.choice((0.0, 3.0)))
        else:
            noise_sd = chance.choice((0.0005, 0.01, 0.1))
            estimate = read(estimate, chance.choice("ab"), chance.uniform(0.0, 0.3), noise_sd)
    cov = np.array(estimate.cov)
    assert np.array_equal(cov, cov.T)
    sds = np.sqrt(np.diag(cov))
    assert np.all(np.isfinite(cov))
    assert np.all(sds > 0.0)
    correlation = cov / np.outer(sds, sds)
    assert np.linalg.eigvalsh(correlation).min() > -1e-6
    assert np.abs(correlation).max() <= 1.0 + 1e-9


def test_one_observation_is_kalmans_own_formula() -> None:
    """Against the textbook's matrices (Kalman 1960), written out with a general library."""
    estimate = meet(of(new_estimate(6.0, 4.0), 3.0, 6.0), "a")
    cov, look = np.array(estimate.cov), np.array([-1.0 / SCALE_MM, 0.0, 0.0, 1.0])
    expected = FIELD_CAPACITY + look @ np.array(estimate.mean)
    spread = look @ cov @ look + 0.01**2
    gain = cov @ look / spread
    after = read(estimate, "a", 0.11)
    told = surprise(estimate, "a", 0.11, FIELD_CAPACITY, SCALE_MM, 0.01)
    assert told.by == pytest.approx(0.11 - expected)
    assert told.sds == pytest.approx(abs(0.11 - expected) / math.sqrt(spread))
    assert after.mean == pytest.approx(np.array(estimate.mean) + gain * (0.11 - expected))
    assert np.array(after.cov) == pytest.approx((np.eye(4) - np.outer(gain, look)) @ cov)


def test_one_step_spreads_the_doubt_as_many_beds_would() -> None:
    """Against 40 000 beds drawn from the belief and lived through one by one (Monte Carlo)."""
    estimate = new_estimate(5.0, 2.0)
    after = lived(estimate, draws(2.0), TWO_HOURS, DRAIN_DAYS).estimate
    chance = np.random.default_rng(7)
    beds = chance.multivariate_normal(estimate.mean, estimate.cov, 40_000)
    use = draws(2.0)
    depletion = np.array([d + use(d, math.exp(g), math.exp(h)) for d, g, h in beds])
    own_sd = math.sqrt((0.10 * 2.0) ** 2 * 0.6 / TWO_HOURS)   # one day's error, cut into the steps of its daylight
    assert after.sd_mm == pytest.approx(math.hypot(float(depletion.std()), own_sd), rel=0.02)
    assert after.cov[0][1] == pytest.approx(float(np.cov(depletion, beds[:, 1])[0, 1]), rel=0.05)


# Water --------------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(["live", "water"]), st.floats(0.0, 20.0)), max_size=30))
def test_the_mean_makes_and_loses_no_water(history: list[tuple[str, float]]) -> None:
    estimate = new_estimate(8.0, 5.0)
    start_mm, balance_mm = estimate.depletion_mm, 0.0
    for what, size in history:
        if what == "water":
            estimate = watered(estimate, size)
            balance_mm -= size
        else:
            after = lived(estimate, draws(size / 4.0, size / 20.0), TWO_HOURS, DRAIN_DAYS)
            assert min(after.used_mm, after.drained_mm) >= 0.0
            estimate, balance_mm = after.estimate, balance_mm + after.used_mm + after.drained_mm
    assert estimate.depletion_mm - start_mm == pytest.approx(balance_mm, abs=1e-9)


@settings(deadline=None, max_examples=60)
@given(st.floats(-20.0, 39.0), st.floats(0.0, 4.0), st.floats(0.001, 1.0))
def test_what_is_foreseen_is_what_a_sure_bed_lives(depletion_mm: float, wanted_mm: float, days: float) -> None:
    life = lived(sure(depletion_mm), draws(wanted_mm), days, DRAIN_DAYS)
    assert foreseen(depletion_mm, life.used_mm, days, DRAIN_DAYS) == life.estimate.depletion_mm


@settings(deadline=None, max_examples=60)
@given(st.floats(-20.0, 39.0), st.floats(0.1, 8.0), st.floats(0.0, 4.0))
def test_an_unsure_bed_is_expected_to_drain_a_little_more_than_is_foreseen(
    depletion_mm: float, sd_mm: float, wanted_mm: float
) -> None:
    """For its wetter half drains, and its drier half gains nothing: at the most 0.4 of the doubt, at field capacity."""
    unsure = new_estimate(depletion_mm, sd_mm)
    life = lived(unsure, draws(wanted_mm), TWO_HOURS, DRAIN_DAYS)
    plan_mm = foreseen(depletion_mm, life.used_mm, TWO_HOURS, DRAIN_DAYS)
    assert -1e-9 <= life.estimate.depletion_mm - plan_mm <= 0.4 * 0.11 * (sd_mm + 0.25 * wanted_mm) + 1e-9


def test_only_what_stands_above_field_capacity_drains() -> None:
    """By e^(-t/T) of it, and never past field capacity."""
    after = lived(sure(-10.0), draws(0.0), 0.8, DRAIN_DAYS)
    assert after.estimate.depletion_mm == pytest.approx(-10.0 / math.e)
    assert lived(sure(3.0), draws(0.0), 5.0, DRAIN_DAYS).drained_mm == 0.0


# Doubt --------------------------------------------------------------------------------------------


def test_doubt_grows_with_what_is_drawn_and_shrinks_with_every_reading() -> None:
    start = new_estimate(2.0, 0.5)
    sds = [of(start, 1.0, daily_mm).sd_mm for daily_mm in (0.0, 2.0, 5.0, 9.0)]
    assert sds == sorted(sds)
    assert sds[0] == pytest.approx(0.5, rel=1e-3)
    assert sds[3] > sds[1] + 1.0
    days = [of(start, day, 3.0).sd_mm for day in range(4)]
    assert all(later > sooner for sooner, later in pairwise(days))
    estimate = meet(of(start, 3.0, 5.0), "a")
    for _ in range(5):
        after = read(estimate, "a", FIELD_CAPACITY - estimate.depletion_mm / SCALE_MM)
        assert after.sd_mm < estimate.sd_mm
        assert after.offset_sd("a") < estimate.offset_sd("a")
        estimate = after


def test_a_soak_beyond_doubt_makes_a_bed_sure() -> None:
    """It fills whatever was missing, and what was too much drains: two days later nobody need ask how dry it was."""
    unsure = new_estimate(8.0, 6.0)
    soaked = of(watered(unsure, 30.0), 2.0, 6.0)
    skimped = of(watered(unsure, 8.0), 2.0, 6.0)
    assert soaked.sd_mm < 2.2 < 3.5 < skimped.sd_mm
    assert soaked.depletion_mm == pytest.approx(6.0, abs=3.0)


@pytest.mark.parametrize("depletion_mm", [-15.0, -8.0, -4.0, 0.0, 3.0])
@pytest.mark.parametrize("sd_mm", [1.0, 3.0, 6.0])
def test_the_doubt_about_a_draining_bed_is_that_of_many_beds(depletion_mm: float, sd_mm: float) -> None:
    """Against 20 000 beds drawn from the belief, drained and drawn from one by one for two summer days.

    A step's moments are exact; that each step begins with a normal belief again costs up to a tenth of the doubt.
    """
    tiny = 1e-8
    estimate = Estimate((depletion_mm, 0.0, 0.0), ((sd_mm**2, 0.0, 0.0), (0.0, tiny, 0.0), (0.0, 0.0, tiny)))
    estimate = meet(estimate, "a")
    chance = np.random.default_rng(11)
    beds = chance.normal(depletion_mm, sd_mm, 20_000)
    keep = math.exp(-TWO_HOURS / DRAIN_DAYS)
    for _ in range(2):
        that_day = 1.0 + 0.11 * chance.normal(size=beds.size)
        for step in range(12):
            wanted_mm = 1.0 if step < 6 else 0.0
            estimate = lived(estimate, lambda d, g, h, w=wanted_mm: w, TWO_HOURS, DRAIN_DAYS).estimate  # type: ignore[misc]
            beds = beds + wanted_mm * that_day
            beds = np.where(beds < 0.0, beds * keep, beds)
    assert estimate.sd_mm == pytest.approx(float(beds.std()), rel=0.15, abs=0.05)
    assert estimate.depletion_mm == pytest.approx(float(beds.mean()), abs=0.1 * sd_mm)


def test_a_bed_without_a_probe_drains_as_the_balance_does() -> None:
    """FAO-56 eq. 88: what is above field capacity drains, and a doubt is no water."""
    unsure = new_estimate(0.5, 4.0)
    after = lived(unsure, lambda d, g, h: 0.0, TWO_HOURS, DRAIN_DAYS)
    assert after.drained_mm == 0.0
    assert after.estimate.depletion_mm == 0.5
    assert lived(meet(unsure, "a"), lambda d, g, h: 0.0, TWO_HOURS, DRAIN_DAYS).drained_mm > 0.1
    wet = lived(replace(unsure, mean=(-3.0, 0.0, 0.0)), lambda d, g, h: 0.0, TWO_HOURS, DRAIN_DAYS)
    assert wet.drained_mm == pytest.approx(3.0 * (1.0 - math.exp(-TWO_HOURS / DRAIN_DAYS)))


def test_a_days_error_is_the_same_however_finely_the_day_is_cut() -> None:
    """Daylight of 0.6 days in 6, 12 or 72 steps, from the same sure start."""

    def after(steps: int) -> float:
        estimate = Estimate((2.0, 0.0, 0.0), ((1e-8, 0.0, 0.0), (0.0, 1e-8, 0.0), (0.0, 0.0, 1e-8)))
        for _ in range(steps):
            estimate = lived(estimate, draws(6.0 / steps), 0.6 / steps, DRAIN_DAYS).estimate
        return estimate.sd_mm

    assert after(12) == pytest.approx(after(6), rel=0.03)
    assert after(72) == pytest.approx(after(6), rel=0.03)


# Learning -----------------------------------------------------------------------------------------


class TrueBed:
    """A bed that is other than the tables say: it draws `demand` times as much. Written apart from what is tested."""

    def __init__(self, demand: float = 1.0, depletion_mm: float = 8.0) -> None:
        self.demand, self.depletion_mm = demand, depletion_mm

    def live(self, days: float, wanted_mm: float) -> None:
        ease = min(1.0, (AVAILABLE_MM - self.depletion_mm) / (AVAILABLE_MM - EASY_MM))
        self.depletion_mm += self.demand * ease * wanted_mm
        if self.depletion_mm < 0.0:
            self.depletion_mm *= math.exp(-days / DRAIN_DAYS)

    @property
    def moisture(self) -> float:
        return FIELD_CAPACITY - self.depletion_mm / SCALE_MM


def live_through(
    truth: TrueBed, estimate: Estimate, days: int, soak: Callable[[Estimate], float], noise_sd: float, bias: float
) -> Estimate:
    """Days of six steps of daylight and six of night, a reading each, and a soak of that net depth at every dawn."""
    chance = random.Random(3)
    estimate = meet(estimate, "a", 0.03)
    for _ in range(days):
        net_mm = soak(estimate)
        truth.depletion_mm -= net_mm
        estimate = watered(estimate, net_mm)
        for step in range(12):
            wanted_mm = 1.0 if step < 6 else 0.0
            truth.live(TWO_HOURS, wanted_mm)
            estimate = lived(estimate, draws(wanted_mm), TWO_HOURS, DRAIN_DAYS).estimate
            estimate = read(estimate, "a", truth.moisture + bias + chance.gauss(0.0, noise_sd), noise_sd)
    return estimate


def test_the_zero_of_a_biased_probe_is_learnt_from_a_bed_that_was_surely_full() -> None:
    """Without such a soak bias and dryness look alike; after it the probe's field capacity is plain to see."""
    truth = TrueBed(depletion_mm=8.0)
    riddle = live_through(truth, new_estimate(8.0, 6.0), 1, lambda _: 0.0, 0.005, 0.04)
    assert riddle.offset_sd("a") > 0.010
    learnt = live_through(truth, riddle, 3, lambda e: 35.0 if e.depletion_mm > 10.0 else 0.0, 0.005, 0.04)
    assert learnt.offset("a") == pytest.approx(0.04, abs=0.008)
    assert learnt.offset_sd("a") < riddle.offset_sd("a")
    assert learnt.depletion_mm == pytest.approx(truth.depletion_mm, abs=3.0)


@pytest.mark.parametrize("demand", [0.85, 1.0, 1.2])
def test_a_beds_own_demand_is_learnt_from_how_fast_it_dries(demand: float) -> None:
    """Twenty days with a good probe, filled up whenever a third of the easy water is gone."""
    truth = TrueBed(demand)

    def soak(estimate: Estimate) -> float:
        return max(0.0, estimate.depletion_mm) if estimate.depletion_mm > EASY_MM / 3.0 else 0.0

    learnt = live_through(truth, new_estimate(8.0, 8.0), 20, soak, 0.005, 0.0)
    assert learnt.demand_factor == pytest.approx(demand, abs=0.1)


def test_a_bed_that_holds_less_than_the_table_is_told_by_how_it_slows() -> None:
    """Let run dry for a week and more, a bed of 0.8 of the table's store is believed to hold less than one of 1.2."""
    learnt = {}
    for store in (0.8, 1.2):
        estimate, depletion_mm, chance = meet(new_estimate(0.0, 0.5), "a", 0.005), 0.0, random.Random(5)
        for step in range(12 * 9):
            wanted_mm = 1.0 if step % 12 < 6 else 0.0
            depletion_mm += draws(wanted_mm)(depletion_mm, 1.0, store)
            estimate = lived(estimate, draws(wanted_mm), TWO_HOURS, DRAIN_DAYS).estimate
            reading = FIELD_CAPACITY - depletion_mm / SCALE_MM + chance.gauss(0.0, 0.003)
            estimate = read(estimate, "a", reading, 0.003)
        learnt[store] = estimate.holds_factor
    assert learnt[0.8] < 0.93 < 1.05 < learnt[1.2]


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(-0.5, 1.0), min_size=1, max_size=60))
def test_no_reading_moves_what_is_learnt_beyond_its_bounds(readings: list[float]) -> None:
    estimate = meet(new_estimate(8.0, 8.0), "a")
    for reading in readings:
        estimate = read(of(estimate, 0.25, 6.0, steps=8), "a", reading, 0.001)
        for learnt in (estimate.demand_factor, estimate.holds_factor):
            assert math.exp(LEARNT_LEAST) - 1e-12 <= learnt <= math.exp(LEARNT_MOST) + 1e-12
        assert abs(estimate.offset("a")) <= OFFSET_MOST_SDS * OFFSET_SD + 1e-12


def test_a_probe_is_met_once_and_each_has_a_zero_of_its_own() -> None:
    alone = meet(new_estimate(5.0, 3.0), "a", 0.02)
    assert meet(alone, "a", 0.5) is alone
    both = meet(alone, "b", 0.04)
    assert (both.probes, both.depletion_mm) == (("a", "b"), 5.0)
    assert (both.offset("a"), both.offset_sd("a"), both.offset_sd("b")) == (0.0, 0.02, 0.04)
    assert (both.offset("c"), both.offset_sd("c")) == (0.0, OFFSET_SD)
    after = read(both, "a", 0.10)
    assert after.offset("a") < 0.0
    assert abs(after.offset("b")) < 1e-12, "a word of one says nothing of the other's zero"


def test_forgotten_is_as_new_but_for_the_water() -> None:
    taught = read(of(meet(new_estimate(5.0, 3.0), "a"), 2.0, 6.0), "a", 0.05)
    assert taught.demand_factor != 1.0
    fresh = forgotten(taught)
    assert fresh.depletion_mm == taught.depletion_mm
    assert (fresh.demand_factor, fresh.holds_factor, fresh.probes) == (1.0, 1.0, ())
    assert fresh.sd_mm >= 1.0
