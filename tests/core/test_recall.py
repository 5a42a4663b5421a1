"""What is recalled is what would have been reckoned: by the identity of the facts, never of others that look alike."""

from dataclasses import dataclass

from controller.core.recall import SLOTS_MOST, recalled


@dataclass(frozen=True)
class Fact:
    value: int


def counted() -> tuple[list[int], object]:
    asked: list[int] = []

    @recalled(facts=1)
    def twice(fact: Fact, plus: int) -> int:
        asked.append(fact.value)
        return 2 * fact.value + plus

    return asked, twice


def test_the_same_facts_are_reckoned_once() -> None:
    asked, twice = counted()
    fact = Fact(3)
    assert [twice(fact, 1), twice(fact, 1), twice(fact, 2)] == [7, 7, 8]  # type: ignore[operator]
    assert asked == [3, 3]


def test_facts_that_have_gone_do_not_answer_for_new_ones_at_their_place() -> None:
    asked, twice = counted()
    for value in range(3 * SLOTS_MOST):
        assert twice(Fact(value), 0) == 2 * value  # type: ignore[operator]
    assert len(asked) == 3 * SLOTS_MOST
