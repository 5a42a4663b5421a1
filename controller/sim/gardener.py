"""A simulated gardener, who does what Seepward asks for, mornings and evenings, and reports it.

Whom nobody simulates does nothing: then the plan shows what undone jobs cost.
"""

from collections.abc import Collection, Mapping, Sequence
from datetime import timedelta
from types import MappingProxyType
from typing import Protocol

from controller.core.events import Ask
from controller.core.job import Job
from controller.core.jobs import open_jobs
from controller.sim.world import World

AT_WORK = frozenset({7, 8, 18, 19, 20})
"""Hours of the clock in which there are hands."""

GROUPS: Mapping[str, Collection[str]] = MappingProxyType(
    {
        "shade": frozenset({"shade", "shade-off"}),
        "mulch": frozenset({"mulch", "mulch-back", "mulch-on"}),
        "pots": frozenset({"pots", "water-pots", "shade-off"}),
    }
)
"""What is asked of a gardener -> kinds of job that go with it."""


class Handled(Protocol):
    """What a garden offers to a gardener: a job done in a zone, with the litres that were poured, if any."""

    def handle(self, zone: str, job: str, litres: float = 0.0) -> None: ...


class Gardener:
    """Hands for some groups of jobs, to be called at every turn of a world, whose garden must be `Handled`."""

    def __init__(self, garden: Handled, groups: Sequence[str]) -> None:
        unknown = [group for group in groups if group not in GROUPS]
        if unknown:
            raise ValueError(f'no such hands: "{unknown[0]}"; there are {", ".join(GROUPS)}')
        self._garden = garden
        self._kinds = frozenset(kind for group in groups for kind in GROUPS[group])
        self._looked: tuple[object, int] | None = None
        self._done = 0

    def __call__(self, world: World) -> None:
        """Once an hour while there are hands: see to what is open, and report it."""
        local = world.clock.utc.astimezone(world.site.timezone)
        hour = (local.date(), local.hour)
        if local.hour not in AT_WORK or hour == self._looked or not self._kinds:
            return
        self._looked = hour
        now = world.clock.now().utc
        for job in open_jobs(world.site, world.loop.garden, now):
            if job.kind in self._kinds and job.due_from <= now + timedelta(hours=1):
                self._do(world, job)

    def _do(self, world: World, job: Job) -> None:
        for zone in job.zones:
            self._garden.handle(zone, job.kind, job.litres.get(zone, 0.0))
        self._done += 1
        world.loop.take(Ask(f"gardener-{self._done}", "job-done", job=job.id))
