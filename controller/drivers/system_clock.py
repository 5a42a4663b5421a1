"""The system's two clocks, asked in one place."""

import time
from datetime import UTC, datetime
from pathlib import Path

from controller.core.moment import RELEASED, Belief, Now

SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
"""Touched each time that network time is reached (systemd-timesyncd.service(8)); not there before the first."""


class SystemClock:
    """Both times, and how far the wall clock may be believed; see `Belief`. not_before: an instant that is said to
    have passed."""

    def __init__(self, not_before: datetime = RELEASED) -> None:
        self._belief = Belief(not_before)

    def now(self) -> Now:
        """The present."""
        return self._belief.now(time.monotonic(), datetime.now(UTC), _synced())


def _synced() -> int | None:
    try:
        return SYNCHRONISED.stat().st_mtime_ns
    except OSError:
        return None
