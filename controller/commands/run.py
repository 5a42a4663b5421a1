"""`seepward run`: the daemon."""

import argparse
import logging
import os
import sys

from controller.commands import CommandError

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
    """Work until told to stop; on SIGHUP the config is read anew."""
    from controller.commands.common import config_path, journal_path, settings_of
    from controller.daemon import CannotStartError
    from controller.service import serve
    from controller.settings import ConfigError, load

    handler = logging.StreamHandler(sys.stdout)
    handler.setFormatter(_Lines("JOURNAL_STREAM" in os.environ))
    logging.basicConfig(level=logging.INFO, handlers=[handler])
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    settings = settings_of(arguments)
    try:
        return serve(settings, journal_path(arguments, settings), lambda: load(config_path(arguments)))
    except CannotStartError as error:
        raise CommandError(str(error)) from None
    except ConfigError as error:
        raise CommandError(*error.lines, code=2) from None
