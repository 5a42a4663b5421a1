"""The journal on real files: what it promises, kept through kills, full disks, other readers and damaged files."""

import contextlib
import hashlib
import json
import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from controller.core.actions import Note, Open
from controller.core.events import ForecastArrived, GuardReady, Reading, Started, ValveClosed
from controller.core.garden import DayLedger, Garden
from controller.core.moment import Now
from controller.core.step import new_garden
from controller.shells.journal import (
    CHECKPOINT_PAGES,
    FORECASTS_KEPT,
    OPENING,
    PENDING_MOST,
    RECENT_KEPT,
    SCHEMA,
    Given,
    Journal,
    JournalError,
    JournalReader,
    NewerJournalError,
    reading,
)
from controller.shells.recovery import CLOSED_WITHIN_S, endings, open_journal, used_openings
from tests.core.gardens import Life, a_forecast, a_site, a_zone

NOW = Now(100.0, datetime(2026, 7, 15, 4, tzinfo=UTC))
SITE = a_site(a_zone(root_depth_m=0.5))
HOUR = timedelta(hours=1)
EVER = (datetime(2000, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC))


def later(seconds: float) -> Now:
    return Now(NOW.mono_s + seconds, NOW.utc + timedelta(seconds=seconds))


def a_garden() -> Garden:
    """A garden in the middle of things: a forecast, a plan, a pulse under way, a hold, an ask."""
    life = Life(SITE, NOW.utc)
    life.tell(Started())
    life.tell(GuardReady())
    life.tell(ForecastArrived(a_forecast(NOW.utc - 4 * HOUR, [38.0, 41.0, 33.0])))
    return life.garden


EMPTY = new_garden(SITE, NOW)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


def an_opening(number: int = 1) -> Open:
    return Open("tomatoes", f"pulse-{number}", "watering", 600.0, 30.0)


# Round trips --------------------------------------------------------------------------------------


def test_a_new_journal_remembers_nothing(path: Path) -> None:
    journal = Journal(path)
    assert (journal.remember(), journal.unfinished(), journal.given(*EVER)) == (None, [], [])


def test_the_garden_comes_back_as_it_was(path: Path) -> None:
    garden, journal = a_garden(), Journal(path)
    assert garden.plan.waterings
    assert journal.commit(garden, NOW)
    journal.close()
    assert Journal(path).remember() == garden


def test_what_waits_is_on_the_disk_after_the_next_commit_and_not_before(path: Path) -> None:
    journal = Journal(path)
    journal.note(Note("plan", "A plan.", "tomatoes", {"litres": 3.0, "at": NOW.utc, "bad": float("nan")}), NOW)
    journal.saw_reading(Reading("probe", 0.11, NOW.utc))
    journal.day("tomatoes", date(2026, 7, 15), DayLedger(date(2026, 7, 15), used_mm=3.5))
    with reading(path) as reader:
        assert reader.notes(*EVER) == []
    journal.commit(EMPTY, NOW)
    with reading(path) as reader:
        (note,) = reader.notes(*EVER, kind="plan", zone="tomatoes")
        assert (note.at, note.said) == (NOW.utc, "A plan.")
        assert note.facts["litres"] == 3.0
        assert note.facts["bad"] is None
        assert reader.readings("probe", *EVER) == [(NOW.utc, 0.11)]
        (ledger,) = reader.ledgers("tomatoes", date(2026, 7, 1), date(2026, 7, 31))
        assert ledger["used_mm"] == 3.5
        assert reader.notes(*EVER, kind="fault") == reader.notes(*EVER, zone="beans") == []


def test_an_opening_is_there_without_an_end_and_then_with_one(path: Path) -> None:
    journal = Journal(path)
    journal.intend(an_opening(), NOW)
    journal.commit(EMPTY, NOW)
    (begun,) = Journal(path).unfinished()
    assert (begun.pulse, begun.zone, begun.opened, begun.seconds) == ("pulse-1", "tomatoes", NOW.utc, 600.0)
    journal.closed(ValveClosed("tomatoes", "pulse-1", 590.0, "silence", 10.0), 29.5, 0.5, later(590))
    journal.commit(EMPTY, later(590))
    assert journal.unfinished() == []
    (given,) = journal.given(*EVER)
    assert given == Given(
        "pulse-1", "watering", "tomatoes", NOW.utc, later(590).utc, 600.0, 590.0, 29.5, 0.5, "silence"
    )


def test_a_refused_opening_has_given_nothing(path: Path) -> None:
    journal = Journal(path)
    journal.intend(an_opening(), NOW)
    journal.refused("pulse-1", "It has had enough.", NOW)
    journal.commit(EMPTY, NOW)
    (given,) = journal.given(*EVER)
    assert (given.open_s, given.litres, given.why) == (0.0, 0.0, "refused: It has had enough.")


def test_the_guard_is_told_of_the_last_day_only(path: Path) -> None:
    journal = Journal(path)
    for hours in (-30, -23, -1):
        at = later(hours * 3600.0)
        journal.intend(an_opening(hours), at)
        end = ValveClosed("tomatoes", f"pulse-{hours}", 600.0, "deadline")
        journal.closed(end, 30.0, 0.0, later(hours * 3600.0 + 600.0))
    journal.intend(an_opening(0), NOW)
    journal.commit(EMPTY, NOW)
    assert [used.ended_ago_s / 3600.0 for used in journal.used_within(86_400.0, later(600.0))] == [23.0, 1.0, 0.0]


def test_what_gave_water_is_remembered_however_much_is_refused_after_it(path: Path, tmp_path: Path) -> None:
    spare = tmp_path / "spare.json"
    journal = Journal(path, spare)
    journal.intend(an_opening(), NOW)
    journal.closed(ValveClosed("tomatoes", "pulse-1", 600.0, "deadline"), 20.0, 0.0, later(600))
    for number in range(2, RECENT_KEPT + 50):
        journal.intend(an_opening(number), later(700))
        journal.refused(f"pulse-{number}", "supply: too much at once", later(700))
        journal.commit(EMPTY, later(700))
    journal.close()
    by_file = Journal(path)
    path.unlink()
    anew = open_journal(path, spare).journal
    for each in (by_file, anew):
        used = each.used_within(86_400.0, later(1600))
        assert [(one.open_s, one.ended_ago_s) for one in used] == [(600.0, 1000.0)]


def test_what_a_meter_counted_is_what_the_guard_is_told(path: Path) -> None:
    journal = Journal(path)
    for number, litres in ((1, 12.5), (2, None)):
        journal.intend(an_opening(number), NOW)
        ended = ValveClosed("tomatoes", f"pulse-{number}", 600.0, "deadline", litres=litres)
        journal.closed(ended, litres or 30.0, 0.0, later(600))
    journal.commit(EMPTY, later(600))
    journal.close()
    again = Journal(path)
    assert [used.litres for used in used_openings(again, later(700))] == [12.5, None]
    assert [given.metered for given in again.given(*EVER)] == [True, False]


def test_a_journal_from_before_meters_keeps_its_seals(path: Path) -> None:
    journal = Journal(path)
    journal.intend(an_opening(), NOW)
    journal.closed(ValveClosed("tomatoes", "pulse-1", 600.0, "deadline"), 30.0, 0.0, later(600))
    journal.commit(EMPTY, later(600))
    journal.close()
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        *row, _ = db.execute(f"SELECT {', '.join(OPENING)} FROM opening").fetchone()
        db.execute("ALTER TABLE opening DROP COLUMN metered")
        seal = hashlib.blake2b(json.dumps(row).encode(), digest_size=8).hexdigest()
        db.execute("UPDATE opening SET seal = ?", (seal,))
        db.execute("PRAGMA user_version = 2")
    older = Journal(path)
    assert older.damage() is None
    assert [(given.litres, given.metered) for given in older.given(*EVER)] == [(30.0, False)]
    older._db.execute("UPDATE opening SET litres = 3.0")
    assert older.damage() == "the opening pulse-1 does not fit its seal"


def test_a_journal_with_the_older_seal_of_its_garden_is_remembered(path: Path) -> None:
    journal = Journal(path)
    journal.commit(EMPTY, NOW)
    journal.close()
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        row = db.execute("SELECT at, body FROM garden").fetchone()
        seal = hashlib.blake2b(json.dumps(row).encode(), digest_size=8).hexdigest()
        db.execute("UPDATE garden SET seal = ?", (seal,))
        db.execute("PRAGMA user_version = 3")
    assert Journal(path).remember() == EMPTY


def test_readings_are_thinned_and_a_clock_set_back_does_not_silence_them(path: Path) -> None:
    journal = Journal(path)
    for minute in range(60):
        journal.saw_reading(Reading("probe", minute / 1000.0, NOW.utc + timedelta(minutes=minute)))
    journal.saw_reading(Reading("air", 30.0, NOW.utc))
    journal.saw_reading(Reading("probe", 0.5, NOW.utc - timedelta(days=365)))
    journal.commit(EMPTY, NOW)
    with reading(path) as reader:
        assert [value for _, value in reader.readings("probe", *EVER)] == [0.5, 0.0, 0.01, 0.02, 0.03, 0.04, 0.05]
        assert len(reader.readings("air", *EVER)) == 1


def test_old_forecasts_make_room(path: Path) -> None:
    journal = Journal(path)
    for n in range(FORECASTS_KEPT + 5):
        journal.saw_forecast(ForecastArrived(a_forecast(NOW.utc + n * HOUR, [30.0])))
    journal.commit(EMPTY, NOW)
    with sqlite3.connect(path) as db:
        count, first = db.execute("SELECT COUNT(*), MIN(issued) FROM forecast").fetchone()
    assert (count, first) == (FORECASTS_KEPT, (NOW.utc + 5 * HOUR).isoformat(timespec="milliseconds"))


def test_a_commit_waits_for_the_disk(path: Path) -> None:
    db = Journal(path)._db
    assert db.execute("PRAGMA synchronous").fetchone() == (2,), "FULL: a power cut loses nothing that was committed"
    assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)


# Killed -------------------------------------------------------------------------------------------


@pytest.mark.real
def test_what_was_acknowledged_survives_a_kill(path: Path) -> None:
    """SIGKILL at odd moments: every commit that was reported is there, whole, and nothing is half there."""
    dice = random.Random(1)
    for _ in range(3):
        path.unlink(missing_ok=True)
        writer = subprocess.Popen(
            [sys.executable, "-m", "tests.journal.writer", str(path)], stdout=subprocess.PIPE, text=True
        )
        assert writer.stdout is not None
        for line in writer.stdout:
            if int(line) >= 5 + dice.randrange(40):
                break
        writer.send_signal(signal.SIGKILL)
        reported = [int(line), *(int(more) for more in writer.stdout.read().split())]
        writer.wait()
        journal = Journal(path)
        notes = [row[0] for row in journal._db.execute("SELECT said FROM note ORDER BY id")]
        assert len(notes) >= reported[-1] + 1
        assert notes == [f"note {n}" for n in range(len(notes))]
        assert len(journal.unfinished()) == len(notes), "a note and its opening are in one commit"
        assert journal.remember() is not None
        journal.close()


# Trouble ------------------------------------------------------------------------------------------


@contextmanager
def full_disk(most_bytes: int) -> Iterator[None]:
    """No file may grow beyond this: the kernel refuses the write as it does on a full disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_is_a_trouble_that_loses_nothing_and_ends(path: Path) -> None:
    journal = Journal(path)
    assert journal.commit(EMPTY, NOW)
    size = max(path.stat().st_size, path.with_name("journal.sqlite-wal").stat().st_size)
    with full_disk(size):
        for n in range(40):
            journal.note(Note("plan", f"note {n} " + "x" * 4000), later(n))
        journal.intend(an_opening(), later(40))
        assert not journal.commit(a_garden(), later(40))
        assert journal.trouble is not None
        assert "cannot be written" in journal.trouble
        assert journal.remember() == EMPTY, "what was there is still there"
    assert journal.commit(a_garden(), later(50))
    assert journal.trouble is None
    journal.close()
    again = Journal(path)
    assert len(again.unfinished()) == 1
    assert again._db.execute("SELECT COUNT(*) FROM note").fetchone() == (40,)
    assert again.remember() == a_garden()


def test_a_journal_that_others_lock_is_a_trouble_that_ends(path: Path) -> None:
    journal = Journal(path)
    journal._db.execute("PRAGMA busy_timeout = 10")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    journal.note(Note("plan", "kept"), NOW)
    assert not journal.commit(EMPTY, NOW)
    assert "locked" in (journal.trouble or "")
    other.execute("ROLLBACK")
    other.close()
    assert journal.commit(EMPTY, NOW)
    with reading(path) as reader:
        assert [note.said for note in reader.notes(*EVER)] == ["kept"]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_journal_that_may_not_be_written_is_refused_in_words(path: Path) -> None:
    Journal(path).close()
    path.chmod(0o444)
    path.parent.chmod(0o555)
    try:
        with pytest.raises(JournalError, match="cannot be opened"):
            Journal(path)
    finally:
        path.parent.chmod(0o755)


def test_what_cannot_be_written_for_long_is_bounded_and_the_newest_is_kept(path: Path) -> None:
    journal = Journal(path)
    journal._db.execute("PRAGMA query_only = ON")
    for n in range(PENDING_MOST + 10):
        journal.note(Note("plan", f"note {n}"), NOW)
    assert not journal.commit(EMPTY, NOW)
    journal._db.execute("PRAGMA query_only = OFF")
    assert journal.commit(EMPTY, NOW)
    with reading(path) as reader:
        notes = reader.notes(*EVER)
    assert len(notes) == PENDING_MOST
    assert notes[-1].said == f"note {PENDING_MOST + 9}"


# Other files --------------------------------------------------------------------------------------


def test_a_file_that_is_no_journal_is_refused_in_words_and_put_aside(path: Path) -> None:
    path.write_bytes(b"no database" * 1000)
    with pytest.raises(JournalError, match="the journal cannot be opened"):
        Journal(path)
    trouble = open_journal(path).trouble
    journal = Journal(path)
    assert trouble is not None
    assert "was put aside as journal.sqlite.unread-" in trouble
    (aside,) = path.parent.glob("journal.sqlite.unread-*")
    assert aside.read_bytes() == b"no database" * 1000
    assert journal.commit(EMPTY, NOW)
    assert Journal(path).remember() == EMPTY


def test_a_garden_that_cannot_be_read_is_put_aside_whole_and_the_new_file_is_its_own(path: Path) -> None:
    """Nothing of the old file's write-ahead log may come into the new one."""
    old = Journal(path)
    old.note(Note("plan", "old"), NOW)
    old.commit(EMPTY, NOW)
    old._db.execute("UPDATE garden SET body = '{}'")
    # not closed: as after a kill, with its last words in the write-ahead log only
    found = open_journal(path)
    journal = found.journal
    assert "the remembered garden cannot be read" in (found.trouble or "")
    assert found.garden is None
    assert found.lost
    assert journal.commit(EMPTY, NOW)
    journal.close()
    old.close()
    with reading(path) as reader:
        assert reader.notes(*EVER) == []
    (aside,) = path.parent.glob("journal.sqlite.unread-*[0-9]")
    with sqlite3.connect(aside) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_journal_of_a_newer_version_is_not_touched(path: Path) -> None:
    Journal(path).close()
    with sqlite3.connect(path) as db:
        db.execute(f"PRAGMA user_version = {len(SCHEMA) + 1}")
    before = path.read_bytes()
    for opened in (Journal, JournalReader):
        with pytest.raises(JournalError, match="written by a newer Seepward"):
            opened(path)
    with pytest.raises(NewerJournalError, match="upgrade first"):
        open_journal(path)
    assert path.read_bytes() == before
    assert not list(path.parent.glob("*.unread*"))


def test_where_nothing_can_be_written_the_record_is_kept_in_memory(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a directory")
    found = open_journal(tmp_path / "file" / "journal.sqlite")
    assert "waits in memory" in (found.trouble or "")
    found.journal.intend(an_opening(), NOW)
    assert not found.journal.commit(EMPTY, NOW)
    assert "watering goes on" in (found.journal.trouble or "")
    assert [opening.pulse for opening in found.journal.unfinished()] == ["pulse-1"]
    (tmp_path / "file").unlink()
    assert found.journal.commit(EMPTY, NOW), "the place can be written to after all"
    again = Journal(tmp_path / "file" / "journal.sqlite")
    assert again.remember() == EMPTY
    assert [opening.pulse for opening in again.unfinished()] == ["pulse-1"]


def test_a_reader_of_nothing_is_told_so(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="there is no journal yet"):
        JournalReader(tmp_path / "none.sqlite")


# Beside each other --------------------------------------------------------------------------------


def test_a_reader_sees_whole_commits_beside_a_writer_and_stops_nobody(path: Path) -> None:
    journal = Journal(path)
    journal.commit(EMPTY, NOW)
    with reading(path) as reader:
        for n in range(20):
            journal.note(Note("plan", f"note {n}"), later(n))
            assert journal.commit(replace(EMPTY, clock_gap_s=float(n)), later(n))
            kept = reader.garden()
            assert kept is not None
            assert kept[0].clock_gap_s == float(n)
            assert len(reader.notes(*EVER)) == n + 1
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader._db.execute("DELETE FROM note")


def test_a_reader_reads_a_journal_that_nobody_writes(path: Path) -> None:
    journal = Journal(path)
    journal.commit(EMPTY, NOW)
    journal.close()
    files = sorted(path.parent.iterdir())
    with reading(path) as reader:
        assert reader.garden() == (EMPTY, NOW.utc)
    assert sorted(path.parent.iterdir()) == files, "a reader leaves nothing behind"


def test_the_write_ahead_log_stays_small(path: Path) -> None:
    journal, garden = Journal(path), a_garden()
    log = path.with_name("journal.sqlite-wal")
    sizes = []
    for n in range(300):
        journal.note(Note("plan", "x" * 500), later(n))
        assert journal.commit(garden, later(n))
        with reading(path) as reader:
            reader.garden()
        sizes.append(log.stat().st_size)
    page = 4096 + 24
    one_commit = len(json.dumps("x" * 500)) + 3 * 20_000
    assert max(sizes) <= (CHECKPOINT_PAGES + one_commit // 4096 + 10) * page
    assert max(sizes[150:]) <= max(sizes[:150]) + 5 * page


# Recovery -----------------------------------------------------------------------------------------


def test_endings_by_the_guards_last_words_by_their_silence_and_by_a_bound(path: Path) -> None:
    journal = Journal(path)
    journal.intend(an_opening(1), NOW)
    journal.intend(Open("tomatoes", "pulse-2", "watering", 300.0, 15.0), NOW)
    journal.commit(EMPTY, NOW)
    unfinished = journal.unfinished()
    seen = endings(unfinished, {"pulse-1": {"open_s": 212.5, "why": "silence"}})
    assert seen == [
        ValveClosed("tomatoes", "pulse-1", 212.5, "silence"),
        ValveClosed("tomatoes", "pulse-2", 0.0, "never opened"),
    ]
    unseen = endings(unfinished, {})
    assert [(e.open_s, e.unsure_s, e.why) for e in unseen] == [
        (305.0, 305.0, "end not seen"),
        (155.0, 155.0, "end not seen"),
    ]
    for opening, ending in zip(unfinished, unseen, strict=True):
        assert ending.open_s - ending.unsure_s >= 0.0
        stated_s = ending.open_s + ending.unsure_s
        assert stated_s == opening.seconds + CLOSED_WITHIN_S, "the truth lies within what is stated"
