"""`seepward plan`: the coming waterings, from the garden as the journal remembers it; as a table and a
drawing, or as a calendar file.
"""

import argparse
from collections.abc import Mapping
from typing import Any

from controller.commands.common import (
    age,
    give_calendar,
    journal_of,
    print_json,
    remembered,
    settings_of,
    wants_json,
    wrong_use,
)
from controller.core.site import Site
from controller.report.explain import count
from controller.report.views import plan_view


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "The waterings of the coming days: local time, zone, what for, litres, pulses in minutes with the "
        "rests between them, and why; on a terminal also drawn, as wide as it is. Read from the journal; the "
        "daemon may run on meanwhile."
    )
    parser.add_argument("--no-timeline", action="store_true", help="the table without the drawing")
    parser.add_argument(
        "--ics", metavar="FILE",
        help="write an iCalendar file instead, one event for each watering; - is standard output",
    )  # fmt: skip


def run(arguments: argparse.Namespace) -> int:
    if arguments.ics == "-" and wants_json(arguments):
        raise wrong_use("Either --ics - or --json, not both.")
    settings = settings_of(arguments)
    site = settings.build()
    with journal_of(arguments, settings) as reader:
        garden, as_of = remembered(reader, site)
    view = plan_view(site, garden)
    if arguments.ics is not None:
        from controller.report.calendar import plan_calendar

        waterings = count(len(view["waterings"]), "watering")
        give_calendar(arguments, plan_calendar(site, view), waterings, age(as_of, site))
    elif wants_json(arguments):
        print_json(view)
    else:
        _show(site, view, age(as_of, site), drawn=not arguments.no_timeline)
    return 0


def _show(site: Site, view: Mapping[str, Any], aged: str, drawn: bool) -> None:
    """The table, and the drawing below it where the prompt is, unless the reader is a file or a pipe."""
    from controller.report.text import console, show_plan
    from controller.report.timeline import show_timeline

    out = console()
    show_plan(out, site, view, aged)
    if drawn and out.is_terminal and view["waterings"]:
        out.print()
        show_timeline(out, site, view)
