"""The sensors of a simulated garden, as wrong as real ones, speaking exactly as the config says they do.

A reading is the truth, then gain, bias, warmth and noise; then the unit, the calibration backwards, and its
place in the payload. Sensors that share a topic speak in one message.
"""

import json
import math
from bisect import bisect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal, Protocol

from controller.sim.dice import ONE_DAY, dice


class SensorEntry(Protocol):
    """What this needs of an entry of the config's `sensor` list."""

    @property
    def id(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def zone(self) -> str | None: ...
    @property
    def topic(self) -> str | None: ...
    @property
    def pointer(self) -> str | None: ...
    @property
    def unit(self) -> str | None: ...
    @property
    def calibration(self) -> Sequence[Sequence[float]] | None: ...
    @property
    def time_pointer(self) -> str | None: ...


@dataclass(frozen=True, slots=True)
class Wrong:
    """How wrong the sensors of one kind are: standard deviations unless said otherwise.

    bias: in the canonical unit, for good. gain: of a factor, for good. noise: of each reading.
    resolution: smallest step. warmth_1_k: per kelvin of the day's highest temperature over 25 degC.
    missing: share of messages that never arrive. silent: chance per day of a silent spell, of 3 days on average.
    """

    bias: float = 0.0
    gain: float = 0.0
    noise: float = 0.0
    resolution: float = 0.0
    warmth_1_k: float = 0.0
    missing: float = 0.0
    silent: float = 0.0


WRONG: Mapping[str, Mapping[str, Wrong]] = {
    # Chosen for this simulator after makers' data sheets and growers' reports (from memory).
    "exact": {"soil moisture": Wrong(), "air temperature": Wrong(), "rain": Wrong()},
    "good": {
        "soil moisture": Wrong(0.010, 0.03, 0.004, 0.001, 0.0003, 0.02),
        "air temperature": Wrong(0.2, 0.0, 0.1, 0.1, missing=0.02),
        "rain": Wrong(gain=0.05, resolution=0.2, missing=0.0),
    },
    "cheap": {
        "soil moisture": Wrong(0.025, 0.08, 0.008, 0.001, 0.0006, 0.05, 0.01),
        "air temperature": Wrong(0.6, 0.0, 0.3, 0.1, missing=0.05, silent=0.01),
        "rain": Wrong(gain=0.10, resolution=0.2, missing=0.02, silent=0.01),
    },
}


@dataclass(frozen=True, slots=True)
class SensorFault:
    """A sensor misbehaves from `begins` to `ends` (None: for good).

    frozen: it repeats its last word. silent: it says nothing. floods: it reads its highest, as a probe with a wet
    plug does. falls: it reads its lowest, as a probe pulled out of the ground does. drifts: it moves by `size` of the
    canonical unit a week. scaled: it says `size` times the number, as after a change of unit. swapped: it stands where
    another of its kind should stand. reversed: it falls as the truth rises, its calibration being the wrong way round:
    both together are `size`.
    """

    sensor: str
    kind: Literal["frozen", "silent", "floods", "falls", "drifts", "scaled", "swapped", "reversed"]
    begins: datetime
    ends: datetime | None = None
    size: float = 1.0

    def holds(self, at: datetime) -> bool:
        return self.begins <= at and (self.ends is None or at < self.ends)


def dying_probe(sensor: str, begins: datetime, frozen_h: float = 8.0) -> tuple[SensorFault, ...]:
    """The end of a probe: it freezes on its last value for some hours, then falls silent for good."""
    ends = begins + timedelta(hours=frozen_h)
    return SensorFault(sensor, "frozen", begins, ends), SensorFault(sensor, "silent", ends)


EXTREMES = {  # what a sensor reads when it falls and when it floods, in the canonical unit
    "soil moisture": (0.0, 0.55), "air temperature": (-40.0, 85.0), "rain": (0.0, 20.0),
}


class Instrument:
    """One sensor. `truth` gives the canonical figure at the moment of reading; of rain, that since the last."""

    def __init__(self, entry: SensorEntry, seed: int, quality: str, truth: Callable[[], float],
                 faults: Sequence[SensorFault] = (), elsewhere: Callable[[], float] | None = None) -> None:
        self.entry = entry
        self._seed = seed
        self.missing = WRONG[quality][entry.kind].missing
        self._wrong = WRONG[quality][entry.kind]
        self._truth = truth
        self._elsewhere = elsewhere or truth
        self._faults = [fault for fault in faults if fault.sensor == entry.id]
        self._noise = dice(seed, "sensor", entry.id)
        self._bias = self._noise.gauss(0.0, 1.0) * self._wrong.bias
        self._gain = max(0.5, 1.0 + self._noise.gauss(0.0, 1.0) * self._wrong.gain)
        self._last: float | None = None
        self._unsaid = 0.0
        self._silent_until: datetime | None = None
        self._silence_drawn: datetime | None = None

    def read(self, at: datetime, highest_c: float) -> float | None:
        """The number it publishes now; None if nothing comes. highest_c: the day's highest temperature."""
        true_value = self._truth()
        noise = self._noise.gauss(0.0, 1.0)
        fault = next((fault for fault in self._faults if fault.holds(at)), None)
        kind = fault.kind if fault is not None else None
        if kind == "silent" or self._in_silent_spell(at):
            return None
        if kind == "frozen" and self._last is not None:
            return self._last
        if kind in ("falls", "floods"):
            self._last = self._spoken(EXTREMES[self.entry.kind][kind == "floods"])
        else:
            measured = self._measured(self._elsewhere() if kind == "swapped" else true_value, noise, highest_c)
            self._last = self._spoken(max(0.0, fault.size - measured) if fault and kind == "reversed" else measured)
        if fault is not None and kind in ("drifts", "scaled"):
            self._last = self._astray(self._last, fault, at)
        return self._last

    def _astray(self, number: float, fault: SensorFault, at: datetime) -> float:
        """The number that a drifting sensor shows, or one whose unit has changed."""
        if fault.kind == "scaled":
            return round(number * fault.size, 3)
        drift = fault.size * (at - fault.begins) / (7 * ONE_DAY)
        return round(number + self._spoken(0.1 + drift) - self._spoken(0.1), 4)

    def _measured(self, true_value: float, noise: float, highest_c: float) -> float:
        wrong = self._wrong
        value = true_value * self._gain + self._bias + noise * wrong.noise
        value += wrong.warmth_1_k * max(0.0, highest_c - 25.0)
        if self.entry.kind == "rain":
            return self._tipped(value)
        if wrong.resolution:
            value = round(value / wrong.resolution) * wrong.resolution
        return max(0.0, value) if self.entry.kind == "soil moisture" else value

    def _tipped(self, value: float) -> float:
        """A tipping bucket keeps what does not fill it for the next reading."""
        self._unsaid += value
        step = self._wrong.resolution
        said = math.floor(self._unsaid / step + 1e-9) * step if step else self._unsaid
        self._unsaid -= said
        return said

    def _spoken(self, value: float) -> float:
        """From the canonical unit to the number that the config lets us expect."""
        return round(number_from(self.entry, value), _decimals(self.entry))

    def _in_silent_spell(self, at: datetime) -> bool:
        if self._wrong.silent and (self._silence_drawn is None or at.date() != self._silence_drawn.date()):
            self._silence_drawn = at
            chance = dice(self._seed, "silence", self.entry.id, at.date())
            if chance.random() < self._wrong.silent:
                self._silent_until = at + chance.expovariate(1.0 / 3.0) * ONE_DAY
        return self._silent_until is not None and at < self._silent_until


def number_from(entry: SensorEntry, value: float) -> float:
    """The number a sensor shows for a canonical value (m3/m3, degC, mm): calibration or unit, backwards."""
    if entry.calibration:
        points = sorted({value: raw for raw, value in entry.calibration}.items())
        segment = bisect([each for each, _ in points[1:-1]], value)
        (value_1, raw_1), (value_2, raw_2) = points[segment], points[segment + 1]
        return raw_1 + (value - value_1) * (raw_2 - raw_1) / (value_2 - value_1)
    return UNITS[entry.unit or ""](value)


UNITS: Mapping[str, Callable[[float], float]] = {
    "m3/m3": lambda value: value,
    "%": lambda value: 100.0 * value,
    "°C": lambda value: value,
    "°F": lambda value: 32.0 + 1.8 * value,
    "mm": lambda value: value,
    "in": lambda value: value / 25.4,
}

CANONICAL_STEP = {"soil moisture": 0.0005, "air temperature": 0.05, "rain": 0.01}


def _decimals(entry: SensorEntry) -> int:
    """Places after the point, so that rounding stays finer than the sensor; none for a raw converter."""
    step = abs(number_from(entry, CANONICAL_STEP[entry.kind]) - number_from(entry, 0.0))
    return max(0, math.ceil(-math.log10(step)))


class Station:
    """The sensors of one topic, which speak together every 15, 20 or 30 minutes."""

    def __init__(self, topic: str, instruments: Sequence[Instrument], seed: int) -> None:
        self._chance = dice(seed, "station", topic)
        self.topic = topic
        self.instruments = tuple(instruments)
        self.every = timedelta(minutes=self._chance.choice((15, 20, 30)))
        self.offset = timedelta(seconds=self._chance.randrange(1, int(self.every.total_seconds())))
        self._missing = max(instrument.missing for instrument in instruments)

    def speak(self, at: datetime, highest_c: float) -> list[tuple[str, bytes]]:
        """The messages of one moment: one JSON document, or a plain number per sensor without a pointer.

        Lost on the air now and then, as a whole; a rain gauge then says it all the next time.
        """
        if self._chance.random() < self._missing:
            return []
        messages: list[tuple[str, bytes]] = []
        document: dict[str, Any] = {}
        for instrument in self.instruments:
            number = instrument.read(at, highest_c)
            if number is None:
                continue
            if instrument.entry.pointer is None:
                messages.append((self.topic, json.dumps(number).encode()))
                continue
            place(document, instrument.entry.pointer, number)
            if instrument.entry.time_pointer is not None:
                place(document, instrument.entry.time_pointer, at.isoformat(timespec="seconds"))
        if document:
            messages.append((self.topic, json.dumps(document).encode()))
        return messages


def place(document: dict[str, Any], pointer: str, value: object) -> None:
    """Put a value where an RFC 6901 pointer will find it; objects are made on the way."""
    *way, last = [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]
    for token in way:
        document = document.setdefault(token, {})
    document[last] = value
