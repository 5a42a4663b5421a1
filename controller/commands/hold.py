"""`seepward hold [ZONE] [--until T]`: watering suspended on purpose."""

import argparse
from datetime import datetime, time, timedelta, tzinfo

from controller.commands import common
from controller.commands.asking import ask, zone_wish
from controller.commands.common import settings_of, wrong_use
from controller.settings.mistakes import shown


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Suspend watering of a zone, or of the whole garden. What is running is closed. In a hot spell a "
        "hold of one day can cost a bed 8 mm; give it an end."
    )
    parser.add_argument(
        "zone", nargs="?", metavar="ZONE", help="id or name of the zone; none: the whole garden"
    )
    parser.add_argument(
        "--until", metavar="T",
        help="when it ends, local time: 18:30 (the next), 2026-07-14 (its midnight), 2026-07-14T18:30; "
        "none: until released",
    )  # fmt: skip


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    wish = zone_wish("hold", settings, arguments.zone)
    if arguments.until is not None:
        wish["until"] = instant(arguments.until, settings.build().timezone, common.utc_now())
    return ask(arguments, settings, wish)


def instant(text: str, timezone: tzinfo, now: datetime) -> datetime:
    """A time as people write it, aware. Wrong use if it is none, or is past."""
    at = _clock_time(text, timezone, now) or _calendar_time(text, timezone)
    if at is None:
        raise wrong_use(f"--until: {shown(text)} is no time; write 18:30, 2026-07-14 or 2026-07-14T18:30.")
    if at <= now:
        raise wrong_use(f"--until: {at:%A %d %B %Y %H:%M} is past.")
    return at


def _clock_time(text: str, timezone: tzinfo, now: datetime) -> datetime | None:
    """A time of day: the next one that is to come."""
    try:
        wanted = time.fromisoformat(text)
    except ValueError:
        return None
    if wanted.tzinfo is not None or ":" not in text:
        return None
    today = now.astimezone(timezone).date()
    times = [datetime.combine(today + timedelta(days=n), wanted, timezone) for n in range(2)]
    return next(at for at in times if at > now)


def _calendar_time(text: str, timezone: tzinfo) -> datetime | None:
    """A day, or a day with a time; the garden's own zone unless it names an offset."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return at if at.tzinfo is not None else at.replace(tzinfo=timezone)
