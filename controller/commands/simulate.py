"""`seepward simulate`: the same decisions on a virtual clock, in a garden with a physics of its own."""

import argparse
import json
import logging
from datetime import date
from pathlib import Path

from controller.commands import CommandError
from controller.commands.common import settings_of, wrong_use


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Dates, seed, faults and garden."""
    parser.description = (
        "Lives through the days with the real core, guard rules and journal on a virtual clock. Depths in mm, water in "
        "litres, open time in minutes. Exit 1 if anything that must hold was broken."
    )
    parser.add_argument("--from", dest="first", required=True, metavar="D", help="first day, as 2026-07-01")
    parser.add_argument("--to", dest="last", required=True, metavar="D", help="last day, included")
    parser.add_argument("--seed", type=int, default=1, help="the same seed gives the same history (1)")
    parser.add_argument(
        "--faults",
        default="none",
        metavar="none|default|FILE",
        help="default: drawn by the seed, of every kind; or a list in a TOML or JSON file",
    )
    parser.add_argument("--garden", metavar="module:Class", help="another garden than the built-in one")
    parser.add_argument(
        "--hands",
        default="",
        metavar="shade,mulch,pots",
        help="the jobs that a gardener does when asked; without it nobody does any",
    )
    parser.add_argument(
        "--json",
        nargs="?",
        const="-",
        default=argparse.SUPPRESS,
        metavar="OUT",
        help="the result as JSON, to a file if one is named",
    )


def run(arguments: argparse.Namespace) -> int:
    """Simulate, and print what came of it."""
    from controller.sim.faults import FaultError, load_faults
    from controller.sim.run import SimulationError, simulate

    settings = settings_of(arguments)
    logging.getLogger("controller").setLevel(logging.CRITICAL)  # its world says what matters
    journal = getattr(arguments, "journal", None) or ":memory:"
    try:
        result = simulate(
            settings,
            _day(arguments.first, "--from"),
            _day(arguments.last, "--to"),
            seed=arguments.seed,
            garden=arguments.garden,
            journal=journal,
            faults=arguments.faults if arguments.faults in ("none", "default") else load_faults(Path(arguments.faults)),
            hands=[group.strip() for group in arguments.hands.split(",") if group.strip()],
        )
    except (SimulationError, FaultError) as error:
        raise wrong_use(str(error)) from None
    out = getattr(arguments, "json", None)
    if isinstance(out, str) and out != "-":
        try:
            Path(out).write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
        except OSError as error:
            raise CommandError(f"{out}: cannot be written ({error.strerror})") from None
    if out in ("-", True):
        print(json.dumps(result, indent=1))
    else:
        from controller.report.simulated import show_simulation
        from controller.report.text import console

        show_simulation(console(), result)
    return 1 if result["violations"] else 0


def _day(text: str, option: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise wrong_use(f'{option}: "{text}" is no day; write it as 2026-07-01') from None
