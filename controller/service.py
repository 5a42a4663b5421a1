"""One daemon after the other in one process: the config read anew on SIGHUP, all or nothing.

A new config is read and checked beside the running daemon. Only a right one ends it: every valve closes, and the next
daemon goes on with the same journal and the same garden. If that one does not come up, the old config is put back.
"""

import logging
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from controller.daemon import CannotStartError, Daemon, Signals
from controller.settings import ConfigError, Settings
from controller.shells.journal import NewerJournalError
from controller.shells.recovery import SPARE, Found, open_journal

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
        return _in_turn(settings, found, reread, signals)


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
