"""`seepward simulate`: dates, seed and garden in; what was given, what it cost and what was broken out."""

import importlib
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from controller.core.moment import local_midnight
from controller.settings import Settings
from controller.shells.journal import Given, Journal
from controller.sim.faults import Fault, as_rows, count_by_kind, draw, instant, shrink
from controller.sim.gardener import Gardener
from controller.sim.harsh import HarshClock, HarshWorld
from controller.sim.instruments import SensorFault
from controller.sim.plot import Plot
from controller.sim.watch import Broken, broken, violations
from controller.sim.watch import openings as line_openings
from controller.sim.world import SimulatedGarden, VirtualClock, World, summary_of

LARGEST_DAYS = 3700


class SimulationError(ValueError):
    """The simulation cannot be run as asked; one sentence."""


def garden_class(name: str) -> Callable[[Settings, int], SimulatedGarden]:
    """The class that "module:Class" names. SimulationError in one sentence if there is none."""
    module_name, _, class_name = name.partition(":")
    if not module_name or not class_name:
        raise SimulationError(f'--garden "{name}": write it as module:Class')
    try:
        found = getattr(importlib.import_module(module_name), class_name)
    except (ImportError, AttributeError) as error:
        raise SimulationError(f'--garden "{name}" cannot be loaded: {error}') from None
    return found  # type: ignore[no-any-return]


def simulate(
    settings: Settings,
    first: date,
    last: date,
    *,
    seed: int = 1,
    garden: str | None = None,
    journal: Path | str = ":memory:",
    faults: str | Sequence[Fault] = "none",
    hands: Sequence[str] = (),
) -> dict[str, Any]:
    """Live from the first day to the end of the last. The result as the project's interface describes it.

    faults: "none", "default" (drawn by the seed) or a list of them. hands: for which groups of jobs there is a
    gardener, see `gardener.GROUPS`.
    """
    if last < first or (last - first).days > LARGEST_DAYS:
        raise SimulationError(f"from {first} to {last}: give a first day, and a last one up to ten years after it")
    if faults != "none":
        if hands:
            raise SimulationError("a garden with faults has no gardener yet: leave --hands or --faults out")
        span = Span(settings, first, last, seed, garden, journal)
        return with_faults(span, drawn(span) if isinstance(faults, str) else tuple(faults))
    start, end = _ends(settings, first, last)
    store = Journal(journal)
    plot = _plot(settings, seed, start, garden)
    world = World(settings, plot, store, VirtualClock(start))
    if hands:
        world.watch = _gardener(plot, hands)
    world.begin()
    world.run(end)
    world.end()
    given = store.given(start, datetime.combine(last, time(), UTC) + timedelta(days=3))
    result = account(world, given, first, last, seed)
    result["violations"] = violations(world.guard.diary, world.settings.charge(), world.clock.true_s)
    store.close()
    return result


def _gardener(garden: Any, hands: Sequence[str]) -> Gardener:
    if not hasattr(garden, "handle"):
        raise SimulationError("--hands: this garden knows no gardener (it has no method handle)")
    try:
        return Gardener(garden, hands)
    except ValueError as error:
        raise SimulationError(f"--hands: {error}") from None


def _ends(settings: Settings, first: date, last: date) -> tuple[datetime, datetime]:
    zone = settings.build().timezone
    return local_midnight(first, zone), local_midnight(last + timedelta(days=1), zone)


def _plot(
    settings: Settings, seed: int, start: datetime, garden: str | None, faults: Sequence[SensorFault] = ()
) -> SimulatedGarden:
    if garden is not None:
        return garden_class(garden)(settings, seed)
    return Plot(settings, seed, start=start, faults=faults)


def account(world: World, given: Sequence[Given], first: date, last: date, seed: int) -> dict[str, Any]:
    """What came of it, by zone and in all."""
    summary = world.garden.summary()
    end_s = world.clock.true_s
    zones: dict[str, Any] = {}
    for zone in world.site.zones:
        spans = line_openings(world.guard.diary, zone.id, end_s)
        mine = [opening for opening in given if opening.zone == zone.id]
        theirs = summary_of(zone.id, summary)
        litres = world.litres[zone.id]
        zones[zone.id] = {
            "litres": round(litres, 2),
            "depth_mm": round(litres / zone.area_m2, 2),
            "waterings": len({opening.watering for opening in mine}),
            "pulses": len(spans),
            "open_minutes": round(sum(b - a for a, b in spans) / 60.0, 1),
            "stress_days": theirs.get("stress_days"),
            "drainage_mm": theirs.get("drainage_mm"),
            "runoff_mm": theirs.get("runoff_mm"),
        }
    return {
        "from": first.isoformat(),
        "to": last.isoformat(),
        "seed": seed,
        "zones": zones,
        "site": {"litres": round(sum(world.litres.values()), 2)},
        "faults": {"injected": 0, "noticed": 0},
        "violations": [],
        "garden": summary,
    }


# With faults ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Span:
    """What is lived through. often: a factor on how many faults are drawn."""

    settings: Settings
    first: date
    last: date
    seed: int
    garden: str | None = None
    journal: Path | str = ":memory:"
    often: float = 1.0

    @property
    def ends(self) -> tuple[datetime, datetime]:
        return _ends(self.settings, self.first, self.last)


SHRINK_TRIES = 60
ONLY_AT_THE_END = ("well_again", "asks_act_once", "litres_in_the_journal")
SENSOR_FAULTS = {
    "probe stuck": "frozen", "probe silent": "silent", "probe floods": "floods", "probe falls": "falls",
    "probe drifts": "drifts", "probe scaled": "scaled", "probe swapped": "swapped",
    "probe reversed": "reversed",
}


def drawn(span: Span) -> tuple[Fault, ...]:
    """The faults that the seed draws for a span."""
    start, end = span.ends
    zones = [zone.id for zone in span.settings.zone]
    probes = [sensor.id for sensor in span.settings.sensor if sensor.kind == "soil moisture"]
    hours, metered = (end - start).total_seconds() / 3600.0, span.settings.charge().meter is not None
    return draw(span.seed, hours, zones, probes, span.often, metered=metered)


def with_faults(span: Span, faults: tuple[Fault, ...], *, shrinks: bool = True) -> dict[str, Any]:
    """Live through the span with faults; of what breaks, the last events before it and the fewest faults that do it."""
    world, found = lived(span, faults)
    result = account(world, world.rows, span.first, span.last, span.seed)
    result["faults"] = {
        "injected": len(faults),
        "noticed": _noticed(world, faults),
        "kinds": {kind: count for kind, count in count_by_kind(faults).items() if count},
    }
    result["digest"] = world.chronicle.digest
    result["violations"] = [_said(world, each, span.seed) for each in found]
    if found:
        first = found[0]
        fewest = _fewest(span, faults, first) if shrinks else faults
        result["shrunk"] = as_rows(fewest)
        before = _just_after(span, first) if first.rule not in ONLY_AT_THE_END else None
        result["last_events"] = list(lived(span, fewest, before)[0].chronicle.lines)
    return result


def lived(span: Span, faults: tuple[Fault, ...], until: datetime | None = None) -> tuple[HarshWorld, list[Broken]]:
    """One life with faults, and what was broken in it."""
    start, end = span.ends
    with tempfile.TemporaryDirectory(prefix="seepward-", dir=_fast_directory()) as directory:
        path = Path(directory, "journal.sqlite") if span.journal == ":memory:" else Path(span.journal)
        plot = _plot(span.settings, span.seed, start, span.garden, _sensor_faults(faults, start))
        world = HarshWorld(span.settings, plot, Journal(path), HarshClock(start), faults=faults, seed=span.seed)
        world.begin()
        world.run(until or end)
        world.end()
        found = broken(world.history(world.ill() if until is None else []))
        world.journal.close()
    return world, found


def _fast_directory() -> str | None:
    """Memory, where there is a place for it: the disk's own speed is not what is tried here."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _sensor_faults(faults: Sequence[Fault], start: datetime) -> list[SensorFault]:
    return [
        SensorFault(f.where, SENSOR_FAULTS[f.kind], instant(start, f.at_h), instant(start, f.ends_h), f.size or 1.0)  # type: ignore[arg-type]
        for f in faults
        if f.kind in SENSOR_FAULTS
    ]


def _noticed(world: HarshWorld, faults: Sequence[Fault]) -> int:
    """How many of the faults of probes were told of."""
    said = {note.facts.get("fault") for note in world.chronicle.notes if note.kind == "fault"}
    return sum(fault.kind in SENSOR_FAULTS and f"sensor-{fault.where}" in said for fault in faults)


def _said(world: HarshWorld, each: Broken, seed: int) -> str:
    at = world.start + timedelta(seconds=each.at_s - world.diary[0].at_s)
    return f"{each.said} ({each.rule}, {at:%Y-%m-%d %H:%M:%S} UTC, seed {seed})"


def _just_after(span: Span, first: Broken) -> datetime:
    start, end = span.ends
    return min(end, start + timedelta(seconds=first.at_s - HarshClock(start).true_s + 60.0))


def _fewest(span: Span, faults: tuple[Fault, ...], first: Broken) -> tuple[Fault, ...]:
    """The fewest faults that break the same property; what only the end shows needs the whole span."""
    until = None if first.rule in ONLY_AT_THE_END else _just_after(span, first)

    def breaks(fewer: Sequence[Fault]) -> bool:
        return any(each.rule == first.rule for each in lived(span, tuple(fewer), until)[1])

    before = [fault for fault in faults if until is None or instant(span.ends[0], fault.at_h) <= until]
    return shrink(before, breaks, SHRINK_TRIES) if breaks(before) else faults
