"""A field of FAO's AquaCrop, lived through day by day. It knows nothing of our formulas.

The package is `aquacrop` (Foster et al. 2017, Agric. Water Manage. 181:18); it carries the weather, soils and crops.
"""

import random
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from types import MappingProxyType
from typing import Any, NamedTuple

from aquacrop import AquaCropModel, Crop, FieldMngt, InitialWaterContent, IrrigationManagement, Soil
from aquacrop.utils import get_filepath, prepare_weather

ONE_DAY = timedelta(days=1)
LONGEST_SEASON_DAYS = 365


class Climate(NamedTuple):
    """A weather record of the package. Where it was taken is not in the package: place and height are from memory, and
    rough. hours_east: of the civil day. planting: (month, day) of a garden there, unless another is asked for."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    hours_east: int
    planting: tuple[int, int]


CLIMATES: dict[str, Climate] = {
    "tunis": Climate(36.8, 10.2, 10.0, 1, (5, 1)),
    "cordoba": Climate(-31.4, -64.2, 400.0, -4, (11, 1)),
    "hyderabad": Climate(17.4, 78.5, 540.0, 5, (6, 1)),
    "champion": Climate(40.4, -101.7, 1030.0, -7, (5, 1)),
    "brussels": Climate(50.8, 4.4, 60.0, 1, (5, 1)),
    "cambridge": Climate(52.2, 0.1, 20.0, 0, (5, 1)),
    "lincolnshire": Climate(53.1, -0.3, 20.0, 0, (5, 1)),
    "norfolk": Climate(52.6, 1.0, 40.0, 0, (5, 1)),
    "north_yorks": Climate(54.2, -1.3, 60.0, 0, (5, 1)),
    "northumberland": Climate(55.2, -1.9, 100.0, 0, (5, 1)),
    "suffolk": Climate(52.2, 1.0, 50.0, 0, (5, 1)),
}

SOILS: Mapping[str, str] = MappingProxyType({
    "sand": "Sand", "loamy sand": "LoamySand", "sandy loam": "SandyLoam", "loam": "Loam", "silt loam": "SiltLoam",
    "silt": "Silt", "sandy clay loam": "SandyClayLoam", "clay loam": "ClayLoam", "silty clay loam": "SiltClayLoam",
    "silty clay": "SiltClay", "clay": "Clay",
})
"""The package's name of each texture."""


class Plant(NamedTuple):
    """A crop of the package, how deep it roots at most [m], and the crop of our library that a gardener would name."""

    theirs: str
    roots_m: float
    ours: str


CROPS: Mapping[str, Plant] = MappingProxyType({
    "tomato": Plant("Tomato", 1.0, "tomato"),
    "potato": Plant("Potato", 0.6, "potato"),
    "maize": Plant("Maize", 1.0, "sweet corn"),
    "dry bean": Plant("DryBean", 0.8, "green bean"),
    "soybean": Plant("Soybean", 0.8, "green bean"),
    "sugar beet": Plant("SugarBeet", 0.8, "beetroot"),
})


@dataclass(frozen=True, slots=True)
class Case:
    """One season somewhere. mulched: under a mulch that halves evaporation; else bare."""

    climate: str
    soil: str
    crop: str
    planted: date
    mulched: bool = True


class Weather(NamedTuple):
    """A day of the record: degC, degC, mm, mm."""

    tmin_c: float
    tmax_c: float
    rain_mm: float
    et0_mm: float


class Water(NamedTuple):
    """What the field's soil can hold [m3/m3]."""

    field_capacity: float
    wilting_point: float


@dataclass(frozen=True, slots=True)
class Harvest:
    """What came of a season. dry and fresh yield [t/ha], depths [mm], how many days it took."""

    dry_t_ha: float
    fresh_t_ha: float
    irrigation_mm: float
    drainage_mm: float
    days: int


class Field:
    """Watered by hand, a day at a time. `step` lives through `day`."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.day = case.planted
        self.finished = False
        self._given_mm = 0.0
        self._drained_mm = 0.0
        # The limits stand far beyond anything a controller asks for.
        self._model = _model(case, IrrigationManagement(irrigation_method=5, depth=0.0, MaxIrr=1e4, MaxIrrSeason=1e6))
        self._model._initialize()
        profile = self._model._param_struct.Soil.Profile
        self.water = Water(float(profile.th_fc[0]), float(profile.th_wp[0]))
        self._floors_m = [float(floor) for floor in profile.dzsum]
        self._heights_m = [float(height) for height in profile.dz]

    def step(self, depth_mm: float) -> None:
        """One more day, with so much water at its beginning."""
        if self.finished:
            return
        self._model._param_struct.IrrMngt.depth = depth_mm
        number = self._model._clock_struct.time_step_counter
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            self._model.run_model(num_steps=1, initialize_model=False)
        self._given_mm += depth_mm
        self.day += ONE_DAY
        self.finished = bool(self._model._clock_struct.model_is_finished)
        # The last day turns the array into a table.
        flux = self._model._outputs.water_flux
        self._drained_mm += float(flux["DeepPerc"].iloc[number] if self.finished else flux[number, DEEP_PERCOLATION])

    def content(self, top_m: float, bottom_m: float) -> float:
        """Mean water content of a layer at the end of the last day [m3/m3]."""
        held = thickness = 0.0
        for floor, height, content in zip(self._floors_m, self._heights_m, self._model._init_cond.th, strict=True):
            inside = max(0.0, min(bottom_m, floor) - max(top_m, floor - height))
            held += inside * float(content)
            thickness += inside
        return held / thickness

    @property
    def harvest(self) -> Harvest:
        """What came of it, once it is finished."""
        results = self._model.get_simulation_results().iloc[0]
        return Harvest(
            float(results["Dry yield (tonne/ha)"]),
            float(results["Fresh yield (tonne/ha)"]),
            self._given_mm,
            self._drained_mm,
            int(results["Harvest Date (Step)"]) + 1,
        )


DEEP_PERCOLATION = 9
"""Column of the package's table of water fluxes."""


@lru_cache(maxsize=256)
def by_threshold(case: Case, thresholds: tuple[float, float, float, float]) -> Harvest:
    """A season by the model's own rule, which sees all: each growth stage's threshold [% of the available water]."""
    model = _model(case, IrrigationManagement(irrigation_method=1, SMT=list(thresholds), MaxIrrSeason=1e6))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model.run_model(till_termination=True)
    results = model.get_simulation_results().iloc[0]
    return Harvest(
        float(results["Dry yield (tonne/ha)"]),
        float(results["Fresh yield (tonne/ha)"]),
        float(results["Seasonal irrigation (mm)"]),
        float(model.get_water_flux()["DeepPerc"].sum()),
        int(results["Harvest Date (Step)"]) + 1,
    )


def unstressed(case: Case) -> Harvest:
    """The same season with water at all times."""
    return by_threshold(case, (100.0, 100.0, 100.0, 100.0))


WORTH = 0.98
"""Share of the unstressed yield that the ceiling still gives."""

KNOWN_CEILINGS_MM: Mapping[Case, float] = MappingProxyType({
    Case("tunis", "sand", "tomato", date(year, 5, 1)): ceiling_mm
    for year, ceiling_mm in ((1994, 486.0), (1982, 464.0), (1999, 469.0), (1992, 381.0))
})
"""Found with a longer search than `ceiling_mm` makes."""


@lru_cache(maxsize=256)
def ceiling_mm(case: Case, tries: int = 80) -> float | None:
    """Least water [mm] with which the model's own rule still gives WORTH of the unstressed yield: one threshold for
    each growth stage, found in hindsight by a random search. 0 where rain alone is enough. None for no tries."""
    if case in KNOWN_CEILINGS_MM:
        return KNOWN_CEILINGS_MM[case]
    if tries == 0:
        return None
    enough_t_ha = WORTH * unstressed(case).dry_t_ha
    best, least_mm = (100.0, 100.0, 100.0, 100.0), unstressed(case).irrigation_mm
    chance = random.Random(f"ceiling {case}")
    for tried in range(-10, tries):
        if tried < 0:
            first = second = third = fourth = 10.0 * (tried + 10)
        else:
            reach = 15.0 if tried < tries / 2 else 6.0
            first, second, third, fourth = (_moved(each, reach, chance) for each in best)
        found = by_threshold(case, (first, second, third, fourth))
        if found.dry_t_ha >= enough_t_ha and found.irrigation_mm < least_mm:
            best, least_mm = (first, second, third, fourth), found.irrigation_mm
    return least_mm


def _moved(threshold: float, reach: float, chance: random.Random) -> float:
    """A threshold a little higher or lower, or as it was."""
    step = chance.gauss(0.0, reach) if chance.random() < 0.6 else 0.0
    return min(100.0, max(0.0, threshold + step))


_INVENTED: dict[str, Mapping[date, Weather]] = {}


def record(name: str, place: Climate, days: Mapping[date, Weather]) -> None:
    """Another record, of days that somebody has made up. Only for what needs weather and no field."""
    CLIMATES[name] = place
    _INVENTED[name] = MappingProxyType(dict(days))
    weather_of.cache_clear()


@lru_cache(maxsize=16)
def weather_of(climate: str) -> Mapping[date, Weather]:
    """The days of a record."""
    if climate in _INVENTED:
        return _INVENTED[climate]
    record = _record(climate)
    columns = (record[name] for name in ("Date", "MinTemp", "MaxTemp", "Precipitation", "ReferenceET"))
    return MappingProxyType({
        day.date(): Weather(float(low), float(high), float(rain), float(et0))
        for day, low, high, rain, et0 in zip(*columns, strict=True)
    })


@lru_cache(maxsize=16)
def _record(climate: str) -> Any:
    return prepare_weather(get_filepath(f"{climate}_climate.txt"))


def _model(case: Case, irrigation: IrrigationManagement) -> AquaCropModel:
    plant, planted = CROPS[case.crop], case.planted
    last = min(planted + LONGEST_SEASON_DAYS * ONE_DAY, max(weather_of(case.climate)))
    return AquaCropModel(
        f"{planted:%Y/%m/%d}",
        f"{last:%Y/%m/%d}",
        _record(case.climate),
        Soil(SOILS[case.soil]),
        Crop(plant.theirs, planting_date=f"{planted:%m/%d}", Zmax=plant.roots_m),
        InitialWaterContent(value=["FC"]),
        irrigation_management=irrigation,
        field_management=FieldMngt(mulches=case.mulched, mulch_pct=100, f_mulch=0.5),
    )
