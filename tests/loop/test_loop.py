"""The order of acts: closings before everything, openings after they are written, closings forgotten after they are."""

import sqlite3
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from controller.core.actions import Answer, Note
from controller.core.events import (
    Ask,
    Event,
    ForecastArrived,
    GuardReady,
    Reading,
    Started,
    ValveClosed,
    ValveOpened,
    ValveRefused,
)
from controller.core.garden import Garden
from controller.core.job import Digest
from controller.core.moment import Now, local_midnight
from controller.core.plan import sunrise_of
from controller.core.site import Sensor, Site
from controller.core.step import new_garden
from controller.loop import COMMIT_EVERY, Loop
from controller.shells.journal import Journal
from controller.shells.recovery import used_openings
from controller.sim.world import VirtualClock
from tests.core.gardens import LISBON, a_forecast, a_site, a_zone

DAY = date(2026, 7, 15)
SITE = a_site(a_zone("tomatoes", root_depth_m=0.5), sensors=(Sensor("probe", "moisture", "tomatoes"),))
DAWN = sunrise_of(SITE, DAY)
EVER = (datetime(2000, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC))


class Diary:
    """Everything that the loop does to its world, in one list; `sick` makes the journal fail as a full disk does."""

    def __init__(self, start: datetime = DAWN - timedelta(hours=5)) -> None:
        self.acts: list[str] = []
        self.answers: list[Answer] = []
        self.notes: list[Note] = []
        self.clock = VirtualClock(start)
        self.journal = DiaryJournal(self.acts)
        self.loop = Loop(
            SITE,
            new_garden(SITE, self.clock.now()),
            clock=self.clock,
            valves=self,
            journal=self.journal,
            outlet=self,
        )

    # the valves
    def open(self, zone: str, pulse: str, seconds: float) -> None:
        self.acts.append(f"open {pulse}")

    def close(self, zone: str | None, why: str) -> None:
        self.acts.append(f"close {zone} {why}")

    def sense(self, name: str, on: bool) -> None:
        self.acts.append(f"sense {name} {on}")

    def measure(self, litres: float) -> None:
        self.acts.append(f"measure {litres}")

    def release(self, zone: str | None) -> None:
        self.acts.append(f"release {zone}")

    def noted(self, pulse: str) -> None:
        self.acts.append(f"noted {pulse}")

    def beat(self) -> None:
        self.acts.append("beat")

    # the outlet
    def show(self, site: Site, garden: Garden, now: Now) -> None:
        self.acts.append("show")

    def said(self, note: Note) -> None:
        self.notes.append(note)
        self.acts.append(f"said {note.kind}")

    def answer(self, answer: Answer) -> None:
        self.answers.append(answer)
        self.acts.append(f"answer {answer.ask}")

    def send(self, site: Site, digest: Digest) -> None:
        self.acts.append("send")

    # driving it
    def begin(self, tmax_c: float = 40.0) -> "Diary":
        midnight = local_midnight(DAY, LISBON)
        for event in (Started(), GuardReady(), ForecastArrived(a_forecast(midnight, [tmax_c] * 5))):
            self.loop.take(event)
        self.acts.clear()
        return self

    def take(self, event: Event) -> list[str]:
        self.acts.clear()
        self.loop.take(event)
        return list(self.acts)


class DiaryJournal(Journal):
    """A journal in memory that writes its commits into the diary."""

    def __init__(self, acts: list[str]) -> None:
        super().__init__(":memory:")
        self.acts = acts

    def commit(self, garden: Garden, now: Now) -> bool:
        done = super().commit(garden, now)
        self.acts.append("commit" if done else "commit failed")
        return done

    def be_sick(self, sick: bool) -> None:
        self._db.execute(f"PRAGMA query_only = {'ON' if sick else 'OFF'}")


def watering() -> tuple[Diary, str]:
    """A world in which a pulse runs that somebody asked for."""
    world = Diary().begin()
    world.take(Ask("a", "water", "tomatoes", litres=30.0))
    world.loop.take(ValveOpened("tomatoes", "hand-tomatoes-a-1"))
    return world, "hand-tomatoes-a-1"


def test_an_opening_is_written_before_the_valve_is_asked_for() -> None:
    world = Diary().begin()
    acts = world.take(Ask("a", "water", "tomatoes", litres=30.0))
    assert acts == ["commit", "open hand-tomatoes-a-1", "said ask", "answer a", "show"]
    (opening,) = world.journal.unfinished()
    assert (opening.pulse, opening.zone) == ("hand-tomatoes-a-1", "tomatoes")


def test_a_closing_is_done_before_it_is_written() -> None:
    world, _ = watering()
    acts = world.take(Ask("b", "stop"))
    assert acts.index("close None asked") < acts.index("commit") < acts.index("answer b")


def test_the_guard_forgets_a_closing_after_it_is_on_the_disk() -> None:
    world, pulse = watering()
    acts = world.take(ValveClosed("tomatoes", pulse, 600.0, "deadline"))
    assert acts[:2] == ["commit", f"noted {pulse}"]
    (given,) = world.journal.given(*EVER)
    assert (given.open_s, given.why) == (600.0, "deadline")
    assert given.litres == pytest.approx(30.0)


@pytest.mark.parametrize(("counted_l", "passed_l"), [(None, 30.0), (34.0, 34.0)], ids=["by time", "metered"])
def test_all_that_passed_is_booked_and_what_fills_the_line_reaches_no_bed(
    counted_l: float | None, passed_l: float
) -> None:
    world, pulse = watering()
    zone = SITE.zones[0]
    world.loop.site = replace(SITE, zones=(replace(zone, line=replace(zone.line, fill_l=6.0)),))
    world.take(ValveClosed("tomatoes", pulse, 600.0, "deadline", litres=counted_l))
    (given,) = world.journal.given(*EVER)
    assert given.litres == pytest.approx(passed_l)
    assert [used.litres for used in used_openings(world.journal, world.clock.now())] == [counted_l]
    assert world.loop.garden.beds["tomatoes"].last_litres == pytest.approx(passed_l - 6.0)
    assert [sum(of_day.values()) for of_day in world.loop.garden.given.values()] == [pytest.approx(passed_l)]


def test_the_guard_remembers_a_closing_that_could_not_be_written_until_it_is() -> None:
    world, pulse = watering()
    world.journal.be_sick(True)
    acts = world.take(ValveClosed("tomatoes", pulse, 600.0, "deadline"))
    assert "commit failed" in acts
    assert f"noted {pulse}" not in acts
    world.journal.be_sick(False)
    acts = world.take(Ask("c", "replan"))
    assert acts.index("commit") < acts.index(f"noted {pulse}")
    assert f"noted {pulse}" not in world.take(Ask("d", "replan")), "once is enough"


def test_a_sick_journal_stops_no_water_and_is_a_fault_until_it_is_well() -> None:
    world = Diary().begin()
    world.journal.be_sick(True)
    acts = world.take(Ask("a", "water", "tomatoes", litres=30.0))
    assert "open hand-tomatoes-a-1" in acts
    assert world.answers[-1].ok
    fault = world.loop.garden.faults["journal"].said
    assert "cannot be written" in fault
    world.journal.be_sick(False)
    world.take(Ask("b", "replan"))
    assert "journal" not in world.loop.garden.faults
    assert [note.said for note in world.notes if note.kind == "fault"] == [fault, "The journal works again."]
    assert [opening.pulse for opening in world.journal.unfinished()] == ["hand-tomatoes-a-1"]


def test_what_is_seen_waits_for_the_next_commit_and_ten_minutes_at_most() -> None:
    world = Diary().begin()
    commits = world.journal.commits
    for minute in range(9):
        world.clock.go(world.clock.utc + timedelta(minutes=1))
        world.take(Reading("probe", 0.10 + minute / 1000.0, world.clock.utc))
    assert world.journal.commits == commits
    world.clock.go(world.clock.utc + COMMIT_EVERY)
    assert "commit" in world.take(Reading("probe", 0.12, world.clock.utc))
    assert world.journal.commits == commits + 1


def test_a_journal_that_works_again_after_a_restart_is_said_to() -> None:
    world = Diary().begin()
    world.journal.be_sick(True)
    world.take(GuardReady())
    garden = world.loop.garden
    assert "journal" in garden.faults
    fresh = Loop(SITE, garden, clock=world.clock, valves=world, journal=DiaryJournal([]), outlet=world)
    fresh.take(Started())
    assert "journal" not in fresh.garden.faults


def test_a_clock_set_back_does_not_keep_the_journal_waiting() -> None:
    world = Diary().begin()
    world.clock.utc -= timedelta(days=365)
    assert "commit" in world.take(Reading("probe", 0.1, world.clock.utc))


def test_a_refusal_of_the_guard_is_on_the_disk_at_once() -> None:
    world = Diary().begin()
    world.take(Ask("a", "water", "tomatoes", litres=30.0))
    assert "commit" in world.take(ValveRefused("tomatoes", "hand-tomatoes-a-1", "24 hours", "It has had enough."))
    assert world.journal.unfinished() == []


def test_the_loop_wakes_the_core_when_its_time_has_come_and_not_before() -> None:
    world = Diary().begin()
    world.loop.look_in()
    assert world.acts == []
    world.clock.go(world.loop.wake_at)
    world.loop.look_in()
    assert "show" in world.acts


def test_the_loop_wakes_the_core_when_the_clock_was_set_back() -> None:
    """Else it would wait for an instant that is a year ahead."""
    world = Diary().begin()
    world.clock.utc -= timedelta(days=365)
    world.loop.look_in()
    assert "show" in world.acts
    assert world.loop.wake_at <= world.clock.utc + timedelta(hours=1)


def test_each_day_is_booked_when_it_has_changed() -> None:
    world = Diary(local_midnight(DAY, LISBON) + timedelta(hours=9)).begin()
    for _ in range(20):
        world.clock.go(world.clock.utc + timedelta(hours=1))
        world.loop.look_in()
    world.loop.commit()
    rows = world.journal._db.execute("SELECT day, ledger FROM day ORDER BY day").fetchall()
    assert [day for day, _ in rows] == ["2026-07-15", "2026-07-16"]
    assert '"used_mm":0.0' not in rows[0][1]


def test_a_night_in_order_every_opening_is_written_first() -> None:
    """Through a whole dawn: between any two acts on a valve stands the commit that it waited for."""
    world = Diary().begin()
    openings: list[tuple[datetime, str]] = []
    acts: list[str] = []
    while world.clock.utc < DAWN + timedelta(hours=1):
        world.clock.go(min([world.loop.wake_at, *(end for end, _ in openings)]))
        for end, pulse in [each for each in openings if each[0] <= world.clock.utc]:
            acts += world.take(ValveClosed("tomatoes", pulse, 600.0, "deadline"))
            openings.remove((end, pulse))
        world.acts.clear()
        world.loop.look_in()
        acts += world.acts
        for act in list(acts)[-12:]:
            pulse = act.removeprefix("open ")
            if act.startswith("open ") and pulse not in {p for _, p in openings} and f"noted {pulse}" not in acts:
                openings.append((world.clock.utc + timedelta(seconds=600), pulse))
                acts += world.take(ValveOpened("tomatoes", pulse))
    opened = [n for n, act in enumerate(acts) if act.startswith("open ")]
    assert opened
    for n in opened:
        before = next(act for act in reversed(acts[:n]) if not act.startswith(("noted", "open")))
        assert before == "commit"


def test_the_fake_journal_is_sick_as_a_real_one_is() -> None:
    journal = DiaryJournal([])
    journal.be_sick(True)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        journal._db.execute("DELETE FROM note")
