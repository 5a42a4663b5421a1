"""`seepward water ZONE`: a watering by hand, still under the guard."""

import argparse
import math

from controller.commands.asking import ask, zone_wish
from controller.commands.common import settings_of, wrong_use


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Water a zone now, or in its next allowed hour, in pulses that its ground takes in. Without an "
        "amount it gets what its root zone is missing. The guard's limits hold."
    )
    parser.add_argument("zone", metavar="ZONE", help="id or name of the zone")
    amount = parser.add_mutually_exclusive_group()
    amount.add_argument("--litres", type=_amount, metavar="N", help="so many litres for the zone")
    amount.add_argument("--minutes", type=_amount, metavar="N", help="so many minutes of open valve")
    amount.add_argument("--mm", type=_amount, metavar="N", help="so many mm of depth (1 mm on 1 m2 is 1 L)")


def run(arguments: argparse.Namespace) -> int:
    from controller.messages import MOST_ASKED

    settings = settings_of(arguments)
    asked = {name: getattr(arguments, name) for name in MOST_ASKED if getattr(arguments, name) is not None}
    for name, amount in asked.items():
        if amount > MOST_ASKED[name]:
            raise wrong_use(f"--{name}: {amount:g} is too much for one watering; give {MOST_ASKED[name]} at most.")
    return ask(arguments, settings, zone_wish("water", settings, arguments.zone) | asked)


def _amount(text: str) -> float:
    try:
        amount = float(text)
    except ValueError:
        amount = math.nan
    if not 0.0 < amount < math.inf:
        raise argparse.ArgumentTypeError(f"give a number over 0, not {text!a}")
    return amount
