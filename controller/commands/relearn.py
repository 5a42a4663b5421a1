"""`seepward relearn [ZONE]`: what was learnt of a bed, or of the whole site, is forgotten."""

import argparse

from controller.commands.asking import ask, zone_wish
from controller.commands.common import settings_of


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Forget what a bed has taught: how many mm it draws and holds beside the tables, and how far its probes read "
        "beside the truth (m3/m3). For a bed whose soil was dug over or mulched anew, or whose probe was moved or "
        "replaced. Its water now stays known; the learning begins anew. Without a zone every bed forgets, and so does "
        "the site by how many °C its thermometer differs from the forecast."
    )
    parser.add_argument("zone", nargs="?", metavar="ZONE", help="id or name of the zone; none: every zone and the site")


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    return ask(arguments, settings, zone_wish("relearn", settings, arguments.zone))
