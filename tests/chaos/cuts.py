"""Power cuts: a journal is written under the recorder, and what a cut would have left is put together and opened.

Model: a file keeps what it held at its last sync. Of what was written since, nothing survives ("none"), or each sector
of 512 bytes does with an even chance ("torn"). Unlinking and making a file are taken as durable at once. Cards that lie
about a sync, or spoil old blocks, are not modelled.
"""

import os
import random
import struct
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

from controller.shells.journal import Journal
from controller.shells.recovery import open_journal
from tests.chaos.preload import build

WRITER = "tests.journal.writer"
SECTOR = 512
HEAD = struct.Struct("4q")


@dataclass(slots=True)
class Disk:
    """What the files hold, and what they are sure to hold."""

    paths: dict[int, str] = field(default_factory=dict)
    held: dict[str, bytearray] = field(default_factory=dict)
    sure: dict[str, bytes] = field(default_factory=dict)
    said: int = 0
    """Rows that the writer has reported."""


def recorded(folder: Path, rows: int) -> bytes:
    """The record of a writer that commits so many rows, then is killed."""
    record, place = folder / "record", folder / "written"
    place.mkdir()
    env = {**os.environ, "LD_PRELOAD": str(build("recorder", folder)), "RECORD_TO": str(record),
           "RECORD_UNDER": str(place)}
    writer = subprocess.Popen([sys.executable, "-m", WRITER, str(place / "journal.sqlite")],
                              stdout=subprocess.PIPE, text=True, env=env)
    assert writer.stdout is not None
    for line in writer.stdout:
        if int(line) >= rows:
            break
    writer.kill()
    writer.wait()
    return record.read_bytes()


def steps(record: bytes) -> list[tuple[str, int, int, bytes, int]]:
    """(kind, file, offset, bytes, length) of each record that is whole."""
    found, at = [], 0
    while at + HEAD.size <= len(record):
        kind, number, offset, length = HEAD.unpack_from(record, at)
        body = record[at + HEAD.size : at + HEAD.size + length]
        if len(body) < length:
            break
        found.append((chr(kind), number, offset, body, length))
        at += HEAD.size + length
    return found


def go_on(disk: Disk, step: tuple[str, int, int, bytes, int]) -> None:
    """The disk after a step."""
    kind, number, offset, body, _ = step
    path = disk.paths.get(number, "")
    match kind:
        case "o":
            disk.paths[number] = body.decode()
            disk.held.setdefault(body.decode(), bytearray())
        case "w":
            held = disk.held.setdefault(path, bytearray())
            held.extend(bytes(max(0, offset + len(body) - len(held))))
            held[offset : offset + len(body)] = body
        case "t":
            held = disk.held[path]
            held.extend(bytes(max(0, offset - len(held))))
            del held[offset:]
        case "s":
            disk.sure[path] = bytes(disk.held[path])
        case "u":
            for files in (disk.held, disk.sure):
                files.pop(body.decode(), None)
        case "a":
            disk.said += body.count(b"\n")


def left(disk: Disk, torn: random.Random | None) -> dict[str, bytes]:
    """What a cut now leaves of each file."""
    found = {}
    for path, held in disk.held.items():
        sure = disk.sure.get(path, b"")
        if torn is None:
            found[path] = sure
            continue
        whole = bytearray(sure)
        for start in range(0, len(held), SECTOR):
            fresh = held[start : start + SECTOR]
            if fresh != sure[start : start + SECTOR] and torn.random() < 0.5:
                whole.extend(bytes(max(0, start + len(fresh) - len(whole))))
                whole[start : start + len(fresh)] = fresh
        found[path] = bytes(whole)
    return found


def replay(folder: Path, cuts: int, rows: int, seed: int) -> dict[str, int]:
    """Cut the power so many times at chance; how many cuts lost a reported row, and how many journals were unfit."""
    chance = random.Random(seed)
    all_steps = steps(recorded(folder, rows))
    first = next((n for n, step in enumerate(all_steps) if step[0] == "a"), 0)
    points = sorted(chance.randrange(first, len(all_steps)) for _ in range(cuts))
    disk, done = Disk(), 0
    lost = unfit = most_lost = 0
    for n, point in enumerate(points):
        while done <= point:
            go_on(disk, all_steps[done])
            done += 1
        place = folder / "after"
        place.mkdir(exist_ok=True)
        for old in place.iterdir():
            old.unlink()
        for path, body in left(disk, chance if n % 2 else None).items():
            if not path.endswith("-shm"):
                (place / Path(path).name).write_bytes(body)
        found = open_journal(place / "journal.sqlite")
        kept = rows_in(found.journal)
        unfit += found.trouble is not None
        lost += kept < disk.said
        most_lost = max(most_lost, disk.said - kept)
        found.journal.close()
    return {"cuts": cuts, "reported": disk.said, "cuts_that_lost": lost, "most_lost": max(0, most_lost), "unfit": unfit}


def rows_in(journal: Journal) -> int:
    return int(journal._db.execute("SELECT COUNT(*) FROM note").fetchone()[0])
