"""The watchers, each on a diary that was made by hand to break what it watches."""

from dataclasses import replace

import pytest

from controller.guard.rules import DAY_S, MASTER, SUPPLY, Charge, MasterRule, SupplyRule, ValveRule
from controller.sim.watch import (
    PROPERTIES,
    longest_opening,
    openings,
    pump_against_closed,
    rolling_day,
    supply_capacity,
    violations,
)
from controller.sim.world import Level

CHARGE = Charge(
    supplies={SUPPLY: SupplyRule(12.0, MasterRule(2.0, 2.0)), "tank": SupplyRule(2.0, MasterRule(1.0, 1.0))},
    valves={
        "beans": ValveRule(8.0, 600.0, 1800.0),
        "leeks": ValveRule(4.0, 600.0, 1800.0),
        "figs": ValveRule(1.0, 600.0, 9e4),
        "limes": ValveRule(2.0, 600.0, 1800.0, "tank"),
    },
)


def diary(*changes: tuple[float, str]) -> list[Level]:
    """Levels from "names that are on" at each second."""
    return [Level(0.0, frozenset()), *(Level(at, frozenset(names.split())) for at, names in changes)]


def on_and_off(*spans: tuple[float, float], name: str = "beans") -> list[Level]:
    return diary(*(change for a, b in spans for change in ((a, name), (b, ""))))


GOOD = diary(
    (10.0, "beans"), (12.0, "beans master"), (300.0, "beans leeks master"), (598.0, "leeks master"), (700.0, "leeks"),
    (702.0, ""),
)


def test_a_good_night_breaks_nothing() -> None:
    assert violations(GOOD, CHARGE, 1000.0) == []


def test_openings_are_read_off_the_diary_and_one_that_lasts_ends_with_it() -> None:
    assert openings(GOOD, "beans", 1000.0) == [(10.0, 598.0)]
    assert openings(GOOD, MASTER, 1000.0) == [(12.0, 700.0)]
    assert openings(diary((10.0, "beans")), "beans", 50.0) == [(10.0, 50.0)]
    assert openings(GOOD, "figs", 1000.0) == []


@pytest.mark.parametrize(("length_s", "broken"), [(600.0, False), (601.0, False), (601.1, True)])
def test_an_opening_beyond_its_limit_is_seen(length_s: float, broken: bool) -> None:
    found = list(longest_opening(on_and_off((5.0, 5.0 + length_s)), CHARGE, 9999.0))
    assert bool(found) == broken
    assert not broken or found == ["beans was open for 601 s, its limit is 600 s"]


def test_an_opening_that_never_ends_is_seen() -> None:
    assert list(longest_opening(diary((5.0, "beans")), CHARGE, 700.0)) == [
        "beans was open for 695 s, its limit is 600 s"
    ]


def test_too_much_in_any_24_hours_is_seen_wherever_they_begin() -> None:
    """Three times 600 s is the limit. The fourth is too much within a day of the first, midnight or not."""
    three = [(n * 20_000.0, n * 20_000.0 + 600.0) for n in range(3)]
    assert list(rolling_day(on_and_off(*three), CHARGE, 9e5)) == []
    fine = on_and_off(*three, (DAY_S + 600.0, DAY_S + 1200.0))
    assert list(rolling_day(fine, CHARGE, 9e5)) == [], "the first has left the window"
    early = on_and_off(*three, (DAY_S - 600.0, DAY_S))
    assert list(rolling_day(early, CHARGE, 9e5)) == ["beans was open 2400 s within 24 h, its limit is 1800 s"]
    half = on_and_off(*three, (DAY_S - 200.0, DAY_S + 400.0))
    assert list(rolling_day(half, CHARGE, 9e5)) == ["beans was open 2000 s within 24 h, its limit is 1800 s"]


def test_more_flow_than_the_supply_gives_is_seen() -> None:
    assert list(supply_capacity(diary((1.0, "beans leeks")), CHARGE, 9.0)) == []
    assert list(supply_capacity(diary((1.0, "beans leeks figs")), CHARGE, 9.0)) == [
        "beans, figs, leeks drew 13.0 L/min at 1 s"
    ]
    assert list(supply_capacity(diary((1.0, "beans leeks limes")), CHARGE, 9.0)) == []
    smaller = {**CHARGE.supplies, SUPPLY: SupplyRule(11.9)}
    assert list(supply_capacity(diary((1.0, "beans leeks")), replace(CHARGE, supplies=smaller), 9.0))


def test_a_pump_against_closed_valves_is_seen() -> None:
    assert list(pump_against_closed(diary((1.0, "beans master"), (2.0, "master")), CHARGE, 9.0)) == [
        "the master was on against closed valves at 2 s"
    ]
    on_the_other = [Level(3.0, frozenset({"beans", "master tank"}))]
    assert list(pump_against_closed(on_the_other, CHARGE, 9.0)) == [
        "the master tank was on against closed valves at 3 s"
    ]


def test_every_watcher_is_asked() -> None:
    assert set(PROPERTIES) == {longest_opening, rolling_day, supply_capacity, pump_against_closed}
    bad = diary((1.0, "beans leeks figs"), (700.0, "master"), (1000.0, "beans"), (3000.0, ""))
    words = " | ".join(violations(bad, CHARGE, 9999.0))
    for said in ("its limit is 600 s", "within 24 h", "drew 13.0 L/min", "against closed valves"):
        assert said in words
