"""The benchmark of the pulses: what it prints, that it cannot be fooled, and its three quick instances."""

import json
from pathlib import Path

import pytest

from controller.core.interleave import lay_forward
from tests.bench import pulses
from tests.bench.__main__ import benchmarks, main


def some(tmp_path: Path, *ids: str) -> Path:
    """A file with some of the instances."""
    whole = json.loads(pulses.INSTANCES.read_text("utf-8"))
    whole["instances"] = [each for each in whole["instances"] if each["id"] in ids]
    file = tmp_path / "some.json"
    file.write_text(json.dumps(whole), "utf-8")
    return file


def test_the_quick_instances_come_near_their_proven_optima(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Optima by OR-tools CP-SAT 9.15, each proven twice; a fifth of the usual effort, for speed."""
    file = some(tmp_path, "p04", "p08", "p12")
    assert main(["pulses", str(file), "--effort", "200000", "--json"]) == 0
    printed = {row["name"]: row for row in json.loads(capsys.readouterr().out)}
    assert list(printed) == ["p04", "p08", "p12", "mean", "worst", "slowest"]
    assert [printed[name]["reference_min"] for name in ("p04", "p08", "p12")] == [118, 175, 239]
    assert all(1.0 <= printed[name]["ratio"] <= 1.05 for name in ("p04", "p08", "p12"))
    assert printed["mean"]["ratio"] <= 1.02
    assert printed["worst"]["ratio"] == max(printed[name]["ratio"] for name in ("p04", "p08", "p12"))


def test_the_list_rule_alone_does_not_meet_the_goal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["pulses", str(some(tmp_path, "p12")), "--effort", "0", "--json"]) == 1
    row = json.loads(capsys.readouterr().out)[0]
    assert row["ratio"] > 1.05
    assert row["meets"] is False


def test_a_schedule_that_breaks_a_rule_would_be_seen(tmp_path: Path) -> None:
    (instance,) = pulses.read(some(tmp_path, "p04"))
    chains = pulses.chains_of(instance)
    slots = lay_forward(chains, 10.0)
    assert list(pulses.broken(slots, chains, 10.0)) == []
    assert list(pulses.broken(slots[1:], chains, 10.0)) != []
    assert any("L/min at" in fault for fault in pulses.broken(slots, chains, 7.5))
    tired = [chain if chain.zone != "z1" else type(chain)("z1", chain.pulses_s, 1e6, 6.0) for chain in chains]
    assert list(pulses.broken(slots, tired, 10.0)) == ["z1 rests too little"]


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("{", "Expecting"),
        ("[]", "no instances in minutes"),
        ('{"time_unit": "minute", "instances": [{"id": "a", "zones": [{}]}]}', "instance a lacks 'supply_l_per_min'"),
    ],
)
def test_a_file_of_another_kind_is_refused_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, complaint: str
) -> None:
    file = tmp_path / "other.json"
    file.write_text(text, "utf-8")
    assert main(["pulses", str(file)]) == 2
    assert complaint in capsys.readouterr().err


def test_without_a_name_the_benchmarks_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    assert all(name in capsys.readouterr().out for name in ("pulses",))
    assert "pulses" in benchmarks()
    assert not {"rows", "__main__", "test_pulses"} & set(benchmarks())
    assert main(["nothing"]) == 2
    assert "no benchmark 'nothing'" in capsys.readouterr().err
