"""A tank that fills slowly: what it holds, and that neither plan nor valve draws more than that."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.events import Reading
from controller.core.garden import Garden, Plan, Pulse, TankLevel
from controller.core.interleave import Chain, draws, lay_forward
from controller.core.interlock import Case, veto
from controller.core.moment import Now, local_midnight
from controller.core.plan import make_plan
from controller.core.site import Sensor, Site, Supply, Tank
from controller.core.soil import believed
from controller.core.step import new_garden
from controller.core.tank import GRACE_L, Store, levels_at, stores_of
from controller.core.weather import take_forecast
from tests.core.gardens import LISBON, Life, a_forecast, a_site, a_zone

DAY = date(2026, 7, 14)
NOON = local_midnight(DAY, LISBON) + timedelta(hours=12)
MINUTE = timedelta(minutes=1)


def a_tank_site(tank: Tank, *, sensors: tuple[Sensor, ...] = ()) -> Site:
    """Three beds of 10 m2 on one tank that gives 12 L/min."""
    zones = (a_zone("beans", value=1), a_zone("tomatoes", value=3), a_zone("salad", tender=True))
    return a_site(*zones, sensors=sensors, supplies=(Supply(12.0, tank=tank),))


def a_dry_garden(site: Site, missing_mm: float = 12.0) -> Garden:
    fresh = new_garden(site, Now(1.0, NOON))
    beds = {zone: believed(bed, missing_mm, 1.0) for zone, bed in fresh.beds.items()}
    book = take_forecast(fresh.weather, a_forecast(local_midnight(DAY, LISBON), [36.0] * 6), site)
    return replace(fresh, beds=beds, weather=book, guard_ready=True)


def lowest_l(site: Site, plan: Plan) -> float:
    """The lowest level by the minute, reckoned apart from the code under test."""
    tank = site.supplies[0].tank
    assert tank is not None
    pulses = [pulse for watering in plan.waterings for pulse in watering.pulses]
    litres = lowest = tank.capacity_l if tank.start_l is None else tank.start_l
    at = NOON
    while at < NOON + timedelta(days=5):
        open_l_min = sum(
            site.zone(p.zone).line.flow_l_min * max(0.0, (min(p.end, at + MINUTE) - max(p.start, at)) / MINUTE)
            for p in pulses
        )
        litres = min(tank.capacity_l, litres + tank.inflow_l_h / 60.0 - open_l_min)
        lowest, at = min(lowest, litres), at + MINUTE
    return lowest


# The level ----------------------------------------------------------------------------------------


def test_it_fills_by_its_inflow_and_never_over_its_rim() -> None:
    site = a_tank_site(Tank(500.0, inflow_l_h=60.0, start_l=100.0))
    garden = levels_at(site, new_garden(site, Now(1.0, NOON)), NOON)
    assert garden.tanks["supply"].litres == 100.0
    assert levels_at(site, garden, NOON + timedelta(hours=3)).tanks["supply"].litres == pytest.approx(280.0)
    assert levels_at(site, garden, NOON + timedelta(hours=30)).tanks["supply"].litres == 500.0


def test_what_is_given_is_taken_from_it_and_a_level_sensor_has_the_last_word() -> None:
    level = Sensor("level", "tank level", supply="supply")
    site = a_tank_site(Tank(500.0), sensors=(level,))
    life = Life(site, local_midnight(DAY, LISBON)).begin(a_forecast(local_midnight(DAY, LISBON), [38.0] * 5))
    life.garden = replace(life.garden, beds={z: believed(b, 14.0, 1.0) for z, b in life.garden.beds.items()})
    life.until(NOON)
    given_l = sum(life.litres().values())
    assert 0.0 < given_l <= 500.0
    assert life.garden.tanks["supply"].litres == pytest.approx(500.0 - given_l, abs=2.0)
    life.tell(Reading("level", 321.0, life.utc))
    assert life.garden.tanks["supply"].litres == pytest.approx(321.0)


def test_a_store_tells_what_it_lacks_at_the_worst() -> None:
    """By hand: 100 L, 6 L/h in; 10 L/min for 8 min take 79.2 L net, and 21 L are left where 40 L are kept."""
    store = Store(Tank(200.0, inflow_l_h=6.0, kept_l=40.0), 100.0, NOON)
    assert store.short_l([(0.0, 480.0, 10.0)]) == pytest.approx(19.2)
    assert store.short_l([(0.0, 300.0, 10.0)]) == 0.0
    assert store.wait_s(19.2) == pytest.approx(19.2 * 600.0)
    assert store.after([(0.0, 300.0, 10.0)], 600.0).litres == pytest.approx(100.0 - 50.0 + 1.0)
    assert store.after([], 86400.0 * 30).litres == 200.0


# Laying -------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 4), st.integers(60, 900), st.integers(0, 900), st.integers(1, 9)), min_size=1,
             max_size=4),
    st.integers(20, 300), st.integers(30, 600), st.integers(0, 100),
)  # fmt: skip
def test_no_pulse_is_laid_that_the_tank_does_not_bear(
    rows: list[tuple[int, int, int, int]], capacity_l: int, inflow_l_h: int, kept_percent: int
) -> None:
    chains = [Chain(f"z{i}", (float(on),) * n, float(rest), float(flow)) for i, (n, on, rest, flow) in enumerate(rows)]
    tank = Tank(float(capacity_l), float(inflow_l_h), capacity_l * kept_percent / 200.0)
    slots = lay_forward(chains, 12.0, store=Store(tank, float(capacity_l), NOON))
    in_time = [slot for slot in slots if slot.end_s < 2 * 86400.0]
    litres, at = float(capacity_l), 0
    while in_time and at < max(slot.end_s for slot in in_time):
        laid = draws(chains, in_time)
        out = sum(flow * max(0.0, min(end, at + 10) - max(begin, at)) / 10.0 for begin, end, flow in laid)
        litres = min(tank.capacity_l, litres + (tank.inflow_l_h / 60.0 - out) / 6.0)
        assert litres >= tank.kept_l - GRACE_L - out / 6.0
        at += 10


# The plan -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "tank",
    [Tank(300.0, 30.0), Tank(150.0, 120.0, 30.0), Tank(1000.0, 0.0, 100.0, 250.0), Tank(80.0, 20.0)],
)
def test_the_plan_never_draws_the_tank_below_what_it_keeps(tank: Tank) -> None:
    site = a_tank_site(tank)
    plan = make_plan(site, a_dry_garden(site), NOON, "a test")
    assert plan.waterings
    assert lowest_l(site, plan) >= tank.kept_l - 1.0


def test_a_slow_well_is_used_through_the_night_and_not_only_when_its_tank_is_full() -> None:
    """150 L and 2 L/min: six hours of night bring five tanks, and the plan takes far more than one of them."""
    site = a_tank_site(Tank(150.0, 120.0))
    plan = make_plan(site, a_dry_garden(site, 20.0), NOON, "a test")
    soaks_l = sum(w.litres_to_come for w in plan.waterings if w.day == DAY + timedelta(days=1))
    assert soaks_l > 400.0


def test_what_the_tank_lacks_is_shared_by_worth_and_said() -> None:
    site = a_tank_site(Tank(1000.0, 0.0, start_l=180.0))
    plan = make_plan(site, a_dry_garden(site), NOON, "a test")
    first = min(w.day for w in plan.waterings)
    got_mm = {w.zone: w.need.net_mm for w in plan.waterings if w.day == first}
    assert got_mm["salad"] > got_mm.get("beans", 0.0)
    assert any(remark.startswith("Beans: the tank does not hold enough for all of the ") for remark in plan.remarks)


def test_a_tank_that_is_ample_changes_nothing() -> None:
    without = a_site(*a_tank_site(Tank(1.0)).zones, supplies=(Supply(12.0),))
    ample = a_tank_site(Tank(100_000.0))
    plans = [make_plan(site, a_dry_garden(site), NOON, "a test") for site in (without, ample)]
    assert plans[0].waterings == plans[1].waterings


# The last word ------------------------------------------------------------------------------------


def test_a_pulse_that_the_tank_does_not_bear_is_not_opened() -> None:
    site = a_tank_site(Tank(500.0, kept_l=50.0))
    garden = a_dry_garden(site)
    plan = make_plan(site, garden, NOON, "a test")
    watering = plan.waterings[0]
    pulse: Pulse = watering.pulses[0]
    at = Now(1.0, pulse.start.astimezone(UTC))
    for litres, name in ((500.0, None), (50.0 + pulse.litres - 10.0, "tank")):
        low = replace(garden, plan=plan, tanks={"supply": TankLevel(litres, at.utc)})
        objection = veto(Case(site, low, watering, pulse, at))
        assert (objection and objection.name) == name
    assert objection is not None
    assert "of which 50 L stay in it" in objection.said
    assert not objection.lasting, "it is planned anew"


def test_what_runs_already_is_not_counted_as_still_there() -> None:
    site = a_tank_site(Tank(500.0))
    garden = a_dry_garden(site)
    plan = make_plan(site, garden, NOON, "a test")
    watering = plan.waterings[0]
    running = replace(watering, pulses=(replace(watering.pulses[0], state="running"),))
    now = datetime.fromtimestamp(running.pulses[0].start.timestamp() + running.pulses[0].seconds / 2.0, UTC)
    half = replace(garden, plan=replace(plan, waterings=(running,)), tanks={"supply": TankLevel(500.0, now)})
    left = stores_of(site, half, now)["supply"].litres
    assert left == pytest.approx(500.0 - running.pulses[0].litres / 2.0, abs=0.1)
