"""When a forecast is asked for, what is kept on disk, and the thread that does both."""

import json
import logging
import os
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from queue import Empty, SimpleQueue

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.events import Event, ForecastArrived, ForecastFailed
from controller.core.forecast import Forecast
from controller.core.moment import Now
from controller.drivers.http import get_json
from controller.shells.forecast import (
    Answer,
    Attempt,
    Fetcher,
    ForecastError,
    OpenMeteo,
    Place,
    keep_answer,
    kept_answer,
    next_fetch_due,
)
from tests.forecast.server import (
    MIDNIGHT,
    NOON,
    ForecastServer,
    Reply,
    equator_hours,
    is_equator_day,
    open_meteo_body,
)

PLACE = Place(0.02, -0.03, 240.0)
HOURS = equator_hours(MIDNIGHT, 48)
ANSWER = Answer(Forecast("open-meteo", NOON, (replace(HOURS[0], rain_mm=None), *HOURS[1:])),
                {"If-None-Match": '"v1"'}, 900.0)
EVERY_S = 6 * 3600.0


# When to ask

@pytest.mark.parametrize(("failures", "wish_s", "wait_s"), [
    (0, None, 21600.0), (0, 900.0, 21600.0), (0, 21601.0, 21600.0), (0, 1e9, 21600.0),
    (1, None, 60.0), (2, None, 120.0), (3, None, 240.0), (6, None, 1920.0), (7, None, 3600.0),
    (10**9, None, 3600.0), (1, 30.0, 60.0), (1, 86400.0, 21600.0), (9, 7200.0, 7200.0)])
def test_waits(failures: int, wish_s: float | None, wait_s: float) -> None:
    attempt = Attempt(1000.0, failures, wish_s)
    assert next_fetch_due(attempt, EVERY_S, 0.0) == 1000.0 + wait_s
    assert next_fetch_due(attempt, EVERY_S, 1.0) == pytest.approx(1000.0 + 1.1 * wait_s)


def test_a_fresh_answer_is_not_asked_for_again() -> None:
    assert next_fetch_due(Attempt(0.0, wish_s=7200.0), 3600.0, 0.0) == 7200.0


@given(st.integers(0, 10**6), st.none() | st.floats(0, 1e12), st.floats(60, 86400), st.floats(0, 1))
def test_never_a_storm_and_never_for_ever(failures: int, wish_s: float | None, every_s: float,
                                          chance: float) -> None:
    wait_s = next_fetch_due(Attempt(5.0, failures, wish_s), every_s, chance) - 5.0
    assert 59.9 <= wait_s <= max(every_s, 6 * 3600.0) * 1.1 + 0.1


# The last good answer on disk

def test_an_answer_comes_back_whole(tmp_path: Path) -> None:
    path = tmp_path / "forecast"
    assert kept_answer(path, "open-meteo", PLACE) is None
    keep_answer(path, ANSWER, PLACE)
    again = kept_answer(path, "open-meteo", PLACE)
    assert again == ANSWER
    assert again is not None
    assert again.forecast.issued.tzinfo is UTC
    assert again.forecast.hours[0].rain_mm is None
    assert os.listdir(tmp_path) == ["forecast"]


def damaged_by_a_bit(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    raw[-40] ^= 1
    path.write_bytes(raw)


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-200])


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def not_text(path: Path) -> None:
    path.write_bytes(b"\xff\xfe\x00")


def a_directory(path: Path) -> None:
    path.unlink()
    path.mkdir()


def another_place(path: Path) -> None:
    keep_answer(path, ANSWER, replace(PLACE, latitude_deg=1.0))


@pytest.mark.parametrize("harm", [damaged_by_a_bit, cut_short, emptied, not_text, a_directory, another_place])
def test_a_bad_file_is_refused_with_one_sentence(tmp_path: Path, harm: Callable[[Path], None]) -> None:
    path = tmp_path / "forecast"
    keep_answer(path, ANSWER, PLACE)
    harm(path)
    with pytest.raises(ForecastError) as caught:
        kept_answer(path, "open-meteo", PLACE)
    assert str(caught.value).startswith(f"the forecast kept in {path} is not used: ")
    assert str(caught.value).isprintable()


def test_every_single_flipped_bit_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "forecast"
    keep_answer(path, replace(ANSWER, forecast=replace(ANSWER.forecast, hours=HOURS[:2])), PLACE)
    good = path.read_bytes()
    for at in range(len(good) - 1):
        path.write_bytes(good[:at] + bytes([good[at] ^ 0x04]) + good[at + 1:])
        with pytest.raises(ForecastError):
            kept_answer(path, "open-meteo", PLACE)


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "forecast"
    keep_answer(path, ANSWER, PLACE)
    path.with_name("forecast.new").mkdir()
    with pytest.raises(OSError):
        keep_answer(path, replace(ANSWER, fresh_s=1.0), PLACE)
    assert kept_answer(path, "open-meteo", PLACE) == ANSWER


# The thread

class Clock:
    """Stands still until it is moved."""

    def __init__(self, utc: datetime = NOON, *, trusted: bool = True) -> None:
        self.mono_s = 1000.0
        self.utc = utc
        self.trusted = trusted

    def now(self) -> Now:
        return Now(self.mono_s, self.utc, self.trusted)

    def move(self, seconds: float) -> None:
        self.mono_s += seconds
        self.utc += timedelta(seconds=seconds)


class MovingClock:
    """A clock that is past every wait whenever it is read: fetches follow each other without one."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def now(self) -> Now:
        self._clock.move(8 * 3600.0)
        return self._clock.now()


class Scripted:
    """A source that plays a script of answers and errors."""

    name = "open-meteo"

    def __init__(self, *script: Answer | Exception) -> None:
        self.script = list(script)
        self.asked: list[Answer | None] = []

    def ask(self, place: Place, asked: datetime, last: Answer | None) -> Answer:
        assert place == PLACE
        self.asked.append(last)
        if not self.script:
            raise ForecastError("the script is over")
        outcome = self.script.pop(0)
        if isinstance(outcome, Exception):
            raise outcome
        return outcome


class Inbox:
    """What the fetcher delivers."""

    def __init__(self) -> None:
        self._events: SimpleQueue[Event] = SimpleQueue()

    def __call__(self, event: Event) -> None:
        self._events.put(event)

    def next(self) -> Event:
        return self._events.get(timeout=5.0)

    def is_empty(self) -> bool:
        try:
            self._events.get(timeout=0.05)
        except Empty:
            return True
        return False


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_answers_and_failures_reach_the_inbox_in_order(clock: Clock) -> None:
    inbox = Inbox()
    source = Scripted(ANSWER, ForecastError("it is closed", 60.0), ANSWER)
    fetcher = Fetcher(source, PLACE, inbox, MovingClock(clock), every_s=EVERY_S)
    fetcher.start()
    events = [inbox.next() for _ in range(4)]
    fetcher.stop()
    assert events == [ForecastArrived(ANSWER.forecast), ForecastFailed("it is closed"),
                      ForecastArrived(ANSWER.forecast), ForecastFailed("the script is over")]
    assert source.asked[:4] == [None, ANSWER, ANSWER, ANSWER]


def test_a_source_with_a_bug_does_not_end_the_forecasts(clock: Clock,
                                                        caplog: pytest.LogCaptureFixture) -> None:
    inbox = Inbox()
    fetcher = Fetcher(Scripted(ZeroDivisionError("oops"), ANSWER), PLACE, inbox, MovingClock(clock),
                      every_s=EVERY_S)
    with caplog.at_level(logging.CRITICAL + 1, "seepward.forecast"):
        fetcher.start()
        first, second = inbox.next(), inbox.next()
    fetcher.stop()
    assert isinstance(first, ForecastFailed)
    assert "ZeroDivisionError" in first.why
    assert second == ForecastArrived(ANSWER.forecast)


def test_a_fetch_that_hangs_is_reported_waited_for_and_still_counts(clock: Clock) -> None:
    inbox, free = Inbox(), threading.Event()
    running, most = 0, 0

    class Hanging(Scripted):
        def ask(self, place: Place, asked: datetime, last: Answer | None) -> Answer:
            nonlocal running, most
            running += 1
            most = max(most, running)
            free.wait(5.0)
            running -= 1
            return super().ask(place, asked, last)

    fetcher = Fetcher(Hanging(ANSWER), PLACE, inbox, MovingClock(clock), every_s=EVERY_S, deadline_s=0.05)
    fetcher.start()
    assert inbox.next() == ForecastFailed("open-meteo has not answered within 0.05 s")
    assert inbox.is_empty()
    assert most == 1, "one at a time"
    free.set()
    assert inbox.next() == ForecastArrived(ANSWER.forecast)
    fetcher.stop()


def test_nothing_is_asked_before_it_is_due(clock: Clock) -> None:
    inbox = Inbox()
    source = Scripted(ForecastError("closed"), ANSWER)
    fetcher = Fetcher(source, PLACE, inbox, clock, every_s=EVERY_S)
    fetcher.start()
    assert inbox.next() == ForecastFailed("closed")
    assert inbox.is_empty()
    fetcher.stop()
    assert len(source.asked) == 1


def test_stop_ends_the_thread_and_drops_what_comes_late(clock: Clock) -> None:
    inbox, free = Inbox(), threading.Event()

    class Slow(Scripted):
        def ask(self, place: Place, asked: datetime, last: Answer | None) -> Answer:
            free.wait(5.0)
            return super().ask(place, asked, last)

    fetcher = Fetcher(Slow(ANSWER), PLACE, inbox, clock, every_s=EVERY_S)
    fetcher.start()
    fetcher.stop()
    free.set()
    fetcher._thread.join(5.0)
    assert not fetcher._thread.is_alive()
    assert inbox.is_empty()


# From one start to the next

@pytest.mark.parametrize(("age_h", "trusted", "asks_at_once"), [
    (1.0, True, False), (7.0, True, True), (-1.0, True, True), (1.0, False, True)],
    ids=["young", "old", "from the future", "age unknown"])
def test_a_kept_answer_is_handed_out_and_spares_a_fetch_while_young(
        tmp_path: Path, age_h: float, trusted: bool, asks_at_once: bool) -> None:
    clock = Clock(NOON + timedelta(hours=age_h), trusted=trusted)
    keep_answer(tmp_path / "forecast", ANSWER, PLACE)
    inbox = Inbox()
    source = Scripted()
    fetcher = Fetcher(source, PLACE, inbox, clock, every_s=EVERY_S, keep=tmp_path / "forecast",
                      chance=lambda: 0.0)
    fetcher.start()
    assert inbox.next() == ForecastArrived(ANSWER.forecast)
    assert inbox.is_empty() is not asks_at_once
    fetcher.stop()
    assert source.asked == ([ANSWER] if asks_at_once else [])


def test_a_damaged_file_is_told_and_replaced(tmp_path: Path, clock: Clock) -> None:
    path = tmp_path / "forecast"
    path.write_text("nonsense")
    inbox = Inbox()
    fetcher = Fetcher(Scripted(ANSWER), PLACE, inbox, clock, every_s=EVERY_S, keep=path)
    fetcher.start()
    told = inbox.next()
    assert isinstance(told, ForecastFailed)
    assert "checksum" in told.why
    assert inbox.next() == ForecastArrived(ANSWER.forecast)
    fetcher.stop()
    assert kept_answer(path, "open-meteo", PLACE) == ANSWER


def test_a_full_disk_costs_the_copy_and_not_the_forecast(tmp_path: Path, clock: Clock,
                                                         caplog: pytest.LogCaptureFixture) -> None:
    inbox = Inbox()
    fetcher = Fetcher(Scripted(ANSWER), PLACE, inbox, clock, every_s=EVERY_S,
                      keep=tmp_path / "nowhere" / "forecast")
    fetcher.start()
    assert inbox.next() == ForecastArrived(ANSWER.forecast)
    fetcher.stop()
    assert "cannot be kept" in caplog.text


def test_the_whole_way_over_two_starts(tmp_path: Path) -> None:
    """A good answer; after a restart a day later it is asked about, and still stands; then a 429."""
    body = open_meteo_body(equator_hours(MIDNIGHT, 167), 0.0, 0.0)
    path = tmp_path / "forecast"
    day_later = NOON + timedelta(days=1)
    with ForecastServer(Reply(body, headers={"ETag": '"v1"'}), Reply(status=304),
                        Reply(status=429, headers={"Retry-After": "86400"})) as server:
        source = OpenMeteo(get_json, server.url, is_equator_day)
        for start, count in ((NOON, 1), (day_later, 2)):
            clock = Clock(start)
            inbox = Inbox()
            fetcher = Fetcher(source, PLACE, inbox, clock, every_s=EVERY_S, keep=path)
            fetcher.start()
            events = [inbox.next() for _ in range(count)]
            fetcher.stop()
            fetcher._thread.join(5.0)
            assert all(isinstance(event, ForecastArrived) for event in events)
        assert [request.headers.get("if-none-match") for request in server.asked] == [None, '"v1"']
        begun_s = time.monotonic()
        with pytest.raises(ForecastError, match="429") as caught:
            source.ask(PLACE, day_later, None)
    assert caught.value.retry_after_s == 86400.0
    assert time.monotonic() - begun_s < 2.0
    assert json.loads(path.read_text().splitlines()[1])["issued"] == day_later.isoformat()

