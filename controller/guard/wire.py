"""What the guard and the others say to each other: one JSON object a line, and nothing unchecked gets in.

The first key of a message names it: {"open": "bed-1", "pulse": "p7", "seconds": 40}. SHAPES is the whole
vocabulary; reading and writing both follow it. A line that is not in it becomes a Refused with one sentence.
Times named `..._s` that are instants are CLOCK_MONOTONIC, which all processes of one machine share.
"""

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from controller.drivers.gpio import Inlet, Line
from controller.guard.flow import MeterRule
from controller.guard.rules import (
    Charge,
    Closed,
    Lock,
    MasterRule,
    Notice,
    Opened,
    Refused,
    SupplyRule,
    UsedOpening,
    ValveRule,
    master_line,
)

LINE_LIMIT_BYTES = 64 * 1024
CHARGE_LIMIT_BYTES = 1024 * 1024
"""The charge carries a day of openings, and is the one message that may be longer than a line's limit."""

TEXT_LIMIT = 300

METER = "the flow meter"
"""Name of the flow meter among the inlets; no sensor's id has a space."""


@dataclass(frozen=True, slots=True)
class Charged:
    """Owner: guard these valves, on these lines, through this pin driver.

    inlets: the pins of those inputs of the charge that the guard is to read itself, and of the flow meter under METER;
    the owner tells of the others.
    latch: the file in which it keeps what is locked; None keeps that in memory only.
    """

    charge: Charge
    driver: str
    lines: Mapping[str, Line]
    inlets: Mapping[str, Inlet] = field(default_factory=dict)
    latch: str | None = None


@dataclass(frozen=True, slots=True)
class Beat:
    """Owner: my deciding loop was alive at `sent_s`."""

    sent_s: float


@dataclass(frozen=True, slots=True)
class AskOpen:
    """Owner: open this valve for so many seconds, for this pulse."""

    valve: str
    pulse: str
    seconds: float


@dataclass(frozen=True, slots=True)
class AskClose:
    """Close one valve, or with None all of them at once."""

    valve: str | None
    why: str


@dataclass(frozen=True, slots=True)
class Noted:
    """Owner: the closing of this pulse is durably written down."""

    pulse: str


@dataclass(frozen=True, slots=True)
class Sensed:
    """Owner or guard: an input says on or off."""

    name: str
    on: bool


@dataclass(frozen=True, slots=True)
class Metered:
    """Owner: the counter of the flow meter, which the guard does not read itself, stands at so many litres."""

    litres: float


@dataclass(frozen=True, slots=True)
class Release:
    """Owner: somebody releases the lock of this valve, or with None every lock."""

    valve: str | None


@dataclass(frozen=True, slots=True)
class CloseAll:
    """Anybody at the guard's socket: close everything."""

    valve: None = None


@dataclass(frozen=True, slots=True)
class AskStatus:
    """Guest: say what is open."""

    version: int = 1


@dataclass(frozen=True, slots=True)
class Ready:
    """Guard: every line is claimed and at rest."""

    pid: int
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Heard:
    """Guard: your beat of `sent_s` has come, so my loop is alive as well."""

    sent_s: float


@dataclass(frozen=True, slots=True)
class Fault:
    """Guard: a line did not obey, or I am failing; everything I can close is closed."""

    what: str


@dataclass(frozen=True, slots=True)
class AllClosed:
    """Guard to a guest: every line is off; these valves were open until now."""

    valves: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Status:
    """Guard to a guest: pulse by open valve; when the owner was last heard; the latest deadline so far."""

    owner_pid: int
    open: Mapping[str, str]
    silent_s: float | None
    latest_s: float


OwnerMessage = Charged | Beat | AskOpen | AskClose | Noted | Sensed | Metered | Release
GuestMessage = CloseAll | AskStatus
GuardMessage = Ready | Opened | Closed | Refused | Notice | Sensed | Fault | Heard | AllClosed | Status


def _text(value: object) -> str:
    if not isinstance(value, str) or not value or len(value) > TEXT_LIMIT or not value.isprintable():
        raise ValueError(f"must be a printable text of 1 to {TEXT_LIMIT} characters")
    return value


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("must be a number")
    if not abs(value) < 1e15:  # compared before converted: an int may be too large for a float
        raise ValueError("must be a finite number of a sensible size")
    return float(value)


def _count(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError("must be a whole number")
    return value


def _truth(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError("must be true or false")
    return value


def _optional(check: Callable[[object], Any]) -> Callable[[object], Any]:
    return lambda value: None if value is None else check(value)


def _nothing(value: object) -> None:
    if value is not None:
        raise ValueError("must be null")


def _texts(value: object) -> tuple[str, ...]:
    return tuple(_text(each) for each in _list(value))


def _text_by_name(value: object) -> dict[str, str]:
    return {_text(name): _text(each) for name, each in _object(value).items()}


def _list(value: object) -> list[Any]:
    if not isinstance(value, list):
        raise ValueError("must be a list")
    return value


def _object(value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ValueError("must be an object")
    return value


def _charged(value: object) -> Charged:
    """{"driver", "silence_s", "supplies", "valves", "used"...}; see `_charge_object`."""
    given = dict(_object(value))
    lines: dict[str, Line] = {}
    valves: dict[str, ValveRule] = {}
    supplies: dict[str, SupplyRule] = {}
    inputs: dict[str, str] = {}
    inlets: dict[str, Inlet] = {}
    try:
        driver = _text(given.pop("driver"))
        latch = _optional(_text)(given.pop("latch"))
        for name, table in _object(given.pop("valves")).items():
            rule = dict(_object(table))
            supply = _text(rule.pop("supply"))
            lines[_text(name)], numbers = _line_and_numbers(rule)
            valves[name] = ValveRule(**numbers, supply=supply)
        for name, table in _object(given.pop("supplies")).items():
            rule = dict(_object(table))
            master = None
            if (pumped := rule.pop("master")) is not None:
                lines[master_line(_text(name))], numbers = _line_and_numbers(pumped)
                master = MasterRule(**numbers)
            numbers = {key: _number(number) for key, number in rule.items()}
            supplies[_text(name)] = SupplyRule(**numbers, master=master)
        used = tuple(
            UsedOpening(_text(valve), _number(ended_ago_s), _number(open_s), _optional(_number)(litres))
            for valve, ended_ago_s, open_s, litres in map(_list, _list(given.pop("used")))
        )
        pairs = tuple((_text(one), _text(other)) for one, other in map(_list, _list(given.pop("never_together"))))
        for name, table in _object(given.pop("inputs")).items():
            inputs[_text(name)] = _text(_object(table)["kind"])
            if "pin" in table:
                inlets[name] = _inlet(table)
        locks = tuple(
            Lock(_text(rule), _text(why), _optional(_text)(valve))
            for rule, why, valve in map(_list, _list(given.pop("locks")))
        )
        meter = None
        if (table := given.pop("meter")) is not None:
            rule = dict(_object(table))
            if (inlet := rule.pop("inlet")) is not None:
                inlets[METER] = _inlet(_object(inlet))
            supply = _text(rule.pop("supply"))
            meter = MeterRule(**{name: _number(number) for name, number in rule.items()}, supply=supply)
        numbers = {name: _number(number) for name, number in given.items()}
        charge = Charge(
            supplies, valves, used=used, never_together=pairs, inputs=inputs, locks=locks, meter=meter, **numbers
        )
        return Charged(charge, driver, lines, inlets, latch)
    except KeyError as missing:
        raise ValueError(f"lacks {missing}") from None
    except TypeError as error:  # a dataclass names the field that is missing or unknown
        raise ValueError(str(error).rpartition("__init__() ")[2]) from None


def _line_and_numbers(table: object) -> tuple[Line, dict[str, float]]:
    given = dict(_object(table))
    line = Line(_pin(given.pop("pin")), active_is_high(given.pop("active")))
    return line, {name: _number(number) for name, number in given.items()}


def _inlet(table: Mapping[str, Any]) -> Inlet:
    pull = table["pull"]
    if pull not in ("up", "down", "none"):
        raise ValueError('pull must be "up", "down" or "none"')
    return Inlet(_pin(table["pin"]), active_is_high(table["active"]), pull)


def _pin(value: object) -> int | str:
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise ValueError('pin must be a number or a name such as "GPIO17"')
    return value


def active_is_high(active: object) -> bool:
    """The word for a line's active level, as config and charge write it. ValueError for any other."""
    if active not in ("high", "low"):
        raise ValueError('active must be "high" or "low"')
    return active == "high"


def line_object(line: Line) -> dict[str, Any]:
    """A line as it stands in a message or file."""
    return {"pin": line.pin, "active": "high" if line.active_high else "low"}


def _charge_object(charged: Charged) -> dict[str, Any]:
    """The charge as it is sent; a number that is None is left out."""
    charge = charged.charge
    return {
        "driver": charged.driver,
        "latch": charged.latch,
        "supplies": {
            name: {"master": rule.master and line_object(charged.lines[master_line(name)]) | _numbers(rule.master)}
            | _numbers(rule)
            for name, rule in charge.supplies.items()
        },
        "valves": {
            name: {"supply": rule.supply} | line_object(charged.lines[name]) | _numbers(rule)
            for name, rule in charge.valves.items()
        },
        "used": [[used.valve, used.ended_ago_s, used.open_s, used.litres] for used in charge.used],
        "never_together": [list(pair) for pair in charge.never_together],
        "inputs": {
            name: {"kind": kind} | (_inlet_object(charged.inlets[name]) if name in charged.inlets else {})
            for name, kind in charge.inputs.items()
        },
        "meter": charge.meter
        and {"supply": charge.meter.supply, "inlet": (inlet := charged.inlets.get(METER)) and _inlet_object(inlet)}
        | _numbers(charge.meter),
        "locks": [[lock.rule, lock.why, lock.valve] for lock in charge.locks],
    } | _numbers(charge)


def _inlet_object(inlet: Inlet) -> dict[str, Any]:
    return {"pin": inlet.pin, "active": "high" if inlet.active_high else "low", "pull": inlet.pull}


def _numbers(rule: Any) -> dict[str, float]:
    """The numbers of a dataclass by their names."""
    given = {each.name: getattr(rule, each.name) for each in fields(rule)}
    return {name: value for name, value in given.items() if isinstance(value, int | float)}


Fields = tuple[tuple[str, str, Callable[[object], Any]], ...]

OWNER_SHAPES: dict[type, Fields] = {
    Beat: (("beat", "sent_s", _number),),
    AskOpen: (("open", "valve", _text), ("pulse", "pulse", _text), ("seconds", "seconds", _number)),
    AskClose: (("close", "valve", _optional(_text)), ("why", "why", _text)),
    Noted: (("noted", "pulse", _text),),
    Sensed: (("sensed", "name", _text), ("on", "on", _truth)),
    Metered: (("metered", "litres", _number),),
    Release: (("release", "valve", _optional(_text)),),
}
GUEST_SHAPES: dict[type, Fields] = {
    CloseAll: (("close", "valve", _nothing),),
    AskStatus: (("status", "version", _count),),
}
GUARD_SHAPES: dict[type, Fields] = {
    Ready: (("ready", "pid", _count), ("lines", "lines", _texts)),
    Opened: (
        ("opened", "valve", _text),
        ("pulse", "pulse", _text),
        ("opened_s", "opened_s", _number),
        ("closes_at_s", "closes_at_s", _number),
    ),
    Closed: (
        ("closed", "valve", _text),
        ("pulse", "pulse", _text),
        ("open_s", "open_s", _number),
        ("why", "why", _text),
        ("water_s", "water_s", _number),
        ("litres", "litres", _optional(_number)),
        ("l_min", "l_min", _optional(_number)),
    ),
    Refused: (
        ("refused", "rule", _text),
        ("why", "why", _text),
        ("valve", "valve", _optional(_text)),
        ("pulse", "pulse", _optional(_text)),
    ),
    Notice: (
        ("notice", "rule", _text),
        ("why", "why", _text),
        ("valve", "valve", _optional(_text)),
        ("locked", "locked", _truth),
        ("over", "over", _truth),
    ),
    Sensed: (("sensed", "name", _text), ("on", "on", _truth)),
    Fault: (("fault", "what", _text),),
    Heard: (("heard", "sent_s", _number),),
    AllClosed: (("all_closed", "valves", _texts),),
    Status: (
        ("status", "owner_pid", _count),
        ("open", "open", _text_by_name),
        ("silent_s", "silent_s", _optional(_number)),
        ("latest_s", "latest_s", _number),
    ),
}
SHAPES = OWNER_SHAPES | GUEST_SHAPES | GUARD_SHAPES


def write(message: OwnerMessage | GuestMessage | GuardMessage) -> bytes:
    """One line, with its newline. Text too long or unprintable is cut or marked: only sentences can be."""
    if isinstance(message, Charged):
        shape: dict[str, Any] = {"charge": _charge_object(message)}
    else:
        shape = {key: _short(getattr(message, name)) for key, name, _ in SHAPES[type(message)]}
    return json.dumps(shape, allow_nan=False).encode() + b"\n"


def read_owner(line: bytes) -> OwnerMessage | Refused:
    """What the owner said, or why it is not understood."""
    message: OwnerMessage | Refused = _read(line, OWNER_SHAPES)
    return message


def read_guest(line: bytes) -> GuestMessage | Refused:
    """What a guest at the socket said, or why it is not understood."""
    message: GuestMessage | Refused = _read(line, GUEST_SHAPES)
    return message


def read_guard(line: bytes) -> GuardMessage:
    """What the guard said. A Refused with the rule "malformed" stands for a line that is not of its kind."""
    message: GuardMessage = _read(line, GUARD_SHAPES)
    return message


def too_long(limit_bytes: int) -> Refused:
    """The refusal of a line that nobody reads to its end."""
    return Refused("malformed", f"the line is longer than {limit_bytes} bytes")


class LineBuffer:
    """Bytes in, whole lines out, in bounded memory. None stands for a line beyond the limit."""

    def __init__(self, limit_bytes: int = LINE_LIMIT_BYTES) -> None:
        self.limit_bytes = limit_bytes
        self._part = b""
        self._dropping = False

    def feed(self, data: bytes) -> Iterator[bytes | None]:
        *whole, self._part = (self._part + data).split(b"\n")
        for line in whole:
            dropped, self._dropping = self._dropping, False
            if dropped:
                continue
            yield line if len(line) <= self.limit_bytes else None
        if len(self._part) > self.limit_bytes or self._dropping:
            if not self._dropping:
                yield None
            self._part, self._dropping = b"", True


def _read(line: bytes, shapes: dict[type, Fields]) -> Any:
    try:
        given = json.loads(line.decode(), parse_constant=_no_constant, object_pairs_hook=_no_double)
        if not isinstance(given, dict):
            raise ValueError("a message is a JSON object")
        if shapes is OWNER_SHAPES and "charge" in given:
            return _read_charge(given)
        for kind, keys in shapes.items():
            if keys[0][0] in given:
                return _fill(kind, keys, given)
        words = ", ".join(keys[0][0] for keys in shapes.values())
        raise ValueError(f"a message is named by one of: {words}")
    except RecursionError:
        return Refused("malformed", "the message is nested too deeply")
    except ValueError as error:
        return Refused("malformed", _short(str(error)))


def _read_charge(given: dict[str, Any]) -> Charged:
    if len(given) > 1:
        raise ValueError("a charge comes alone in its message")
    try:
        return _charged(given["charge"])
    except ValueError as error:
        raise ValueError(f"charge: {error}") from None


def _fill(kind: type, shape: Fields, given: dict[str, Any]) -> Any:
    if given.keys() != (keys := {key for key, _, _ in shape}):
        raise ValueError(f"the message {shape[0][0]!r} has exactly the keys {', '.join(sorted(keys))}")
    values = {}
    for key, name, check in shape:
        try:
            values[name] = check(given[key])
        except ValueError as error:
            raise ValueError(f"{key!r} {error}") from None
    return kind(**values)


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number")


def _no_double(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    given = dict(pairs)
    if len(given) < len(pairs):
        raise ValueError("a key appears twice")
    return given


def _short(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    return "".join(letter if letter.isprintable() else "?" for letter in value[:TEXT_LIMIT])
