"""Plans, logs, reasons and jobs on a terminal, from a phone's 40 columns to a desk's 120.

Wide terminals get a table, narrow ones a few short lines each. Nothing printed is read as markup, and control
characters of names or messages do not reach the terminal.
"""

import sys
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from itertools import groupby, pairwise
from typing import IO, Any, Literal

from rich.console import Console
from rich.table import Table
from rich.text import Text

from controller.core.site import Site
from controller.report.explain import Decision, Explanation, Step, count, glued, in_short, purpose_and_why
from controller.report.given import Watered, total
from controller.words import Words

WIDE = 100
GLUE = "\ue000"
"""Stands for a blank while a text is wrapped: of a private area, printable nowhere, one cell wide."""
Line = tuple[str, str]
"""Text and style."""


def console(file: IO[str] | None = None) -> Console:
    """The terminal, or a file; never markup, never colour where nobody sees it."""
    return Console(file=file or sys.stdout, highlight=False, markup=False, emoji=False)


def plain(text: str) -> str:
    """A text without anything that would move the cursor or ring the bell."""
    return "".join(each if each.isprintable() else " " for each in text)


def words(text: str, style: str = "") -> Text:
    """A piece of text as it is."""
    return Text(plain(text), style=style)


def say(out: Console, text: str, style: str = "", indent: int = 0) -> None:
    """A paragraph, wrapped at words."""
    for line in Text(glued(plain(text), GLUE)).wrap(out, max(10, out.width - indent)):
        line.rstrip()
        out.print(words(" " * indent + line.plain.replace(GLUE, " "), style))


def day_name(day: date) -> str:
    """A day with its year: `Friday 17 July 2026`."""
    return f"{day:%A} {day.day} {day:%B %Y}"


def minutes(seconds: float) -> str:
    """A length in whole minutes."""
    return f"{seconds / 60.0:.0f} min"


# The plan -----------------------------------------------------------------------------------------


def show_plan(out: Console, site: Site, view: Mapping[str, Any], age: str) -> None:
    """The coming waterings by day, with remarks."""
    made = datetime.fromisoformat(view["made"])
    say(out, age, "yellow") if age else say(out, f"Planned {made:%A %H:%M}.", "dim")
    if not view["waterings"]:
        say(out, f"No watering is {'planned' if view['remarks'] else 'needed'} in the days ahead.")
    for day, waterings in groupby(view["waterings"], key=lambda each: _day(each["start"])):
        out.print()
        say(out, day_name(day), "bold")
        rows = list(waterings)
        out.print(_plan_table(site, rows)) if out.width >= WIDE else _plan_lines(out, site, rows)
    for remark in view["remarks"]:
        out.print()
        say(out, remark, "yellow")


def _plan_table(site: Site, rows: Sequence[Mapping[str, Any]]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("time", "zone", "for", "litres", "pulses", "rests", "why"):
        justify: Literal["left", "right"] = "right" if heading == "litres" else "left"
        table.add_column(heading, justify=justify, no_wrap=heading in ("time", "pulses", "rests"))
    for each in rows:
        cells = [
            _span(each),
            _name(site, each["zone"]),
            each["purpose"],
            f"{each['litres']:.0f}",
            _pulses(each),
            _rest(each),
            in_short(each["purpose"], each["reasons"]),
        ]
        table.add_row(*map(words, cells))
    return table


def _plan_lines(out: Console, site: Site, rows: Sequence[Mapping[str, Any]]) -> None:
    """A reason that several waterings in a row share stands once, above them."""
    for why, alike in groupby(rows, key=purpose_and_why):
        say(out, why, "dim")
        for each in alike:
            say(out, f"{_span(each)}  {_name(site, each['zone'])}, {each['litres']:.0f} L", "", 2)
            rest = f", rest {_rest(each)}" if len(each["pulses"]) > 1 else ""
            say(out, f"{_pulses(each)}{rest}", "dim", 4)


def _pulses(each: Mapping[str, Any]) -> str:
    """`4 x 22 min`; of unlike pulses all lengths."""
    lengths = [minutes(pulse["seconds"]) for pulse in each["pulses"]]
    return f"{len(lengths)} × {lengths[0]}" if len(set(lengths)) == 1 else ", ".join(lengths)


def _rest(each: Mapping[str, Any]) -> str:
    """Shortest and longest pause between two pulses."""
    ends = [(datetime.fromisoformat(p["start"]), p["seconds"]) for p in each["pulses"]]
    gaps = [
        ((after - before).total_seconds() - length_s) / 60.0
        for (before, length_s), (after, _) in pairwise(ends)
    ]
    if not gaps:
        return "none"
    least, most = f"{min(gaps):.0f}", f"{max(gaps):.0f}"
    return f"{least} min" if least == most else f"{least} to {most} min"


def _span(each: Mapping[str, Any]) -> str:
    start, end = (datetime.fromisoformat(each[key]) for key in ("start", "end"))
    return f"{start:%H:%M}–{end:%H:%M}"


# The log ------------------------------------------------------------------------------------------


def show_log(out: Console, site: Site, rows: Sequence[Watered], since: date, until: date) -> None:
    """The waterings by day, and sums by zone."""
    if not rows:
        say(out, f"Nothing was watered from {day_name(since)} to {day_name(until)}.")
        return
    for day, of_day in groupby(rows, key=lambda row: row.day):
        listed = list(of_day)
        say(out, f"{day_name(day)}, {total(listed).litres:.0f} L", "bold")
        out.print(_log_table(site, listed)) if out.width >= WIDE else _log_lines(out, site, listed)
        out.print()
    _show_totals(out, site, rows)


def _log_table(site: Site, rows: Iterable[Watered]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("time", "zone", "for", "litres", "minutes", "pulses", "ended"):
        right = heading in ("litres", "minutes", "pulses")
        table.add_column(heading, justify="right" if right else "left", no_wrap=heading == "time")
    for row in rows:
        cells = [
            when(site, row),
            _name(site, row.zone),
            row.purpose,
            _litres(row),
            f"{row.minutes:.0f}",
            str(row.pulses),
            _ended(row),
        ]
        table.add_row(*map(words, cells), style="" if row.whole else "yellow")
    return table


def _log_lines(out: Console, site: Site, rows: Iterable[Watered]) -> None:
    for row in rows:
        say(out, f"{when(site, row)}  {_name(site, row.zone)}, {_litres(row)} L")
        detail = f"{row.purpose}, {count(row.pulses, 'pulse')}, {row.minutes:.0f} min: {_ended(row)}"
        say(out, detail, "dim" if row.whole else "yellow", 2)


def _ended(row: Watered) -> str:
    short = (
        f" ({row.short_litres:.0f} L less than planned)" if not row.whole and row.short_litres >= 1.0 else ""
    )
    return f"{row.ended}{short}"


def _litres(row: Watered) -> str:
    unsure = f" ±{row.unsure_litres:.0f}" if row.unsure_litres >= 0.5 else ""
    return f"{row.litres:.0f}{unsure}"


def _show_totals(out: Console, site: Site, rows: Sequence[Watered]) -> None:
    say(out, "In all", "bold")
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("zone", "waterings", "litres", "minutes"):
        table.add_column(heading, justify="left" if heading == "zone" else "right")
    zones = list(dict.fromkeys([*(zone.id for zone in site.zones), *(row.zone for row in rows)]))
    for zone in zones:
        mine = total(row for row in rows if row.zone == zone)
        if mine.waterings:
            table.add_row(words(_name(site, zone)), *_sums(mine.waterings, mine.litres, mine.minutes))
    whole = total(rows)
    table.add_row(words("the garden"), *_sums(whole.waterings, whole.litres, whole.minutes), style="bold")
    out.print(table)
    if whole.rain_litres >= 1.0:
        say(out, f"Rain saved {whole.rain_litres:.0f} L of it.")
    if whole.bound:
        say(out, whole.bound, "dim")


def _sums(waterings: int, litres: float, open_min: float) -> tuple[str, str, str]:
    return str(waterings), f"{litres:.0f}", f"{open_min:.0f}"


# Why ----------------------------------------------------------------------------------------------


def show_why(out: Console, told: Explanation) -> None:
    """Sentences for the gardener, then the arithmetic."""
    say(out, f"{told.zone.name}, {day_name(told.day)}", "bold")
    for decision in told.decisions:
        out.print()
        _show_decision(out, decision)
    if told.sentences:
        out.print()
    for sentence in told.sentences:
        say(out, sentence)
    _show_steps(out, told.steps)


def _show_decision(out: Console, decision: Decision) -> None:
    say(out, decision.title, "bold")
    for sentence in decision.sentences:
        say(out, sentence)
    _show_steps(out, decision.steps)


def _show_steps(out: Console, steps: Sequence[Step]) -> None:
    """Each with its plain words and the sum, then the rule."""
    for part, of_part in groupby((step for step in steps if step.matters), key=lambda step: step.part):
        out.print()
        say(out, part, "italic", 2)
        for step in of_part:
            worked = f" = {step.worked}" if step.worked else ""
            say(out, f"{step.heading}: {step.shown}{worked}", "", 4)
            if step.how not in step.heading.lower():
                say(out, step.how, "dim", 6)


# Jobs ---------------------------------------------------------------------------------------------


def show_jobs(out: Console, jobs: Sequence[Mapping[str, Any]], age: str, words: Words, caution: bool) -> None:
    """What is open, the most pressing first; what is done, left out or too late, below."""
    if age:
        say(out, age, "yellow")
    undone = [job for job in jobs if job["state"] == "open"]
    if not undone:
        say(out, words.text("jobs.none-listed"))
    for job in undone:
        say(out, f"{job['when'][:1].upper()}{job['when'][1:]}: {job['what']}", "bold")
        takes = f" ({words.takes(job['minutes'])})" if job["minutes"] else ""
        say(out, f"{job['why']}{takes}", "", 2)
        if job["minutes"]:  # what is only to be kept to, nobody reports done
            say(out, words.text("jobs.how", text=job["id"]), "dim", 2)
    for job in jobs:
        if job["state"] == "done":
            at = datetime.fromisoformat(job["done"])
            say(out, words.text("jobs.done", day=at.date(), at=at, what=job["what"]), "dim")
        elif job["state"] != "open":
            say(out, words.text(f"jobs.{job['state']}", what=job["what"]), "dim")
    if caution:
        out.print()
        say(out, words.text("caution"), "italic")


# Small pieces -------------------------------------------------------------------------------------


def when(site: Site, row: Watered) -> str:
    """From when to when, local."""
    start = row.start.astimezone(site.timezone)
    end = row.end.astimezone(site.timezone) if row.end is not None else None
    if row.refused:
        return f"{start:%H:%M}"
    if end is None:
        return f"{start:%H:%M}–now"
    return f"{start:%H:%M}–{end:%H:%M}"


def _name(site: Site, zone_id: str) -> str:
    return next((zone.name for zone in site.zones if zone.id == zone_id), zone_id)


def _day(start: str) -> date:
    return datetime.fromisoformat(start).date()
