"""Who goes without: what a cut costs, by published factors, and in which order pulses are given up."""

import pytest

from controller.agronomy.crop import CROPS
from controller.agronomy.root_zone import stress_coefficient
from controller.agronomy.yield_response import YIELD_RESPONSE, relative_loss, response_factor
from controller.core.shortage import BY_HAND, UNEASE, Stake, cheapest_first

RIPE = Stake(worth=1.0, depletion_mm=10.0, available_mm=50.0, fraction=0.4)


@pytest.mark.published(source="Doorenbos & Kassam (1979), FAO-33, Table 24: Ky by crop and stage; from memory")
@pytest.mark.parametrize(
    ("crop", "stages", "season"),
    [
        ("tomato", (0.4, 1.1, 0.8, 0.4), 1.05),
        ("sweet corn", (0.4, 1.5, 0.5, 0.2), 1.25),
        ("green bean", (0.2, 1.1, 0.75, 0.2), 1.15),
        ("watermelon", (0.45, 0.8, 0.8, 0.3), 1.1),
    ],
)
def test_yield_response_factors(crop: str, stages: tuple[float, ...], season: float) -> None:
    row = YIELD_RESPONSE[crop]
    assert (row.of("vegetative"), row.of("flowering"), row.of("yield formation"), row.of("ripening")) == stages
    assert row.season == season


def test_the_factor_follows_the_stages_of_the_crop_and_unknown_crops_lose_their_share() -> None:
    tomato = CROPS["tomato"]  # 30, 40, 45 and 30 days
    assert [response_factor(tomato, day) for day in (10, 69, 70, 92, 93, 115, 116)] == [
        0.4, 0.4, 1.1, 1.1, 0.8, 0.8, 0.4,
    ]  # fmt: skip
    assert response_factor(CROPS["potato"], None) == 0.7
    assert response_factor(CROPS["mint"], 40) == 1.0
    assert relative_loss(1.1, 0.5) == pytest.approx(0.55)
    assert relative_loss(1.5, 0.1) == 1.0


@pytest.mark.published(source="Allen et al. (1998), FAO-56 eq. 84: Ks")
@pytest.mark.parametrize("short_mm", [0.0, 5.0, 12.0, 20.0, 30.0])
def test_a_cut_costs_the_stress_that_it_means_squared(short_mm: float) -> None:
    depletion_mm = 10.0 + short_mm
    stress = 1.0 - stress_coefficient(depletion_mm, 50.0, 0.4)
    assert RIPE.cost(short_mm) == pytest.approx(stress**2 + UNEASE * (depletion_mm / 50.0) ** 2)


def test_two_alike_take_turns() -> None:
    assert list(cheapest_first([RIPE, RIPE], [(5.0,) * 3, (5.0,) * 3])) == [1, 0, 1, 0, 1, 0]


def test_what_can_bear_it_gives_first_and_what_is_dear_last() -> None:
    deep = Stake(1.0, 10.0, 120.0, 0.4)
    dear = Stake(3.0, 10.0, 50.0, 0.4)
    order = list(cheapest_first([dear, RIPE, deep], [(4.0,) * 4] * 3))
    assert sorted(order) == [0] * 4 + [1] * 4 + [2] * 4
    assert order[:3] == [2, 2, 2]
    assert order.index(1) < order.index(0)
    assert order[-1] == 0


def test_what_a_person_asked_for_goes_last() -> None:
    seedlings = Stake(10.0, 30.0, 20.0, 0.3)
    assert list(cheapest_first([BY_HAND, seedlings], [(5.0, 5.0), (5.0, 5.0)])) == [1, 1, 0, 0]
