"""What commands share: the config and the journal they were pointed at, the clock, days and zones as people
write them.

One rule for all that read the journal: they show the garden as of the journal's last word, and say how old
that is. A journal of last summer, or a simulated one, is then read as well as that of the living daemon.
"""

import argparse
import json
import os
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from controller.commands import CommandError
from controller.core.garden import Garden
from controller.core.moment import Now, local_date
from controller.core.site import Site, Zone
from controller.core.step import fit_to_site
from controller.settings import ConfigError, Settings, load
from controller.settings.mistakes import did_you_mean, shown
from controller.shells.journal import JournalError, JournalReader, reading

DEFAULT_CONFIG = "/etc/seepward/garden.toml"
OLD = timedelta(minutes=30)
"""A living daemon writes every ten minutes; a last word older than this is remarked on."""


def utc_now() -> datetime:
    """The time, from the system."""
    return datetime.now(UTC)


def wrong_use(said: str) -> CommandError:
    """The command line itself is at fault."""
    return CommandError(said, code=2)


def config_path(arguments: argparse.Namespace) -> str:
    """The config that was pointed at: --config, else the environment, else the usual place."""
    given = getattr(arguments, "config", None) or os.environ.get("SEEPWARD_CONFIG")
    return given or DEFAULT_CONFIG


def settings_of(arguments: argparse.Namespace) -> Settings:
    """The config, read and checked. CommandError with one line for each mistake."""
    try:
        return load(config_path(arguments))
    except ConfigError as error:
        raise CommandError(*error.lines, code=2) from None


def journal_path(arguments: argparse.Namespace, settings: Settings) -> Path:
    """The journal that was pointed at, else the config's."""
    return Path(getattr(arguments, "journal", None) or settings.journal.path)


def wants_json(arguments: argparse.Namespace) -> bool:
    """Whether a program reads the output."""
    return bool(getattr(arguments, "json", False))


@contextmanager
def journal_of(arguments: argparse.Namespace, settings: Settings) -> Iterator[JournalReader]:
    """The journal, open for reading. CommandError if it cannot be read."""
    path = journal_path(arguments, settings)
    try:
        with reading(path) as reader:
            yield reader
    except JournalError as error:
        raise CommandError(str(error)) from None
    except sqlite3.Error as error:
        raise CommandError(f"{path}: cannot be read as a journal ({error})") from None


def remembered(reader: JournalReader, site: Site) -> tuple[Garden, datetime]:
    """The last committed garden, fitted to today's config, and its time; CommandError if there is none."""
    last = reader.garden()
    if last is None:
        raise CommandError(f"{reader.path}: nothing is written in it yet; has the daemon run?")
    garden, as_of = last
    return fit_to_site(site, garden, Now(0.0, as_of)), as_of


def age(as_of: datetime, site: Site) -> str:
    """How old the journal's last word is, in a sentence; "" if it is fresh."""
    passed = utc_now() - as_of
    if abs(passed) <= OLD:
        return ""
    at = as_of.astimezone(site.timezone)
    when = f"As of {at:%A} {at.day} {at:%B %Y, %H:%M}"
    if passed < timedelta(0):
        return f"{when}, which is still to come: a simulated journal?"
    hours = passed.total_seconds() / 3600.0
    ago = f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"
    return f"{when}, the journal's last word, {ago if hours >= 1 else '1 h'} ago. Is the daemon running?"


def zone_named(site: Site, zone_id: str) -> Zone:
    """The zone of that id, or of that name in any case; wrong use if there is none."""
    by_id = {zone.id: zone for zone in site.zones}
    by_name = {zone.name.casefold(): zone for zone in site.zones}
    found = by_id.get(zone_id) or by_name.get(zone_id.casefold())
    if found is None:
        hint = did_you_mean(zone_id, by_id) or f"the zones are {', '.join(by_id)}."
        raise wrong_use(f"There is no zone {shown(zone_id)}; {hint}")
    return found


def day_named(text: str, site: Site) -> date:
    """A civil day: 2026-07-14, today or yesterday. Wrong use for anything else."""
    today = local_date(utc_now(), site.timezone)
    words = {"today": today, "yesterday": today - timedelta(days=1)}
    try:
        return words.get(text.lower()) or date.fromisoformat(text)
    except ValueError:
        raise wrong_use(
            f"{shown(text)} is no day; write it as 2026-07-14, or say today or yesterday."
        ) from None


def give_calendar(arguments: argparse.Namespace, calendar: bytes, holds: str, aged: str) -> None:
    """A calendar, to standard output alone or into the file of --ics; of that it is said what is in it."""
    if arguments.ics == "-":
        sys.stdout.flush()
        sys.stdout.buffer.write(calendar)
        return
    path = Path(arguments.ics)
    try:
        _write(path, calendar)
    except OSError as error:
        raise CommandError(f"{path}: cannot be written ({(error.strerror or str(error)).lower()})") from None
    if wants_json(arguments):
        amount, _, thing = holds.partition(" ")
        print_json({"file": str(path), "bytes": len(calendar), f"{thing.rstrip('s')}s": int(amount)})
    else:
        print(f"Written: {path} ({holds}).", *filter(None, [aged]), sep="\n")


def _write(path: Path, content: bytes) -> None:
    """The new file in place of the old one in one step: who subscribes to it never gets half."""
    beside = path.with_name(f"{path.name}.new")
    beside.write_bytes(content)
    os.replace(beside, path)


def print_json(value: Any) -> None:
    """One JSON document, for programs. Dates and instants as text; no NaN."""
    print(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False, default=_plain))


def _plain(value: object) -> str:
    if isinstance(value, date | datetime):
        return value.isoformat()
    raise TypeError(f"cannot be printed as JSON: {type(value).__name__}")
