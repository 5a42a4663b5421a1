"""The rules of the guard: each veto, each end of an opening, and what must hold in every history."""

import math
from dataclasses import dataclass, field, replace

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from controller.guard.rules import (
    DAY_S,
    MASTER,
    SUPPLY,
    VETOES,
    Charge,
    Closed,
    Guard,
    MasterRule,
    Opened,
    Outcome,
    Refused,
    SupplyRule,
    UsedOpening,
    ValveRule,
    master_line,
)

BEDS = {
    "beans": ValveRule(flow_l_min=8.0, longest_s=600.0, most_s_per_24h=1800.0),
    "kale": ValveRule(flow_l_min=6.0, longest_s=300.0, most_s_per_24h=900.0),
    "pots": ValveRule(flow_l_min=4.0, longest_s=60.0, most_s_per_24h=120.0),
}
PLAIN = Charge({SUPPLY: SupplyRule(capacity_l_min=15.0)}, BEDS)
PUMPED = Charge({SUPPLY: SupplyRule(15.0, MasterRule(lead_s=2.0, trail_s=3.0))}, BEDS)
TANK_MASTER = master_line("tank")
TWO = Charge(
    {SUPPLY: SupplyRule(15.0, MasterRule(2.0, 3.0)), "tank": SupplyRule(5.0, MasterRule(1.0, 1.0))},
    {**BEDS, "figs": ValveRule(4.0, 600.0, 1800.0, "tank"), "limes": ValveRule(3.0, 600.0, 1800.0, "tank")},
)
PATIENT_S = 1e9


def a_guard(charge: Charge = PLAIN, now_s: float = 0.0) -> Guard:
    """A guard whose owner has just been heard, and that is patient unless the charge says otherwise."""
    if charge.silence_s == PLAIN.silence_s:
        charge = replace(charge, silence_s=PATIENT_S)
    guard = Guard(charge, started_s=now_s)
    assert guard.beat(now_s) is None
    return guard


def refusal(outcome: Opened | Refused) -> tuple[str, str]:
    assert isinstance(outcome, Refused)
    return outcome.rule, outcome.why


def on(guard: Guard, now_s: float) -> set[str]:
    return {line for line, level in guard.levels(now_s).items() if level}


class TestVetoes:
    def test_their_order(self) -> None:
        assert [name for name, _ in VETOES] == [
            "no charge",
            "silence",
            "unknown valve",
            "locked",
            "stopped",
            "no pressure",
            "tank empty",
            "not a duration",
            "already open",
            "never together",
            "longest opening",
            "master's dead times",
            "pump's rest and run",
            "24 hours",
            "litres in 24 hours",
            "site's 24 hours",
            "site's litres in 24 hours",
            "supply capacity",
        ]

    def test_without_a_charge_nothing_opens(self) -> None:
        guard = Guard()
        guard.beat(0.0)
        assert refusal(guard.open("beans", "p", 10, 0.0))[0] == "no charge"
        assert guard.levels(0.0) == {}
        assert guard.next_change_s() is None
        assert guard.advance(1.0) == []

    def test_nothing_opens_for_an_owner_never_heard(self) -> None:
        assert refusal(Guard(PLAIN).open("beans", "p", 10, 0.0))[0] == "silence"

    def test_nothing_opens_for_an_owner_fallen_silent_and_all_is_well_after_its_next_beat(self) -> None:
        guard = Guard(PLAIN)
        guard.beat(0.0)
        assert refusal(guard.open("beans", "p", 10, 1.0))[0] == "silence"
        guard.beat(1.5)
        assert isinstance(guard.open("beans", "p", 10, 2.4), Opened)

    def test_unknown_valve(self) -> None:
        assert refusal(a_guard().open("roses", "p", 10, 0.0)) == (
            "unknown valve",
            "there is no valve 'roses' in this garden",
        )

    @pytest.mark.parametrize("seconds", [0, -1, -0.0, math.nan, math.inf, -math.inf, -(10**400)])
    def test_not_a_duration(self, seconds: float) -> None:
        assert refusal(a_guard().open("beans", "p", seconds, 0.0))[0] == "not a duration"

    def test_already_open(self) -> None:
        guard = a_guard()
        guard.open("beans", "p1", 10, 0.0)
        outcome = guard.open("beans", "p2", 10, 5.0)
        assert outcome == Refused("already open", "beans is already open, for pulse p1", "beans", "p2")

    def test_the_longest_opening_is_allowed_and_a_moment_more_is_not(self) -> None:
        assert isinstance(a_guard().open("beans", "p", 600.0, 0.0), Opened)
        rule_name, why = refusal(a_guard().open("beans", "p", 600.001, 0.0))
        assert rule_name == "longest opening"
        assert why == "beans was to open for 600.001 s, longer than its limit of 600 s"

    def test_an_opening_no_longer_than_the_dead_times_would_give_no_water(self) -> None:
        assert refusal(a_guard(PUMPED).open("beans", "p", 5.0, 0.0)) == (
            "master's dead times",
            "beans was to open for 5 s, but the master's dead times take 5 s",
        )
        assert isinstance(a_guard(PUMPED).open("beans", "p", 5.125, 0.0), Opened)

    def test_supply_capacity(self) -> None:
        guard = a_guard()
        assert isinstance(guard.open("beans", "p1", 10, 0.0), Opened)
        assert isinstance(guard.open("kale", "p2", 10, 0.0), Opened)
        assert refusal(guard.open("pots", "p3", 10, 0.0)) == (
            "supply capacity",
            "beans and kale and pots would draw 18 L/min, more than the supply's 15 L/min",
        )

    def test_flows_that_add_up_to_the_capacity_pass_in_spite_of_rounding(self) -> None:
        assert 0.1 + 0.2 > 0.3
        tenths = {"a": ValveRule(0.1, 10, 100), "b": ValveRule(0.2, 10, 100)}
        guard = a_guard(Charge({SUPPLY: SupplyRule(0.3)}, tenths))
        guard.open("a", "p1", 10, 0.0)
        assert isinstance(guard.open("b", "p2", 10, 0.0), Opened)


class TestSeveralSupplies:
    def test_each_has_a_capacity_of_its_own(self) -> None:
        guard = a_guard(TWO)
        assert isinstance(guard.open("beans", "p1", 60, 0.0), Opened)
        assert isinstance(guard.open("kale", "p2", 60, 0.0), Opened)
        assert isinstance(guard.open("figs", "p3", 60, 0.0), Opened)
        assert refusal(guard.open("limes", "p4", 60, 0.0)) == (
            "supply capacity",
            "figs and limes would draw 7 L/min, more than the supply's 5 L/min",
        )

    def test_each_has_a_master_of_its_own_with_its_own_dead_times(self) -> None:
        guard = a_guard(TWO)
        guard.open("beans", "p1", 60, 0.0)
        guard.open("figs", "p2", 30, 0.0)
        assert on(guard, 1.5) == {"beans", "figs", TANK_MASTER}
        assert on(guard, 2.0) == {"beans", "figs", MASTER, TANK_MASTER}
        assert on(guard, 29.5) == {"beans", "figs", MASTER}
        assert guard.close("figs", "asked", 29.5) == [], "the mains' master is none of its business"
        assert guard.advance(30.0) == [Closed("figs", "p2", 30.0, "deadline", 28.0)]
        assert refusal(guard.open("limes", "p3", 2.0, 30.0))[1].endswith("the master's dead times take 2 s")

    def test_a_zone_closes_after_its_own_master_though_another_supply_runs(self) -> None:
        guard = a_guard(TWO)
        guard.open("beans", "p1", 60, 0.0)
        guard.open("figs", "p2", 60, 0.0)
        assert guard.close("figs", "asked", 10.0) == []
        assert guard.next_change_s() == 10.0 + 1.0
        assert guard.advance(11.0) == [Closed("figs", "p2", 11.0, "asked", 9.0)]
        assert on(guard, 11.0) == {"beans", MASTER}


class TestTheDay:
    def test_a_full_day_is_refused_until_enough_has_left_the_24_hours(self) -> None:
        guard = a_guard()
        for number in range(3):
            assert isinstance(guard.open("kale", f"p{number}", 300, 1000.0 * number), Opened)
            guard.advance(1000.0 * number + 300)
        assert refusal(guard.open("kale", "p4", 1, 3000.0)) == (
            "24 hours",
            "kale would have been open 901 s within 24 hours, more than its 900 s",
        )
        # The first opening, 0 to 300 s, leaves while this one runs: exactly as much comes in as goes out.
        assert isinstance(guard.open("kale", "p5", 300, DAY_S), Opened)

    def test_a_moment_before_the_first_opening_begins_to_leave_is_too_soon(self) -> None:
        guard = a_guard()
        for number in range(3):
            guard.open("kale", f"p{number}", 300, 1000.0 * number)
            guard.advance(1000.0 * number + 300)
        assert refusal(guard.open("kale", "p5", 300, DAY_S - 0.125))[0] == "24 hours"

    def test_openings_before_the_start_count(self) -> None:
        used = [UsedOpening("kale", 3600, 500), UsedOpening("kale", 7200, 300), UsedOpening("beans", 9, 1800)]
        guard = a_guard(replace(PLAIN, used=tuple(used)), now_s=5000.0)
        assert refusal(guard.open("kale", "p", 101, 5000.0))[0] == "24 hours"
        assert refusal(guard.open("beans", "p", 1, 5000.0))[0] == "24 hours"
        assert isinstance(guard.open("kale", "p", 100, 5000.0), Opened)

    def test_an_opening_half_out_of_the_24_hours_counts_half(self) -> None:
        guard = a_guard(replace(PLAIN, used=(UsedOpening("kale", DAY_S - 300, 600),)))
        assert guard.used_s("kale", 0.0) == 300

    def test_doubtful_histories_that_overlap_count_twice_and_are_watched_in_between(self) -> None:
        # Two openings leave the window at the same time while the new one runs: the sum first rises (to 910 s
        # after 10 s), then falls. Its end alone would look harmless.
        used = (UsedOpening("kale", DAY_S - 210, 200), UsedOpening("kale", DAY_S - 210, 200),
                UsedOpening("kale", 3600, 500))
        guard = a_guard(replace(PLAIN, used=used))
        assert guard.used_s("kale", 300.0) + 300 < 900
        assert guard.most_used_s("kale", 0.0, 300.0) == 910
        assert refusal(guard.open("kale", "p", 300, 0.0))[0] == "24 hours"

    def test_a_valve_that_is_over_its_day_now_does_not_open_because_it_will_soon_be_under(self) -> None:
        leaving = UsedOpening("kale", DAY_S - 300, 600)
        guard = a_guard(replace(PLAIN, used=(leaving, leaving, UsedOpening("kale", 3600, 350))))
        assert guard.used_s("kale", 0.0) == 950
        assert guard.used_s("kale", 300.0) + 300 == 650
        assert refusal(guard.open("kale", "p", 300, 0.0))[0] == "24 hours"

    def test_what_is_older_than_24_hours_is_forgotten(self) -> None:
        guard = a_guard()
        for day in range(5):
            guard.open("pots", f"p{day}", 60, day * DAY_S)
            guard.advance(day * DAY_S + 60)
        assert len(guard._ledger) == 1

    def test_an_opening_cut_short_uses_only_what_it_was(self) -> None:
        guard = a_guard()
        guard.open("pots", "p1", 60, 0.0)
        guard.close("pots", "asked", 20.0)
        assert guard.used_s("pots", 100.0) == 20


class TestEnds:
    def test_deadline(self) -> None:
        guard = a_guard()
        assert guard.open("beans", "p", 10, 1.0) == Opened("beans", "p", 1.0, 11.0)
        assert guard.next_change_s() == 11.0
        assert guard.advance(10.875) == []
        assert on(guard, 10.875) == {"beans"}
        assert guard.advance(11.0) == [Closed("beans", "p", 10.0, "deadline", 10.0)]
        assert on(guard, 11.0) == set()
        assert guard.next_change_s() is None

    def test_levels_end_at_the_deadline_even_if_nobody_advances(self) -> None:
        guard = a_guard()
        guard.open("beans", "p", 10, 0.0)
        assert on(guard, 9.875) == {"beans"}
        assert on(guard, 10.0) == set()
        assert guard.next_change_s() == 10.0, "still due, however late it is asked"

    def test_a_late_closing_is_booked_as_long_as_it_was(self) -> None:
        guard = a_guard()
        guard.open("beans", "p", 10, 0.0)
        assert guard.advance(17.0) == [Closed("beans", "p", 17.0, "deadline", 17.0)]
        assert guard.used_s("beans", 20.0) == 17

    def test_silence_closes_everything_at_once_and_says_so(self) -> None:
        guard = Guard(replace(PUMPED, silence_s=4.0))
        guard.beat(0.0)
        guard.open("beans", "p1", 100, 1.0)
        guard.beat(2.0)
        guard.open("kale", "p2", 100, 2.0)
        guard.advance(4.5)
        assert guard.next_change_s() == 6.0
        assert on(guard, 5.875) == {"beans", "kale", MASTER}
        assert on(guard, 6.0) == set()
        ended = [Closed("beans", "p1", 5.0, "silence", 3.0), Closed("kale", "p2", 4.0, "silence", 3.0)]
        assert guard.advance(6.0) == ended

    def test_what_ended_by_its_deadline_did_not_end_by_the_silence_after_it(self) -> None:
        guard = Guard(PLAIN)
        guard.beat(0.0)
        guard.open("beans", "p1", 0.5, 0.0)
        guard.open("kale", "p2", 100, 0.0)
        assert [(each.valve, each.why) for each in guard.advance(1.0) if isinstance(each, Closed)] == [
            ("beans", "deadline"),
            ("kale", "silence"),
        ]

    def test_asked_for_one(self) -> None:
        guard = a_guard()
        guard.open("beans", "p1", 100, 0.0)
        guard.open("kale", "p2", 100, 0.0)
        assert guard.close("beans", "the gardener stopped it", 4.0) == [
            Closed("beans", "p1", 4.0, "the gardener stopped it", 4.0)
        ]
        assert on(guard, 4.0) == {"kale"}

    @pytest.mark.parametrize("valve", ["beans", "roses"])
    def test_closing_what_is_not_open_is_done_already(self, valve: str) -> None:
        assert a_guard().close(valve, "asked", 1.0) == []

    def test_asked_for_all(self) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p1", 100, 0.0)
        guard.open("kale", "p2", 100, 0.0)
        assert len(guard.close(None, "by hand", 50.0)) == 2
        assert guard.levels(50.0) == {"beans": False, "kale": False, "pots": False, MASTER: False}


class TestMaster:
    def changes(self, guard: Guard) -> list[tuple[float, set[str]]]:
        seen = []
        while (next_s := guard.next_change_s()) is not None:
            guard.advance(next_s)
            seen.append((next_s, on(guard, next_s)))
        return seen

    def test_opens_after_and_closes_before_the_zone(self) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p", 60, 0.0)
        assert on(guard, 0.0) == {"beans"}
        assert self.changes(guard) == [(2.0, {"beans", MASTER}), (57.0, {"beans"}), (60.0, set())]

    def test_runs_on_from_zone_to_zone(self) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p1", 60, 0.0)
        guard.advance(58.0 - 2.0)
        guard.open("kale", "p2", 60, 56.0)
        both = {"beans", "kale", MASTER}
        assert self.changes(guard) == [
            (57.0, both),
            (58.0, both),
            (60.0, {"kale", MASTER}),
            (113.0, {"kale"}),
            (116.0, set()),
        ]

    def test_takes_over_from_a_zone_that_closes_just_when_the_next_has_had_its_lead(self) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p1", 60, 0.0)
        guard.advance(58.0)
        guard.open("kale", "p2", 60, 58.0)
        assert on(guard, 58.0) == {"beans", "kale", MASTER}
        assert self.changes(guard)[0] == (60.0, {"kale", MASTER})

    def test_does_not_start_again_for_a_moment_when_the_next_zone_comes_too_late(self) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p1", 60, 0.0)
        guard.advance(59.0)
        guard.open("kale", "p2", 60, 59.0)
        assert on(guard, 59.0) == {"beans", "kale"}
        changes = self.changes(guard)
        assert changes[:3] == [(60.0, {"kale"}), (61.0, {"kale", MASTER}), (116.0, {"kale"})]

    def test_a_zone_asked_to_close_waits_for_the_master(self) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p", 60, 0.0)
        assert guard.close("beans", "asked", 10.0) == []
        assert on(guard, 10.0) == {"beans"}
        assert self.changes(guard) == [(13.0, set())]

    def test_asking_again_neither_hastens_nor_delays_it(self) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p", 60, 0.0)
        guard.close("beans", "asked", 10.0)
        assert guard.close("beans", "asked again", 11.0) == []
        assert guard.advance(13.0) == [Closed("beans", "p", 13.0, "asked", 8.0)]

    @pytest.mark.parametrize("asked_s", [57.0, 58.0])
    def test_a_zone_asked_to_close_near_its_end_keeps_its_end(self, asked_s: float) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p", 60, 0.0)
        assert guard.close("beans", "asked", asked_s) == []
        assert guard.advance(60.0) == [Closed("beans", "p", 60.0, "deadline", 55.0)]

    def test_a_zone_that_has_had_no_water_yet_waits_if_the_master_runs_on_because_of_it(self) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p1", 60, 0.0)
        guard.advance(58.0 - 1.0)
        guard.open("kale", "p2", 60, 57.0)
        assert on(guard, 58.0) == {"beans", "kale", MASTER}
        assert guard.close("kale", "asked", 58.0) == []
        assert self.changes(guard) == [(59.0, {"beans", "kale"}), (60.0, {"kale"}), (61.0, set())]

    def test_a_zone_closes_at_once_while_the_master_is_not_on_yet(self) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p", 60, 0.0)
        assert guard.close("beans", "asked", 1.0) == [Closed("beans", "p", 1.0, "asked", 0.0)]

    def test_a_zone_closes_at_once_while_the_master_runs_for_another(self) -> None:
        guard = a_guard(PUMPED)
        guard.open("beans", "p1", 60, 0.0)
        guard.open("kale", "p2", 60, 0.0)
        assert guard.close("beans", "asked", 10.0) == [Closed("beans", "p1", 10.0, "asked", 8.0)]
        assert on(guard, 10.0) == {"kale", MASTER}


class TestTime:
    @pytest.mark.parametrize("now_s", [4.0, math.nan, math.inf, -math.inf])
    def test_a_clock_that_runs_back_or_is_none_is_an_error(self, now_s: float) -> None:
        guard = a_guard(now_s=5.0)
        with pytest.raises(ValueError, match="never run back"):
            guard.advance(now_s)

    def test_an_old_beat_proves_that_the_owner_lived_then(self) -> None:
        guard = Guard(PLAIN)
        assert guard.beat(10.0, sent_s=3.0) is None
        assert guard.silent(10.0)
        guard.beat(10.0, sent_s=9.5)
        guard.beat(10.0, sent_s=3.0)
        assert not guard.silent(10.25)

    @pytest.mark.parametrize("sent_s", [10.5, math.nan, math.inf])
    def test_a_beat_from_the_future_is_no_beat(self, sent_s: float) -> None:
        guard = Guard(PLAIN)
        outcome = guard.beat(10.0, sent_s)
        assert isinstance(outcome, Refused)
        assert outcome.rule == "beat"
        assert guard.silent(10.0)


class TestCharge:
    @pytest.mark.parametrize("wrong", [0, -1, math.nan, math.inf])
    @pytest.mark.parametrize("name", ["flow_l_min", "longest_s", "most_s_per_24h"])
    def test_a_limit_that_limits_nothing(self, name: str, wrong: float) -> None:
        with pytest.raises(ValueError, match=f"{name} must be a finite number above 0"):
            replace(ValveRule(1, 1, 1), **{name: wrong})  # type: ignore[arg-type]

    @pytest.mark.parametrize("wrong", [-0.5, math.nan, math.inf])
    def test_dead_times_and_history(self, wrong: float) -> None:
        for make in (
            lambda: MasterRule(wrong, 0),
            lambda: MasterRule(0, wrong),
            lambda: UsedOpening("a", wrong, 0),
            lambda: UsedOpening("a", 0, wrong),
        ):
            with pytest.raises(ValueError, match="must be a finite number, 0 or more"):
                make()

    def test_capacity_and_silence(self) -> None:
        with pytest.raises(ValueError, match="capacity_l_min"):
            SupplyRule(0)
        with pytest.raises(ValueError, match="silence_s"):
            Charge(PLAIN.supplies, BEDS, silence_s=math.inf)

    @pytest.mark.parametrize("name", [MASTER, TANK_MASTER])
    def test_a_zone_may_not_be_called_master(self, name: str) -> None:
        with pytest.raises(ValueError, match="that is the name of a master line"):
            Charge(PLAIN.supplies, {name: ValveRule(1, 1, 1)})

    def test_a_valve_hangs_on_a_supply_that_there_is(self) -> None:
        with pytest.raises(ValueError, match="the supply 'bore' of beans is none of this garden"):
            Charge(PLAIN.supplies, {"beans": ValveRule(1, 1, 1, "bore")})


@dataclass
class World:
    """Lines that do as the guard says, with a diary of when each was on. Only the diary is checked."""

    guard: Guard
    charge: Charge
    now_s: float
    on_since: dict[str, float] = field(default_factory=dict)
    diary: list[tuple[str, float, float]] = field(default_factory=list)
    closed: list[Closed] = field(default_factory=list)
    emergencies: list[float] = field(default_factory=list)

    def follow(self, outcomes: list[Outcome]) -> None:
        self.closed += [outcome for outcome in outcomes if isinstance(outcome, Closed)]
        for line, level in self.guard.levels(self.now_s).items():
            if level:
                self.on_since.setdefault(line, self.now_s)
            elif line in self.on_since:
                since_s = self.on_since.pop(line)
                if since_s < self.now_s:
                    self.diary.append((line, since_s, self.now_s))

    def go_to(self, until_s: float) -> None:
        while (next_s := self.guard.next_change_s()) is not None and next_s < until_s:
            self.arrive(next_s)
        self.arrive(until_s)

    def arrive(self, now_s: float) -> None:
        self.now_s = now_s
        levels = self.guard.levels(now_s)
        outcomes = self.guard.advance(now_s)
        assert self.guard.levels(now_s) == levels, "advancing books what has ended; it changes no level"
        if any(isinstance(each, Closed) and each.why == "silence" for each in outcomes):
            self.emergencies.append(now_s)
        self.follow(outcomes)

    def intervals(self, line: str, until_s: float | None = None) -> list[tuple[float, float]]:
        """Past and present, the present ending now (or as planned if `until_s` says so)."""
        past = [(since_s, end_s) for name, since_s, end_s in self.diary if name == line]
        if line in self.on_since:
            past.append((self.on_since[line], self.now_s if until_s is None else until_s))
        return past


def within_24_h(intervals: list[tuple[float, float]], at_s: float) -> float:
    """Written apart from the rules on purpose: seconds open in (at - 24 h, at]."""
    total_s = 0.0
    for since_s, end_s in intervals:
        start_s, stop_s = max(since_s, at_s - 24 * 3600), min(end_s, at_s)
        if stop_s > start_s:
            total_s += stop_s - start_s
    return total_s


EIGHTHS = 8.0  # times are multiples of 1/8 s, so that sums are exact and only the rules are tested


def eighths(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(int(low * EIGHTHS), int(high * EIGHTHS)).map(lambda count: count / EIGHTHS)


ZONES = ("a", "b", "c")
ASKED = eighths(0, 10) | eighths(0, 80) | eighths(0, 7300)


class Histories(RuleBasedStateMachine):
    """Any sequence of asks, closings, beats and waits; three valves on one supply or two, with or without masters."""

    @initialize(
        flows=st.tuples(*[st.integers(1, 8)] * 3),
        capacities=st.tuples(st.integers(4, 16), st.integers(4, 16)),
        hang_on=st.tuples(*[st.sampled_from([SUPPLY, SUPPLY, "tank"])] * 3),
        longest=st.tuples(*[st.sampled_from([8.0, 60.0, 7200.0])] * 3),
        most=st.tuples(*[st.sampled_from([8.0, 90.0, 10_000.0])] * 3),
        masters=st.tuples(*[st.none() | st.builds(MasterRule, eighths(0, 4), eighths(0, 4))] * 2),
        silence_s=st.sampled_from([2.0, 30.0, PATIENT_S]),
        used=st.lists(
            st.tuples(st.sampled_from(ZONES), st.integers(0, 30).map(lambda h: h * 3600.0), eighths(0, 3000)),
            max_size=4,
        ),
    )
    def begin(  # type: ignore[no-untyped-def]
        self, flows, capacities, hang_on, longest, most, masters, silence_s, used
    ) -> None:
        valves = {
            zone: ValveRule(flow, longest_s, most_s, supply)
            for zone, flow, longest_s, most_s, supply in zip(ZONES, flows, longest, most, hang_on, strict=True)
        }
        supplies = dict(zip((SUPPLY, "tank"), map(SupplyRule, capacities, masters), strict=True))
        history = tuple(UsedOpening(*each) for each in used)
        self.charge = Charge(supplies, valves, silence_s, history)
        self.world = World(Guard(self.charge, started_s=1000.0), self.charge, 1000.0)
        self.before = {
            zone: [(1000.0 - ago - length, 1000.0 - ago) for name, ago, length in used if name == zone]
            for zone in ZONES
        }
        self.heard_s = -math.inf
        self.pulses = 0

    @rule(zone=st.sampled_from(ZONES), seconds=ASKED, beats=st.booleans())
    def open(self, zone: str, seconds: float, beats: bool) -> None:
        if beats:
            self.beat(0.0)
        self.pulses += 1
        was = dict(self.world.guard.levels(self.world.now_s))
        outcome = self.world.guard.open(zone, f"p{self.pulses}", seconds, self.world.now_s)
        forbidden = self.reasons(zone, seconds)
        assert isinstance(outcome, Refused) == bool(forbidden)
        if isinstance(outcome, Refused):
            assert outcome.rule in forbidden
            assert self.world.guard.levels(self.world.now_s) == was
        self.world.follow([outcome])

    def reasons(self, zone: str, seconds: float) -> set[str]:
        """Every rule the opening would break, judged from the diary."""
        world, now_s, limits = self.world, self.world.now_s, self.charge.valves[zone]
        found = set()
        if now_s - self.heard_s >= self.charge.silence_s:
            found.add("silence")
        if seconds <= 0:
            found.add("not a duration")
        if zone in world.on_since:
            found.add("already open")
        if seconds > limits.longest_s:
            found.add("longest opening")
        supply = self.charge.supplies[limits.supply]
        if supply.master and seconds <= supply.master.lead_s + supply.master.trail_s:
            found.add("master's dead times")
        intervals = [*self.before[zone], *world.intervals(zone), (now_s, now_s + seconds)]
        edges = [at_s for interval in intervals for at_s in interval]
        corners = [*edges, *(at_s + DAY_S for at_s in edges)]
        watched = [at for at in corners if now_s <= at <= now_s + seconds]
        if any(within_24_h(intervals, at) > limits.most_s_per_24h for at in watched):
            found.add("24 hours")
        others = [name for name in self.on_supply(limits.supply) if name in world.on_since and name != zone]
        flow_l_min = sum(self.charge.valves[name].flow_l_min for name in [zone, *others])
        if flow_l_min > supply.capacity_l_min:
            found.add("supply capacity")
        return found

    def on_supply(self, supply: str) -> list[str]:
        return [zone for zone in ZONES if self.charge.valves[zone].supply == supply]

    @rule(age_s=st.just(0.0) | eighths(0, 40))
    def beat(self, age_s: float) -> None:
        sent_s = self.world.now_s - age_s
        assert self.world.guard.beat(self.world.now_s, sent_s) is None
        self.heard_s = max(self.heard_s, sent_s)
        self.world.follow(self.world.guard.advance(self.world.now_s))

    @rule(seconds=eighths(0, 5) | eighths(0, 100) | st.integers(0, 26).map(lambda hours: hours * 3600.0))
    def wait(self, seconds: float) -> None:
        self.world.go_to(self.world.now_s + seconds)

    @rule(zone=st.sampled_from(ZONES))
    def close_one(self, zone: str) -> None:
        was_open = zone in self.world.on_since
        self.world.follow(self.world.guard.close(zone, "asked", self.world.now_s))
        if was_open and zone in self.world.on_since:
            supply = self.charge.valves[zone].supply
            assert self.charge.supplies[supply].master
            running = [each for each in self.on_supply(supply) if each in self.world.on_since]
            assert not self.world.guard.levels(self.world.now_s)[master_line(supply)] or len(running) > 1

    @rule()
    def close_all(self) -> None:
        self.world.emergencies.append(self.world.now_s)
        self.world.follow(self.world.guard.close(None, "asked", self.world.now_s))
        assert not any(self.world.guard.levels(self.world.now_s).values())
        assert self.world.guard.grants == ()

    @invariant()
    def zones_keep_their_limits(self) -> None:
        for zone in ZONES if hasattr(self, "world") else ():
            limits = self.charge.valves[zone]
            intervals = self.world.intervals(zone)
            assert all(end_s - since_s <= limits.longest_s for since_s, end_s in intervals)
            history = [*self.before[zone], *intervals]
            for at_s in [end_s for _, end_s in intervals]:
                assert within_24_h(history, at_s) <= limits.most_s_per_24h

    @invariant()
    def the_supply_suffices_at_every_instant(self) -> None:
        if not hasattr(self, "world"):
            return
        for supply, limit in self.charge.supplies.items():
            zones = self.on_supply(supply)
            spans = [(zone, *span) for zone in zones for span in self.world.intervals(zone, until_s=math.inf)]
            for _, at_s, _ in spans:
                open_then = [zone for zone, since_s, end_s in spans if since_s <= at_s < end_s]
                assert sum(self.charge.valves[zone].flow_l_min for zone in open_then) <= limit.capacity_l_min

    @invariant()
    def nothing_is_open_for_a_silent_owner(self) -> None:
        if hasattr(self, "world") and self.world.now_s - self.heard_s >= self.charge.silence_s:
            assert not self.world.on_since

    @invariant()
    def the_master_runs_only_where_water_can_go(self) -> None:
        for supply, limit in self.charge.supplies.items() if hasattr(self, "world") else ():
            if limit.master:
                self.this_master_runs_only_where_water_can_go(supply, limit.master)

    def this_master_runs_only_where_water_can_go(self, supply: str, master: MasterRule) -> None:
        line = master_line(supply)
        spans = [span for zone in self.on_supply(supply) for span in self.world.intervals(zone, until_s=math.inf)]
        for on_s, off_s in self.world.intervals(line):
            instants = [on_s, *(end_s for _, end_s in spans if on_s < end_s < off_s)]
            for at_s in instants:
                assert any(since_s + master.lead_s <= at_s < end_s for since_s, end_s in spans)
        for name, _, off_s in self.world.diary:
            at_once = any(off_s <= at_s < off_s + master.trail_s for at_s in self.world.emergencies)
            if name == line and off_s not in self.world.emergencies and not at_once:
                led = [end_s for since_s, end_s in spans if since_s + master.lead_s <= off_s]
                assert max(led) >= off_s + master.trail_s

    @invariant()
    def what_is_told_is_what_was(self) -> None:
        if not hasattr(self, "world"):
            return
        told = sorted((each.valve, each.open_s) for each in self.world.closed if each.open_s > 0)
        done = sorted((line, end_s - since_s) for line, since_s, end_s in self.world.diary if line in ZONES)
        assert told == done

    @invariant()
    def the_water_told_is_what_ran_through_zone_and_master(self) -> None:
        for zone in ZONES if hasattr(self, "world") else ():
            supply = self.charge.valves[zone].supply
            been = [(since_s, end_s) for line, since_s, end_s in self.world.diary if line == zone]
            masters = self.world.intervals(master_line(supply))
            water_s = [
                end_s - since_s
                if self.charge.supplies[supply].master is None
                else sum(max(0.0, min(end_s, off_s) - max(since_s, on_s)) for on_s, off_s in masters)
                for since_s, end_s in been
            ]
            told = [each.water_s for each in self.world.closed if each.valve == zone and each.open_s > 0]
            assert told == water_s


Histories.TestCase.settings = settings(
    max_examples=250, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
)
TestHistories = Histories.TestCase
