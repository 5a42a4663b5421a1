"""What a garden knows of itself: probes, a forecast, a line and a table of its soil, as wrong as a grower has them.

All errors hang on the seed alone, so that every method sees the same ones. Standard deviations unless said otherwise.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property, lru_cache
from types import MappingProxyType
from typing import Literal, NamedTuple

from controller.sim.dice import ONE_DAY, dice
from tests.bench.field import Case, Field, Water, Weather, weather_of

Quality = Literal["cheap", "good", "exact"]
Kind = Literal["dead", "stuck", "wet", "dry", "drift", "wild"]

DAYS_AHEAD = 7
WET_DAY_MM = 0.2
ALONG_THE_LEAD = 0.7
"""Correlation of a forecast's error from one day ahead to the next."""
PROBE_REACH_M = 0.05
WARM_C = 25.0


@dataclass(frozen=True, slots=True)
class Errors:
    """bias, noise, step: of a probe [m3/m3]; gain: a factor; warmth: per K of the day's maximum over WARM_C; missing:
    share of readings that do not come; silent: chance per day of a silent spell of three days on average. forecast: the
    share of the forecast's usual errors. line: of delivered over commanded, for the season; line_event: each day anew.
    et0, et0_day: of the own weather station. rain: of the gauge. soil: of field capacity and wilting point as told."""

    bias: float = 0.0
    gain: float = 0.0
    noise: float = 0.0
    warmth: float = 0.0
    missing: float = 0.0
    silent: float = 0.0
    step: float = 0.001
    forecast: float = 1.0
    line: float = 0.08
    line_event: float = 0.03
    et0: float = 0.05
    et0_day: float = 0.06
    rain: float = 0.10
    soil: float = 0.10


ERRORS: Mapping[Quality, Errors] = MappingProxyType({
    "cheap": Errors(bias=0.025, gain=0.08, noise=0.008, warmth=0.0006, missing=0.05, silent=0.01),
    "good": Errors(bias=0.010, gain=0.03, noise=0.004, warmth=0.0006, missing=0.02, silent=0.01),
    "exact": Errors(
        step=0.0, forecast=0.0, line=0.0, line_event=0.0, et0=0.0, et0_day=0.0, rain=0.0, soil=0.0
    ),
})


@dataclass(frozen=True, slots=True)
class Lie:
    """One probe, counted from 0, is worse than bad: from the day after planting `after_days` on."""

    probe: int
    kind: Kind
    after_days: int = 0


class Told(NamedTuple):
    """A day as it is forecast. rain_mm None: no rain is said; the chance is of any rain that day."""

    tmin_c: float
    tmax_c: float
    et0_mm: float
    rain_mm: float
    rain_chance: float


class Instruments:
    """The instruments of one season of one garden."""

    def __init__(self, case: Case, quality: Quality, seed: int, lie: Lie | None = None) -> None:
        self.case, self.errors, self.seed, self.lie = case, ERRORS[quality], seed, lie
        self._record = weather_of(case.climate)
        season = dice(seed, "season", case.climate, case.planted.year)
        self._line = _factor(season.gauss(0.0, 1.0), self.errors.line)
        self._et0 = _factor(season.gauss(0.0, 1.0), self.errors.et0)
        self._rain = _factor(season.gauss(0.0, 1.0), self.errors.rain)
        self._stuck: dict[int, float] = {}
        self._silent_until: dict[int, date] = {}

    @cached_property
    def told_soil(self) -> Water:
        """The soil as the grower's table has it. Drawn anew where less than a quarter, or more than four times, of the
        true available water would be left: nobody believes such a table."""
        true = Field(self.case).water
        chance = dice(self.seed, "soil", self.case.climate, self.case.planted.year)
        held = true.field_capacity - true.wilting_point
        while True:
            told = Water(*(each * (1.0 + self.errors.soil * chance.gauss(0.0, 1.0)) for each in true))
            if held / 4.0 <= told.field_capacity - told.wilting_point <= 4.0 * held and told.wilting_point >= 0.01:
                return told

    def delivered_mm(self, commanded_mm: float, day: date) -> float:
        """What the line lets out of what is asked of it."""
        event = _factor(dice(self.seed, "line", day).gauss(0.0, 1.0), self.errors.line_event)
        return commanded_mm * self._line * event

    def gauge_mm(self, rain_mm: float) -> float:
        """What the rain gauge shows."""
        return rain_mm * self._rain

    def station_et0_mm(self, day: date) -> float:
        """Reference evapotranspiration of a day by the own weather station."""
        return self._record[day].et0_mm * self._et0 * _factor(
            dice(self.seed, "station", day).gauss(0.0, 1.0), self.errors.et0_day
        )

    def probe(self, number: int, depth_m: float, field: Field, day: date) -> float | None:
        """What a probe says at the end of a day [m3/m3]; None if nothing comes."""
        errors, chance = self.errors, dice(self.seed, "probe", number, day)
        noise, missed, falls_silent, spell_days, wild = (
            chance.gauss(0.0, 1.0), chance.random(), chance.random(), chance.expovariate(1.0 / 3.0), chance.random()
        )
        if falls_silent < errors.silent:
            self._silent_until[number] = day + timedelta(days=max(1, round(spell_days)))
        if missed < errors.missing or day < self._silent_until.get(number, day):
            return None
        own = dice(self.seed, "probe", number, self.case.climate, self.case.planted.year)
        bias, gain = errors.bias * own.gauss(0.0, 1.0), 1.0 + errors.gain * own.gauss(0.0, 1.0)
        true = field.content(max(0.0, depth_m - PROBE_REACH_M), depth_m + PROBE_REACH_M)
        warm_k = max(0.0, self._record[day].tmax_c - WARM_C)
        said = self._lied(number, bias + gain * true + errors.noise * noise + errors.warmth * warm_k, field, day, wild)
        if said is None:
            return None
        return max(0.0, round(said / errors.step) * errors.step if errors.step else said)

    def _lied(self, number: int, said: float, field: Field, day: date, wild: float) -> float | None:
        lie, lied_days = self.lie, 0
        if lie is not None:
            lied_days = (day - self.case.planted).days - lie.after_days
        if lie is None or lie.probe != number or lied_days < 0:
            return said
        match lie.kind:
            case "dead":
                return None
            case "stuck":
                return self._stuck.setdefault(number, said)
            case "wet":
                return said - field.content(0.0, 0.4) + field.water.field_capacity
            case "dry":
                return said - field.content(0.0, 0.4) + field.water.wilting_point
            case "drift":
                return said + 0.001 * lied_days
            case "wild":
                return 0.4 * wild

    def forecast(self, issued: date) -> list[Told]:
        """The days from the one of issue on, as far as the record goes."""
        chance, size = dice(self.seed, "forecast", issued), self.errors.forecast
        temperature = et0 = 0.0
        told = []
        for lead in range(DAYS_AHEAD):
            day = issued + lead * ONE_DAY
            draws = [chance.gauss(0.0, 1.0) for _ in range(3)] + [chance.random(), chance.expovariate(1.0)]
            true = self._record.get(day)
            if true is None:
                break
            temperature = _along(temperature, draws[0], lead)
            et0 = _along(et0, draws[1], lead)
            warmer_k = size * (1.0 + 0.3 * lead) * temperature
            rain_mm, rain_chance = self._rain_told(day, lead, true, draws[2:])
            told.append(Told(
                true.tmin_c + warmer_k,
                true.tmax_c + warmer_k,
                true.et0_mm * _factor(et0, size * (0.07 + 0.025 * lead)),
                rain_mm,
                rain_chance,
            ))
        return told

    def _rain_told(self, day: date, lead: int, true: Weather, draws: Sequence[float]) -> tuple[float, float]:
        """Rain as it is forecast [mm], and its probability by Bayes for a forecaster who errs so often."""
        wet_chance, wet_mm = rain_of_month(self.case.climate, day.month)
        if not self.errors.forecast:
            return true.rain_mm, float(true.rain_mm >= WET_DAY_MM)
        found = 0.92 - 0.05 * lead
        invented = (0.30 + 0.10 * lead) * wet_chance
        wet = true.rain_mm >= WET_DAY_MM
        if draws[1] < (found if wet else invented):
            amount_mm = true.rain_mm * math.exp((0.35 + 0.08 * lead) * draws[0]) if wet else wet_mm * draws[2]
            return amount_mm, _bayes(wet_chance, found, invented)
        return 0.0, _bayes(wet_chance, 1.0 - found, 1.0 - invented)


def _bayes(prior: float, if_wet: float, if_dry: float) -> float:
    return prior * if_wet / max(1e-9, prior * if_wet + (1.0 - prior) * if_dry)


def _along(before: float, fresh: float, lead: int) -> float:
    """A standard normal that remembers the one of the day before."""
    return fresh if lead == 0 else ALONG_THE_LEAD * before + math.sqrt(1.0 - ALONG_THE_LEAD**2) * fresh


def _factor(standard: float, sd: float) -> float:
    return max(0.2, 1.0 + sd * standard)


@lru_cache(maxsize=200)
def rain_of_month(climate: str, month: int) -> tuple[float, float]:
    """Share of the month's days that are wet, over the whole record, and the mean rain of a wet day [mm]."""
    rains = [each.rain_mm for day, each in weather_of(climate).items() if day.month == month]
    wet = [rain_mm for rain_mm in rains if rain_mm >= WET_DAY_MM]
    return len(wet) / len(rains), sum(wet) / len(wet) if wet else 1.0
