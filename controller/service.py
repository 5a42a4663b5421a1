"""One daemon after the other in one process: the config read anew on SIGHUP, all or nothing.

A new config is read and checked beside the running daemon. Only a right one ends it: every valve closes, and the next
daemon goes on with the same journal and the same garden. If that one does not come up, the old config is put back.

A program that keeps ending soon after its start may be ended by what it remembers: then it begins anew without that.
"""

import json
import logging
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path

from controller.core.step import begun_anew
from controller.daemon import CannotStartError, Daemon, Signals
from controller.drivers.system_clock import SystemClock
from controller.settings import ConfigError, Settings
from controller.shells.journal import NewerJournalError
from controller.shells.recovery import SPARE, Found, open_journal

LOG = logging.getLogger("seepward")

STARTS = "starts.json"
"""In the guard's directory, which lies in memory: when this machine's last starts were that did not end in order."""
STARTS_MOST, STARTS_WITHIN_S = 5, 600.0
ANEW = (
    f"The program has ended {STARTS_MOST - 1} times within {STARTS_WITHIN_S / 60.0:.0f} minutes. What it believed of"
    " the beds and had planned may be why, and is begun anew; holds, locks and what was given are kept."
)


def serve(settings: Settings, journal: Path, reread: Callable[[], Settings]) -> int:
    """Run until told to stop. The exit code; CannotStartError or ConfigError where the first config does not do.

    reread: the config as it stands now; ConfigError if it is wrong.
    """
    signals = Signals()
    signals.listen()
    try:
        found = open_journal(journal, Path(settings.guard.runtime_dir, SPARE))
    except NewerJournalError as error:
        raise CannotStartError(str(error)) from None
    with closing(found.journal):
        starts = Path(settings.guard.runtime_dir, STARTS)
        if restless(starts, time.monotonic()) and found.garden is not None:
            LOG.error("%s", ANEW)
            anew = begun_anew(settings.build(), found.garden, SystemClock().now())
            found = replace(found, garden=anew, trouble=f"{found.trouble} {ANEW}" if found.trouble else ANEW)
        code = _in_turn(settings, found, reread, signals)
        if code == 0:
            starts.unlink(missing_ok=True)
        return code


def restless(starts: Path, mono_s: float) -> bool:
    """Note a start; whether there have been too many of late. Then they are counted anew."""
    try:
        before = [float(each) for each in json.loads(starts.read_text("ascii"))]
    except (OSError, ValueError, TypeError):
        before = []
    late = [*(each for each in before if 0.0 <= mono_s - each < STARTS_WITHIN_S), mono_s]
    too_many = len(late) >= STARTS_MOST
    with suppress(OSError):
        starts.parent.mkdir(parents=True, exist_ok=True)
        starts.write_text(json.dumps([] if too_many else late), "ascii")
    return too_many


def _in_turn(settings: Settings, found: Found, reread: Callable[[], Settings], signals: Signals) -> int:
    before: Settings | None = None
    trouble: str | None = None
    code = 1
    while True:
        try:
            daemon = Daemon(settings, found, reread, signals, trouble)
            code = daemon.run()
            following, failed = daemon.next, daemon.failed
        except (CannotStartError, ConfigError) as error:
            if before is None:
                raise
            following, failed = None, str(error).splitlines()[0]
        if signals.stop is not None:
            return code
        if failed is not None and before is not None:
            trouble = f"The new config could not be put to work, the old one stays: {failed}"
            LOG.error("%s", trouble)
            settings, before = before, None
        elif following is not None:
            settings, before, trouble = following, settings, None
        else:
            return code
        found = Found(found.journal, daemon.garden)
