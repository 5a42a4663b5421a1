"""`seepward release [ZONE]`: a hold ends."""

import argparse

from controller.commands.asking import ask, zone_wish
from controller.commands.common import settings_of


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "End the hold of a zone; without a zone, every hold. The plan is made anew at once: what is missing"
        " (mm) comes at the next dawn or dusk."
    )
    parser.add_argument(
        "zone", nargs="?", metavar="ZONE", help="id or name of the zone; none: the whole garden"
    )


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    return ask(arguments, settings, zone_wish("release", settings, arguments.zone))
