"""The benchmark of the six zones: its balance against a worked trace, and what it prints."""

import json

import pytest

from tests.bench.__main__ import main
from tests.bench.protocol import ZONES, Bucket, bucket_of, cycles_by_day, score

TRACE = [
    # ETo, rain, cycles (minutes on, how often, minutes off between), storage afterwards; inches
    (0.20, 0.0, (0, 0, 0), 0.3400),
    (0.25, 0.0, (15, 3, 35), 0.9000),
    (0.30, 0.0, (0, 0, 0), 0.7350),
    (0.30, 0.0, (25, 1, 0), 0.8978),
    (0.15, 0.5, (0, 0, 0), 0.9000),
    (0.20, 0.0, (17, 2, 10), 0.9000),
    (0.25, 0.0, (0, 0, 0), 0.7625),
    (0.30, 0.0, (0, 0, 0), 0.5975),
    (0.35, 0.0, (0, 0, 0), 0.4050),
    (0.35, 0.0, (0, 0, 0), 0.2125),
    (0.35, 0.0, (0, 0, 0), 0.0200),
    (0.35, 0.0, (0, 0, 0), 0.0),
]


@pytest.mark.published(source="SWAT protocol, zone 3, 12 days reckoned by hand; from memory")
def test_the_balance_follows_the_worked_trace() -> None:
    bucket = Bucket(0.90, 1.40 / 60.0, 0.50 / 60.0, 0.26, 0.70)
    days = []
    for et0, rain, (on, times, off), storage in TRACE:
        cycles = [(n * (on + off), n * (on + off) + on) for n in range(times)]
        days.append(bucket.live(cycles, 0.55 * et0, rain))
        assert days[-1].storage == pytest.approx(storage, abs=6e-5)
    assert sum(day.etc for day in days) == pytest.approx(1.8425)
    assert sum(day.deficit for day in days) == pytest.approx(0.1725)
    assert sum(day.runoff for day in days) == pytest.approx(0.1150 + 0.1667, abs=1e-4)
    got = score(days)
    assert got.adequacy == pytest.approx(90.64, abs=0.005)
    assert got.excess == pytest.approx(33.16, abs=0.005)


@pytest.mark.published(source="SWAT protocol, longest cycles of the six zones; from memory")
def test_the_longest_cycle_of_each_zone_just_does_not_run_off() -> None:
    for zone, longest_min in zip(ZONES, (12.0, 6.62, 17.33, 14.4, 600.0, 24.0), strict=True):
        assert bucket_of(zone).live([(0.0, longest_min)], 0.0, 0.0).runoff == pytest.approx(0.0, abs=0.01)
        longer = bucket_of(zone).live([(0.0, 1.2 * longest_min)], 0.0, 0.0).runoff
        assert longer == 0.0 if zone.id == "trees" else longer > 0.1


def test_an_opening_belongs_to_the_day_in_which_it_begins() -> None:
    day_s = 86400.0
    assert cycles_by_day([(60.0, 120.0), (day_s - 60.0, day_s + 60.0)], [0.0, day_s, 2 * day_s]) == [
        [(1.0, 2.0), (1439.0, 1441.0)], []
    ]


def test_a_dry_month_does_not_qualify(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tests.bench.zones.lived_through", lambda *args, **named: {})
    assert main(["zones", "--climate", "tunis", "--year", "1994", "--months", "7", "7"]) == 2
    assert "have enough rain and demand" in capsys.readouterr().err


def test_every_zone_is_scored(capsys: pytest.CaptureFixture[str]) -> None:
    main(["zones", "--climate", "invented", "--months", "6", "6", "--forecast", "off", "--json"])
    rows = json.loads(capsys.readouterr().out)
    assert {row["name"].split(" ")[0] for row in rows} == {zone.id for zone in ZONES}
    assert all(row["runoff_mm"] == 0.0 for row in rows)
    assert all(row["adequacy_worst_percent"] > 80.0 for row in rows)
