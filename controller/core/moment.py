"""The two clocks, kept apart.

Durations are measured on the monotonic clock, which never jumps. Calendars (dawn, weekdays, "yesterday") are read
from the wall clock, which does: a Pi without a clock chip boots in the past, and network time moves it by months.
Nothing in the core asks for the time; whoever calls it brings a `Now`.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import lru_cache

RELEASED = datetime(2026, 1, 1, tzinfo=UTC)
"""No wall clock is right that says less than this: the program did not exist then."""
BACK_MOST = timedelta(hours=1)
"""A clock may be set back by so much at any time: an hour of the night does little harm (common practice, no
source)."""
REMEMBERED = 8
"""So many steps ahead may still be taken back."""


@dataclass(frozen=True, slots=True)
class Now:
    """One instant on both clocks.

    mono_s: seconds on the system's monotonic clock; comparable within one boot only.
    utc: aware datetime in UTC, whole calendar time.
    trusted: whether the wall clock may be believed (network time reached, or a plausible hardware clock).
    behind_s: by how much the system's wall clock lags behind utc, because it went back and is not followed.
    """

    mono_s: float
    utc: datetime
    trusted: bool = True
    behind_s: float = 0.0

    def __post_init__(self) -> None:
        if self.utc.tzinfo is not UTC:
            raise ValueError(f"Now.utc must be in UTC, not {self.utc.isoformat()}")


def local_date(instant: datetime, timezone: tzinfo) -> date:
    """The civil date of an instant at the site."""
    return instant.astimezone(timezone).date()


@lru_cache(maxsize=1024)
def local_midnight(day: date, timezone: tzinfo) -> datetime:
    """The UTC instant at which the civil day begins.

    Found by converting, never by adding 24 h to local times: on two days a year that would be an hour off.
    """
    return datetime(day.year, day.month, day.day, tzinfo=timezone).astimezone(UTC)


@lru_cache(maxsize=1024)
def day_bounds(day: date, timezone: tzinfo) -> tuple[datetime, datetime]:
    """First instant of a civil day and of the next, in UTC; 23 to 25 hours apart."""
    return local_midnight(day, timezone), local_midnight(day + timedelta(days=1), timezone)


def hours_between(earlier: datetime, later: datetime) -> float:
    """Elapsed hours from one instant to another; negative if `later` is before `earlier`."""
    return (later - earlier).total_seconds() / 3600.0


class Belief:
    """Which time is gone by, from one start of the program on, when the wall clock cannot be right.

    Time does not run backwards. A wall clock that falls behind what it has said before is wrong now, or was wrong then,
    and only the network's time can tell which: a step of two months back would water July's beds as if it were May.
    Until that has spoken, what was believed goes on by the monotonic clock. A step ahead is followed at once, for a
    computer that has slept, or started without a clock chip, makes one; where the clock stood before is remembered, so
    that it may come back.

    not_before: an instant that is said to have passed (the journal's last entry). A Pi without a clock chip starts in
    the past until network time arrives; until then nothing is done by the calendar. Network time is believed over the
    journal, which a clock that ran ahead may have dated.
    """

    def __init__(self, not_before: datetime = RELEASED) -> None:
        self._not_before = max(not_before, RELEASED)
        self._last: Now | None = None
        self._last_synced: int | None = None
        self._before: tuple[datetime, ...] = ()

    def now(self, mono_s: float, wall: datetime, synced: int | None) -> Now:
        """The present. synced: a stamp that is another after each time that the network has set or confirmed the
        clock; None if it never has since the computer started."""
        if self._last is not None and synced == self._last_synced and self._fell_behind(mono_s, wall):
            utc = _gone_on(self._last, mono_s)
            return Now(mono_s, utc, True, (utc - wall).total_seconds())
        trusted = wall >= self._not_before or (wall >= RELEASED and synced is not None)
        now = Now(mono_s, wall, trusted)
        if trusted:
            self._believe(now, synced)
        return now

    def _fell_behind(self, mono_s: float, wall: datetime) -> bool:
        """Behind what was believed, and not where it stood before a step ahead."""
        assert self._last is not None
        started = wall - timedelta(seconds=mono_s)
        behind = _gone_on(self._last, mono_s) - wall > BACK_MOST
        return behind and all(abs(started - before) > BACK_MOST for before in self._before)

    def _believe(self, now: Now, synced: int | None) -> None:
        if self._last is not None and now.utc - _gone_on(self._last, now.mono_s) > BACK_MOST:
            started = self._last.utc - timedelta(seconds=self._last.mono_s)
            self._before = (*self._before, started)[-REMEMBERED:]
        self._last, self._last_synced = now, synced


def _gone_on(believed: Now, mono_s: float) -> datetime:
    return believed.utc + timedelta(seconds=mono_s - believed.mono_s)
