"""`seepward run`: the daemon."""

import argparse
import logging
import os
import sys

PRIORITY = {logging.ERROR: "<3>", logging.WARNING: "<4>", logging.INFO: "<6>", logging.DEBUG: "<7>"}


class _Lines(logging.Formatter):
    """One line a message. Under systemd each begins with its priority (sd-daemon(3)) and has no time of its own."""

    def __init__(self, under_systemd: bool) -> None:
        super().__init__("%(message)s" if under_systemd else "%(asctime)s %(message)s", "%Y-%m-%d %H:%M:%S")
        self._under_systemd = under_systemd

    def format(self, record: logging.LogRecord) -> str:
        line = super().format(record)
        return PRIORITY.get(record.levelno, "<6>") + line if self._under_systemd else line


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Nothing of its own: everything is in the config."""


def run(arguments: argparse.Namespace) -> int:
    """Work until told to stop."""
    from controller.commands.common import settings_of
    from controller.daemon import Daemon

    handler = logging.StreamHandler(sys.stdout)
    handler.setFormatter(_Lines("JOURNAL_STREAM" in os.environ))
    logging.basicConfig(level=logging.INFO, handlers=[handler])
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    return Daemon(settings_of(arguments)).run()
