"""The alarm clock on APScheduler's own threads; the wall clock it reads is stepped, never waited for."""

import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

import apscheduler.schedulers.base
import pytest

from controller.drivers.alarm import BEAT, BEAT_S, LATE_S, Alarms


class SteppedDatetime(datetime):
    """The wall clock as APScheduler reads it, `step` away from the real one."""

    step = timedelta(0)

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> "SteppedDatetime":
        real = datetime.now(tz) + cls.step
        return cls.fromtimestamp(real.timestamp(), tz)


@pytest.fixture
def step(monkeypatch: pytest.MonkeyPatch) -> Callable[[timedelta], None]:
    monkeypatch.setattr(apscheduler.schedulers.base, "datetime", SteppedDatetime)
    monkeypatch.setattr(SteppedDatetime, "step", timedelta(0))
    return lambda by: setattr(SteppedDatetime, "step", by)


@pytest.fixture
def wakes() -> "Rung":
    return Rung()


@pytest.fixture
def alarms(wakes: "Rung") -> Iterator[Alarms]:
    alarms = Alarms(wakes)
    alarms.start()
    yield alarms
    alarms.stop()


class Rung:
    """Counts how often it was rung."""

    def __init__(self) -> None:
        self.count = 0
        self._changed = threading.Condition()

    def __call__(self) -> None:
        with self._changed:
            self.count += 1
            self._changed.notify_all()

    def reaches(self, count: int, within_s: float = 5.0) -> bool:
        with self._changed:
            return self._changed.wait_for(lambda: self.count >= count, within_s)


def soon(seconds: float = 0.05) -> datetime:
    return datetime.now(UTC) + timedelta(seconds=seconds)


def wait_until(condition: Callable[[], bool], within_s: float = 5.0) -> bool:
    end_s = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.005)
    return True


def test_rings_once_at_its_instant(alarms: Alarms) -> None:
    rung = Rung()
    begun_s = time.monotonic()
    alarms.at("dawn", soon(0.2), rung)
    assert rung.reaches(1)
    assert 0.19 <= time.monotonic() - begun_s < 1.0
    assert not rung.reaches(2, 0.1)


def test_an_instant_that_has_passed_rings_at_once_and_a_far_one_not(alarms: Alarms) -> None:
    late, far = Rung(), Rung()
    alarms.at("late", soon(-3 * 86400.0), late)
    alarms.at("far", soon(3600.0), far)
    assert late.reaches(1)
    assert far.count == 0


def test_without_a_call_the_loop_is_woken(alarms: Alarms, wakes: Rung) -> None:
    alarms.at("next", soon())
    assert wakes.reaches(1)


def test_a_name_set_again_replaces_and_a_dropped_one_is_silent(alarms: Alarms) -> None:
    first, second, dropped = Rung(), Rung(), Rung()
    alarms.at("dawn", soon(0.15), first)
    alarms.at("dawn", soon(0.2), second)
    alarms.at("other", soon(0.15), dropped)
    alarms.drop("other")
    alarms.drop("never was")
    assert second.reaches(1)
    assert (first.count, dropped.count) == (0, 0)


def test_only_utc_and_not_too_often(alarms: Alarms) -> None:
    with pytest.raises(ValueError, match="not in UTC"):
        alarms.at("dawn", datetime(2026, 10, 25, 1, 30, tzinfo=ZoneInfo("Europe/Lisbon")))
    with pytest.raises(ValueError, match="not in UTC"):
        alarms.at("dawn", datetime(2026, 10, 25, 1, 30))  # noqa: DTZ001
    with pytest.raises(ValueError, match="too often"):
        alarms.every("beat", 29.9)
    with pytest.raises(ValueError, match="too often"):
        alarms.every("beat", float("nan"))


@pytest.mark.parametrize("error", [ZeroDivisionError("oops"), SystemExit(1)])
def test_a_call_that_raises_is_logged_and_kills_nothing(alarms: Alarms, caplog: pytest.LogCaptureFixture,
                                                        error: BaseException) -> None:
    def fail() -> None:
        raised.set()
        raise error

    raised, rung = threading.Event(), Rung()
    alarms.at("bad", soon(), fail)
    assert raised.wait(5.0)
    assert wait_until(lambda: "bad" in caplog.text)
    alarms.at("good", soon(), rung)
    assert rung.reaches(1)


def test_a_raising_repeating_alarm_rings_again(alarms: Alarms) -> None:
    rung = Rung()

    def fail() -> None:
        rung()
        raise ValueError("oops")

    alarms.every("bad", 30.0, fail)
    alarms.rebuild()
    assert rung.reaches(1)

    def rings_again() -> bool:
        alarms.rebuild()  # in vain while the first call is still being logged
        return rung.count >= 2

    assert wait_until(rings_again)


def test_an_alarm_set_anew_rings_although_the_last_call_has_not_returned(alarms: Alarms) -> None:
    returned = Rung()
    rung = Rung()

    def slow() -> None:
        rung()
        if rung.reaches(2):
            returned()

    alarms.at("next", soon(0.0), slow)
    assert rung.reaches(1)
    alarms.at("next", soon(0.0), slow)
    assert returned.reaches(2)


@pytest.mark.parametrize("by", [timedelta(hours=-1), timedelta(days=-300), timedelta(hours=1),
                                timedelta(days=20_000)], ids=["-1 h", "-300 d", "+1 h", "+55 years"])
def test_after_a_step_repeating_alarms_ring_once_and_count_from_there(
        step: Callable[[timedelta], None], alarms: Alarms, wakes: Rung, by: timedelta) -> None:
    rung = Rung()
    alarms.every("look", 30.0, rung)
    step(by)
    alarms.rebuild()
    assert rung.reaches(1, 1.0), "without listing the millions of rings that the step has swallowed"
    assert wakes.count == 1

    def ahead_s(name: str) -> float:
        return (_due(alarms, name) - by - datetime.now(UTC)).total_seconds()

    assert wait_until(lambda: all(28.0 < ahead_s(name) <= 30.0 for name in ("look", BEAT)))
    assert rung.count == 1


def test_a_step_forward_brings_the_alarms_that_have_come_due(step: Callable[[timedelta], None],
                                                             alarms: Alarms) -> None:
    due, later = Rung(), Rung()
    alarms.at("due", soon(3600.0), due)
    alarms.at("later", soon(3 * 3600.0), later)
    step(timedelta(hours=2))
    alarms.rebuild()
    assert due.reaches(1)
    assert later.count == 0


def test_a_step_back_takes_an_alarm_with_it(step: Callable[[timedelta], None], alarms: Alarms) -> None:
    rung = Rung()
    alarms.at("dawn", soon(0.1), rung)
    step(timedelta(hours=-1))
    alarms.rebuild()
    assert not rung.reaches(1, 0.3), "its instant is an hour away again"
    assert _due(alarms, "dawn") < soon()


def test_what_should_have_rung_and_has_not_is_told(alarms: Alarms) -> None:
    rung = Rung()
    alarms.at("due", soon(0.0), rung)
    assert rung.reaches(1)
    alarms.at("tomorrow", soon(86_400.0))
    now_s = time.monotonic()
    assert wait_until(lambda: alarms.overdue(now_s + 86_000.0).keys() == {BEAT}), "what has rung is owed no more"
    assert alarms.overdue(now_s + BEAT_S + LATE_S - 5.0) == {}
    late = alarms.overdue(now_s + 86_400.0 + LATE_S + 60.0)
    assert late["tomorrow"] == pytest.approx(LATE_S + 60.0, abs=5.0)
    alarms.drop("tomorrow")
    assert alarms.overdue(now_s + 90_000.0).keys() == {BEAT}


def test_a_dead_scheduler_owes_its_heartbeat_and_a_living_one_pays(alarms: Alarms) -> None:
    far_s = 1e9

    def due_s() -> float:  # read at a fixed instant: it moves only when the heartbeat rings
        return far_s - alarms.overdue(far_s)[BEAT]

    born_s = due_s()
    time.sleep(0.05)
    alarms.rebuild()
    assert wait_until(lambda: due_s() > born_s + 0.04)
    alarms.stop()
    paid_s = due_s()
    alarms.rebuild()
    assert not wait_until(lambda: due_s() != paid_s, 0.2)


def test_a_set_clock_moves_what_an_alarm_owes(alarms: Alarms, monkeypatch: pytest.MonkeyPatch) -> None:
    alarms.at("dawn", soon(3600.0))
    monkeypatch.setattr("controller.drivers.alarm.datetime", SteppedDatetime)
    monkeypatch.setattr(SteppedDatetime, "step", timedelta(hours=-5))
    alarms.rebuild()
    assert "dawn" not in alarms.overdue(time.monotonic() + 5 * 3600.0)
    assert "dawn" in alarms.overdue(time.monotonic() + 6 * 3600.0 + LATE_S + 5.0)


def test_stop_waits_for_nobody_and_may_come_twice_or_first(wakes: Rung) -> None:
    Alarms(wakes).stop()
    alarms, running, free = Alarms(wakes), threading.Event(), threading.Event()
    alarms.start()

    def stuck() -> None:
        running.set()
        free.wait(5.0)

    alarms.at("stuck", soon(0.0), stuck)
    assert running.wait(5.0)
    begun_s = time.monotonic()
    alarms.stop()
    alarms.stop()
    assert time.monotonic() - begun_s < 1.0
    free.set()


def _due(alarms: Alarms, name: str) -> datetime:
    due: datetime = alarms._scheduler.get_job(name).next_run_time
    return due
