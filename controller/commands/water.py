"""`seepward water ZONE`: a watering by hand, still under the guard."""

import argparse
import math

from controller.commands.asking import ask, zone_wish
from controller.commands.common import settings_of


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
    settings = settings_of(arguments)
    amounts = {name: getattr(arguments, name) for name in ("litres", "minutes", "mm")}
    wish = zone_wish("water", settings, arguments.zone) | {k: v for k, v in amounts.items() if v is not None}
    return ask(arguments, settings, wish)


def _amount(text: str) -> float:
    try:
        amount = float(text)
    except ValueError:
        amount = math.nan
    if not 0.0 < amount < math.inf:
        raise argparse.ArgumentTypeError(f"give a number over 0, not {text!a}")
    return amount
