"""The commands, one module each with `add_arguments(parser)` and `run(arguments) -> int`. A module is
imported only when its command is called, so that a look at the plan does not load a radio and a pin
library."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

COMMANDS: Mapping[str, str] = MappingProxyType(
    {
        "plan": "the coming waterings, with reasons",
        "log": "what was watered, by day and zone",
        "why": "how a decision came about, step by step",
        "jobs": "what only hands can do; report a job done",
        "report": "the garden as one page, to read on a phone",
        "water": "water a zone by hand",
        "stop": "end the watering that is going on",
        "hold": "suspend watering, until a time or until released",
        "release": "end a hold",
        "away": "nobody tends the garden, until a time or until you are back",
        "relearn": "forget what was learnt of a bed",
        "close": "close every valve, whatever still lives",
        "check": "is the config good, and does the world answer",
        "run": "the daemon",
        "simulate": "the same decisions on a virtual clock",
        "demo": "a hot week, sped up, without pins or broker",
    }
)


class CommandError(Exception):
    """What stops a command, in lines fit to be shown. code: 1 could not, 2 wrong use or wrong config."""

    def __init__(self, *lines: str, code: int = 1) -> None:
        super().__init__("\n".join(lines))
        self.lines: Sequence[str] = lines
        self.code = code
