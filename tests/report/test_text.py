"""The terminal: never wider than it is, nothing read as markup, nothing that moves the cursor."""

import io
from dataclasses import replace
from datetime import date

import pytest
from rich.console import Console

from controller.core.site import Site
from controller.report.explain import explain
from controller.report.given import watered
from controller.report.text import plain, say, show_jobs, show_log, show_plan, show_why
from controller.report.views import plan_view
from controller.shells.journal import JournalReader
from controller.words import Words
from tests.report.weeks import demo_site

SITE = demo_site()


def screen(width: int) -> tuple[Console, io.StringIO]:
    paper = io.StringIO()
    return Console(file=paper, width=width, highlight=False, markup=False, emoji=False), paper


def print_all(week: JournalReader, site: Site, width: int) -> str:
    last = week.garden()
    assert last is not None
    out, paper = screen(width)
    show_plan(out, site, plan_view(site, last[0]), "")
    rows = watered(week, site, date(2026, 7, 10), date(2026, 7, 17))
    show_log(out, site, rows, date(2026, 7, 10), date(2026, 7, 17))
    show_why(out, explain(site, week, site.zone("salad"), date(2026, 7, 13)))
    return paper.getvalue()


@pytest.mark.parametrize("width", [36, 44, 80, 120])
def test_no_line_is_wider_than_the_terminal(week: JournalReader, width: int) -> None:
    lines = print_all(week, SITE, width).splitlines()
    assert max(map(len, lines)) <= width


def test_a_wide_terminal_gets_columns(week: JournalReader) -> None:
    heading = next(line for line in print_all(week, SITE, 120).splitlines() if line.startswith("time"))
    assert heading.split() == ["time", "zone", "for", "litres", "pulses", "rests", "why"]


def test_names_are_no_markup_and_no_commands_to_the_terminal(week: JournalReader) -> None:
    name = "[red]Salad[/red] \x1b[2J\x07"
    zones = tuple(replace(zone, name=name) if zone.id == "salad" else zone for zone in SITE.zones)
    for width in (44, 120):
        shown = print_all(week, replace(SITE, zones=zones), width)
        assert "[red]Salad[/red]" in shown
        assert "\x1b" not in shown
        assert "\x07" not in shown


def test_no_line_ends_between_a_number_and_its_unit() -> None:
    out, paper = screen(24)
    say(out, "A hot day is one of 37 °C or more, and 8.5 mm are missing.")
    lines = [line.rstrip() for line in paper.getvalue().splitlines()]
    assert " ".join(lines) == "A hot day is one of 37 °C or more, and 8.5 mm are missing."
    assert not any(line.endswith(("37", "8.5")) for line in lines)


def test_what_many_zones_share_is_said_once(week: JournalReader) -> None:
    last = week.garden()
    assert last is not None
    view = plan_view(SITE, last[0])
    why = "Heat is coming: 41 °C on Monday (forecast), so the soak fills the root zone."
    shared = [{**each, "purpose": "dawn soak", "reasons": ["Dry.", "Hot.", why]} for each in view["waterings"][:3]]
    alike = [{**each, "start": shared[0]["start"]} for each in shared]
    out, paper = screen(90)
    show_plan(out, SITE, {**view, "waterings": alike}, "")
    assert len(alike) == 3
    assert paper.getvalue().count(why) == 1


def test_what_cannot_be_printed_becomes_a_blank() -> None:
    assert plain("a\x1b[31mb\nc\u202ed é") == "a [31mb c d é"


def test_no_job_is_said_so() -> None:
    out, paper = screen(60)
    show_jobs(out, [], "", Words(SITE), False)
    assert paper.getvalue() == "Nothing for your hands now.\n"


def test_a_done_job_stands_below_and_the_caution_last() -> None:
    open_job = {
        "id": "mulch", "what": "Mulch the beans.", "why": "Heat.", "when": "by Monday", "done": None, "state": "open",
        "minutes": 20.0,
    }  # fmt: skip
    done_job = {
        **open_job, "id": "stake", "what": "Stake them.", "done": "2026-07-13T16:00:00+01:00", "state": "done",
    }  # fmt: skip
    left_out = {**open_job, "what": "Fill the cans.", "state": "dismissed"}
    late = {**open_job, "what": "Harvest.", "state": "expired"}
    out, paper = screen(90)
    show_jobs(out, [open_job, done_job, left_out, late], "As of long ago.", Words(SITE), True)
    lines = [line.strip() for line in paper.getvalue().splitlines() if line.strip()]
    assert lines[:4] == [
        "As of long ago.", "By Monday: Mulch the beans.", "Heat. (about 20 min)", "done? seepward jobs done mulch",
    ]  # fmt: skip
    assert lines[4] == "Done Monday 16:00: Stake them."
    assert lines[5:7] == ["Left out: Fill the cans.", "Too late: Harvest."]
    assert lines[7] == "Work early or late, drink, rest in the shade. Official heat warnings go first."


def test_no_watering_is_said_so() -> None:
    out, paper = screen(70)
    show_log(out, SITE, [], date(2026, 7, 10), date(2026, 7, 11))
    assert paper.getvalue().startswith("Nothing was watered from Friday 10 July 2026")


def test_an_indented_paragraph_is_wrapped_inside_its_indent() -> None:
    out, paper = screen(20)
    say(out, "one two three four five six", indent=4)
    assert paper.getvalue().splitlines() == ["    one two three", "    four five six"]
