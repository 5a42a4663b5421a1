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

What should have rung is kept beside it, on the monotonic clock: the library's thread may die, hang or lose an alarm,
and would not say so. `overdue` tells.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
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
LATE_S = 3 * BEAT_S
"""An alarm that has not rung so long after its time will not ring at all (common practice, no source)."""
POOL = 10
LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(slots=True)
class _Owed:
    """By when an alarm must have rung, on the monotonic clock, and after how long again; None: once."""

    due_s: float
    again_s: float | None = None


class Alarms:
    """Named alarms; a name set again replaces the old alarm.

    inbox_wake: wakes the deciding loop; the call of an alarm that names none, and made after a rebuild too.
    All methods are for one thread, or for the calls of the alarms themselves.
    """

    def __init__(self, inbox_wake: Call) -> None:
        self._wake = inbox_wake
        self._owed: dict[str, _Owed] = {}
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": None},
            executors={"default": ThreadPoolExecutor(POOL)})
        self.every(BEAT, BEAT_S, lambda: None)

    def overdue(self, mono_s: float) -> dict[str, float]:
        """The alarms that should have rung by now and have not, and by how many seconds. mono_s: now, monotonic."""
        late = {name: mono_s - owed.due_s for name, owed in list(self._owed.items())}
        return {name: late_s for name, late_s in late.items() if late_s > LATE_S}

    def start(self) -> None:
        """Begin to ring. Starts threads: fork no more after this."""
        self._scheduler.start()

    def at(self, name: str, utc: datetime, call: Call | None = None) -> None:
        """Ring once at an instant in UTC; at once if it has passed."""
        if utc.tzinfo is not UTC:
            raise ValueError(f"alarm {name}: {utc.isoformat()} is not in UTC")
        self._set(name, DateTrigger(run_date=utc, timezone=UTC), call, POOL, _Owed(_mono_s_at(utc)))

    def every(self, name: str, seconds: float, call: Call | None = None) -> None:
        """Ring again and again, first after `seconds`, which are at least `EVERY_LEAST_S`."""
        if not seconds >= EVERY_LEAST_S:
            raise ValueError(f"alarm {name}: {seconds:g} s is too often; at least {EVERY_LEAST_S:g} s")
        self._set(name, _Every(seconds), call, 1, _Owed(time.monotonic() + seconds, seconds))

    def drop(self, name: str) -> None:
        """Forget an alarm; one that has rung, or never was, is forgotten already."""
        self._owed.pop(name, None)
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
            elif (owed := self._owed.get(job.id)) is not None:
                owed.due_s = _mono_s_at(job.trigger.run_date)
        self._scheduler.wakeup()
        self._wake()

    def stop(self) -> None:
        """Ring no more. A call that is running is not waited for."""
        if self._scheduler.running:
            self._scheduler.remove_all_jobs()  # else its thread may die looking for one that it has just rung
            self._scheduler.shutdown(wait=False)

    def _set(self, name: str, trigger: BaseTrigger, call: Call | None, max_instances: int, owed: _Owed) -> None:
        self._owed[name] = owed
        self._scheduler.add_job(self._ring, trigger, (name, owed, call or self._wake), id=name, name=name,
                                max_instances=max_instances, replace_existing=True)

    def _ring(self, name: str, owed: _Owed, call: Call) -> None:
        if owed.again_s is not None:
            owed.due_s = time.monotonic() + owed.again_s
        elif self._owed.get(name) is owed:  # else it has been set anew meanwhile
            del self._owed[name]
        call()


def _mono_s_at(utc: datetime) -> float:
    """When an instant comes, or came, on the monotonic clock, as long as nobody sets the other."""
    return time.monotonic() + (utc - datetime.now(UTC)).total_seconds()


class _Every(BaseTrigger):  # type: ignore[misc]  # the library is not typed
    """Due a period after now, whatever has been missed."""

    def __init__(self, seconds: float) -> None:
        self.period = timedelta(seconds=seconds)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """The library's question."""
        return now + self.period
