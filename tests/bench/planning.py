"""Making the plan: the time for twelve zones and seven days, and how it grows with zones and days.

An invented garden in a hot week, every bed dry, one supply that grows with the garden; and the same on a supply so
small that the nights do not hold what is needed. Times are processor seconds on one core, the best of a few runs, each
with nothing recalled from the one before. Linear growth means that the time for each zone and day does not rise: the
last two rows compare a large garden with a small one, zone for zone and day for day.
"""

import argparse
import time
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from controller.agronomy.crop import CROPS
from controller.agronomy.soil import SOILS
from controller.core import plan
from controller.core.forecast import Forecast, Hour
from controller.core.garden import Garden
from controller.core.moment import Now
from controller.core.site import Line, Site, Supply, Zone
from controller.core.soil import believed
from controller.core.step import new_garden
from controller.core.weather import take_forecast
from tests.bench.rows import Row

GOAL_MS = 200.0
ZONES = (3, 6, 12, 24)
DAYS = (4, 5, 7)
"""A plan looks four days ahead at the least."""
L_MIN_A_ZONE = 1.0
PRESSED_L_MIN_A_ZONE = 0.4
WIDEST_L_MIN = 4.0
MOST_GROWTH = 1.25
"""Linear, with room for what timing is worth."""
NOON = datetime(2026, 7, 15, 11, tzinfo=UTC)
BEDS = (
    ("tomato", "loamy sand", 3.0, 17.8),
    ("lettuce", "sandy loam", 2.0, 12.0),
    ("capsicum", "sandy loam", 2.5, 15.0),
    ("cucumber", "loam", 4.0, 30.0),
    ("green bean", "loamy sand", 3.5, 20.0),
    ("table grape", "clay loam", 3.0, 9.0),
)
"""Crop, soil, flow [L/min] and rate on the wetted ground [mm/h]; one after another."""


def add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--runs", type=int, default=3, help="runs of each, of which the best counts")
    parser.add_argument("--plot", action="store_true", help="draw the times as bars as well")


def rows(options: argparse.Namespace) -> list[Row]:
    """A row for each size of garden and horizon, the pressed garden, and the growth from small to large."""
    sizes = dict.fromkeys([*((zones, 7) for zones in ZONES), *((12, days) for days in DAYS)])
    # In rounds, so that a machine that is busy for a while is so for all of them; the first is to warm up.
    gardens = [*((zones, days, L_MIN_A_ZONE) for zones, days in sizes), (12, 7, PRESSED_L_MIN_A_ZONE)]
    rounds = [[_timed_ms(*garden) for garden in gardens] for _ in range(1 + max(1, options.runs))]
    *each_ms, pressed_ms = map(min, zip(*rounds, strict=True))
    best_ms = dict(zip(sizes, each_ms, strict=True))
    if options.plot:
        _draw({f"{zones} zones, {days} days": ms for (zones, days), ms in sorted(best_ms.items())})
    table = [_row(f"{zones} zones, {days} days", ms, zones * days) for (zones, days), ms in sorted(best_ms.items())]
    by_zones = best_ms[ZONES[-1], 7] / ZONES[-1] / (best_ms[ZONES[1], 7] / ZONES[1])
    by_days = best_ms[12, DAYS[-1]] / DAYS[-1] / (best_ms[12, DAYS[0]] / DAYS[0])
    return [
        *table,
        _row("12 zones, 7 days, pressed", pressed_ms, 84),
        _growth(f"a zone: {ZONES[-1]} beside {ZONES[1]}", by_zones),
        _growth(f"a day: {DAYS[-1]} beside {DAYS[0]}", by_days),
    ]


def _row(name: str, ours_ms: float, zone_days: int) -> Row:
    goal_ms = GOAL_MS * zone_days / 84.0
    return {
        "name": name,
        "ours_ms": round(ours_ms, 1),
        "ratio": round(ours_ms / goal_ms, 3),
        "goal": 1.0,
        "meets": ours_ms <= goal_ms,
        "goal_ms": round(goal_ms, 1),
    }


def _growth(name: str, ratio: float) -> Row:
    return {"name": name, "ratio": round(ratio, 3), "goal": MOST_GROWTH, "meets": ratio <= MOST_GROWTH}


def _draw(times_ms: dict[str, float]) -> None:
    widest_ms = max(times_ms.values())
    for name, ms in times_ms.items():
        print(f"{name:>20} {'█' * max(1, round(50 * ms / widest_ms))} {ms:.0f} ms")


def _timed_ms(zones: int, days: int, l_min_a_zone: float) -> float:
    site = a_site(zones, max(WIDEST_L_MIN, zones * l_min_a_zone))
    garden = a_garden(site, days)  # a new one each time: nothing can be recalled of it
    began_s = time.process_time()
    plan.make_plan(site, garden, NOON, "a benchmark")
    return 1000.0 * (time.process_time() - began_s)


def a_site(zones: int, capacity_l_min: float) -> Site:
    return Site(
        "bench", "Bench", 38.57, -7.91, 240.0, ZoneInfo("Europe/Lisbon"), (Supply(capacity_l_min),),
        tuple(_zone(n) for n in range(zones)),
    )  # fmt: skip


def _zone(n: int) -> Zone:
    crop, soil, flow_l_min, rate_mm_h = BEDS[n % len(BEDS)]
    line = Line("dripline", flow_l_min, rate_mm_h)
    planted = date(2026, 5, 1 + n % 20)
    return Zone(f"z{n}", f"Bed {n + 1}", CROPS[crop], SOILS[soil], line, 10.0, planted, value=1 + n % 3)


def a_garden(site: Site, days: int) -> Garden:
    """Every bed 12 mm dry, and a forecast of so many hot days."""
    fresh = new_garden(site, Now(1.0, NOON))
    begin = NOON.replace(hour=0) - timedelta(hours=1)
    hours = tuple(_hour(begin + timedelta(hours=n), n % 24) for n in range(24 * days))
    beds = {zone: believed(bed, 12.0, 1.0) for zone, bed in fresh.beds.items()}
    return replace(fresh, weather=take_forecast(fresh.weather, Forecast("bench", NOON, hours), site), beds=beds)


def _hour(at: datetime, clock: int) -> Hour:
    warmth = (clock - 5) / 10 if 5 <= clock <= 15 else ((29 - clock) % 24) / 14
    return Hour(at, 21.0 + 17.0 * warmth, 35.0, 2.5, 650.0 if 6 < clock < 20 else 0.0, 0.0, 0.0)
