"""One daemon after the other in one process: the config read anew on SIGHUP, all or nothing.

A new config is read and checked beside the running daemon. Only a right one ends it: every valve closes, and the next
daemon goes on with the same journal and the same garden. If that one does not come up, the old config is put back.

A program that keeps ending soon after its start may be ended by what it remembers: then it begins anew without that.
"""

import logging
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from controller.core.step import begun_anew
from controller.daemon import CannotStartError, Daemon, Signals
from controller.drivers.system_clock import SystemClock
from controller.settings import ConfigError, Settings
from controller.shells.journal import NewerJournalError
from controller.shells.recovery import ANEW, SPARE, STARTS, Found, open_journal, restless

LOG = logging.getLogger("seepward")


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
