"""The watchers, each on a diary that was made by hand to break what it watches."""

from dataclasses import replace

import pytest

from controller.guard.flow import MeterRule
from controller.guard.rules import DAY_S, MASTER, SUPPLY, Charge, MasterRule, SupplyRule, ValveRule
from controller.sim.watch import (
    PROPERTIES,
    Booked,
    History,
    Level,
    Locked,
    OutOfOrder,
    Passed,
    Spell,
    after_a_crash,
    asks_act_once,
    broken,
    burst_is_shut,
    litres_in_the_journal,
    locked_stays_shut,
    locks_have_a_cause,
    longest_opening,
    never_together,
    openings,
    pump_after_the_valve,
    pump_against_closed,
    pump_before_the_valve,
    pump_rests,
    rolling_day,
    silent_daemon,
    supply_capacity,
    violations,
    well_again,
    without_guard,
)

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


def said(check: object, levels: list[Level], end_s: float, charge: Charge = CHARGE, **more: object) -> list[str]:
    """What one watcher says of a diary."""
    return [each.said for each in check(History(charge, levels, end_s, **more))]  # type: ignore[operator, arg-type]


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
    found = said(longest_opening, on_and_off((5.0, 5.0 + length_s)), 9999.0)
    assert bool(found) == broken
    assert not broken or found == ["beans was open for 601 s, its limit is 600 s"]


def test_an_opening_that_never_ends_is_seen() -> None:
    assert said(longest_opening, diary((5.0, "beans")), 700.0) == [
        "beans was open for 695 s, its limit is 600 s"
    ]


def test_too_much_in_any_24_hours_is_seen_wherever_they_begin() -> None:
    """Three times 600 s is the limit. The fourth is too much within a day of the first, midnight or not."""
    three = [(n * 20_000.0, n * 20_000.0 + 600.0) for n in range(3)]
    assert said(rolling_day, on_and_off(*three), 9e5) == []
    fine = on_and_off(*three, (DAY_S + 600.0, DAY_S + 1200.0))
    assert said(rolling_day, fine, 9e5) == [], "the first has left the window"
    early = on_and_off(*three, (DAY_S - 600.0, DAY_S))
    assert said(rolling_day, early, 9e5) == ["beans was open 2400 s within 24 h, its limit is 1800 s"]
    half = on_and_off(*three, (DAY_S - 200.0, DAY_S + 400.0))
    assert said(rolling_day, half, 9e5) == ["beans was open 2000 s within 24 h, its limit is 1800 s"]


def test_more_flow_than_the_supply_gives_is_seen() -> None:
    assert said(supply_capacity, diary((1.0, "beans leeks")), 9.0) == []
    assert said(supply_capacity, diary((1.0, "beans leeks figs")), 9.0) == [
        "beans, figs, leeks drew 13.0 L/min"
    ]
    assert said(supply_capacity, diary((1.0, "beans leeks limes")), 9.0) == []
    smaller = {**CHARGE.supplies, SUPPLY: SupplyRule(11.9)}
    assert said(supply_capacity, diary((1.0, "beans leeks")), 9.0, replace(CHARGE, supplies=smaller))


def test_a_pump_against_closed_valves_is_seen() -> None:
    assert said(pump_against_closed, diary((1.0, "beans master"), (2.0, "master")), 9.0) == [
        "the master was on against closed valves"
    ]
    on_the_other = [Level(3.0, frozenset({"beans", "master tank"}))]
    assert said(pump_against_closed, on_the_other, 9.0) == ["the master tank was on against closed valves"]


def test_two_of_a_pair_that_are_open_at_once_are_seen() -> None:
    pair = replace(CHARGE, never_together=(("beans", "leeks"),))
    apart = diary((1.0, "beans"), (2.0, "leeks"), (3.0, ""))
    assert said(never_together, apart, 9.0, pair) == []
    assert said(never_together, diary((1.0, "beans leeks")), 9.0) == []
    assert said(never_together, diary((1.0, "beans leeks")), 9.0, pair) == ["beans and leeks were open together"]


def test_a_pump_that_does_not_rest_or_runs_on_is_seen() -> None:
    rested = {**CHARGE.supplies, SUPPLY: SupplyRule(12.0, MasterRule(2.0, 2.0, rest_s=60.0, longest_run_s=300.0))}
    charge = replace(CHARGE, supplies=rested)
    fine = on_and_off((10.0, 310.0), (370.0, 400.0), name="master")
    assert said(pump_rests, fine, 999.0, charge) == []
    short = on_and_off((10.0, 310.0), (360.0, 400.0), name="master")
    assert said(pump_rests, short, 999.0, charge) == ["the master rested for 50.0 s"]
    assert said(pump_rests, short, 999.0, charge, gone=(Spell(300.0, 350.0),)) == [], "nobody knew of the run"
    assert said(pump_rests, on_and_off((10.0, 320.0), name="master"), 999.0, charge) == ["the master ran for 310 s"]
    assert said(pump_rests, short, 999.0) == []


@pytest.mark.parametrize("zone", ["beans", None])
def test_what_opens_though_it_is_locked_is_seen(zone: str | None) -> None:
    lock = Locked(zone, "burst", Spell(100.0, 200.0))
    before_and_after = on_and_off((50.0, 100.0), (200.0, 300.0))
    assert said(locked_stays_shut, before_and_after, 999.0, locked=(lock,)) == []
    assert said(locked_stays_shut, on_and_off((150.0, 160.0)), 999.0, locked=(lock,)) == [
        "beans was opened though locked by burst"
    ]
    other = on_and_off((150.0, 160.0), name="leeks")
    assert bool(said(locked_stays_shut, other, 999.0, locked=(lock,))) == (zone is None)


def test_a_lock_without_a_cause_is_seen() -> None:
    lock = Locked(None, "leak", Spell(100.0, 200.0))
    assert said(locks_have_a_cause, diary(), 999.0, locked=(lock,)) == [
        "the whole garden was locked by leak, and nothing was wrong"
    ]
    again = replace(lock, spell=Spell(5000.0, 6000.0))
    assert len(said(locks_have_a_cause, diary(), 9999.0, locked=(lock, again), starts=(5000.0,))) == 1, "it came back"
    assert len(said(locks_have_a_cause, diary(), 9999.0, locked=(lock, again))) == 2
    cause = OutOfOrder("pipe leaks", "", Spell(10.0, 90.0))
    assert said(locks_have_a_cause, diary(), 999.0, locked=(lock,), out_of_order=(cause,)) == []


def test_a_burst_that_runs_on_is_seen_where_a_meter_could_have_told() -> None:
    metered = replace(CHARGE, meter=MeterRule(0.01, 12.0))
    burst = OutOfOrder("line bursts", "beans", Spell(100.0, 500.0))
    runs = diary((50.0, "beans master"), (200.0, ""))
    assert said(burst_is_shut, runs, 999.0, metered, out_of_order=(burst,)) == [
        "beans was open for 100 s though it had burst"
    ]
    assert said(burst_is_shut, runs, 999.0, out_of_order=(burst,)) == [], "nothing measures it"
    assert said(burst_is_shut, runs, 999.0, metered, out_of_order=(burst,), guardless=(Spell(100.0, 160.0),)) == []
    for fine in (diary((50.0, "beans master"), (145.0, "")), diary((50.0, "beans"), (200.0, ""))):
        assert said(burst_is_shut, fine, 999.0, metered, out_of_order=(burst,)) == []


def test_litres_beside_a_leak_are_not_held_against_the_journal() -> None:
    metered = replace(CHARGE, meter=MeterRule(0.01, 12.0))
    passed, wrong = (Passed("p1", "beans", 10.0, 310.0, 40.0),), (Booked("p1", "beans", 70.0, 0.0),)
    assert said(litres_in_the_journal, diary(), 999.0, metered, passed=passed, booked=wrong) != []
    leak = OutOfOrder("pipe leaks", "", Spell(300.0, 400.0))
    assert said(litres_in_the_journal, diary(), 999.0, metered, passed=passed, booked=wrong, out_of_order=(leak,)) == []
    assert said(litres_in_the_journal, diary(), 999.0, metered, passed=passed, out_of_order=(leak,)) != []


def test_a_line_that_clogs_excuses_nothing_but_how_two_share_what_was_counted() -> None:
    metered = replace(CHARGE, meter=MeterRule(0.01, 12.0))
    clogs = OutOfOrder("line clogs", "beans", Spell(0.0, 400.0))
    mine, wrong = Passed("p1", "beans", 10.0, 310.0, 40.0), (Booked("p1", "beans", 70.0, 0.0),)

    def judged(passed: tuple[Passed, ...], booked: tuple[Booked, ...]) -> list[str]:
        return said(litres_in_the_journal, diary(), 999.0, metered, passed=passed, booked=booked, out_of_order=(clogs,))

    assert judged((mine,), wrong) == ["p1 gave 40.0 L, the journal says 70.0 ± 0.0 L"]
    beside = Passed("p2", "leeks", 200.0, 500.0, 70.0)
    assert judged((mine, beside), (*wrong, Booked("p2", "leeks", 40.0, 0.0))) == []
    lock = Locked(None, "leak", Spell(100.0, 200.0))
    assert said(locks_have_a_cause, diary(), 999.0, locked=(lock,), out_of_order=(clogs,)) != []


def test_what_a_dead_guard_leaves_open_is_excused_for_the_time_without_it_and_no_longer() -> None:
    spell = Spell(500.0, 505.0)
    assert said(longest_opening, on_and_off((0.0, 605.5)), 999.0, guardless=(spell,)) == []
    assert said(longest_opening, on_and_off((0.0, 607.0)), 999.0, guardless=(spell,)) != []
    assert said(without_guard, on_and_off((450.0, 505.5)), 999.0, guardless=(spell,)) == []
    assert said(without_guard, on_and_off((450.0, 507.0)), 999.0, guardless=(spell,)) == [
        "beans stayed open beyond a time without a guard"
    ]
    long = Spell(500.0, 507.0)
    assert said(without_guard, diary(), 999.0, guardless=(long,)) == ["no new guard came in time"]
    assert said(without_guard, diary(), 999.0, guardless=(long,), starts=(507.0,)) == [], "the daemon was gone too"


def test_what_is_open_five_seconds_after_a_start_is_seen() -> None:
    assert said(after_a_crash, on_and_off((100.0, 204.0)), 999.0, starts=(200.0,)) == []
    assert said(after_a_crash, on_and_off((201.0, 300.0)), 999.0, starts=(200.0,)) == [], "opened by the new one"
    assert said(after_a_crash, on_and_off((100.0, 206.0)), 999.0, starts=(200.0,)) == [
        "beans was still open after a start"
    ]


def test_litres_that_the_journal_does_not_know_are_seen() -> None:
    passed = (Passed("p1", "beans", 10.0, 310.0, 40.0),)
    right = Booked("p1", "beans", 39.5, 0.0)
    assert said(litres_in_the_journal, diary(), 999.0, passed=passed, booked=(right,)) == []
    for rows in ((), (replace(right, litres=20.0),), (replace(right, litres=60.0),), (replace(right, litres=None),)):
        assert said(litres_in_the_journal, diary(), 999.0, passed=passed, booked=rows) != []
    bound = replace(right, litres=20.0, unsure_litres=20.0)
    assert said(litres_in_the_journal, diary(), 999.0, passed=passed, booked=(bound,)) == []
    assert said(litres_in_the_journal, diary(), 999.0, booked=(right,)) != [], "booked, and never given"


def test_what_is_open_beside_a_daemon_that_hangs_is_seen() -> None:
    hung = (Spell(100.0, 130.0),)
    assert said(silent_daemon, on_and_off((50.0, 101.5)), 999.0, hung=hung) == []
    assert said(silent_daemon, on_and_off((50.0, 103.0)), 999.0, hung=hung) == [
        "beans was open beside a daemon that hung"
    ]


def test_a_pump_that_leads_or_trails_too_little_is_seen() -> None:
    assert said(pump_after_the_valve, GOOD, 999.0) == []
    early = diary((10.0, "beans"), (11.0, "beans master"), (20.0, ""))
    assert said(pump_after_the_valve, early, 999.0) == ["the master was on 1.00 s after the valve"]
    row, passed = Booked("p", "leeks", 1.0, 0.0, "deadline"), Passed("p", "leeks", 300.0, 702.0, 1.0)
    assert said(pump_before_the_valve, GOOD, 999.0, passed=(passed,), booked=(row,)) == []
    late = diary((300.0, "leeks"), (302.0, "leeks master"), (702.0, ""))
    assert said(pump_before_the_valve, late, 999.0, passed=(passed,), booked=(row,)) == [
        "leeks shut with the master still on"
    ]
    stopped = replace(row, why="stop")
    assert said(pump_before_the_valve, late, 999.0, passed=(passed,), booked=(stopped,)) == []


def test_an_ask_granted_twice_is_seen() -> None:
    assert said(asks_act_once, diary(), 9.0, answers=(("a", True), ("b", True), ("a", False))) == []
    assert said(asks_act_once, diary(), 9.0, answers=(("a", True), ("b", True), ("a", True))) == [
        "the ask a was acted on 2 times"
    ]


def test_what_is_ill_at_the_end_is_seen() -> None:
    assert said(well_again, diary(), 9.0, ill=("the plan is old",)) == ["a day after the last fault: the plan is old"]


def test_every_watcher_is_asked_and_names_itself() -> None:
    limits = {**CHARGE.supplies, SUPPLY: SupplyRule(12.0, MasterRule(2.0, 2.0, rest_s=3000.0))}
    charge = replace(
        CHARGE, supplies=limits, never_together=(("beans", "leeks"),), meter=MeterRule(0.01, 12.0)
    )
    bad = History(
        charge,
        diary(
            (1.0, "beans leeks figs"), (700.0, "master"), (1000.0, "beans"), (3000.0, ""), (3100.0, "leeks master"),
            (3200.0, ""),
        ),
        9999.0,
        guardless=(Spell(2000.0, 2100.0),),
        starts=(2500.0,),
        hung=(Spell(300.0, 320.0),),
        passed=(Passed("p", "beans", 1.0, 700.0, 90.0), Passed("q", "leeks", 3100.0, 3200.0, 6.0)),
        booked=(Booked("q", "leeks", 6.0, 0.0, "deadline"),),
        answers=(("a", True), ("a", True)),
        ill=("the plan is old",),
        locked=(Locked("beans", "burst", Spell(0.5, 9.0)),),
        out_of_order=(OutOfOrder("line bursts", "leeks", Spell(3100.0, 3200.0)),),
    )
    assert {each.rule for each in broken(bad)} == {check.__name__ for check in PROPERTIES}
    times = [each.at_s for each in broken(bad)]
    assert times == sorted(times)
    words = " | ".join(violations(bad.diary, CHARGE, 9999.0))
    for part in ("its limit is 600 s", "within 24 h", "drew 13.0 L/min", "against closed valves"):
        assert part in words
