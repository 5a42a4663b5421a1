"""Faults by seed and by file, lived through, judged, and made fewer."""

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from controller.guard.rules import Guard
from controller.settings import Settings, load
from controller.sim.faults import (
    KINDS,
    QUIET_H,
    Fault,
    FaultError,
    as_rows,
    count_by_kind,
    draw,
    load_faults,
    shrink,
)
from controller.sim.harsh import BEGIN, END, FORECAST_FAULTS
from controller.sim.run import SENSOR_FAULTS, Span, drawn, lived, simulate, with_faults
from controller.sim.watch import openings

TWO_BEDS = Path(__file__).with_name("two_beds.toml")
METERED = Path(__file__).with_name("metered.toml")
FIRST, LAST = date(2026, 7, 1), date(2026, 7, 3)


@pytest.fixture(scope="module")
def settings() -> Settings:
    return load(TWO_BEDS)


# Lists of faults -----------------------------------------------------------------------------------------


def test_a_seed_draws_every_kind_in_time_and_always_the_same() -> None:
    def draw_all() -> list[tuple[Fault, ...]]:
        return [draw(seed, 2000.0, ["a", "b"], ["p"], often=5.0, metered=True) for seed in range(20)]

    lists = draw_all()
    assert lists == draw_all()
    everything = [fault for faults in lists for fault in faults]
    assert all(count > 0 for count in count_by_kind(everything).values())
    for fault in everything:
        assert 0.0 <= fault.at_h <= fault.ends_h <= 2000.0 - QUIET_H + 0.001
        assert (fault.where == "") == (KINDS[fault.kind].place in ("", "meter"))
    expected = sum(kind.a_year for kind in KINDS.values()) * 5.0 * 2000.0 / 8766.0 * 20
    assert len(everything) == pytest.approx(expected, rel=0.1)


def test_a_garden_without_probes_has_no_faults_of_probes() -> None:
    assert not any(KINDS[fault.kind].place == "probe" for fault in draw(1, 9000.0, ["a"], [], 5.0))


def test_a_garden_without_a_meter_has_no_leak_that_only_a_meter_sees() -> None:
    assert not any(fault.kind == "pipe leaks" for fault in draw(1, 9000.0, ["a"], [], 5.0))


def test_every_kind_does_something() -> None:
    asked_for = {"broker gone", "nonsense", "alarm late", "alarm doubled", "valve stuck open", "valve stuck shut",
                 "line clogs"}
    known = BEGIN.keys() | END.keys() | SENSOR_FAULTS.keys() | set(FORECAST_FAULTS) | asked_for
    assert KINDS.keys() - known == set()


@pytest.mark.parametrize("ending", [".json", ".toml"])
def test_a_list_is_read_as_it_was_written(tmp_path: Path, ending: str) -> None:
    faults = (Fault("hang", 3.0, 0.01, after_open_s=20.0), Fault("probe stuck", 5.0, 30.0, "p"))
    path = tmp_path / f"faults{ending}"
    rows = as_rows(faults)
    lines = [f"[[fault]]\n{chr(10).join(f'{key} = {json.dumps(value)}' for key, value in row.items())}" for row in rows]
    path.write_text(json.dumps(rows) if ending == ".json" else "\n".join(lines))
    assert load_faults(path) == faults


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "give a list of faults"),
        ("[[fault]]\nkind = 'flood'\nat_h = 1", 'there is no kind of fault "flood"'),
        ("[[fault]]\nkind = 'kill'", "fault 1"),
        ("[[fault]]\nkind = 'kill'\nat_h = nan", "must be a finite number"),
        ("[[fault]]\nkind = 'kill'\nat_h = -1", "must be 0 or more"),
        ("[[fault]", "faults.toml"),
    ],
)
def test_a_list_that_makes_no_sense_is_refused_in_words(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "faults.toml"
    path.write_text(text)
    with pytest.raises(FaultError, match=said):
        load_faults(path)


def test_a_list_that_is_not_there_is_said_once(tmp_path: Path) -> None:
    with pytest.raises(FaultError, match=r"none\.toml: No such file or directory; give a file"):
        load_faults(tmp_path / "none.toml")


def test_a_list_is_made_as_short_as_it_can_be() -> None:
    faults = tuple(Fault("kill", float(n)) for n in range(40))
    needed = {7.0, 23.0}

    def breaks(fewer: Sequence[Fault]) -> bool:
        return needed <= {fault.at_h for fault in fewer}

    assert {fault.at_h for fault in shrink(faults, breaks, 1000)} == needed
    assert shrink(faults, lambda fewer: True, 1000) == ()
    assert needed <= {fault.at_h for fault in shrink(faults, breaks, 8)}, "no more tries, but never a list that holds"


# Lives with faults ---------------------------------------------------------------------------------------


IN_ANOTHER_PROCESS = """
import json, sys
from datetime import date
from pathlib import Path
from controller.settings import load
from controller.sim.run import Span, drawn, with_faults
span = Span(load(Path(sys.argv[1])), date(2026, 7, 1), date(2026, 7, 3), 23, often=40.0)
print(json.dumps(with_faults(span, drawn(span), shrinks=False), sort_keys=True))
"""


def test_the_same_seed_gives_the_same_history_byte_for_byte_in_any_process(settings: Settings) -> None:
    def lived(seed: int) -> dict[str, Any]:
        span = Span(settings, FIRST, LAST, seed, often=40.0)
        return with_faults(span, drawn(span), shrinks=False)

    env = os.environ | {"PYTHONHASHSEED": "1" if os.environ.get("PYTHONHASHSEED") != "1" else "2"}
    command = [sys.executable, "-c", IN_ANOTHER_PROCESS, str(TWO_BEDS)]
    there = subprocess.run(command, env=env, check=True, capture_output=True, text=True).stdout
    here = lived(23)
    assert there == f"{json.dumps(here, sort_keys=True)}\n"
    assert lived(12)["digest"] != here["digest"]


@pytest.mark.parametrize("seed", [21, *(pytest.param(seed, marks=pytest.mark.long) for seed in (22, 23))])
def test_days_full_of_faults_break_nothing(settings: Settings, seed: int) -> None:
    span = Span(settings, FIRST, LAST, seed, often=40.0)
    result = with_faults(span, drawn(span))
    assert result["faults"]["injected"] > 25
    assert result["site"]["litres"] > 20.0
    assert result["violations"] == [], json.dumps(result["shrunk"])


@pytest.mark.parametrize("seed", [8, *(pytest.param(seed, marks=pytest.mark.long) for seed in (6, 7, 14))])
def test_days_of_leaks_and_bursts_break_nothing(seed: int) -> None:
    span = Span(load(METERED), FIRST, LAST, seed, often=20.0)
    result = with_faults(span, drawn(span))
    assert result["faults"]["injected"] > 25
    assert result["site"]["litres"] > 100.0
    assert result["violations"] == [], json.dumps(result["shrunk"])


def test_a_burst_is_locked_through_deaths_and_power_cuts_until_it_is_mended() -> None:
    """The watchers say what must hold (`burst_is_shut`, `locked_stays_shut`); here is seen that it came to that."""
    faults = (
        Fault("line bursts", 2.0, 28.0, "lettuces", 4.0),
        Fault("power cut", 6.0, 0.1),
        Fault("kill in a pulse", 3.0, after_open_s=20.0),
        Fault("journal lost", 8.0),
    )
    world, found = lived(Span(load(METERED), FIRST, LAST, 3), faults)
    assert found == []
    assert [(lock.zone, lock.rule) for lock in world.latch.was] == [("lettuces", "burst")]
    (lock,) = world.latch.was
    start_s = world.diary[0].at_s
    assert (lock.spell.until_s - start_s) / 3600.0 == pytest.approx(31.0, abs=0.1), "an hour after it was mended"
    opened = {zone: [from_s for from_s, _ in openings(world.diary, zone, world.clock.true_s)] for zone in world.litres}
    assert max(opened["lettuces"]) > lock.spell.until_s, "and is watered again"
    assert any(lock.spell.from_s < at_s < lock.spell.until_s for at_s in opened["beans"]), "nobody waits for it"


EVERYTHING_ELSE = [
    Fault("kill in a pulse", 18.0, after_open_s=30.0),
    Fault("power cut", 12.0, 0.5),
    Fault("forecast gone", 10.0, 8.0),
    Fault("guard killed", 28.0, after_open_s=10.0),
]


def test_what_breaks_is_told_with_its_last_events_and_the_fewest_faults(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Guard, "silent", lambda guard, now_s: False)
    hang = Fault("hang", 2.0, 25.0 / 3600.0, after_open_s=60.0)
    result: dict[str, Any] = simulate(settings, FIRST, LAST, seed=2, faults=[*EVERYTHING_ELSE, hang])
    assert "was open beside a daemon that hung (silent_daemon, 2026-07-0" in result["violations"][0]
    assert "seed 2)" in result["violations"][0]
    assert result["shrunk"] == as_rows([hang])
    told = "\n".join(result["last_events"])
    assert "hang" in told.splitlines()[-3] + told.splitlines()[-2]
    assert "lines on: " in told


def test_a_fault_that_has_waited_until_the_end_for_an_opening_is_no_reason_to_be_ill(settings: Settings) -> None:
    """Everything must be well a day after the last fault; this one, drawn early, begins in the last dawn."""
    fault = Fault("clock steps back", 40.0, 22.0, "", 0.0405, 29.572)
    world, found = lived(Span(settings, FIRST, LAST, 3), (fault,))
    assert world.holding["clock steps back"], "it still holds at the end"
    assert found == []


FAIR = [name for name, kind in KINDS.items() if kind.fair]
SIZES = {"forecast late": 40.0, "forecast shifted": 3.0, "forecast absurd": 2.0, "probe scaled": 100.0,
         "clock steps on": 60.0, "clock steps back": 60.0}
LAST_FAIR = date(2026, 7, 7)


@pytest.fixture(scope="module")
def without_faults(settings: Settings) -> dict[str, Any]:
    return simulate(settings, FIRST, LAST_FAIR, seed=5, faults=())


@pytest.mark.long
@pytest.mark.parametrize("kind", FAIR)
def test_no_single_fair_fault_lets_a_bed_go_dry(
    settings: Settings, without_faults: dict[str, Any], kind: str
) -> None:
    where = "tomatoes-probe" if KINDS[kind].place == "probe" else ""
    fault = Fault(kind, 20.0, 4 * 24.0, where, SIZES.get(kind, 0.0))
    result = simulate(settings, FIRST, LAST_FAIR, seed=5, faults=[fault])
    assert result["violations"] == []
    for zone, figures in result["zones"].items():
        before = without_faults["zones"][zone]
        assert figures["stress_days"] <= before["stress_days"] + 1, kind
        assert figures["litres"] > 0.0
