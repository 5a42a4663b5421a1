"""The systemd unit, judged by systemd's own tools, and against what the program has."""

import shutil
import subprocess
from pathlib import Path

import pytest

from controller.commands import COMMANDS
from tests.layout.source import ROOT

UNIT = ROOT / "deploy" / "seepward.service"
EXPOSURE_MOST = 20
"""In tenths: 2.0 of the scale on which systemd calls 10 unsafe."""

systemd_analyze = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")


def service() -> dict[str, list[str]]:
    """The keys of the [Service] section; a key may stand several times."""
    keys: dict[str, list[str]] = {}
    section = ""
    for line in UNIT.read_text("utf-8").splitlines():
        if line.startswith("["):
            section = line
        elif section == "[Service]" and "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            keys.setdefault(key, []).append(value)
    return keys


@systemd_analyze
def test_systemd_finds_nothing_odd_in_the_unit(tmp_path: Path) -> None:
    """systemd-analyze verify exits 0 even for keys it does not know, and only prints; so nothing may be printed."""
    program = tmp_path / "seepward"
    program.write_text("#!/bin/sh\n", "ascii")
    program.chmod(0o755)
    unit = tmp_path / "seepward.service"
    unit.write_text(UNIT.read_text("utf-8").replace("/opt/seepward/bin/seepward", str(program)), "utf-8")
    told = subprocess.run(["systemd-analyze", "verify", "--man=no", str(unit)], capture_output=True, text=True)
    ours = [line for line in (told.stdout + told.stderr).splitlines() if "seepward" in line or str(tmp_path) in line]
    assert ours == []
    assert told.returncode == 0


@systemd_analyze
def test_the_service_is_exposed_little() -> None:
    judged = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", f"--threshold={EXPOSURE_MOST}", str(UNIT)],
        capture_output=True,
        text=True,
    )
    assert judged.returncode == 0, judged.stdout + judged.stderr


@pytest.mark.parametrize("key", ["ExecStart", "ExecStopPost"])
def test_the_commands_of_the_unit_exist(key: str) -> None:
    (line,) = service()[key]
    program, command = line.split()
    assert program == "/opt/seepward/bin/seepward"
    assert command in COMMANDS


def test_it_starts_again_for_ever_and_closes_whatever_ended_it() -> None:
    keys = service()
    assert keys["Restart"] == ["always"]
    assert keys["Type"] == ["notify"]
    assert keys["ExecStopPost"] == ["/opt/seepward/bin/seepward close"]
    assert "StartLimitIntervalSec=0" in UNIT.read_text("utf-8")


def test_there_is_time_to_close_before_systemd_kills() -> None:
    """`seepward close` waits 2 s for the guard and 5 s for the lock, and tries 2 s to claim the lines."""
    (stop,) = service()["TimeoutStopSec"]
    assert int(stop) > 2 + 5 + 2


def test_user_and_groups_are_those_the_installer_makes() -> None:
    rows = [line.split() for line in (ROOT / "deploy" / "seepward.sysusers").read_text("utf-8").splitlines()]
    made = {row[1] for row in rows if row and row[0] in ("u", "g")}
    keys = service()
    assert {*keys["User"], *keys["Group"], *keys["SupplementaryGroups"]} <= made


def test_its_files_are_where_the_config_expects_them() -> None:
    from controller.settings.tables import GuardTable, JournalTable

    keys = service()
    assert JournalTable().path.startswith(f"/var/lib/{keys['StateDirectory'][0]}/")
    assert GuardTable().runtime_dir == f"/run/{keys['RuntimeDirectory'][0]}"
