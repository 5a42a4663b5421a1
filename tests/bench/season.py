"""A season in closed loop with FAO's AquaCrop as the garden: water beside the least that would have done, and yield.

Ours is the whole core, guard rules and journal on the virtual clock, with instruments as a grower has them (see
`instruments`). Beside it in the same seasons and with the same instruments: a timer, ETo x Kc, a moisture threshold.
The ceiling is the least water with which AquaCrop's own rule, one threshold for each growth stage, tuned in hindsight
with perfect knowledge of the soil, still gives 98 % of the unstressed yield.
"""

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import product
from typing import Any, cast

from controller.agronomy.crop import CROPS as LIBRARY
from controller.agronomy.crop import crop_coefficient, root_depth_m
from controller.core.moment import local_midnight
from controller.settings import Settings
from controller.shells.journal import Journal
from controller.sim.dice import ONE_DAY
from controller.sim.world import VirtualClock, World
from tests.bench.field import CLIMATES, CROPS, SOILS, Case, Field, Harvest, ceiling_mm, unstressed, weather_of
from tests.bench.instruments import ERRORS, Instruments, Lie, Quality
from tests.bench.outside import PROBE_DEPTHS_M, CropGarden
from tests.bench.rows import Row, write

YEARS = (1994, 1982, 1999, 1992)
SEEDS = 10
WATER_GOAL, MEAN_YIELD_GOAL, WORST_YIELD_GOAL, DRAINAGE_GOAL = 1.02, 0.98, 0.95, 0.06
AREA_M2 = 10.0
FLOW_L_MIN = 2.0
TOLD = ("name", "roots", "stages")
"""What the grower's config says of the crop: its name alone; how deep it roots in this ground as well; and in how many
days it is ripe and the last is harvested as well, with the library's proportions of stages."""
LIES = ("dead", "stuck", "wet", "dry", "drift", "wild")
PROBE_SD: Mapping[Quality, float | None] = {"cheap": None, "good": 0.013, "exact": 0.005}
"""What the grower's config says of a probe's error; None leaves it to the usual."""


@dataclass(frozen=True, slots=True)
class Run:
    """What one method made of one season with one seed. depths [mm]; yields beside the unstressed; s: to compute."""

    case: Case
    seed: int
    water_mm: float
    drainage_mm: float
    relative_yield: float
    fresh_t_ha: float
    seconds: float

    @property
    def litres_per_kg(self) -> float:
        """1 mm is 10 m3/ha."""
        return 10.0 * self.water_mm / max(1e-9, self.fresh_t_ha)


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--climate", choices=sorted(CLIMATES), default="tunis")
    parser.add_argument("--soil", choices=sorted(SOILS), default="sand")
    parser.add_argument("--crop", choices=sorted(CROPS), default="tomato")
    parser.add_argument("--bare", action="store_true", help="without the mulch that halves evaporation")
    parser.add_argument("--years", type=years, default=YEARS, metavar="A-B or A,B", help="of planting (the known four)")
    parser.add_argument("--planted", type=month_and_day, metavar="MM-DD", help="day of planting (by climate)")
    parser.add_argument("--seeds", type=int, default=SEEDS, metavar="N", help="runs with other errors, each (10)")
    parser.add_argument("--instruments", choices=sorted(ERRORS), default="cheap")
    parser.add_argument("--lie", type=lie, metavar="PROBE:KIND", help=f"PROBE 1 to 3; KIND {', '.join(LIES)}")
    parser.add_argument("--told", choices=TOLD, default="stages", help="what is said of the crop (stages)")
    parser.add_argument("--ceiling-tries", type=int, default=80, help="to find a ceiling that is not known; 0: none")
    parser.add_argument("--progress", action="store_true", help="each of our runs on stderr as soon as it is done")
    parser.add_argument("--only-ours", action="store_true", help="without the other methods")


def rows(options: argparse.Namespace) -> list[Row]:
    """A row for each of our runs, then what they come to, then the other methods. ValueError for unknown years."""
    cases = [case_for(options, year) for year in options.years]
    ceilings = {case: ceiling_mm(case, options.ceiling_tries) for case in cases}
    quality, seeds = cast(Quality, options.instruments), range(1, options.seeds + 1)
    ours: list[Run] = []
    for case, seed in product(cases, seeds):
        ours.append(ours_in(case, quality, seed, options.lie, options.told))
        if options.progress:
            write([_row_of(ours[-1], ceilings[case])], sys.stderr, as_json=False)
    found = [_row_of(run, ceilings[run.case]) for run in ours]
    found += list(_verdict(ours, ceilings))
    for name, method in {} if options.only_ours else METHODS.items():
        theirs = [by_hand(method, case, quality, seed, options.lie) for case in cases for seed in seeds]
        found.append(_summary_row(name, theirs, ceilings))
    return found


def years(text: str) -> tuple[int, ...]:
    """1990-1995, or 1990,1992."""
    found: list[int] = []
    for part in text.split(","):
        first, _, last = part.partition("-")
        found += range(int(first), int(last or first) + 1)
    return tuple(found)


def month_and_day(text: str) -> tuple[int, int]:
    month, _, day = text.partition("-")
    return int(month), int(day)


def lie(text: str) -> Lie:
    probe, _, kind = text.partition(":")
    kind, _, after = kind.partition(":")
    if probe not in ("1", "2", "3") or kind not in LIES:
        raise argparse.ArgumentTypeError(f"{text!r}: write PROBE:KIND, with PROBE 1 to 3 and KIND of {', '.join(LIES)}")
    return Lie(int(probe) - 1, kind, int(after or 0))  # type: ignore[arg-type]


def case_for(options: argparse.Namespace, year: int) -> Case:
    """The season of a year. ValueError if the record does not hold it."""
    month, day = options.planted or CLIMATES[options.climate].planting
    case = Case(options.climate, options.soil, options.crop, date(year, month, day), not options.bare)
    record = weather_of(case.climate)
    if case.planted not in record or case.planted + 150 * ONE_DAY not in record:
        raise ValueError(f"the record of {case.climate} goes from {min(record)} to {max(record)}")
    return case


# Ours ---------------------------------------------------------------------------------------------


def ours_in(case: Case, quality: Quality, seed: int, liar: Lie | None = None, told: str = "stages") -> Run:
    """The whole controller through one season."""
    began_s = time.process_time()
    settings = settings_for(case, quality, seed, told)
    garden = CropGarden(settings, seed, quality=quality, lie=liar)
    start = local_midnight(case.planted, settings.build().timezone)
    journal = Journal(":memory:")
    world = World(settings, garden, journal, VirtualClock(start))
    world.begin()
    world.run(start + unstressed(case).days * ONE_DAY)
    world.end()
    journal.close()
    (field,) = garden.fields.values()
    while not field.finished:  # a stressed crop may stand a day or two longer than one without
        field.step(0.0)
    return _run(case, seed, field, time.process_time() - began_s)


def settings_for(case: Case, quality: Quality, seed: int, told: str = "stages") -> Settings:
    """The config that a grower writes who knows crop and planting, has measured the line, and took the soil from a
    table. AquaCrop sees neither slopes nor hours, so line and intake stand in no way."""
    soil = Instruments(case, quality, seed).told_soil
    sd = PROBE_SD[quality]
    place = CLIMATES[case.climate]
    probes = tuple(
        {"id": f"probe-{n}", "kind": "soil moisture", "zone": "bed", "topic": f"bed/{n}", "unit": "m3/m3",
         "stale_after_min": 2880.0} | ({} if sd is None else {"sd": sd})
        for n in range(1, len(PROBE_DEPTHS_M) + 1)
    )
    return Settings.model_validate({
        "site": {
            "id": case.climate.replace("_", "-"), "name": case.climate, "latitude": place.latitude_deg,
            "longitude": place.longitude_deg, "elevation_m": place.elevation_m,
            # The names of these zones count hours the other way round (POSIX).
            "timezone": f"Etc/GMT{-place.hours_east:+d}" if place.hours_east else "Etc/GMT",
        },
        "forecast": {"every_h": 24.0},
        "guard": {"longest_open_min": 240.0, "most_open_min_24h": 720.0},
        "supply": {"capacity_l_min": 20.0},
        "normal": normals(case.climate),
        "zone": ({
            "id": "bed",
            "area_m2": AREA_M2,
            "crop": CROPS[case.crop].ours if told == "name" else _crop_table(case, stages=told == "stages"),
            "planted": case.planted,
            **({"last_harvest": case.planted + (unstressed(case).days - 1) * ONE_DAY} if told == "stages" else {}),
            "soil": {
                "texture": case.soil, "field_capacity": soil.field_capacity, "wilting_point": soil.wilting_point,
                "intake_mm_h": 60.0,
            },
            "valve": {"pin": 22},
            "line": {
                "kind": "micro-spray", "flow_l_min": FLOW_L_MIN, "efficiency": 1.0, "under_mulch": case.mulched,
            },
        } | ({"mulch": {"kind": "straw", "depth_cm": 6.0}} if case.mulched else {}),),
        "sensor": (
            *probes,
            {"id": "air", "kind": "air temperature", "topic": "air", "unit": "°C"},
            {"id": "rain", "kind": "rain", "topic": "rain", "unit": "mm"},
        ),
    })


def normals(climate: str) -> tuple[dict[str, Any], ...]:
    """Monthly normals, over the whole record."""
    days = weather_of(climate)
    return tuple(
        {
            "month": month,
            "tmax_c": round(statistics.fmean(each.tmax_c for day, each in days.items() if day.month == month), 1),
            "tmin_c": round(statistics.fmean(each.tmin_c for day, each in days.items() if day.month == month), 1),
        }
        for month in range(1, 13)
    )


def _crop_table(case: Case, *, stages: bool) -> dict[str, Any]:
    """The library's crop as deep as it roots here, and in the days that the season really has."""
    plant = CROPS[case.crop]
    table: dict[str, Any] = {"name": plant.ours, "like": plant.ours, "root_depth_max_m": plant.roots_m}
    if stages:
        usual, days = LIBRARY[plant.ours].stages, unstressed(case).days
        assert usual is not None, "the crops here are annuals"
        lengths = (usual.initial, usual.development, usual.mid, usual.late)
        table["stages_days"] = tuple(max(1, round(length * days / usual.total)) for length in lengths)
    return table


# The others ---------------------------------------------------------------------------------------


class Bed:
    """What a simple method may look at on the morning of a day."""

    def __init__(self, case: Case, instruments: Instruments) -> None:
        self.case, self.instruments = case, instruments
        self.crop = LIBRARY[CROPS[case.crop].ours]
        self.told = instruments.told_soil
        self.missing_mm = 0.0
        self.readings: list[float] = []
        self.day = case.planted

    @property
    def age_days(self) -> int:
        return (self.day - self.case.planted).days


def timer(bed: Bed) -> float:
    """Every day what the hottest month asks for at full growth: mean ETo of that month x the largest Kc."""
    days = weather_of(bed.case.climate).items()
    by_month = [statistics.fmean(each.et0_mm for day, each in days if day.month == month) for month in range(1, 13)]
    return max(by_month) * bed.crop.kc_mid


def et0_times_kc(bed: Bed) -> float:
    """What the own station says was drawn and not rained since, refilled each day; never less than a millimetre."""
    yesterday = bed.day - ONE_DAY
    if bed.age_days > 0:
        drawn_mm = bed.instruments.station_et0_mm(yesterday) * crop_coefficient(bed.crop, bed.age_days - 1)
        rained_mm = bed.instruments.gauge_mm(weather_of(bed.case.climate)[yesterday].rain_mm)
        bed.missing_mm = max(0.0, bed.missing_mm + drawn_mm - rained_mm)
    if bed.missing_mm < 1.0:
        return 0.0
    given_mm, bed.missing_mm = bed.missing_mm, 0.0
    return given_mm


def threshold(bed: Bed) -> float:
    """The mean of the probes under half of the available water: filled up to field capacity, as deep as roots go."""
    if not bed.readings:
        return 0.0
    fc, wp = bed.told
    seen = statistics.fmean(bed.readings)
    if seen > fc - 0.5 * (fc - wp):
        return 0.0
    return 1000.0 * (fc - max(wp, seen)) * root_depth_m(bed.crop, bed.age_days)


METHODS: Mapping[str, Callable[[Bed], float]] = {"timer": timer, "ETo x Kc": et0_times_kc, "threshold": threshold}


def by_hand(method: Callable[[Bed], float], case: Case, quality: Quality, seed: int, liar: Lie | None) -> Run:
    """A season of a method that decides once each morning."""
    began_s = time.process_time()
    instruments, field = Instruments(case, quality, seed, liar), Field(case)
    bed = Bed(case, instruments)
    while not field.finished:
        bed.day = field.day
        field.step(instruments.delivered_mm(method(bed), bed.day))
        said = [instruments.probe(n, depth_m, field, bed.day) for n, depth_m in enumerate(PROBE_DEPTHS_M)]
        bed.readings = [value for value in said if value is not None]
    return _run(case, seed, field, time.process_time() - began_s)


def _run(case: Case, seed: int, field: Field, seconds: float) -> Run:
    got: Harvest = field.harvest
    relative = got.dry_t_ha / unstressed(case).dry_t_ha
    return Run(case, seed, got.irrigation_mm, got.drainage_mm, relative, got.fresh_t_ha, seconds)


# Rows ---------------------------------------------------------------------------------------------

Ceilings = Mapping[Case, float | None]


def _row_of(run: Run, least_mm: float | None) -> Row:
    return {
        "name": f"{run.case.climate} {run.case.planted.year} seed {run.seed}",
        "ours_mm": round(run.water_mm, 1),
        "reference_mm": None if least_mm is None else round(least_mm, 1),
        "ratio": None if not least_mm else round(run.water_mm / least_mm, 4),
        "yield": round(run.relative_yield, 4),
        "drainage_mm": round(run.drainage_mm, 1),
        "litres_per_kg": round(run.litres_per_kg, 2),
        "goal": WORST_YIELD_GOAL,
        "meets": run.relative_yield >= WORST_YIELD_GOAL,
        "ours_s": round(run.seconds, 1),
    }


def _pooled(runs: list[Run], ceilings: Ceilings) -> float | None:
    """Water of all runs over the ceilings of all runs; None where one is not known or all are 0."""
    least = [ceilings[run.case] for run in runs]
    whole = sum(each or 0.0 for each in least)
    return None if None in least or not whole else sum(run.water_mm for run in runs) / whole


def _verdict(runs: list[Run], ceilings: Ceilings) -> Iterator[Row]:
    water = _pooled(runs, ceilings)
    mean, worst = statistics.fmean(run.relative_yield for run in runs), min(run.relative_yield for run in runs)
    drained = sum(run.drainage_mm for run in runs) / max(1e-9, sum(run.water_mm for run in runs))
    yield _summary_row("ours", runs, ceilings)
    if water is not None:
        yield {"name": "water", "ratio": round(water, 4), "goal": WATER_GOAL, "meets": water <= WATER_GOAL}
    for name, got, goal in (("mean yield", mean, MEAN_YIELD_GOAL), ("worst yield", worst, WORST_YIELD_GOAL)):
        yield {"name": name, "ratio": round(got, 4), "goal": goal, "meets": got >= goal}
    yield {"name": "drainage", "ratio": round(drained, 4), "goal": DRAINAGE_GOAL, "meets": drained <= DRAINAGE_GOAL}


def _summary_row(name: str, runs: list[Run], ceilings: Ceilings) -> Row:
    """All runs of one method: means, and the worst of each. It has no goal of its own."""
    water = _pooled(runs, ceilings)
    ratios = [run.water_mm / least for run in runs if (least := ceilings[run.case])]
    least_mm = statistics.fmean(ceilings[run.case] or 0.0 for run in runs)
    return {
        "name": name,
        "ours_mm": round(statistics.fmean(run.water_mm for run in runs), 1),
        "reference_mm": None if water is None else round(least_mm, 1),
        "ratio": None if water is None else round(water, 4),
        "ratio_worst": round(max(ratios), 4) if ratios else None,
        "yield": round(statistics.fmean(run.relative_yield for run in runs), 4),
        "yield_worst": round(min(run.relative_yield for run in runs), 4),
        "drainage_mm": round(statistics.fmean(run.drainage_mm for run in runs), 1),
        "litres_per_kg": round(statistics.fmean(run.litres_per_kg for run in runs), 2),
        "goal": None,
        "meets": True,
        "ours_s": round(statistics.fmean(run.seconds for run in runs), 1),
    }
