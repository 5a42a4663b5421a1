"""check: what was understood, and with --live what answers."""

import json
import re
import sqlite3
from pathlib import Path

import pytest

from controller.commands import check
from controller.commands.check import _journal, _pins, _water_in_reach
from controller.core.moment import Now, local_date
from controller.core.need import dawn_need, view
from controller.core.soil import believed
from controller.core.step import new_garden
from controller.settings import load
from tests.broker import Mosquitto
from tests.commands.conftest import NOW, Call
from tests.guard.diary_pins import VARIABLE
from tests.report.weeks import demo_site


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


@pytest.mark.published(source="FAO-56 (1998), equations 82 and 83, Tables 19 and 22; Keller & Karmeli 1974")
def test_the_water_that_the_roots_reach(call: Call) -> None:
    zones = {zone["id"]: zone for zone in json.loads(call("check", "--json").out)["zones"]}
    tomatoes = zones["tomatoes"]
    assert tomatoes["wetted_share"] == 0.5  # 40 m of a strip 0.3 m wide on 24 m2
    # loamy sand holds 0.150 - 0.065; Table 22 lets tomatoes draw 0.40 of it on a day that draws 5 mm
    assert tomatoes["available_mm"] == pytest.approx(1000 * 0.085 * tomatoes["root_depth_m"] * 0.5, abs=0.06)
    assert tomatoes["readily_available_mm"] == pytest.approx(0.40 * tomatoes["available_mm"], abs=0.06)
    assert zones["pots"]["wetted_share"] == 1.0


def test_the_most_of_one_watering_is_what_the_need_is_held_to(call: Call) -> None:
    site, zones = demo_site(), {zone["id"]: zone for zone in json.loads(call("check", "--json").out)["zones"]}
    garden = new_garden(site, Now(0.0, NOW))
    day = local_date(NOW, site.timezone)
    citrus = site.zone("citrus")
    dry = believed(garden.beds["citrus"], 300.0, 0.0)  # far beyond what its soil holds, so that the limit shows
    need = dawn_need(view(site, citrus, dry, garden.weather, day, NOW))
    assert need is not None
    assert need.short_mm > 0.0
    assert need.net_mm == pytest.approx(zones["citrus"]["most_by_wetting_front_mm"], abs=0.06)
    assert need.litres == pytest.approx(zones["citrus"]["most_by_wetting_front_litres"], abs=0.06)
    assert zones["pots"]["most_by_wetting_front_mm"] is None
    limited = {**zones["citrus"], "most_by_wetting_front_mm": 6.0, "most_by_wetting_front_litres": 80.0}
    assert _water_in_reach(limited)[1] == "one watering gives 6 mm at most (80 L): more would sink below the roots"


def test_it_is_readable(call: Call) -> None:
    said = call("check")
    assert said.code == 0
    assert "the config is good. 6 zones, 7 sensors, supply 12 L/min." in " ".join(said.out.split())
    assert "Tomatoes (tomatoes), 1 mm is 24.0 L" in said.out
    text = " ".join(said.out.split())
    assert "50 % of its ground gets wet; there the roots, 70 cm deep, reach 30 mm (TAW)" in text
    assert "on a day that draws 5 mm (RAW)" in text
    assert "one watering may refill it whole without sinking below the roots" in text


def test_what_the_garden_has_taught_is_told_from_the_journal(call: Call, config: Path) -> None:
    told = json.loads(call("check", "--json").out)["learnt"]
    text = " ".join(told)
    assert "By its own thermometer the place" in text
    tomatoes = r"Tomatoes: Learnt of this bed so far: .* Trust in its probes, from 0 to 1: tomatoes-probe \d\.\d\d"
    assert re.search(tomatoes, text)
    assert "Trust in its probes" in " ".join(call("check").out.split())


def test_a_garden_that_has_not_run_yet_has_taught_nothing(call: Call, tmp_path: Path) -> None:
    assert json.loads(call("check", "--json", "--journal", str(tmp_path / "none.sqlite")).out)["learnt"] == []


def test_a_journal_that_cannot_be_read_is_said_and_the_config_is_still_good(call: Call, tmp_path: Path) -> None:
    broken = tmp_path / "broken.sqlite"
    broken.write_text("no database")
    said = call("check", "--json", "--journal", str(broken))
    assert said.code == 0
    (told,) = json.loads(said.out)["learnt"]
    assert told.startswith("What was learnt so far cannot be told: ")


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
