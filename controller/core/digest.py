"""What the gardener is told by message, and when: once a day at most, unless something is urgent.

In the day's message stand the open jobs that were not told yet, and those told before that will be due before the next
one. What is done is not spoken of again. Nothing is sent in the quiet hours, but for water that may be running.

Urgent is: nothing can be watered any more (the guard is lost, a line cannot be driven), or shade and pots that are
asked for heat of today or tomorrow and that no message has told of, because the forecast changed after the last one.
"""

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta

from controller.core.frozen import replace
from controller.core.garden import Bed, Fault, Garden
from controller.core.job import Digest, Job
from controller.core.jobs import outlook, spell_in_question
from controller.core.moment import local_date
from controller.core.site import Site

URGENT_FAULTS = ("guard", "lines")
EVEN_AT_NIGHT = ("lines",)
URGENT_JOBS = ("shade", "pots")
PATIENCE = timedelta(minutes=5)
"""A guard that is lost is started anew: only what stays broken for so long is worth a message."""
TOLD_FOR = time(10, 0)
"""The day's message tells what begins up to this hour of the next morning."""
DAY = timedelta(days=1)
HOURLY = timedelta(hours=1)
LATE = timedelta(hours=3)
"""A daemon that comes up later than this after the hour waits for the next day."""
KEPT = timedelta(days=60)
THIRSTY_H = 6.0
"""Hours of stress on a day from which a zone is told of to those who are away (common practice, no source)."""
SIGN_OF_LIFE_DAYS = 3
"""Who is away hears at least so often that all is well."""


def look(site: Site, garden: Garden, listed: Sequence[Job], now: datetime) -> tuple[Garden, Digest | None]:
    """The garden after a look at what is to be told, and the message, if one is due. listed: the jobs of these days."""
    if site.digest.at is None:
        return garden, None
    today = local_date(now, site.timezone)
    daily = _at(site, today) <= now < _at(site, today) + LATE and garden.digest.day != today
    if _at(site, today) <= now:
        garden = replace(garden, digest=replace(garden.digest, day=today))
    urgent = _urgent(site, garden, listed, now)
    if _hushed(site, garden, now) or not (daily or urgent):
        return garden, None
    digest = _digest(site, garden, listed, now, urgent and not daily)
    if not urgent and not _worth(site, garden, digest):
        return garden, None
    return _told(garden, digest, now), digest


def next_hour(site: Site, now: datetime) -> datetime:
    """The next hour of the day's message."""
    today = local_date(now, site.timezone)
    at = _at(site, today)
    return at if at > now else _at(site, today + timedelta(days=1))


def next_look(site: Site, garden: Garden, now: datetime) -> datetime:
    """When to look again at the latest: at that hour, or when something broken has been so for long enough."""
    pressing = [fault.since + PATIENCE for fault in _new_faults(garden, URGENT_FAULTS)]
    return min([next_hour(site, now), *(at for at in pressing if at > now)])


def is_due(site: Site, garden: Garden, now: datetime) -> bool:
    """Whether it is time to look: hourly, when the day's hour has come and nobody has looked since, and when something
    presses."""
    looked = garden.digest.looked
    if looked is None or not timedelta(0) <= now - looked < HOURLY:
        return True
    today = local_date(now, site.timezone)
    hour_come = garden.digest.day != today and _at(site, today) <= now
    return hour_come or (bool(_pressing(garden, now)) and not _hushed(site, garden, now))


def _digest(site: Site, garden: Garden, listed: Sequence[Job], now: datetime, urgent: bool) -> Digest:
    today = local_date(now, site.timezone)
    end = _civil(site, today + DAY, TOLD_FOR)
    open_now = [job for job in listed if job.state(now) == "open" and job.due_from < end]
    fresh = [job for job in open_now if _worth_telling(site, garden, job, now)]
    away = is_away(garden, now)
    if away:
        fresh, open_now = [], []
    o = outlook(site, garden, now)
    spell, _ = spell_in_question(o)
    beds = [garden.beds[zone.id] for zone in site.zones]
    given_l = sum(garden.given.get(today, {}).values())
    return Digest(
        day=today,
        urgent=urgent,
        away=away,
        jobs=tuple(fresh),
        also_open=len(open_now) - len(fresh),
        faults=tuple(garden.faults[name] for name in sorted(garden.faults)),
        thirsty=tuple(bed.zone for bed in beds if _thirst_h(bed) >= THIRSTY_H),
        given_l=given_l,
        heat=spell.said(site) if spell is not None and spell.last >= today else None,
    )


def is_away(garden: Garden, now: datetime) -> bool:
    """Whether nobody tends the garden: then no jobs are told, but what goes wrong, and at times that all is well."""
    return garden.away_until is not None and now < garden.away_until


def expired(garden: Garden, listed: Sequence[Job], now: datetime) -> tuple[Garden, list[Job]]:
    """The garden with the jobs marked that were told and not done in time, and those that are so since the last
    look."""
    late = garden.digest.late
    news = [
        job
        for job in listed
        if job.state(now) == "expired"
        and not job.keep_to
        and job.id in garden.digest.told
        and (job.id not in late or late[job.id] < job.counts_from)
    ]
    if not news:
        return garden, []
    late = {**late, **{job.id: job.due_until for job in news}}
    kept = {name: at for name, at in late.items() if now - at < KEPT}
    return replace(garden, digest=replace(garden.digest, late=kept)), news


def _worth(site: Site, garden: Garden, digest: Digest) -> bool:
    """Whether there is anything to say. Who is away also hears that all is well."""
    new_faults = _new_faults(garden, tuple(garden.faults))
    if digest.jobs or new_faults:
        return True
    last = garden.digest.sent
    if not digest.away:
        return False
    silent = last is None or (digest.day - local_date(last, site.timezone)).days >= SIGN_OF_LIFE_DAYS
    return bool(digest.thirsty) or silent


def _worth_telling(site: Site, garden: Garden, job: Job, now: datetime) -> bool:
    """New, or due before the next message; what is only to be kept to is told once."""
    if not _was_told(garden, job):
        return True
    return not job.keep_to and job.due_until <= next_hour(site, now)


def _urgent(site: Site, garden: Garden, listed: Sequence[Job], now: datetime) -> bool:
    if _pressing(garden, now):
        return True
    untold = [
        job
        for job in listed
        if job.id in URGENT_JOBS and job.state(now) == "open" and not _was_told(garden, job)
    ]
    if is_away(garden, now) or not untold:
        return False
    today = local_date(now, site.timezone)
    spell, _ = spell_in_question(outlook(site, garden, now))
    # Heat of tomorrow waits for the day's own message, if that is still to come.
    days = 0 if garden.digest.day != today else 1
    return spell is not None and spell.first <= today + timedelta(days=days)


def _was_told(garden: Garden, job: Job) -> bool:
    told = garden.digest.told.get(job.id)
    return told is not None and told >= job.counts_from


def _new_faults(garden: Garden, among: Sequence[str]) -> list[Fault]:
    """Faults that no message has told of since they arose."""
    told = garden.digest.faults
    return [fault for name, fault in garden.faults.items() if name in among and told.get(name) != fault.since]


def _pressing(garden: Garden, now: datetime) -> list[Fault]:
    return [fault for fault in _new_faults(garden, URGENT_FAULTS) if now - fault.since >= PATIENCE]


def _hushed(site: Site, garden: Garden, now: datetime) -> bool:
    """Whether it is a quiet hour, and nothing is so bad that somebody must be woken."""
    return _quiet(site, now) and not any(fault.id in EVEN_AT_NIGHT for fault in _pressing(garden, now))


def _told(garden: Garden, digest: Digest, now: datetime) -> Garden:
    book = garden.digest
    told = {name: at for name, at in book.told.items() if now - at < KEPT} | {job.id: now for job in digest.jobs}
    faults = {fault.id: fault.since for fault in digest.faults}
    return replace(garden, digest=replace(book, sent=now, told=told, faults=faults))


def _thirst_h(bed: Bed) -> float:
    return bed.today.stress_hours


def _at(site: Site, day: date) -> datetime:
    return _civil(site, day, site.digest.at or time(18, 0))


def _civil(site: Site, day: date, clock: time) -> datetime:
    return datetime.combine(day, clock, site.timezone).astimezone(UTC)


def _quiet(site: Site, now: datetime) -> bool:
    local = now.astimezone(site.timezone)
    clock = time(local.hour, local.minute)
    start, until = site.digest.quiet.start, site.digest.quiet.until
    return start <= clock < until if start < until else clock >= start or clock < until
