"""The last resort: valves closed beside a living, a hung and a dead guard, and with nothing but a config."""

import errno
import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from controller.core.events import GuardReady, ValveClosed, ValveOpened
from controller.drivers.gpio import Line
from controller.guard import closing, files
from controller.guard.closing import close_everything, lines_of_config
from controller.guard.rules import MASTER
from tests.guard.conftest import Garden, OwnGuard

pytestmark = pytest.mark.real

CONFIG = """
[pins]
driver = "tests.guard.diary_pins:factory"
[supply.master]
pin = 22
active = "high"
[[zone]]
id = "beans"
valve = { pin = 17, active = "high" }
[[zone]]
id = "kale"
valve = { pin = 27, active = "low" }
"""


def test_beside_a_living_guard(garden: Garden, guard: OwnGuard) -> None:
    guard.start().next(GuardReady)
    guard.process.open("beans", "p1", 60)
    guard.next(ValveOpened)
    report = close_everything(garden.runtime_dir)
    assert report.ok
    assert report.said == "The guard has closed every valve; open until now: beans."
    assert report.ended == ()
    assert guard.next(ValveClosed).why == "by hand"
    assert guard.process.alive()


def test_beside_a_hung_guard_and_its_owner(garden: Garden) -> None:
    owner = garden.start_owner("beans=60", "kale=60")
    try:
        garden.wait_open("beans", "kale", MASTER)
        guard_pid = garden.guard_pid()
        os.kill(guard_pid, signal.SIGSTOP)
        report = close_everything(garden.runtime_dir)
        assert report.ok, report.said
        assert report.ended == (owner.pid, guard_pid)
        ended = f"after ending process {owner.pid} and {guard_pid}"
        assert report.said == f"Every valve is closed: 3 lines put to rest {ended}."
        assert garden.open_lines() == set()
        assert owner.wait(5) == -signal.SIGKILL
    finally:
        owner.kill()
        owner.communicate()


def test_after_guard_and_owner_were_killed(garden: Garden) -> None:
    owner = garden.start_owner("beans=60")
    try:
        garden.wait_open("beans", MASTER)
        guard_pid = garden.guard_pid()
        os.kill(guard_pid, signal.SIGSTOP)
        owner.kill()
        os.kill(guard_pid, signal.SIGKILL)
        garden.wait_gone(guard_pid)
        assert garden.open_lines() == {"beans", MASTER}, "the pins keep their level, as on a Pi"
        report = close_everything(garden.runtime_dir)
        assert report.ok
        assert report.said == "Every valve is closed: 3 lines put to rest."
        assert garden.open_lines() == set()
    finally:
        owner.kill()
        owner.communicate()


def test_a_process_that_has_the_owners_number_by_now_is_spared(garden: Garden) -> None:
    owner = garden.start_owner("beans=60")
    garden.wait_open("beans", MASTER)
    bystander = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    try:
        left = files.read_object(str(garden.runtime_dir), files.CHARGE)
        assert left
        files.write_atomically(str(garden.runtime_dir), files.CHARGE, {**left, "owner_pid": bystander.pid})
        guard_pid = garden.guard_pid()
        os.kill(guard_pid, signal.SIGSTOP)
        report = close_everything(garden.runtime_dir)
        assert report.ended == (guard_pid,)
        assert bystander.poll() is None
    finally:
        for process in (owner, bystander):
            process.kill()
            process.communicate()


def test_a_lock_held_by_somebody_who_is_not_the_guard_is_reported(
    garden: Garden, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.guard.closing.GONE_WITHIN_S", 0.1)
    lock = files.take_lock(str(garden.runtime_dir))
    (garden.runtime_dir / files.LOCK).write_text("1\n")
    report = close_everything(garden.runtime_dir)
    os.close(lock)
    assert not report.ok
    assert report.said.startswith("The valves may be open: the lock of the lines is still held")
    assert report.ended == ()


def test_with_nothing_but_the_config(garden: Garden, tmp_path: Path) -> None:
    config = tmp_path / "garden.toml"
    config.write_text(CONFIG)
    report = close_everything(garden.runtime_dir, str(config))
    assert report.ok
    assert report.lines == (MASTER, "beans", "kale")
    claims = {row.pin: row.level for row in garden.rows() if row.what == "claim"}
    assert claims == {22: 0, 17: 0, 27: 1}


def test_a_damaged_charge_falls_back_on_the_config(garden: Garden, tmp_path: Path) -> None:
    config = tmp_path / "garden.toml"
    config.write_text(CONFIG)
    (garden.runtime_dir / files.CHARGE).write_text('{"driver": 3')
    assert close_everything(garden.runtime_dir, str(config)).ok
    report = close_everything(garden.runtime_dir)
    assert not report.ok
    assert "the last guard's list of lines is damaged" in report.said


def test_a_line_that_is_busy_for_a_moment(garden: Garden, tmp_path: Path) -> None:
    config = tmp_path / "garden.toml"
    config.write_text(CONFIG)
    (garden.runtime_dir.parent / "diary.busy").touch()
    report = close_everything(garden.runtime_dir, str(config))
    assert report.ok, report.said


def test_nothing_runs_and_nothing_is_known(tmp_path: Path) -> None:
    report = close_everything(tmp_path / "never-was")
    assert report.ok
    assert report.said == "No guard runs and no valve line is known: nothing to close."
    assert not (tmp_path / "never-was").exists()


def test_pins_that_cannot_be_had(garden: Garden, tmp_path: Path) -> None:
    config = tmp_path / "garden.toml"
    config.write_text(CONFIG.replace("diary_pins:factory", "diary_pins:missing"))
    report = close_everything(garden.runtime_dir, str(config))
    assert not report.ok
    assert report.said.startswith("The valves may be open: their lines cannot be claimed (AttributeError")


def test_a_line_that_is_not_clear_is_named_and_the_others_are_closed(garden: Garden, tmp_path: Path) -> None:
    config = tmp_path / "garden.toml"
    config.write_text(CONFIG.replace('pin = 27, active = "low"', 'pin = 27, active = "lo"'))
    report = close_everything(garden.runtime_dir, str(config))
    assert not report.ok
    assert report.said.startswith("Every known valve is closed: 2 lines put to rest. But the line of kale is not clear")
    assert {row.pin for row in garden.rows() if row.what == "claim"} == {22, 17}


def test_a_config_that_is_wrong_in_places() -> None:
    driver, lines, unclear = lines_of_config(
        {
            "pins": 3,
            "zone": [
                {"id": "a", "valve": {"pin": 5}},
                {"id": "b", "valve": {"pin": 6, "active": "lwo"}},
                {"id": "c", "valve": {"active": "low"}},
                {"id": "d", "valve": 7},
                {"valve": {"pin": "GPIO9", "active": "low"}},
                {"id": "f"},
                "nonsense",
            ],
        }
    )
    assert driver == "lgpio"
    assert lines == {"a": Line(5, True), "zone 5": Line("GPIO9", False)}
    assert len(unclear) == 3
    assert unclear[0] == 'the line of b is not clear in the config (active must be "high" or "low")'


def test_only_the_standard_library_until_pins_are_touched() -> None:
    code = (
        "import sys, controller.guard.closing;"
        "print(sorted({name.partition('.')[0] for name in sys.modules} - set(sys.stdlib_module_names)))"
    )
    loaded = subprocess.run([sys.executable, "-S", "-c", code], capture_output=True, text=True, check=True).stdout
    assert loaded.strip() == "['__main__', 'controller']" or loaded.strip() == "['controller']"


def test_every_supplys_master_of_a_config_is_known() -> None:
    bore = {"id": "bore", "master": {"pin": 6, "active": "low"}}
    supplies = [{"id": "mains", "master": {"pin": 5}}, {"id": "tank"}, bore]
    _, lines, unclear = lines_of_config({"supply": supplies})
    assert lines == {"master mains": Line(5, True), "master bore": Line(6, False)}
    assert unclear == []


class Lines:
    """Lines that cannot be claimed the first times, and then are at rest."""

    def __init__(self, *errors: Exception) -> None:
        self.errors = list(errors)
        self.claims = 0

    def __call__(self, driver: str, lines: Mapping[str, Line]) -> "Lines":
        self.claims += 1
        if self.errors:
            raise self.errors.pop(0)
        return self

    def read(self, name: str) -> bool:
        return False

    def release(self) -> None:
        """At rest they stay."""


BUSY = OSError(errno.EBUSY, "in use")


@pytest.mark.parametrize("error", [BUSY, RuntimeError("GPIO busy"), RuntimeError("'GPIO Busy'")])
def test_it_tries_again_while_a_line_is_busy_in_whoevers_words(
    error: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = Lines(*[error] * (closing.CLAIM_TRIES - 1))
    monkeypatch.setattr(closing, "open_lines", lines)
    monkeypatch.setattr(closing, "CLAIM_EVERY_S", 0.0)
    assert closing._claim_at_rest("any", {"beans": Line(17, True)}) == []
    assert lines.claims == closing.CLAIM_TRIES


@pytest.mark.parametrize(
    ("errors", "claims"),
    [([BUSY] * closing.CLAIM_TRIES, closing.CLAIM_TRIES), ([OSError(errno.EACCES, "no right")], 1),
     ([ValueError("?")], 1)],
)  # fmt: skip
def test_it_gives_up_what_stays_busy_and_what_is_wrong_in_another_way(
    errors: list[Exception], claims: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = Lines(*errors)
    monkeypatch.setattr(closing, "open_lines", lines)
    monkeypatch.setattr(closing, "CLAIM_EVERY_S", 0.0)
    with pytest.raises(type(errors[0])):
        closing._claim_at_rest("any", {"beans": Line(17, True)})
    assert lines.claims == claims
