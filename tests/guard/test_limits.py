"""The interlocks beside the plain ones: litres, the site, pairs, the pump's rest and run, switches, locks."""

import math
from dataclasses import replace

import pytest

from controller.guard.rules import (
    DAY_S,
    INPUTS,
    MASTER,
    SUPPLY,
    Charge,
    Closed,
    Guard,
    Lock,
    MasterRule,
    Notice,
    Opened,
    Outcome,
    Refused,
    SupplyRule,
    UsedOpening,
    ValveRule,
)
from tests.guard.test_rules import PLAIN, PUMPED, a_guard, on, refusal


def pumped(master: MasterRule) -> Charge:
    return replace(PUMPED, supplies={SUPPLY: SupplyRule(15.0, master)})


class TestLitres:
    def test_by_default_a_third_more_than_the_flow_gives_in_its_minutes(self) -> None:
        assert ValveRule(6.0, 300.0, 600.0).most_litres == pytest.approx(78.0)
        assert ValveRule(6.0, 300.0, 600.0, most_l_per_24h=50.0).most_litres == 50.0

    def test_a_zone_has_its_litres_and_not_one_more(self) -> None:
        charge = replace(PLAIN, valves={"beans": ValveRule(6.0, 600.0, 3600.0, most_l_per_24h=60.0)})
        assert isinstance(a_guard(charge).open("beans", "p", 600.0, 0.0), Opened)
        guard = a_guard(charge)
        guard.open("beans", "p1", 300.0, 0.0)
        guard.advance(300.0)
        assert refusal(guard.open("beans", "p2", 301.0, 300.0)) == (
            "litres in 24 hours",
            "beans would have given 60 L within 24 hours, more than its 60 L",
        )
        assert isinstance(guard.open("beans", "p3", 300.0, 300.0), Opened)

    def test_litres_that_were_counted_count_instead_of_the_supposed(self) -> None:
        rule = ValveRule(6.0, 600.0, 3600.0, most_l_per_24h=60.0)
        used = (UsedOpening("beans", 100.0, 60.0, 55.0),)
        assert refusal(a_guard(replace(PLAIN, valves={"beans": rule}, used=used)).open("beans", "p", 60.0, 0.0))[0] == (
            "litres in 24 hours"
        )

    def test_of_an_opening_that_nobody_counted_the_supposed_count_under_a_new_guard(self) -> None:
        rule = ValveRule(6.0, 600.0, 3600.0, most_l_per_24h=60.0)
        guard = a_guard(replace(PLAIN, valves={"beans": rule}, used=(UsedOpening("beans", 100.0, 550.0),)))
        assert refusal(guard.open("beans", "p1", 60.0, 0.0)) == (
            "litres in 24 hours",
            "beans would have given 61 L within 24 hours, more than its 60 L",
        )
        assert isinstance(guard.open("beans", "p2", 50.0, 0.0), Opened)

    def test_litres_of_an_opening_without_time_count_until_a_day_later(self) -> None:
        charge = replace(PLAIN, valves={"beans": ValveRule(6.0, 600.0, 3600.0, most_l_per_24h=60.0)})
        guard = a_guard(replace(charge, used=(UsedOpening("beans", 10.0, 0.0, 60.0),)))
        assert refusal(guard.open("beans", "p", 60.0, 0.0))[0] == "litres in 24 hours"
        guard.advance(DAY_S)
        assert isinstance(guard.open("beans", "p", 60.0, DAY_S), Opened)

    def test_a_past_valve_that_is_no_more_gave_nothing_known(self) -> None:
        guard = a_guard(replace(PLAIN, used=(UsedOpening("roses", 10.0, 60.0),), most_l_per_24h=1.0))
        assert isinstance(guard.open("pots", "p", 15.0, 0.0), Opened)


class TestTheSite:
    def test_minutes_of_all_valves_add_up_also_of_those_open_now(self) -> None:
        guard = a_guard(replace(PLAIN, most_s_per_24h=500.0))
        guard.open("beans", "p1", 300.0, 0.0)
        assert refusal(guard.open("kale", "p2", 201.0, 0.0)) == (
            "site's 24 hours",
            "all valves would have been open 501 s within 24 hours, more than the site's 500 s",
        )
        assert isinstance(guard.open("kale", "p3", 200.0, 0.0), Opened)

    def test_the_day_is_judged_beyond_the_end_of_the_new_opening_too(self) -> None:
        guard = a_guard(replace(PLAIN, most_s_per_24h=500.0, used=(UsedOpening("kale", 100.0, 150.0),)))
        guard.open("beans", "p1", 300.0, 0.0)
        assert refusal(guard.open("pots", "p2", 60.0, 0.0))[0] == "site's 24 hours"

    def test_litres_of_all_valves(self) -> None:
        guard = a_guard(replace(PLAIN, most_l_per_24h=50.0))
        guard.open("beans", "p1", 300.0, 0.0)  # 40 L
        assert refusal(guard.open("kale", "p2", 101.0, 0.0)) == (
            "site's litres in 24 hours",
            "all valves would have given 50 L within 24 hours, more than the site's 50 L",
        )
        assert isinstance(guard.open("kale", "p3", 100.0, 0.0), Opened)

    def test_without_limits_of_its_own_the_site_has_what_its_valves_have(self) -> None:
        guard = a_guard()
        guard.open("beans", "p1", 600.0, 0.0)
        assert isinstance(guard.open("kale", "p2", 300.0, 0.0), Opened)


class TestNeverTogether:
    CHARGE = replace(PLAIN, never_together=(("kale", "beans"),))

    @pytest.mark.parametrize(("first", "second"), [("beans", "kale"), ("kale", "beans")])
    def test_one_of_the_pair_waits_for_the_other(self, first: str, second: str) -> None:
        guard = a_guard(self.CHARGE)
        guard.open(first, "p1", 60.0, 0.0)
        assert refusal(guard.open(second, "p2", 10.0, 1.0)) == (
            "never together",
            f"{first} is open, and {second} and {first} may never be open together",
        )
        assert isinstance(guard.open("pots", "p3", 10.0, 1.0), Opened)
        guard.advance(60.0)
        assert isinstance(guard.open(second, "p4", 10.0, 60.0), Opened)

    def test_a_pair_of_unknown_valves_is_refused_at_once(self) -> None:
        with pytest.raises(ValueError, match="never_together names 'roses'"):
            replace(PLAIN, never_together=(("beans", "roses"),))


class TestPump:
    RESTING = pumped(MasterRule(2.0, 3.0, rest_s=30.0))
    SHORT = pumped(MasterRule(2.0, 3.0, longest_run_s=100.0))

    def test_it_rests_after_each_run(self) -> None:
        guard = a_guard(self.RESTING)
        guard.open("beans", "p1", 60.0, 0.0)
        guard.advance(2.0)
        guard.advance(57.0)
        guard.advance(60.0)
        assert refusal(guard.open("kale", "p2", 60.0, 84.0)) == (
            "pump's rest and run",
            "the pump rests for 30 s after each run; 1 s are left",
        )
        assert isinstance(guard.open("kale", "p3", 60.0, 85.0), Opened)

    def test_a_gap_between_two_zones_that_is_too_short_a_rest_is_refused_before_it_comes(self) -> None:
        guard = a_guard(self.RESTING)
        guard.open("beans", "p1", 60.0, 0.0)
        guard.advance(2.0)
        assert refusal(guard.open("kale", "p2", 60.0, 59.0))[0] == "pump's rest and run"

    def test_a_gap_that_a_long_lead_makes_is_refused_while_the_pump_still_runs(self) -> None:
        """It is on until 59, and the next zone would have had its lead at 61: two seconds are no rest."""
        guard = a_guard(pumped(MasterRule(5.0, 1.0, rest_s=30.0)))
        guard.open("beans", "p1", 60.0, 0.0)
        guard.advance(5.0)
        assert on(guard, 56.0) == {"beans", MASTER}
        assert refusal(guard.open("kale", "p2", 60.0, 56.0)) == (
            "pump's rest and run",
            "the pump rests for 30 s after each run; 28 s are left",
        )

    def test_no_gap_is_no_rest(self) -> None:
        guard = a_guard(self.RESTING)
        guard.open("beans", "p1", 60.0, 0.0)
        guard.advance(2.0)
        assert isinstance(guard.open("kale", "p2", 60.0, 50.0), Opened)

    def test_a_zone_that_opened_for_a_running_pump_waits_if_it_has_to_rest_after_all(self) -> None:
        guard = a_guard(pumped(MasterRule(5.0, 1.0, rest_s=30.0)))
        guard.open("beans", "p1", 60.0, 0.0)
        guard.advance(5.0)
        guard.open("kale", "p2", 60.0, 50.0)
        guard.close("beans", "asked", 50.0)  # the pump stops at once: kale has not had its lead
        assert on(guard, 50.0) == {"beans", "kale"}
        guard.advance(51.0)
        for at_s in (55.0, 55.125, 55.25):
            guard.advance(at_s)
            assert on(guard, at_s) == {"kale"}
        assert guard.next_change_s() == 80.0
        assert on(guard, 79.875) == {"kale"}
        assert on(guard, 80.0) == {"kale", MASTER}
        assert refusal(guard.open("beans", "p3", 30.0, 60.0))[0] == "pump's rest and run"

    def test_it_rests_on_under_a_new_guard(self) -> None:
        used = (UsedOpening("beans", 10.0, 60.0), UsedOpening("kale", 12.0, 60.0), UsedOpening("gone", 1.0, 60.0))
        guard = a_guard(replace(self.RESTING, used=used))
        assert refusal(guard.open("kale", "p1", 60.0, 0.0)) == (
            "pump's rest and run",
            "the pump rests for 30 s after each run; 18 s are left",
        )
        assert isinstance(guard.open("kale", "p2", 60.0, 18.0), Opened)

    def test_its_longest_run_counts_on_from_zone_to_zone(self) -> None:
        guard = a_guard(self.SHORT)
        guard.open("beans", "p1", 60.0, 0.0)
        guard.advance(2.0)
        guard.advance(50.0)
        assert refusal(guard.open("kale", "p2", 56.0, 50.0)) == (
            "pump's rest and run",
            "the pump would run for 101 s, longer than its 100 s",
        )
        assert isinstance(guard.open("kale", "p3", 55.0, 50.0), Opened)

    def test_a_run_that_begins_later_is_measured_from_its_own_beginning(self) -> None:
        guard = a_guard(self.SHORT)
        assert isinstance(guard.open("beans", "p1", 105.0, 0.0), Opened)
        assert refusal(a_guard(self.SHORT).open("beans", "p1", 106.0, 0.0))[0] == "pump's rest and run"

    def test_its_longest_run_begins_anew_after_a_stop(self) -> None:
        guard = a_guard(self.SHORT)
        guard.open("beans", "p1", 100.0, 0.0)
        for now_s in (2.0, 97.0, 100.0):
            guard.advance(now_s)
        assert isinstance(guard.open("kale", "p2", 100.0, 100.0), Opened)

    @pytest.mark.parametrize("wrong", [0.0, -1.0, math.inf, math.nan])
    def test_a_run_that_is_no_limit(self, wrong: float) -> None:
        with pytest.raises(ValueError, match="longest_run_s"):
            MasterRule(2.0, 2.0, longest_run_s=wrong)
        with pytest.raises(ValueError, match="most_l_per_24h"):
            replace(PLAIN, most_l_per_24h=wrong)
        with pytest.raises(ValueError, match="most_s_per_24h"):
            replace(PLAIN, most_s_per_24h=wrong)


class TestSwitches:
    CHARGE = replace(
        PLAIN, inputs={"button": "stop switch", "mains": "pressure switch", "float": "tank switch"}
    )

    def flowing(self) -> Guard:
        guard = a_guard(self.CHARGE)
        guard.open("beans", "p1", 60.0, 0.0)
        return guard

    def test_every_kind_has_its_veto(self) -> None:
        assert {switch.rule for switch in INPUTS.values()} == {"stopped", "no pressure", "tank empty"}

    @pytest.mark.parametrize(
        ("name", "rule", "why"),
        [
            ("mains", "no pressure", "there is no pressure in the mains"),
            ("float", "tank empty", "the tank is empty"),
        ],
    )
    def test_water_that_is_missing_closes_and_water_that_is_back_lets_open_again(
        self, name: str, rule: str, why: str
    ) -> None:
        guard = self.flowing()
        assert guard.sense(name, True, 5.0) == []
        assert guard.sense(name, False, 10.0) == [Closed("beans", "p1", 10.0, rule, 10.0), Notice(rule, why)]
        assert on(guard, 10.0) == set()
        assert guard.sense(name, False, 11.0) == []
        assert refusal(guard.open("kale", "p2", 10.0, 11.0)) == (rule, why)
        (over,) = guard.sense(name, True, 12.0)
        assert isinstance(over, Notice)
        assert (over.rule, over.over, over.locked) == (rule, True, False)
        assert isinstance(guard.open("kale", "p3", 10.0, 12.0), Opened)

    def test_a_stop_closes_and_locks_until_a_hand_releases_it(self) -> None:
        guard = self.flowing()
        stopped = Notice("stopped", "the stop switch is pressed", locked=True)
        assert guard.sense("button", True, 10.0) == [Closed("beans", "p1", 10.0, "stopped", 10.0), stopped]
        assert guard.sense("button", False, 20.0) == []
        assert refusal(guard.open("kale", "p2", 10.0, 20.0)) == (
            "locked",
            "the whole site is locked until it is released: the stop switch is pressed",
        )
        over = Notice("stopped", "released by hand", locked=True, over=True)
        assert guard.release(None, 30.0) == [over]
        assert isinstance(guard.open("kale", "p3", 10.0, 30.0), Opened)

    def test_a_stop_that_is_still_pressed_locks_again(self) -> None:
        guard = self.flowing()
        guard.sense("button", True, 10.0)
        guard.sense("mains", True, 10.0)
        assert [each.over for each in guard.release(None, 11.0) if isinstance(each, Notice)] == [True, False]
        assert refusal(guard.open("kale", "p2", 10.0, 11.0))[0] == "locked"

    def test_the_veto_of_the_switch_holds_beside_the_lock(self) -> None:
        guard = self.flowing()
        guard.sense("button", True, 10.0)
        guard.locks.clear()
        assert refusal(guard.open("kale", "p2", 10.0, 11.0)) == ("stopped", "the stop switch is pressed")

    def test_what_was_never_wrong_is_not_told_of(self) -> None:
        guard = self.flowing()
        assert guard.sense("button", False, 1.0) == []
        assert guard.sense("mains", True, 1.0) == []
        assert on(guard, 1.0) == {"beans"}

    def test_an_unknown_input(self) -> None:
        (outcome,) = a_guard(self.CHARGE).sense("wind", True, 0.0)
        assert isinstance(outcome, Refused)
        assert outcome == Refused("unknown input", "there is no input 'wind' in this garden")

    def test_an_input_of_no_kind(self) -> None:
        with pytest.raises(ValueError, match="the input 'vane' is of no known kind"):
            replace(PLAIN, inputs={"vane": "wind vane"})


class TestLocks:
    def test_a_lock_of_a_zone_closes_it_and_leaves_the_others_alone(self) -> None:
        guard = a_guard()
        guard.open("beans", "p1", 60.0, 0.0)
        guard.open("kale", "p2", 60.0, 0.0)
        told: list[Outcome] = guard.lock(Lock("burst", "its line is off", "beans"), 5.0)
        assert told == [
            Closed("beans", "p1", 5.0, "burst", 5.0),
            Notice("burst", "its line is off", "beans", locked=True),
        ]
        assert on(guard, 5.0) == {"kale"}
        assert refusal(guard.open("beans", "p3", 10.0, 6.0)) == (
            "locked",
            "beans is locked until it is released: its line is off",
        )
        assert isinstance(guard.open("pots", "p4", 10.0, 6.0), Opened)

    def test_the_first_reason_stays(self) -> None:
        guard = a_guard()
        guard.lock(Lock("burst", "its line is off", "beans"), 1.0)
        assert guard.lock(Lock("no flow", "blocked", "beans"), 2.0) == []
        assert guard.locks["beans"].rule == "burst"

    def test_releasing_a_zone_leaves_the_lock_of_the_site(self) -> None:
        guard = a_guard(replace(PLAIN, locks=(Lock("burst", "off", "beans"), Lock("leak", "wet", None))))
        assert guard.release("beans", 1.0) == [Notice("burst", "released by hand", "beans", locked=True, over=True)]
        assert refusal(guard.open("beans", "p", 10.0, 1.0))[1].startswith("the whole site is locked")
        assert len(guard.release(None, 2.0)) == 1
        assert isinstance(guard.open("beans", "p", 10.0, 2.0), Opened)

    def test_releasing_what_is_not_locked_is_done_already(self) -> None:
        assert a_guard().release("beans", 1.0) == []

    def test_the_locks_of_a_charge_lock_from_the_start(self) -> None:
        guard = a_guard(replace(PLAIN, locks=(Lock("burst", "off", "kale"),)))
        assert refusal(guard.open("kale", "p", 10.0, 0.0))[0] == "locked"


def test_a_charge_may_be_plain() -> None:
    assert Charge({SUPPLY: SupplyRule(1.0)}, {"a": ValveRule(1.0, 1.0, 1.0)}).meter is None
