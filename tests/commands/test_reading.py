"""plan, log, why, jobs and report: what they show, and what they say to wrong input."""

import csv
import io
import json
import sqlite3
import subprocess
import sys
from datetime import date, datetime
from pathlib import Path
from shutil import copyfile

import pytest
from icalendar import Calendar

from controller.commands import common
from controller.commands.log import COLUMNS, _cell
from tests.commands.conftest import Call
from tests.layout.source import ROOT
from tests.report.papers import DAWN, Paper, a_soak
from tests.report.weeks import facts

WEEK = ("--since", "2026-07-10", "--until", "2026-07-17")


# plan -----------------------------------------------------------------------------------------------


def test_the_plan_for_people(call: Call) -> None:
    said = call("plan")
    assert (said.code, said.err) == (0, "")
    assert said.out.startswith("Planned ")
    assert "Saturday 18 July 2026" in said.out
    assert "Dawn soak. By dusk " in said.out


def test_the_plan_for_programs_fits_the_published_shape(call: Call) -> None:
    from controller.messages import PlanView

    said = call("plan", "--json")
    view = PlanView.model_validate_json(said.out)
    assert view.waterings
    assert all(watering.pulses for watering in view.waterings)


def test_an_old_journal_says_how_old(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    from controller.commands import common

    monkeypatch.setattr(common, "utc_now", lambda: datetime.fromisoformat("2026-07-20T07:00:00+00:00"))
    said = " ".join(call("plan").out.split())
    assert "As of Friday 17 July 2026, 08:" in said
    assert "ago. Is the daemon running?" in said


def test_a_journal_from_the_future_is_a_simulated_one(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    from controller.commands import common

    monkeypatch.setattr(common, "utc_now", lambda: datetime.fromisoformat("2026-01-01T07:00:00+00:00"))
    assert "a simulated journal?" in " ".join(call("plan").out.split())


def test_on_a_terminal_the_plan_is_drawn_as_well(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    alone = call("plan").out
    assert "█ water" not in alone
    assert "\x1b" not in alone
    monkeypatch.setenv("TTY_COMPATIBLE", "1")  # rich then takes the output for a terminal
    monkeypatch.setenv("COLUMNS", "80")
    drawn = call("plan").out
    assert "\x1b[" in drawn
    assert "█ water" in drawn
    assert "sunrise 06:" in drawn
    assert drawn.index("Dawn soak.") < drawn.index("sunrise 06:")
    assert "█" not in call("plan", "--no-timeline").out


def test_the_plan_as_a_calendar(call: Call, tmp_path: Path) -> None:
    file = tmp_path / "plan.ics"
    said = call("plan", "--ics", str(file))
    waterings = json.loads(call("plan", "--json").out)["waterings"]
    assert (said.code, said.err) == (0, "")
    assert said.out == f"Written: {file} ({len(waterings)} waterings).\n"
    events = Calendar.from_ical(file.read_bytes()).events
    assert [event.start for event in events] == [datetime.fromisoformat(each["start"]) for each in waterings]
    assert [each.name for each in tmp_path.glob("plan*")] == ["plan.ics"]
    told = json.loads(call("plan", "--ics", str(file), "--json").out)
    assert told == {"file": str(file), "bytes": file.stat().st_size, "waterings": len(waterings)}


def test_the_calendar_alone_goes_to_standard_output(
    config: Path, week_journal: Path, call: Call, tmp_path: Path
) -> None:
    """In a process of its own: line ends arrive as they are, whatever the locale."""
    call("plan", "--ics", str(tmp_path / "plan.ics"))
    command = [sys.executable, "-m", "controller", "plan", "--config", str(config), "--ics", "-"]
    piped = subprocess.run(command, capture_output=True, check=True, env={"LC_ALL": "C"}, cwd=ROOT)
    assert piped.stderr == b""
    assert piped.stdout == (tmp_path / "plan.ics").read_bytes()


def test_a_calendar_that_cannot_be_written_is_one_line(call: Call, tmp_path: Path) -> None:
    file = tmp_path / "none" / "plan.ics"
    said = call("plan", "--ics", str(file))
    assert said.code == 1
    assert said.complaint == f"{file}: cannot be written (no such file or directory)"


def test_a_calendar_and_json_do_not_go_to_one_place(call: Call) -> None:
    said = call("plan", "--ics", "-", "--json")
    assert said.code == 2
    assert said.complaint == "Either --ics - or --json, not both."


def test_a_calendar_of_an_old_journal_says_how_old(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(common, "utc_now", lambda: datetime.fromisoformat("2026-07-20T07:00:00+00:00"))
    lines = call("plan", "--ics", str(tmp_path / "plan.ics")).out.splitlines()
    assert lines[0].startswith("Written: ")
    assert lines[1].endswith("ago. Is the daemon running?")


def test_a_zone_that_is_new_in_the_config_does_no_harm(call: Call, config: Path) -> None:
    config.write_text(config.read_text().replace('id = "herbs"', 'id = "mint"'))
    assert call("plan").code == 0
    assert call("jobs").code == 0
    assert call("report", "-o", str(config.with_name("page.html"))).code == 0
    assert call("why", "mint").code == 0


# log ------------------------------------------------------------------------------------------------


def test_the_log_for_people(call: Call) -> None:
    said = call("log", *WEEK)
    assert said.code == 0
    assert "Monday 13 July 2026, " in said.out
    assert "refused: the supply cannot feed it" in " ".join(said.out.split())
    assert "the garden" in said.out
    assert "L can have passed." in " ".join(said.out.split())


def test_the_log_for_programs_agrees_with_sql(call: Call, week_journal: Path) -> None:
    view = json.loads(call("log", *WEEK, "--json").out)
    told = facts(week_journal)
    for zone, litres in told["litres"].items():
        assert view["zones"][zone]["litres"] == pytest.approx(litres)
        assert view["zones"][zone]["minutes"] == pytest.approx(told["minutes"][zone])
    assert view["site"]["litres"] == pytest.approx(sum(told["litres"].values()))


def test_the_log_for_a_spreadsheet(call: Call, week_journal: Path) -> None:
    said = call("log", *WEEK, "--csv")
    rows = list(csv.DictReader(io.StringIO(said.out, newline="")))
    assert tuple(rows[0]) == COLUMNS
    litres = sum(float(row["litres"]) for row in rows)
    assert litres == pytest.approx(sum(facts(week_journal)["litres"].values()), abs=0.5)
    assert {row["ended"] for row in rows} >= {"whole", "stopped by hand"}
    assert said.out.count("\r\n") == len(rows) + 1


@pytest.mark.parametrize("text", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_cell_is_run_by_a_spreadsheet(text: str) -> None:
    assert _cell(text) == f"'{text}"


@pytest.mark.parametrize("value", ["Tomatoes", "2026-07-13", -3.5, 0, None])
def test_other_cells_are_left_alone(value: object) -> None:
    assert _cell(value) == ("" if value is None else value)


def test_a_zones_name_cannot_start_a_formula(call: Call, config: Path) -> None:
    config.write_text(config.read_text().replace('name = "Tomatoes"', 'name = "=HYPERLINK(1)"'))
    rows = list(
        csv.DictReader(io.StringIO(call("log", *WEEK, "--csv", "--zone", "tomatoes").out, newline=""))
    )
    assert rows
    assert {row["name"] for row in rows} == {"'=HYPERLINK(1)"}


def test_days_and_zone_are_a_filter(call: Call) -> None:
    day = ("--since", "2026-07-13", "--until", "2026-07-13")
    view = json.loads(call("log", *day, "--zone", "Pepper pots", "--json").out)
    assert {row["zone"] for row in view["waterings"]} == {"pots"}
    assert {row["day"] for row in view["waterings"]} == {"2026-07-13"}


def test_without_days_it_is_the_last_week(call: Call) -> None:
    view = json.loads(call("log", "--json").out)
    assert (view["since"], view["until"]) == ("2026-07-11", "2026-07-17")


def test_only_since_goes_on_to_now(call: Call) -> None:
    view = json.loads(call("log", "--since", "yesterday", "--json").out)
    assert (view["since"], view["until"]) == ("2026-07-16", "2026-07-17")


def test_a_time_without_water_is_said(call: Call) -> None:
    said = call("log", "--since", "2026-01-01", "--until", "2026-01-02")
    assert said.code == 0
    assert said.out.startswith("Nothing was watered")


def test_an_empty_span_is_still_a_table(call: Call) -> None:
    said = call("log", "--since", "2026-01-01", "--until", "2026-01-02", "--csv")
    assert said.out == ",".join(COLUMNS) + "\r\n"


@pytest.mark.parametrize(("arguments", "words"), [
    (("--since", "13.7."), '"13.7." is no day; write it as 2026-07-14'),
    (("--until", "2026-02-30"), "is no day"),
    (("--since", "2026-07-14", "--until", "2026-07-13"), "--since 2026-07-14 is after --until 2026-07-13."),
    (("--zone", "tomatos"), 'There is no zone "tomatos"; did you mean "tomatoes"?'),
    (("--zone", "x\x1b[2J"), "There is no zone"),
    (("--csv", "--json"), "Either --csv or --json, not both."),
])  # fmt: skip
def test_wrong_days_and_zones_are_one_line_and_2(call: Call, arguments: tuple[str, ...], words: str) -> None:
    said = call("log", *arguments)
    assert said.code == 2
    assert words in said.complaint
    assert "\x1b" not in said.complaint


# why ------------------------------------------------------------------------------------------------


def test_why_for_people(call: Call) -> None:
    said = call("why", "salad", "2026-07-13")
    assert said.code == 0
    text = " ".join(said.out.split())
    assert text.startswith("Salad seedlings, Monday 13 July 2026 The dawn soak: ")
    places = [text.index(words) for words in ("Given:", "(ET0):", "(TAW):", "Pulses:", "The day's ledger:")]
    assert places == sorted(places)
    assert "The day's ledger:" in text


def test_why_for_programs(call: Call) -> None:
    view = json.loads(call("why", "salad", "2026-07-13", "--json").out)
    assert view["zone"] == "salad"
    assert [each["id"] for each in view["waterings"]] == ["2026-07-13-dawn-salad", "2026-07-13-dusk-salad"]
    assert {"ET0", "Kcb", "TAW", "RAW", "Dr", "pulses"} <= {
        each["name"] for each in view["waterings"][0]["figures"]
    }


def test_why_without_a_day_is_the_journals_last(call: Call) -> None:
    assert json.loads(call("why", "salad", "--json").out)["day"] == "2026-07-17"


def test_why_nothing(call: Call, tmp_path: Path) -> None:
    journal = Paper(tmp_path).plan(DAWN, a_soak("pots")).done()
    said = call("why", "salad", "2026-07-13", "--journal", str(journal))
    assert said.code == 0
    assert "Nothing was given to Salad seedlings on Monday 13 July." in " ".join(said.out.split())


def test_a_day_that_is_not_known_is_said(call: Call) -> None:
    said = call("why", "salad", "2025-01-01")
    assert said.code == 0
    assert "The journal has nothing about Salad seedlings" in said.out


@pytest.mark.parametrize(("arguments", "words"), [
    (("lettuce",), 'There is no zone "lettuce"; the zones are tomatoes, salad, zucchini, citrus, pots, herbs.'),
    (("salad", "tomorrow"), "is no day"),
])  # fmt: skip
def test_why_of_a_wrong_zone_or_day(call: Call, arguments: tuple[str, ...], words: str) -> None:
    said = call("why", *arguments)
    assert said.code == 2
    assert words in said.complaint


# jobs -----------------------------------------------------------------------------------------------


def test_the_jobs_for_people(call: Call) -> None:
    said = call("jobs")
    assert said.code == 0
    text = " ".join(said.out.split())
    assert "scorched leaves, dropped flowers" in text
    assert "done? seepward jobs done check-zones" in text
    assert text.endswith("Official heat warnings go first.")


def test_the_jobs_for_programs_are_by_urgency(call: Call) -> None:
    view = json.loads(call("jobs", "--json").out)
    due = [job["due"] for job in view["jobs"] if job["state"] == "open"]
    assert due == sorted(due)
    assert due
    assert "Official heat warnings" in view["caution"]


def test_done_jobs_stand_below(call: Call, week_journal: Path, tmp_path: Path) -> None:
    journal = tmp_path / "journal.sqlite"
    with sqlite3.connect(week_journal) as db:
        [body] = db.execute("SELECT body FROM garden").fetchone()
    db.close()
    changed = json.loads(body)
    changed["jobs_done"] = {"shade-off": "2026-07-17T06:00:00Z"}
    copyfile(week_journal, journal)
    with sqlite3.connect(journal) as db:
        db.execute("UPDATE garden SET body = ?", (json.dumps(changed),))
    db.close()
    listed = json.loads(call("jobs", "--json", "--journal", str(journal)).out)["jobs"]
    assert [job["id"] for job in listed][-1] == "shade-off"
    assert listed[-1]["done"] == "2026-07-17T07:00:00+01:00"
    assert listed[0]["done"] is None
    assert "Done Friday 07:00: Take the shade off" in call("jobs", "--journal", str(journal)).out


def test_jobs_takes_no_other_word(call: Call) -> None:
    said = call("jobs", "undo", "mulch")
    assert said.code == 2
    assert "undo" in said.complaint


def test_jobs_done_needs_an_id(call: Call) -> None:
    said = call("jobs", "done")
    assert said.code == 2
    assert said.complaint == "Which job? Give its id, as: seepward jobs done mulch"


# report ---------------------------------------------------------------------------------------------


def test_the_report_is_written(call: Call, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    said = call("report", "-o", str(file))
    assert said.code == 0
    assert said.out.startswith(f"Written: {file} (")
    assert file.read_text("utf-8").lstrip().startswith("<!doctype html>")
    assert [each.name for each in tmp_path.glob("page*")] == ["page.html"]


def test_the_report_for_programs_says_where(call: Call, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    view = json.loads(call("report", "-o", str(file), "--json").out)
    assert view == {"file": str(file), "bytes": file.stat().st_size}


def test_a_report_that_cannot_be_written_is_one_line(call: Call, tmp_path: Path) -> None:
    file = tmp_path / "none" / "page.html"
    said = call("report", "-o", str(file))
    assert said.code == 1
    assert said.complaint == f"{file}: cannot be written (no such file or directory)"


def test_a_journal_without_a_garden_still_makes_a_page(call: Call, tmp_path: Path) -> None:
    from controller.shells.journal import Journal

    Journal(tmp_path / "new.sqlite").close()
    assert (
        call("report", "-o", str(tmp_path / "page.html"), "--journal", str(tmp_path / "new.sqlite")).code == 0
    )
    said = call("plan", "--journal", str(tmp_path / "new.sqlite"))
    assert said.code == 1
    assert "nothing is written in it yet" in said.complaint


def test_days_are_read_as_people_write_them() -> None:
    from controller.commands.common import day_named
    from tests.report.weeks import demo_site

    assert day_named("2026-07-14", demo_site()) == date(2026, 7, 14)
    assert day_named("TODAY", demo_site()) > day_named("yesterday", demo_site())
