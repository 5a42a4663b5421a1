"""`seepward plan`: the coming waterings, from the garden as the journal remembers it."""

import argparse

from controller.commands.common import age, journal_of, print_json, remembered, settings_of, wants_json
from controller.report.views import plan_view


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "The waterings of the coming days: local time, zone, what for, litres, pulses in minutes with the "
        "rests between them, and why. Read from the journal; the daemon may run on meanwhile."
    )


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    site = settings.build()
    with journal_of(arguments, settings) as reader:
        garden, as_of = remembered(reader, site)
    view = plan_view(site, garden)
    if wants_json(arguments):
        print_json(view)
        return 0
    from controller.report.text import console, show_plan

    show_plan(console(), site, view, age(as_of, site))
    return 0
