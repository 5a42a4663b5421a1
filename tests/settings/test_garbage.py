"""Whatever a file holds, it loads or gives ConfigError with lines fit to be shown; nothing else ever comes out."""

import tomllib
from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from controller.settings import Settings
from controller.settings.__main__ import schema
from controller.settings.tables import Table
from tests.settings.gardens import CONFIG, GOOD, lines_of, loaded

SCALARS = (
    st.booleans()
    | st.integers()
    | st.integers(-3, 30)
    | st.just(10**400)
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["master", "tomato", "loamy sand", "high", "by name", "as a table", "tomatoes", "raw", "../x"])
    | st.dates()
    | st.times()
    | st.datetimes()
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)


def in_toml(value: Any) -> str:
    """A value as TOML writes it inline."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return '"' + "".join(f"\\U{ord(each):08x}" for each in value) + '"'
        case dict():
            return "{" + ", ".join(f"{in_toml(key)} = {in_toml(each)}" for key, each in value.items()) + "}"
        case list():
            return "[" + ", ".join(map(in_toml, value)) + "]"
        case date() | datetime() | time():
            return value.isoformat()
    return repr(value)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The paths to every value within a value."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [found for key, each in inner for found in [(*path, key), *places(each, (*path, key))]]


FULL = (CONFIG / "full.toml").read_text("utf-8")
PLACES = places(tomllib.loads(GOOD))
FULL_PLACES = places(tomllib.loads(FULL))
KEYS = [path for path in PLACES if isinstance(path[-1], str)]


def whole(config: dict[str, Any]) -> str:
    return "".join(f"{in_toml(key)} = {in_toml(value)}\n" for key, value in config.items())


def check(text: str | bytes) -> None:
    """Good lines, or a config from which everything can be had."""
    lines = lines_of(text)
    for line in lines:
        assert line.startswith("garden.toml: ")
        assert line.isprintable()
    if not lines:
        config = loaded(text)
        assert len(config.build().zones) == len(config.charge().valves)
        assert all(warning.isprintable() for warning in config.warnings())


def test_the_good_config_survives_being_written_inline() -> None:
    assert lines_of(whole(tomllib.loads(GOOD))) == []


@settings(max_examples=400, deadline=None)
@given(where=st.lists(st.sampled_from(PLACES), min_size=1, max_size=3), what=st.lists(VALUES, min_size=3, max_size=3))
def test_garbage_in_place_of_any_value(where: list[tuple[Any, ...]], what: list[Any]) -> None:
    config = tomllib.loads(GOOD)
    for path, value in zip(where, what, strict=False):
        holder: Any = config
        try:
            for step in path[:-1]:
                holder = holder[step]
            holder[path[-1]] = value
        except (TypeError, KeyError, IndexError):  # an earlier piece of garbage stands there
            continue
    check(whole(config))


@settings(max_examples=300, deadline=None)
@given(where=st.sampled_from(FULL_PLACES), what=VALUES)
def test_garbage_in_place_of_any_value_of_the_full_example(where: tuple[Any, ...], what: Any) -> None:
    config = tomllib.loads(FULL)
    holder: Any = config
    for step in where[:-1]:
        holder = holder[step]
    holder[where[-1]] = what
    check(whole(config))


@settings(max_examples=200, deadline=None)
@given(where=st.sampled_from(KEYS), key=st.text(max_size=12), what=VALUES)
def test_garbage_beside_any_key(where: tuple[Any, ...], key: str, what: Any) -> None:
    config = tomllib.loads(GOOD)
    holder: Any = config
    for step in where[:-1]:
        holder = holder[step]
    holder.setdefault(key, what)
    check(whole(config))


@settings(max_examples=200, deadline=None)
@given(where=st.integers(0, len(GOOD) - 1), length=st.integers(0, 40), what=st.text(max_size=10))
def test_garbage_over_any_stretch_of_the_text(where: int, length: int, what: str) -> None:
    check(GOOD[:where] + what + GOOD[where + length :])


@settings(max_examples=100, deadline=None)
@given(content=st.binary(max_size=200))
def test_any_bytes_at_all(content: bytes) -> None:
    check(content)


def numbers_in(part: Any) -> Iterator[dict[str, Any]]:
    """Every number that a JSON schema describes."""
    if isinstance(part, dict) and part.get("type") in ("number", "integer"):
        yield part
    for each in part.values() if isinstance(part, dict) else part if isinstance(part, list) else ():
        yield from numbers_in(each)


def test_every_number_has_two_bounds() -> None:
    """So that no sum or quotient of a good config can vanish or overflow."""
    numbers = list(numbers_in(schema()))

    assert len(numbers) > 50
    assert [number for number in numbers if not {"minimum", "maximum"} <= set(number)] == []


def test_every_table_forbids_what_it_does_not_know() -> None:
    tables: list[type[Table]] = [Settings, *Table.__subclasses__()]

    assert len(tables) > 15
    assert all(table.model_config["extra"] == "forbid" and table.model_config["frozen"] for table in tables)
