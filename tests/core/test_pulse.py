"""The life of a pulse: the whole table, and everything that is not in it."""

from datetime import UTC, datetime
from typing import get_args

import pytest

from controller.core.garden import Pulse, PulseState
from controller.core.pulse import MOVES, WHOLE_WHY, Happening, IllegalMoveError, closed, move

STATES: tuple[PulseState, ...] = get_args(PulseState)
HAPPENINGS: tuple[Happening, ...] = get_args(Happening)

TABLE = {
    ("planned", "ask"): "asked",
    ("planned", "drop"): "dropped",
    ("asked", "opened"): "running",
    ("asked", "refused"): "refused",
    ("asked", "whole"): "done",
    ("asked", "short"): "cut",
    ("running", "whole"): "done",
    ("running", "short"): "cut",
}
"""Written down a second time, from the picture at the head of the file."""


def a_pulse(state: PulseState) -> Pulse:
    return Pulse("p-1", "tomatoes", datetime(2026, 7, 1, tzinfo=UTC), 600.0, 30.0, state)


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("happening", HAPPENINGS)
def test_the_table_and_nothing_else(state: PulseState, happening: Happening) -> None:
    pulse = a_pulse(state)
    after = TABLE.get((state, happening))
    if after is None:
        with pytest.raises(IllegalMoveError, match=f"p-1 is {state}"):
            move(pulse, happening)
        assert pulse.state == state
    else:
        assert move(pulse, happening).state == after


def test_no_state_is_left_that_is_an_end_and_no_end_is_left() -> None:
    ends = {"done", "cut", "refused", "dropped"}
    assert {state for state, _ in MOVES} == set(STATES) - ends
    assert set(MOVES.values()) == set(STATES) - {"planned"}


def test_a_pulse_that_ran_its_length_is_done_and_any_other_is_cut() -> None:
    assert closed(a_pulse("running"), 30.0, WHOLE_WHY).state == "done"
    for why in ("silence", "asked", "by hand", "end not seen", ""):
        cut = closed(a_pulse("running"), 12.0, why)
        assert (cut.state, cut.given_litres, cut.litres_expected) == ("cut", 12.0, 12.0)


def test_a_closed_pulse_is_not_closed_again() -> None:
    with pytest.raises(IllegalMoveError):
        closed(closed(a_pulse("running"), 30.0, WHOLE_WHY), 30.0, WHOLE_WHY)
