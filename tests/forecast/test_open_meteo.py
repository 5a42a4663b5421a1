"""Open-Meteo's answers: the right hours out of a good one, and one sentence out of every other."""

import copy
import json
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache
from itertools import pairwise
from typing import Any

import astral.sun
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.core.forecast import Forecast, Hour
from controller.drivers.http import get_json, strict_json
from controller.shells.forecast import (
    SOURCES,
    Answer,
    ForecastError,
    OpenMeteo,
    Place,
    open_meteo_params,
    read_open_meteo,
)
from controller.sim.service import open_meteo_document
from tests.forecast.server import (
    MIDNIGHT,
    NOON,
    ForecastServer,
    Reply,
    equator_hours,
    is_equator_day,
    open_meteo_body,
)

PLACE = Place(0.02, -0.03, 240.0)
HOURS = equator_hours(MIDNIGHT, 7 * 24 - 1)
Document = dict[str, Any]


def good() -> Document:
    return open_meteo_document(HOURS, 0.0, 0.0)


def read(document: object, asked: datetime = NOON) -> Forecast:
    return read_open_meteo(document, PLACE, asked, is_equator_day)


# A good answer

def test_what_is_asked() -> None:
    assert open_meteo_params(Place(38.56789, -7.91234, 240.4)) == {
        "latitude": "38.57", "longitude": "-7.91", "elevation": "240", "timezone": "GMT",
        "timeformat": "unixtime", "wind_speed_unit": "ms", "forecast_days": "7",
        "hourly": "temperature_2m,relative_humidity_2m,wind_speed_10m,shortwave_radiation,precipitation,"
                  "precipitation_probability"}


@pytest.mark.published(source="Open-Meteo, Weather Forecast API documentation, table of hourly variables: "
                              "radiation, precipitation and its probability are of the preceding hour, "
                              "temperature, humidity and wind instant")
def test_values_belong_to_the_right_hour() -> None:
    document = good()
    hourly = document["hourly"]
    noon = hourly["time"].index(int(NOON.timestamp()))
    for name, at_noon, at_one in [("temperature_2m", 30.0, 32.0), ("relative_humidity_2m", 40.0, 30.0),
                                  ("wind_speed_10m", 2.0, 5.0), ("shortwave_radiation", 800.0, 900.0),
                                  ("precipitation", 0.3, 4.0), ("precipitation_probability", 10.0, 70.0)]:
        hourly[name][noon:noon + 2] = [at_noon, at_one]
    (hour,) = (hour for hour in read(document).hours if hour.start == NOON)
    assert (hour.temperature_c, hour.humidity_percent, hour.wind_10m_m_s) == (31.0, 35.0, 3.5), "both ends"
    assert (hour.solar_w_m2, hour.rain_mm, hour.rain_probability) == (900.0, 4.0, 0.7), "its later end"


def test_the_whole_answer_comes_back() -> None:
    forecast = read(good())
    assert (forecast.source, forecast.issued) == ("open-meteo", NOON)
    assert [hour.start for hour in forecast.hours] == [hour.start for hour in HOURS]
    assert all(hour.start.utcoffset() == timedelta(0) for hour in forecast.hours)
    for given_hour, made in zip(forecast.hours, HOURS, strict=True):
        assert (given_hour.rain_mm, given_hour.rain_probability) == (made.rain_mm, made.rain_probability)
        assert given_hour.solar_w_m2 == pytest.approx(made.solar_w_m2, abs=0.001)
        assert given_hour.temperature_c == pytest.approx(made.temperature_c, abs=1.01), "smoothed by means"


def test_nulls_at_the_end_stay_missing() -> None:
    document = good()
    for name in ("precipitation", "precipitation_probability", "shortwave_radiation", "relative_humidity_2m",
                 "wind_speed_10m"):
        document["hourly"][name][-10:] = [None] * 10
    last = read(document).hours[-1]
    assert last.start == HOURS[-1].start
    assert {last.rain_mm, last.rain_probability, last.solar_w_m2, last.humidity_percent,
            last.wind_10m_m_s} == {None}


def test_hours_without_temperature_are_left_out() -> None:
    document = good()
    document["hourly"]["temperature_2m"][60] = None
    document["hourly"]["temperature_2m"][-24:] = [None] * 24
    starts = [hour.start for hour in read(document).hours]
    assert starts == [hour.start for hour in HOURS[:59] + HOURS[61:-24]]


@pytest.mark.parametrize("missing", ["shortwave_radiation", "precipitation"])
def test_a_column_without_any_value_is_missing_and_not_zero(missing: str) -> None:
    document = good()
    document["hourly"][missing] = [None] * len(document["hourly"]["time"])
    field_name = {"shortwave_radiation": "solar_w_m2", "precipitation": "rain_mm"}[missing]
    assert {getattr(hour, field_name) for hour in read(document).hours} == {None}


def test_dull_weather_is_believed() -> None:
    document = good()
    document["hourly"]["shortwave_radiation"] = [
        value and value * 0.05 for value in document["hourly"]["shortwave_radiation"]]
    assert len(read(document).hours) == len(HOURS)


# Answers that lie, are broken, or are about something else

def shifted(hours: int) -> Callable[[Document], None]:
    def shift(document: Document) -> None:
        document["hourly"]["time"] = [stamp + hours * 3600 for stamp in document["hourly"]["time"]]
    return shift


def put(*path: str | int, value: object) -> Callable[[Document], None]:
    def change(document: Any) -> None:
        for key in path[:-1]:
            document = document[key]
        document[path[-1]] = value
    return change


def cut(length: int) -> Callable[[Document], None]:
    def change(document: Document) -> None:
        document["hourly"] = {name: column[:length] for name, column in document["hourly"].items()}
    return change


def drop(*path: str | int) -> Callable[[Document], None]:
    def change(document: Any) -> None:
        for key in path[:-1]:
            document = document[key]
        del document[path[-1]]
    return change


LIES: Mapping[str, tuple[Callable[[Document], None], str]] = {
    "Fahrenheit": (put("hourly_units", "temperature_2m", value="°F"), "temperature_2m in °F; wanted °C"),
    "inches": (put("hourly_units", "precipitation", value="inch"), "gives precipitation in inch; wanted mm"),
    "km/h": (put("hourly_units", "wind_speed_10m", value="km/h"), "wanted m/s"),
    "text times": (put("hourly_units", "time", value="iso8601"), "wanted unixtime"),
    "a unit that is no text": (put("hourly_units", "precipitation", value={"a": 1}), "wanted mm"),
    "no units": (drop("hourly_units"), "hourly_units should be a table"),
    "local time": (put("utc_offset_seconds", value=3600), "not answer in UTC"),
    "one hour late": (shifted(1), "sun"),
    "one hour early": (shifted(-1), "sun"),
    "six hours late": (shifted(6), "sun"),
    "twelve hours early": (shifted(-12), "sun"),
    "last week": (shifted(-7 * 24), "only 0 usable hours"),
    "next week": (shifted(7 * 24), "one of the two clocks is wrong"),
    "elsewhere north": (put("latitude", value=1.0), "another place"),
    "elsewhere east": (put("longitude", value=100.0), "another place"),
    "place is text": (put("latitude", value="0.0"), "latitude is 0.0; possible"),
    "too short": (cut(12 + 24), "only 23 usable hours"),
    "empty hours": (cut(0), "list of times"),
    "one stamp": (cut(1), "only 0 usable hours"),
    "an hour missing": (drop("hourly", "time", 30), "no step of one hour"),
    "an hour twice": (put("hourly", "time", 30, value=int(MIDNIGHT.timestamp()) + 29 * 3600), "no step of"),
    "half hours": (put("hourly", "time", 0, value=int(MIDNIGHT.timestamp()) + 1800), "no full hour"),
    "a time of true": (put("hourly", "time", 0, value=True), "no full hour"),
    "a time beyond": (put("hourly", "time", 0, value=10**400), "no full hour"),
    "a float time": (put("hourly", "time", 0, value=1e9), "no full hour"),
    "column short": (drop("hourly", "precipitation", 3), "list of 168, not a list of 167"),
    "column gone": (drop("hourly", "precipitation"), "not nothing"),
    "column a number": (put("hourly", "precipitation", value=0.0), "not a single value"),
    "98.6 degrees": (put("hourly", "temperature_2m", 5, value=98.6), "temperature_2m is 98.6"),
    "a number as text": (put("hourly", "temperature_2m", 5, value="21"), "possible is -60 to 60"),
    "a value of true": (put("hourly", "precipitation", 5, value=True), "precipitation is True"),
    "NaN": (put("hourly", "precipitation", 5, value=float("nan")), "precipitation is nan"),
    "a huge integer": (put("hourly", "precipitation", 5, value=10**400), "possible is 0 to 400"),
    "negative rain": (put("hourly", "precipitation", 5, value=-0.1), "precipitation is -0.1"),
    "a wetter than wet air": (put("hourly", "relative_humidity_2m", 5, value=101.0), "relative_humidity_2m"),
    "a list inside": (put("hourly", "precipitation", 5, value=[1]), "precipitation is [1]"),
    "hourly a list": (put("hourly", value=[]), "hourly should be a table"),
}


@pytest.mark.parametrize("name", LIES)
def test_lies_are_refused_with_one_sentence(name: str) -> None:
    lie, part = LIES[name]
    document = good()
    lie(document)
    with pytest.raises(ForecastError) as caught:
        read(document)
    assert part in str(caught.value)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("open-meteo")


@pytest.mark.parametrize("body", [None, [], [good()], "x", 3, True, {}, {"error": True, "reason": "x"},
                                  {"latitude": 0.0, "longitude": 0.0}])
def test_documents_of_another_kind(body: object) -> None:
    with pytest.raises(ForecastError):
        read(body)


@pytest.mark.parametrize(("longitude", "answered"), [(179.98, -179.9), (-179.98, 179.9)])
def test_the_date_line_is_no_distance(longitude: float, answered: float) -> None:
    document = good()
    document["longitude"] = answered
    place = replace(PLACE, longitude_deg=longitude)
    assert read_open_meteo(document, place, NOON, is_equator_day).hours


@cache
def height_deg(latitude_deg: float, utc: datetime) -> float:
    """The sun's true height at 8° W, by an almanac that is not ours."""
    return astral.sun.elevation(astral.Observer(latitude_deg, -8.0), utc, with_refraction=False)


def clear_sky_w_m2(latitude_deg: float, start: datetime) -> float:
    """Mean of an hour under a clear sky: Haurwitz (1945), as given by Reno et al. (2012), SAND2012-2389."""
    cosines = [math.sin(math.radians(height_deg(latitude_deg, start + timedelta(minutes=minute))))
               for minute in range(0, 60, 5)]
    return sum(1098.0 * cosine * math.exp(-0.059 / cosine) for cosine in cosines if cosine > 0.001) / 12.0


@pytest.mark.parametrize("month", [7, 12])
@pytest.mark.parametrize("latitude_deg", [-33.0, 38.5, 55.0])
def test_the_sun_finds_a_wrong_zone_and_accepts_all_weathers(latitude_deg: float, month: int) -> None:
    first = MIDNIGHT.replace(month=month)
    starts = [first + timedelta(hours=n) for n in range(72)]
    clear = [clear_sky_w_m2(latitude_deg, start) for start in starts]

    def verdict(transmitted: float, shift_h: int) -> str:
        hours = [Hour(start + timedelta(hours=shift_h), 20.0, 50.0, 2.0, round(w_m2 * transmitted), 0.0, 0.0)
                 for start, w_m2 in zip(starts, clear, strict=True)]
        try:
            read_open_meteo(open_meteo_document(hours, latitude_deg, -8.0), Place(latitude_deg, -8.0, 0.0),
                            first + timedelta(hours=5), lambda utc: height_deg(latitude_deg, utc) > 0.0)
        except ForecastError as error:
            return "sun" if "sun" in str(error) else str(error)
        return "good"

    assert [verdict(transmitted, 0) for transmitted in (1.0, 0.4, 0.1)] == ["good"] * 3
    assert [verdict(1.0, shift_h) for shift_h in (-12, -5, -2, 2, 5)] == ["sun"] * 5


def test_a_wrong_clock_of_ours_is_named() -> None:
    with pytest.raises(ForecastError, match=r"begin at 2026-07-13 00:00 UTC, but it is 1970-01-01 00:05"):
        read(good(), MIDNIGHT.replace(year=1970, month=1, day=1, minute=5))


# 1,000 mutations

GOOD_BODY = open_meteo_body(HOURS[:72], 0.0, 0.0)
SCALARS: st.SearchStrategy[Any] = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5),
    st.sampled_from([10**400, -1, 1e308, "°F", float("nan"), float("inf")]))
ANYTHING = st.recursive(SCALARS, lambda inner: st.one_of(
    st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=3), inner, max_size=3)), max_leaves=5)


def paths(node: object, here: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Ways to the parts of a document; of a long list only some of its places."""
    if here:
        yield here
    if isinstance(node, dict):
        for key, value in node.items():
            yield from paths(value, (*here, key))
    elif isinstance(node, list):
        for index in (0, 1, len(node) // 2, len(node) - 1):
            yield (*here, index)


PATHS = list(paths(json.loads(GOOD_BODY)))


def outcome(body: object) -> Forecast | ForecastError:
    try:
        return read(body, MIDNIGHT + timedelta(hours=3))
    except ForecastError as error:
        return error


@settings(max_examples=500, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.sampled_from(PATHS), ANYTHING | st.just(drop)), min_size=1, max_size=3))
def test_a_document_with_parts_exchanged(changes: list[tuple[tuple[str | int, ...], object]]) -> None:
    document = json.loads(GOOD_BODY)
    for path, value in changes:
        try:
            (drop(*path) if value is drop else put(*path, value=copy.deepcopy(value)))(document)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change has taken the place away
    result = outcome(document)
    if isinstance(result, Forecast):
        assert all(-60.0 <= hour.temperature_c <= 60.0 for hour in result.hours)
        assert all(later.start > earlier.start for earlier, later in pairwise(result.hours))
    else:
        assert str(result).isprintable()


@settings(max_examples=500, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(GOOD_BODY) - 1), st.integers(0, 3), st.binary(max_size=4)),
                min_size=1, max_size=3))
def test_a_body_with_bytes_exchanged(edits: list[tuple[int, int, bytes]]) -> None:
    raw = GOOD_BODY
    for at, gone, new in edits:
        raw = raw[:at] + new + raw[at + gone:]
    try:
        body = strict_json(raw)
    except ValueError:
        return
    result = outcome(body)
    assert isinstance(result, Forecast) or str(result).isprintable()


# The source, through real sockets

@dataclass
class Asked:
    """A source at a server, as the daemon would have it."""

    server: ForecastServer
    source: Any = field(init=False)

    def __post_init__(self) -> None:
        self.source = SOURCES["open-meteo"](get_json, self.server.url, is_equator_day)

    def __call__(self, last: Answer | None = None, asked: datetime = NOON) -> Answer:
        answer: Answer = self.source.ask(PLACE, asked, last)
        return answer


BODY = open_meteo_body(HOURS, 0.0, 0.0)


def test_good_answer_over_the_wire() -> None:
    with ForecastServer(Reply(BODY, headers={"ETag": '"v1"', "Cache-Control": "max-age=900"})) as server:
        answer = Asked(server)()
    assert answer.forecast == read(good())
    assert (answer.validators, answer.fresh_s) == ({"If-None-Match": '"v1"'}, 900.0)
    assert server.asked[0].query == open_meteo_params(PLACE)


def test_the_seam_asks_the_same() -> None:
    with ForecastServer(Reply(BODY)) as server:
        source = OpenMeteo(get_json, server.url, is_equator_day)
        assert source.fetch(PLACE.latitude_deg, PLACE.longitude_deg, PLACE.elevation_m, NOON) == read(good())


def test_304_confirms_the_last_answer() -> None:
    later = NOON + timedelta(hours=6)
    with ForecastServer(Reply(BODY, headers={"ETag": '"v1"'}), Reply(status=304)) as server:
        ask = Asked(server)
        first = ask()
        second = ask(first, later)
    assert server.asked[1].headers["if-none-match"] == '"v1"'
    assert second == replace(first, forecast=replace(first.forecast, issued=later))


def test_an_answer_that_runs_out_is_not_confirmed_but_replaced() -> None:
    much_later = HOURS[-1].start - timedelta(hours=20)
    fresh = open_meteo_body(equator_hours(much_later.replace(hour=0), 167), 0.0, 0.0)
    with ForecastServer(Reply(BODY, headers={"ETag": '"v1"'}), Reply(fresh)) as server:
        ask = Asked(server)
        second = ask(ask(), much_later)
    assert "if-none-match" not in server.asked[1].headers
    assert second.forecast.hours[-1].start > HOURS[-1].start


@pytest.mark.parametrize(("reply", "part", "retry_after_s"), [
    (Reply(status=304), "status 304", None),
    (Reply(b'{"error":true,"reason":"Daily limit\\nexceeded"}', status=429, headers={"Retry-After": "86400"}),
     "status 429: Daily limit exceeded", 86400.0),
    (Reply(b"<html>", status=500), "status 500", None),
    (Reply(status=302, headers={"Location": "http://portal.invalid/"}), "status 302", None),
    (Reply(b'{"error":true,"reason":"x"}'), "latitude", None),
    (Reply(b"<html>", headers={"Content-Type": "text/html"}), "no valid JSON (text/html)", None),
    (Reply(BODY[:500]), "no valid JSON", None),
    (Reply(BODY.replace(b"null", b"NaN", 1)), "NaN", None),
    (Reply(b"[" + BODY + b"]"), "the answer should be a table, not a list of 1", None),
    (Reply(b""), "no valid JSON", None)],
    ids=["304 to no question", "429", "500", "302", "error with 200", "HTML", "truncated", "NaN", "list",
         "empty"])
def test_bad_answers_over_the_wire(reply: Reply, part: str, retry_after_s: float | None) -> None:
    with ForecastServer(reply) as server, pytest.raises(ForecastError) as caught:
        Asked(server)()
    assert part in str(caught.value)
    assert caught.value.retry_after_s == retry_after_s
    assert "\n" not in str(caught.value)


def test_a_drip_over_the_wire_ends_at_the_sources_deadline() -> None:
    with ForecastServer(Reply(BODY, body_drip_s=0.05)) as server:
        source = OpenMeteo(get_json, server.url, is_equator_day, deadline_s=0.2)
        with pytest.raises(ForecastError, match=r"within 0\.2 s"):
            source.ask(PLACE, NOON, None)
