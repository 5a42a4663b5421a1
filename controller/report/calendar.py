"""The plan as an iCalendar file (RFC 5545), for the calendar on a phone: one event for each watering.

Instants are in UTC, so that no reader needs to know the garden's rules for summer time, and the hour that the
end of summer time repeats is not ambiguous. A watering keeps its UID from plan to plan, so that a newer file
moves it and does not double it. The events take up no time of the gardener's. A journal entry says when the
plan was made and what it remarks; so the file is valid also when nothing is to be watered (3.6: at least one
component).
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from icalendar import Calendar, Event, Journal, vText
from icalendar.enums import TRANSP

from controller.core.site import Site
from controller.report.explain import count

MAKER = "-//Seepward//Watering plan//EN"


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
