"""`seepward why ZONE [DAY]`: how a decision came about."""

import argparse

from controller.commands import common
from controller.commands.common import (
    day_named,
    journal_of,
    print_json,
    settings_of,
    wants_json,
    zone_named,
)
from controller.core.moment import local_date
from controller.report.explain import explain, explanation_view


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Why a zone got water on a day, or why it got none: in sentences, then the arithmetic from the "
        "weather (mm a day) over the soil (mm) to litres and minutes, each line with its rule and source."
    )
    parser.add_argument("zone", metavar="ZONE", help="id or name of the zone")
    parser.add_argument(
        "day", nargs="?", metavar="DAY", help="2026-07-14, today or yesterday; else the journal's last day"
    )


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    site = settings.build()
    zone = zone_named(site, arguments.zone)
    day = day_named(arguments.day, site) if arguments.day is not None else None
    with journal_of(arguments, settings) as reader:
        if day is None:
            last = reader.garden()
            day = local_date(last[1] if last is not None else common.utc_now(), site.timezone)
        told = explain(site, reader, zone, day)
    if wants_json(arguments):
        print_json(explanation_view(site, told))
        return 0
    from controller.report.text import console, show_why

    show_why(console(), told)
    return 0
