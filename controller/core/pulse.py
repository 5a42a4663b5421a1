"""Stage 4: the life of a pulse, as one table.

planned -ask-> asked -opened-> running -whole-> done
                 |                |
                 +--refused--> refused      asked/running -short-> cut      planned -drop-> dropped

The guard tells how a pulse ended; the core never assumes it. What is not in the table cannot happen: it raises
`IllegalMoveError` and changes nothing.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

from controller.core.frozen import replace
from controller.core.garden import Pulse, PulseState

Happening = Literal["ask", "opened", "refused", "whole", "short", "drop"]

MOVES: Mapping[tuple[PulseState, Happening], PulseState] = MappingProxyType(
    {
        ("planned", "ask"): "asked",
        ("planned", "drop"): "dropped",
        ("asked", "opened"): "running",
        ("asked", "refused"): "refused",
        ("asked", "whole"): "done",
        ("asked", "short"): "cut",
        ("running", "whole"): "done",
        ("running", "short"): "cut",
    }
)

WHOLE_WHY = "deadline"
"""The guard's word for a pulse that ran its full length."""


class IllegalMoveError(ValueError):
    """A pulse was told something that cannot happen to it in its state."""


def move(pulse: Pulse, happening: Happening) -> Pulse:
    """The pulse after a happening. IllegalMoveError if the table has no such line."""
    after = MOVES.get((pulse.state, happening))
    if after is None:
        raise IllegalMoveError(f"pulse {pulse.id} is {pulse.state}; {happening!r} cannot happen to it")
    return replace(pulse, state=after)


def closed(pulse: Pulse, litres: float, why: str) -> Pulse:
    """The pulse after the guard has closed its valve, with the litres that it has given."""
    happening: Happening = "whole" if why == WHOLE_WHY else "short"
    return replace(move(pulse, happening), given_litres=litres)
