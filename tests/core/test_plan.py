"""When water runs: in the night, in allowed hours, on one supply, within the limits of valves; and what is left out."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from controller.agronomy.infiltration import rest_min
from controller.agronomy.soil import SOILS
from controller.core.garden import Garden, Plan, Watering
from controller.core.moment import Now, local_date, local_midnight
from controller.core.plan import (
    DAY_HOURS,
    FIGURES_AHEAD,
    LATE_H,
    make_plan,
    sessions,
    split,
    sunrise_of,
    sunset_of,
)
from controller.core.site import Hours, Line, Pots, Site, Supply, Zone
from controller.core.site import Watering as Rules
from controller.core.soil import believed
from controller.core.step import new_garden
from controller.core.weather import sun_on, take_forecast
from tests.core.gardens import LISBON, a_forecast, a_site, a_zone

DAY = date(2026, 7, 15)
NOON = local_midnight(DAY, LISBON) + timedelta(hours=12)
TOMORROW = DAY + timedelta(days=1)
MINUTE = timedelta(minutes=1)


def garden(site: Site, *maxima: float, depletion_mm: float = 15.0, now: datetime = NOON) -> Garden:
    """Every bed that dry, on the day of `now` and the forecast from its midnight on."""
    midnight = local_midnight(local_date(now, site.timezone), site.timezone)
    fresh = new_garden(site, Now(1.0, now))
    book = take_forecast(fresh.weather, a_forecast(midnight, list(maxima or [34.0] * 6)), site)
    beds = {zone: believed(bed, depletion_mm, 1.0) for zone, bed in fresh.beds.items()}
    return replace(fresh, weather=book, beds=beds, guard_ready=True)


def planned(site: Site, *maxima: float, now: datetime = NOON, depletion_mm: float = 15.0) -> Plan:
    return make_plan(site, garden(site, *maxima, now=now, depletion_mm=depletion_mm), now, "a test")


def a_rooted(zone_id: str = "tomatoes", **changes: object) -> Zone:
    return a_zone(zone_id, **{"root_depth_m": 0.5, **changes})


def of(plan: Plan, purpose: str, day: date = TOMORROW) -> list[Watering]:
    return [w for w in plan.waterings if w.purpose == purpose and w.day == day]


# The night ----------------------------------------------------------------------------------------


def test_a_soak_ends_before_the_sun_is_up_by_its_margin_and_not_much_sooner() -> None:
    site = a_site(a_rooted())
    (soak,) = of(planned(site), "dawn soak")
    deadline = sunrise_of(site, TOMORROW) - 20 * MINUTE
    assert deadline - timedelta(seconds=2) <= soak.pulses[-1].end <= deadline


def test_a_refresh_begins_after_sunset_by_its_delay() -> None:
    site = a_site(a_rooted())
    (refresh,) = of(planned(site, 41.0, 41.0, 41.0, 41.0), "dusk refresh", DAY)
    assert refresh.pulses[0].start == (sunset_of(site, DAY) + 15 * MINUTE).replace(microsecond=0)


def test_an_ordinary_day_has_no_refresh() -> None:
    assert {w.purpose for w in planned(a_site(a_rooted())).waterings} == {"dawn soak"}


def test_the_plan_of_a_later_day_reckons_with_the_waterings_of_the_earlier() -> None:
    plan = planned(a_site(a_rooted()), *[38.0] * 6)
    soaks = [w for w in plan.waterings if w.purpose == "dawn soak"]
    assert [w.day for w in soaks] == [TOMORROW + timedelta(days=n) for n in range(5)], "as far as the forecast"
    assert soaks[0].need.net_mm > soaks[1].need.net_mm > 2.0


@pytest.mark.parametrize(
    ("day", "zone"), [(date(2026, 3, 28), "Europe/Lisbon"), (date(2026, 10, 24), "Europe/Lisbon")]
)
def test_the_night_that_changes_the_clock_has_one_soak(day: date, zone: str) -> None:
    site = a_site(a_rooted(planted=None))
    now = local_midnight(day, ZoneInfo(zone)) + timedelta(hours=20)
    plan = planned(site, *[38.0] * 6, now=now)
    soaks = of(plan, "dawn soak", day + timedelta(days=1))
    assert len(soaks) == 1
    assert soaks[0].pulses[-1].end <= sunrise_of(site, day + timedelta(days=1)) - 20 * MINUTE
    ids = [w.id for w in plan.waterings]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize(("day", "name"), [(date(2026, 6, 21), "midnight sun"), (date(2026, 12, 21), "polar night")])
def test_beyond_the_polar_circle_there_is_a_dawn_all_the_same(day: date, name: str) -> None:
    oslo = ZoneInfo("Europe/Oslo")
    site = a_site(a_rooted(planted=None), latitude_deg=69.65, longitude_deg=18.96, timezone=oslo)
    now = local_midnight(day, oslo) + timedelta(hours=12)
    assert sunset_of(site, day) - sunrise_of(site, day) == timedelta(hours=12), name
    plan = planned(site, *[38.0] * 6, now=now, depletion_mm=20.0)
    soaks = of(plan, "dawn soak", day + timedelta(days=1))
    assert len(soaks) == 1


def test_sessions_come_in_order_and_the_one_going_on_is_among_them() -> None:
    site = a_site(a_rooted())
    dawn = sunrise_of(site, DAY) - 30 * MINUTE
    found = sessions(site, dawn)
    assert [(s.purpose, s.day) for s in found[:2]] == [("dawn soak", DAY), ("dusk refresh", DAY)]
    assert [s.end for s in found] == sorted(s.end for s in found)
    assert sessions(site, sunrise_of(site, DAY) + timedelta(hours=LATE_H))[0].purpose == "dusk refresh"


# Allowed hours ------------------------------------------------------------------------------------


def within(plan: Plan, site: Site, *windows: Hours) -> bool:
    """Whether every pulse lies in one of the windows of local time."""
    def inside(begin: datetime, end: datetime) -> bool:
        for hours in windows:
            for back in (1, 0):
                day = local_date(begin, site.timezone) - timedelta(days=back)
                opens = datetime.combine(day, hours.start, site.timezone)
                shuts = datetime.combine(day, hours.until, site.timezone)
                if hours.until <= hours.start:
                    shuts = datetime.combine(day + timedelta(days=1), hours.until, site.timezone)
                if opens <= begin and end <= shuts:
                    return True
        return False

    pulses = [pulse for watering in plan.waterings for pulse in watering.pulses]
    return bool(pulses) and all(inside(pulse.start, pulse.end) for pulse in pulses)


@pytest.mark.parametrize(
    "windows",
    [
        (Hours(time(4), time(6)),),
        (Hours(time(20), time(5, 30)),),
        (Hours(time(21), time(23)), Hours(time(3, 30), time(5))),
        (Hours(time(22), time(22)),),
    ],
)
def test_water_runs_in_the_allowed_hours_only(windows: tuple[Hours, ...]) -> None:
    zones = [a_rooted("tomatoes"), a_rooted("beans"), a_rooted("salad", tender=True)]
    site = a_site(*zones, watering=Rules(allowed=windows))
    plan = planned(site, *[40.0] * 6, depletion_mm=9.0)
    assert within(plan, site, *windows)


def test_a_window_that_no_watering_fits_waters_nothing_and_says_so() -> None:
    site = a_site(a_rooted(), watering=Rules(allowed=(Hours(time(12), time(12, 5)),)))
    plan = planned(site)
    assert plan.waterings == ()
    told = "the list of allowed hours leaves no time that is long enough to water it in the days ahead."
    assert plan.remarks[0] == f"Tomatoes: {told}"
    assert plan.remarks[1].startswith("Tomatoes: the list of allowed hours leaves it ")


def test_where_only_noon_is_allowed_the_soak_comes_at_noon_and_says_why() -> None:
    site = a_site(a_rooted(), watering=Rules(allowed=(Hours(time(12), time(13)),)))
    (soak,) = of(planned(site), "dawn soak")
    assert soak.pulses[0].start == NOON + timedelta(days=1)
    why = "Before sunrise no water may run here, so the soak begins at the first open hour, 12:00."
    assert why in soak.need.reasons


def test_allowed_hours_are_local_on_both_sides_of_a_change_of_the_clock() -> None:
    window = Hours(time(4), time(6, 30))
    for day in (date(2026, 3, 28), date(2026, 10, 24)):
        site = a_site(a_rooted(planted=None), watering=Rules(allowed=(window,)))
        now = local_midnight(day, LISBON) + timedelta(hours=20)
        assert within(planned(site, *[38.0] * 6, now=now, depletion_mm=9.0), site, window)


# Cycles and rests ---------------------------------------------------------------------------------


@pytest.mark.published(
    source="Irrigation Association (2005), by hand: sandy loam at 4-6 %, 30 mm/h, 12 mm net, E 0.75"
)
def test_the_worked_example_of_cycle_and_soak() -> None:
    """Gross 16 mm in 32 min; longest on-time 22.28 min, so 2 cycles of 16 min with 31.24 min of rest between."""
    line = Line("micro-spray", flow_l_min=5.0, rate_mm_h=30.0, efficiency=0.75)
    zone = a_rooted(soil=SOILS["sandy loam"], slope_percent=5.0, line=line, area_m2=10.0)
    pulses_s = split(zone, litres=16.0 * 10.0)
    assert [round(each / 60.0, 6) for each in pulses_s] == [16.0, 16.0]
    assert rest_min(pulses_s[0] / 60.0, 30.0, zone.soil.intake_mm_h) == pytest.approx(31.24, abs=0.005)


def test_pulses_of_a_soak_rest_as_the_ground_asks() -> None:
    line = Line("micro-spray", flow_l_min=5.0, rate_mm_h=30.0, efficiency=0.75)
    zone = a_rooted(soil=SOILS["sandy loam"], slope_percent=5.0, line=line)
    (soak,) = of(planned(a_site(zone), depletion_mm=20.0), "dawn soak")
    assert len(soak.pulses) >= 2
    for before, after in pairwise(soak.pulses):
        rest_s = (after.start - before.end).total_seconds()
        assert rest_s >= 60.0 * rest_min(before.seconds / 60.0, 30.0, zone.soil.intake_mm_h) - 1.0


@pytest.mark.parametrize("repellent", [True, False])
def test_dry_repellent_sand_is_wetted_first_and_given_time_to_let_water_in(repellent: bool) -> None:
    """1.5 mm on the wetted ground, 20 min of rest at least, then the rest of the soak; the litres are the same."""
    zone = a_rooted(repellent=repellent)
    site = a_site(zone)
    whole = garden(site)
    dry = replace(whole.beds["tomatoes"], top_mm=zone.soil.total_evaporable_mm)
    (soak,) = of(make_plan(site, replace(whole, beds={"tomatoes": dry}), NOON, "t"), "dawn soak")
    first, second, *_ = soak.pulses
    wetting_s = 1.5 / zone.line.rate_mm_h * 3600.0
    assert (first.seconds == pytest.approx(wetting_s)) == repellent
    assert soak.need.dry_top == repellent
    if repellent:
        assert first.seconds < second.seconds
        assert second.start - first.end >= 20 * MINUTE - timedelta(seconds=1)
    assert sum(pulse.litres for pulse in soak.pulses) == pytest.approx(soak.need.litres)


def test_no_pulse_is_longer_than_the_valve_may_be_open_master_and_all() -> None:
    zone = a_rooted(longest_pulse_s=600.0)
    site = a_site(zone, supplies=(Supply(12.0, dead_s=8.0),))
    (soak,) = of(planned(site), "dawn soak")
    assert max(pulse.seconds for pulse in soak.pulses) <= 600.0
    assert sum(pulse.litres for pulse in soak.pulses) == pytest.approx(soak.need.litres)


def test_what_is_too_little_is_no_pulse() -> None:
    assert split(a_rooted(), 0.9) == ()
    assert len(split(a_rooted(), 1.1)) == 1


def test_one_zone_rests_while_the_other_runs() -> None:
    line = Line("micro-spray", flow_l_min=8.0, rate_mm_h=40.0)
    zones = [a_rooted(name, soil=SOILS["loam"], slope_percent=5.0, line=line) for name in ("beans", "tomatoes")]
    plan = planned(a_site(*zones), depletion_mm=22.0)
    pulses = sorted((p for w in of(plan, "dawn soak") for p in w.pulses), key=lambda p: p.start)
    assert len(pulses) >= 6
    turns = [p.zone for p in pulses]
    assert any(a != b != c and a == c for a, b, c in zip(turns, turns[1:], turns[2:], strict=False))
    for before, after in pairwise(pulses):
        assert after.start >= before.end + timedelta(seconds=4), "8 + 8 L/min is more than the tap gives"


def test_zones_on_two_supplies_do_not_wait_for_one_another() -> None:
    line = Line("dripline", flow_l_min=8.0, rate_mm_h=17.8)
    zones = [a_rooted(name, line=line, area_m2=20.0) for name in ("beans", "tomatoes")]
    together = planned(a_site(*zones))
    apart = planned(
        a_site(
            zones[0],
            replace(zones[1], supply="tank"),
            supplies=(Supply(12.0), Supply(9.0, settle_s=30.0, id="tank", name="Tank")),
        )
    )
    deadline = sunrise_of(a_site(), TOMORROW) - 20 * MINUTE
    ends = [max(p.end for p in w.pulses) for w in of(apart, "dawn soak")]
    assert all(deadline - timedelta(seconds=2) <= end <= deadline for end in ends), "both end at the deadline"
    assert min(w.next_start for w in of(together, "dawn soak")) < min(w.next_start for w in of(apart, "dawn soak"))


# Not enough of it ---------------------------------------------------------------------------------


def crowded(hours: float = 2.0) -> Site:
    """Five zones that each want the whole tap for half an hour and more, and too short a night for them."""
    line = Line("dripline", flow_l_min=11.0, rate_mm_h=17.8)
    zones = [a_rooted(f"z{n}", line=line, area_m2=20.0, longest_pulse_s=600.0) for n in range(4)]
    zones.append(a_rooted("salad", line=line, area_m2=20.0, longest_pulse_s=600.0, tender=True))
    return a_site(*zones, watering=Rules(dawn_earliest_h=hours))


def test_where_the_time_is_short_all_lose_alike_but_the_tender_and_each_is_told_once() -> None:
    site = crowded()
    plan = planned(site, 34.0, 36.0)
    soaks = {w.zone: w for w in of(plan, "dawn soak")}
    assert set(soaks) == {"z0", "z1", "z2", "z3", "salad"}
    assert soaks["salad"].need.short_mm == 0.0, "tender plants are the last to lose"
    shorts_mm = [soaks[f"z{n}"].need.short_mm for n in range(4)]
    pulse_mm = max(p.litres for p in soaks["salad"].pulses) / 20.0
    assert min(shorts_mm) > 0.0
    assert max(shorts_mm) - min(shorts_mm) <= pulse_mm, "the same plants share the shortage, to a pulse"
    *shorts, who = plan.remarks
    assert [remark.split(":")[0] for remark in shorts] == ["Z0", "Z1", "Z2", "Z3"], "a line each for all days"
    assert all("no time for all of the dawn soak of Thu 16 Jul (" in remark for remark in shorts)
    assert who == "Not everything fits at once, and Z0, Z1, Z2 and Z3 give way: there a shortage does least harm."
    start = sunrise_of(site, TOMORROW) - timedelta(hours=2, seconds=1)
    assert all(pulse.start >= start for soak in soaks.values() for pulse in soak.pulses)


def test_what_is_worth_most_loses_least_and_what_costs_nothing_goes_first() -> None:
    site = crowded()
    zones = {zone.id: zone for zone in site.zones}
    dear, cheap = replace(zones["z0"], value=3), replace(zones["z1"], value=1)
    plan = planned(replace(site, zones=(dear, cheap, *site.zones[2:])), 34.0, 36.0)
    given_mm = {w.zone: w.need.net_mm for w in of(plan, "dawn soak")}
    assert given_mm["z0"] >= given_mm["z2"] >= given_mm.get("z1", 0.0) < given_mm["z0"]

    deep = replace(zones["z1"], root_depth_m=1.0, rescue=False)
    plan = planned(replace(site, zones=(zones["z0"], deep, *site.zones[2:])), 38.0, 38.0)
    given_mm = {w.zone: w.need.net_mm for w in of(plan, "dawn soak")}
    assert given_mm["z0"] > given_mm.get("z1", 0.0), "deep roots can wait"


def test_a_zone_that_is_too_slow_for_the_night_takes_nothing_from_the_others() -> None:
    slow = a_rooted("slow", line=Line("micro-spray", 1.0, 60.0), area_m2=20.0, soil=SOILS["clay loam"])
    plan = planned(a_site(slow, a_rooted("beans")), 34.0, 36.0)
    soaks = {w.zone: w for w in of(plan, "dawn soak")}
    assert soaks["beans"].need.short_mm == 0.0
    assert soaks["slow"].need.short_mm > 0.0
    assert soaks["slow"].need.reasons[-1].startswith("There is no time for")
    (remark,) = plan.remarks
    assert remark.startswith("Slow: there is no time for all of the dawn soak of Thu 16 Jul (")
    assert "give" not in remark


def test_a_want_on_one_supply_leaves_the_zones_of_another_alone() -> None:
    site = crowded()
    apart = replace(site.zones[0], supply="tank")
    supplies = (*site.supplies, Supply(11.0, id="tank", name="Tank"))
    plan = planned(replace(site, zones=(apart, *site.zones[1:]), supplies=supplies), 34.0, 36.0)
    soaks = {w.zone: w for w in of(plan, "dawn soak")}
    assert soaks["z0"].need.short_mm == 0.0
    assert any(soaks[zone].need.short_mm > 0.0 for zone in soaks)


def test_what_the_time_does_not_hold_is_taken_off_the_need_so_that_it_does_not_run_on_after_dawn() -> None:
    soaks = of(planned(crowded(1.5), 34.0, 36.0), "dawn soak")
    cut = [soak for soak in soaks if soak.need.short_mm > 0.0]
    assert cut
    for soak in soaks:
        assert soak.owed_litres == pytest.approx(soak.litres_to_come)
    assert "there is no time for" in cut[0].need.reasons[-1]


def test_half_of_a_days_limit_is_the_most_for_one_watering() -> None:
    zone = a_rooted(most_s_per_24h=3600.0)
    (soak,) = of(planned(a_site(zone), depletion_mm=25.0), "dawn soak")
    assert sum(pulse.seconds for pulse in soak.pulses) == pytest.approx(1800.0, abs=1.0)
    assert soak.need.short_mm > 10.0
    assert soak.need.litres == pytest.approx(90.0)
    assert "daily limit" in soak.need.reasons[-1]


def test_a_late_start_on_a_hot_day_goes_on_to_the_hard_end_and_no_further() -> None:
    site = a_site(a_rooted(), watering=Rules(dawn_margin_min=20.0))
    now = sunrise_of(site, DAY) - 30 * MINUTE
    plan = planned(site, *[40.0] * 6, now=now, depletion_mm=20.0)
    (soak,) = of(plan, "dawn soak", DAY)
    assert soak.pulses[0].start <= now
    assert sunrise_of(site, DAY) < soak.pulses[-1].end <= sunrise_of(site, DAY) + timedelta(hours=LATE_H)


def test_after_the_hard_end_the_day_is_left_to_its_dusk() -> None:
    site = a_site(a_rooted())
    now = sunrise_of(site, DAY) + timedelta(hours=LATE_H)
    assert of(planned(site, *[40.0] * 6, now=now), "dawn soak", DAY) == []


# The same again -----------------------------------------------------------------------------------


def test_the_same_facts_give_the_same_plan() -> None:
    site = a_site(a_rooted("tomatoes"), a_rooted("beans"), a_rooted("salad", tender=True))
    whole = garden(site, *[40.0] * 6)
    first = make_plan(site, whole, NOON, "once")
    again = make_plan(site, replace(whole, plan=first), NOON, "once")
    assert replace(again, noted=first.noted) == first


def near_and_later(plan: Plan) -> tuple[list[Watering], list[Watering]]:
    """Its waterings of sessions that have begun within the near days, and those of later ones."""
    end = NOON + FIGURES_AHEAD
    near = [w for w in plan.waterings if w.next_start <= end]
    return near, [w for w in plan.waterings if w.next_start > end]


@pytest.mark.parametrize("running", [False, True], ids=["nothing runs", "a valve is open"])
def test_between_two_thoughts_of_all_days_only_the_near_ones_are_planned_anew(running: bool) -> None:
    site = a_site(a_rooted("tomatoes"), a_rooted("beans"))
    whole = garden(site, *[40.0] * 6)
    first = make_plan(site, whole, NOON, "once")
    near, later = near_and_later(first)
    if running:
        begun = replace(near[0], pulses=(replace(near[0].pulses[0], state="running", start=NOON), *near[0].pulses[1:]))
        first = replace(first, waterings=(begun, *first.waterings[1:]))
    wetter = {zone: believed(bed, 2.0, 1.0) for zone, bed in whole.beds.items()}
    again = make_plan(site, replace(whole, plan=first, beds=wetter), NOON, "after rain")
    anew, kept = near_and_later(again)
    assert len(later) > 2
    assert all(one is other for one, other in zip(kept, later, strict=True))
    assert sum(w.litres_to_come for w in anew) < sum(w.litres_to_come for w in near) - 10.0


@pytest.mark.parametrize("changed", ["forecast", "day", "something else"])
def test_all_days_are_thought_over_when_more_than_the_beds_has_changed(changed: str) -> None:
    site = a_site(a_rooted("tomatoes"), a_rooted("beans"))
    whole = garden(site, *[40.0] * 6)
    first = make_plan(site, whole, NOON, "once")
    assert whole.weather.issued is not None
    thought = {
        "forecast": (DAY, whole.weather.issued - timedelta(hours=6)),
        "day": (DAY - timedelta(days=1), whole.weather.issued),
        "something else": None,
    }[changed]
    again = make_plan(site, replace(whole, plan=replace(first, thought=thought)), NOON, "once")
    assert again.thought == (DAY, whole.weather.issued)
    assert again == replace(first, noted=again.noted)
    assert not {id(w) for w in near_and_later(again)[1]} & {id(w) for w in near_and_later(first)[1]}, "made anew"


def test_a_plan_that_nothing_disturbs_stays_through_the_evening() -> None:
    site = a_site(a_rooted("tomatoes"), a_rooted("beans"))
    plans = [planned(site, *[34.0] * 6, now=NOON + timedelta(hours=h)) for h in (10, 10.5, 11, 11.9)]
    starts = {tuple((w.id, w.next_start) for w in of(plan, "dawn soak")) for plan in plans}
    assert len(starts) == 1


def test_a_day_that_was_served_is_not_served_again() -> None:
    site = a_site(a_rooted())
    whole = garden(site)
    bed = replace(whole.beds["tomatoes"], done={"dawn soak": TOMORROW})
    assert of(make_plan(site, replace(whole, beds={"tomatoes": bed}), NOON, "t"), "dawn soak") == []


def test_every_watering_has_a_name_of_its_own_and_so_has_every_pulse() -> None:
    site = a_site(a_rooted("tomatoes"), a_rooted("beans"), a_rooted("salad", tender=True))
    plan = planned(site, *[40.0] * 6)
    pulses = [p.id for w in plan.waterings for p in w.pulses]
    assert len(pulses) == len(set(pulses)) > 8
    first, second, *_ = (watering.id for watering in plan.waterings)
    assert first == "2026-07-15-day-salad", "seedlings in the open are refreshed by day"
    assert second.startswith("2026-07-15-dusk-")
    assert [w.next_start for w in plan.waterings] == sorted(w.next_start for w in plan.waterings)


def test_a_plan_in_utc() -> None:
    assert all(w.next_start.tzinfo is UTC for w in planned(a_site(a_rooted())).waterings)


def test_pots_are_refreshed_in_the_afternoon_of_a_day_they_would_not_last() -> None:
    """Around solar noon and after, within three hours; beds beside them are left to their dusk."""
    site = a_site(a_rooted("pots", root_depth_m=0.2, pots=Pots(12, 30.0)), a_rooted("beans", root_depth_m=0.2))
    plan = planned(site, *[42.0] * 6, now=NOON - timedelta(hours=2), depletion_mm=9.0)
    (refresh,) = of(plan, "day refresh", DAY)
    noon = sun_on(site, DAY).noon
    assert refresh.zone == "pots"
    assert noon - timedelta(seconds=1) <= refresh.pulses[0].start
    assert refresh.pulses[-1].end <= noon + timedelta(hours=DAY_HOURS)


def test_no_two_waterings_bear_one_name_not_even_after_the_clock_was_set_and_set_back() -> None:
    """A clock set back dates a begun watering anew; its name goes on saying the day that it was for."""
    site = a_site(a_rooted())
    before = garden(site)
    (soak,) = of(make_plan(site, before, NOON, "a test"), "dawn soak")
    begun = replace(soak.pulses[0], state="cut", given_litres=1.0)
    moved = replace(soak, day=DAY - timedelta(days=30), pulses=(begun,))
    after = replace(before, plan=Plan(NOON, "a test", (moved,)))
    names = [watering.id for watering in make_plan(site, after, NOON, "a test").waterings]
    assert soak.id in names
    assert len(names) == len(set(names))


# Lines that fill, and branches ----------------------------------------------------------------------


def test_a_line_that_runs_empty_is_filled_anew_by_each_pulse_and_the_bed_gets_its_need_all_the_same() -> None:
    full, empty = a_rooted("full"), a_rooted("empty", line=replace(a_rooted("x").line, fill_l=6.0))
    plan = planned(a_site(full, empty), 34.0, 36.0)
    soaks = {w.zone: w for w in of(plan, "dawn soak")}
    assert soaks["empty"].need.litres == pytest.approx(soaks["full"].need.litres)
    assert soaks["empty"].litres_to_come == pytest.approx(soaks["empty"].need.litres)
    for pulse in soaks["empty"].pulses:
        assert pulse.seconds - pulse.litres / empty.line.flow_l_min * 60.0 == pytest.approx(empty.line.fill_s)
    supply, pulse = a_site().supplies[0], soaks["empty"].pulses[0]
    assert supply.litres(empty.line, pulse.seconds) == pytest.approx(pulse.litres)
    assert supply.drawn_l(empty.line, pulse.seconds) == pytest.approx(pulse.litres + 6.0)
    assert supply.litres(empty.line, empty.line.fill_s / 2.0) == 0.0, "all of it has only filled the line"


def test_two_zones_on_a_branch_that_carries_one_are_never_open_together() -> None:
    zones = [a_rooted(name, branch="uphill") for name in ("north", "south")]
    supply = replace(a_site().supplies[0], branches=(("uphill", 4.0),))
    apart, beside = (planned(a_site(*zones, supplies=(each,)), 34.0, 36.0) for each in (supply, a_site().supplies[0]))

    def together(plan: Plan) -> bool:
        pulses = [pulse for watering in plan.waterings for pulse in watering.pulses]
        return any(a.zone != b.zone and a.start <= b.start < a.end for a in pulses for b in pulses)

    assert not together(apart)
    assert together(beside), "without the branch they would be"


@pytest.mark.parametrize("supply", ["supply", "tank"])
def test_zones_that_may_never_be_open_together_are_laid_apart_also_from_two_supplies(supply: str) -> None:
    beds = (a_rooted("north"), a_rooted("south", supply=supply), a_rooted("east"))
    supplies = (Supply(capacity_l_min=12.0), Supply(capacity_l_min=12.0, id="tank"))
    site = a_site(*beds, supplies=supplies)

    def together(plan: Plan, one: str, other: str) -> bool:
        mine, theirs = ([p for w in plan.waterings if w.zone == zone for p in w.pulses] for zone in (one, other))
        return any(a.start < b.end and b.start < a.end for a in mine for b in theirs)

    plan = planned(replace(site, never_together=(("south", "north"),)), 34.0, 36.0)
    assert not together(plan, "north", "south")
    assert together(plan, "north", "east")
    assert together(planned(site, 34.0, 36.0), "north", "south"), "without the pair they would be"


def test_who_loses_a_pulse_gets_as_much_of_it_as_still_fits() -> None:
    """40 minutes are open. Of three pulses of some 19 minutes, with rests of 11, one fits and a half."""
    slow = a_rooted("slow", line=Line("micro-spray", 4.0, 20.0), longest_pulse_s=1600.0)
    dawn = Rules(dawn_earliest_h=1.0, dawn_margin_min=20.0)
    plan = planned(a_site(slow, watering=dawn), 34.0, 36.0)
    (soak,) = [w for w in of(plan, "dawn soak") if w.day == TOMORROW]
    lengths = [pulse.seconds for pulse in soak.pulses]
    assert len(lengths) == 2
    assert sorted(lengths)[0] == pytest.approx(sorted(lengths)[1] / 2.0)
