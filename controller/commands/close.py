"""`seepward close`: every valve closed. Imports the closer and nothing else of ours, since it is what is left
when nothing else works: a config that is wrong elsewhere still tells the pins."""

import argparse
import json
import os
import sys
import tomllib
from dataclasses import asdict

from controller.guard.closing import close_everything

CONFIG, RUNTIME_DIR = "/etc/seepward/garden.toml", "/run/seepward"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Close every valve: ask the guard; if it hangs, end it and its daemon, and put the pins to rest. "
        "Waits 2 s for the guard and 5 s for a hung one to go. It is no emergency stop for a pump: pull the"
        " plug for that."
    )


def run(arguments: argparse.Namespace) -> int:
    config = getattr(arguments, "config", None) or os.environ.get("SEEPWARD_CONFIG") or CONFIG
    report = close_everything(_runtime_dir(config), config)
    if getattr(arguments, "json", False):
        print(json.dumps(asdict(report)))
    else:
        print(report.said, file=sys.stdout if report.ok else sys.stderr)
    return 0 if report.ok else 1


def _runtime_dir(config: str) -> str:
    """Where the guard has its socket, if the config can be read that far."""
    try:
        with open(config, "rb") as file:
            named = tomllib.load(file)["guard"]["runtime_dir"]
    except (OSError, ValueError, KeyError, TypeError):
        return RUNTIME_DIR  # the usual place; the closer itself says what it could not read
    return named if isinstance(named, str) and named else RUNTIME_DIR
