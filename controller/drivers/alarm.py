"""The daemon's alarm clock: APScheduler, kept to what it does well.

It calls something at an instant, or again and again; it decides nothing and never touches a valve. A call
may only drop something into an inbox: it runs in a pool thread. A repeating alarm is not rung while its
last call is still running. One for an instant is, for it would be lost: the library counts a call as
running for a moment after it has returned, and a loop that it has woken may by then have set the next alarm
under the same name.

Everything is in UTC: with a local zone the library skips or doubles alarms around a change of summer time.
Its clock is the wall clock, so a step of that clock needs `rebuild`: after a step back the library would be
silent until the old time is reached again, and after a step forward it would sleep out its old wait.
Whoever keeps the two clocks apart notices the step and calls it. A repeating alarm counts from its last
ring and never makes up for missed ones (the library's own interval trigger lists every missed run first:
minutes of work after a boot in 1970).
"""

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.date import DateTrigger

Call = Callable[[], None]

EVERY_LEAST_S = 30.0
BEAT_S = 30.0
BEAT = "heartbeat"
POOL = 10
LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)


class Alarms:
    """Named alarms; a name set again replaces the old alarm.

    inbox_wake: wakes the deciding loop; the call of an alarm that names none, and made after a rebuild too.
    All methods are for one thread, or for the calls of the alarms themselves.
    """

    def __init__(self, inbox_wake: Call) -> None:
        self._wake = inbox_wake
        self._last_beat_mono_s = time.monotonic()
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": None},
            executors={"default": ThreadPoolExecutor(POOL)})
        self.every(BEAT, BEAT_S, self._beat)

    @property
    def last_beat_mono_s(self) -> float:
        """When it last rang its own heartbeat, on the monotonic clock; `BEAT_S` apart while it lives."""
        return self._last_beat_mono_s

    def start(self) -> None:
        """Begin to ring. Starts threads: fork no more after this."""
        self._scheduler.start()

    def at(self, name: str, utc: datetime, call: Call | None = None) -> None:
        """Ring once at an instant in UTC; at once if it has passed."""
        if utc.tzinfo is not UTC:
            raise ValueError(f"alarm {name}: {utc.isoformat()} is not in UTC")
        self._set(name, DateTrigger(run_date=utc, timezone=UTC), call, max_instances=POOL)

    def every(self, name: str, seconds: float, call: Call | None = None) -> None:
        """Ring again and again, first after `seconds`, which are at least `EVERY_LEAST_S`."""
        if not seconds >= EVERY_LEAST_S:
            raise ValueError(f"alarm {name}: {seconds:g} s is too often; at least {EVERY_LEAST_S:g} s")
        self._set(name, _Every(seconds), call, max_instances=1)

    def drop(self, name: str) -> None:
        """Forget an alarm; one that has rung, or never was, is forgotten already."""
        try:
            self._scheduler.remove_job(name)
        except JobLookupError:
            return

    def rebuild(self) -> None:
        """The wall clock has stepped: ring all repeating alarms now, count anew from here, look at the rest.

        The deciding loop is woken too, for its plans may have come due or moved away.
        """
        for job in self._scheduler.get_jobs():
            if isinstance(job.trigger, _Every):
                job.modify(next_run_time=LONG_AGO)
        self._scheduler.wakeup()
        self._wake()

    def stop(self) -> None:
        """Ring no more. A call that is running is not waited for."""
        if self._scheduler.running:
            self._scheduler.remove_all_jobs()  # else its thread may die looking for one that it has just rung
            self._scheduler.shutdown(wait=False)

    def _set(self, name: str, trigger: BaseTrigger, call: Call | None, max_instances: int) -> None:
        self._scheduler.add_job(call or self._wake, trigger, id=name, name=name, max_instances=max_instances,
                                replace_existing=True)

    def _beat(self) -> None:
        self._last_beat_mono_s = time.monotonic()


class _Every(BaseTrigger):  # type: ignore[misc]  # the library is not typed
    """Due a period after now, whatever has been missed."""

    def __init__(self, seconds: float) -> None:
        self.period = timedelta(seconds=seconds)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """The library's question."""
        return now + self.period
