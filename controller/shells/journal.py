"""The durable memory: one SQLite file of everything seen, decided, done and refused.

Promises: what was committed survives a power cut (write-ahead log, synchronous=FULL). An opening is written before
the line changes, its closing after. Few commits: readings, notes and forecasts wait in memory for the next commit that
must happen anyway, ten minutes at most. A journal that cannot write stops nothing: it says so in `trouble`, keeps what
it could not write in memory (bounded) and tries again.

Times are stored as UTC text (RFC 3339) and shown in the site's zone by whoever reads them.
"""

import json
import sqlite3
from collections.abc import Iterator
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
)
"""One script per schema version; the file's user_version says how many it has seen."""

PENDING_MOST = 20_000
READING_EVERY = timedelta(minutes=10)
FORECASTS_KEPT = 60
CHECKPOINT_PAGES = 64
"""A small write-ahead log: a big one eats the room that a full disk still has."""

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
    """One opening as it was. litres None: not closed yet."""

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


@dataclass(frozen=True, slots=True)
class Noted:
    """One note as it was written."""

    at: datetime
    kind: str
    zone: str | None
    said: str
    facts: dict[str, Any]


class Journal:
    """Writes. One connection, one thread."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self.trouble: str | None = None
        self._pending: list[tuple[str, tuple[Any, ...]]] = []
        self._last_reading: dict[str, datetime] = {}
        self._db = _open(self.path)
        self.commits = 0

    def remember(self) -> Garden | None:
        """The garden as it was at the last commit; None in a new journal. JournalError if it cannot be understood."""
        row = self._db.execute("SELECT body FROM garden").fetchone()
        if row is None:
            return None
        try:
            return _GARDEN.validate_json(row[0])
        except ValidationError as error:
            self.close()  # so that the file can be put aside: its write-ahead log must not lie beside the next one's
            raise JournalError(
                f"{self.path}: the remembered garden cannot be read ({error.error_count()} faults)"
            ) from None

    def unfinished(self) -> list[Unfinished]:
        """Openings that were begun and whose end nobody wrote down."""
        rows = self._db.execute("SELECT pulse, watering, zone, opened, seconds FROM opening WHERE closed IS NULL")
        return [Unfinished(pulse, watering, zone, _instant(at), s) for pulse, watering, zone, at, s in rows]

    def given(self, since: datetime, until: datetime) -> list[Given]:
        """Openings that began in [since, until), as far as they are committed."""
        return openings(self._db, since, until)

    def opened_within(self, span: timedelta, now: datetime) -> list[Given]:
        """Closed openings that ended within `span` before now: what the guard's rolling limits must know of."""
        return [
            g for g in openings(self._db, now - span - timedelta(days=1), now) if g.closed and g.closed > now - span
        ]

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
        """An opening, before it is asked of the guard. To be followed by `commit`."""
        self._wait(
            "INSERT OR REPLACE INTO opening (pulse, watering, zone, opened, seconds, litres_planned)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            (opening.pulse, opening.watering, opening.zone, _text(now.utc), opening.seconds, opening.litres),
        )

    def closed(self, event: ValveClosed, litres: float, unsure_litres: float, now: Now) -> None:
        """How an opening ended, and what it gave. To be followed by `commit`."""
        self._wait(
            "UPDATE opening SET closed = ?, open_s = ?, litres = ?, unsure_litres = ?, why = ? WHERE pulse = ?",
            (_text(now.utc), event.open_s, litres, unsure_litres, event.why, event.pulse),
        )

    def refused(self, pulse: str, why: str, now: Now) -> None:
        """An intended opening that the guard would not do. To be followed by `commit`."""
        self._wait(
            "UPDATE opening SET closed = ?, open_s = 0, litres = 0, why = ? WHERE pulse = ?",
            (_text(now.utc), f"refused: {why}", pulse),
        )

    def commit(self, garden: Garden, now: Now) -> bool:
        """Everything that waits, and the garden as it is, onto the disk. False (and `trouble`) if it could not be."""
        body = _GARDEN.dump_json(garden).decode()
        try:
            with self._db:
                self._db.execute("BEGIN")
                for sql, values in self._pending:
                    self._db.execute(sql, values)
                self._db.execute("INSERT OR REPLACE INTO garden VALUES (1, ?, ?)", (_text(now.utc), body))
        except sqlite3.Error as error:
            self.trouble = f"The journal cannot be written ({error}); watering goes on, the record waits in memory."
            del self._pending[:-PENDING_MOST]
            return False
        self._pending.clear()
        self.trouble = None
        self.commits += 1
        return True

    def close(self) -> None:
        """Close the file. What still waits is lost, so commit first."""
        self._db.close()

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
        "SELECT pulse, watering, zone, opened, closed, seconds, open_s, litres, unsure_litres, why FROM opening"
        " WHERE opened >= ? AND opened < ? ORDER BY opened, pulse",
        (_text(since), _text(until)),
    )
    return [
        Given(pulse, watering, zone, _instant(opened), _instant(closed) if closed else None, *rest)
        for pulse, watering, zone, opened, closed, *rest in rows
    ]


@contextmanager
def reading(path: str | Path) -> Iterator[JournalReader]:
    """A reader that is closed again: one left open would keep the write-ahead log growing."""
    reader = JournalReader(path)
    try:
        yield reader
    finally:
        reader.close()


def _open(path: Path) -> sqlite3.Connection:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        db = sqlite3.connect(path, isolation_level=None, timeout=2.0)
    except (sqlite3.Error, OSError) as error:
        raise JournalError(f"{path}: the journal cannot be opened ({error})") from None
    try:
        _prepare(db, path)
    except sqlite3.Error as error:
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
