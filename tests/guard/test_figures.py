"""The guard's figures to the digit: where exactly a verdict of the meter begins, and what exactly is said and counted.

Found by mutation testing (`MUTATION.md`): each of these could be wrong without another test noticing.
"""

from dataclasses import replace

import pytest

from controller.guard.flow import (
    ALONE_PULSES,
    ALONE_S,
    BURST_S,
    BURST_SHARE,
    DRAIN_S,
    DRIP_PULSES,
    DRIP_S,
    DRIP_TIMES,
    DRY_SHARE,
    FILL_S,
    LEAK_S,
    SHUT_S,
    SHUT_WITHIN_S,
    Counted,
    Finding,
    MeterRule,
    Watch,
)
from controller.guard.rules import (
    DAY_S,
    SUPPLY,
    Closed,
    Guard,
    Lock,
    MasterRule,
    Notice,
    Opened,
    Refused,
    SupplyRule,
    UsedOpening,
    ValveRule,
)
from tests.guard.test_rules import PLAIN, a_guard, refusal

STEP_L = 0.0625
"""A step that binary fractions hold exactly, so that "exactly at the limit" can be had."""
RULE = MeterRule(litres_per_pulse=STEP_L, capacity_l_min=100.0, leak_l_min=0.25, burst_l_min=5.0, dry_s=16.0)
METERED = replace(PLAIN, meter=RULE)


def a_watch(flows: dict[str, float] | None = None, at_s: float = 0.0) -> Watch:
    """A watch that has had its first look, with these paths open since then; for none nothing has ever been open."""
    watch = Watch(RULE)
    watch.change(flows or {}, at_s)
    watch.look(0.0, at_s)
    return watch


def just_closed(l_min: float) -> Watch:
    """A watch whose one path, which drew so much, was shut at zero."""
    watch = a_watch({"p1": l_min}, -1.0)
    watch.change({}, 0.0)
    return watch


def steady(watch: Watch, l_min: float, seconds: float, from_s: float = 0.0) -> list[Finding]:
    """Two looks, so far apart, between which the meter's lower bound of the flow is exactly so much."""
    watch.look(0.0, from_s)
    return watch.look(STEP_L + l_min * seconds / 60.0, from_s + seconds)


def watch_l(watch: Watch) -> float:
    """Where its counter stands."""
    assert watch._last is not None
    return watch._last.litres


class TestCounting:
    def test_a_pulse_that_the_watch_never_saw_had_nothing(self) -> None:
        assert a_watch({"p1": 6.0}).counted("p2", 10.0) == Counted(0.0, None)

    @pytest.mark.parametrize(("late_s", "counts"), [(0.0, True), (0.001, False)])
    def test_a_meter_may_be_silent_for_so_long_and_no_longer(self, late_s: float, counts: bool) -> None:
        counted = a_watch({"p1": 6.0}).counted("p1", LEAK_S + late_s)
        assert (counted is not None) is counts

    @pytest.mark.parametrize(
        ("seconds", "pulses", "taught"),
        [(ALONE_S, 4 * ALONE_PULSES, True), (ALONE_S - 1.0, 4 * ALONE_PULSES, False),
         (4.0 * ALONE_S, ALONE_PULSES, True), (4.0 * ALONE_S, ALONE_PULSES - 1, False)],
    )  # fmt: skip
    def test_a_flow_is_taught_from_so_many_seconds_and_pulses(self, seconds: float, pulses: int, taught: bool) -> None:
        watch = a_watch({"p1": 1.0})
        watch.look(0.0, FILL_S)
        watch.look(pulses * STEP_L, FILL_S + seconds)
        counted = watch.counted("p1", FILL_S + seconds)
        assert counted is not None
        assert counted.l_min == (pytest.approx(pulses * STEP_L / seconds * 60.0) if taught else None)


class TestVerdicts:
    def test_a_burst_is_more_than_its_share_and_not_as_much(self) -> None:
        """In 15 s 13 L/min are a whole number of eighths of a litre: exactly the share of 10 L/min."""
        for l_min, kind in ((BURST_SHARE * 10.0, "flows"), (BURST_SHARE * 10.0 + 0.1, "burst")):
            assert [each.kind for each in steady(a_watch({"p1": 10.0}), l_min, BURST_S + 5.0, FILL_S)] == [kind]

    @pytest.mark.parametrize(("l_min", "told"), [(0.31, []), (0.297, ["no flow"]), (0.29, ["no flow"])])
    def test_no_flow_is_less_than_its_share(self, l_min: float, told: list[str]) -> None:
        """Of the flow that may have been at the most: a pulse of the meter may be on its way."""
        watch = a_watch({"p1": 0.3 / DRY_SHARE})
        found = watch.look(l_min * RULE.dry_s / 60.0 - STEP_L, RULE.dry_s)
        assert [each.kind for each in found] == told

    @pytest.mark.parametrize(("l_min", "told"), [(1.5, []), (1.6, ["flows"])])
    def test_water_flows_from_more_than_that_share_of_what_is_expected(self, l_min: float, told: list[str]) -> None:
        """Of 5 L/min 1.5 are the share: what is at least that much flows."""
        assert [each.kind for each in steady(a_watch({"p1": 5.0}), l_min, RULE.dry_s)] == told

    @pytest.mark.parametrize(
        ("drew_l_min", "l_min", "at_s", "told"),
        [
            (10.0, 3.1, DRAIN_S, ["does not close"]),
            (10.0, 3.0, DRAIN_S, []),
            (2.0, 0.7, DRAIN_S, ["does not close"]),  # also of a line that draws little
            (10.0, 3.1, DRAIN_S + SHUT_WITHIN_S - SHUT_S, ["does not close"]),
            (10.0, 3.1, DRAIN_S + SHUT_WITHIN_S - SHUT_S + 1.0, []),
        ],
    )
    def test_a_valve_does_not_close(self, drew_l_min: float, l_min: float, at_s: float, told: list[str]) -> None:
        assert [each.kind for each in steady(just_closed(drew_l_min), l_min, SHUT_S, at_s)] == told

    def test_where_nothing_was_closed_nothing_fails_to_close(self) -> None:
        assert steady(a_watch(), 0.1, SHUT_S) == []

    def test_with_all_closed_a_burst_and_a_leak_are_more_than_their_limits_and_not_as_much(self) -> None:
        assert steady(a_watch(), RULE.burst_l_min, 12.0) == []
        assert [each.kind for each in steady(a_watch(), RULE.burst_l_min + 0.1, 12.0)] == ["burst"]
        assert steady(a_watch(), RULE.leak_l_min, LEAK_S) == []
        assert [each.kind for each in steady(a_watch(), RULE.leak_l_min + 0.01, LEAK_S)] == ["leak"]

    @pytest.mark.parametrize(("litres", "l_min"), [(3.45, None), (3.47, 416.4)])
    def test_sparks_are_four_times_the_supply_and_more(self, litres: float, l_min: float | None) -> None:
        """Of 100 L/min, in half a second: 3.33 L, and 0.125 for what two looks may have missed."""
        watch = Watch(RULE)
        watch.look(5.0, 10.0)
        sparks = [each.l_min for each in watch.look(5.0 + litres, 10.5) if each.kind == "nonsense"]
        assert sparks == ([] if l_min is None else [pytest.approx(l_min)])


class TestToldOnce:
    def test_what_was_told_of_open_paths_is_told_again_of_the_next(self) -> None:
        for l_min, kind in ((20.0, "burst"), (10.0, "flows")):
            watch, told = a_watch({"p1": 10.0}), list[list[str]]()
            for n in range(3):
                watch.look(watch_l(watch), 100.0 * n + FILL_S)
                found = watch.look(watch_l(watch) + STEP_L + l_min / 3.0, 100.0 * n + FILL_S + 20.0)
                told.append([each.kind for each in found])
                if n == 1:
                    watch.change({"p2": 10.0}, 200.0)
            assert told == [[kind], [], [kind]]

    def test_a_valve_that_does_not_close_again_is_told_of_again(self) -> None:
        watch, told = just_closed(10.0), list[list[str]]()
        for n in range(2):
            watch.look(watch_l(watch), 100.0 * n + DRAIN_S)
            found = watch.look(watch_l(watch) + 1.0, 100.0 * n + DRAIN_S + SHUT_S)
            told.append([each.kind for each in found])
            watch.change({"p1": 10.0}, 50.0)
            watch.change({}, 100.0)
        assert told == [["does not close"], ["does not close"]]

    def test_after_a_quiet_while_drip_and_sparks_are_told_again_and_so_is_that_they_are_over(self) -> None:
        watch, at_s, told = just_closed(1.0), DRAIN_S, list[str]()
        watch.look(0.0, at_s)
        for pulses in (2, 2, 2, 2, 0, 0, 2, 2, 2, 0):
            at_s += DRIP_S
            told += [each.kind for each in watch.look(watch_l(watch) + pulses * STEP_L, at_s)]
        assert told == ["drip", "quiet", "drip", "quiet"]
        told.clear()
        for litres, seconds in ((900.0, 1.0), (900.0, 1.0), (0.0, DRIP_S), (0.0, DRIP_S), (900.0, 1.0)):
            at_s += seconds
            told += [each.kind for each in watch.look(watch_l(watch) + litres, at_s)]
        assert [kind for kind in told if kind != "drip"] == ["nonsense", "quiet", "nonsense"]


class TestDrip:
    def looked(self, pulses: int, times: int) -> list[Finding]:
        """What so many stretches tell, each exactly as long as it must be, with so many pulses in it."""
        watch, found = just_closed(1.0), list[Finding]()
        for n in range(times + 1):
            found = watch.look(n * pulses * STEP_L, DRAIN_S + n * DRIP_S)
        return found

    def test_so_many_stretches_of_so_many_pulses_are_a_drip(self) -> None:
        l_min = DRIP_PULSES * STEP_L / DRIP_S * 60.0
        (drip,) = self.looked(DRIP_PULSES, DRIP_TIMES)
        assert drip.kind == "drip"
        assert drip.l_min == pytest.approx(l_min)
        assert self.looked(DRIP_PULSES, DRIP_TIMES - 1) == []

    def test_a_pulse_less_is_quiet(self) -> None:
        assert self.looked(DRIP_PULSES - 1, DRIP_TIMES) == []
        watch = just_closed(2.0)
        assert [each.kind for each in steady(watch, 0.3, LEAK_S, DRAIN_S)] == ["leak"]
        found = [each for n in (1, 2) for each in watch.look(2.0, DRAIN_S + LEAK_S + n * DRIP_S)]
        assert found == [Finding("quiet", 0.0)]


class TestSentences:
    def test_what_the_meter_found_is_said_with_its_flow(self) -> None:
        """Of two valves at once each is named; litres a day are 1440 times those of a minute."""
        guard = a_guard(METERED)
        findings = Finding("leak", 2.0), Finding("drip", 1.0), Finding("nonsense", 900.0), Finding("burst", 7.0)
        said = {
            found.kind: [each.why for each in guard._react(found, 0.0) if isinstance(each, Notice)]
            for found in findings
        }
        assert said == {
            "leak": ["2 L/min flow with every valve closed, 2880 L a day"],
            "drip": ["1440 L a day and more drip with every valve closed"],
            "nonsense": ["the flow meter tells of 9e+02 L/min, more than can be; look at its wire"],
            "burst": ["7 L/min and more flow with every valve closed"],
        }

    def test_a_burst_of_two_at_once_names_both(self) -> None:
        guard = a_guard(METERED)
        guard.open("beans", "p1", 60.0, 0.0)
        guard.open("kale", "p2", 60.0, 0.0)
        why = "beans and kale drew 20 L/min and more, where 14 L/min are right: burst, or a line is off"
        told = guard._react(Finding("burst", 20.0), 30.0)
        assert [each for each in told if isinstance(each, Notice)] == [
            Notice("burst", why, "beans", locked=True), Notice("burst", why, "kale", locked=True)
        ]  # fmt: skip

    def test_a_valve_without_water_is_told_of_then_locked(self) -> None:
        guard, why = a_guard(METERED), "beans had 0.5 L/min at most: blocked, or its valve does not open"
        for again in (False, True):
            guard.open("beans", f"p{again}", 60.0, 0.0)
            told = guard._react(Finding("no flow", 0.5), 0.0)
            assert [each for each in told if isinstance(each, Notice)] == [
                Notice("no flow", why, "beans", locked=again)
            ]
        assert guard.locks == {"beans": Lock("no flow", why, "beans")}

    def test_what_is_refused_before_anything_is_known_says_why(self) -> None:
        assert refusal(Guard().open("beans", "p", 10.0, 0.0)) == (
            "no charge", "the guard has not been told its valves and limits yet"
        )  # fmt: skip
        assert refusal(Guard(PLAIN).open("beans", "p", 10.0, 0.0)) == (
            "silence", "the daemon has not been heard for too long, so nothing opens until it beats again"
        )  # fmt: skip
        assert a_guard().beat(1.0, sent_s=2.0) == Refused(
            "beat", "the beat was sent later than now, so not by the monotonic clock"
        )
        assert a_guard().measure(1.0, 1.0) == [Refused("no meter", "there is no flow meter in this garden")]
        assert a_guard(METERED).measure(-1.0, 1.0) == [
            Refused("not a volume", "the meter tells of -1.0 L, which is no volume")
        ]

    def test_closing_everything_gives_the_reason_to_each(self) -> None:
        guard = a_guard()
        guard.open("beans", "p1", 60.0, 0.0)
        guard.open("kale", "p2", 60.0, 0.0)
        assert [(each.valve, each.why) for each in guard.close(None, "asked", 1.0) if isinstance(each, Closed)] == [
            ("beans", "asked"), ("kale", "asked")
        ]  # fmt: skip

    @pytest.mark.parametrize(
        ("kind", "bad", "rule", "over"),
        [("pressure switch", False, "no pressure", "the mains have pressure again"),
         ("tank switch", False, "tank empty", "the tank has water again")],
    )  # fmt: skip
    def test_a_switch_that_is_well_again_says_so(self, kind: str, bad: bool, rule: str, over: str) -> None:
        guard = a_guard(replace(PLAIN, inputs={"it": kind}))
        guard.sense("it", bad, 0.0)
        assert guard.sense("it", not bad, 1.0) == [Notice(rule, over, over=True)]

    def test_a_stop_that_is_still_pressed_locks_again_for_the_same_reason(self) -> None:
        guard = a_guard(replace(PLAIN, inputs={"it": "stop switch"}))
        guard.sense("it", True, 0.0)
        pressed = Lock("stopped", "the stop switch is pressed")
        assert guard.locks == {None: pressed}
        guard.release(None, 1.0)
        assert guard.locks == {None: pressed}


class TestCounts:
    def test_what_is_open_now_counts_from_its_own_opening(self) -> None:
        """At any time of the guard's clock, not only at its beginning."""
        guard = a_guard(replace(PLAIN, most_l_per_24h=50.0), now_s=5000.0)
        assert isinstance(guard.open("beans", "p1", 300.0, 5000.0), Opened)
        assert isinstance(guard.open("pots", "p2", 60.0, 5000.0), Opened)
        guard.advance(5060.0)
        assert refusal(guard.open("kale", "p3", 61.0, 5060.0)) == (
            "site's litres in 24 hours",
            "all valves would have given 50 L within 24 hours, more than the site's 50 L",
        )
        assert isinstance(guard.open("kale", "p3", 60.0, 5060.0), Opened)

    @pytest.mark.parametrize(
        ("after_s", "counts"), [(0.0, True), (DAY_S - 609.0, True), (DAY_S - 10.1, True), (DAY_S - 10.0, False)]
    )
    def test_litres_of_an_opening_without_time_count_for_a_day(self, after_s: float, counts: bool) -> None:
        """It was ten seconds ago; for a day from then on nothing of the 60 L is left, not even for an opening at whose
        end that day is over."""
        charge = replace(PLAIN, valves={"beans": ValveRule(6.0, 600.0, 3600.0, most_l_per_24h=60.0)})
        guard = a_guard(replace(charge, used=(UsedOpening("beans", 10.0, 0.0, 60.0),)))
        asked = guard.open("beans", "p", 600.0, after_s)
        assert isinstance(asked, Opened) is not counts

    def test_a_master_that_begins_as_its_zone_is_closed_has_let_water_through(self) -> None:
        """Exactly at the end of its lead it counts as on: the zone stays open for the trail."""
        guard = a_guard(replace(PLAIN, supplies={SUPPLY: SupplyRule(15.0, MasterRule(lead_s=2.0, trail_s=3.0))}))
        guard.open("beans", "p1", 6.0, 0.0)
        assert guard.close("beans", "asked", 2.0) == []
        (closed,) = guard.advance(5.0)
        assert isinstance(closed, Closed)
        assert (closed.open_s, closed.why) == (5.0, "asked")
