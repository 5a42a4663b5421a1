"""`seepward away --until T`: nobody tends the garden until then; `seepward away --back` ends it."""

import argparse

from controller.commands import common
from controller.commands.asking import ask
from controller.commands.common import settings_of, wrong_use
from controller.commands.hold import instant


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Say that nobody tends the garden. Watering goes on as ever; what hands would have to do is taken for undone. "
        "Messages ask for no jobs: they tell what goes wrong, and every three days that all is well (litres)."
    )
    parser.add_argument(
        "--until", metavar="T", help="when somebody is back, local time: 2026-07-31 (its midnight), 2026-07-31T18:30"
    )
    parser.add_argument("--back", action="store_true", help="somebody is back")


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    if arguments.back == (arguments.until is not None):
        raise wrong_use("Say until when, as: seepward away --until 2026-07-31; or that you are back: --back")
    if arguments.back:
        return ask(arguments, settings, {"do": "back"})
    until = instant(arguments.until, settings.build().timezone, common.utc_now())
    return ask(arguments, settings, {"do": "away", "until": until})
