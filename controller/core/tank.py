"""What a tank holds, as far as it is known, and whether it can bear some draws.

A tank fills slowly: from a well, a spring or a pump of its own. It has what a level sensor says, and between two
readings, or without one, what it had, less what was given, plus the inflow; never more than it takes. A plan counts on
no rain. Below its least level nothing is drawn, so that its pump does not run dry.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import inf

from controller.core.frozen import replace
from controller.core.garden import Garden, TankLevel
from controller.core.site import Site, Tank

Draw = tuple[float, float, float]
"""Water that is drawn: (from, until, litres per minute), in seconds."""
GRACE_L = 0.5
"""Pulses are laid in whole seconds, and a valve is some tenths of a second late."""


@dataclass(frozen=True, slots=True)
class Store:
    """What a tank holds at an instant, nought on the clock of a schedule; litres."""

    tank: Tank
    litres: float
    as_of: datetime

    def short_l(self, draws: Iterable[Draw]) -> float:
        """By how much these draws, from nought on, would take it below its least level at the worst; 0 if it bears
        them."""
        worst_l = max((self.tank.kept_l - litres for litres in self._course(draws)), default=0.0)
        return worst_l if worst_l > GRACE_L else 0.0

    def after(self, draws: Iterable[Draw], seconds: float) -> "Store":
        """The same so much later, in which these draws were made."""
        until = [(begin, min(end, seconds), flow) for begin, end, flow in draws if begin < seconds]
        *_, litres = self.litres, *self._course([*until, (seconds, seconds, 0.0)])
        return replace(self, litres=litres, as_of=self.as_of + timedelta(seconds=seconds))

    def _course(self, draws: Iterable[Draw]) -> Iterator[float]:
        """What it holds whenever a draw begins or ends."""
        known, litres = list(draws), self.litres
        turns = {0.0, *(at for first, last, _ in known for at in (first, last) if at > 0.0)}
        for begin, end in pairwise(sorted(turns)):
            out_l_min = sum(flow for first, last, flow in known if first <= begin < last)
            litres += (end - begin) / 60.0 * (self.tank.inflow_l_h / 60.0 - out_l_min)
            litres = min(litres, self.tank.capacity_l)
            yield litres

    def wait_s(self, short_l: float) -> float:
        """How long so much takes to flow in; infinite where nothing does."""
        return short_l / self.tank.inflow_l_h * 3600.0 if self.tank.inflow_l_h > 0.0 else inf


def levels_at(site: Site, garden: Garden, now: datetime) -> Garden:
    """The garden with the level of every tank as it is at `now`."""
    tanks = {
        supply.id: _at(supply.tank, garden.tanks.get(supply.id), now)
        for supply in site.supplies
        if supply.tank is not None
    }
    return replace(garden, tanks=tanks)


def with_drawn(garden: Garden, supply: str, litres: float) -> Garden:
    """The garden after so much has been drawn from a supply; one without a tank knows no level."""
    level = garden.tanks.get(supply)
    if level is None:
        return garden
    return replace(garden, tanks={**garden.tanks, supply: replace(level, litres=max(0.0, level.litres - litres))})


def with_reading(garden: Garden, supply: str, litres: float, at: datetime) -> Garden:
    """The garden with a level as a sensor has it."""
    return replace(garden, tanks={**garden.tanks, supply: TankLevel(max(0.0, litres), at)})


def stores_of(site: Site, garden: Garden, now: datetime) -> dict[str, Store]:
    """Every tank as it is now, by its supply, less what running pulses have drawn of it that is not counted yet."""
    running = [pulse for watering in garden.plan.waterings for pulse in watering.pulses if pulse.running]
    stores: dict[str, Store] = {}
    for supply in site.supplies:
        if supply.tank is None:
            continue
        mine = [pulse for pulse in running if site.zone(pulse.zone).supply == supply.id]
        out_l = sum(p.litres * min(1.0, max(0.0, (now - p.start) / (p.end - p.start))) for p in mine)
        level = _at(supply.tank, garden.tanks.get(supply.id), now)
        stores[supply.id] = Store(supply.tank, max(0.0, level.litres - out_l), now)
    return stores


def _at(tank: Tank, level: TankLevel | None, now: datetime) -> TankLevel:
    """The level lived on to `now`. Of one that nobody has seen: full, or what the config says of its beginning."""
    if level is None:
        return TankLevel(tank.capacity_l if tank.start_l is None else tank.start_l, now)
    hours = max(0.0, (now - level.as_of).total_seconds() / 3600.0)
    return TankLevel(min(tank.capacity_l, level.litres + hours * tank.inflow_l_h), now)
