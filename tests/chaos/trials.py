"""The trials with a real daemon. Each returns its figures; those that must be 0 begin with "bad_"."""

import random
import signal
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType

from controller.shells.journal import reading
from tests.broker import Ear, wait_for
from tests.chaos.preload import build
from tests.endtoend.rig import MASTER_PIN, TOMATO_PIN, Rig
from tests.forecast.server import Reply

EVER = (datetime(1970, 1, 2, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC))
FLOW_L_MIN = 3.0
OFF_WITHIN_S = 5.0
READY_WITHIN_S = 60.0
COMMITS_MOST = 60


LIES = (
    Reply(delay_s=30.0), Reply(b"{", body_drip_s=1.0), Reply(b"<html>log in</html>"), Reply(b'{"hourly": {}}'),
    Reply(status=500), Reply(b"x" * 100, length=4000), Reply(b'{"latitude": NaN}'), Reply(header_drip_s=0.5),
)


class ChaosRig(Rig):
    """The rig, with more in the daemon's environment."""

    more: Mapping[str, str] = MappingProxyType({})

    @property
    def environment(self) -> dict[str, str]:
        return {**super().environment, **self.more}

    def wait_ready(self) -> None:
        wait_for(lambda: (self.shown("status") or {}).get("guard") == "ready", "the daemon to be ready", READY_WITHIN_S)


def kills(folder: Path, count: int, chance: random.Random) -> dict[str, float]:
    """SIGKILLs at random instants while water is asked for: lines are off at once, and the journal accounts for all."""
    slowest_s, late = 0.0, 0
    with ChaosRig(folder) as rig:
        for n in range(count):
            rig.start()
            rig.wait_ready()
            rig.say("seepward/rig/ask", {"do": "water", "id": f"kill-{n}", "zone": "tomatoes", "minutes": 1})
            time.sleep(chance.uniform(0.0, 1.2))  # the random instant itself; nothing is waited for
            assert rig.daemon is not None
            rig.daemon.kill()
            rig.daemon.wait()
            killed_s = time.monotonic()
            try:
                wait_for(lambda: not rig.lines_on(), "all lines off", OFF_WITHIN_S)
            except AssertionError:
                late += 1
            slowest_s = max(slowest_s, time.monotonic() - killed_s)
        rig.start()
        rig.wait_ready()
        rig.stop(signal.SIGTERM)
        off_l, unsure_l = _unaccounted_l(rig)
    return {"kills": count, "slowest_off_s": round(slowest_s, 3), "litres_off": round(off_l, 3),
            "litres_unsure": round(unsure_l, 3), "bad_left_open": late,
            "bad_litres_outside_the_bound": float(abs(off_l) > unsure_l + 0.05 * count)}


def _unaccounted_l(rig: Rig) -> tuple[float, float]:
    """Litres by the diary of the pins less those of the journal; and the bound that the journal states."""
    true_s = since_s = 0.0
    for row in rig.rows():
        if row.pin != TOMATO_PIN:
            continue
        on = row.what != "free" and row.level == 1
        if on and not since_s:
            since_s = row.at_s
        elif not on and since_s:
            true_s, since_s = true_s + row.at_s - since_s, 0.0
    with reading(rig.folder / "journal.sqlite") as journal:
        rows = [row for row in journal.openings(*EVER) if row.zone == "tomatoes"]
    told_l = sum(row.litres or 0.0 for row in rows)
    return true_s / 60.0 * FLOW_L_MIN - told_l, sum(row.unsure_litres for row in rows)


def broker(folder: Path, count: int, chance: random.Random) -> dict[str, float]:
    """Mosquitto is killed and started again: the daemon lives on, comes back, and answers."""
    slowest_s, unanswered = 0.0, 0
    with ChaosRig(folder) as rig:
        rig.start()
        rig.wait_ready()
        for n in range(count):
            rig.broker.stop(signal.SIGKILL)
            time.sleep(chance.uniform(0.0, 1.0))  # for so long it is down
            rig.broker.start()
            rig.ear = Ear(rig.broker, "seepward/rig/#")
            began_s = time.monotonic()
            try:
                wait_for(lambda: (rig.shown("status") or {}).get("guard") == "ready", "the daemon to be back", 40)
                unanswered += not rig.ask("replan", id=f"broker-{n}")["ok"]
            except AssertionError:
                unanswered += 1
            slowest_s = max(slowest_s, time.monotonic() - began_s)
        died = rig.daemon is None or rig.daemon.poll() is not None
    return {"restarts": count, "slowest_return_s": round(slowest_s, 2), "bad_unanswered": unanswered,
            "bad_daemon_died": float(died)}


def forecast(folder: Path, count: int, chance: random.Random) -> dict[str, float]:
    """The service hangs, lies and resets: asks are answered in time all the same."""
    slowest_s = 0.0
    with ChaosRig(folder) as rig:
        for n in range(count):
            rig.forecast.replies = [chance.choice(LIES)]
            rig.start()
            rig.wait_ready()
            began_s = time.monotonic()
            rig.ask("replan", id=f"forecast-{n}")
            slowest_s = max(slowest_s, time.monotonic() - began_s)
            rig.stop(signal.SIGTERM)
    return {"starts": count, "slowest_answer_s": round(slowest_s, 3), "bad_slow": float(slowest_s > OFF_WITHIN_S)}


@contextmanager
def small_disk(at: Path) -> Iterator[None]:
    """A file system of 2 MB in memory. RuntimeError where it may not be mounted."""
    at.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "none", str(at)], capture_output=True, check=False)
    if done.returncode:
        raise RuntimeError("no file system can be mounted here: it needs root")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(at)], check=True)


def full(folder: Path, count: int, chance: random.Random) -> dict[str, float]:
    """The journal's disk fills: watering goes on, it is said, and all is written once there is room."""
    disk = folder / "disk"
    unsaid = dry = 0
    with small_disk(disk), ChaosRig(folder) as rig:
        text = rig.config.read_text("utf-8").replace(f"{folder}/journal.sqlite", f"{disk}/journal.sqlite")
        rig.config.write_text(text, encoding="utf-8")
        rig.start()
        rig.wait_ready()
        ballast = disk / "ballast"
        for n in range(count):
            _fill(ballast)
            rig.ask("stop", id=f"before-{n}")
            said = any(_full_yet(rig, ballast, f"{n}-{again}") for again in range(COMMITS_MOST))
            answer = rig.ask("water", zone="tomatoes", minutes=1, id=f"full-{n}")
            wet = _waits(lambda: TOMATO_PIN in rig.lines_on())
            unsaid += not said
            dry += not (answer["ok"] and wet)
            rig.ask("stop", id=f"full-stop-{n}")
            ballast.unlink()
            rig.ask("replan", id=f"room-{n}")
            unsaid += not _waits(lambda: rig.shown("fault/journal") is None)
        rig.stop(signal.SIGTERM)
        with reading(disk / "journal.sqlite") as journal:
            known = {row.watering for row in journal.openings(*EVER)}
    lost = sum(f"hand-tomatoes-full-{n}" not in known for n in range(count))
    return {"fills": count, "bad_unsaid": unsaid, "bad_dry": dry, "bad_lost": lost}


def _fill(ballast: Path) -> None:
    """Nothing is left of the disk."""
    with open(ballast, "ab", buffering=0) as file, suppress(OSError):
        while True:
            file.write(bytes(4096))


def _full_yet(rig: Rig, ballast: Path, name: str) -> bool:
    """Whether one more commit is one too many: what is free inside the file is used up first, and what the journal's
    log gives back to the disk is taken from it."""
    _fill(ballast)
    rig.ask("replan", id=f"filling-{name}")
    return _waits(lambda: rig.shown("fault/journal"), 1.0)


def clock(folder: Path, count: int, chance: random.Random) -> dict[str, float]:
    """The wall clock jumps by months, back and on by turns, while water runs: the valve shuts when it is due, and the
    daemon answers. That a clock which went back is not followed is said, and no longer when it is right."""
    off = folder / "off"
    off.write_text("0\n", encoding="ascii")
    late = unsaid = unopened = 0
    with ChaosRig(folder) as rig:
        rig.more = {"LD_PRELOAD": str(build("clock", folder)), "CLOCK_OFF_BY": str(off)}
        rig.start()
        rig.wait_ready()
        for n in range(count):
            rig.ask("stop", id=f"clock-before-{n}")  # what the hour of the day may have begun by itself
            asked = rig.ask("water", zone="salad", litres=0.35, id=f"clock-{n}")
            opened = asked["ok"] and _waits(lambda: MASTER_PIN in rig.lines_on())
            unopened += not opened
            back = n % 2 == 0
            off.write_text(f"{(-1 if back else 1) * chance.randrange(4000, 200 * 86_400)}\n", encoding="ascii")
            shut = _waits(lambda: not rig.lines_on(), 30.0)
            late += not shut
            answered = rig.ask("replan", id=f"clock-replan-{n}")["ok"]
            late += not answered
            unsaid += not _waits(lambda back=back: (rig.shown("fault/clock") is not None) == back)
            off.write_text("0\n", encoding="ascii")
            rig.ask("stop", id=f"clock-stop-{n}")
            unsaid += not _waits(lambda: rig.shown("fault/clock") is None)
        alive = rig.daemon is not None and rig.daemon.poll() is None
    return {"jumps": count, "bad_late": late, "bad_unopened": unopened, "bad_unsaid": unsaid,
            "bad_daemon_died": float(not alive)}


def _waits(condition: object, within_s: float = 10.0) -> bool:
    """Whether it comes true in time."""
    try:
        wait_for(condition, "it", within_s)  # type: ignore[arg-type]
    except AssertionError:
        return False
    return True
