"""`seepward check`: is the config good, what was understood of it; with --live, does the world answer."""

import argparse
import importlib.util
import os
import queue
import sqlite3
import time
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller.agronomy.infiltration import longest_on_min
from controller.commands import CommandError
from controller.commands.common import journal_path, print_json, settings_of, wants_json
from controller.core.site import Zone
from controller.settings import Settings

BROKER_WITHIN_S = 8.0
PERSIST = Path("/sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs")
"""Kernel parameter of the Pi: Y means that a pin nobody owns any more keeps driving its last level (from
memory).
"""


@dataclass(frozen=True, slots=True)
class Found:
    """One thing that was tried. said: how it is, and what to do if it is not well."""

    part: str
    ok: bool
    said: str


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Check the config and show what was understood: for each zone its flow (L/min), the rate on the "
        "ground it wets (mm/h), the longest pulse that the ground takes in (min), and the litres of 1 mm. "
        "Opens no valve."
    )
    parser.add_argument(
        "--live", action="store_true", help="also try broker, forecast, journal and pins; takes up to 40 s"
    )


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    zones = [_zone_view(zone) for zone in settings.build().zones]
    found = live(arguments, settings) if arguments.live else []
    if wants_json(arguments):
        tried = [{"part": each.part, "ok": each.ok, "said": each.said} for each in found]
        print_json({"ok": True, "warnings": settings.warnings(), "zones": zones, "live": tried})
    else:
        _show(settings, zones, found)
    return 0 if all(each.ok for each in found) else 1


def live(arguments: argparse.Namespace, settings: Settings) -> list[Found]:
    """Everything around us, tried once."""
    return [
        _broker(settings), _forecast(settings), _journal(journal_path(arguments, settings)), *_pins(settings),
    ]  # fmt: skip


def _zone_view(zone: Zone) -> dict[str, Any]:
    """What was understood of a zone. The longest pulse is None where the ground takes in whatever the line
    brings.
    """
    store_mm = zone.soil.surface_store_mm(zone.slope_percent)
    by_ground_min = longest_on_min(zone.line.rate_mm_h, zone.soil.intake_mm_h, store_mm)
    endless = by_ground_min == float("inf")
    return {
        "id": zone.id,
        "name": zone.name,
        "area_m2": round(zone.area_m2, 2),
        "flow_l_min": round(zone.line.flow_l_min, 2),
        "rate_mm_h": round(zone.line.rate_mm_h, 1),
        "intake_mm_h": round(zone.soil.intake_mm_h, 1),
        "longest_pulse_by_ground_min": None if endless else round(by_ground_min, 1),
        "longest_pulse_by_valve_min": round(zone.longest_pulse_s / 60.0, 1),
        "litres_per_mm": round(zone.area_m2, 2),
    }


def _show(settings: Settings, zones: Sequence[dict[str, Any]], found: Sequence[Found]) -> None:
    from controller.report.text import console, say

    out = console()
    name, sensors = settings.site.name, len(settings.sensor)
    say(out, f"{name}: the config is good. {len(zones)} zones, {sensors} sensors, "
        f"supply {settings.supply.capacity_l_min:g} L/min.", "bold")  # fmt: skip
    for zone in zones:
        ground = zone["longest_pulse_by_ground_min"]
        pulse = "takes it in without a rest" if ground is None else f"takes {ground:.0f} min of it at a time"
        say(out, f"{zone['name']} ({zone['id']}), 1 mm is {zone['litres_per_mm']:.1f} L")
        say(out, f"{zone['flow_l_min']:.1f} L/min, {zone['rate_mm_h']:.0f} mm/h where it is wet", indent=2)
        say(
            out,
            f"the ground {pulse}; the valve's limit is {zone['longest_pulse_by_valve_min']:.0f} min",
            indent=2,
        )
    for warning in settings.warnings():
        say(out, f"Look again: {warning}", "yellow")
    for each in found:
        say(out, f"{'ok' if each.ok else 'failed'}  {each.part}: {each.said}", "" if each.ok else "bold red")


# The world ----------------------------------------------------------------------------------------


def _broker(settings: Settings) -> Found:
    """Connect once and leave."""
    from controller.commands.asking import broker_of
    from controller.drivers.mqtt import MqttLink

    news: queue.SimpleQueue[tuple[bool, str]] = queue.SimpleQueue()
    try:
        link = MqttLink(
            broker_of(settings), f"seepward-check-{uuid.uuid4().hex[:12]}",
            on_message=lambda message: None, on_state=lambda up, said: news.put((up, said)),
        )  # fmt: skip
    except (ValueError, CommandError) as error:
        return Found("broker", False, " ".join(str(error).split()))
    link.start()
    try:
        up, said = news.get(timeout=BROKER_WITHIN_S)
    except queue.Empty:
        up, said = False, link.state()[1]
    finally:
        link.close()
    return Found("broker", up, said)


def _forecast(settings: Settings) -> Found:
    """Fetch once."""
    from controller.assembly import forecast_source
    from controller.shells.forecast import ForecastError

    wanted = forecast_source(settings)
    if wanted is None:
        return Found(
            "forecast", True, "none is wanted; the garden goes by its own sensors and the months' normals."
        )
    source, place = wanted
    began = time.monotonic()
    try:
        forecast = source.ask(place, datetime.now(UTC), None).forecast
    except ForecastError as error:
        why = str(error).rstrip(".")
        return Found(
            "forecast", False, f"{why}. Watering goes on without; check the network and forecast.url."
        )
    took_s = time.monotonic() - began
    return Found("forecast", True, f"{len(forecast.hours)} hours from {forecast.source} in {took_s:.1f} s.")


def _journal(path: Path) -> Found:
    """Take the write lock and give it back; nothing is written, and no file is made that the daemon then
    cannot use.
    """
    if not path.exists():
        ok = os.access(path.parent, os.W_OK)
        todo = f"make the directory {path.parent} and give it to the user of the daemon."
        return Found("journal", ok, f"{path} is not there yet; {'the daemon makes it.' if ok else todo}")
    try:
        db = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=rw", uri=True, isolation_level=None, timeout=5.0
        )
        try:
            db.execute("BEGIN IMMEDIATE")
            db.execute("ROLLBACK")
        finally:
            db.close()
    except sqlite3.Error as error:
        todo = "look at its owner and the room on the disk"
        return Found("journal", False, f"{path} cannot be written ({error}); {todo}.")
    return Found("journal", True, f"{path} can be written.")


def _pins(settings: Settings) -> list[Found]:
    """The driver is there; no line is touched, since the daemon may own them."""
    found = [_driver(settings.pins.driver)]
    if settings.pins.driver == "lgpio" and PERSIST.exists():
        keeps = PERSIST.read_text("ascii").strip().upper() in ("Y", "1")
        said = (
            "a pin that loses its owner keeps its level: a valve could stay open if the guard is killed. Add "
            "pinctrl_bcm2835.persist_gpio_outputs=n to /boot/firmware/cmdline.txt and start the Pi anew."
            if keeps
            else "a pin that loses its owner goes back to its pull: to off, with the resistors fitted."
        )
        found.append(Found("pins at rest", not keeps, said))
    return found


def _driver(driver: str) -> Found:
    try_it: Callable[[str], Found] = _lgpio if driver == "lgpio" else _own_driver
    return try_it(driver)


def _lgpio(driver: str) -> Found:
    missing = [name for name in ("gpiozero", "lgpio") if importlib.util.find_spec(name) is None]
    if missing:
        return Found("pins", False, f"{' and '.join(missing)} is not installed; see deploy/INSTALL.md.")
    chips = sorted(Path("/dev").glob("gpiochip*"))
    if not any(os.access(chip, os.R_OK | os.W_OK) for chip in chips):
        why = (
            "no /dev/gpiochip* is there; is this a Pi?"
            if not chips
            else "this user may not use /dev/gpiochip*."
        )
        return Found("pins", False, f"{why} The daemon's user must be in the group gpio.")
    return Found("pins", True, "lgpio and its chip are there; no line was touched.")


def _own_driver(driver: str) -> Found:
    module, _, function = driver.partition(":")
    try:
        made = getattr(importlib.import_module(module), function)
    except Exception as error:  # foreign code: it may raise anything, and the check must say so and go on
        said = " ".join(f"{type(error).__name__}: {error}".split())
        return Found("pins", False, f"{driver} cannot be imported ({said}); correct pins.driver.")
    return Found("pins", callable(made), f"{driver} is {'there' if callable(made) else 'no function'}.")
