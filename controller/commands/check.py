"""`seepward check`: is the config good, what was understood of it; with --live, does the world answer."""

import argparse
import importlib.util
import os
import queue
import sqlite3
import time
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from controller.agronomy.drip import largest_volume_l
from controller.agronomy.infiltration import longest_on_min
from controller.agronomy.root_zone import available_water_mm, depletion_fraction, readily_available_mm
from controller.commands import CommandError, common
from controller.commands.common import journal_path, print_json, settings_of, wants_json
from controller.core.moment import local_date
from controller.core.need import FRONT_SLACK
from controller.core.plants import roots_on, wetted_share
from controller.core.rules import season_said
from controller.core.site import Site, Zone
from controller.report.bed import learnt_said, place_said, trust_said
from controller.settings import Settings

ORDINARY_DEMAND_MM = 5.0
"""FAO-56 Table 22 gives its depletion fractions for a day that draws this."""
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
        "ground it wets (mm/h), the longest pulse that the ground takes in (min), the litres of 1 mm, the share of "
        "its ground that gets wet, the water that the roots reach there (mm), and the most that one watering may "
        "give (mm). Then, if there is a journal, what the garden has taught so far and how far each probe is "
        "trusted (0 to 1). Opens no valve."
    )
    parser.add_argument(
        "--live", action="store_true", help="also try broker, forecast, journal and pins; takes up to 40 s"
    )


def run(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    site = settings.build()
    today = local_date(common.utc_now(), site.timezone)
    zones = [_zone_view(zone, today) for zone in site.zones]
    learnt = _learnt(arguments, settings, site)
    season = season_said(site, today)
    found = live(arguments, settings) if arguments.live else []
    if wants_json(arguments):
        tried = [{"part": each.part, "ok": each.ok, "said": each.said} for each in found]
        understood = {"zones": zones, "season": season, "learnt": learnt}
        print_json({"ok": True, "warnings": settings.warnings(), **understood, "live": tried})
    else:
        _show(settings, zones, [*([season] if season else []), *learnt], found)
    return 0 if all(each.ok for each in found) else 1


def live(arguments: argparse.Namespace, settings: Settings) -> list[Found]:
    """Everything around us, tried once."""
    return [
        _broker(settings), _forecast(settings), _journal(journal_path(arguments, settings)), *_pins(settings),
    ]  # fmt: skip


def _zone_view(zone: Zone, today: date) -> dict[str, Any]:
    """What was understood of a zone, with the roots as they are today. The longest pulse is None where the ground takes
    in whatever the line brings; the most of one watering is None where no emitter wets a bulb of its own.
    """
    store_mm = zone.soil.surface_store_mm(zone.slope_percent)
    by_ground_min = longest_on_min(zone.line.rate_mm_h, zone.soil.intake_mm_h, store_mm)
    endless = by_ground_min == float("inf")
    wetted, roots_m = wetted_share(zone), roots_on(zone, today)
    available_mm = available_water_mm(zone.soil.field_capacity, zone.soil.wilting_point, roots_m) * wetted
    fraction = depletion_fraction(zone.crop.depletion_fraction, ORDINARY_DEMAND_MM)
    most_l = _most_by_the_front_l(zone, roots_m)
    most_mm = None if most_l is None else most_l / zone.area_m2 * zone.line.efficiency
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
        "wetted_share": round(wetted, 2),
        "root_depth_m": round(roots_m, 2),
        "available_mm": round(available_mm, 1),
        "readily_available_mm": round(readily_available_mm(available_mm, fraction), 1),
        "most_by_wetting_front_mm": None if most_mm is None else round(most_mm, 1),
        "most_by_wetting_front_litres": None if most_l is None else round(most_l, 1),
    }


def _most_by_the_front_l(zone: Zone, roots_m: float) -> float | None:
    """The most that one watering may let out before it sinks below the roots: as `core.need` has it."""
    flow_l_h = zone.line.emitter_flow_l_h
    if flow_l_h is None or zone.pots is not None:
        return None
    most_l = largest_volume_l(FRONT_SLACK * roots_m, zone.soil.saturated_conductivity_mm_h, flow_l_h)
    return most_l * zone.line.flow_l_min * 60.0 / flow_l_h


def _supplies(settings: Settings) -> str:
    """`supply 12 L/min`, or of several `mains 12 L/min, tank 5 L/min`."""
    several = len(settings.supplies) > 1
    named = [(each.name or each.id if several else "supply", each.capacity_l_min) for each in settings.supplies]
    return ", ".join(f"{name} {capacity_l_min:g} L/min" for name, capacity_l_min in named)


def _learnt(arguments: argparse.Namespace, settings: Settings, site: Site) -> list[str]:
    """What the garden has taught so far and how far its probes are trusted, if the journal is there to tell it."""
    if not journal_path(arguments, settings).exists():
        return []
    try:
        with common.journal_of(arguments, settings) as reader:
            garden, as_of = common.remembered(reader, site)
    except CommandError as error:
        return [f"What was learnt so far cannot be told: {error}"]
    place = place_said(site, garden.weather)
    told = [place] if place is not None else []
    for zone in site.zones:
        trusted = trust_said(site, garden, zone, as_of)
        if trusted is not None:
            told += [f"{zone.name}: {learnt_said(zone, site, garden.beds[zone.id].estimate)} {trusted}"]
    late = common.age(as_of, site)
    return [*told, late] if late else told


def _show(
    settings: Settings, zones: Sequence[dict[str, Any]], learnt: Sequence[str], found: Sequence[Found]
) -> None:
    from controller.report.text import console, say

    out = console()
    name, sensors = settings.site.name, len(settings.sensor)
    say(out, f"{name}: the config is good. {len(zones)} zones, {sensors} sensors, "
        f"{_supplies(settings)}.", "bold")  # fmt: skip
    for zone in zones:
        ground = zone["longest_pulse_by_ground_min"]
        pulse = "takes it in without a rest" if ground is None else f"takes {ground:.0f} min of it at a time"
        say(out, f"{zone['name']} ({zone['id']}), 1 mm is {zone['litres_per_mm']:.1f} L")
        say(out, f"{zone['flow_l_min']:.1f} L/min, {zone['rate_mm_h']:.0f} mm/h where it is wet", indent=2)
        valve_min = zone["longest_pulse_by_valve_min"]
        say(out, f"the ground {pulse}; the valve's limit is {valve_min:.0f} min", indent=2)
        for line in _water_in_reach(zone):
            say(out, line, indent=2)
    for told in learnt:
        say(out, told)
    for warning in settings.warnings():
        say(out, f"Look again: {warning}", "yellow")
    for each in found:
        say(out, f"{'ok' if each.ok else 'failed'}  {each.part}: {each.said}", "" if each.ok else "bold red")


def _water_in_reach(zone: Mapping[str, Any]) -> list[str]:
    wetted, roots_cm = 100.0 * zone["wetted_share"], 100.0 * zone["root_depth_m"]
    roots = (
        f"{wetted:.0f} % of its ground gets wet; there the roots, {roots_cm:.0f} cm deep, reach "
        f"{zone['available_mm']:.0f} mm (TAW), {zone['readily_available_mm']:.0f} mm of it easily "
        f"on a day that draws {ORDINARY_DEMAND_MM:.0f} mm (RAW)"
    )
    most_mm, most_l = zone["most_by_wetting_front_mm"], zone["most_by_wetting_front_litres"]
    if most_mm is None:
        return [roots]
    if most_mm >= zone["available_mm"]:
        return [roots, "one watering may refill it whole without sinking below the roots"]
    return [roots, f"one watering gives {most_mm:.0f} mm at most ({most_l:.0f} L): more would sink below the roots"]


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
