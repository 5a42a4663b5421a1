"""`seepward stop [ZONE]`: the watering that is going on ends."""

import argparse

from controller.commands.asking import ask, zone_wish
from controller.commands.common import settings_of


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "End the watering of a zone, or of all, and do not try it again in this dawn or dusk. What was "
        "given is kept in litres; the next watering makes up for the rest. Needs the daemon; without it "
        "use: seepward close."
    )
    parser.add_argument(
        "zone", nargs="?", metavar="ZONE", help="id or name of the zone; none: the whole garden"
    )


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    return ask(arguments, settings, zone_wish("stop", settings, arguments.zone))
