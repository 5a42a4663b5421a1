"""`simulate`: dates, seed, faults and an outside garden in; an honest account out."""

import json
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest

from controller.core.forecast import Forecast
from controller.settings import Settings, load
from controller.sim.faults import Fault
from controller.sim.run import SimulationError, garden_class, simulate
from tests.sim.plots import DEMO

MONDAY, TUESDAY = date(2026, 7, 13), date(2026, 7, 14)


@pytest.fixture(scope="module")
def settings() -> Settings:
    return load(DEMO)


@pytest.fixture(scope="module")
def two_days(settings: Settings) -> dict[str, Any]:
    return simulate(settings, MONDAY, TUESDAY, seed=3)


def test_the_result_is_shaped_as_it_is_promised_and_is_json(two_days: dict[str, Any], settings: Settings) -> None:
    assert {"from", "to", "seed", "zones", "site", "faults", "violations", "garden"} <= set(two_days)
    assert (two_days["from"], two_days["to"], two_days["seed"]) == ("2026-07-13", "2026-07-14", 3)
    assert set(two_days["zones"]) == {zone.id for zone in settings.build().zones}
    for zone in two_days["zones"].values():
        assert {
            "litres", "depth_mm", "waterings", "pulses", "open_minutes", "stress_days", "drainage_mm", "runoff_mm"
        } <= set(zone)
    assert json.loads(json.dumps(two_days)) == two_days


def test_the_account_adds_up(two_days: dict[str, Any], settings: Settings) -> None:
    site = settings.build()
    assert two_days["site"]["litres"] == pytest.approx(sum(z["litres"] for z in two_days["zones"].values()), abs=0.1)
    for zone in site.zones:
        row = two_days["zones"][zone.id]
        assert row["depth_mm"] == pytest.approx(row["litres"] / zone.area_m2, abs=0.01)
        assert row["litres"] <= row["open_minutes"] * zone.line.flow_l_min + 0.5
        assert row["waterings"] <= row["pulses"] or row["pulses"] == 0
    assert two_days["violations"] == []
    assert two_days["faults"] == {"injected": 0, "noticed": 0}


def test_the_same_seed_gives_the_same_account(two_days: dict[str, Any], settings: Settings) -> None:
    assert simulate(settings, MONDAY, TUESDAY, seed=3) == two_days


def test_a_day_of_one_civil_day_is_lived_whole(settings: Settings, tmp_path: Path) -> None:
    result = simulate(settings, MONDAY, MONDAY, seed=3, journal=tmp_path / "journal.sqlite")
    assert (result["from"], result["to"]) == ("2026-07-13", "2026-07-13")
    assert (tmp_path / "journal.sqlite").exists()


@pytest.mark.parametrize(("first", "last"), [(TUESDAY, MONDAY), (date(2000, 1, 1), date(2026, 1, 1))])
def test_dates_that_make_no_sense_are_refused(settings: Settings, first: date, last: date) -> None:
    with pytest.raises(SimulationError, match="give a first day, and a last one up to ten years after it"):
        simulate(settings, first, last)


def test_probes_that_stick_or_fall_silent_are_noticed(settings: Settings) -> None:
    faults = [
        Fault("probe stuck", 40.0, 100.0, "tomatoes-probe"),
        Fault("probe silent", 60.0, 50.0, "zucchini-probe"),
    ]
    result = simulate(settings, date(2026, 7, 6), date(2026, 7, 12), seed=4, faults=faults)
    assert result["faults"] == {"injected": 2, "noticed": 2, "kinds": {"probe stuck": 1, "probe silent": 1}}
    assert result["violations"] == []


class Stone:
    """A garden from outside: no sensors, no forecast, no words."""

    def __init__(self, config: Settings, seed: int) -> None:
        self.litres: dict[str, float] = {}
        self.until: datetime | None = None
        self.longest_s = 0.0

    def advance(self, until: datetime, litres: dict[str, float]) -> None:
        if self.until is not None:
            assert until >= self.until, "time does not run back"
            self.longest_s = max(self.longest_s, (until - self.until).total_seconds())
        self.until = until
        for zone, some in litres.items():
            self.litres[zone] = self.litres.get(zone, 0.0) + some

    def messages(self) -> list[tuple[str, bytes]]:
        return []

    def forecast(self, now: datetime) -> Forecast:
        raise RuntimeError("none today")

    def summary(self) -> dict[str, Any]:
        return {"litres": self.litres, "longest_s": self.longest_s}


def test_a_garden_from_outside_is_run_watered_by_the_calendar_and_quoted(settings: Settings) -> None:
    result = simulate(settings, MONDAY, date(2026, 7, 16), garden="tests.sim.test_run:Stone")
    assert result["garden"]["longest_s"] <= 3600.0
    for zone, litres in result["garden"]["litres"].items():
        assert litres == pytest.approx(result["zones"][zone]["litres"], abs=0.01)
    assert result["site"]["litres"] > 100.0
    assert result["zones"]["tomatoes"]["stress_days"] is None
    assert result["violations"] == []


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("nonsense", "write it as module:Class"),
        ("tests.nowhere:Stone", "cannot be loaded"),
        ("tests.sim.test_run:Pebble", "cannot be loaded"),
    ],
)
def test_a_garden_that_is_not_there_is_refused_in_words(name: str, said: str) -> None:
    with pytest.raises(SimulationError, match=said):
        garden_class(name)


def test_a_config_with_instruments_that_the_garden_has_not_is_simulated_without_them() -> None:
    settings = load(Path("config/full.toml"))
    assert {sensor.kind for sensor in settings.sensor} > {"soil moisture", "air temperature", "rain"}

    result = simulate(settings, date(2026, 7, 1), date(2026, 7, 2))

    assert result["violations"] == []
    assert set(result["zones"]) == {zone.id for zone in settings.zone}
