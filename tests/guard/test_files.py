"""The guard's files, in this process: what it leaves behind, what it remembers, and who holds the lines."""

import fcntl
import json
import os
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


@pytest.mark.parametrize(
    "kept",
    ['{"locks": [{"rule": "leak"}]}', '{"locks": [{"rule": 1, "why": "x", "valve": null}]}', "{", '{"locks": 1}', "{}",
     '{"locks": [{"rule": "leak", "why": "x", "valve": 3}]}'],
)  # fmt: skip
def test_a_list_of_locks_that_cannot_be_read_locks_everything(tmp_path: Path, kept: str) -> None:
    (tmp_path / "locked.json").write_text(kept, encoding="utf-8")
    (lock,) = files.Latch(str(tmp_path / "locked.json"), print).read()
    assert (lock.rule, lock.valve) == ("list lost", None)
    assert lock.why.startswith("the list of what is locked cannot be read (")
    assert len(lock.why) <= 200
    assert "\n" not in lock.why


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
    descriptor = files.take_lock(str(tmp_path))
    assert int((tmp_path / files.LOCK).read_text()) == os.getpid()
    assert files.lock_holders(str(tmp_path)) == {os.getpid()}
    with pytest.raises(files.HeldError):
        files.take_lock(str(tmp_path))
    os.close(descriptor)
    assert files.lock_holders(str(tmp_path)) == set()
    os.close(files.take_lock(str(tmp_path)))


def test_of_a_directory_that_is_not_there_nobody_holds_the_lock(tmp_path: Path) -> None:
    assert files.lock_holders(str(tmp_path / "gone")) == set()
