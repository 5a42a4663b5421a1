"""A changed copy is what `dataclasses.replace` would have made; the value itself stays as it was."""

import dataclasses
from dataclasses import dataclass

import pytest

from controller.core.frozen import replace


@dataclass(frozen=True, slots=True)
class Pair:
    one: int
    other: str = "b"


@dataclass(frozen=True, slots=True)
class Single:
    one: int


@dataclass(frozen=True)
class Loose:
    one: int


@dataclass(frozen=True, slots=True)
class Checked:
    one: int

    def __post_init__(self) -> None:
        assert self.one > 0


def test_a_changed_copy_is_what_the_constructor_would_have_made() -> None:
    pair = Pair(1, "a")
    assert replace(pair, one=2) == dataclasses.replace(pair, one=2) == Pair(2, "a")
    assert replace(pair) == pair == Pair(1, "a")
    assert replace(Single(1), one=5) == Single(5)


def test_a_copy_is_frozen_too() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        replace(Pair(1), one=2).one = 3  # type: ignore[misc]


def test_a_field_that_is_not_there_is_no_change() -> None:
    with pytest.raises(KeyError):
        replace(Pair(1), three=3)  # type: ignore[call-arg]


@pytest.mark.parametrize("value", [Loose(1), Checked(1)])
def test_what_would_not_be_whole_is_refused(value: Loose | Checked) -> None:
    with pytest.raises(TypeError, match="no dataclass with slots"):
        replace(value, one=2)
