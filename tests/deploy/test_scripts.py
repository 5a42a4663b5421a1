"""The shell scripts: readable to bash, and careful with the machine they run on."""

import os
import subprocess
from pathlib import Path

import pytest

from tests.layout.source import ROOT

SCRIPTS = sorted(str(path.relative_to(ROOT)) for path in (*(ROOT / "deploy").glob("*.sh"), ROOT / ".ci" / "run"))
HARMLESS = {"PATH": os.environ["PATH"], "HOME": "/nonexistent", "LC_ALL": "C"}


def bash(script: str, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", "-euo", "pipefail", "-c", f"source deploy/environment.sh\n{script}"],
        capture_output=True, text=True, cwd=ROOT, env={**HARMLESS, **more}, timeout=60,
    )  # fmt: skip


@pytest.mark.parametrize("script", SCRIPTS)
def test_bash_can_read(script: str) -> None:
    read = subprocess.run(["bash", "-n", script], capture_output=True, text=True, cwd=ROOT)
    assert (read.returncode, read.stderr) == (0, "")


def test_all_scripts_are_there() -> None:
    assert {".ci/run", "deploy/test.sh", "deploy/demo.sh", "deploy/install.sh", "deploy/lock.sh"} <= set(SCRIPTS)


@pytest.mark.parametrize("script", SCRIPTS)
def test_no_script_fetches_programs_past_apt_and_pip(script: str) -> None:
    text = (ROOT / script).read_text("utf-8")
    assert "curl" not in text
    assert "wget" not in text


def fake_python(folder: Path, version: str) -> Path:
    """A Python that knows its version and nothing else."""
    new_enough = "0" if tuple(map(int, version.split("."))) >= (3, 11) else "1"
    path = folder / f"python-{version}"
    path.write_text(
        f"#!/bin/sh\ncase \"$1 $2\" in *version_info*) exit {new_enough};; --version*) echo Python {version};; esac\n",
        "ascii",
    )
    path.chmod(0o755)
    return path


def test_a_new_enough_python_is_found(tmp_path: Path) -> None:
    found = bash("find_python", PYTHON=str(fake_python(tmp_path, "3.12")))
    assert (found.returncode, found.stdout.strip()) == (0, str(tmp_path / "python-3.12"))


def test_an_old_python_is_refused_in_one_line(tmp_path: Path) -> None:
    old = fake_python(tmp_path, "3.9")
    (tmp_path / "python3").symlink_to(old)
    for tool in ("id", "basename", "bash"):
        (tmp_path / tool).symlink_to(f"/usr/bin/{tool}")
    refused = bash("find_python", PYTHON=str(old), PATH=str(tmp_path))
    assert refused.returncode == 1
    assert refused.stderr.count("\n") == 1
    assert "3.11" in refused.stderr
    assert "3.9" in refused.stderr


def test_pip_keeps_the_machines_index_and_drops_what_could_only_harm(tmp_path: Path) -> None:
    """A stand-in for Python shows with what environment pip would run."""
    (tmp_path / "bin").mkdir()
    python = tmp_path / "bin" / "python"
    python.write_text(
        '#!/bin/sh\n[ "$3 $4" = "config get" ] || exec env\n'
        '[ "$5" = global.index-url ] && echo https://mirror.example/simple || exit 1\n',
        "ascii",
    )
    python.chmod(0o755)
    ran = bash(
        f"pip_locked {tmp_path} install x",
        PIP_EXTRA_INDEX_URL="https://gone.example/simple", PIP_CONSTRAINT="/gone/constraints.txt",
        PIP_FIND_LINKS="/gone", PIP_CERT="/etc/ssl/own.pem",
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    seen = dict(line.partition("=")[::2] for line in ran.stdout.splitlines())
    assert seen["PIP_INDEX_URL"] == "https://mirror.example/simple"
    assert seen["PIP_CERT"] == "/etc/ssl/own.pem"
    assert seen["PIP_CONFIG_FILE"] == "/dev/null"
    assert not {"PIP_EXTRA_INDEX_URL", "PIP_CONSTRAINT", "PIP_FIND_LINKS"} & seen.keys()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become nobody")
def test_the_installer_refuses_politely_without_root() -> None:
    """Tried as nobody, on a copy of the two files that are read before the refusal."""
    lines = "setpriv --reuid=65534 --regid=65534 --clear-groups bash -s"
    text = (ROOT / "deploy" / "install.sh").read_text("utf-8")
    inlined = text.replace("source deploy/environment.sh", (ROOT / "deploy" / "environment.sh").read_text("utf-8"))
    inlined = inlined.replace('cd "$(dirname "$0")/.."', "cd /")
    refused = subprocess.run(lines.split(), input=inlined, capture_output=True, text=True, env=HARMLESS, timeout=60)
    assert refused.returncode == 1
    assert refused.stderr.count("\n") == 1
    assert "sudo bash deploy/install.sh" in refused.stderr


def test_a_missing_venv_package_is_named_in_one_line(tmp_path: Path) -> None:
    """A Debian Python without its venv package, on a machine where nothing may be installed."""
    python = tmp_path / "python3"
    python.write_text('#!/bin/sh\ncase "$2" in *ensurepip*) exit 1;; *print*) echo python3.12-venv;; esac\n', "ascii")
    python.chmod(0o755)
    (tmp_path / "basename").symlink_to("/usr/bin/basename")
    (tmp_path / "bash").symlink_to("/usr/bin/bash")
    refused = bash(f"make_venv {python} {tmp_path}/venv", PATH=str(tmp_path))
    assert refused.returncode == 1
    assert refused.stderr.splitlines() == [
        "bash: needs the package python3.12-venv: sudo apt-get install python3.12-venv"
    ]
    assert not (tmp_path / "venv").exists()


def test_an_environment_that_works_is_kept(tmp_path: Path) -> None:
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / "python").symlink_to("/bin/true")
    kept = bash(f"make_venv /bin/false {tmp_path}")
    assert (kept.returncode, kept.stderr) == (0, "")
