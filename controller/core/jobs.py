"""What only hands can do, asked for in time: the gardener's jobs, gathered from all rules and marked as they stand.

A rule looks at the days ahead and the zones, and says whether its job is due, for which plants, from when to when, and
why. What is said is decided here, with its figures; the words stand in `controller.words`.
"""

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from controller.core.frozen import replace
from controller.core.garden import Garden
from controller.core.heat import Spell, foreseen, likely_spells, with_excess_heat
from controller.core.job import Job
from controller.core.jobs_heat import HEAT_RULES
from controller.core.jobs_season import BREATHER_DAYS, RULES, own_jobs
from controller.core.moment import local_date
from controller.core.outlook import Heat, Outlook
from controller.core.site import Site
from controller.core.weather import weather_on

LOOK_AHEAD_DAYS = 7
LOOK_BACK_DAYS = 14
AFTER_DAYS = 2


def jobs(site: Site, garden: Garden, now: datetime) -> list[Job]:
    """The jobs of these days, the most pressing first. Those that are done, dismissed or too late are marked, not left
    out: see `Job.state`."""
    o = outlook(site, garden, now)
    spell, before = spell_in_question(o)
    found = [job for rule in RULES for job in rule(o)]
    if spell is not None:
        heat = Heat(o, spell, before)
        known = {job.id for job in found}
        found += [job for rule in HEAT_RULES for job in rule(heat) if job.id not in known]
    found += own_jobs(o, spell)
    return sorted((_marked(job, garden) for job in found), key=lambda job: (job.due_until, job.id))


def open_jobs(site: Site, garden: Garden, now: datetime) -> list[Job]:
    """Those that are still to be done."""
    return [job for job in jobs(site, garden, now) if job.state(now) == "open"]


def outlook(site: Site, garden: Garden, now: datetime) -> Outlook:
    """What the rules look at, at an instant."""
    today = local_date(now, site.timezone)
    back = [weather_on(garden.weather, site, today - timedelta(days=n), now) for n in range(LOOK_BACK_DAYS, 0, -1)]
    ahead, chances = foreseen(garden.weather, site, today, now, LOOK_AHEAD_DAYS)
    return Outlook(site, garden, now, today, [*back, *ahead], chances)


def spell_in_question(o: Outlook) -> tuple[Spell | None, Spell | None]:
    """The spell that jobs are about, and the one before it."""
    past = [day for day in o.days if day.day < o.today]
    found = with_excess_heat(likely_spells(past, o.ahead, o.chances, o.site), o.days, o.garden.weather, o.site)
    spell = _in_question(found, o.today)
    if spell is None:
        return None, None
    return spell, max((s for s in found if s.last < spell.first), key=lambda s: s.last, default=None)


def _in_question(found: Sequence[Spell], today: date) -> Spell | None:
    """A spell that is on or near, else one that is just over, else one farther ahead."""
    coming = next((spell for spell in found if spell.last >= today), None)
    past = next((s for s in reversed(found) if today - timedelta(days=AFTER_DAYS) <= s.last < today), None)
    if coming is not None and (past is None or coming.first - today <= timedelta(days=BREATHER_DAYS)):
        return coming
    return past


def _marked(job: Job, garden: Garden) -> Job:
    """The job with its time of being done or dismissed, if that was for this time and not for an earlier one."""
    done, dismissed = garden.jobs_done.get(job.id), garden.jobs_dismissed.get(job.id)
    return replace(
        job,
        done=done if done is not None and done >= job.counts_from else None,
        dismissed=dismissed if dismissed is not None and dismissed >= job.counts_from else None,
    )
