"""The examples in config/ load, hold together, and agree with the schema beside them."""

import tomllib
from datetime import date, datetime, time
from pathlib import Path
from typing import Any, get_args

import jsonschema
import pytest
from pydantic import BaseModel

from controller.settings import Settings, load
from controller.settings.__main__ import schema, schema_text
from tests.settings.gardens import CONFIG, EXAMPLES, GOOD

each_example = pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)


def as_json(value: Any) -> Any:
    """TOML's dates and times as JSON would carry them."""
    if isinstance(value, dict):
        return {key: as_json(each) for key, each in value.items()}
    if isinstance(value, list):
        return [as_json(each) for each in value]
    return value.isoformat() if isinstance(value, date | datetime | time) else value


def keys_in(value: Any) -> set[str]:
    if isinstance(value, dict):
        return set(value) | {key for each in value.values() for key in keys_in(each)}
    return {key for each in value for key in keys_in(each)} if isinstance(value, list) else set()


def keys_of(annotation: Any) -> set[str]:
    """Every key a table and the tables within it take."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        fields = annotation.model_fields.items()
        return {field.alias or name for name, field in fields} | {k for _, f in fields for k in keys_of(f.annotation)}
    return {key for part in get_args(annotation) for key in keys_of(part)}


def test_the_examples_are_there() -> None:
    assert [path.name for path in EXAMPLES] == ["demo.toml", "full.toml", "pressed.toml", "small.toml"]


def test_the_schema_file_is_up_to_date() -> None:
    assert (CONFIG / "seepward.schema.json").read_text("utf-8") == schema_text(), (
        "write it anew: python -m controller.settings > config/seepward.schema.json"
    )


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())


@each_example
def test_an_example_loads_and_builds(path: Path) -> None:
    settings = load(path)
    site = settings.build()

    assert [zone.id for zone in site.zones] == list(settings.charge().valves)
    assert {zone.id for zone in site.zones} <= set(settings.lines())


@each_example
def test_an_example_agrees_with_the_schema(path: Path) -> None:
    jsonschema.validate(as_json(tomllib.loads(path.read_text("utf-8"))), schema(), jsonschema.Draft202012Validator)


def test_the_schema_refuses_what_a_key_refuses() -> None:
    spoilt = as_json(tomllib.loads(GOOD.replace("pin = 22", "pin = 28")))

    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(spoilt, schema(), jsonschema.Draft202012Validator)


def test_the_full_example_has_every_key() -> None:
    assert keys_in(tomllib.loads((CONFIG / "full.toml").read_text("utf-8"))) >= keys_of(Settings)


def test_what_the_full_example_calls_left_out_is_so() -> None:
    """The values it gives for whole tables of defaults are the defaults."""
    full = load(CONFIG / "full.toml")
    bare = load(CONFIG / "small.toml")

    assert full.forecast == bare.forecast
    assert full.journal == bare.journal
    own = {"site_open_min_24h": None, "site_litres_24h": None, "never_together": ()}
    assert full.guard.model_copy(update=own) == bare.guard
    assert full.pins == bare.pins
    assert full.heat.model_copy(update={"t95_c": None, "ehf85_c2": None}) == bare.heat
    assert full.watering.model_copy(update={"allowed": (), "season": "on"}) == bare.watering


@each_example
def test_an_example_comments_each_table(path: Path) -> None:
    lines = path.read_text("utf-8").splitlines()
    uncommented = [
        line
        for number, line in enumerate(lines)
        if line.startswith("[") and not line.startswith(("[[normal]]", "[[sensor]]"))
        if not lines[number - 1].startswith("#")
    ]

    assert uncommented == ["[zone.crop]", "[zone.soil]"] * (path.name == "full.toml")


def test_the_full_example_shows_each_kind_of_sensor_and_each_way_to_its_value() -> None:
    sensors = load(CONFIG / "full.toml").sensor

    assert {sensor.kind for sensor in sensors} == {
        "soil moisture", "air temperature", "rain", "rain switch", "soil temperature", "job switch",
        "stop switch", "pressure switch", "tank switch", "flow meter", "tank level",
    }
    assert any(sensor.polynomial for sensor in sensors)
    assert any(sensor.permittivity for sensor in sensors)
    assert any(sensor.tension for sensor in sensors)


def test_the_demo_garden_fits_a_july_day() -> None:
    """A day of ETo 8 mm (invented, usual for an inland July) fits every zone's limit, and no zone floods."""
    for zone in load(CONFIG / "demo.toml").build().zones:
        litres = 8.0 * zone.crop.kc_mid * zone.area_m2 / zone.line.efficiency

        assert litres / zone.line.flow_l_min * 60 < zone.most_s_per_24h, zone.id
        assert 5 < 60 * zone.line.flow_l_min / zone.area_m2 < 25, zone.id


def test_the_demo_garden_shows_each_kind_of_sensor_payload() -> None:
    settings = load(CONFIG / "demo.toml")

    probed = {sensor.zone for sensor in settings.sensor if sensor.kind == "soil moisture"}
    assert probed == {zone.id for zone in settings.zone} - {"herbs"}
    assert {sensor.unit for sensor in settings.sensor} == {"raw", "%", "m3/m3", "°C", "mm"}
    assert any(sensor.pointer is None for sensor in settings.sensor)
