"""The benchmarks of the real parts, as short as they can be: that they run, and what they print."""

import json

import pytest

from controller.drivers.embedded_broker import mosquitto
from tests.bench.__main__ import main

pytestmark = pytest.mark.real


@pytest.mark.skipif(mosquitto() is None, reason="needs mosquitto")
def test_the_broker_bench_measures_rate_and_delay(capsys: pytest.CaptureFixture[str]) -> None:
    main(["broker", "--batches", "1", "--commands", "1", "--json"])
    rows = {row["name"]: row for row in json.loads(capsys.readouterr().out)}
    assert set(rows) == {"messages", "command to pin"}
    assert rows["messages"]["ours_per_s"] > 0.0
    assert rows["messages"]["ratio"] > 0.0
    assert rows["command to pin"]["ours_ms"] > 0.0


def test_the_footprint_stands_beside_the_same_libraries(capsys: pytest.CaptureFixture[str]) -> None:
    main(["footprint", "--times", "1", "--json"])
    rows = {row["name"]: row for row in json.loads(capsys.readouterr().out)}
    assert rows["memory"]["libraries"] >= 5
    assert rows["memory"]["ours_mb"] >= rows["memory"]["reference_mb"] > 10.0
    assert rows["start"]["ours_s"] > rows["start"]["reference_s"] > 0.0
