"""`seepward report -o FILE`: the garden as one page."""

import argparse
import os
from datetime import UTC
from pathlib import Path

from controller.commands import CommandError, common
from controller.commands.common import journal_of, print_json, settings_of, wants_json
from controller.core.moment import Now
from controller.core.step import fit_to_site, new_garden


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Write one HTML file that needs no network: what is going on, the jobs for your hands, and each "
        "zone's water (mm and litres) over the last two weeks, with the reason of its last watering."
    )
    parser.add_argument("-o", "--output", metavar="FILE", required=True, help="the file to write")


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    site = settings.build()
    from controller.report.page import render_page

    with journal_of(arguments, settings) as reader:
        last = reader.garden()
        as_of = last[1] if last is not None else common.utc_now()
        now = Now(0.0, as_of.astimezone(UTC))
        garden = fit_to_site(site, last[0], now) if last is not None else new_garden(site, now)
        page = render_page(site, garden, reader, now)
    path = Path(arguments.output)
    try:
        _write(path, page)
    except OSError as error:
        raise CommandError(f"{path}: cannot be written ({(error.strerror or str(error)).lower()})") from None
    if wants_json(arguments):
        print_json({"file": str(path), "bytes": len(page.encode())})
    else:
        print(f"Written: {path} ({len(page.encode()) / 1000:.0f} kB).")
    return 0


def _write(path: Path, page: str) -> None:
    """The new page in place of the old one in one step: a phone that syncs the file never gets half of it."""
    beside = path.with_name(f"{path.name}.new")
    beside.write_text(page, encoding="utf-8")
    os.replace(beside, path)
