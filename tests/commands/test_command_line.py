"""The command line itself: what it takes, how it complains, what it imports."""

import importlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from controller.__main__ import main
from controller.commands import COMMANDS, common
from tests.commands.conftest import Call

OURS = [name for name in COMMANDS if name not in ("run", "simulate", "demo")]
UNITS = ("mm", "L/min", "litres", "min", "°C", "seconds", " s ")


@pytest.mark.parametrize("command", OURS)
def test_help_is_there_and_speaks_of_units(call: Call, command: str) -> None:
    said = call(command, "--help")
    assert said.code == 0
    assert said.out.startswith(f"usage: seepward {command}")
    assert any(unit in said.out for unit in UNITS)
    assert "--config FILE" in said.out


def test_help_lists_every_command(call: Call) -> None:
    said = call("--help")
    assert said.code == 0
    assert all(f"\n  {name} " in said.out for name in COMMANDS)


@pytest.mark.parametrize(("arguments", "words"), [
    ((), "name a command"),
    (("watr",), "did you mean water"),
    (("plan", "--colour"), "unrecognized arguments: --colour"),
    (("--colour", "plan"), "unrecognized arguments"),
    (("water",), "ZONE"),
    (("report",), "-o/--output"),
    (("plan", "--con", "x"), "unrecognized arguments"),
])  # fmt: skip
def test_wrong_use_is_one_line_and_2(call: Call, arguments: tuple[str, ...], words: str) -> None:
    said = call(*arguments)
    assert said.code == 2
    assert words in said.complaint
    assert "--help" in said.complaint


def test_shared_options_may_stand_on_either_side(call: Call, week_journal: Path) -> None:
    before = call("--json", "--journal", str(week_journal), "plan")
    after = call("plan", "--json", "--journal", str(week_journal))
    assert before.code == after.code == 0
    assert before.out == after.out
    assert before.out.startswith("{")


def test_the_config_of_the_command_line_goes_before_that_of_the_environment(
    call: Call, tmp_path: Path
) -> None:
    missing = tmp_path / "none.toml"
    said = call("plan", "--config", str(missing))
    assert said.code == 2
    assert said.complaint == f"{missing}: cannot be read: no such file or directory"


def test_each_mistake_of_a_config_has_its_line(call: Call, config: Path) -> None:
    config.write_text(
        config.read_text().replace("area_m2 = 24", "area_m2 = -1").replace("latitude = 38.57", "")
    )
    said = call("log")
    assert said.code == 2
    assert len(said.err.splitlines()) == 2
    assert "Traceback" not in said.err


@pytest.mark.parametrize(
    "command", [("plan",), ("log",), ("why", "salad"), ("jobs",), ("report", "-o", "x.html")]
)
def test_no_journal_yet_is_said(call: Call, tmp_path: Path, command: tuple[str, ...]) -> None:
    said = call(*command, "--journal", str(tmp_path / "none.sqlite"))
    assert said.code == 1
    assert "there is no journal yet" in said.complaint


@pytest.mark.parametrize(
    "command", [("plan",), ("log",), ("why", "salad"), ("jobs",), ("report", "-o", "x.html")]
)
def test_a_file_that_is_no_journal_is_said(call: Call, tmp_path: Path, command: tuple[str, ...]) -> None:
    for content in (b"", b"no database at all, whatever it may be called" * 100):
        (tmp_path / "odd.sqlite").write_bytes(content)
        said = call(*command, "--journal", str(tmp_path / "odd.sqlite"))
        assert said.code == 1
        assert "odd.sqlite" in said.complaint


def test_what_nobody_foresaw_is_one_line(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> None:
        raise RuntimeError("a\nlong\nstory")

    monkeypatch.setattr(common, "utc_now", broken)
    said = call("log", "--since", "today")
    assert said.code == 1
    assert said.complaint.startswith("seepward: this should not have happened: RuntimeError: a long story;")


def test_the_traceback_can_be_had(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> None:
        raise RuntimeError("a story")

    monkeypatch.setattr(common, "utc_now", broken)
    monkeypatch.setenv("SEEPWARD_TRACEBACK", "1")
    with pytest.raises(RuntimeError, match="a story"):
        main(["log", "--since", "today"])


def run_python(code: str, **environment: str) -> subprocess.CompletedProcess[str]:
    changed = {**os.environ, **environment}
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=changed, check=False
    )  # fmt: skip


HEAVY = ("paho", "apscheduler", "requests", "gpiozero", "lgpio", "icalendar")


@pytest.mark.parametrize("command", [
    ["plan"], ["log"], ["why", "salad"], ["jobs"], ["check"], ["report", "-o", os.devnull],
])  # fmt: skip
def test_reading_imports_no_radio_no_pins_no_web(config: Path, tmp_path: Path, command: list[str]) -> None:
    command = [part.replace(os.devnull, str(tmp_path / "page.html")) for part in command]
    code = (
        "import sys; from controller.__main__ import main; "
        f"assert main({command!r}) == 0; print(sorted(set(sys.modules) & set({HEAVY!r})))"
    )
    said = run_python(code, SEEPWARD_CONFIG=str(config))
    assert said.stdout.splitlines()[-1:] == ["[]"], said.stderr


def test_closing_imports_the_closer_and_little_else(tmp_path: Path) -> None:
    code = (
        "import sys; from controller.__main__ import main; from controller.commands import close; "
        f"close.RUNTIME_DIR = {str(tmp_path / 'run')!r}; main(['close']); "
        "print(sorted(m for m in sys.modules if m.startswith('controller.')), 'pydantic' in sys.modules, "
        "'sqlite3' in sys.modules)"
    )
    said = run_python(code, SEEPWARD_CONFIG=str(tmp_path / "none.toml"))
    modules = said.stdout.splitlines()[-1]
    assert modules.endswith("False False")
    for name in ("settings", "core", "shells", "report", "commands.common"):
        assert f"'controller.{name}" not in modules


def test_it_starts_as_a_module_too(config: Path) -> None:
    command = [sys.executable, "-m", "controller", "plan", "--json", "--config", str(config)]
    said = subprocess.run(command, capture_output=True, text=True, check=True)
    assert said.stdout.startswith("{")


def test_a_reader_that_leaves_is_no_error(config: Path) -> None:
    child = subprocess.Popen(
        [sys.executable, "-m", "controller", "log", "--csv", "--config", str(config)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert child.stdout is not None
    assert child.stderr is not None
    child.stdout.close()
    assert child.stderr.read() == b""
    child.stderr.close()
    assert child.wait(20) == 1


@pytest.mark.parametrize("name", OURS)
def test_every_command_has_its_two_functions(name: str) -> None:
    module = importlib.import_module(f"controller.commands.{name}")
    assert callable(module.add_arguments)
    assert callable(module.run)
