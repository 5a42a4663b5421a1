"""The system's two clocks, asked in one place."""

import time
from datetime import UTC, datetime
from pathlib import Path

from controller.core.moment import Now

RELEASED = datetime(2026, 1, 1, tzinfo=UTC)
"""No wall clock is right that says less than this: the program did not exist then."""


SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
"""Exists once network time has been reached since boot (systemd-timesyncd(8))."""


class SystemClock:
    """Both times, and whether the wall clock may be believed.

    not_before: an instant that is said to have passed (the journal's last entry). A Pi without a clock chip starts in
    the past until network time arrives; until then nothing is done by the calendar. Network time is believed over the
    journal, which a clock that ran ahead may have dated.
    """

    def __init__(self, not_before: datetime = RELEASED) -> None:
        self._not_before = max(not_before, RELEASED)

    def now(self) -> Now:
        """The present."""
        utc = datetime.now(UTC)
        trusted = utc >= self._not_before or (utc >= RELEASED and SYNCHRONISED.exists())
        return Now(time.monotonic(), utc, trusted)
