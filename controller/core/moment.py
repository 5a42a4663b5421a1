"""The two clocks, kept apart.

Durations are measured on the monotonic clock, which never jumps. Calendars (dawn, weekdays, "yesterday") are read
from the wall clock, which does: a Pi without a clock chip boots in the past, and network time moves it by months.
Nothing in the core asks for the time; whoever calls it brings a `Now`.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import lru_cache


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
