"""A probe that lies must neither drown nor starve a bed: simulated beds beside the same ones with an honest probe.

The demo's garden cut to one zone; its probe tells the truth until the lie is laid over what it says. What is asserted
are bounds that a gardener would accept; what was measured is printed.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from typing import Any

import pytest

from controller.core.forecast import Forecast
from controller.core.moment import local_midnight
from controller.settings import load
from controller.shells.journal import Journal
from controller.sim.plot import Plot
from controller.sim.world import VirtualClock, World
from tests.core.gardens import LISBON
from tests.sim.plots import DEMO

BEGIN = local_midnight(date(2026, 7, 1), LISBON)
DAY = timedelta(days=1)
STEP_AT = BEGIN + 8 * DAY

Lie = Callable[[datetime], float]
"""Instant -> by how much the probe reads too high, m3/m3."""

LIES: dict[str, Lie] = {
    "honest": lambda at: 0.0,
    "wet": lambda at: 0.08 if at >= STEP_AT else 0.0,
    "dry": lambda at: -0.08 if at >= STEP_AT else 0.0,
    "ever wetter": lambda at: 0.01 * ((at - BEGIN) / DAY) / 7.0,
    "ever drier": lambda at: -0.01 * ((at - BEGIN) / DAY) / 7.0,
}


class Liar:
    """A simulated garden whose moisture probe says something else than it measured."""

    def __init__(self, plot: Plot, lie: Lie) -> None:
        self._plot, self._lie = plot, lie

    def advance(self, until: datetime, litres: dict[str, float]) -> None:
        self._plot.advance(until, litres)

    def forecast(self, now: datetime) -> Forecast:
        return self._plot.forecast(now)

    def summary(self) -> dict[str, Any]:
        return self._plot.summary()

    def messages(self) -> list[tuple[str, bytes]]:
        assert self._plot.now is not None
        by = self._lie(self._plot.now)
        return [(topic, self._said(topic, payload, by)) for topic, payload in self._plot.messages()]

    @staticmethod
    def _said(topic: str, payload: bytes, by: float) -> bytes:
        """The seedlings' probe speaks JSON in percent, the zucchini's a plain number."""
        document = json.loads(payload)
        if topic == "garden/salad":
            document["soil"]["0"]["moisture"] = max(0.0, document["soil"]["0"]["moisture"] + 100.0 * by)
        elif topic == "garden/zucchini/moisture":
            document = max(0.0, document + by)
        return json.dumps(document).encode()


@dataclass(frozen=True)
class Outcome:
    stress_days: int
    drainage_mm: float
    depth_mm: float


@cache
def lived(zone: str, seed: int, days: int, lie: str) -> Outcome:
    """One zone of the demo's garden from the first of July on."""
    whole = load(DEMO)
    settings = whole.model_copy(
        update={
            "zone": [each for each in whole.zone if each.id == zone],
            "sensor": [each for each in whole.sensor if each.zone in (zone, None)],
        }
    )
    journal = Journal(":memory:")
    garden = Liar(Plot(settings, seed, start=BEGIN), LIES[lie])
    world = World(settings, garden, journal, VirtualClock(BEGIN))
    world.begin()
    world.run(BEGIN + days * DAY)
    world.end()
    journal.close()
    account = garden.summary()["zones"][zone]
    outcome = Outcome(account["stress_days"], account["drainage_mm"], account["depth_mm"])
    print(f"{zone}, seed {seed}, {days} days, {lie}: {outcome}")
    return outcome


BELIEVED_TOO_SOON = pytest.mark.xfail(
    reason="a step that stays is believed after six hours: 5 days of stress in ten, where an honest probe has none",
    strict=True,
)


@pytest.mark.parametrize(
    ("zone", "seed", "lie"),
    [
        ("salad", 2, "wet"),
        ("salad", 2, "dry"),
        pytest.param("zucchini", 1, "wet", marks=BELIEVED_TOO_SOON),
        ("zucchini", 1, "dry"),
    ],
)
def test_a_probe_that_is_suddenly_wrong_by_more_than_the_soil_can_hold_neither_drowns_nor_starves(
    zone: str, seed: int, lie: str
) -> None:
    """0.08 m3/m3 for the last ten of eighteen days; loamy sand holds 0.085 between field capacity and wilting point.

    At most one day of stress more, and at most two fifths more water than with an honest probe.
    """
    honest, liar = lived(zone, seed, 18, "honest"), lived(zone, seed, 18, lie)
    assert liar.stress_days <= honest.stress_days + 1
    assert liar.depth_mm <= 1.4 * honest.depth_mm
    assert liar.drainage_mm <= honest.drainage_mm + 60.0


@pytest.mark.long
@pytest.mark.parametrize("lie", ["ever wetter", "ever drier"])
def test_a_probe_that_drifts_by_a_hundredth_a_week_neither_drowns_nor_starves(lie: str) -> None:
    honest, liar = lived("zucchini", 1, 24, "honest"), lived("zucchini", 1, 24, lie)
    assert liar.stress_days <= honest.stress_days + 1
    assert liar.depth_mm <= 1.3 * honest.depth_mm
    assert liar.drainage_mm <= honest.drainage_mm + 60.0
