"""A sensor's payload: bytes in; one number in a canonical unit (m3/m3, degC, mm; 1 or 0) out, or one sentence.

Nothing is guessed and nothing is mended: what is not exactly a number in range is refused. Python's parsers
take far more (NaN, 1_000, the last of two equal keys, nesting until the stack ends), so every gate is here.
"""

import json
import math
import re
from bisect import bisect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any, Protocol

from jsonpointer import EndOfList, JsonPointer, JsonPointerException

from controller.core.site import SWITCHES

PAYLOAD_MOST_BYTES = 4096

_PLAIN = re.compile(r"-?(0|[1-9][0-9]{0,14})(\.[0-9]{1,17})?")
"""A plain decimal number: no sign but a minus, no exponent, no spaces, no digits but ASCII."""
_JSON_NUMBER = re.compile(r"-?[0-9]{1,20}(\.[0-9]{1,20})?([eE][+-]?[0-9]{1,2})?")
"""Numbers of ordinary size; JSON itself sets no limit, and 1e999 would become infinity."""
_RFC_3339 = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?([Zz]|[+-][0-9]{2}:[0-9]{2})"
)
_EPOCH_FIRST, _EPOCH_LAST = 1_000_000_000, 4_000_000_000
"""2001 to 2096: outside it is no time of a garden's sensor, or it is in milliseconds."""

_CANONICAL = {
    "m3/m3": (1.0, 0.0),
    "%": (0.01, 0.0),
    "°C": (1.0, 0.0),
    "°F": (5.0 / 9.0, -160.0 / 9.0),
    "mm": (1.0, 0.0),
    "in": (25.4, 0.0),
    "L": (1.0, 0.0),
}
"""unit -> factor, offset. A raw number has no row: it needs a calibration."""

_RANGES = {
    "soil moisture": (0.0, 0.7, "m3/m3"),
    "air temperature": (-40.0, 60.0, "°C"),
    "soil temperature": (-20.0, 70.0, "°C"),
    "rain": (0.0, 200.0, "mm"),
    "flow meter": (0.0, 1e9, "L"),
    "tank level": (0.0, 1e6, "L"),
}
"""What can be true at all: peat holds up to 0.7 m3/m3; the rest is common practice, no source."""

_GIVEN_RANGES = {"permittivity": (1.0, 81.0), "kPa": (-10.0, 10_000.0), "cb": (-10.0, 10_000.0)}
"""The same for the number as it comes, where its points of calibration end: permittivity from air to water."""

_SWITCHES = ("rain switch", "job switch", *SWITCHES)

_SWITCH_WORDS = {
    "true": 1.0, "1": 1.0, "wet": 1.0, "on": 1.0,
    "false": 0.0, "0": 0.0, "dry": 0.0, "off": 0.0,
}
"""What a switch may say where the config does not name its words."""


class RefusedError(ValueError):
    """A payload that cannot be used; the message is one sentence."""


class SensorSetting(Protocol):
    """What the config file says of a sensor."""

    @property
    def id(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def topic(self) -> str | None: ...
    @property
    def pointer(self) -> str | None: ...
    @property
    def unit(self) -> str | None: ...
    @property
    def calibration(self) -> Sequence[tuple[float, float]] | None: ...
    @property
    def polynomial(self) -> Sequence[float] | None: ...
    @property
    def on(self) -> str | None: ...
    @property
    def off(self) -> str | None: ...
    @property
    def time_pointer(self) -> str | None: ...


@dataclass(frozen=True, slots=True)
class Measured:
    """value in m3/m3, degC or mm, or 1.0 for wet and 0.0 for dry; at: the payload's own time in UTC, if it has one."""

    value: float
    at: datetime | None = None


class Decoder:
    """Reads the payloads of one sensor.

    ValueError if a pointer is not RFC 6901, or if nothing says how its number becomes the value.
    """

    def __init__(self, sensor: SensorSetting) -> None:
        self._pointer = _pointer(sensor.pointer)
        self._time_pointer = _pointer(sensor.time_pointer)
        switch = sensor.kind in _SWITCHES
        self.lasts = switch and sensor.kind != "job switch"
        """What it says holds until it says otherwise, however long ago that was; but a job that was done may be due."""
        self._plain: Callable[[bytes], Any] = _text if switch else plain_number
        self._value_of: Callable[[Any, str], float] = _Switch(sensor) if switch else _Scale(sensor)

    def read(self, payload: bytes) -> Measured:
        """The measurement. RefusedError with one sentence for anything that is not one."""
        if self._pointer is None and self._time_pointer is None:
            return Measured(self._value_of(self._plain(payload), ""))
        document = parse_json(payload)
        pointer = self._pointer or JsonPointer("")
        value = self._value_of(_at(document, pointer), f" at {shown(pointer.path)}")
        at = None if self._time_pointer is None else _time_at(document, self._time_pointer)
        return Measured(value, at)


class _Switch:
    """From what a switch says to 1.0 for on (wet, or a job done) and 0.0 for off (dry, or undone)."""

    def __init__(self, sensor: SensorSetting) -> None:
        self._words: Mapping[str, float] = _SWITCH_WORDS
        if sensor.on is not None and sensor.off is not None:
            self._words = {sensor.on: 1.0, sensor.off: 0.0}

    def __call__(self, found: Any, where: str) -> float:
        word = json.dumps(found) if isinstance(found, bool | int) else found
        if not isinstance(word, str) or word not in self._words:
            raise RefusedError(f"{_named(found)}{where} is none of {', '.join(map(shown, self._words))}.")
        return self._words[word]


class _Scale:
    """From the number a sensor shows to its value in the canonical unit."""

    def __init__(self, sensor: SensorSetting) -> None:
        self._low, self._high, self._unit = _RANGES[sensor.kind]
        self._given_unit = sensor.unit or ""
        self._given_low, self._given_high = _GIVEN_RANGES.get(self._given_unit, (-math.inf, math.inf))
        self._canonical = _conversion(sensor)

    def __call__(self, found: Any, where: str) -> float:
        if type(found) not in (int, float):  # a bool is an int to Python, but not a number to us
            raise RefusedError(f"{_named(found)}{where} is not a number.")
        number = float(found)
        if not self._given_low <= number <= self._given_high:
            limits = f"{self._given_low:g} to {self._given_high:g}"
            raise RefusedError(f"{number:.6g} {self._given_unit} is outside {limits}; check the unit.")
        value = self._canonical(number) + 0.0  # + 0.0 makes a plain zero of a negative one
        if not self._low <= value <= self._high:  # also what is not a number at all
            raise RefusedError(
                f"{number:.6g} {self._given_unit} is {value:.4g} {self._unit}, outside "
                f"{self._low:g} to {self._high:g}; check unit and calibration."
            )
        return value


def _conversion(sensor: SensorSetting) -> Callable[[float], float]:
    """The way from the number in the payload to the canonical unit."""
    if sensor.polynomial is not None:
        return _polynomial(sensor.polynomial)
    if sensor.calibration is not None:
        points = sorted(sensor.calibration)
        if any(raw == next_raw for (raw, _), (next_raw, _) in pairwise(points)):
            raise ValueError(f'Sensor "{sensor.id}": two raw readings of its calibration are equal.')
        return _through(points)
    if sensor.unit not in _CANONICAL:
        raise ValueError(f'Sensor "{sensor.id}": a {sensor.unit} number needs a calibration.')
    factor, offset = _CANONICAL[sensor.unit]
    return lambda number: number * factor + offset


def _through(points: Sequence[tuple[float, float]]) -> Callable[[float], float]:
    """Straight from point to point, in order of their raw readings, and straight on beyond the last."""
    inner = [raw for raw, _ in points[1:-1]]

    def value(number: float) -> float:
        segment = bisect(inner, number)
        (raw_1, value_1), (raw_2, value_2) = points[segment], points[segment + 1]
        return value_1 + (number - raw_1) * (value_2 - value_1) / (raw_2 - raw_1)

    return value


def _polynomial(coefficients: Sequence[float]) -> Callable[[float], float]:
    """c0 + c1 x + c2 x^2 and so on, by Horner's rule."""

    def value(number: float) -> float:
        total = 0.0
        for coefficient in reversed(coefficients):
            total = total * number + coefficient
        return total

    return value


def plain_number(payload: bytes) -> float:
    """The number of a payload that is nothing but a decimal number."""
    text = _text(payload)
    if not _PLAIN.fullmatch(text):
        raise RefusedError(f"{shown(text)} is not a plain decimal number.")
    return float(text)


def parse_json(payload: bytes) -> Any:
    """The document of a JSON payload, more strictly than Python reads it.

    Refused: more than 4 KiB, anything but UTF-8 without byte order mark, NaN and infinities, numbers of
    absurd length or exponent, the same key twice in an object, nesting deeper than the interpreter's stack.
    """
    text = _text(payload)
    try:
        return json.loads(
            text,
            parse_constant=_no_constant,
            parse_float=_json_number,
            parse_int=_json_integer,
            object_pairs_hook=_object,
        )
    except RefusedError:
        raise
    except RecursionError:
        raise RefusedError("The JSON is nested too deeply.") from None
    except ValueError as mistake:
        where = f" (character {mistake.pos + 1})" if isinstance(mistake, json.JSONDecodeError) else ""
        raise RefusedError(f"{shown(text)} is not valid JSON{where}.") from None


def shown(text: str) -> str:
    """Foreign text, fit for a log line: ASCII, quoted, control characters as escapes, at most 40 characters."""
    return ascii(text if len(text) <= 40 else text[:37] + "...")


def _text(payload: bytes) -> str:
    if len(payload) > PAYLOAD_MOST_BYTES:
        raise RefusedError(f"The payload is longer than {PAYLOAD_MOST_BYTES} bytes.")
    if not payload:
        raise RefusedError("The payload is empty.")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        raise RefusedError("The payload is not UTF-8 text.") from None


def _no_constant(name: str) -> float:
    raise RefusedError(f"{name} is not a number of JSON.")


def _checked(text: str) -> str:
    if not _JSON_NUMBER.fullmatch(text):
        raise RefusedError(f"The number {shown(text)} has too many digits or too wide an exponent.")
    return text


def _json_number(text: str) -> float:
    return float(_checked(text))


def _json_integer(text: str) -> int:
    return int(_checked(text))


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise RefusedError(f"The key {shown(key)} comes twice.")
        found[key] = value
    return found


def _pointer(pointer: str | None) -> JsonPointer | None:
    try:
        return None if pointer is None else JsonPointer(pointer)
    except JsonPointerException as mistake:
        raise ValueError(f"{shown(pointer or '')} is not a JSON pointer ({mistake}).") from mistake


def _at(document: Any, pointer: JsonPointer) -> Any:
    try:
        found = pointer.resolve(document)
    except JsonPointerException:
        raise RefusedError(f"There is nothing at {shown(pointer.path)} in the payload.") from None
    if isinstance(found, EndOfList):
        raise RefusedError(f"There is nothing at {shown(pointer.path)} in the payload.")
    return found


def _time_at(document: Any, pointer: JsonPointer) -> datetime:
    found = _at(document, pointer)
    if type(found) in (int, float):
        if not _EPOCH_FIRST <= found <= _EPOCH_LAST:
            where = shown(pointer.path)
            raise RefusedError(f"The time {found:.15g} at {where} is not in seconds since 1970.")
        return datetime.fromtimestamp(found, UTC)
    if isinstance(found, str) and _RFC_3339.fullmatch(found):
        try:
            return datetime.fromisoformat(found.upper()).astimezone(UTC)
        except (ValueError, OverflowError):  # 31 February, hour 25, or year 1 in the wrong zone
            pass
    where = shown(pointer.path)
    raise RefusedError(f"{_named(found)} at {where} is not a time (RFC 3339 with offset, or seconds).")


def _named(found: Any) -> str:
    """What was found instead, in few words."""
    match found:
        case None:
            return "null"
        case bool():
            return "true" if found else "false"
        case str():
            return f"The text {shown(found)}"
        case list():
            return "A list"
        case dict():
            return "An object"
        case _:
            return f"The number {found:.15g}"
