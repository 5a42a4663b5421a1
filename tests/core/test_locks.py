"""What the guard has found, as the core keeps it: faults, locks, switches, learnt flows."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from controller.core.actions import Answer, Measure, Release, Sense
from controller.core.events import (
    Ask,
    GuardFault,
    GuardNotice,
    GuardReady,
    Reading,
    SwitchRead,
    ValveClosed,
    ValveRefused,
)
from controller.core.flow import FIRST, as_measured, learnt
from controller.core.garden import Garden
from controller.core.locks import lock_on
from controller.core.moment import Now
from controller.core.site import Sensor, Site
from controller.core.step import Outcome, fit_to_site, new_garden, step
from tests.core.gardens import a_site, a_zone

NOON = datetime(2026, 7, 15, 12, tzinfo=UTC)
SITE = a_site(
    a_zone("beds"),
    a_zone("pots"),
    sensors=(
        Sensor("button", "stop switch"),
        Sensor("mains", "pressure switch", wired=True),
        Sensor("meter", "flow meter"),
    ),
)
BURST = GuardNotice("burst", "beds drew 14 L/min", "beds", locked=True)


def now(minutes: float = 0.0) -> Now:
    return Now(1000.0 + 60.0 * minutes, NOON + timedelta(minutes=minutes))


def after(*events: object, site: Site = SITE) -> tuple[Garden, list[object]]:
    """A garden that these have happened to, and what came of the last."""
    garden = replace(new_garden(site, now()), guard_ready=True)
    outcome: Outcome | None = None
    for n, event in enumerate(events):
        outcome = step(site, garden, event, now(n))  # type: ignore[arg-type]
        garden = outcome.garden
    return garden, list(outcome.actions) if outcome else []


def ask(do: str, **more: object) -> Ask:
    return Ask(f"id-{do}-{len(more)}", do, **more)  # type: ignore[arg-type]


class TestLocks:
    def test_a_lock_is_a_fault_that_says_what_to_do(self) -> None:
        garden, _ = after(BURST)
        said = garden.faults["locked-beds"].said
        assert "is locked: beds drew 14 L/min" in said
        assert said.endswith("seepward release beds")
        assert lock_on(garden, "beds") is not None
        assert lock_on(garden, "pots") is None

    def test_told_again_it_is_noted_once(self) -> None:
        _, actions = after(BURST, BURST)
        assert not any("locked" in getattr(action, "said", "") for action in actions)

    def test_a_lock_of_the_site_covers_every_zone(self) -> None:
        garden, _ = after(GuardNotice("does not close", "water runs on", locked=True))
        assert lock_on(garden, "pots") is not None
        assert "locked" in garden.faults

    def test_no_water_by_hand_where_it_is_locked(self) -> None:
        _, actions = after(BURST, ask("water", zone="beds", litres=5.0))
        (answer,) = [action for action in actions if isinstance(action, Answer)]
        assert not answer.ok
        assert "is locked" in answer.said

    def test_released_by_hand_it_is_gone_here_and_at_the_guard(self) -> None:
        garden, actions = after(BURST, ask("release", zone="beds"))
        assert garden.locks == ()
        assert "locked-beds" not in garden.faults
        assert Release("beds") in actions

    def test_releasing_everything_releases_every_lock(self) -> None:
        site_lock = GuardNotice("burst", "a pipe", locked=True)
        garden, actions = after(BURST, site_lock, ask("release"))
        assert garden.locks == ()
        assert Release(None) in actions

    def test_releasing_a_zone_says_that_the_garden_is_still_locked(self) -> None:
        garden, actions = after(BURST, GuardNotice("burst", "a pipe", locked=True), ask("release", zone="beds"))
        (answer,) = [action for action in actions if isinstance(action, Answer)]
        assert "still locked" in answer.said
        assert [lock.zone for lock in garden.locks] == [None]

    def test_a_lock_that_the_guard_still_has_comes_back(self) -> None:
        garden, _ = after(BURST, ask("release", zone="beds"), BURST)
        assert lock_on(garden, "beds") is not None

    def test_nothing_to_release(self) -> None:
        _, actions = after(ask("release", zone="beds"))
        (answer,) = [action for action in actions if isinstance(action, Answer)]
        assert answer.said == "Nothing is on hold or locked there."

    def test_without_a_guard_nothing_is_unlocked(self) -> None:
        garden, _ = after(BURST)
        outcome = step(SITE, replace(garden, guard_ready=False), ask("release"), now(5))
        assert outcome.garden.locks == garden.locks

    def test_a_stop_that_is_pressed_cannot_be_released(self) -> None:
        stopped = GuardNotice("stopped", "the stop switch is pressed", locked=True)
        pressed = Reading("button", 1.0, NOON + timedelta(seconds=1))
        _, actions = after(pressed, stopped, ask("release"))
        (answer,) = [action for action in actions if isinstance(action, Answer)]
        assert answer.said == "The stop switch is still pressed; free it first."
        free = Reading("button", 0.0, NOON + timedelta(minutes=2))
        garden, _ = after(pressed, stopped, free, ask("release"))
        assert garden.locks == ()

    def test_the_guard_may_release_by_itself(self) -> None:
        garden, _ = after(BURST, replace(BURST, why="released by hand", over=True))
        assert garden.locks == ()
        assert garden.faults == {}

    def test_a_lock_survives_a_changed_config_unless_its_zone_is_gone(self) -> None:
        garden, _ = after(BURST)
        assert fit_to_site(SITE, garden, now(9)).locks == garden.locks
        fewer = a_site(a_zone("pots"))
        assert fit_to_site(fewer, garden, now(9)).locks == ()

    def test_a_lock_of_a_zone_that_is_no_more_is_passed_over(self) -> None:
        garden, _ = after(replace(BURST, zone="roses"))
        assert garden.locks == ()
        assert garden.faults == {}


class TestNotices:
    def test_a_leak_is_a_fault_until_it_is_over(self) -> None:
        leak = GuardNotice("leak", "0.5 L/min flow with every valve closed, 720 L a day")
        garden, _ = after(leak)
        assert garden.faults["leak"].said == "0.5 L/min flow with every valve closed, 720 L a day."
        garden, _ = after(leak, GuardNotice("leak", "nothing flows any more", over=True))
        assert garden.faults == {}

    def test_a_new_guard_finds_anew_what_is_still_so(self) -> None:
        leak, dry = GuardNotice("leak", "0.5 L/min flow"), GuardNotice("no flow", "none came", "beds")
        found = (leak, dry, GuardFault("a line"))
        garden, _ = after(BURST, *found)
        assert garden.faults.keys() == {"locked-beds", "leak", "no-flow-beds", "lines"}
        garden, _ = after(BURST, *found, GuardReady())
        assert garden.faults.keys() == {"locked-beds"}, "only a hand takes away a lock"

    def test_what_is_over_before_it_was_is_no_news(self) -> None:
        garden, actions = after(GuardNotice("drip", "nothing flows any more", over=True))
        assert garden.faults == {}
        assert not any(getattr(action, "kind", "") == "fault" for action in actions)

    def test_its_name_is_fit_for_a_topic(self) -> None:
        garden, _ = after(GuardNotice("no flow", "beds had 0 L/min at most", "beds"))
        assert list(garden.faults) == ["no-flow-beds"]


class TestSwitches:
    def test_the_guard_is_told_of_a_switch_that_it_cannot_read(self) -> None:
        _, actions = after(Reading("button", 1.0, NOON))
        assert Sense("button", True) in actions

    def test_and_of_the_meter(self) -> None:
        _, actions = after(Reading("meter", 1234.5, NOON))
        assert Measure(1234.5) in actions

    def test_a_new_guard_is_told_what_is_known(self) -> None:
        _, actions = after(Reading("button", 0.0, NOON), SwitchRead("mains", True), GuardReady())
        assert [action for action in actions if isinstance(action, Sense)] == [Sense("button", False)]

    @pytest.mark.parametrize(("on", "refused"), [(False, True), (True, False)])
    def test_without_pressure_nothing_is_asked_of_the_guard(self, on: bool, refused: bool) -> None:
        wanted = ask("water", zone="beds", litres=5.0)
        _, actions = after(SwitchRead("mains", on), wanted)
        said = [getattr(action, "said", "") for action in actions]
        assert ("There is no pressure in the mains." in said) is refused


class TestRefusals:
    def test_what_passes_is_tried_again(self) -> None:
        garden, _ = after(ask("water", zone="beds", litres=5.0))
        (watering,) = [each for each in garden.plan.waterings if each.purpose == "by hand"]
        refused = ValveRefused("beds", watering.pulses[0].id, "pump's rest and run", "the pump rests")
        outcome = step(SITE, garden, refused, now(1))
        again = next(each for each in outcome.garden.plan.waterings if each.id == watering.id)
        assert not again.ended

    def test_what_lasts_is_given_up(self) -> None:
        garden, _ = after(ask("water", zone="beds", litres=5.0))
        (watering,) = [each for each in garden.plan.waterings if each.purpose == "by hand"]
        refused = ValveRefused("beds", watering.pulses[0].id, "24 hours", "too much")
        outcome = step(SITE, garden, refused, now(1))
        assert all(each.ended for each in outcome.garden.plan.waterings if each.id == watering.id)


class TestFlow:
    def test_the_first_few_make_the_mean_that_later_ones_are_held_against(self) -> None:
        flow = None
        for l_min in (8.0, 9.0, 8.5, 8.5, 8.5):
            flow = learnt(flow, l_min)
        assert flow is not None
        assert flow.l_min == flow.first_l_min == pytest.approx(8.5)
        assert flow.count == FIRST

    def test_measured_overrules_stated(self) -> None:
        zone = SITE.zone("beds")
        measured = as_measured(SITE, {"beds": learnt(None, 2.0 * zone.line.flow_l_min)}).zone("beds")
        assert measured.line.flow_l_min == 2.0 * zone.line.flow_l_min
        assert measured.line.rate_mm_h == 2.0 * zone.line.rate_mm_h
        assert as_measured(SITE, {}) is SITE

    def test_a_line_that_clogs_week_by_week_is_told_of_and_so_is_its_cleaning(self) -> None:
        garden = replace(new_garden(SITE, now()), guard_ready=True)
        flows = [8.0] * FIRST + [8.0 * 0.99**week for week in range(40)]
        told_at = None
        for n, l_min in enumerate(flows):
            garden = step(SITE, garden, ValveClosed("beds", f"p{n}", 60.0, "deadline", l_min=l_min), now(n)).garden
            if told_at is None and "clogging-beds" in garden.faults:
                told_at = n
        assert told_at is not None
        assert 15 < told_at - FIRST < 35, "15 % less, by a mean that follows slowly"
        assert "clogged emitters" in garden.faults["clogging-beds"].said
        for n in range(40):
            closed = ValveClosed("beds", f"q{n}", 60.0, "deadline", l_min=8.0)
            garden = step(SITE, garden, closed, now(100 + n)).garden
        assert "clogging-beds" not in garden.faults

    def test_relearn_forgets_it(self) -> None:
        closed = ValveClosed("beds", "p", 60.0, "deadline", l_min=7.0)
        assert set(after(closed)[0].flows) == {"beds"}
        assert after(closed, ask("relearn", zone="beds"))[0].flows == {}
        assert set(after(closed, ask("relearn", zone="pots"))[0].flows) == {"beds"}

    def test_counted_litres_are_given_instead_of_supposed_ones(self) -> None:
        garden, _ = after(ValveClosed("beds", "p", 600.0, "deadline", litres=3.25))
        assert garden.beds["beds"].last_litres == 3.25
