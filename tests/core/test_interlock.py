"""Each veto, alone."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest

from controller.core.garden import Garden, Hold, Lock, Need, Probe, Pulse, Purpose, SensorWord, Watering
from controller.core.interlock import FROST_C, FROST_MEMORY, LATE, RAIN_SWITCH_MEMORY, VETOES, Case, hold_on, veto
from controller.core.moment import Now
from controller.core.site import Hours, Rule, Sensor
from controller.core.step import new_garden
from tests.core.gardens import a_site, a_zone

UTC_NOW = datetime(2026, 7, 15, 4, tzinfo=UTC)
SENSORS = (Sensor("air", "air temperature"), Sensor("switch", "rain switch"), Sensor("button", "stop switch"))
SITE = a_site(a_zone("tomatoes"), a_zone("salad"), sensors=SENSORS)
READY = replace(new_garden(SITE, Now(1.0, UTC_NOW)), guard_ready=True)


def a_case(
    garden: Garden = READY, purpose: Purpose = "dawn soak", *, trusted: bool = True, late: timedelta = timedelta()
) -> Case:
    pulse = Pulse("w-1", "tomatoes", UTC_NOW - late, 600.0, 30.0)
    need = Need("tomatoes", purpose, 3.0, 3.3, 33.0, ())
    watering = Watering("w", "tomatoes", purpose, UTC_NOW.date(), need, 0.0, UTC_NOW + timedelta(hours=2), (pulse,))
    return Case(SITE, garden, watering, pulse, Now(1.0, UTC_NOW, trusted))


def objection(case: Case) -> tuple[str, bool] | None:
    found = veto(case)
    return None if found is None else (found.name, found.lasting)


def air(value: float | None, age: timedelta = timedelta()) -> Garden:
    return replace(READY, probes={"air": Probe(value=value, at=UTC_NOW - age)})


def switch(value: float, age: timedelta = timedelta()) -> Garden:
    return replace(READY, probes={"switch": Probe(value=value, at=UTC_NOW - age)})


def pressed(value: float, word: SensorWord = "good") -> Garden:
    return replace(READY, probes={"button": Probe(value=value, at=UTC_NOW, word=word)})


def locked(zone: str | None) -> Garden:
    return replace(READY, locks=(Lock(zone, "burst", "far too much water", UTC_NOW),))


def held(zone: str | None, until: datetime | None = None) -> Garden:
    return replace(READY, holds=(Hold(zone, until, UTC_NOW),))


def test_nothing_speaks_against_an_ordinary_pulse() -> None:
    assert veto(a_case()) is None


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        (a_case(replace(READY, guard_ready=False)), ("guard", False)),
        (a_case(trusted=False), ("clock", False)),
        (a_case(trusted=False, purpose="by hand"), None),
        (a_case(held(None)), ("hold", True)),
        (a_case(held("tomatoes")), ("hold", True)),
        (a_case(held("tomatoes"), purpose="by hand"), ("hold", True)),
        (a_case(held("salad")), None),
        (a_case(air(FROST_C)), ("frost", True)),
        (a_case(air(FROST_C + 0.1)), None),
        (a_case(air(-5.0, FROST_MEMORY)), ("frost", True)),
        (a_case(air(-5.0, FROST_MEMORY + timedelta(seconds=1))), None),
        (a_case(air(None)), None),
        (a_case(switch(1.0)), ("rain", True)),
        (a_case(switch(1.0), purpose="by hand"), None),
        (a_case(switch(0.0)), None),
        (a_case(switch(1.0, RAIN_SWITCH_MEMORY + timedelta(seconds=1))), None),
        (a_case(locked(None)), ("lock", True)),
        (a_case(locked("tomatoes")), ("lock", True)),
        (a_case(locked("salad")), None),
        (a_case(pressed(1.0)), ("stop switch", True)),
        (a_case(pressed(1.0, "stale")), None),
        (a_case(pressed(0.0)), None),
        (a_case(late=LATE), None),
        (a_case(late=LATE + timedelta(seconds=1)), ("late", False)),
    ],
)
def test_each_veto(case: Case, expected: tuple[str, bool] | None) -> None:
    assert objection(case) == expected


@pytest.mark.parametrize(
    ("rule", "purpose", "expected"),
    [
        (Rule("the ban", True, weekdays=frozenset({2})), "dawn soak", ("rule", False)),
        (Rule("the ban", True, weekdays=frozenset({2})), "by hand", ("rule", False)),
        (Rule("the ban", True, weekdays=frozenset({2}), exempt=frozenset({"by hand"})), "by hand", None),
        (Rule("the ban", True, weekdays=frozenset({3})), "dawn soak", None),
        (Rule("the ban", True, hours=(Hours(time(5, 9), time(6)),)), "dawn soak", ("rule", False)),
        (Rule("the ban", True, hours=(Hours(time(5, 10), time(6)),)), "dawn soak", None),
        (Rule("the ban", True, weekdays=frozenset({2}), zones=frozenset({"salad"})), "dawn soak", None),
    ],
)
def test_a_rule_of_the_place_is_kept_at_the_valve_too(
    rule: Rule, purpose: Purpose, expected: tuple[str, bool] | None
) -> None:
    """UTC_NOW is a Wednesday, 05:00 in Lisbon; the pulse lasts ten minutes."""
    case = a_case(purpose=purpose)
    assert objection(replace(case, site=replace(SITE, rules=(rule,)))) == expected


def test_a_veto_by_a_rule_says_when_water_may_run_again() -> None:
    site = replace(SITE, rules=(Rule("the Wednesday ban", True, weekdays=frozenset({2})),))
    found = veto(replace(a_case(), site=site))
    assert found is not None
    assert found.said == "The Wednesday ban lets no water run here before Thu 16 Jul 00:00."


def test_the_first_of_several_is_told() -> None:
    everything = replace(held(None), guard_ready=False, probes=air(-5.0).probes)
    assert objection(a_case(everything, trusted=False, late=timedelta(hours=1))) == ("guard", False)
    assert len(VETOES) == 11, "a new veto wants a line in the table above (that of the tank is in test_tank)"


def test_a_veto_says_when_it_ends_in_the_time_of_the_place() -> None:
    until = veto(a_case(held(None, UTC_NOW + timedelta(hours=1))))
    assert until is not None
    assert until.said == "Watering is on hold until Wed 06:00."
    without = veto(a_case(held(None)))
    assert without is not None
    assert without.said == "Watering is on hold until it is released."


def test_a_hold_on_the_site_covers_every_zone_and_one_on_a_zone_only_that() -> None:
    site_hold, zone_hold = Hold(None, None, UTC_NOW), Hold("salad", None, UTC_NOW)
    assert hold_on((site_hold,), "salad") == hold_on((site_hold,), None) == site_hold
    assert hold_on((zone_hold,), "salad") == zone_hold
    assert hold_on((zone_hold,), "tomatoes") is None
    assert hold_on((zone_hold,), None) is None
