"""The plan as an iCalendar file: first what RFC 5545 demands, checked on the bytes by hand; then read by the
library.

The clauses are from memory. Plans and names are invented.
"""

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from controller.core.job import Job
from controller.core.said import Said, Zones
from controller.core.site import Site
from controller.report.calendar import jobs_calendar, plan_calendar
from controller.report.views import plan_view
from controller.shells.journal import JournalReader
from controller.words import Words
from tests.report.weeks import demo_site

SITE = demo_site()
AWKWARD = "Möhren, Küche; Süd\nunter dem \\n-Schild: größte Ernte seit Jahren, und immer noch süß 🥕"


def named(name: str) -> Site:
    """The demo's garden, its first zone called so."""
    first, *others = SITE.zones
    return replace(SITE, zones=(replace(first, name=name), *others))


def a_watering(start: str = "2026-07-14T05:00:00+01:00", **changed: Any) -> dict[str, Any]:
    """Two pulses of 20 minutes with half an hour between their starts."""
    begin = datetime.fromisoformat(start)
    second = begin + timedelta(minutes=30)
    return {
        "id": "2026-07-14-dawn-tomatoes", "zone": SITE.zones[0].id, "purpose": "dawn soak",
        "start": start, "end": (second + timedelta(minutes=20)).isoformat(), "mm": 5.0, "litres": 120.0,
        "pulses": [{"start": at.isoformat(), "seconds": 1200.0, "litres": 60.0} for at in (begin, second)],
        "reasons": ["Dry.", "Hot, too.", "So it is filled."],
    } | changed  # fmt: skip


def a_view(*waterings: Mapping[str, Any], made: str = "2026-07-14T00:00:00+01:00") -> dict[str, Any]:
    remarks = ["Herbs: short; sorry."]
    return {"made": made, "because": "dusk", "waterings": list(waterings), "remarks": remarks}


def unfolded(calendar: bytes) -> list[str]:
    """The content lines: 3.1, a line break and the blank after it are taken out."""
    return calendar.decode("utf-8").replace("\r\n ", "").removesuffix("\r\n").split("\r\n")


def components(calendar: bytes) -> list[tuple[str, list[tuple[str, str]]]]:
    """The components, each with its own properties, parameters left on the name; read without a library."""
    found: list[tuple[str, list[tuple[str, str]]]] = []
    open_now: list[tuple[str, list[tuple[str, str]]]] = []
    for line in unfolded(calendar):
        name, _, value = line.partition(":")
        if name == "BEGIN":
            open_now.append((value, []))
            found.append(open_now[-1])
        elif name == "END":
            assert open_now.pop()[0] == value
        else:
            open_now[-1][1].append((name, value))
    assert not open_now
    return found


def values(properties: list[tuple[str, str]], name: str) -> list[str]:
    return [value for key, value in properties if key.partition(";")[0] == name]


def week_view(week: JournalReader) -> dict[str, Any]:
    last = week.garden()
    assert last is not None
    return plan_view(SITE, last[0])


def events(calendar: bytes, kind: str = "VEVENT") -> list[Any]:
    """What the library reads: its components answer to property names, with values of many types."""
    return list(Calendar.from_ical(calendar).walk(kind))


# By hand ------------------------------------------------------------------------------------------


@pytest.mark.published(source="RFC 5545 (2009), section 3.1: lines of at most 75 octets, CR LF; from memory")
def test_lines_are_folded(week: JournalReader) -> None:
    site = named(AWKWARD * 3)
    for calendar in (plan_calendar(SITE, week_view(week)), plan_calendar(site, a_view(a_watering()))):
        assert calendar.endswith(b"\r\n")
        lines = calendar.removesuffix(b"\r\n").split(b"\r\n")
        assert max(map(len, lines)) <= 75
        assert any(line.startswith(b" ") for line in lines)
        assert not re.search(rb"[\x00-\x08\x0a-\x1f\x7f]", b"".join(lines))
        for line in lines:
            line.decode("utf-8")  # no character is cut in two


@pytest.mark.published(source="RFC 5545 (2009), section 3.3.11: what a text escapes; from memory")
def test_texts_are_escaped() -> None:
    lines = unfolded(plan_calendar(named(AWKWARD), a_view(a_watering())))
    assert (
        r"SUMMARY:Möhren\, Küche\; Süd\nunter dem \\n-Schild: größte Ernte seit Jahren\, "
        r"und immer noch süß 🥕: dawn soak\, 120 L"
    ) in lines
    assert r"DESCRIPTION:Herbs: short\; sorry." in lines
    calendar = plan_calendar(replace(SITE, name="Bed, and; breakfast\r\n"), a_view())
    assert r"NAME:Bed\, and\; breakfast\n" in unfolded(calendar)


@pytest.mark.published(source="RFC 5545 (2009), 3.4, 3.6, 3.7.3, 3.7.4: a calendar's properties; from memory")
@pytest.mark.parametrize("waterings", [[], [a_watering()]])
def test_the_calendar_has_what_it_must_have(waterings: list[dict[str, Any]]) -> None:
    calendar = plan_calendar(SITE, a_view(*waterings))
    (kind, properties), *inside = components(calendar)
    assert kind == "VCALENDAR"
    assert values(properties, "VERSION") == ["2.0"]
    assert len(values(properties, "PRODID")) == 1
    assert inside, "3.6: at least one component"
    assert [kind for kind, _ in inside] == ["VJOURNAL", *["VEVENT" for _ in waterings]]
    assert values(properties, "METHOD") == []


@pytest.mark.published(
    source="RFC 5545 (2009), 3.3.5, 3.6.1, 3.6.3, 3.8.2.2, 3.8.4.7: times, events, notes, UID; from memory"
)
def test_each_component_has_what_it_must_have(week: JournalReader) -> None:
    view = week_view(week)
    _, *inside = components(plan_calendar(SITE, view))
    assert len(inside) == len(view["waterings"]) + 1
    uids = [uid for _, properties in inside for uid in values(properties, "UID")]
    assert len(set(uids)) == len(uids) == len(inside)
    for kind, properties in inside:
        [stamp] = values(properties, "DTSTAMP")
        assert re.fullmatch(r"\d{8}T\d{6}Z", stamp)
        once = ("DTSTART", "DTEND", "SUMMARY", "DESCRIPTION", "TRANSP", "DURATION")
        assert all(len(values(properties, name)) <= 1 for name in once)
        if kind == "VEVENT":
            [start], [end] = values(properties, "DTSTART"), values(properties, "DTEND")
            assert re.fullmatch(r"\d{8}T\d{6}Z", start)
            assert re.fullmatch(r"\d{8}T\d{6}Z", end)
            assert end > start
            assert values(properties, "TRANSP") == ["TRANSPARENT"]
            assert values(properties, "DURATION") == []
    names = {name for _, properties in inside for name, _ in properties}
    assert {name.partition(";")[2] for name in names} == {"", "VALUE=DATE"}


# By the library -----------------------------------------------------------------------------------


def test_every_watering_is_one_event(week: JournalReader) -> None:
    view = week_view(week)
    read = events(plan_calendar(SITE, view))
    assert len(read) == len(view["waterings"]) > 5
    for event, watering in zip(read, view["waterings"], strict=True):
        assert event["DTSTART"].dt == datetime.fromisoformat(watering["start"])
        assert event["DTEND"].dt == datetime.fromisoformat(watering["end"])
        assert event["DTSTAMP"].dt == datetime.fromisoformat(view["made"])
        name = SITE.zone(watering["zone"]).name
        assert event["SUMMARY"] == f"{name}: {watering['purpose']}, {watering['litres']:.0f} L"
        assert all(reason in event["DESCRIPTION"] for reason in watering["reasons"])


def test_what_an_event_tells() -> None:
    [event] = events(plan_calendar(named("Tomatoes"), a_view(a_watering())))
    assert event["SUMMARY"] == "Tomatoes: dawn soak, 120 L"
    assert event["DESCRIPTION"].splitlines() == [
        "2 pulses, in the garden's time (Europe/Lisbon):", "05:00, 20 min, 60 L", "05:30, 20 min, 60 L",
        "", "Dry.", "Hot, too.", "So it is filled.",
    ]  # fmt: skip
    assert list(event["CATEGORIES"].cats) == ["Watering", "Dawn soak"]
    assert event["DTSTART"].dt == datetime(2026, 7, 14, 4, tzinfo=UTC)
    assert event["DTEND"].dt == datetime(2026, 7, 14, 4, 50, tzinfo=UTC)


@given(st.text(st.characters(exclude_categories=("C", "Z"), include_characters=" \n\\,;:\"'"), min_size=1))
@example("\\n \\, \\")
@settings(max_examples=150, deadline=None)
def test_any_name_comes_back_as_it_was(name: str) -> None:
    assume("\\N" not in name)  # the library writes this as a line break, in a text of ours too
    [event] = events(plan_calendar(named(name), a_view(a_watering())))
    assert event["SUMMARY"] == f"{name}: dawn soak, 120 L"


def test_a_name_cannot_add_a_property() -> None:
    hostile = "Beans\r\nEND:VEVENT\rBEGIN:VALARM\x0b\x1b[2J\u2028\x00"
    calendar = plan_calendar(named(hostile), a_view(a_watering()))
    [event] = events(calendar)
    assert event["SUMMARY"] == "Beans\nEND:VEVENT\nBEGIN:VALARM  [2J  : dawn soak, 120 L"
    assert [kind for kind, _ in components(calendar)] == ["VCALENDAR", "VJOURNAL", "VEVENT"]


def test_a_new_plan_moves_the_event_and_does_not_double_it() -> None:
    [before] = events(plan_calendar(SITE, a_view(a_watering())))
    moved = a_watering("2026-07-14T04:40:00+01:00", litres=150.0)
    [after] = events(plan_calendar(SITE, a_view(moved, made="2026-07-14T02:00:00+01:00")))
    assert after["UID"] == before["UID"]
    assert after["DTSTART"].dt < before["DTSTART"].dt
    assert after["DTSTAMP"].dt > before["DTSTAMP"].dt
    assert plan_calendar(SITE, a_view(moved)) == plan_calendar(SITE, a_view(moved))


def test_two_gardens_share_no_event() -> None:
    [here] = events(plan_calendar(SITE, a_view(a_watering())))
    [there] = events(plan_calendar(replace(SITE, id="allotment"), a_view(a_watering())))
    assert here["UID"] != there["UID"]


def test_the_hour_that_comes_twice_is_two_hours() -> None:
    """Clocks in Lisbon go from 02:00 back to 01:00 on 25 October 2026."""
    twice = [a_watering(f"2026-10-25T01:30:00+0{offset}:00", id=str(offset)) for offset in (1, 0)]
    first, second = events(plan_calendar(SITE, a_view(*twice)))
    assert first["DTSTART"].dt == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert second["DTSTART"].dt == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert second["DTEND"].dt - second["DTSTART"].dt == timedelta(minutes=50)


@pytest.mark.parametrize(("waterings", "said"), [
    ([], "Watering plan of Tuesday 00:00: no watering is needed in the days ahead"),
    ([a_watering()], "Watering plan of Tuesday 00:00: 1 watering"),
])  # fmt: skip
def test_the_note_says_when_it_was_planned_and_what_is_remarked(
    waterings: list[dict[str, Any]], said: str
) -> None:
    [note] = events(plan_calendar(SITE, a_view(*waterings)), "VJOURNAL")
    assert note["SUMMARY"] == said
    assert note["DESCRIPTION"] == "Herbs: short; sorry."
    assert note["DTSTART"].dt.isoformat() == "2026-07-14"


# Jobs ---------------------------------------------------------------------------------------------

THURSDAY = datetime(2026, 7, 16, 17, 0, tzinfo=UTC)  # 18:00 in Lisbon


def a_job(name: str = "shade", until: datetime = THURSDAY + timedelta(hours=3), **changed: Any) -> Job:
    """Shade for the first zone by nine in the evening, half an hour of work."""
    own: dict[str, Any] = {
        "id": name, "kind": name, "stage": "eve", "what": Said("shade.tender", {"tender": Zones((SITE.zones[0].id,))}),
        "why": Said("mulch-on.why"), "zones": (SITE.zones[0].id,), "due_from": THURSDAY - timedelta(days=1),
        "due_until": until, "minutes": 30.0, "counts_from": THURSDAY - timedelta(days=9),
    }  # fmt: skip
    return Job(**{**own, **changed})


def events_of(*listed: Job, language: str = "en") -> list[Any]:
    raw = jobs_calendar(SITE, listed, Words(SITE, language), THURSDAY)
    assert b"\r\n" in raw
    assert all(len(line) <= 75 for line in raw.split(b"\r\n")), "3.1: lines of 75 octets at most"
    return list(Calendar.from_ical(raw).walk("VEVENT"))


def test_a_job_ends_when_it_must_be_done_and_begins_as_long_before_as_it_takes() -> None:
    (event,) = events_of(a_job())
    assert event["DTSTART"].dt == THURSDAY + timedelta(hours=2.5)
    assert event["DTEND"].dt == THURSDAY + timedelta(hours=3)
    assert event["SUMMARY"] == f"Shade {SITE.zones[0].name[:1].lower()}{SITE.zones[0].name[1:]}."
    assert "seepward jobs done shade" in event["DESCRIPTION"]
    assert "Official heat warnings go first" in event["DESCRIPTION"]


def test_what_is_to_be_kept_to_and_what_has_only_its_days_stands_on_whole_days() -> None:
    midnight = datetime(2026, 7, 19, 23, 0, tzinfo=UTC)  # the end of Sunday in Lisbon
    kept, season = events_of(a_job("no-planting", keep_to=True), a_job("valves-2026", midnight, stage="season"))
    assert (kept["DTSTART"].dt, kept["DTEND"].dt) == (date(2026, 7, 16), date(2026, 7, 17))
    assert kept["TRANSP"] == "TRANSPARENT"
    assert (season["DTSTART"].dt, season["DTEND"].dt) == (date(2026, 7, 16), date(2026, 7, 20))


def test_done_dismissed_and_late_jobs_are_not_in_it_and_uids_hold() -> None:
    done, late = a_job("mulch", done=THURSDAY), a_job("harvest", THURSDAY - timedelta(hours=1))
    (event,) = events_of(done, late, a_job("stake", dismissed=THURSDAY), a_job())
    (again,) = events_of(a_job(until=THURSDAY + timedelta(hours=4)))
    assert event["UID"] == again["UID"], "a newer file moves it"


def test_without_a_job_the_file_is_valid_and_says_so_in_the_language() -> None:
    raw = jobs_calendar(SITE, [], Words(SITE, "pt"), THURSDAY)
    (entry,) = Calendar.from_ical(raw).walk("VJOURNAL")
    assert entry["SUMMARY"] == "Nada para fazer à mão por agora."
