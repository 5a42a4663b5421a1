"""Which time is gone by when the wall clock jumps."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.moment import BACK_MOST, RELEASED, Belief, Now

NOON = datetime(2026, 7, 13, 12, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


class Computer:
    """A wall clock that may be off, a monotonic one, and the network's stamp."""

    def __init__(self, belief: Belief, synced: int | None = 1) -> None:
        self.belief, self.synced, self.mono_s, self.off = belief, synced, 100.0, timedelta(0)

    @property
    def true(self) -> datetime:
        return NOON + timedelta(seconds=self.mono_s - 100.0)

    def ask(self, after_s: float = 60.0) -> Now:
        self.mono_s += after_s
        return self.belief.now(self.mono_s, self.true + self.off, self.synced)


def test_a_clock_that_goes_back_is_not_followed_and_how_far_is_told() -> None:
    computer = Computer(Belief())
    assert computer.ask() == Now(computer.mono_s, computer.true)
    computer.off = -60 * DAY
    for after_s in (1.0, 3600.0, 86_400.0):
        assert computer.ask(after_s) == Now(computer.mono_s, computer.true, True, 60 * 86_400.0)
    computer.off = timedelta(0)
    assert computer.ask() == Now(computer.mono_s, computer.true)


def test_network_time_is_followed_wherever_it_leads() -> None:
    computer = Computer(Belief())
    computer.ask()
    computer.off = -60 * DAY
    assert computer.ask().behind_s > 0.0
    computer.synced = 2
    assert computer.ask() == Now(computer.mono_s, computer.true - 60 * DAY)
    assert computer.ask().utc == computer.true - 60 * DAY


def test_network_time_that_was_reached_before_the_step_is_no_word_for_it() -> None:
    computer = Computer(Belief(), synced=None)
    computer.ask()
    computer.synced = 1
    computer.ask()
    computer.off = -2 * HOUR
    assert computer.ask().behind_s == 2 * 3600.0


def test_a_step_ahead_is_followed_and_may_be_taken_back() -> None:
    computer = Computer(Belief())
    computer.ask()
    for days in (60, 90, 60, 0):
        computer.off = days * DAY
        assert computer.ask() == Now(computer.mono_s, computer.true + days * DAY)
    computer.off = -5 * DAY
    assert computer.ask() == Now(computer.mono_s, computer.true, True, 5 * 86_400.0)


@pytest.mark.parametrize(("back", "followed"), [(BACK_MOST, True), (BACK_MOST + timedelta(seconds=1), False)])
def test_an_hour_back_is_followed(back: timedelta, followed: bool) -> None:
    computer = Computer(Belief())
    computer.ask()
    computer.off = -back
    assert (computer.ask().behind_s == 0.0) == followed


def test_a_clock_that_starts_in_the_past_is_not_trusted_until_network_time_comes() -> None:
    computer = Computer(Belief(NOON - HOUR), synced=None)
    computer.off = -10 * DAY
    assert computer.ask() == Now(computer.mono_s, computer.true - 10 * DAY, trusted=False)
    computer.off, computer.synced = timedelta(0), 1
    assert computer.ask() == Now(computer.mono_s, computer.true)


def test_network_time_is_believed_over_a_journal_from_the_future_but_not_over_the_release() -> None:
    assert Computer(Belief(NOON + 90 * DAY), synced=1).ask().trusted
    computer = Computer(Belief(), synced=1)
    computer.off = RELEASED - NOON - HOUR
    assert not computer.ask().trusted


@given(st.lists(st.tuples(st.floats(0.1, 1e6), st.integers(-10**7, 10**7)), max_size=30))
def test_without_network_time_what_is_believed_never_runs_back_by_more_than_a_step_ahead_allows(
    history: list[tuple[float, int]]
) -> None:
    """Time that is told after time that was believed lies behind it only if the clock stood there once before."""
    computer, stood = Computer(Belief()), [timedelta(0)]
    last = computer.ask()
    for after_s, off_s in history:
        computer.off = timedelta(seconds=off_s)
        now = computer.ask(after_s)
        followed = now.utc == computer.true + computer.off
        assert followed == (now.behind_s == 0.0)
        gone_on = last.utc + timedelta(seconds=now.mono_s - last.mono_s)
        near = [off for off in stood if abs(now.utc - computer.true - off) <= BACK_MOST + timedelta(seconds=1)]
        assert now.utc >= gone_on - BACK_MOST or near
        stood.append(now.utc - computer.true)
        last = now
