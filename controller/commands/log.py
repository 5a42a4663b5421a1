"""`seepward log`: what was watered, by day and zone, with sums; for people, spreadsheets and programs."""

import argparse
import csv
import sys
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

from controller.commands import common
from controller.commands.common import (
    day_named,
    journal_of,
    print_json,
    settings_of,
    wants_json,
    wrong_use,
    zone_named,
)
from controller.core.moment import local_date
from controller.core.site import Site
from controller.report.given import Watered, total, watered
from controller.shells.journal import JournalReader

DAYS = 7
COLUMNS = (
    "day",
    "zone",
    "name",
    "purpose",
    "start",
    "end",
    "pulses",
    "minutes",
    "litres",
    "unsure_litres",
    "most_litres",
    "metered",
    "planned_litres",
    "short_litres",
    "rain_saved_litres",
    "ended",
)
FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""A cell that begins so would be run as a formula by a spreadsheet."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "What was watered: litres, minutes of open valve, how each watering ended, sums by zone. A watering"
        f" counts for the day it is meant for. Without days: the last {DAYS} that the journal knows of."
    )
    parser.add_argument("--since", metavar="D", help="first day: 2026-07-14, today or yesterday")
    parser.add_argument("--until", metavar="D", help="last day, included")
    parser.add_argument("--zone", metavar="ZONE", help="only this zone")
    parser.add_argument(
        "--csv", action="store_true", help="for a spreadsheet: one row a watering, litres and minutes"
    )


def run(arguments: argparse.Namespace) -> int:
    if arguments.csv and wants_json(arguments):
        raise wrong_use("Either --csv or --json, not both.")
    settings = settings_of(arguments)
    site = settings.build()
    zone = zone_named(site, arguments.zone).id if arguments.zone is not None else None
    with journal_of(arguments, settings) as reader:
        since, until = _span(arguments, site, reader)
        rows = watered(reader, site, since, until, zone)
    if arguments.csv:
        _write_csv(site, rows)
    elif wants_json(arguments):
        print_json(_view(site, rows, since, until))
    else:
        from controller.report.text import console, show_log

        show_log(console(), site, rows, since, until)
    return 0


def _span(arguments: argparse.Namespace, site: Site, reader: JournalReader) -> tuple[date, date]:
    """First and last day asked for, else the last days up to the journal's last word."""
    last = reader.garden()
    newest = local_date(last[1] if last is not None else common.utc_now(), site.timezone)
    until = day_named(arguments.until, site) if arguments.until is not None else None
    since = day_named(arguments.since, site) if arguments.since is not None else None
    until = until or (max(newest, since) if since is not None else newest)
    since = since or until - timedelta(days=DAYS - 1)
    if since > until:
        raise wrong_use(f"--since {since} is after --until {until}.")
    return since, until


def _view(site: Site, rows: Sequence[Watered], since: date, until: date) -> dict[str, Any]:
    zones = dict.fromkeys(row.zone for row in rows)
    return {
        "since": since,
        "until": until,
        "waterings": [_record(site, row) for row in rows],
        "zones": {zone: _sums([row for row in rows if row.zone == zone]) for zone in zones},
        "site": _sums(rows),
    }


def _sums(rows: Sequence[Watered]) -> dict[str, Any]:
    sums = total(rows)
    return {
        "waterings": sums.waterings,
        "litres": sums.litres,
        "minutes": sums.minutes,
        "rain_saved_litres": sums.rain_litres,
        "most_litres": sums.most_litres,
        "metered": sums.metered,
    }


def _record(site: Site, row: Watered) -> dict[str, Any]:
    known = row.planned_litres is not None
    return {
        "day": row.day,
        "zone": row.zone,
        "name": next((zone.name for zone in site.zones if zone.id == row.zone), row.zone),
        "purpose": row.purpose,
        "start": _local(site, row.start),
        "end": _local(site, row.end),
        "pulses": row.pulses,
        "minutes": round(row.minutes, 2),
        "litres": round(row.litres, 2),
        "unsure_litres": round(row.unsure_litres, 2),
        "most_litres": round(row.most_litres, 2),
        "metered": row.metered,
        "planned_litres": round(row.planned_litres or 0.0, 2) if known else None,
        "short_litres": round(row.short_litres, 2) if known else None,
        "rain_saved_litres": round(row.rain_litres, 2),
        "ended": row.ended,
    }


def _write_csv(site: Site, rows: Sequence[Watered]) -> None:
    writer = csv.DictWriter(sys.stdout, COLUMNS, lineterminator="\r\n")  # RFC 4180
    writer.writeheader()
    for row in rows:
        writer.writerow({name: _cell(value) for name, value in _record(site, row).items()})


def _cell(value: object) -> object:
    """Text that a spreadsheet would run is quoted by an apostrophe; numbers are never text."""
    if isinstance(value, str) and value.startswith(FORMULA):
        return f"'{value}"
    return "" if value is None else value


def _local(site: Site, at: datetime | None) -> str | None:
    return at.astimezone(site.timezone).isoformat(timespec="seconds") if at is not None else None
