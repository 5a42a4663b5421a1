"""The guard's files, in this process: what it leaves behind, what it remembers, and who holds the lines."""

import fcntl
import json
import os
import stat
import subprocess
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from controller.guard import files
from controller.guard.rules import Lock

LEAK = Lock("leak", "0.5 L/min flow while all is closed", None)
BURST = Lock("burst", "Böen: 9.0 L/min", "beans")


def closing(number: int) -> dict[str, Any]:
    return {"pulse": f"p{number}", "valve": "beans", "open_s": 1.5, "why": "signal"}


def written(directory: Path, name: str) -> Any:
    return json.loads((directory / name).read_text("utf-8"))


# Last words ---------------------------------------------------------------------------------------


def test_last_words_follow_those_that_nobody_has_taken(tmp_path: Path) -> None:
    files.add_last_words(str(tmp_path), [closing(1)])
    files.add_last_words(str(tmp_path), [closing(2), closing(3)])
    assert written(tmp_path, files.LAST_WORDS) == {"closings": [closing(1), closing(2), closing(3)]}
    assert os.listdir(tmp_path) == [files.LAST_WORDS], "no half of a file is left"


def test_of_too_many_last_words_the_newest_are_kept(tmp_path: Path) -> None:
    files.add_last_words(str(tmp_path), map(closing, range(files.LAST_WORDS_LIMIT + 5)))
    kept = written(tmp_path, files.LAST_WORDS)["closings"]
    assert [row["pulse"] for row in kept] == [f"p{n}" for n in range(5, files.LAST_WORDS_LIMIT + 5)]


@pytest.mark.parametrize("damaged", [b'{"closings": [', b"[]", b"\xff\xfe", b""])
def test_damaged_last_words_are_put_aside_whole_and_the_new_ones_written(tmp_path: Path, damaged: bytes) -> None:
    (tmp_path / files.LAST_WORDS).write_bytes(damaged)
    files.add_last_words(str(tmp_path), [closing(1)])
    assert written(tmp_path, files.LAST_WORDS) == {"closings": [closing(1)]}
    (aside,) = tmp_path.glob(f"{files.LAST_WORDS}.damaged-*")
    assert aside.read_bytes() == damaged


# What is locked -----------------------------------------------------------------------------------


def test_what_is_locked_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    said: list[str] = []
    latch = files.Latch(str(tmp_path / "locked.json"), said.append)
    assert latch.read() == ()
    for locks in ((LEAK, BURST), (BURST,), ()):
        latch.keep(locks)
        latch.finish(10.0)
        assert files.Latch(latch.path, said.append).read() == locks
    latch.keep((LEAK,))
    latch.finish(10.0)
    assert written(tmp_path, "locked.json") == {"locks": [{"rule": "leak", "why": LEAK.why, "valve": None}]}
    assert said == []


def test_a_latch_that_cannot_be_written_says_so_in_one_sentence(tmp_path: Path) -> None:
    said: list[str] = []
    latch = files.Latch(str(tmp_path / "gone" / "locked.json"), said.append)
    latch.keep((LEAK,))
    latch.finish(10.0)
    (sentence,) = said
    assert sentence.startswith("what is locked cannot be written down ([Errno 2] ")
    assert sentence.endswith("; it is kept in memory")


def test_nobody_waits_longer_for_a_disk_that_hangs_than_was_said(tmp_path: Path) -> None:
    """A pipe that nobody reads yet stands where the file is first written."""
    part = tmp_path / f"locked.json.{os.getpid()}.part"
    os.mkfifo(part)
    latch = files.Latch(str(tmp_path / "locked.json"), print)
    latch.finish(10.0)  # nothing has been begun
    others = set(threading.enumerate())
    latch.keep((LEAK,))
    began_s = time.monotonic()
    latch.finish(0.2)
    assert 0.2 <= time.monotonic() - began_s < 5.0
    (hanging,) = set(threading.enumerate()) - others
    assert hanging.daemon, "and no process stays for it when it ends"
    assert json.loads(part.read_text("utf-8")) == {"locks": [{"rule": "leak", "why": LEAK.why, "valve": None}]}
    latch.finish(10.0)
    assert not hanging.is_alive()


NO_TEXT = "a lock is not of text"


@pytest.mark.parametrize(
    ("kept", "said"),
    [('{"locks": [{"rule": "leak"}]}', "'why'"), ("{}", "'locks'"), ('{"locks": 1}', "'int' object is not iterable"),
     ("{", "{path} is damaged: Expecting property name enclosed in double quotes: line 1 column 2 (char 1)"),
     ("[]", "{path} is damaged: not a JSON object"),
     ('{"locks": [{"rule": 1, "why": "x", "valve": null}]}', NO_TEXT),
     ('{"locks": [{"rule": "leak", "why": "x", "valve": 3}]}', NO_TEXT)],
)  # fmt: skip
def test_a_list_of_locks_that_cannot_be_read_locks_everything(tmp_path: Path, kept: str, said: str) -> None:
    path = tmp_path / "locked.json"
    path.write_text(kept, encoding="utf-8")
    (lock,) = files.Latch(str(path), print).read()
    assert (lock.rule, lock.valve) == ("list lost", None)
    assert lock.why == f"the list of what is locked cannot be read ({said.replace('{path}', str(path))})"[:200]


# Who started when ---------------------------------------------------------------------------------


def test_the_start_of_a_process_is_read_whatever_its_name_and_none_of_one_that_has_ended(tmp_path: Path) -> None:
    """proc(5): its name stands in brackets and may hold brackets itself, and bytes that are no text."""
    odd = tmp_path / os.fsdecode(b"odd\xff) Z 1")
    odd.write_bytes(Path("/bin/sleep").read_bytes())
    odd.chmod(0o700)
    ticks_a_s = os.sysconf("SC_CLK_TCK")
    before_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    child = subprocess.Popen([odd, "60"])
    after_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    try:
        ticks = files.started_ticks(child.pid)
        assert ticks is not None
        assert before_s - 2.0 / ticks_a_s <= ticks / ticks_a_s <= after_s + 2.0 / ticks_a_s
    finally:
        child.kill()
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    assert files.started_ticks(child.pid) is None, "it has ended, and only waits to be asked how"
    child.wait()
    assert files.started_ticks(child.pid) is None


# Who holds the lines ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wrote", "pid"), [(b"4242\n", 4242), (b"", None), (b"-1", None), (b"4242 and more", None), (b"x" * 40, None)]
)
def test_a_lock_that_is_held_is_told_with_the_pid_that_stands_in_it(
    tmp_path: Path, wrote: bytes, pid: int | None
) -> None:
    with (tmp_path / files.LOCK).open("wb") as held:
        held.write(wrote)
        held.flush()
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(files.HeldError) as told:
            files.take_lock(str(tmp_path))
        assert told.value.pid == pid
        assert str(told.value) == f"another guard (pid {pid or 'unknown'}) holds the valve lines"
        assert files.lock_holders(str(tmp_path)) == {os.getpid()}
        assert (tmp_path / files.LOCK).read_bytes() == wrote, "its holder's word stays"


def test_the_lock_is_taken_with_the_own_pid_in_it_and_is_free_when_the_descriptor_closes(tmp_path: Path) -> None:
    (tmp_path / files.LOCK).write_text("4242424242424242\n", encoding="ascii")  # of one that is gone
    descriptor = files.take_lock(str(tmp_path))
    assert (tmp_path / files.LOCK).read_text("ascii") == f"{os.getpid()}\n"
    assert files.lock_holders(str(tmp_path)) == {os.getpid()}
    with pytest.raises(files.HeldError):
        files.take_lock(str(tmp_path))
    os.close(descriptor)
    assert files.lock_holders(str(tmp_path)) == set()
    os.close(files.take_lock(str(tmp_path)))


def test_others_may_not_open_the_lock_and_the_group_may_only_look(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        os.close(files.take_lock(str(tmp_path)))
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / files.LOCK).stat().st_mode) == 0o640


def test_of_a_directory_that_is_not_there_nobody_holds_the_lock(tmp_path: Path) -> None:
    assert files.lock_holders(str(tmp_path / "gone")) == set()
