"""`seepward simulate`: dates, seed and garden in; what was given, what it cost and what was broken out."""

import importlib
import random
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any, Literal

from controller.core.moment import local_midnight
from controller.settings import Settings
from controller.shells.journal import Journal
from controller.sim.instruments import SensorFault
from controller.sim.plot import Plot
from controller.sim.watch import openings as line_openings
from controller.sim.watch import violations
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
    faults: str = "none",
) -> dict[str, Any]:
    """Live from the first day to the end of the last. The result as the project's interface describes it."""
    if last < first or (last - first).days > LARGEST_DAYS:
        raise SimulationError(f"from {first} to {last}: give a first day, and a last one up to ten years after it")
    site = settings.build()
    start = local_midnight(first, site.timezone)
    end = local_midnight(last + timedelta(days=1), site.timezone)
    injected = drawn_faults(settings, start, end, seed) if faults == "default" else ()
    plot: SimulatedGarden = (
        Plot(settings, seed, start=start, faults=injected) if garden is None else garden_class(garden)(settings, seed)
    )
    store = Journal(journal)
    world = World(settings, plot, store, VirtualClock(start))
    world.begin()
    world.run(end)
    world.end()
    result = account(world, first, last, seed, start)
    noticed = {note.facts.get("fault") for note in world.outlet.notes if note.kind == "fault"}
    result["faults"] = {
        "injected": len(injected),
        "noticed": sum(f"sensor-{fault.sensor}" in noticed for fault in injected),
    }
    store.close()
    return result


def drawn_faults(settings: Settings, start: datetime, end: datetime, seed: int) -> tuple[SensorFault, ...]:
    """The faults of `--faults default`: about one probe in three freezes or falls silent for some days."""
    draw = random.Random(f"faults {seed}")
    kinds: tuple[Literal["frozen", "silent"], ...] = ("frozen", "silent")
    found = []
    for sensor in settings.sensor:
        if sensor.zone is not None and draw.random() < 1 / 3:
            begin = start + (end - start) * draw.uniform(0.1, 0.7)
            length = timedelta(days=draw.uniform(1.5, 5.0))
            found.append(SensorFault(sensor.id, draw.choice(kinds), begin, min(end, begin + length)))
    return tuple(found)


def account(world: World, first: date, last: date, seed: int, start: datetime) -> dict[str, Any]:
    """What came of it, by zone and in all."""
    summary = world.garden.summary()
    end_s = world.clock.mono_s
    given = world.journal.given(start, datetime.combine(last, time(), UTC) + timedelta(days=3))
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
        "violations": violations(world.guard.diary, world.settings.charge(), end_s),
        "garden": summary,
    }
