"""What the meter tells: each verdict in its time, none by the meter's coarseness, and what the guard does about it."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.guard.flow import Counted, MeterRule, Watch
from controller.guard.rules import (
    SUPPLY,
    Closed,
    Guard,
    Lock,
    MasterRule,
    Notice,
    Opened,
    Outcome,
    Refused,
    SupplyRule,
)
from tests.guard.test_rules import PLAIN, PUMPED, a_guard, on, refusal

FINE = MeterRule(litres_per_pulse=1.0 / 450.0, capacity_l_min=15.0)
"""A turbine of 450 pulses a litre."""
COARSE = MeterRule(litres_per_pulse=1.0, capacity_l_min=15.0)
"""A house meter with one pulse a litre."""
METERED = replace(PLAIN, meter=FINE)
BEANS_L_MIN = 8.0


class Pipe:
    """Water through a meter that counts whole pulses, and a guard that looks every second."""

    def __init__(self, guard: Guard, rule: MeterRule = FINE) -> None:
        self.guard = guard
        self.rule = rule
        self.now_s = 0.0
        self.litres = 0.0
        self.told: list[tuple[float, Outcome]] = []
        assert guard.measure(0.0, 0.0) == []

    def run(self, seconds: float, l_min: float | Callable[[], float]) -> list[Outcome]:
        """Let water run; what the guard said meanwhile."""
        before = len(self.told)
        for _ in range(round(seconds)):
            self.now_s += 1.0
            self.litres += (l_min() if callable(l_min) else l_min) / 60.0
            step = self.rule.litres_per_pulse
            told = self.guard.measure(int(self.litres / step + 1e-9) * step, self.now_s)
            told += self.guard.advance(self.now_s)
            self.told += [(self.now_s, each) for each in told]
        return [each for _, each in self.told[before:]]

    def when(self, rule: str) -> float:
        """When the guard first told of it."""
        return next(at for at, each in self.told if isinstance(each, Notice) and each.rule == rule)


def rules_of(outcomes: list[Outcome]) -> list[str]:
    return [each.rule for each in outcomes if isinstance(each, Notice)]


def piped(charge_rule: MeterRule = FINE, **charge: object) -> Pipe:
    return Pipe(a_guard(replace(PLAIN, meter=charge_rule, **charge)), charge_rule)  # type: ignore[arg-type]


def with_master(master: MasterRule) -> dict[str, SupplyRule]:
    return {SUPPLY: SupplyRule(15.0, master)}


class TestLitres:
    def test_what_was_counted_is_told_at_the_end(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 300.0, 0.0)
        (closed,) = [each for each in pipe.run(300, 7.0) if isinstance(each, Closed)]
        assert closed.litres == pytest.approx(35.0, abs=0.01)
        assert closed.l_min == pytest.approx(7.0, abs=0.05)

    def test_two_at_once_share_by_their_flows_and_teach_nothing(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 120.0, 0.0)
        pipe.guard.open("pots", "p2", 60.0, 0.0)
        closed = {each.valve: each for each in pipe.run(60, 12.0) + pipe.run(60, 8.0) if isinstance(each, Closed)}
        assert closed["pots"].litres == pytest.approx(4.0, abs=0.01)
        assert closed["beans"].litres == pytest.approx(16.0, abs=0.01)
        assert closed["pots"].l_min is None
        assert closed["beans"].l_min is None, "its lines were full for 40 s only once it flowed alone"

    def test_a_short_pulse_teaches_no_flow(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 60.0, 0.0)
        (closed,) = [each for each in pipe.run(60, 8.0) if isinstance(each, Closed)]
        assert closed.litres == pytest.approx(8.0, abs=0.01)
        assert closed.l_min is None

    def test_a_coarse_meter_teaches_a_flow_only_by_many_pulses(self) -> None:
        pipe = piped(COARSE)
        pipe.guard.open("beans", "p1", 160.0, 0.0)
        (closed,) = [each for each in pipe.run(160, 8.0) if isinstance(each, Closed)]
        assert closed.l_min is None

    def test_between_two_looks_the_expected_counts(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 100.0, 0.0)
        pipe.run(30, 8.0)
        (closed,) = pipe.guard.close("beans", "asked", 60.0)
        assert isinstance(closed, Closed)
        assert closed.litres == pytest.approx(4.0 + 4.0, abs=0.2)

    def test_a_meter_that_has_fallen_silent_counts_nothing(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 200.0, 0.0)
        pipe.run(30, 8.0)
        (closed,) = pipe.guard.close("beans", "asked", 91.0)
        assert isinstance(closed, Closed)
        assert closed.litres is None

    def test_litres_seen_too_late_are_not_given_to_the_next(self) -> None:
        watch = Watch(FINE)
        watch.look(0.0, 0.0)
        watch.change({"p1": 6.0}, 0.0)
        assert watch.counted("p1", 10.0) == Counted(1.0, None)
        watch.change({"p2": 6.0}, 10.0)
        watch.look(2.0, 20.0)
        assert watch.counted("p2", 20.0) == Counted(1.0, None)

    def test_who_ends_first_takes_nothing_from_who_stays(self) -> None:
        watch = Watch(FINE)
        watch.look(0.0, 0.0)
        watch.change({"p1": 6.0, "p2": 6.0}, 0.0)
        assert watch.counted("p1", 10.0) == Counted(1.0, None)
        watch.change({"p2": 6.0}, 10.0)
        watch.look(3.0, 20.0)
        assert watch.counted("p2", 20.0) == Counted(2.0, None)

    def test_a_counter_that_starts_anew_begins_anew(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 100.0, 0.0)
        pipe.run(30, 8.0)
        assert pipe.guard.measure(0.0, 31.0) == []
        assert pipe.guard.measure(0.133, 32.0) == []

    def test_counted_litres_fill_the_day(self) -> None:
        pipe = piped()
        pipe.guard.open("kale", "p1", 300.0, 0.0)
        pipe.run(300, 7.5)
        assert sum(past.litres for past in pipe.guard._ledger) == pytest.approx(37.5, abs=0.01)


class TestBurst:
    def test_it_is_closed_within_ten_seconds_of_full_lines_and_locked(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 300.0, 0.0)
        pipe.run(100, 8.0)
        closed, notice = pipe.run(12, 14.0)
        assert pipe.when("burst") - 100.0 <= 10.0 + 2.0
        assert isinstance(closed, Closed)
        assert closed.why == "burst"
        assert isinstance(notice, Notice)
        assert (notice.valve, notice.locked) == ("beans", True)
        assert "where 8 L/min are right" in notice.why
        assert on(pipe.guard, pipe.now_s) == set()
        assert refusal(pipe.guard.open("beans", "p2", 10.0, pipe.now_s))[0] == "locked"
        assert isinstance(pipe.guard.open("kale", "p3", 10.0, pipe.now_s), Opened)

    def test_from_the_first_moment_it_takes_as_long_as_lines_need_to_fill(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 300.0, 0.0)
        pipe.run(40, 14.0)
        assert pipe.when("burst") <= 20.0 + 10.0 + 1.0

    def test_of_several_that_are_open_all_are_locked(self) -> None:
        pipe = piped()
        pipe.guard.open("pots", "p1", 60.0, 0.0)
        pipe.guard.open("kale", "p2", 60.0, 0.0)
        pipe.run(45, 15.0)
        assert set(pipe.guard.locks) == {"pots", "kale"}

    def test_a_third_more_is_not_a_burst(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 300.0, 0.0)
        assert rules_of(pipe.run(300, 1.29 * BEANS_L_MIN)) == []

    def test_a_coarse_meter_sees_it_too(self) -> None:
        pipe = piped(COARSE)
        pipe.guard.open("kale", "p1", 300.0, 0.0)
        pipe.run(300, 14.0)
        assert pipe.when("burst") <= 60.0

    def test_with_every_valve_closed_it_locks_the_site(self) -> None:
        pipe = piped()
        pipe.run(700, 0.0)
        *_, notice = pipe.run(30, 6.0)
        assert isinstance(notice, Notice)
        assert (notice.rule, notice.valve, notice.locked) == ("burst", None, True)
        assert pipe.when("burst") - 700.0 <= 13.0


class TestNoFlow:
    def test_closed_tried_again_and_then_locked(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 300.0, 0.0)
        closed, notice = pipe.run(20, 0.0)
        assert isinstance(closed, Closed)
        assert closed.why == "no flow"
        assert isinstance(notice, Notice)
        assert (notice.rule, notice.valve, notice.locked) == ("no flow", "beans", False)
        assert pipe.when("no flow") <= 16.0
        pipe.guard.open("beans", "p2", 300.0, pipe.now_s)
        _, locked = pipe.run(20, 0.0)
        assert isinstance(locked, Notice)
        assert (locked.valve, locked.locked) == ("beans", True)
        assert isinstance(pipe.guard.open("kale", "p3", 10.0, pipe.now_s), Opened)

    def test_water_the_second_time_forgives_the_first(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 300.0, 0.0)
        pipe.run(20, 0.0)
        pipe.guard.open("beans", "p2", 100.0, pipe.now_s)
        over = [each for each in pipe.run(100, 8.0) if isinstance(each, Notice)]
        assert over == [Notice("no flow", "water flows again", "beans", over=True)]
        pipe.guard.open("beans", "p3", 300.0, pipe.now_s)
        assert pipe.guard.locks == {}

    def test_two_valves_one_after_the_other_mean_the_supply(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 300.0, 0.0)
        pipe.run(20, 0.0)
        pipe.guard.open("kale", "p2", 300.0, pipe.now_s)
        pipe.run(20, 0.0)
        assert pipe.guard.locks[None].rule == "no water"
        assert "beans and kale had no water" in pipe.guard.locks[None].why

    def test_with_a_pump_the_second_time_locks_the_site(self) -> None:
        pipe = piped(replace(FINE, dry_s=8.0), supplies=with_master(MasterRule(0.0, 0.0)))
        for pulse in ("p1", "p2"):
            pipe.guard.open("beans", pulse, 300.0, pipe.now_s)
            began_s = pipe.now_s
            pipe.run(12, 0.0)
            assert pipe.told[-1][0] - began_s <= 10.0
        assert pipe.guard.locks[None].rule == "no water"

    def test_a_tap_that_is_shut_in_between_is_seen(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 300.0, 0.0)
        pipe.run(100, 8.0)
        assert rules_of(pipe.run(40, 0.0)) == ["no flow"]

    def test_a_coarse_meter_waits_until_it_can_know(self) -> None:
        pipe = piped(COARSE)
        pipe.guard.open("pots", "p1", 60.0, 0.0)
        assert rules_of(pipe.run(49, 0.0)) == []
        assert rules_of(pipe.run(3, 0.0)) == ["no flow"]

    def test_releasing_forgets_the_dry_times(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 300.0, 0.0)
        pipe.run(20, 0.0)
        pipe.guard.release(None, pipe.now_s)
        pipe.guard.open("beans", "p2", 300.0, pipe.now_s)
        pipe.run(20, 0.0)
        assert pipe.guard.locks == {}

    def test_the_pump_that_leads_is_not_dry_before_it_runs(self) -> None:
        guard = a_guard(replace(PUMPED, meter=FINE, supplies=with_master(MasterRule(30.0, 2.0))))
        pipe = Pipe(guard)
        guard.open("beans", "p1", 300.0, 0.0)
        assert pipe.run(44, 0.0) == []
        assert rules_of(pipe.run(4, 0.0)) == ["no flow"]


class TestClosed:
    def test_a_valve_that_does_not_close_locks_the_site_within_a_minute(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 100.0, 0.0)
        pipe.run(100, 8.0)
        (notice,) = pipe.run(60, 4.0)
        assert isinstance(notice, Notice)
        assert (notice.rule, notice.valve, notice.locked) == ("does not close", None, True)
        assert "although beans was closed" in notice.why
        assert pipe.when("does not close") - 100.0 <= 22.0

    def test_lines_may_drain(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 100.0, 0.0)
        pipe.run(100, 8.0)
        assert rules_of(pipe.run(9, 4.0) + pipe.run(600, 0.0)) == []

    def test_a_leak_is_told_within_a_minute_and_locks_nothing(self) -> None:
        pipe = piped()
        pipe.run(700, 0.0)
        (notice,) = pipe.run(100, 0.5)
        assert isinstance(notice, Notice)
        assert (notice.rule, notice.locked) == ("leak", False)
        assert pipe.when("leak") - 700.0 <= 62.0
        assert isinstance(pipe.guard.open("beans", "p", 10.0, pipe.now_s), Opened)

    def test_a_drip_is_told_after_half_an_hour(self) -> None:
        pipe = piped()
        (notice,) = pipe.run(1900, 0.02)
        assert isinstance(notice, Notice)
        assert notice.rule == "drip"
        assert notice.why == "29 L a day and more drip with every valve closed"

    def test_a_few_pulses_now_and_then_are_a_pipe_that_warms_up(self) -> None:
        pipe = piped()
        for _ in range(6):
            assert pipe.run(30, 0.02) + pipe.run(1200, 0.0) == []

    def test_a_leak_that_has_ended_is_told_once(self) -> None:
        pipe = piped()
        pipe.run(700, 0.5)
        over = pipe.run(1300, 0.0)
        assert over == [Notice(rule, "nothing flows any more", over=True) for rule in ("leak", "drip", "meter")]
        assert rules_of(pipe.run(200, 0.5)) == ["leak"]


class TestMeter:
    def test_looks_in_quick_succession_are_counted_but_not_kept(self) -> None:
        watch = Watch(FINE)
        for tenth in range(50):
            watch.look(0.01 * tenth, tenth / 10.0)
        assert len(watch._looks) == 5

    def test_sparks_are_no_water(self) -> None:
        pipe = piped()
        pipe.guard.open("beans", "p1", 300.0, 0.0)
        pipe.run(60, 8.0)
        (notice,) = pipe.guard.measure(pipe.litres + 100.0, 61.0)
        assert isinstance(notice, Notice)
        assert (notice.rule, notice.locked) == ("meter", False)
        assert pipe.guard.locks == {}
        assert pipe.guard.measure(pipe.litres + 300.0, 62.0) == [], "told once"

    def test_sparks_that_have_ended_are_over_after_a_quiet_while(self) -> None:
        pipe = piped()
        pipe.run(60, 0.0)
        pipe.guard.measure(pipe.litres + 100.0, 61.0)
        pipe.litres += 100.0
        assert Notice("meter", "nothing flows any more", over=True) in pipe.run(1300, 0.0)

    @pytest.mark.parametrize("litres", [-1.0, float("nan"), float("inf")])
    def test_no_volume(self, litres: float) -> None:
        (refused,) = a_guard(METERED).measure(litres, 0.0)
        assert isinstance(refused, Refused)
        assert refused.rule == "not a volume"

    def test_without_a_meter(self) -> None:
        (refused,) = a_guard().measure(1.0, 0.0)
        assert isinstance(refused, Refused)
        assert refused.rule == "no meter"

    @pytest.mark.parametrize("name", ["litres_per_pulse", "capacity_l_min", "leak_l_min", "burst_l_min", "dry_s"])
    @pytest.mark.parametrize("wrong", [0.0, -1.0, float("nan"), float("inf")])
    def test_a_rule_that_is_none(self, name: str, wrong: float) -> None:
        with pytest.raises(ValueError, match=name):
            MeterRule(**{"litres_per_pulse": 1.0, "capacity_l_min": 15.0, name: wrong})  # type: ignore[arg-type]

    def test_locks_do_not_stop_the_watch(self) -> None:
        pipe = piped(locks=(Lock("burst", "off", None),))
        assert rules_of(pipe.run(200, 0.5)) == ["leak"]


@settings(max_examples=60, deadline=None)
@given(
    step=st.sampled_from([1.0 / 450.0, 0.01, 0.1, 1.0]),
    share=st.floats(0.35, 1.28),
    phase=st.floats(0.0, 1.0),
    every_s=st.sampled_from([1.0, 5.0, 17.0]),
)
def test_a_sound_line_is_never_condemned(step: float, share: float, phase: float, every_s: float) -> None:
    """Whatever the meter's step, where it stood at first, and how often it is looked at."""
    rule = MeterRule(litres_per_pulse=step, capacity_l_min=15.0)
    guard = a_guard(replace(PLAIN, meter=rule))
    opened = guard.open("beans", "p", 600.0, 0.0)
    assert isinstance(opened, Opened)
    told: list[Outcome] = []
    now_s = 0.0
    while now_s + every_s < 590.0:
        now_s += every_s
        litres = int(phase + share * BEANS_L_MIN * now_s / 60.0 / step) * step
        told += guard.measure(litres, now_s)
    told += guard.advance(600.0)
    assert [each for each in told if isinstance(each, Notice)] == []
