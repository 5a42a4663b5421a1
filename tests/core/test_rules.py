"""Local rules: what they close, minute by minute; what they leave out; and that no plan ever waters against them."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.core.garden import Garden, Plan
from controller.core.moment import Now, local_midnight
from controller.core.plan import make_plan
from controller.core.rules import closed_by, in_words, open_again, season_said, shut
from controller.core.site import Hours, Line, Pots, Rule, Site, SunPump, Supply, Zone
from controller.core.site import Watering as House
from controller.core.soil import believed
from controller.core.step import new_garden
from controller.core.weather import sun_on, take_forecast
from tests.core.gardens import LISBON, a_forecast, a_site, a_zone

MINUTE, HOUR, ONE_DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
MONDAY = date(2026, 7, 13)
WEDNESDAY = frozenset({2})


def local(day: date, at: time) -> datetime:
    return datetime.combine(day, at, LISBON).astimezone(UTC)


def a_rule(name: str = "the ban", *, forbids: bool = True, **rest: Any) -> Rule:
    return Rule(name, forbids, **rest)


def a_site_with(*rules: Rule, zone: Zone | None = None, **rest: Any) -> Site:
    return a_site(zone or a_zone(), rules=rules, **rest)


def may(site: Site, day: date, at: time, *, by_hand: bool = False) -> bool:
    """Whether the first zone may be watered in that minute."""
    begin = local(day, at)
    return closed_by(site, site.zones[0], begin, begin + MINUTE, by_hand=by_hand) is None


# The season ---------------------------------------------------------------------------------------


def a_seasonal(season: tuple[tuple[int, int], tuple[int, int]] | None = None, *, off: bool = False) -> Site:
    return a_site(a_zone(), watering=House(season=season, off=off))


SPRING_TO_AUTUMN = ((3, 15), (10, 31))


def test_out_of_season_only_hands_may_water() -> None:
    site = a_seasonal(SPRING_TO_AUTUMN)
    days = [date(2026, 3, 14), date(2026, 3, 15), date(2026, 10, 31), date(2026, 11, 1)]
    assert [may(site, day, time(5)) for day in days] == [False, True, True, False]
    assert all(may(site, day, time(5), by_hand=True) for day in days)
    southern = a_seasonal(((10, 1), (3, 31)))
    assert [may(southern, date(2026, month, 1), time(5)) for month in (1, 4, 9, 10)] == [True, False, False, True]
    assert not may(a_seasonal(off=True), MONDAY, time(5))


def test_the_season_is_told_with_its_next_begin() -> None:
    site = a_seasonal(SPRING_TO_AUTUMN)
    assert season_said(site, date(2026, 7, 1)) is None
    for day in (date(2026, 11, 20), date(2027, 2, 1)):
        assert "before 15 March 2027" in (season_said(site, day) or "")
    assert 'season = "off"' in (season_said(a_seasonal(off=True), MONDAY) or "")


def test_nothing_is_planned_beyond_the_season_and_nothing_filled_for_its_sake() -> None:
    day, last = date(2026, 7, 13), ((3, 15), (7, 14))
    site = a_seasonal(last)
    fresh = new_garden(site, Now(1.0, local(day, time(12))))
    bed = believed(fresh.beds[site.zones[0].id], 12.0, 1.0)
    weather = take_forecast(fresh.weather, a_forecast(local_midnight(day, LISBON), [38.0] * 6), site)
    garden = replace(fresh, weather=weather, beds={bed.zone: bed})
    plan = make_plan(site, garden, local(day, time(12)), "a test")
    assert {watering.day for watering in plan.waterings} == {day, day + ONE_DAY}
    assert plan.remarks[0] == "The season ends with Tuesday; nothing is planned after it."
    assert not any("no chance" in reason for watering in plan.waterings for reason in watering.need.reasons)
    over = make_plan(site, garden, local(day + 2 * ONE_DAY, time(12)), "a test")
    assert over.waterings == ()
    assert over.remarks == (season_said(site, day + 2 * ONE_DAY),)


# What a rule closes -------------------------------------------------------------------------------


def test_a_ban_on_a_weekday_closes_that_day_from_midnight_to_midnight() -> None:
    site = a_site_with(a_rule(weekdays=WEDNESDAY))
    begin = local_midnight(MONDAY, LISBON)
    assert shut(site, site.zones[0], begin, begin + 7 * ONE_DAY) == [(begin + 2 * ONE_DAY, begin + 3 * ONE_DAY)]


def test_only_then_closes_all_other_times() -> None:
    site = a_site_with(a_rule(forbids=False, weekdays=frozenset({0, 3}), hours=(Hours(time(19), time(10)),)))
    night = [(day, at) for day in range(4) for at in (time(9, 59), time(10), time(18, 59), time(19))]
    open_ = [(day, at) for day, at in night if may(site, MONDAY + day * ONE_DAY, at)]
    assert open_ == [(0, time(9, 59)), (0, time(19)), (3, time(9, 59)), (3, time(19))]


def test_a_night_may_belong_to_the_evening_on_which_it_begins() -> None:
    rule = a_rule(forbids=False, weekdays=frozenset({0}), hours=(Hours(time(19), time(10)),), from_evening=True)
    site = a_site_with(rule)
    assert not may(site, MONDAY, time(9))
    assert may(site, MONDAY, time(20))
    assert may(site, MONDAY + ONE_DAY, time(9, 59))
    assert not may(site, MONDAY + ONE_DAY, time(10))


@pytest.mark.parametrize(
    ("rule", "closed_days"),
    [
        (a_rule(month_days=frozenset(range(1, 32, 2))), {13, 15, 17, 19}),
        (a_rule(forbids=False, month_days=frozenset(range(1, 32, 2))), {14, 16, 18, 20}),
        (a_rule(dates=frozenset({date(2026, 7, 14), date(2026, 7, 18)})), {14, 18}),
        (a_rule(forbids=False, every=3, since=date(2026, 7, 1)), {14, 15, 17, 18, 20}),
        (a_rule(first=(7, 15), last=(7, 17)), {15, 16, 17}),
        (a_rule(first=(12, 1), last=(7, 14)), {13, 14}),
        (a_rule(forbids=False, first=(7, 15), last=(7, 17), weekdays=WEDNESDAY), {16, 17}),
        (a_rule(first=(8, 1), last=(8, 31)), set()),
    ],
)
def test_days_dates_intervals_and_seasons(rule: Rule, closed_days: set[int]) -> None:
    """From Monday the 13th to Monday the 20th of July."""
    site = a_site_with(rule)
    days = [MONDAY + n * ONE_DAY for n in range(8)]
    assert {day.day for day in days if not may(site, day, time(12))} == closed_days


def test_the_twenty_ninth_of_february_is_a_day_like_others() -> None:
    site = a_site_with(a_rule(first=(2, 29), last=(2, 29)))
    assert not may(site, date(2028, 2, 29), time(12))
    assert may(site, date(2027, 2, 28), time(12))
    assert may(site, date(2027, 3, 1), time(12))


WHOLE = a_rule(weekdays=frozenset(range(7)))
POT = Pots(1, 20.0)


@pytest.mark.parametrize(
    ("exemption", "zone", "left_out"),
    [
        ("drip", a_zone(), True),
        ("drip", a_zone(line=Line("drippers", 3.0, 17.8)), True),
        ("drip", a_zone(line=Line("weeper hose", 3.0, 17.8)), False),
        ("weeper hose", a_zone(line=Line("weeper hose", 3.0, 17.8)), True),
        ("drip", a_zone(line=Line("micro-spray", 3.0, 17.8)), False),
        ("food plants", a_zone(), True),
        ("food plants", a_zone(food=False), False),
        ("newly planted", a_zone(tender=True, tender_until=MONDAY + ONE_DAY), True),
        ("newly planted", a_zone(tender=True, tender_until=MONDAY), False),
        ("pots", a_zone(pots=POT), True),
        ("pots", a_zone(), False),
        ("by hand", a_zone(), False),
    ],
)
def test_exemptions(exemption: Any, zone: Zone, left_out: bool) -> None:
    site = a_site_with(replace(WHOLE, exempt=frozenset({exemption})), zone=zone)
    assert may(site, MONDAY, time(5)) == left_out
    assert may(site, MONDAY, time(5), by_hand=True) == (left_out or exemption == "by hand")


def test_a_rule_is_for_the_zones_it_names() -> None:
    site = a_site(a_zone("beans"), a_zone("salad"), rules=(replace(WHOLE, zones=frozenset({"salad"})),))
    begin = local(MONDAY, time(5))
    assert closed_by(site, site.zone("beans"), begin, begin + HOUR) is None
    found = closed_by(site, site.zone("salad"), begin, begin + HOUR)
    assert found is not None
    assert in_words(site, site.zone("salad"), found) == "The ban lets no water run here for weeks."
    assert open_again(site, site.zone("salad"), begin) is None


def test_quiet_hours_and_sunlight_close_a_pump_for_everyone() -> None:
    quiet = a_site_with(supplies=(Supply(12.0, quiet=(Hours(time(22), time(7)),)),))
    assert [may(quiet, MONDAY, at, by_hand=True) for at in (time(6, 59), time(7), time(21, 59), time(22))] == [
        False, True, True, False,
    ]
    sunny = a_site_with(supplies=(Supply(12.0, sun_pump=SunPump(60.0, 90.0)),))
    sun = sun_on(sunny, MONDAY)
    assert sun.sunrise is not None
    assert sun.sunset is not None
    begin, end = local_midnight(MONDAY, LISBON), local_midnight(MONDAY + ONE_DAY, LISBON)
    night = shut(sunny, sunny.zones[0], begin, end - timedelta(seconds=1))
    morning = sun.sunrise.replace(microsecond=0) + HOUR + timedelta(seconds=1)
    assert night == [(begin, morning), (sun.sunset - 90 * MINUTE, end)]


@pytest.mark.parametrize("day", [date(2026, 3, 29), date(2026, 10, 25)])
@pytest.mark.parametrize("forbids", [True, False])
def test_the_night_that_changes_the_clock_is_judged_to_the_safe_side(day: date, forbids: bool) -> None:
    """Lisbon skips the hour from 1 to 2 in March, and has it twice in October: both are 01:30."""
    hours = Hours(time(1, 15), time(1, 45))
    site = a_site_with(a_rule(forbids=forbids, hours=(hours,)))
    at = local_midnight(day, LISBON)
    while at < local_midnight(day + ONE_DAY, LISBON):
        in_it = hours.start <= at.astimezone(LISBON).time() < hours.until
        if in_it == forbids:
            assert closed_by(site, site.zones[0], at, at + MINUTE) is not None, at
        at += MINUTE


# Plans --------------------------------------------------------------------------------------------


def oracle_closed(site: Site, zone: Zone, at: datetime) -> bool:
    """Whether a rule closes an instant: asked of the civil clock alone, without any reckoning in stretches of time."""
    civil = at.astimezone(site.timezone)
    return any(_rule_closes(rule, zone, civil) for rule in site.rules) or any(
        _in_hours(hours, civil.time()) for hours in site.supplies[0].quiet
    )


def _in_hours(hours: Hours, at: time) -> bool:
    if hours.start < hours.until:
        return hours.start <= at < hours.until
    return at >= hours.start or at < hours.until


def _rule_closes(rule: Rule, zone: Zone, civil: datetime) -> bool:
    if (rule.zones and zone.id not in rule.zones) or ("pots" in rule.exempt and zone.pots is not None):
        return False
    day = civil.date()
    in_season = rule.first is None or rule.last is None or rule.first <= (day.month, day.day) <= rule.last
    named = (
        (not rule.weekdays or day.weekday() in rule.weekdays)
        and (not rule.month_days or day.day in rule.month_days)
        and (not rule.hours or any(_in_hours(hours, civil.time()) for hours in rule.hours))
    )
    return in_season and named == rule.forbids


def minutes(plan: Plan) -> list[tuple[str, datetime]]:
    """Every pulse's minutes, its first and its last instant among them."""
    return [
        (pulse.zone, at)
        for watering in plan.waterings
        for pulse in watering.pulses
        for at in (
            *(pulse.start + n * MINUTE for n in range(int(pulse.seconds // 60) + 1)),
            pulse.end - timedelta(seconds=1),
        )
    ]


TIMES = st.builds(time, st.integers(0, 23), st.sampled_from([0, 15, 30]))
HOURS = st.builds(Hours, TIMES, TIMES).filter(lambda hours: hours.start != hours.until)
RULES = st.builds(
    Rule,
    name=st.sampled_from(["the first rule", "the second rule"]),
    forbids=st.booleans(),
    weekdays=st.frozensets(st.integers(0, 6), min_size=1, max_size=5),
    month_days=st.sampled_from([frozenset(), frozenset(range(1, 32, 2)), frozenset(range(2, 32, 2))]),
    hours=st.lists(HOURS, max_size=2).map(tuple),
    zones=st.sampled_from([frozenset(), frozenset({"beans"}), frozenset({"tomatoes", "pots"})]),
    exempt=st.sampled_from([frozenset(), frozenset({"pots"})]),
)
ZONES = (
    a_zone("tomatoes", root_depth_m=0.5),
    a_zone("beans", root_depth_m=0.3, rescue=True),
    a_zone("pots", pots=Pots(8, 30.0), area_m2=2.5, root_depth_m=0.1, line=Line("drippers", 1.0, 24.0)),
)


def a_plan(site: Site, now: datetime, depletion_mm: float, maximum_c: float = 38.0) -> Plan:
    return make_plan(site, a_garden(site, now, depletion_mm, maximum_c), now, "a test")


def a_garden(site: Site, now: datetime, depletion_mm: float, maximum_c: float = 38.0) -> Garden:
    fresh = new_garden(site, Now(1.0, now))
    midnight = local_midnight(now.astimezone(site.timezone).date(), site.timezone)
    book = take_forecast(fresh.weather, a_forecast(midnight, [maximum_c] * 6), site)
    beds = {zone: believed(bed, depletion_mm, 1.0) for zone, bed in fresh.beds.items()}
    return replace(fresh, weather=book, beds=beds, guard_ready=True)


@settings(max_examples=25, deadline=None)
@given(
    rules=st.lists(RULES, max_size=3),
    quiet=st.lists(HOURS, max_size=1),
    hour=st.integers(0, 167),
    depletion_mm=st.floats(0.0, 20.0),
)
def test_no_planned_pulse_ever_lies_outside_what_the_rules_allow(
    rules: list[Rule], quiet: list[Hours], hour: int, depletion_mm: float
) -> None:
    site = a_site(*ZONES, rules=tuple(rules), supplies=(Supply(5.0, quiet=tuple(quiet)),))
    plan = a_plan(site, local_midnight(MONDAY, LISBON) + hour * HOUR, depletion_mm)
    for zone, at in minutes(plan):
        assert not oracle_closed(site, site.zone(zone), at), (zone, at.astimezone(LISBON))


def test_before_a_closed_day_a_bed_is_filled_that_could_have_waited() -> None:
    """Hardly anything is missing on Monday noon; without the ban the soak waits until Wednesday."""
    zone = a_zone(root_depth_m=0.6)
    noon = local_midnight(MONDAY, LISBON) + 12 * HOUR
    free, banned = a_site(zone), a_site_with(a_rule("the Wednesday ban", weekdays=WEDNESDAY), zone=zone)
    first = min(a_plan(free, noon, 2.0, 28.0).waterings, key=lambda each: each.day)
    assert (first.day, first.purpose) == (MONDAY + 2 * ONE_DAY, "dawn soak")
    plan = a_plan(banned, noon, 2.0, 28.0)
    first = min(plan.waterings, key=lambda each: each.day)
    assert (first.day, first.purpose) == (MONDAY + ONE_DAY, "dawn soak")
    assert any(
        each.startswith("After Tuesday there is no chance, or too little, to water it before the evening of Wednesday")
        for each in first.need.reasons
    )
    assert not [each for each in plan.remarks if "short" in each], "filled before it, the ban costs nothing"


def test_what_a_rule_costs_the_plants_is_said() -> None:
    sand = a_zone("lettuce", root_depth_m=0.2)
    site = a_site_with(a_rule("the ban from Tuesday to Thursday", weekdays=frozenset({1, 2, 3})), zone=sand)
    plan = a_plan(site, local_midnight(MONDAY, LISBON) + 12 * HOUR, 3.0)
    (said,) = plan.remarks
    assert said.startswith("Lettuce: the ban from Tuesday to Thursday leaves it ")
    assert said.endswith(" mm short on Thu 16 Jul.")


@pytest.mark.parametrize(
    ("day", "hours_old", "again"), [(MONDAY, 0, False), (MONDAY - ONE_DAY, 0, True), (MONDAY, 6, True)],
    ids=["same day, same forecast", "another day", "another forecast"],
)  # fmt: skip
def test_what_a_rule_costs_is_reckoned_daily_and_with_each_forecast(day: date, hours_old: int, again: bool) -> None:
    sand, noon = a_zone("lettuce", root_depth_m=0.2), local_midnight(MONDAY, LISBON) + 12 * HOUR
    site = a_site_with(a_rule("the ban", weekdays=frozenset({1, 2, 3})), zone=sand)
    garden = a_garden(site, noon, 3.0)
    assert garden.weather.issued is not None
    before = replace(garden.plan, costs=("As before.",), thought=(day, garden.weather.issued - hours_old * HOUR))
    plan = make_plan(site, replace(garden, plan=before), noon, "a test")
    assert (plan.remarks != ("As before.",)) == again
    assert plan.thought == (MONDAY, garden.weather.issued)


def test_where_only_the_evening_is_allowed_the_evening_does_the_soak() -> None:
    site = a_site(a_zone(root_depth_m=0.5), watering=House(allowed=(Hours(time(21, 30), time(23, 30)),)))
    plan = a_plan(site, local_midnight(MONDAY, LISBON) + 12 * HOUR, 15.0, 33.0)
    assert plan.waterings
    assert {each.purpose for each in plan.waterings} == {"dusk refresh"}
    assert 15.0 < plan.waterings[0].need.net_mm < 22.0, "what was missing at noon, and what the afternoon has drawn"


def test_a_pump_on_sunlight_soaks_in_the_morning() -> None:
    site = a_site(a_zone(root_depth_m=0.5), supplies=(Supply(5.0, sun_pump=SunPump()),))
    plan = a_plan(site, local_midnight(MONDAY, LISBON) + 12 * HOUR, 15.0)
    sunrise = sun_on(site, MONDAY + ONE_DAY).sunrise
    assert sunrise is not None
    soak = next(each for each in plan.waterings if each.day == MONDAY + ONE_DAY)
    assert timedelta() <= soak.pulses[0].start - sunrise - HOUR < MINUTE
