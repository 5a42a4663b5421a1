"""Answers recalled for as long as they follow from the same facts.

A plan asks hundreds of times what the weather and the plants of the same few days are. Facts are frozen, so an answer
holds as long as the objects that it was reckoned from are the same ones; comparing them by value would cost more than
reckoning anew.
"""

from collections.abc import Callable, Hashable
from functools import wraps
from typing import Any, TypeVar

SLOTS_MOST = 256
ANSWERS_MOST = 4096
"""Of so many facts, and so many answers from the same ones, something is recalled."""

Answer = TypeVar("Answer")


def recalled(facts: int) -> Callable[[Callable[..., Answer]], Callable[..., Answer]]:
    """For a pure function whose first `facts` arguments are frozen objects, told apart by identity, and whose others
    are small hashable values. What is recalled of the oldest facts goes first, and of their answers the oldest."""

    def decorate(reckon: Callable[..., Answer]) -> Callable[..., Answer]:
        # A slot holds on to its facts, so that no other object can come to have the identity of one of them.
        slots: dict[tuple[int, ...], tuple[tuple[Any, ...], dict[tuple[Hashable, ...], Answer]]] = {}

        @wraps(reckon)
        def answer(*arguments: Any) -> Answer:
            known_by = tuple(map(id, arguments[:facts]))
            slot = slots.get(known_by)
            if slot is None:
                if len(slots) >= SLOTS_MOST:
                    slots.pop(next(iter(slots)), None)
                slot = slots[known_by] = (arguments[:facts], {})
            answers, asked = slot[1], arguments[facts:]
            if asked not in answers:
                if len(answers) >= ANSWERS_MOST:
                    answers.pop(next(iter(answers)), None)
                answers[asked] = reckon(*arguments)
            return answers[asked]

        return answer

    return decorate
