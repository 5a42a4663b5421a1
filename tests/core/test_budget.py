"""Budgets of water: counted right, by litres and by money; never passed; spread when they will not last."""

from dataclasses import replace
from datetime import date, datetime, timedelta
from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from controller.core.budget import cost, counted, left_l, none_after, period, today_l, with_given
from controller.core.events import Ask
from controller.core.garden import Garden, Plan
from controller.core.interlock import Case, veto
from controller.core.moment import Now, local_date, local_midnight
from controller.core.plan import make_plan
from controller.core.site import Budget, Hours, Line, Pots, Rule, Site, Supply, Tariff
from controller.core.soil import believed
from controller.core.step import new_garden
from controller.core.weather import take_forecast
from tests.core.gardens import LISBON, Life, a_forecast, a_site, a_zone

ONE_DAY = timedelta(days=1)
MONDAY = date(2026, 7, 13)
NOON = local_midnight(MONDAY, LISBON) + timedelta(hours=12)
STEPS = Tariff(((5.0, 0.70), (15.0, 1.20), (inf, 2.60)), house_m3=4.0)


# The books ----------------------------------------------------------------------------------------


def test_a_tariff_rises_in_steps_and_the_house_comes_first() -> None:
    """By hand: of 3 m3 after the house's 4, one costs 0.70 and two 1.20; 12 m3 reach one m3 into the last step."""
    assert cost(STEPS, 3000.0) == pytest.approx(0.70 + 2 * 1.20)
    assert cost(STEPS, 12_000.0) == pytest.approx(0.70 + 10 * 1.20 + 2.60)
    bill = Budget("the bill", "month", 3.10, STEPS)
    assert left_l(bill, {}, MONDAY) == pytest.approx(3000.0)
    assert left_l(bill, {date(2026, 7, 2): 1000.0}, MONDAY) == pytest.approx(2000.0)
    assert left_l(bill, {date(2026, 6, 30): 9000.0}, MONDAY) == pytest.approx(3000.0), "June has its own bill"


def test_a_week_of_money_pays_the_price_that_the_month_has_come_to() -> None:
    """By hand: 11 m3 of July beside the house's 4 are gone, so each m3 of the week costs 2.60."""
    bill = Budget("the bill", "week", 2.60, STEPS)
    assert left_l(bill, {date(2026, 7, 6): 11_000.0}, MONDAY) == pytest.approx(1000.0)
    assert left_l(bill, {date(2026, 7, 6): 11_000.0, MONDAY: 600.0}, MONDAY) == pytest.approx(400.0)


def test_days_weeks_and_months_by_the_calendar() -> None:
    assert period(Budget("", "day", 1.0), MONDAY) == (MONDAY, MONDAY + ONE_DAY)
    assert period(Budget("", "week", 1.0), date(2026, 7, 19)) == (MONDAY, date(2026, 7, 20))
    assert period(Budget("", "month", 1.0), date(2026, 12, 31)) == (date(2026, 12, 1), date(2027, 1, 1))


def test_a_budget_that_lasts_keeps_nobody_short_and_one_that_does_not_is_spread() -> None:
    ration = Budget("the ration", "week", 700.0)
    assert today_l(ration, {}, MONDAY, day_l=90.0, ahead=0) == 700.0
    assert today_l(ration, {}, MONDAY, day_l=200.0, ahead=0) == pytest.approx(100.0)
    assert today_l(ration, {}, MONDAY, day_l=200.0, ahead=1) == pytest.approx(200.0), "tomorrow is closed"
    assert today_l(ration, {MONDAY: 60.0}, MONDAY, day_l=200.0, ahead=0) == pytest.approx(40.0)
    assert today_l(ration, {MONDAY: 400.0}, date(2026, 7, 19), day_l=500.0, ahead=0) == pytest.approx(300.0)


def test_the_ledger_keeps_two_months_and_survives_the_journal() -> None:
    given = with_given({date(2026, 1, 1): {"beans": 5.0}, MONDAY: {"beans": 5.0}}, MONDAY, "beans", 7.0)
    assert given == {MONDAY: {"beans": 12.0}}
    garden = replace(new_garden(a_site(), Now(1.0, NOON)), given=given)
    codec = TypeAdapter(Garden)
    assert codec.validate_json(codec.dump_json(garden)).given == given


def test_water_that_a_wrong_clock_has_dated_ahead_counts_today() -> None:
    given = {MONDAY + 300 * ONE_DAY: {"beans": 5.0}, MONDAY: {"beans": 1.0, "salad": 2.0}}
    assert none_after(given, MONDAY) == {MONDAY: {"beans": 6.0, "salad": 2.0}}


# Plans --------------------------------------------------------------------------------------------

ZONES = (
    a_zone("tomatoes", root_depth_m=0.5),
    a_zone("beans", root_depth_m=0.3),
    a_zone("pots", pots=Pots(8, 30.0), area_m2=2.5, root_depth_m=0.1, line=Line("drippers", 1.0, 24.0)),
)


def a_garden(site: Site, now: datetime, depletion_mm: float, given_l: float) -> Garden:
    fresh = new_garden(site, Now(1.0, now))
    midnight = local_midnight(now.astimezone(LISBON).date(), LISBON)
    book = take_forecast(fresh.weather, a_forecast(midnight, [38.0] * 6), site)
    beds = {zone: believed(bed, depletion_mm, 1.0) for zone, bed in fresh.beds.items()}
    given = {local_date(now, LISBON): {"beans": given_l}}
    return replace(fresh, weather=book, beds=beds, given=given, guard_ready=True)


def passed(site: Site, garden: Garden, plan: Plan) -> list[str]:
    """The budgets that a plan would pass (further than they are passed already), reckoned anew."""
    pulses = [pulse for watering in plan.waterings for pulse in watering.pulses]
    found = []
    for budget in site.budgets:
        before, after = counted(budget, site, garden, []), counted(budget, site, garden, pulses)
        for day in after:
            used = _used(budget, after, day)
            if used > max(budget.most, _used(budget, before, day)) * (1 + 1e-6):
                found.append(f"{budget.name}, {day}: {used:.2f}")
    return found


def _used(budget: Budget, days: dict[date, float], day: date) -> float:
    """Litres, or money by whole months."""
    first, end = period(budget, day)
    litres = sum(each for other, each in days.items() if first <= other < end)
    return litres if budget.tariff is None else cost(budget.tariff, litres)


BUDGETS = st.one_of(
    st.builds(
        Budget,
        name=st.just("the ration"),
        per=st.sampled_from(["day", "week", "month"]),
        most=st.floats(1.0, 2000.0),
        zones=st.sampled_from([frozenset(), frozenset({"beans", "pots"})]),
    ),
    st.builds(
        Budget, name=st.just("the bill"), per=st.just("month"), most=st.floats(0.01, 3.0),
        tariff=st.builds(Tariff, st.just(((0.2, 0.5), (0.6, 1.0), (inf, 3.0))), st.floats(0.0, 0.3)),
    ),
)  # fmt: skip


@settings(max_examples=15, deadline=None)
@given(
    budgets=st.lists(BUDGETS, min_size=1, max_size=2),
    hour=st.integers(0, 23),
    start=st.sampled_from([MONDAY, date(2026, 7, 18), date(2026, 7, 30)]),
    depletion_mm=st.floats(0.0, 20.0),
    given_l=st.floats(0.0, 300.0),
)
def test_no_plan_ever_passes_a_budget(
    budgets: list[Budget], hour: int, start: date, depletion_mm: float, given_l: float
) -> None:
    site = a_site(*ZONES, budgets=tuple(budgets), supplies=(Supply(5.0),))
    now = local_midnight(start, LISBON) + timedelta(hours=hour)
    garden = a_garden(site, now, depletion_mm, given_l)
    assert passed(site, garden, make_plan(site, garden, now, "a test")) == []


def test_what_a_budget_costs_is_said_by_its_name() -> None:
    site = a_site(*ZONES, budgets=(Budget("the week's ration", "week", 300.0),))
    garden = a_garden(site, NOON, 12.0, 0.0)
    plan = make_plan(site, garden, NOON, "a test")
    assert any(each.startswith("Tomatoes: the week's ration leaves it ") for each in plan.remarks)
    reasons = [reason for watering in plan.waterings for reason in watering.need.reasons]
    assert any(reason.startswith("The week's ration does not allow ") for reason in reasons)


# The day ------------------------------------------------------------------------------------------


def life(site: Site, depletion_mm: float = 14.0) -> Life:
    begun = Life(site, NOON)
    beds = {zone: believed(bed, depletion_mm, 1.0) for zone, bed in begun.garden.beds.items()}
    begun.garden = replace(begun.garden, beds=beds)
    return begun.begin(a_forecast(local_midnight(MONDAY, LISBON), [38.0] * 6))


def test_a_lived_week_stays_within_its_rations_to_the_last_litre() -> None:
    day, week = Budget("the day's ration", "day", 150.0), Budget("the week's ration", "week", 400.0)
    site = a_site(*ZONES, budgets=(day, week))
    garden = life(site)
    garden.until(NOON + 4 * ONE_DAY)
    given = {each: sum(litres.values()) for each, litres in garden.garden.given.items()}
    assert max(given.values()) <= 150.5
    assert 200.0 < sum(given.values()) <= 400.5


def test_the_valve_keeps_to_the_budget_even_if_the_plan_does_not() -> None:
    site = a_site(*ZONES, budgets=(Budget("the day's ration", "day", 5.0),))
    free = replace(site, budgets=())
    garden = a_garden(free, NOON, 12.0, 0.0)
    plan = make_plan(free, garden, NOON, "a test")
    watering = plan.waterings[0]
    case = Case(site, replace(garden, plan=plan), watering, watering.pulses[0], Now(1.0, watering.pulses[0].start))
    found = veto(case)
    assert found is not None
    assert (found.name, found.lasting) == ("budget", True)
    assert found.said.startswith("The day's ration does not allow ")


def test_an_ask_beyond_the_budget_is_refused_and_one_within_it_counts() -> None:
    site = a_site(*ZONES, budgets=(Budget("the day's ration", "day", 100.0),))
    garden = life(site, depletion_mm=1.0)
    garden.tell(Ask("one", "water", zone="beans", litres=60.0))
    assert garden.garden.heard[-1].ok
    garden.tell(Ask("two", "water", zone="tomatoes", litres=60.0))
    assert garden.garden.heard[-1].said == "The day's ration does not allow 60 L: 40 L are left of it."
    garden.until(NOON + timedelta(hours=2))
    assert garden.garden.given[MONDAY]["beans"] == pytest.approx(60.0, abs=0.1)


def test_rules_and_budgets_together_save_for_the_day_before_the_ban() -> None:
    """Tuesday may use its own share of the week and Wednesday's."""
    ban = Rule("the ban", True, weekdays=frozenset({2}), hours=(Hours(datetime.min.time(), datetime.min.time()),))
    site = a_site(*ZONES, rules=(ban,), budgets=(Budget("the week's ration", "week", 420.0),))
    garden = life(site)
    garden.until(NOON + 3 * ONE_DAY)
    given = {each: sum(litres.values()) for each, litres in garden.garden.given.items()}
    assert MONDAY + 2 * ONE_DAY not in given
    assert given[MONDAY + ONE_DAY] > 1.5 * given[MONDAY + 3 * ONE_DAY]
