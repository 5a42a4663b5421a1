"""Plan and jobs as iCalendar files (RFC 5545), for the calendar on a phone: one event for each watering, or job.

Instants are in UTC, so that no reader needs to know the garden's rules for summer time, and the hour that the
end of summer time repeats is not ambiguous. A watering keeps its UID from plan to plan, so that a newer file
moves it and does not double it. The events of the plan take up no time of the gardener's; those of jobs end
when the job must be done, and begin as long before as it takes; what has only its day, or its days, stands on
them whole. A journal entry says when the plan was made and what it remarks; so the file is valid also when
nothing is to be watered (3.6: at least one component).
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from icalendar import Calendar, Event, Journal, vText
from icalendar.enums import TRANSP

from controller.core.job import Job
from controller.core.site import Site
from controller.report.explain import count
from controller.words import Words

MAKER = "-//Seepward//Watering plan//EN"
JOBS_MAKER = "-//Seepward//Jobs//EN"
SHORTEST = timedelta(minutes=15)
"""A shorter event is hard to see on a phone."""


def plan_calendar(site: Site, view: Mapping[str, Any]) -> bytes:
    """The plan of `views.plan_view` as an iCalendar file: UTF-8, lines folded and ended by CR LF."""
    calendar = Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", MAKER)
    calendar.add("name", vText(_text(site.name)))  # RFC 7986, 5.1; the library would not escape it by itself
    made = _instant(view["made"])
    calendar.add_component(_note(site, view, made))
    for watering in view["waterings"]:
        calendar.add_component(_event(site, watering, made))
    return bytes(calendar.to_ical())


def jobs_calendar(site: Site, listed: Sequence[Job], words: Words, as_of: datetime) -> bytes:
    """The open jobs as an iCalendar file, in the words given: UTF-8, lines folded and ended by CR LF."""
    calendar = Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", JOBS_MAKER)
    calendar.add("name", vText(_text(f"{site.name}: {words.text('jobs.heading')}")))
    stamp = as_of.astimezone(UTC)
    open_now = [job for job in listed if job.state(as_of) == "open"]
    if not open_now:
        none = words.text("jobs.none-listed")
        calendar.add_component(
            Journal.new(uid=_uid(site, "jobs"), stamp=stamp, start=_day(site, stamp), summary=none)
        )
    for job in open_now:
        calendar.add_component(_job_event(site, job, words, stamp))
    return bytes(calendar.to_ical())


def _job_event(site: Site, job: Job, words: Words, stamp: datetime) -> Event:
    begin, end = _when(site, job, stamp)
    caution = f"\n\n{words.text('caution')}" if job.of_heat else ""
    how = "" if job.keep_to else f"\n\n{words.text('jobs.how', text=job.id)}"
    return Event.new(
        uid=_uid(site, f"job-{job.id}"),
        stamp=stamp,
        start=begin,
        end=end,
        summary=_text(words.say(job.what)),
        description=_text(f"{words.say(job.why)}{how}{caution}"),
        categories=[words.text("jobs.heading")],
        transparency=TRANSP.TRANSPARENT if job.keep_to or not isinstance(begin, datetime) else None,
    )


def _when(site: Site, job: Job, stamp: datetime) -> tuple[date, date]:
    """From when to when: instants for what has its hour, else days, the end being the first that it is not on any
    more (3.6.1)."""
    until = job.due_until.astimezone(site.timezone)
    if not job.keep_to and (until.hour, until.minute) != (0, 0):
        length = max(SHORTEST, timedelta(minutes=job.minutes))
        return job.due_until.astimezone(UTC) - length, job.due_until.astimezone(UTC)
    first = max(_day(site, job.due_from), _day(site, stamp))
    last = _day(site, job.due_until - timedelta(seconds=1))
    return min(first, last), last + timedelta(days=1)


def _day(site: Site, instant: datetime) -> date:
    return instant.astimezone(site.timezone).date()


def _note(site: Site, view: Mapping[str, Any], made: datetime) -> Journal:
    """When the plan was made, and its remarks: 3.6.3, text for a day."""
    local = made.astimezone(site.timezone)
    waterings = len(view["waterings"])
    planned = count(waterings, "watering") if waterings else "no watering is needed in the days ahead"
    return Journal.new(
        uid=_uid(site, "plan"),
        stamp=made,
        start=local.date(),
        summary=f"Watering plan of {local:%A %H:%M}: {planned}",
        description=_text("\n".join(view["remarks"])) or None,
        categories=["Watering"],
    )


def _event(site: Site, watering: Mapping[str, Any], made: datetime) -> Event:
    """One watering, from the first pulse's start to the last one's end. DTSTAMP is when the plan was made: it
    means that in a file without a METHOD (3.8.7.2).
    """
    purpose = watering["purpose"]
    name = site.zone(watering["zone"]).name
    return Event.new(
        uid=_uid(site, watering["id"]),
        stamp=made,
        start=_instant(watering["start"]),
        end=_instant(watering["end"]),
        summary=_text(f"{name}: {purpose}, {watering['litres']:.0f} L"),
        description=_text(_details(site, watering)),
        categories=["Watering", f"{purpose[:1].upper()}{purpose[1:]}"],
        transparency=TRANSP.TRANSPARENT,
    )


def _details(site: Site, watering: Mapping[str, Any]) -> str:
    """Pulse by pulse, in the garden's own time, and why."""
    pulses = [_pulse(site, each) for each in watering["pulses"]]
    heading = f"{count(len(pulses), 'pulse')}, in the garden's time ({site.timezone}):"
    return "\n".join([heading, *pulses, "", *watering["reasons"]]).rstrip()


def _pulse(site: Site, pulse: Mapping[str, Any]) -> str:
    start = _instant(pulse["start"]).astimezone(site.timezone)
    return f"{start:%H:%M}, {pulse['seconds'] / 60.0:.0f} min, {pulse['litres']:.0f} L"


def _uid(site: Site, name: str) -> str:
    """The same for the same watering of the same garden, and for no other; a UUID, as RFC 7986, 5.3 asks for,
    because it tells nothing of the place.
    """
    return str(uuid5(NAMESPACE_URL, f"seepward:{site.id}/{name}"))


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def _text(text: str) -> str:
    """A text without control characters other than the line break: no content line may hold them (3.1)."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(each if each.isprintable() or each == "\n" else " " for each in lines)
