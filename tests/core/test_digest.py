"""The gardener's message: when it goes out, what it tells, and what it does not tell again."""

from datetime import date, datetime, timedelta

import pytest

from controller.core.actions import Answer, Note, Send
from controller.core.digest import PATIENCE
from controller.core.events import Ask, ForecastArrived, GuardFault, GuardLost, GuardReady, Started, Trouble
from controller.core.job import Digest
from controller.core.moment import local_midnight
from controller.core.site import Shade, Site
from tests.core.gardens import LISBON, Life, a_forecast, a_site, a_zone

DAY = date(2026, 7, 14)
HOUR = timedelta(hours=1)
SITE = a_site(a_zone("salad", tender=True, shades=(Shade("cloth", 0.5, by_hand=True),)), a_zone("beans"))
HEAT = [30.0, 31.0, 33.0, 40.0, 41.0, 30.0, 30.0]
CALM = [28.0] * 7


def at(day: int, hour: float = 0.0) -> datetime:
    return local_midnight(DAY + timedelta(days=day), LISBON) + hour * HOUR


def life(maxima: list[float], site: Site = SITE) -> Life:
    """From six in the morning of the first day; the forecast of seven days comes again each morning."""
    begun = Life(site, at(0, 6.0))
    return begun.begin(a_forecast(at(0), maxima))


def fresh(alive: Life, day: int, maxima: list[float]) -> None:
    alive.until(at(day, 6.0))
    alive.tell(ForecastArrived(a_forecast(at(day), maxima)))


def sent(alive: Life) -> list[tuple[datetime, Digest]]:
    return [(when, action.digest) for when, action in alive.actions if isinstance(action, Send)]


def noted(alive: Life) -> list[str]:
    return [action.said for _, action in alive.actions if isinstance(action, Note)]


def test_it_goes_out_at_six_in_the_evening_and_tells_what_is_to_be_done() -> None:
    alive = life(HEAT)
    alive.until(at(0, 24.0))
    ((when, digest),) = sent(alive)
    assert when == at(0, 18.0)
    assert not digest.urgent
    assert {job.id for job in digest.jobs} >= {"no-planting", "harvest"}
    assert "shade" not in {job.id for job in digest.jobs}, "the heat comes on Friday; shade is asked for on Wednesday"
    notes = [note for _, note in alive.actions if isinstance(note, Note) and note.kind == "digest"]
    assert [note.lasting for note in notes] == [True], "it is in the journal before it goes out"
    assert f"Told by message: {len(digest.jobs)} jobs." in noted(alive)


def test_without_anything_to_say_there_is_none() -> None:
    alive = life(CALM)
    alive.until(at(2))
    assert sent(alive) == []


def test_no_day_has_two_and_nothing_is_repeated_before_it_presses() -> None:
    alive = life(HEAT)
    alive.until(at(3))
    by_day = [digest.day for _, digest in sent(alive)]
    assert len(by_day) == len(set(by_day))
    first, second, third = [{job.id for job in digest.jobs} for _, digest in sent(alive)]
    assert "no-planting" in first
    assert not {"no-planting"} & (second | third), "what is only to be kept to is told once"
    assert second == {"shade"}, "what was told on Tuesday and is due on Thursday is not repeated on Wednesday"
    assert third >= {"shade", "harvest"}, "the last evening"


def test_what_is_done_or_left_out_is_not_spoken_of_again() -> None:
    alive = life(HEAT)
    alive.until(at(0, 19.0))
    for n, (do, job) in enumerate((("job-done", "shade"), ("job-done", "harvest"), ("job-dismiss", "mulch"))):
        answers = [a for a in alive.tell(Ask(f"{n}", do, job=job)) if isinstance(a, Answer)]  # type: ignore[arg-type]
        assert answers[0].ok, answers[0].said
    alive.until(at(3))
    later = {job.id for _, digest in sent(alive)[1:] for job in digest.jobs}
    assert not later & {"shade", "harvest", "mulch"}


def test_heat_that_the_forecast_has_only_just_seen_is_urgent() -> None:
    alive = life(CALM)
    alive.until(at(0, 19.0))
    alive.tell(ForecastArrived(a_forecast(at(0), [28.0, 40.0, 40.0, 30.0, 30.0, 30.0, 30.0])))
    alive.until(at(0, 20.5))
    ((when, digest),) = sent(alive)
    assert digest.urgent
    assert at(0, 19.0) <= when < at(0, 20.0)
    assert "shade" in {job.id for job in digest.jobs}
    alive.until(at(1, 17.0))
    assert len(sent(alive)) == 1, "and not told once more"


def test_in_the_quiet_hours_it_waits_for_the_morning() -> None:
    alive = life(CALM)
    alive.until(at(0, 22.0))
    alive.tell(ForecastArrived(a_forecast(at(0), [28.0, 40.0, 40.0, 30.0, 30.0, 30.0, 30.0])))
    alive.until(at(1, 9.0))
    ((when, _),) = sent(alive)
    assert at(1, 7.0) <= when <= at(1, 8.0)


def test_a_guard_that_comes_back_is_not_worth_a_message_one_that_stays_away_is() -> None:
    alive = life(CALM)
    alive.until(at(0, 10.0))
    alive.tell(GuardLost("gone"))
    alive.until(at(0, 10.0) + PATIENCE / 2)
    alive.tell(GuardReady())
    alive.until(at(0, 11.0))
    assert sent(alive) == []
    alive.tell(GuardLost("gone"))
    alive.until(at(0, 12.0))
    ((when, digest),) = sent(alive)
    assert digest.urgent
    assert [fault.id for fault in digest.faults] == ["guard"]
    assert when - at(0, 11.0) <= PATIENCE + timedelta(minutes=1)


@pytest.mark.parametrize(("event", "wakes"), [(GuardFault("a pin is stuck"), True), (GuardLost("gone"), False)])
def test_only_water_that_may_be_running_wakes_people(event: GuardFault | GuardLost, wakes: bool) -> None:
    alive = life(CALM)
    alive.until(at(0, 23.0))
    alive.tell(event)
    alive.until(at(1, 3.0))
    assert bool(sent(alive)) is wakes
    alive.until(at(1, 8.0))
    assert len(sent(alive)) == 1


def test_a_small_fault_comes_with_the_message_of_the_day() -> None:
    alive = life(CALM)
    alive.tell(Trouble("broker", "no broker"))
    alive.until(at(2))
    ((when, digest),) = sent(alive)
    assert (when, [fault.id for fault in digest.faults]) == (at(0, 18.0), ["broker"])
    assert "Told by message: 1 fault." in noted(alive)


def test_while_away_no_jobs_are_told_but_now_and_then_that_all_is_well() -> None:
    alive = life(HEAT)
    alive.tell(Ask("1", "away", until=at(10)))
    for day in range(1, 8):
        fresh(alive, day, [*HEAT, *CALM][day : day + 7])
    alive.until(at(8))
    told = sent(alive)
    assert told, "a sign of life"
    assert "Told by message: all is well." in noted(alive)
    assert all(digest.away and digest.jobs == () for _, digest in told)
    assert any(digest.given_l > 0.0 for _, digest in told)
    alive.tell(Ask("2", "back"))
    assert alive.garden.away_until is None


def test_a_job_told_and_not_done_in_time_is_noted_once() -> None:
    alive = life(HEAT)
    alive.until(at(4))
    late = [note.facts["expired"] for _, note in alive.actions if isinstance(note, Note) and "expired" in note.facts]
    assert "harvest" in late
    assert len(late) == len(set(late))


def test_a_restart_in_the_evening_sends_nothing_twice() -> None:
    alive = life(HEAT)
    alive.until(at(0, 18.5))
    alive.tell(Started())
    alive.tell(GuardReady())
    alive.until(at(0, 24.0))
    assert len(sent(alive)) == 1
