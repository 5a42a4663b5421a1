"""What a step of the wall clock changes: the beds live by elapsed time, and nothing that was missed is made up for.

A clock that ran ahead has dated things into a future that has not come. When it is set back, nothing in the garden may
go on lying there, or it would be waited for: a reading older than the last is no news, a day that was served is not
served again.
"""

from datetime import date, datetime, timedelta

from controller.core.actions import Action, Note
from controller.core.budget import none_after as given_by
from controller.core.events import Event, Started
from controller.core.frozen import replace
from controller.core.garden import Bed, DayLedger, Garden, Probe, Watering
from controller.core.moment import Now, local_date
from controller.core.site import Site
from controller.core.weather import none_after

CLOCK_STEP_S = 2.0
AWAY_DAYS = 10
"""Weather of a longer absence than this is not lived through: nobody knows what happened meanwhile."""
ONE_DAY = timedelta(days=1)


def watch_clock(site: Site, garden: Garden, event: Event, now: Now) -> tuple[Garden, list[Action]]:
    """Notice steps of the wall clock, by the gap between it and the monotonic clock."""
    gap_s = now.utc.timestamp() - now.mono_s
    before_s, known = garden.clock_gap_s, replace(garden, clock_gap_s=gap_s, clock_trusted=now.trusted)
    if isinstance(event, Started) or before_s is None:
        return _after_absence(site, known, now), []
    step_s = gap_s - before_s
    if abs(step_s) <= CLOCK_STEP_S:
        return known, []
    said = f"The clock was set by {step_s:+.0f} s; alarms and plan are made anew."
    note = Note("clock", said, facts={"step_s": step_s}, lasting=True)
    return _redated(site, known, now, timedelta(seconds=step_s)), [note]


def _after_absence(site: Site, garden: Garden, now: Now) -> Garden:
    """After a start: the time away is lived through if the clock may be believed and it was not too long."""
    latest = max((bed.as_of for bed in garden.beds.values()), default=now.utc)
    away = now.utc - latest
    if now.trusted and timedelta(0) <= away <= AWAY_DAYS * ONE_DAY:
        return garden
    return _redated(site, garden, now, min(timedelta(0), away))


def _redated(site: Site, garden: Garden, now: Now, step: timedelta) -> Garden:
    """The garden carried over to a new date as it is: no demand is charged for time that may not have passed."""
    utc = now.utc
    today = local_date(utc, site.timezone)
    return replace(
        garden,
        beds={zone: _bed(bed, DayLedger(today), utc) for zone, bed in garden.beds.items()},
        probes={sensor: _probe(probe, utc) for sensor, probe in garden.probes.items()},
        weather=none_after(garden.weather, today, utc),
        plan=replace(garden.plan, waterings=tuple(_watering(w, today, step) for w in garden.plan.waterings)),
        given=given_by(garden.given, today),
        jobs_done={job: min(at, utc) for job, at in garden.jobs_done.items()},
        plan_due=utc,
    )


def _bed(bed: Bed, fresh: DayLedger, utc: datetime) -> Bed:
    """Each day keeps its own ledger: a day left behind is closed, one come back to is opened again."""
    known = [ledger for ledger in (bed.today, bed.yesterday) if ledger is not None]
    today = next((ledger for ledger in known if ledger.day == fresh.day), fresh)
    yesterday = max((ledger for ledger in known if ledger.day < fresh.day), key=lambda each: each.day, default=None)
    return replace(
        bed,
        as_of=utc,
        today=today,
        yesterday=yesterday,
        last_wetted=_past(bed.last_wetted, utc),
        last_full=_past(bed.last_full, utc),
        done={purpose: day for purpose, day in bed.done.items() if day <= fresh.day + ONE_DAY},
    )


def _probe(probe: Probe, utc: datetime) -> Probe:
    return replace(
        probe,
        at=_past(probe.at, utc),
        same_since=_past(probe.same_since, utc),
        used_at=_past(probe.used_at, utc),
        sound_at=_past(probe.sound_at, utc),
        awaited_since=_past(probe.awaited_since, utc),
    )


def _watering(watering: Watering, today: date, step: timedelta) -> Watering:
    """Running pulses end when they would have ended. Planned ones do not wait for time that has passed already; those
    that the new clock has overtaken are missed, and planned anew by its hours."""
    back = min(step, timedelta(0))
    pulses = tuple(
        replace(pulse, start=pulse.start + (step if pulse.running else back)) if pulse.ahead else pulse
        for pulse in watering.pulses
    )
    day = watering.day if watering.day <= today + ONE_DAY else today
    return replace(watering, pulses=pulses, day=day)


def _past(instant: datetime | None, utc: datetime) -> datetime | None:
    return None if instant is None else min(instant, utc)
