"""check: what was understood, and with --live what answers."""

import json
import re
import sqlite3
from pathlib import Path

import pytest

from controller.commands import check
from controller.commands.check import _journal, _pins
from controller.settings import load
from tests.broker import Mosquitto
from tests.commands.conftest import Call
from tests.guard.diary_pins import VARIABLE


def tried(call: Call, *arguments: str) -> tuple[int, dict[str, tuple[bool, str]]]:
    said = call("check", "--live", "--json", *arguments)
    return said.code, {each["part"]: (each["ok"], each["said"]) for each in json.loads(said.out)["live"]}


def test_what_was_understood(call: Call) -> None:
    zones = {zone["id"]: zone for zone in json.loads(call("check", "--json").out)["zones"]}
    # 40 m of dripline with 2.0 L/h each 0.3 m, on a strip 0.3 m wide
    assert zones["tomatoes"]["flow_l_min"] == pytest.approx(40 / 0.3 * 2.0 / 60, abs=0.01)
    assert zones["tomatoes"]["rate_mm_h"] == pytest.approx(40 / 0.3 * 2.0 / (40 * 0.3), abs=0.05)
    assert zones["tomatoes"]["litres_per_mm"] == 24.0
    assert zones["pots"]["longest_pulse_by_valve_min"] == 20.0
    # 60 x store / (rate - intake)
    citrus = zones["citrus"]
    assert citrus["longest_pulse_by_ground_min"] < 30.0
    assert len(zones) == 6


def test_it_is_readable(call: Call) -> None:
    said = call("check")
    assert said.code == 0
    assert "the config is good. 6 zones, 7 sensors, supply 12 L/min." in " ".join(said.out.split())
    assert "Tomatoes (tomatoes), 1 mm is 24.0 L" in said.out


def test_what_is_allowed_but_odd_is_said(call: Call, config: Path) -> None:
    text = config.read_text().replace("[heat]\n", "[heat]\n").replace("hot_day_c = 37", "hot_day_c = 27")
    config.write_text(text)
    warnings = load(config).warnings()
    said = " ".join(call("check").out.split())
    assert json.loads(call("check", "--json").out)["warnings"] == list(warnings)
    assert all(f"Look again: {warning}" in said for warning in warnings)


def test_a_wrong_config_is_2(call: Call, config: Path) -> None:
    config.write_text(config.read_text().replace('crop = "tomato"', 'crop = "tomatto"'))
    said = call("check")
    assert said.code == 2
    assert 'did you mean "tomato"' in said.complaint


def test_no_broker_is_told_and_1(call: Call) -> None:
    code, found = tried(call)
    assert code == 1
    assert found["broker"][0] is False
    assert "No broker answers" in found["broker"][1]
    assert found["forecast"][0] is True
    assert found["journal"][0] is True
    assert found["pins"] == (True, "tests.guard.diary_pins:factory is there.")


@pytest.mark.real
def test_all_well_is_0(call: Call, config: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "diary"))
    with Mosquitto(tmp_path) as broker:
        config.write_text(re.sub(r"port = \d+", f"port = {broker.port}", config.read_text(), count=1))
        code, found = tried(call)
        said = call("check", "--live")
    assert code == 0
    assert found["broker"][1].startswith("Connected to the broker at 127.0.0.1:")
    assert said.code == 0
    assert said.out.count("\nok  ") == 4
    assert not (tmp_path / "diary").exists(), "a check must touch no line"


def test_a_forecast_that_cannot_be_had_is_told(call: Call, config: Path) -> None:
    text = config.read_text().replace(
        'source = "none"', 'source = "open-meteo"\nurl = "http://127.0.0.1:9/v1"'
    )
    config.write_text(text)
    _, found = tried(call)
    assert found["forecast"][0] is False
    assert "Watering goes on without" in found["forecast"][1]
    assert "\n" not in found["forecast"][1]


def test_a_journal_that_is_locked_or_odd_is_told(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    path.write_bytes(b"not a database" * 200)
    assert _journal(path).ok is False
    assert "cannot be written" in _journal(path).said


def test_a_journal_to_come_is_fine_where_it_can_be_made(tmp_path: Path) -> None:
    assert _journal(tmp_path / "journal.sqlite").ok
    assert not (tmp_path / "journal.sqlite").exists()
    missing = _journal(tmp_path / "none" / "journal.sqlite")
    assert missing.ok is False
    assert f"make the directory {tmp_path / 'none'}" in missing.said


def test_a_check_leaves_the_journal_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE t (x)")
    db.close()
    before = path.read_bytes()
    assert _journal(path).ok
    assert path.read_bytes() == before


@pytest.mark.parametrize(("driver", "words"), [
    ("no_such_module:factory", "cannot be imported (ModuleNotFoundError"),
    ("tests.guard.diary_pins:no_such", "cannot be imported (AttributeError"),
    ("tests.guard.diary_pins:VARIABLE", "is no function"),
])  # fmt: skip
def test_a_driver_that_is_not_there_is_told(call: Call, config: Path, driver: str, words: str) -> None:
    config.write_text(config.read_text().replace("tests.guard.diary_pins:factory", driver))
    _, found = tried(call)
    assert found["pins"][0] is False
    assert words in found["pins"][1]


@pytest.mark.parametrize(("level", "ok"), [("Y\n", False), ("N\n", True)])
def test_pins_that_keep_their_level_are_warned_of(
    config: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, level: str, ok: bool
) -> None:
    parameter = tmp_path / "persist_gpio_outputs"
    parameter.write_text(level)
    monkeypatch.setattr(check, "PERSIST", parameter)
    config.write_text(config.read_text().replace("tests.guard.diary_pins:factory", "lgpio"))
    found = {each.part: each for each in _pins(load(config))}
    assert found["pins at rest"].ok is ok
    assert ("persist_gpio_outputs=n" in found["pins at rest"].said) is not ok
