"""What hands save in a hot spell: shade, mulch and moved pots, litres and stress days, each alone and all together.

Two weeks of the real core in the built-in simulated garden, whose physics is its own: six days of 38 to 41 degC between
days of 31 to 33 degC. A gardener does what the jobs ask for, mornings and evenings, and reports it; beside it the same
weather, beds and forecasts with nobody there. The garden is `tests/bench/hands.toml`.

With water in plenty, hands save litres: what the lines let out. With a budget of half of what the garden drinks
without hands (--budget), they save stress days: days on which the plants of a zone drew less than nine tenths of what
they could have. (Under shade they could have drawn less, too.)
"""

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from statistics import fmean

from controller.core.moment import local_midnight
from controller.settings import load
from controller.settings.tables import BudgetTable
from controller.shells.journal import Journal
from controller.sim.gardener import GROUPS, Gardener
from controller.sim.plot import Plot
from controller.sim.sky import DayScript, scripted
from controller.sim.world import VirtualClock, World
from tests.bench.rows import Row

GARDEN = Path(__file__).with_name("hands.toml")
FIRST = date(2026, 7, 8)
MAXIMA_C = (31, 32, 33, 33, 38, 40, 41, 41, 39, 38, 33, 31, 32, 31)
FOR_ZONES = {"shade": ("salad",), "mulch": ("beans", "zucchini"), "pots": ("pots",)}


@dataclass(frozen=True, slots=True)
class Sum:
    """Over all runs."""

    litres: float
    stress_days: float


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seeds", type=int, default=2, help="so many gardens and draws of the forecasts (2)")
    parser.add_argument("--days", type=int, default=len(MAXIMA_C), help=f"so many of the {len(MAXIMA_C)} days")
    parser.add_argument("--budget", type=float, default=220.0, help="litres a day where water is short (220)")


def rows(options: argparse.Namespace) -> list[Row]:
    """With water in plenty, then with too little of it: each group of jobs in the zones that it is for and in the whole
    garden, then all together."""
    found = [_compared(options, None, "plenty"), _compared(options, options.budget, f"{options.budget:g} L a day")]
    return [row for each in found for row in each]


def _compared(options: argparse.Namespace, budget_l: float | None, water: str) -> Iterator[Row]:
    nobody = lived((), options, budget_l)
    whole = tuple(nobody)
    for group, zones in FOR_ZONES.items():
        alone = lived((group,), options, budget_l)
        yield _row(f"{water}, {group} alone: {' and '.join(zones)}", alone, nobody, zones, budget_l)
        yield _row(f"{water}, {group} alone: whole garden", alone, nobody, whole, budget_l)
    everybody = lived(tuple(GROUPS), options, budget_l)
    for zone in whole:
        yield _row(f"{water}, all together: {zone}", everybody, nobody, (zone,), budget_l)
    yield _row(f"{water}, all together: whole garden", everybody, nobody, whole, budget_l)


def _row(
    name: str, ours: dict[str, Sum], nobody: dict[str, Sum], zones: Sequence[str], budget_l: float | None
) -> Row:
    """In plenty it is met where litres are saved; with too little water, where no zone is stressed for longer."""
    litres, without = (sum(each[zone].litres for zone in zones) for each in (ours, nobody))
    stress, unhelped = (sum(each[zone].stress_days for zone in zones) for each in (ours, nobody))
    saved = litres < without if budget_l is None else stress <= unhelped
    return {
        "name": name, "ours_l": round(litres, 1), "reference_l": round(without, 1), "ratio": round(litres / without, 4),
        "ours_stress_days": stress, "reference_stress_days": unhelped, "goal": 1.0, "meets": saved,
    }  # fmt: skip


def lived(groups: Sequence[str], options: argparse.Namespace, budget_l: float | None) -> dict[str, Sum]:
    """By zone, the mean over the seeds of what the days came to with hands for these groups of jobs."""
    runs = [life(groups, seed, options.days, budget_l) for seed in range(1, options.seeds + 1)]
    return {zone: _mean([run[zone] for run in runs]) for zone in runs[0]}


def _mean(each: Sequence[Sum]) -> Sum:
    return Sum(fmean(one.litres for one in each), round(fmean(one.stress_days for one in each), 2))


def life(groups: Sequence[str], seed: int, days: int, budget_l: float | None = None) -> dict[str, Sum]:
    """One garden's days, by zone."""
    settings = load(GARDEN)
    if budget_l is not None:
        budget = BudgetTable(name="the day's water", per="day", litres=budget_l)
        settings = settings.model_copy(update={"budget": (budget,)})
    start = local_midnight(FIRST, settings.build().timezone)
    weather = [DayScript(float(c), c - 15.0, rain_mm=0.0, cloud=0.0, wind_10m_m_s=3.0) for c in MAXIMA_C]
    plot = Plot(settings, seed, start=start, script=scripted(FIRST, weather))
    world = World(settings, plot, Journal(":memory:"), VirtualClock(start), watch=Gardener(plot, groups))
    world.begin()
    world.run(local_midnight(FIRST + timedelta(days=days), world.site.timezone))
    world.end()
    world.journal.close()
    zones = plot.summary()["zones"]
    return {zone: Sum(litres, float(zones[zone]["stress_days"])) for zone, litres in world.litres.items()}
