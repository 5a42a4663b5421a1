"""Fetch a forecast, believe none of it, and turn what stands up into the project's own.

From top to bottom: what a source is; Open-Meteo, checked; when to ask (pure, so that a virtual clock can use
it); the last good answer on disk; the thread that asks.

Whole hours. The core's `Hour` is the weather of the hour that *begins* at `start`. Open-Meteo's stamps are of
two kinds: air temperature, humidity and wind are states *at* the stamp; radiation, precipitation and its
probability speak of the hour *before* it. So an hour lies between two stamps: its states are the mean of both
ends, its radiation and rain come from the later one, and n stamps make n - 1 hours.

Missing stays missing: a null is None, never 0. An hour without a temperature cannot be used and is left out.
"""

import hashlib
import json
import logging
import math
import os
import random
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Protocol

from controller.core.events import ForecastArrived, ForecastFailed
from controller.core.forecast import Forecast, Hour
from controller.core.moment import Now
from controller.seams import Clock, Inbox

log = logging.getLogger("seepward.forecast")

IsDay = Callable[[datetime], bool]
"""Whether the sun is above the horizon of the site at an instant (UTC)."""

DEADLINE_S = 30.0
SIZE_CAP_BYTES = 256 * 1024
USABLE_HOURS_LEAST = 24


class ForecastError(Exception):
    """Nothing usable came; the text is one sentence. retry_after_s: how long the server wants to be left."""

    def __init__(self, why: str, retry_after_s: float | None = None) -> None:
        super().__init__(why)
        self.retry_after_s = retry_after_s


class Page(Protocol):
    """An HTTP answer, as `drivers.http.Page` documents it."""

    @property
    def status(self) -> int: ...
    @property
    def body(self) -> object: ...
    @property
    def validators(self) -> Mapping[str, str]: ...
    @property
    def fresh_s(self) -> float | None: ...
    @property
    def retry_after_s(self) -> float | None: ...


class Web(Protocol):
    """One bounded GET, as `drivers.http.get_json`; raises an OSError with one sentence."""

    def __call__(self, url: str, params: Mapping[str, str], *, deadline_s: float, size_cap_bytes: int,
                 validators: Mapping[str, str]) -> Page: ...


@dataclass(frozen=True, slots=True)
class Place:
    """Where the garden is: degrees north and east, metres above the sea."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float


@dataclass(frozen=True, slots=True)
class Answer:
    """A good forecast and what its server said about asking again (see `Page`)."""

    forecast: Forecast
    validators: Mapping[str, str] = field(default_factory=dict)
    fresh_s: float | None = None


class Source(Protocol):
    """A forecast service that can be asked whether its last answer still stands."""

    name: str

    def ask(self, place: Place, asked: datetime, last: Answer | None) -> Answer:
        """A checked answer, or ForecastError."""


class OpenMeteo:
    """Open-Meteo's forecast API (https://open-meteo.com/en/docs): no key, free without commerce, CC BY 4.0.

    web: does the GET. url: the service's or a self-hosted one's. is_day: the site's own sun, to check theirs.
    """

    name = "open-meteo"

    def __init__(self, web: Web, url: str, is_day: IsDay, *, deadline_s: float = DEADLINE_S) -> None:
        self._web = web
        self._url = url
        self._is_day = is_day
        self._deadline_s = deadline_s

    def fetch(self, latitude_deg: float, longitude_deg: float, elevation_m: float,
              asked: datetime) -> Forecast:
        """The seam `ForecastSource`: asked anew, whatever was answered before."""
        return self.ask(Place(latitude_deg, longitude_deg, elevation_m), asked, None).forecast

    def ask(self, place: Place, asked: datetime, last: Answer | None) -> Answer:
        """A checked answer. `last` makes the question conditional while it is good enough to be confirmed."""
        if last is not None and _hours_ahead(last.forecast, asked) < USABLE_HOURS_LEAST:
            last = None
        try:
            page = self._web(self._url, open_meteo_params(place), deadline_s=self._deadline_s,
                             size_cap_bytes=SIZE_CAP_BYTES, validators=last.validators if last else {})
        except OSError as error:
            raise ForecastError(str(error)) from error
        if page.status == 304 and last is not None:
            still_good = replace(last.forecast, issued=asked)
            return Answer(still_good, {**last.validators, **page.validators}, page.fresh_s)
        if page.status in (200, 203):  # 203: handed on by something in between; the checks decide, as always
            forecast = read_open_meteo(page.body, place, asked, self._is_day)
            return Answer(forecast, page.validators, page.fresh_s)
        raise ForecastError(f"{self.name} answered with status {page.status}{_reason(page.body)}",
                            page.retry_after_s)


SOURCES: Mapping[str, Callable[[Web, str, IsDay], Source]] = {
    OpenMeteo.name: OpenMeteo,
}
"""The sources by their names in the config file. Another one is a class like OpenMeteo and a line here."""


# Open-Meteo: question and answer

@dataclass(frozen=True, slots=True)
class _Variable:
    """A column of the answer: its unit as the answer must name it, and the range that is possible at all."""

    unit: str
    low: float
    high: float


_VARIABLES: Mapping[str, _Variable] = {
    "temperature_2m": _Variable("°C", -60.0, 60.0),
    "relative_humidity_2m": _Variable("%", 0.0, 100.0),
    "wind_speed_10m": _Variable("m/s", 0.0, 100.0),
    "shortwave_radiation": _Variable("W/m²", 0.0, 1400.0),
    "precipitation": _Variable("mm", 0.0, 400.0),
    "precipitation_probability": _Variable("%", 0.0, 100.0),
}

HOUR_S = 3600
PLACE_OFF_DEG = 0.5  # the coarsest grid of the service has cells of 0.5 degree at most (its documentation)
NIGHT_W_M2 = 5.0  # more than this, in an hour without sun, is another place's day
DARK_W_M2 = 0.5  # less than this, in an hour that is mostly sunlit, is another place's night


def open_meteo_params(place: Place) -> dict[str, str]:
    """What is asked. The place is rounded to 0.01 degree, about 1 km: nobody need know the garden better."""
    return {
        "latitude": f"{place.latitude_deg:.2f}",
        "longitude": f"{place.longitude_deg:.2f}",
        "elevation": f"{place.elevation_m:.0f}",
        "hourly": ",".join(_VARIABLES),
        "wind_speed_unit": "ms",
        "timeformat": "unixtime",
        "timezone": "GMT",
        "forecast_days": "7",
    }


def read_open_meteo(body: object, place: Place, asked: datetime, is_day: IsDay) -> Forecast:
    """The forecast in an answer's JSON document; ForecastError if anything about it cannot be so."""
    document = _table(body, "the answer")
    _check_place(document, place)
    _check_units(document)
    hourly = _table(document.get("hourly"), "hourly")
    stamps = _stamps(hourly.get("time"))
    columns = {name: _column(hourly.get(name), name, variable, len(stamps))
               for name, variable in _VARIABLES.items()}
    forecast = Forecast(OpenMeteo.name, asked, _hours(stamps, columns))
    _check_time(stamps, forecast, asked)
    _check_sun(forecast.hours, is_day)
    return forecast


def _hours(stamps: Sequence[datetime], columns: Mapping[str, Sequence[float | None]]) -> tuple[Hour, ...]:
    """The hours between the stamps; see the head of this file for which value belongs to which."""
    hours = []
    for i, start in enumerate(stamps[:-1]):
        temperature_c = _mean(columns["temperature_2m"], i)
        if temperature_c is None:
            continue
        probability_percent = columns["precipitation_probability"][i + 1]
        hours.append(Hour(
            start=start,
            temperature_c=temperature_c,
            humidity_percent=_mean(columns["relative_humidity_2m"], i),
            wind_10m_m_s=_mean(columns["wind_speed_10m"], i),
            solar_w_m2=columns["shortwave_radiation"][i + 1],
            rain_mm=columns["precipitation"][i + 1],
            rain_probability=None if probability_percent is None else probability_percent / 100.0,
        ))
    return tuple(hours)


def _mean(column: Sequence[float | None], i: int) -> float | None:
    """Of the hour from stamp i to the next."""
    begin, end = column[i], column[i + 1]
    return None if begin is None or end is None else (begin + end) / 2.0


def _table(value: object, what: str) -> Mapping[str, object]:
    if not isinstance(value, dict):
        raise ForecastError(f"open-meteo: {what} should be a table, not {_kind(value)}")
    return value


def _check_place(document: Mapping[str, object], place: Place) -> None:
    latitude_deg = _number(document.get("latitude"), "latitude", -90.0, 90.0)
    longitude_deg = _number(document.get("longitude"), "longitude", -180.0, 180.0)
    north_deg = latitude_deg - place.latitude_deg
    east_deg = (longitude_deg - place.longitude_deg + 180.0) % 360.0 - 180.0
    if max(abs(north_deg), abs(east_deg) * math.cos(math.radians(place.latitude_deg))) > PLACE_OFF_DEG:
        raise ForecastError(f"open-meteo answered for another place: {abs(north_deg):.1f}° of latitude and "
                            f"{abs(east_deg):.1f}° of longitude from the garden")


def _check_units(document: Mapping[str, object]) -> None:
    if document.get("utc_offset_seconds") != 0:
        raise ForecastError("open-meteo did not answer in UTC, which it was asked for")
    named = _table(document.get("hourly_units"), "hourly_units")
    wanted = {"time": "unixtime"} | {name: variable.unit for name, variable in _VARIABLES.items()}
    for name, unit in wanted.items():
        if named.get(name) != unit:
            raise ForecastError(f"open-meteo gives {name} in {_shown(named.get(name))}; wanted {unit}")


def _stamps(value: object) -> tuple[datetime, ...]:
    """Full hours in UTC, each an hour after the one before."""
    if not isinstance(value, list) or not value:
        raise ForecastError(f"open-meteo: hourly.time should be a list of times, not {_kind(value)}")
    for before, stamp in zip([None, *value], value, strict=False):
        if type(stamp) is not int or not 0 <= stamp < 2**32 or stamp % HOUR_S:
            raise ForecastError(f"open-meteo: hourly.time holds {_shown(stamp)}, which is no full hour")
        if before is not None and stamp - before != HOUR_S:
            raise ForecastError(f"open-meteo: no step of one hour leads to {_utc(stamp):%Y-%m-%d %H:%M} UTC")
    return tuple(_utc(stamp) for stamp in value)


def _column(value: object, name: str, variable: _Variable, length: int) -> list[float | None]:
    if not isinstance(value, list) or len(value) != length:
        raise ForecastError(f"open-meteo: hourly.{name} should be a list of {length}, not {_kind(value)}")
    return [None if cell is None else _number(cell, name, variable.low, variable.high) for cell in value]


def _number(value: object, name: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise ForecastError(f"open-meteo: {name} is {_shown(value)}; possible is {low:g} to {high:g}")
    return float(value)


def _check_time(stamps: Sequence[datetime], forecast: Forecast, asked: datetime) -> None:
    """That it is about now, and far enough ahead. A stale copy and a wrong clock of ours both fail here."""
    if stamps[0] > asked + timedelta(hours=1):
        raise ForecastError(f"open-meteo's hours begin at {stamps[0]:%Y-%m-%d %H:%M} UTC, but it is "
                            f"{asked:%Y-%m-%d %H:%M} here; one of the two clocks is wrong")
    ahead = _hours_ahead(forecast, asked)
    if ahead < USABLE_HOURS_LEAST:
        raise ForecastError(f"open-meteo gives only {ahead} usable hours after {asked:%Y-%m-%d %H:%M} UTC; "
                            f"at least {USABLE_HOURS_LEAST} are needed")


def _check_sun(hours: Sequence[Hour], is_day: IsDay) -> None:
    """Their daylight must be ours: a wrong zone or a wrong place betrays itself at dawn or dusk.

    A shift leaves an odd hour a day or more, so more than one in two days are too many; clouds make none. Two
    hours of shift always show. One hour shows where sunrise or sunset are not too near a full hour: mostly.
    """
    known = [(hour, hour.solar_w_m2) for hour in hours if hour.solar_w_m2 is not None]
    odd = sum(_is_odd(solar_w_m2, _sunlit_share(hour.start, is_day)) for hour, solar_w_m2 in known)
    if odd * 48 > len(known):
        raise ForecastError(f"open-meteo's sun is not the garden's in {odd} of {len(known)} hours: "
                            "its times or place are wrong, or the garden's latitude and longitude are")


def _is_odd(solar_w_m2: float, sunlit_share: float) -> bool:
    if sunlit_share == 0.0:
        return solar_w_m2 > NIGHT_W_M2
    return sunlit_share >= 0.75 and solar_w_m2 < DARK_W_M2


def _sunlit_share(start: datetime, is_day: IsDay) -> float:
    """Share of the hour with the sun up, sampled every five minutes, both ends included."""
    return sum(is_day(start + timedelta(minutes=minute)) for minute in range(0, 61, 5)) / 13.0


def _hours_ahead(forecast: Forecast, asked: datetime) -> int:
    """Hours that have not begun yet."""
    return sum(hour.start >= asked for hour in forecast.hours)


def _utc(stamp_s: int) -> datetime:
    return datetime.fromtimestamp(stamp_s, UTC)


def _reason(body: object) -> str:
    """What an error document says of itself, if it does."""
    reason = body.get("reason") if isinstance(body, dict) else None
    return f": {_shown(reason)}" if isinstance(reason, str) else ""


def _kind(value: object) -> str:
    names = {dict: "a table", list: "a list", str: "a text", type(None): "nothing"}
    kind = names.get(type(value), "a single value")
    return f"{kind} of {len(value)}" if isinstance(value, list) else kind


def _shown(value: object) -> str:
    """A stranger's value in a sentence of ours: short, on one line, printable."""
    text = "".join(char if char.isprintable() else " " for char in str(value)[:120])
    return " ".join(text.split()) or "nothing"


# When to ask

BACKOFF_FIRST_S = 60.0
BACKOFF_MOST_S = 3600.0
WISH_MOST_S = 6 * 3600.0
LATER = 0.1


@dataclass(frozen=True, slots=True)
class Attempt:
    """How the last fetch went.

    ended_mono_s: when it ended, on the monotonic clock.
    failures: failed fetches in a row, this one included; 0 if it brought an answer.
    wish_s: when the server wants us again: Retry-After after a failure, the answer's freshness after success.
    """

    ended_mono_s: float
    failures: int = 0
    wish_s: float | None = None


def next_fetch_due(last: Attempt, every_s: float, chance: float) -> float:
    """When to fetch next, in seconds on the monotonic clock.

    every_s: the normal period, after an answer. After failures it is a minute, doubling up to an hour.
    chance: a random number from 0 to 1; it adds up to a tenth of the wait, so that gardens that were cut off
    together do not come back together.
    The server's wish makes the wait longer, never shorter, and by its own will not longer than six hours.
    """
    backoff_s = min(BACKOFF_FIRST_S * 2.0 ** (min(last.failures, 30) - 1), BACKOFF_MOST_S)
    own_s = backoff_s if last.failures else every_s
    wish_s = min(last.wish_s or 0.0, WISH_MOST_S)
    return last.ended_mono_s + max(own_s, wish_s) * (1.0 + LATER * chance)


# The last good answer on disk

FORMAT = 1


def keep_answer(path: Path, answer: Answer, place: Place) -> None:
    """Write it so that a power cut leaves the old file or the new one. Raises OSError."""
    text = _written(answer, place)
    fresh = path.with_name(path.name + ".new")
    with fresh.open("w", encoding="utf-8") as file:
        file.write(f"{_digest(text)}\n{text}\n")
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)


def kept_answer(path: Path, source: str, place: Place) -> Answer | None:
    """What was kept, or None if nothing was. ForecastError if it is damaged or not about this garden."""
    try:
        digest, _, text = path.read_text(encoding="utf-8").partition("\n")
        if digest != _digest(text.strip()):
            raise ValueError("its checksum does not fit")
        kept = json.loads(text)
        if kept["format"] != FORMAT or kept["source"] != source or kept["place"] != _spot(place):
            raise ValueError("it was made by another source, for another place or by another version")
        hours = tuple(Hour(_utc(stamp_s), *values) for stamp_s, *values in kept["hours"])
        forecast = Forecast(source, datetime.fromisoformat(kept["issued"]), hours)
        return Answer(forecast, kept["validators"], kept["fresh_s"])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ForecastError(f"the forecast kept in {path} is not used: {_shown(error)}; "
                            "the next good answer replaces it") from error


def _written(answer: Answer, place: Place) -> str:
    rows = [[int(hour.start.timestamp()), hour.temperature_c, hour.humidity_percent, hour.wind_10m_m_s,
             hour.solar_w_m2, hour.rain_mm, hour.rain_probability] for hour in answer.forecast.hours]
    return json.dumps({"format": FORMAT, "source": answer.forecast.source, "place": _spot(place),
                       "issued": answer.forecast.issued.isoformat(), "validators": dict(answer.validators),
                       "fresh_s": answer.fresh_s, "hours": rows})


def _spot(place: Place) -> list[float]:
    return [place.latitude_deg, place.longitude_deg, place.elevation_m]


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


# The thread that asks

class Fetcher:
    """Asks a source again and again, one fetch at a time, and drops what comes of it into the inbox.

    source, place: whom to ask, and about where.
    inbox: takes ForecastArrived and ForecastFailed; called from this object's thread, it may only store them.
    every_s: the normal period.
    keep: file for the last good answer, or None for none.
    deadline_s: after this a fetch is reported as failed. It is waited for all the same, as only one may be
    under way, and if it brings a forecast after all, that counts.
    """

    def __init__(self, source: Source, place: Place, inbox: Inbox, clock: Clock, *, every_s: float,
                 keep: Path | None = None, deadline_s: float = DEADLINE_S + 10.0,
                 chance: Callable[[], float] = random.random) -> None:
        self._source = source
        self._place = place
        self._inbox = inbox
        self._clock = clock
        self._every_s = every_s
        self._keep = keep
        self._deadline_s = deadline_s
        self._chance = chance
        self._failures = 0
        self._last: Answer | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="forecast", daemon=True)

    def start(self) -> None:
        """Hand out what was kept, and begin to ask."""
        self._thread.start()

    def stop(self) -> None:
        """Ask no more. A fetch under way is left to end by itself, and its result is dropped."""
        self._over.set()

    def _run(self) -> None:
        due_mono_s = self._recall(self._clock.now())
        while not self._over.wait(max(0.0, due_mono_s - self._clock.now().mono_s)):
            due_mono_s = self._fetch()

    def _recall(self, now: Now) -> float:
        """Deliver the kept answer; when to fetch first.

        At once, unless the kept answer is young: a daemon that dies again and again must not ask each time.
        """
        try:
            self._last = kept_answer(self._keep, self._source.name, self._place) if self._keep else None
        except ForecastError as error:
            self._inbox(ForecastFailed(str(error)))
        if self._last is None:
            return now.mono_s
        self._inbox(ForecastArrived(self._last.forecast))
        age_s = (now.utc - self._last.forecast.issued).total_seconds()
        if not now.trusted or age_s < 0.0:
            return now.mono_s
        attempt = Attempt(now.mono_s - age_s, wish_s=self._last.fresh_s)
        return next_fetch_due(attempt, self._every_s, self._chance())

    def _fetch(self) -> float:
        """One fetch, reported; when to do the next."""
        outcome = self._outcome()
        if self._over.is_set():
            return math.inf
        if isinstance(outcome, Answer):
            self._failures, wish_s = 0, outcome.fresh_s
            self._last = outcome
            self._store(outcome)
            self._inbox(ForecastArrived(outcome.forecast))
        else:
            self._failures, wish_s = self._failures + 1, outcome.retry_after_s
            self._inbox(ForecastFailed(str(outcome)))
        attempt = Attempt(self._clock.now().mono_s, self._failures, wish_s)
        return next_fetch_due(attempt, self._every_s, self._chance())

    def _outcome(self) -> Answer | ForecastError:
        """Ask in a thread of its own, so that a call that hangs beyond our reach is noticed in time."""
        result: SimpleQueue[Answer | ForecastError] = SimpleQueue()
        threading.Thread(target=lambda: result.put(self._ask()), name="forecast-fetch", daemon=True).start()
        try:
            return result.get(timeout=self._deadline_s)
        except Empty:
            self._inbox(ForecastFailed(f"{self._source.name} has not answered within {self._deadline_s:g} s"))
            return result.get()

    def _ask(self) -> Answer | ForecastError:
        try:
            return self._source.ask(self._place, self._clock.now().utc, self._last)
        except ForecastError as error:
            return error
        except Exception as error:  # a source with a bug in it must not end the forecasts
            log.exception("the source %s failed in a way it should not", self._source.name)
            return ForecastError(f"{self._source.name} could not be read: {_shown(repr(error))}")

    def _store(self, answer: Answer) -> None:
        if self._keep is None:
            return
        try:
            keep_answer(self._keep, answer, self._place)
        except OSError as error:
            log.warning("the forecast cannot be kept in %s (%s); it is used, but a restart will not find it",
                        self._keep, error)
