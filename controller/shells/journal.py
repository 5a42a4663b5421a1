"""The durable memory: one SQLite file of everything seen, decided, done and refused.

Promises: what was committed survives a power cut (write-ahead log, synchronous=FULL). An opening is written before
the line changes, its closing after. Few commits: readings, notes and forecasts wait in memory for the next commit that
must happen anyway, ten minutes at most. A journal that cannot write stops nothing: it says so in `trouble`, keeps what
it could not write in memory (bounded) and tries again; if its file has vanished or is damaged, it begins a new one.

SQLite does not notice a changed byte, so what counts has seals of its own: the remembered garden, every opening, and
every note, chained to the note before it. `damage` tells what does not fit its seal.

How long ago an opening was is counted in seconds that the controller has lived (`lived_s`), never on the wall clock:
it is a lower bound of the true time whatever the clock does, over restarts and power cuts too.

Times are stored as UTC text (RFC 3339) and shown in the site's zone by whoever reads them.
"""

import contextlib
import hashlib
import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pydantic import TypeAdapter, ValidationError
from pydantic_core import to_json

from controller.core.actions import Note, Open
from controller.core.events import ForecastArrived, Reading, ValveClosed
from controller.core.garden import Garden
from controller.core.moment import Now

SCHEMA = (
    """
    CREATE TABLE note (id INTEGER PRIMARY KEY, at TEXT NOT NULL, kind TEXT NOT NULL, zone TEXT, said TEXT NOT NULL,
                       facts TEXT NOT NULL);
    CREATE INDEX note_by_kind ON note (kind, at);
    CREATE TABLE reading (at TEXT NOT NULL, sensor TEXT NOT NULL, value REAL NOT NULL);
    CREATE INDEX reading_by_sensor ON reading (sensor, at);
    CREATE TABLE forecast (issued TEXT NOT NULL, source TEXT NOT NULL, hours TEXT NOT NULL);
    CREATE TABLE opening (pulse TEXT PRIMARY KEY, watering TEXT NOT NULL, zone TEXT NOT NULL, opened TEXT NOT NULL,
                          seconds REAL NOT NULL, litres_planned REAL NOT NULL, closed TEXT, open_s REAL, litres REAL,
                          unsure_litres REAL NOT NULL DEFAULT 0, why TEXT);
    CREATE INDEX opening_by_time ON opening (opened);
    CREATE TABLE day (day TEXT NOT NULL, zone TEXT NOT NULL, ledger TEXT NOT NULL, PRIMARY KEY (day, zone));
    CREATE TABLE garden (one INTEGER PRIMARY KEY CHECK (one = 1), at TEXT NOT NULL, body TEXT NOT NULL);
    """,
    """
    ALTER TABLE opening ADD COLUMN ended_lived_s REAL;
    ALTER TABLE opening ADD COLUMN seal TEXT;
    ALTER TABLE note ADD COLUMN seal TEXT;
    ALTER TABLE garden ADD COLUMN seal TEXT;
    CREATE TABLE life (one INTEGER PRIMARY KEY CHECK (one = 1), lived_s REAL NOT NULL, mono_s REAL NOT NULL,
                       commits INTEGER NOT NULL);
    """,
    """
    ALTER TABLE opening ADD COLUMN metered INTEGER;
    """,
    """
    UPDATE garden SET seal = NULL;
    """,
)
"""One script per schema version; the file's user_version says how many it has seen."""

PENDING_MOST = 20_000
READING_EVERY = timedelta(minutes=10)
FORECASTS_KEPT = 60
CHECKPOINT_PAGES = 64
"""A small write-ahead log: a big one eats the room that a full disk still has."""

RECENT_KEPT = 400
"""Openings kept in memory as well: the guard's rolling limits must not hang on a disk that fails. However many are
refused, those that gave water are not forgotten for them."""
NOTES_CHECKED = 2_000
OPENING = ("pulse", "watering", "zone", "opened", "seconds", "litres_planned", "closed", "open_s", "litres",
           "unsure_litres", "why", "ended_lived_s", "metered")
UNSEEN = "end not seen"
"""Why an opening ended whose end nobody saw: its open_s is half of the most it can have been."""
AGAIN = "~"
"""Between the id of a pulse and a number, where it was opened more than once."""
UNREADABLE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)

_GARDEN = TypeAdapter(Garden)


class JournalError(Exception):
    """The journal cannot be read, in one sentence."""


class NewerJournalError(JournalError):
    """A newer version has written it. It is not to be put aside: nothing is wrong with it."""


@dataclass(frozen=True, slots=True)
class Unfinished:
    """An opening without an end: the daemon died while it was open, or just before."""

    pulse: str
    watering: str
    zone: str
    opened: datetime
    seconds: float


@dataclass(frozen=True, slots=True)
class Given:
    """One opening as it was. litres: all that passed, with what only filled the line (`Line.reaching_l` is without);
    None: not closed yet. metered: a flow meter has counted them."""

    pulse: str
    watering: str
    zone: str
    opened: datetime
    closed: datetime | None
    seconds: float
    open_s: float | None
    litres: float | None
    unsure_litres: float
    why: str | None
    metered: bool = False


@dataclass(frozen=True, slots=True)
class Noted:
    """One note as it was written."""

    at: datetime
    kind: str
    zone: str | None
    said: str
    facts: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Used:
    """Water of the recent past, for the guard's rolling limits. open_s, litres: the most it can have been; litres None
    where no flow meter has counted."""

    zone: str
    ended_ago_s: float
    open_s: float
    litres: float | None = None


class Journal:
    """Writes. One connection, one thread.

    path ":memory:" is for tests and simulations. spare: a file in memory (the guard's directory) that holds the newest
    state as well, for the case that the disk did not take it; None for none.
    """

    def __init__(self, path: str | Path, spare: Path | None = None) -> None:
        self._begin(path, spare)
        self._db: sqlite3.Connection = _open(self.path)
        self._inode = _inode(self.path)
        try:
            self._load()
        except (sqlite3.Error, ValueError, TypeError) as error:
            self.close()
            raise JournalError(f"{self.path}: the journal cannot be read ({error})") from None

    @classmethod
    def awaiting(cls, path: Path, spare: Path | None = None) -> "Journal":
        """A journal whose file cannot be opened yet: everything waits in memory until it can."""
        journal = cls.__new__(cls)
        journal._begin(path, spare)
        journal._leave()
        return journal

    def _leave(self) -> None:
        """Without a file, for now."""
        self._db, self._inode, self._away = _open(Path(":memory:")), None, True

    def _begin(self, path: str | Path, spare: Path | None) -> None:
        self.path = Path(path)
        self.trouble: str | None = None
        self.commits = 0
        self._spare = spare
        self._pending: list[tuple[str, tuple[Any, ...]]] = []
        self._last_reading: dict[str, datetime] = {}
        self._recent: dict[str, dict[str, Any]] = {}
        self._touched: set[str] = set()
        self._life = (0.0, 0.0)
        self._last_note: tuple[int, str | None] = (0, None)
        self._away = self._marked = False
        self._body: str | None = None

    def _load(self) -> None:
        """What the file says of the recent past."""
        life = self._db.execute("SELECT lived_s, mono_s, commits FROM life").fetchone()
        if life is not None:
            self._life, self.commits = life[:2], life[2]
        note = self._db.execute("SELECT id, seal FROM note ORDER BY id DESC LIMIT 1").fetchone()
        self._last_note = note if note is not None else (0, None)
        rows = self._db.execute(
            f"SELECT {', '.join(OPENING)} FROM opening WHERE closed IS NULL OR open_s > 0 OR unsure_litres > 0"
            " ORDER BY rowid DESC LIMIT ?",
            (RECENT_KEPT,),
        ).fetchall()
        self._recent = {row[0]: dict(zip(OPENING, row, strict=True)) for row in reversed(rows)}

    def remember(self) -> Garden | None:
        """The garden as it was at the last commit; None in a new journal. JournalError if it cannot be understood."""
        try:
            row = self._db.execute("SELECT at, body, seal FROM garden").fetchone()
        except (sqlite3.Error, ValueError) as error:
            self.close()
            raise JournalError(f"{self.path}: the remembered garden cannot be read ({error})") from None
        body = row[1] if row is not None else self._body
        if body is None:
            return None
        try:
            if row is not None and row[2] not in (None, _garden_seal(*row[:2])):
                raise ValueError("it does not fit its seal")
            return _GARDEN.validate_json(body)
        except ValueError as error:  # pydantic's own errors are of this kind too
            self.close()  # so that the file can be put aside: its write-ahead log must not lie beside the next one's
            said = f"{error.error_count()} faults" if isinstance(error, ValidationError) else str(error)
            raise JournalError(f"{self.path}: the remembered garden cannot be read ({said})") from None

    def damage(self) -> str | None:
        """What has been changed by something else than this program, in words; None if all fits its seal.

        All openings are looked at, and the newest notes with the chain between them.
        """
        try:
            for row in self._db.execute(f"SELECT {', '.join(OPENING)}, seal FROM opening WHERE seal IS NOT NULL"):
                if row[-1] != _opening_seal(row[:-1]):
                    return f"the opening {row[0]} does not fit its seal"
            rows = self._db.execute(
                "SELECT id, at, kind, zone, said, facts, seal FROM note ORDER BY id DESC LIMIT ?", (NOTES_CHECKED,)
            ).fetchall()
            before: tuple[Any, ...] | None = None
            for row in reversed(rows):
                if before is not None and before[-1] is not None and row[-1] != _seal((before[-1], *row[:-1])):
                    return f"note {row[0]} does not fit the one before it"
                before = row
            life = self._db.execute("SELECT lived_s, mono_s, commits FROM life").fetchone()
            float(life[0]) if life is not None else 0.0
        except (sqlite3.Error, ValueError, TypeError) as error:
            return str(error)
        return None

    def take_spare(self) -> Garden | None:
        """Take in the spare state if it is newer than the file's, or the file knows nothing: its openings are written
        with the next commit. The garden that goes with it; None if it has nothing newer."""
        spare = _read_spare(self._spare)
        if spare is None or spare["commits"] <= self.commits:
            return None
        try:
            garden = _GARDEN.validate_json(spare["garden"])
        except ValidationError:
            return None
        self.commits, self._body = int(spare["commits"]), spare["garden"]
        self._life = (float(spare["lived_s"]), float(spare["mono_s"]))
        for row in spare["openings"]:
            self._restore(row)
        return garden

    def unfinished(self) -> list[Unfinished]:
        """Openings that were begun and whose end nobody wrote down."""
        return [
            Unfinished(row["pulse"], row["watering"], row["zone"], _instant(row["opened"]), row["seconds"])
            for row in self._recent.values()
            if row["closed"] is None
        ]

    def known(self) -> frozenset[str]:
        """The pulses of the recent past that it has heard of, whether they are on the disk or wait for it."""
        return frozenset(self._recent)

    def given(self, since: datetime, until: datetime) -> list[Given]:
        """Openings that began in [since, until), as far as they are committed."""
        return openings(self._db, since, until)

    def used_within(self, span_s: float, now: Now) -> list[Used]:
        """Openings that ended within so many lived seconds before now: what the guard's rolling limits must know of.
        Those that have no end yet count as ending now; old rows without a count of lived time go by the wall clock."""
        lived_s = self._lived_s(now)
        found = []
        for row in self._recent.values():
            ago_s = 0.0
            if row["ended_lived_s"] is not None:
                ago_s = max(0.0, lived_s - row["ended_lived_s"])
            elif row["closed"] is not None:
                ago_s = max(0.0, (now.utc - _instant(row["closed"])).total_seconds())
            open_s = row["seconds"] if row["open_s"] is None else row["open_s"] + _unsure_s(row)
            if open_s > 0.0 and ago_s < span_s:
                litres = row["litres"] + row["unsure_litres"] if row["metered"] else None
                found.append(Used(row["zone"], ago_s, open_s, litres))
        return found

    def presume(self, zone: str, seconds: float, litres: float, now: Now) -> None:
        """The past is not known: book the most that may have been, as nothing give or take everything."""
        self.intend(Open(zone, f"unknown-{zone}-{now.utc:%Y%m%dT%H%M%S}", "unknown", seconds, 0.0), now)
        pulse = next(reversed(self._recent))
        ended = ValveClosed(zone, pulse, 0.0, "the journal was lost", unsure_s=seconds)
        self.closed(ended, 0.0, litres, now)

    # What is seen may wait --------------------------------------------------------------------

    def saw_reading(self, event: Reading) -> None:
        """Keep a reading, thinned: one a sensor in ten minutes is enough to draw a curve from."""
        last = self._last_reading.get(event.sensor)
        if last is not None and timedelta(0) <= event.at - last < READING_EVERY:
            return
        self._last_reading[event.sensor] = event.at
        self._wait("INSERT INTO reading VALUES (?, ?, ?)", (_text(event.at), event.sensor, event.value))

    def saw_forecast(self, event: ForecastArrived) -> None:
        """Keep a forecast whole: plans are explained by it, and its skill is judged by it later."""
        forecast = event.forecast
        self._wait(
            "INSERT INTO forecast VALUES (?, ?, ?)", (_text(forecast.issued), forecast.source, _json(forecast.hours))
        )
        self._wait(
            "DELETE FROM forecast WHERE issued NOT IN (SELECT issued FROM forecast ORDER BY issued DESC LIMIT ?)",
            (FORECASTS_KEPT,),
        )

    def note(self, note: Note, now: Now) -> None:
        """Keep a note until the next commit."""
        self._wait(
            "INSERT INTO note (at, kind, zone, said, facts) VALUES (?, ?, ?, ?, ?)",
            (_text(now.utc), note.kind, note.zone, note.said, _json(note.facts)),
        )

    def day(self, zone: str, day: date, ledger: Any) -> None:
        """Keep what happened to a zone's water on a day; the last word on a day counts."""
        self._wait("INSERT OR REPLACE INTO day VALUES (?, ?, ?)", (day.isoformat(), zone, _json(ledger)))

    # What is done may not ---------------------------------------------------------------------

    def intend(self, opening: Open, now: Now) -> None:
        """An opening, before it is asked of the guard. To be followed by `commit`.

        A pulse that was opened before (a plan made anew after the clock was set) does not overwrite what it gave then.
        """
        before = self._recent.pop(opening.pulse, None)
        if before is not None and before["closed"] is not None:
            self._restore(before | {"pulse": f"{opening.pulse}{AGAIN}{self.commits}"})
        row = dict.fromkeys(OPENING, None) | {
            "pulse": opening.pulse, "watering": opening.watering, "zone": opening.zone, "opened": _text(now.utc),
            "seconds": opening.seconds, "litres_planned": opening.litres, "unsure_litres": 0.0,
        }
        self._restore(row)

    def closed(self, event: ValveClosed, litres: float, unsure_litres: float, now: Now) -> None:
        """How an opening ended, and all the litres that passed. To be followed by `commit`.

        One that nobody intended is booked all the same: an opening whose intent a failing disk did not take.
        """
        if event.pulse not in self._recent:
            self.intend(Open(event.zone, event.pulse, "unknown", event.open_s, litres), now)
        self._end(event.pulse, event.open_s, litres, unsure_litres, event.why, now, event.litres is not None)

    def refused(self, pulse: str, why: str, now: Now) -> None:
        """An intended opening that the guard would not do. To be followed by `commit`."""
        if pulse in self._recent:
            self._end(pulse, 0.0, 0.0, 0.0, f"refused: {why}", now)

    def commit(self, garden: Garden, now: Now) -> bool:
        """Everything that waits, and the garden as it is, onto the disk. False (and `trouble`) if it could not be."""
        self._body = _GARDEN.dump_json(garden).decode()
        self._life = (self._lived_s(now), now.mono_s)
        self.commits += 1
        self._keep_spare()
        try:
            self._find_file()
            self._write(now)
        except (sqlite3.Error, OSError, ValueError, JournalError) as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF in UNREADABLE:
                self._away = True
            self.trouble = f"The journal cannot be written ({error}); watering goes on, the record waits in memory."
            del self._pending[:-PENDING_MOST]
            self._forget_the_oldest()
            return False
        self._pending.clear()
        self._touched.clear()
        self._forget_the_oldest()
        self.trouble = None
        self._mark_begun()
        return True

    def close(self) -> None:
        """Close the file. What still waits is lost, so commit first."""
        self._db.close()

    def _mark_begun(self) -> None:
        if not self._marked and str(self.path) != ":memory:":
            with contextlib.suppress(OSError):
                began(self.path).touch()
                self._marked = True

    def _write(self, now: Now) -> None:
        assert self._body is not None, "commit has made it"
        at = _text(now.utc)
        with self._db:
            self._db.execute("BEGIN")
            for sql, values in self._pending:
                self._db.execute(sql, values)
            for opening in [each for pulse, each in self._recent.items() if pulse in self._touched]:
                row = tuple(opening[name] for name in OPENING)
                marks = ", ".join("?" * (len(OPENING) + 1))
                self._db.execute(
                    f"INSERT OR REPLACE INTO opening ({', '.join(OPENING)}, seal) VALUES ({marks})",
                    (*row, _opening_seal(row)),
                )
            last_note = self._seal_notes()
            self._db.execute("INSERT OR REPLACE INTO garden VALUES (1, ?, ?, ?)",
                             (at, self._body, _garden_seal(at, self._body)))
            self._db.execute("INSERT OR REPLACE INTO life VALUES (1, ?, ?, ?)", (*self._life, self.commits))
        self._last_note = last_note

    def _seal_notes(self) -> tuple[int, str | None]:
        """Chain the new notes to those before them. The last one's id and seal."""
        last, seal = self._last_note
        rows = self._db.execute(
            "SELECT id, at, kind, zone, said, facts FROM note WHERE id > ? ORDER BY id", (last,)
        ).fetchall()
        for row in rows:
            last, seal = row[0], _seal((seal, *row))
            self._db.execute("UPDATE note SET seal = ? WHERE id = ?", (seal, last))
        return last, seal

    def _find_file(self) -> None:
        """The file that is written to is still the one under its name; else begin anew, with all that is remembered."""
        if str(self.path) == ":memory:" or (not self._away and _inode(self.path) == self._inode):
            return
        ours = self._inode is not None
        self._db.close()
        self._leave()
        if ours and self.path.exists():
            put_aside(self.path)
        self._db = _open(self.path)
        self._inode, self._away = _inode(self.path), False
        self._last_note = (0, None)
        self._touched |= self._recent.keys()

    def _restore(self, row: Mapping[str, Any]) -> None:
        self._recent[row["pulse"]] = dict.fromkeys(OPENING) | dict(row)  # a spare state may be of an older version
        self._touched.add(row["pulse"])

    def _forget_the_oldest(self) -> None:
        """Memory has an end; what gave nothing goes first."""
        if (too_many := len(self._recent) - RECENT_KEPT) > 0:
            for pulse in sorted(self._recent, key=lambda pulse: _gave(self._recent[pulse]))[:too_many]:
                del self._recent[pulse]

    def _end(
        self, pulse: str, open_s: float, litres: float, unsure_litres: float, why: str, now: Now, metered: bool = False
    ) -> None:
        self._restore(self._recent[pulse] | {
            "closed": _text(now.utc), "open_s": open_s, "litres": litres, "unsure_litres": unsure_litres, "why": why,
            "ended_lived_s": self._lived_s(now), "metered": int(metered),
        })

    def _lived_s(self, now: Now) -> float:
        """Seconds that the controller has surely lived until now. The monotonic clock counts from the boot; one that
        says less than before has been booted in between."""
        lived_s, mono_s = self._life
        return lived_s + (now.mono_s - mono_s if now.mono_s >= mono_s else now.mono_s)

    def _keep_spare(self) -> None:
        """The newest state beside the guard, in memory; a directory that does not take it costs only the spare."""
        if self._spare is None:
            return
        state = {"commits": self.commits, "lived_s": self._life[0], "mono_s": self._life[1], "garden": self._body,
                 "openings": [row for pulse, row in self._recent.items() if _gave(row) or pulse in self._touched]}
        fresh = self._spare.with_name(self._spare.name + ".new")
        with contextlib.suppress(OSError):
            fresh.write_bytes(to_json(state))
            fresh.replace(self._spare)

    def _wait(self, sql: str, values: tuple[Any, ...]) -> None:
        self._pending.append((sql, values))


class JournalReader:
    """Reads, beside a living daemon: a connection of its own that never writes."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        if not self.path.exists():
            raise JournalError(f"{self.path}: there is no journal yet; has the daemon run?")
        # Without a daemon there is no write-ahead log to read along, and a mere reader may not make one.
        still = "" if self.path.with_name(f"{self.path.name}-wal").exists() else "&immutable=1"
        try:
            self._db = sqlite3.connect(f"file:{quote(str(self.path))}?mode=ro{still}", uri=True)
            _check_version(self._db, self.path)
        except sqlite3.Error as error:
            raise JournalError(f"{self.path}: {error}") from None

    def garden(self) -> tuple[Garden, datetime] | None:
        """The last committed garden and when that was; None if there is none yet."""
        row = self._db.execute("SELECT body, at FROM garden").fetchone()
        if row is None:
            return None
        try:
            return _GARDEN.validate_json(row[0]), _instant(row[1])
        except ValidationError as error:
            raise JournalError(
                f"{self.path}: the remembered garden cannot be read ({error.error_count()} faults)"
            ) from None

    def openings(self, since: datetime, until: datetime) -> list[Given]:
        """Openings that began in [since, until), in order."""
        return openings(self._db, since, until)

    def notes(
        self, since: datetime, until: datetime, *, kind: str | None = None, zone: str | None = None
    ) -> list[Noted]:
        """Notes of [since, until), in order; of one kind, of one zone, if asked."""
        where, values = ["at >= ?", "at < ?"], [_text(since), _text(until)]
        for column, value in (("kind", kind), ("zone", zone)):
            if value is not None:
                where.append(f"{column} = ?")
                values.append(value)
        rows = self._db.execute(
            f"SELECT at, kind, zone, said, facts FROM note WHERE {' AND '.join(where)} ORDER BY id", values
        )
        return [Noted(_instant(at), k, z, said, json.loads(facts)) for at, k, z, said, facts in rows]

    def readings(self, sensor: str, since: datetime, until: datetime) -> list[tuple[datetime, float]]:
        """The thinned readings of a sensor, in order."""
        rows = self._db.execute(
            "SELECT at, value FROM reading WHERE sensor = ? AND at >= ? AND at < ? ORDER BY at",
            (sensor, _text(since), _text(until)),
        )
        return [(_instant(at), value) for at, value in rows]

    def ledgers(self, zone: str, since: date, until: date) -> list[dict[str, Any]]:
        """The daily ledgers of a zone from `since` to `until`, both included."""
        rows = self._db.execute(
            "SELECT ledger FROM day WHERE zone = ? AND day BETWEEN ? AND ? ORDER BY day",
            (zone, since.isoformat(), until.isoformat()),
        )
        return [json.loads(ledger) for (ledger,) in rows]

    def close(self) -> None:
        self._db.close()


def openings(db: sqlite3.Connection, since: datetime, until: datetime) -> list[Given]:
    """Openings that began in [since, until), in order."""
    rows = db.execute(
        "SELECT pulse, watering, zone, opened, closed, seconds, open_s, litres, unsure_litres, why, ifnull(metered, 0)"
        " FROM opening WHERE opened >= ? AND opened < ? ORDER BY opened, pulse",
        (_text(since), _text(until)),
    )
    return [
        Given(pulse, watering, zone, _instant(at), end and _instant(end), s, open_s, litres, unsure_l, why, metered > 0)
        for pulse, watering, zone, at, end, s, open_s, litres, unsure_l, why, metered in rows
    ]


@contextmanager
def reading(path: str | Path) -> Iterator[JournalReader]:
    """A reader that is closed again: one left open would keep the write-ahead log growing."""
    reader = JournalReader(path)
    try:
        yield reader
    finally:
        reader.close()


def began(path: Path) -> Path:
    """The empty file beside a journal by which a start knows that something has been written, should it vanish."""
    return path.with_name(f"{path.name}.began")


def put_aside(path: Path) -> Path:
    """Move a journal out of the way, with its write-ahead log: nothing is overwritten. Its new name. OSError."""
    number = 1
    while (aside := path.with_name(f"{path.name}.unread-{number}")).exists():
        number += 1
    for ending in ("-wal", "-shm", ""):
        part = path.with_name(path.name + ending)
        if part.exists():
            part.rename(aside.with_name(aside.name + ending))
    return aside


def _inode(path: Path) -> int | None:
    try:
        return os.stat(path).st_ino
    except OSError:
        return None


def _read_spare(path: Path | None) -> dict[str, Any] | None:
    """The spare state; None if there is none, or none that is whole."""
    if path is None:
        return None
    try:
        state = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    known = isinstance(state, dict) and {"commits", "lived_s", "mono_s", "garden", "openings"} <= state.keys()
    return state if known else None


def _seal(values: Iterable[Any]) -> str:
    """A checksum of a row."""
    return _checksum(json.dumps(list(values)))


def _garden_seal(at: str, body: str) -> str:
    """The same of the garden, a long text that is written often."""
    return _checksum(f"{at} {body}")


def _checksum(text: str) -> str:
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()


def _opening_seal(row: tuple[Any, ...]) -> str:
    """Older versions did not say whether a meter had counted, and sealed without."""
    return _seal(row if row[-1] is not None else row[:-1])


def _gave(row: Mapping[str, Any]) -> bool:
    """Whether water came of it, or may have."""
    return row["closed"] is None or row["open_s"] > 0.0 or row["unsure_litres"] > 0.0


def _unsure_s(row: Mapping[str, Any]) -> float:
    """By how much longer it may have been open than it is booked: litres that are unsure, in time by its own flow."""
    if not row["unsure_litres"]:
        return 0.0
    if row["open_s"] and row["litres"]:
        return float(row["unsure_litres"] / row["litres"] * row["open_s"])
    return float(row["seconds"])


def _open(path: Path) -> sqlite3.Connection:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        db = sqlite3.connect(path, isolation_level=None, timeout=2.0)
    except (sqlite3.Error, OSError) as error:
        raise JournalError(f"{path}: the journal cannot be opened ({error})") from None
    try:
        _prepare(db, path)
    except (sqlite3.Error, ValueError) as error:  # ValueError: a damaged file may hold text that is none
        db.close()
        raise JournalError(f"{path}: the journal cannot be opened ({error})") from None
    except JournalError:
        db.close()
        raise
    return db


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
    db.execute(f"PRAGMA journal_size_limit = {CHECKPOINT_PAGES * 4096}")  # or it keeps the room that it once took
    _check_version(db, path)
    _migrate(db)


def _check_version(db: sqlite3.Connection, path: Path) -> None:
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if version > len(SCHEMA):
        raise NewerJournalError(
            f"{path}: written by a newer Seepward (schema {version}, this one knows {len(SCHEMA)}); upgrade first"
        )


def _migrate(db: sqlite3.Connection) -> None:
    """Bring the file to the newest schema, each step and its version number in one transaction."""
    for version in range(db.execute("PRAGMA user_version").fetchone()[0], len(SCHEMA)):
        statements = [part for part in SCHEMA[version].split(";") if part.strip()]
        db.execute("BEGIN IMMEDIATE")
        try:
            for statement in [*statements, f"PRAGMA user_version = {version + 1}"]:
                db.execute(statement)
            db.execute("COMMIT")
        except sqlite3.Error:
            db.execute("ROLLBACK")
            raise


def _text(instant: datetime) -> str:
    return instant.astimezone(UTC).isoformat(timespec="milliseconds")


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def _json(facts: Any) -> str:
    return to_json(facts, inf_nan_mode="null").decode()
