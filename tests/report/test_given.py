"""Waterings read back: the sums are SQL's own, the endings those that the week was made to have."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from controller.report.given import Watered, day_of, purpose_of, total, watered
from controller.shells.journal import UNSEEN, JournalReader, reading
from tests.report.papers import DAWN, DAY, Paper, a_soak
from tests.report.weeks import demo_site, facts

FIRST, LAST = date(2026, 7, 10), date(2026, 7, 17)


def all_of(week: JournalReader) -> list[Watered]:
    return watered(week, demo_site(), FIRST, LAST)


def find(rows: list[Watered], watering_id: str) -> Watered:
    [row] = [row for row in rows if row.id == watering_id]
    return row


def test_the_sums_are_those_of_plain_sql(week: JournalReader, week_journal: Path) -> None:
    rows, told = all_of(week), facts(week_journal)
    for zone in demo_site().zones:
        mine = total(row for row in rows if row.zone == zone.id)
        assert mine.litres == pytest.approx(told["litres"].get(zone.id, 0.0))
        assert mine.minutes == pytest.approx(told["minutes"].get(zone.id, 0.0))
    assert total(rows).litres == pytest.approx(sum(told["litres"].values()))


def test_litres_are_open_minutes_times_the_emitters_flow(week: JournalReader) -> None:
    rows = [row for row in all_of(week) if row.zone == "tomatoes" and row.purpose == "dawn soak"]
    assert rows
    for row in rows:
        # 40 m of dripline, an emitter of 2 L/h each 0.3 m; for 4 s of each pulse the master valve is not open
        flowing_h = row.minutes / 60.0 - row.pulses * 4.0 / 3600.0
        assert row.litres == pytest.approx(flowing_h * 40.0 / 0.3 * 2.0, rel=1e-6)


def test_without_a_meter_a_bound_is_told_beside_the_litres(week: JournalReader, week_journal: Path) -> None:
    rows = all_of(week)
    row = find(rows, "2026-07-13-dusk-pots")
    capacity_l_min = demo_site().supply_of("pots").capacity_l_min
    assert row.most_litres == pytest.approx(row.minutes * capacity_l_min)
    assert not row.metered
    assert f"At most {total(rows).most_litres:.0f} L can have passed." in total(rows).bound
    assert total([]).bound == ""


def test_what_a_meter_has_counted_is_its_own_bound(week_journal: Path, tmp_path: Path) -> None:
    path = tmp_path / "metered.sqlite"
    path.write_bytes(week_journal.read_bytes())
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE opening SET metered = 1")
    with reading(path) as reader:
        rows = all_of(reader)
        assert all(row.metered for row in rows if not row.refused)
        assert find(rows, "2026-07-13-dusk-pots").most_litres == find(rows, "2026-07-13-dusk-pots").litres
        assert total(rows).bound == "The litres are counted by the flow meter."


def test_what_only_filled_the_line_is_not_told_as_given(week: JournalReader) -> None:
    site = demo_site()
    empty = replace(site, zones=tuple(replace(each, line=replace(each.line, fill_l=0.5)) for each in site.zones))
    before = {row.id: row for row in all_of(week)}
    rows = [row for row in watered(week, empty, FIRST, LAST) if row.litres > 1.0]
    assert rows
    for row in rows:
        assert row.litres == pytest.approx(before[row.id].litres - 0.5 * row.pulses)
        assert row.most_litres == before[row.id].most_litres, "that passed all the same"


def test_an_end_that_nobody_saw_may_be_as_late_as_can_be(week_journal: Path, tmp_path: Path) -> None:
    path = tmp_path / "unseen.sqlite"
    path.write_bytes(week_journal.read_bytes())
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE opening SET why = ? WHERE watering = '2026-07-13-dusk-pots'", (UNSEEN,))
    with reading(path) as reader:
        row = find(all_of(reader), "2026-07-13-dusk-pots")
        assert row.most_litres == pytest.approx(2.0 * row.minutes * demo_site().supply_of("pots").capacity_l_min)


def test_a_whole_watering(week: JournalReader) -> None:
    row = find(all_of(week), "2026-07-13-dusk-pots")
    assert (row.whole, row.pulses, row.purpose, row.day) == (True, 2, "dusk refresh", date(2026, 7, 13))
    assert row.short_litres == pytest.approx(0.0, abs=0.01)


def test_one_that_the_guard_refused(week: JournalReader) -> None:
    row = find(all_of(week), "2026-07-13-dawn-herbs")
    assert row.ended == "refused: the supply cannot feed it beside the others"
    assert (row.refused, row.litres, row.pulses) == (True, 0.0, 0)
    assert row.short_litres == row.planned_litres


def test_one_that_somebody_stopped(week: JournalReader) -> None:
    row = find(all_of(week), "2026-07-14-dawn-herbs")
    assert (row.ended, row.pulses) == ("stopped by hand", 2)
    assert 21.0 < row.litres < 36.0 < row.short_litres  # the first of three pulses, and a part of the second


def test_one_by_hand(week: JournalReader) -> None:
    row = find(all_of(week), "hand-tomatoes-water-1")
    assert (row.purpose, row.planned_litres, row.ended) == ("by hand", None, "whole")
    assert row.litres == pytest.approx(20.0)


def test_days_and_zone_are_a_filter(week: JournalReader) -> None:
    rows = watered(week, demo_site(), date(2026, 7, 13), date(2026, 7, 13), "salad")
    assert [row.id for row in rows] == ["2026-07-13-dawn-salad", "2026-07-13-dusk-salad"]


def test_a_soak_from_before_midnight_counts_for_its_morning() -> None:
    begun = datetime(2026, 7, 13, 22, 30, tzinfo=UTC)  # 23:30 in Lisbon
    assert day_of("2026-07-14-dawn-salad", begun, demo_site()) == date(2026, 7, 14)
    assert day_of("hand-salad-x", begun, demo_site()) == date(2026, 7, 13)


def test_the_id_says_what_it_was_for() -> None:
    assert purpose_of("2026-07-14-dawn-salad") == "dawn soak"
    assert purpose_of("2026-07-14-day-pots") == "day refresh"
    assert purpose_of("2026-07-14-dusk-salad") == "dusk refresh"
    assert purpose_of("hand-salad-2026-07-14-dawn-x") == "by hand"


def only(path: Path) -> Watered:
    """The one row of a small journal."""
    with reading(path) as reader:
        [row] = watered(reader, demo_site(), DAY, DAY)
    return row


def test_one_that_ran_out_of_time(tmp_path: Path) -> None:
    soak = a_soak(litres=100.0)
    row = only(Paper(tmp_path).plan(DAWN, soak).give(soak.pulses[0], 50.0).done())
    assert row.ended == "the time ran out; the rest waits for the next watering"
    assert (row.planned_litres, row.litres, row.short_litres) == (100.0, 50.0, 50.0)


def test_one_that_the_daily_limit_or_the_time_made_smaller(tmp_path: Path) -> None:
    soak = a_soak(litres=100.0, short_mm=3.0)
    paper = Paper(tmp_path).plan(DAWN, soak).give(soak.pulses[0], 50.0).give(soak.pulses[1], 50.0)
    row = only(paper.done())
    assert row.ended == "all that was planned, 3.0 mm short of the need"
    assert (row.whole, row.short_litres) == (False, 0.0)


def test_what_would_only_sink_below_the_roots_is_not_missing(tmp_path: Path) -> None:
    soak = a_soak(litres=100.0, below_mm=3.0)
    paper = Paper(tmp_path).plan(DAWN, soak).give(soak.pulses[0], 50.0).give(soak.pulses[1], 50.0)
    assert only(paper.done()).whole


def test_a_plan_that_changed_by_less_than_the_journal_notes_is_still_given_whole(tmp_path: Path) -> None:
    soak = a_soak(litres=100.0)
    paper = Paper(tmp_path).plan(DAWN, soak).give(soak.pulses[0], 46.0).give(soak.pulses[1], 46.0)
    assert only(paper.done()).whole


def test_rain_saves_what_the_line_would_have_had_to_give(tmp_path: Path) -> None:
    soak = a_soak("salad", rain_mm=4.5)
    row = only(Paper(tmp_path).plan(DAWN, soak).give(soak.pulses[0], 50.0).give(soak.pulses[1], 50.0).done())
    assert row.rain_litres == pytest.approx(
        4.5 * 8.0 / 0.90
    )  # 8 m2, and 0.90 of the line's water reaches the roots


def test_the_plan_before_it_began_is_what_counts(tmp_path: Path) -> None:
    before, under_way = a_soak(litres=100.0), a_soak(litres=60.0)
    begun = replace(under_way, pulses=(replace(under_way.pulses[0], state="running"), under_way.pulses[1]))
    paper = Paper(tmp_path).plan(DAWN, before).plan(DAWN + timedelta(minutes=5), begun)
    row = only(paper.give(before.pulses[0], 50.0).give(before.pulses[1], 50.0).done())
    assert (row.planned_litres, row.whole) == (100.0, True)


def test_one_that_is_still_open(tmp_path: Path) -> None:
    row = only(Paper(tmp_path).open(a_soak().pulses[0]).done())
    assert (row.ended, row.end, row.litres) == ("still open", None, 0.0)


@pytest.mark.parametrize(("why", "said"), [
    ("silence", "cut short: the daemon fell silent"),
    ("hold", "cut short by a hold"),
    ("end not seen", "its end was not seen (power cut?)"),
    ("a word of tomorrow", "cut short: a word of tomorrow"),
])  # fmt: skip
def test_why_a_valve_closed_is_told(tmp_path: Path, why: str, said: str) -> None:
    row = only(Paper(tmp_path).give(a_soak().pulses[0], 2.0, why, 0.5).done())
    assert (row.ended, row.litres, row.unsure_litres, row.minutes) == (said, 2.0, 0.5, 10.0)


def test_one_that_was_called_off_before_a_valve_was_asked(tmp_path: Path) -> None:
    said = "The air is at 1.0 °C: no water in frost."
    pulse = a_soak().pulses[0].id
    row = only(Paper(tmp_path).note("refusal", said, "salad", veto="frost", pulse=pulse).done())
    assert (row.id, row.ended, row.refused) == ("2026-07-13-dawn-salad", f"refused: {said}", True)


def test_one_that_was_called_off_half_way_is_told_once(tmp_path: Path) -> None:
    soak = a_soak()
    paper = Paper(tmp_path).plan(DAWN, soak).give(soak.pulses[0], 50.0)
    row = only(paper.note("refusal", "On hold.", "salad", veto="hold", pulse=soak.pulses[1].id).done())
    assert row.litres == 50.0


def test_a_zone_that_is_gone_from_the_config_is_still_told(tmp_path: Path) -> None:
    row = only(Paper(tmp_path).give(a_soak("melons").pulses[0], 2.0).done())
    assert (row.zone, row.litres, row.whole) == ("melons", 2.0, True)
