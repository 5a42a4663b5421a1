"""The benchmark of a season: its field, its instruments, its garden on the simulator's seam, and what it prints."""

import json
import statistics
from datetime import date, timedelta

import pytest

from controller.core.moment import local_date, local_midnight
from controller.core.weather import WeatherBook, et0_of, take_forecast
from controller.sim.run import simulate
from tests.bench import season
from tests.bench.__main__ import main
from tests.bench.field import Case, Field, by_threshold, ceiling_mm, unstressed, weather_of
from tests.bench.instruments import Instruments, Lie
from tests.bench.outside import ExactCropGarden
from tests.bench.season import settings_for

CASE = Case("tunis", "sand", "tomato", date(1994, 5, 1))
TUNIS = "tests.bench.outside:ExactCropGarden"


def test_a_field_watered_by_hand_keeps_its_water() -> None:
    field = Field(CASE)
    before_mm = 1000.0 * 1.2 * field.content(0.0, 1.2)
    field.step(40.0)
    after_mm = 1000.0 * 1.2 * field.content(0.0, 1.2)
    assert field.day == date(1994, 5, 2)
    assert before_mm == pytest.approx(0.13 * 1200.0)
    assert after_mm < before_mm + 40.0  # some has drained and some was drawn
    assert field.water == pytest.approx((0.13, 0.06))


@pytest.mark.published(source="reference runs with AquaCrop 3.1.0: Tunis, tomato on sand, 1994, ceiling 486 mm")
def test_the_known_ceiling_is_what_the_models_own_rule_reaches() -> None:
    found = by_threshold(CASE, (65.0, 65.0, 65.0, 37.8))
    assert found.irrigation_mm == pytest.approx(486.0, abs=1.0)
    assert found.dry_t_ha / unstressed(CASE).dry_t_ha >= 0.98
    assert ceiling_mm(CASE) == 486.0


def test_exact_instruments_tell_the_truth_and_cheap_ones_do_not() -> None:
    field = Field(CASE)
    field.step(0.0)
    day = date(1994, 5, 1)
    exact, cheap = Instruments(CASE, "exact", 1), Instruments(CASE, "cheap", 1)
    assert exact.probe(0, 0.10, field, day) == pytest.approx(field.content(0.05, 0.15))
    assert exact.told_soil == pytest.approx(field.water)
    assert exact.delivered_mm(10.0, day) == 10.0
    assert [told.tmax_c for told in exact.forecast(day)] == [
        weather_of("tunis")[day + timedelta(days=ahead)].tmax_c for ahead in range(7)
    ]
    assert cheap.told_soil != pytest.approx(field.water)
    assert cheap.delivered_mm(10.0, day) != 10.0


def test_errors_are_as_large_as_they_are_said_to_be() -> None:
    day = date(1994, 7, 1)
    lines = [Instruments(CASE, "cheap", seed).delivered_mm(1.0, day) for seed in range(300)]
    highest = [
        told.tmax_c - weather_of("tunis")[day + timedelta(days=6)].tmax_c
        for seed in range(300)
        for told in Instruments(CASE, "cheap", seed).forecast(day)[6:]
    ]
    assert statistics.stdev(lines) == pytest.approx((0.08**2 + 0.03**2) ** 0.5, rel=0.15)
    assert statistics.stdev(highest) == pytest.approx(1.0 + 0.3 * 6, rel=0.15)


@pytest.mark.parametrize(("kind", "low", "high"), [("stuck", 0.0, 0.0), ("wet", 0.02, 0.12), ("dry", -0.12, -0.005)])
def test_a_lying_probe_lies(kind: str, low: float, high: float) -> None:
    field = Field(CASE)
    for _ in range(12):
        field.step(0.0)
    day = field.day - timedelta(days=1)
    honest = Instruments(CASE, "exact", 1).probe(1, 0.20, field, day)
    lying = Instruments(CASE, "exact", 1, Lie(1, kind)).probe(1, 0.20, field, day)  # type: ignore[arg-type]
    assert honest is not None
    assert lying is not None
    assert low - 1e-9 <= lying - honest <= high + 1e-9
    assert Instruments(CASE, "exact", 1, Lie(1, "dead")).probe(1, 0.20, field, day) is None


@pytest.mark.parametrize("climate", ["tunis", "brussels", "cordoba", "hyderabad"])
def test_the_core_reads_the_records_et0_out_of_the_forecast(climate: str) -> None:
    """Where it cannot be put into words, it is on days that no summer garden minds."""
    case = Case(climate, "loam", "tomato", date(2001, 7, 1))
    settings = settings_for(case, "exact", 1)
    site = settings.build()
    now = local_midnight(date(2001, 7, 1), site.timezone)
    book = take_forecast(WeatherBook(), ExactCropGarden(settings, 1).forecast(now), site)
    read = [et0_of(book, site, date(2001, 7, day), now).mm for day in range(1, 8)]
    true = [weather_of(climate)[date(2001, 7, day)].et0_mm for day in range(1, 8)]
    assert local_date(now, site.timezone) == date(2001, 7, 1)
    assert read == pytest.approx(true, abs=0.15)


def test_the_garden_stands_on_the_simulators_seam() -> None:
    result = simulate(settings_for(CASE, "exact", 1), date(1994, 5, 1), date(1994, 5, 6), garden=TUNIS)
    assert result["violations"] == []
    assert result["garden"]["zones"]["bed"] == {"finished": False}
    assert result["zones"]["bed"]["litres"] >= 0.0


def test_the_methods_are_told_apart(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Ours takes half a minute of processor time, so here a timer stands in for it."""
    monkeypatch.setattr(season, "ours_in", lambda case, quality, seed, liar, told: season.by_hand(
        season.timer, case, quality, seed, liar
    ))
    assert main(["season", "--years", "1994", "--seeds", "1", "--json"]) == 1
    rows = {row["name"]: row for row in json.loads(capsys.readouterr().out)}
    assert list(rows)[1:] == [
        "ours", "water", "mean yield", "worst yield", "drainage", "timer", "ETo x Kc", "threshold"
    ]
    assert rows["water"]["ratio"] > 1.5
    assert rows["water"]["meets"] is False
    assert rows["mean yield"]["meets"] is True
    assert rows["timer"]["yield"] > 0.98
    assert rows["ETo x Kc"]["ours_mm"] < rows["timer"]["ours_mm"]


def test_a_year_that_the_record_has_not_is_refused_in_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["season", "--years", "2024"]) == 2
    assert "the record of tunis goes from 1979-01-01 to 2002-05-31" in capsys.readouterr().err
