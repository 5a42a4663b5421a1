"""The forecast that a simulated garden hands out: the true weather with errors that grow with lead time.

Errors come in two halves: one belongs to the day that is forecast and stays while it approaches, the other to
the issue and is drawn anew. So a forecast is the same for the same seed and hour of issue, however often it
is asked, and a false alarm does not vanish at the next fetch. All errors are correlated along the lead.

Sizes (chosen for this simulator; from memory of what forecast services say of themselves): temperature sd 1.0 K
+ 0.3 K per day ahead; evaporative demand about 7 % + 2.5 % per day, made here of errors in temperature,
humidity, radiation and wind; rain found with 92 % − 5 % per day, false rain 30 % + 10 % per day of the season's
chance of rain, amounts log-normal with sd 0.35 + 0.08 per day.
"""

import math
from collections.abc import Callable
from datetime import date, datetime
from typing import NamedTuple

from controller.core.forecast import Forecast, Hour
from controller.core.moment import local_date, local_midnight
from controller.sim.dice import ONE_DAY, STANDARD_NORMAL, dice, persistent
from controller.sim.sky import ONE_HOUR, Sky, humidity_percent, shower

DAYS_AHEAD = 7
STAYS = 0.5          # share of an error's variance that belongs to the day and not to the issue
ALONG_THE_LEAD = 0.7 # correlation of an error from one day ahead to the next
HOURS_OF_RAIN = 3.0  # of a wet day, on average; see sky.shower

# Each pair: now, and more per day ahead.
ERROR_SD = (
    (1.0, 0.3),      # temperature [K]
    (1.0, 0.5),      # dew point [K]
    (0.05, 0.03),    # logarithm of radiation
    (0.15, 0.05),    # logarithm of wind
)
RAIN_FOUND = (0.92, -0.05)
RAIN_FALSE = (0.30, 0.10)          # times the season's chance of rain
RAIN_AMOUNT_SD = (0.35, 0.08)


class _Throw(NamedTuple):
    """The independent draws behind the errors of one day: standard normals, then uniforms from 0 to 1."""

    temperature: float
    dew_point: float
    solar: float
    wind: float
    rain_seen: float
    rain_size: float
    false_size: float
    false_start: float
    false_length: float


def _throw(*purpose: object) -> _Throw:
    chance = dice(*purpose)
    return _Throw(*(chance.gauss(0.0, 1.0) for _ in range(6)), *(chance.random() for _ in range(3)))


def _mixed(lasting: float, passing: float) -> float:
    """One standard normal out of two."""
    return math.sqrt(STAYS) * lasting + math.sqrt(1.0 - STAYS) * passing


class Outlook:
    """Forecasts of one sky. exact: hands out the truth, for runs that want to know what the errors cost."""

    def __init__(self, sky: Sky, seed: int, *, exact: bool = False) -> None:
        self._sky = sky
        self._seed = seed
        self._exact = exact
        self._lasting: dict[date, _Throw] = {}

    def forecast(self, now: datetime) -> Forecast:
        """Hours from the one that holds `now` (UTC) to seven days ahead."""
        first = now.replace(minute=0, second=0, microsecond=0)
        starts = [first + i * ONE_HOUR for i in range(24 * DAYS_AHEAD)]
        if self._exact:
            return Forecast("simulated", now, tuple(self._sky.hour(start) for start in starts))
        issue = _Issue(self._sky, self._seed, first, self.lasting)
        return Forecast("simulated", now, tuple(issue.hour(start) for start in starts))

    def lasting(self, day: date) -> _Throw:
        """The draws that a day keeps through all its issues."""
        if day not in self._lasting:
            self._lasting[day] = _throw(self._seed, "outlook", day)
        return self._lasting[day]


class _Issue:
    """The errors of one issue."""

    def __init__(self, sky: Sky, seed: int, issued: datetime, lasting: Callable[[date], _Throw]) -> None:
        self._sky = sky
        self._seed = seed
        self._issued = issued
        self._lasting = lasting
        self._passing: dict[date, _Throw] = {}
        self._knots: dict[date, tuple[float, ...]] = {}
        self._rain: dict[date, tuple[tuple[float, ...], float, float]] = {}

    def hour(self, start: datetime) -> Hour:
        """What this issue says of an hour."""
        truth = self._sky.hour(start)
        date_ = local_date(start, self._sky.place.timezone)
        temperature_k, dew_k, solar, wind = self._errors(start)
        temperature_c = truth.temperature_c + temperature_k
        dew_c = min(self._sky.dew_point_c(start) + dew_k, temperature_c)
        rain_mm, rain_probability = self._rain_of(date_, start)
        return Hour(
            start=start, temperature_c=temperature_c, humidity_percent=humidity_percent(temperature_c, dew_c),
            wind_10m_m_s=(truth.wind_10m_m_s or 0.0) * math.exp(wind),
            solar_w_m2=min((truth.solar_w_m2 or 0.0) * math.exp(solar), self._sky.clear_w_m2(start)),
            rain_mm=rain_mm, rain_probability=rain_probability)

    def _errors(self, start: datetime) -> tuple[float, ...]:
        """Errors of temperature and dew point [K], and of the logarithms of radiation and wind, in one hour.

        Drawn for midnights and joined by straight lines; the division keeps the spread in between the same.
        """
        share = (start.hour + 0.5) / 24.0
        today, tomorrow = self._knot(start.date()), self._knot(start.date() + ONE_DAY)
        spread = math.sqrt(1.0 - 2.0 * share * (1.0 - share) * (1.0 - ALONG_THE_LEAD))
        lead_days = (start - self._issued) / ONE_DAY
        return tuple(
            (sd + more_per_day * lead_days) * ((1.0 - share) * one + share * two) / spread
            for (sd, more_per_day), one, two in zip(ERROR_SD, today, tomorrow, strict=True))

    def _knot(self, day: date) -> tuple[float, ...]:
        """Standard normals of a midnight, one per quantity in the order of ERROR_SD."""
        if day not in self._knots:
            self._knots[day] = tuple(self._normal(day, which) for which in range(len(ERROR_SD)))
        return self._knots[day]

    def _normal(self, day: date, which: int) -> float:
        lasting = persistent(lambda d: self._lasting(d)[which], day, ALONG_THE_LEAD)
        passing = persistent(lambda d: self._throw(d)[which], day, ALONG_THE_LEAD)
        return _mixed(lasting, passing)

    def _throw(self, day: date) -> _Throw:
        if day not in self._passing:
            self._passing[day] = _throw(self._seed, "outlook", day, "issued", self._issued.isoformat())
        return self._passing[day]

    def _rain_of(self, date_: date, start: datetime) -> tuple[float, float]:
        """Rain of an hour [mm] and its probability."""
        if date_ not in self._rain:
            self._rain[date_] = self._rain_day(date_)
        by_hour_mm, wet_hour_chance, other_hour_chance = self._rain[date_]
        index = int((start - local_midnight(date_, self._sky.place.timezone)) / ONE_HOUR)
        falling_mm = by_hour_mm[index] if index < len(by_hour_mm) else 0.0
        return falling_mm, wet_hour_chance if falling_mm > 0.0 else other_hour_chance

    def _rain_day(self, date_: date) -> tuple[tuple[float, ...], float, float]:
        """Rain said for each hour of a day; probability of rain in an hour said wet, and in an hour said dry.

        The probabilities are those of Bayes for a forecaster who finds and invents rain at these rates.
        """
        truth, lasting, passing = self._sky.day(date_), self._lasting(date_), self._throw(date_)
        noon = local_midnight(date_, self._sky.place.timezone) + 12 * ONE_HOUR
        lead_days = max(0.0, (noon - self._issued) / ONE_DAY)
        chance = self._sky.wet_chance(date_)
        found = RAIN_FOUND[0] + RAIN_FOUND[1] * lead_days
        invented = (RAIN_FALSE[0] + RAIN_FALSE[1] * lead_days) * chance
        seen = STANDARD_NORMAL.cdf(_mixed(lasting.rain_seen, passing.rain_seen))
        if seen < (found if truth.rain_mm > 0.0 else invented):
            size = _mixed(lasting.rain_size, passing.rain_size)
            factor = math.exp((RAIN_AMOUNT_SD[0] + RAIN_AMOUNT_SD[1] * lead_days) * size)
            by_hour_mm = truth.rain_by_hour_mm or shower(
                1.0 + 8.0 * lasting.false_size, lasting.false_start, lasting.false_length)
            said_mm = tuple(rain_mm * factor for rain_mm in by_hour_mm)
            return said_mm, chance * found / (chance * found + (1 - chance) * invented), 0.0
        missed = chance * (1 - found) / (chance * (1 - found) + (1 - chance) * (1 - invented))
        return (), 0.0, missed * HOURS_OF_RAIN / 24.0
