"""Sensors speak exactly as the config says: their words are read back with the product's own decoder."""

import json
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from statistics import fmean, pstdev

import pytest

from controller.shells.payload import Decoder
from controller.sim.instruments import Instrument, SensorFault, Station, dying_probe, place

NOON = datetime(2026, 7, 13, 12, tzinfo=UTC)
STEP = timedelta(minutes=20)


@dataclass(frozen=True)
class Entry:
    id: str = "probe"
    kind: str = "soil moisture"
    zone: str | None = "salad"
    topic: str = "garden/salad"
    pointer: str | None = None
    unit: str | None = "m3/m3"
    calibration: Sequence[tuple[float, float]] | None = None
    polynomial: Sequence[float] | None = None
    on: str | None = None
    off: str | None = None
    time_pointer: str | None = None


def station(*entries: Entry, truth: Callable[[], float], quality: str = "exact", seed: int = 1,
            faults: Sequence[SensorFault] = ()) -> Station:
    return Station(entries[0].topic, [Instrument(e, seed, quality, truth, faults) for e in entries], seed)


@pytest.mark.parametrize(("entry", "truth", "payload"), [
    (Entry(), 0.1234, b"0.1234"),
    (Entry(unit="%"), 0.1234, b"12.34"),
    (Entry(unit="raw", calibration=[(2610.0, 0.05), (1730.0, 0.15)]), 0.10, b"2170.0"),
    (Entry(unit="raw", calibration=[(2600.0, 0.05), (1700.0, 0.15), (1400.0, 0.30)]), 0.225, b"1550.0"),
    (Entry(unit="kPa", calibration=[(-10.0, 0.3), (0.0, 0.3), (10.0, 0.2), (100.0, 0.1)]), 0.15, b"55.0"),
    (Entry(pointer="/soil/0/moisture", unit="%"), 0.1234, b'{"soil": {"0": {"moisture": 12.34}}}'),
    (Entry(pointer="/a~1b/m~0n"), 0.2, b'{"a/b": {"m~n": 0.2}}'),
    (Entry(pointer="/v", time_pointer="/time"), 0.2, b'{"v": 0.2, "time": "2026-07-13T12:00:00+00:00"}'),
    (Entry(kind="air temperature", zone=None, unit="°C"), 38.5, b"38.5"),
    (Entry(kind="air temperature", zone=None, unit="°F"), 40.0, b"104.0"),
    (Entry(kind="rain", zone=None, unit="mm"), 4.2, b"4.2"),
    (Entry(kind="rain", zone=None, unit="in"), 25.4, b"1.0"),
])
def test_words_are_those_of_the_config(entry: Entry, truth: float, payload: bytes) -> None:
    assert station(entry, truth=lambda: truth).speak(NOON, 25.0) == [("garden/salad", payload)]
    measured = Decoder(entry).read(payload)
    assert measured.value == pytest.approx(truth)
    assert measured.at == (NOON if entry.time_pointer else None)


def test_sensors_of_one_topic_share_a_message() -> None:
    one, two = Entry("one", pointer="/citrus/moisture"), Entry("two", pointer="/pots/moisture", unit="%")
    [(topic, payload)] = station(one, two, truth=lambda: 0.2).speak(NOON, 25.0)
    assert topic == "garden/salad"
    assert json.loads(payload) == {"citrus": {"moisture": 0.2}, "pots": {"moisture": 20.0}}


def test_place_keeps_what_is_there() -> None:
    document = {"a": {"b": 1}}
    place(document, "/a/c", 2)
    assert document == {"a": {"b": 1, "c": 2}}


def readings(quality: str, seed: int, *, truth: float = 0.15, count: int = 300, highest_c: float = 25.0,
             faults: Sequence[SensorFault] = ()) -> dict[datetime, float]:
    one = station(Entry(), truth=lambda: truth, quality=quality, seed=seed, faults=faults)
    spoken = {NOON + i * STEP: one.speak(NOON + i * STEP, highest_c) for i in range(count)}
    return {at: float(messages[0][1]) for at, messages in spoken.items() if messages}


@pytest.mark.parametrize(("quality", "bias", "noise", "missing"), [
    ("good", 0.010, 0.004, 0.02), ("cheap", 0.025, 0.008, 0.05)])
def test_probes_are_as_wrong_as_they_are_meant_to_be(quality: str, bias: float, noise: float,
                                                     missing: float) -> None:
    runs = [readings(quality, seed) for seed in range(120)]
    means = [fmean(run.values()) for run in runs if len(run) > 50]
    gain = {"good": 0.03, "cheap": 0.08}[quality] * 0.15
    assert pstdev(means) == pytest.approx((bias**2 + gain**2) ** 0.5, rel=0.25)
    assert fmean(pstdev(run.values()) for run in runs if len(run) > 50) == pytest.approx(noise, rel=0.15)
    spoken = [len(run) for run in runs if len(run) > 250]      # those without a silent spell
    assert 1.0 - fmean(spoken) / 300 == pytest.approx(missing, abs=0.015)


def test_cheap_probes_read_wetter_in_the_heat() -> None:
    cool, hot = readings("cheap", 4), readings("cheap", 4, highest_c=42.0)
    assert fmean(hot.values()) - fmean(cool.values()) == pytest.approx(17 * 0.0006, abs=1e-3)


def test_cheap_probes_fall_silent_for_days_and_good_ones_do_not() -> None:
    longest: dict[str, list[timedelta]] = defaultdict(list)
    for quality in ("good", "cheap"):
        for seed in range(40):
            times = sorted(readings(quality, seed, count=72 * 30))
            longest[quality].append(max(b - a for a, b in pairwise(times)))
    assert max(longest["good"]) < timedelta(hours=6)
    assert 3 < sum(gap > timedelta(hours=12) for gap in longest["cheap"]) < 25     # about one in four a month


def test_a_dying_probe_freezes_and_then_falls_silent() -> None:
    begins = NOON + timedelta(hours=10)
    run = readings("good", 2, faults=dying_probe("probe", begins, frozen_h=8.0))
    before = [value for at, value in run.items() if at < begins]
    frozen = [value for at, value in run.items() if begins <= at]
    assert len(set(before)) > 3
    assert set(frozen) == {before[-1]}
    assert timedelta(hours=7) < max(run) - begins < timedelta(hours=8)


@pytest.mark.parametrize(("kind", "reads"), [("floods", 0.55), ("falls", 0.0)])
def test_a_broken_probe_reads_its_end_until_mended(kind: str, reads: float) -> None:
    fault = SensorFault("probe", kind, NOON, NOON + timedelta(hours=5))   # type: ignore[arg-type]
    run = readings("exact", 2, faults=[fault])
    assert {value for at, value in run.items() if at < NOON + timedelta(hours=5)} == {reads}
    assert {value for at, value in run.items() if at >= NOON + timedelta(hours=5)} == {0.15}


def test_a_tipping_bucket_loses_no_rain() -> None:
    entry = Entry(kind="rain", zone=None, unit="mm")
    gauge = station(entry, truth=lambda: 0.07, quality="good", seed=3)
    said = [float(payload) for i in range(600) for _, payload in gauge.speak(NOON + i * STEP, 25.0)]
    assert set(said) == {0.0, 0.2}
    assert sum(said) == pytest.approx(600 * 0.07, rel=0.2)      # gain of this one gauge
