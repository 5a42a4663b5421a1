"""The lock files: every package pinned by version and hash, from nowhere in particular."""

import re
import tomllib

import pytest

from tests.layout.source import ROOT

LOCKS = {
    "requirements.txt": ("demo",),
    "requirements-pi.txt": ("pi",),
    "requirements-dev.txt": ("demo", "dev"),
}
PIN = re.compile(r"^([a-z0-9.-]+)==(\S+)(?: ; ([^\\]+))?", re.M)


def pins(lock: str) -> dict[str, set[str]]:
    """Versions by package; more than one where platforms or Pythons differ."""
    found: dict[str, set[str]] = {}
    for name, version, _ in PIN.findall((ROOT / lock).read_text("utf-8")):
        found.setdefault(name, set()).add(version)
    return found


def asked_for(*extras: str) -> set[str]:
    """Names of the packages that pyproject.toml asks for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = [*project["dependencies"], *(each for extra in extras for each in project["optional-dependencies"][extra])]
    return {re.split(r"[^A-Za-z0-9._-]", each)[0].lower() for each in wanted}


@pytest.mark.parametrize("lock", LOCKS)
def test_all_that_is_asked_for_is_locked(lock: str) -> None:
    assert asked_for(*LOCKS[lock]) | {"hatchling"} <= pins(lock).keys()


@pytest.mark.parametrize("lock", LOCKS)
def test_every_pin_has_hashes_and_no_line_names_a_place(lock: str) -> None:
    text = (ROOT / lock).read_text("utf-8")
    entries = re.split(r"^(?=[a-z])", text, flags=re.M)[1:]
    assert len(entries) > 20
    assert [entry.splitlines()[0] for entry in entries if "--hash=sha256:" not in entry] == []
    assert "://" not in text
    assert "--index" not in text
    assert "--find-links" not in text


def test_the_locks_agree_on_what_they_share() -> None:
    """So that demo and tests may take turns in one environment without reinstalling anything."""
    small, pi, dev = (pins(lock) for lock in LOCKS)
    assert small.keys() <= dev.keys()
    assert {name: versions for name, versions in small.items() if dev[name] != versions} == {}
    assert {name: versions for name, versions in pi.items() if name in dev and dev[name] != versions} == {}
