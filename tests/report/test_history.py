"""The soil's past put together again: it must begin where the garden began and end where it is."""

import sqlite3
from datetime import date
from itertools import pairwise
from pathlib import Path
from shutil import copyfile

import pytest

from controller.core.moment import Now
from controller.core.step import new_garden
from controller.report.history import curve, days_past
from controller.shells.journal import JournalReader, reading
from tests.report.weeks import START, demo_site

SITE = demo_site()
ZONES = [zone.id for zone in SITE.zones]


@pytest.mark.parametrize("zone", ZONES)
def test_it_begins_with_the_new_garden_and_ends_now(week: JournalReader, zone: str) -> None:
    last = week.garden()
    assert last is not None
    bed = last[0].beds[zone]
    days = days_past(week, SITE, bed, date(2026, 7, 1))
    assert [day.ledger.day.day for day in days] == list(range(10, 18))
    assert days[-1].end_mm == bed.depletion_mm
    assert days[0].begin_mm == pytest.approx(
        new_garden(SITE, Now(0.0, START)).beds[zone].depletion_mm, abs=0.3
    )
    for before, after in pairwise(days):
        assert before.end_mm == after.begin_mm


@pytest.mark.parametrize("zone", ZONES)
def test_the_curve_meets_the_days_and_falls_with_the_water(week: JournalReader, zone: str) -> None:
    last = week.garden()
    assert last is not None
    bed = last[0].beds[zone]
    days = days_past(week, SITE, bed, date(2026, 7, 1))
    openings = [each for each in week.openings(START, last[1]) if each.zone == zone]
    points = curve(SITE, SITE.zone(zone), bed, days, openings)
    assert all(before.at < after.at for before, after in pairwise(points))
    # Water above field capacity drains in its own time; no soak of this week brings more than a few mm of it.
    assert all(point.depletion_mm >= -10.0 for point in points)
    assert points[0].depletion_mm == days[0].begin_mm
    assert points[-1].depletion_mm == pytest.approx(bed.depletion_mm, abs=0.05)
    at = {point.at: point.depletion_mm for point in points}
    whole = [each for each in openings if each.opened in at and each.closed in at]
    assert whole or zone == "citrus", "only the deep-rooted wait the week out"
    for each in whole:
        assert each.closed is not None
        assert at[each.closed] < at[each.opened]


def test_a_day_without_a_ledger_ends_it(week_journal: Path, tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    copyfile(week_journal, path)
    with sqlite3.connect(path) as db:
        db.execute("DELETE FROM day WHERE day = '2026-07-13'")
    db.close()
    with reading(path) as reader:
        last = reader.garden()
        assert last is not None
        days = days_past(reader, SITE, last[0].beds["salad"], date(2026, 7, 1))
    assert [day.ledger.day.day for day in days] == [14, 15, 16, 17]
