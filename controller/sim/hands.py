"""What a gardener's hands change of a simulated bed, and what that does to the sun and wind that reach it.

Its own account of cloths, mulch and pots, not the controller's: a cloth shades by the hour of the clock, a pot by the
hour of the sundial. What is reported to the controller is another matter; see `gardener`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, time, tzinfo
from types import MappingProxyType
from typing import Any

from controller.core.site import Hours, Zone
from controller.sim.sun import solar_time_h

LAID_CM = 5.0
"""How deep a gardener lays straw."""
AWAY_FROM_SUNDIAL_H = 11.0
LIGHT_IN_THE_SHADE = 0.15
"""Pots out of the midday and afternoon sun have the morning's, then only what the sky scatters (from memory)."""


@dataclass(frozen=True, slots=True)
class Hands:
    """How a bed has been left. laid: straw was topped up; cleared: nothing grows in it any more."""

    cloth_up: bool = False
    mulch_back: bool = False
    laid: bool = False
    pots_away: bool = False
    cleared: bool = False


CHANGES: Mapping[str, Mapping[str, Any]] = MappingProxyType(
    {
        "shade": {"cloth_up": True},
        "shade-off": {"cloth_up": False, "pots_away": False},
        "mulch": {"laid": True},
        "mulch-back": {"mulch_back": True},
        "mulch-on": {"mulch_back": False},
        "pots": {"pots_away": True},
        "pots-back": {"pots_away": False},
        "cleared": {"cleared": True},
        "planted": {"cleared": False},
    }
)
"""Job -> what it changes."""


@dataclass(frozen=True, slots=True)
class Cover:
    """The mulch as it lies. lets_out: share of the evaporation that it lets out."""

    holds_mm: float = 0.0
    lets_out: float = 1.0
    over_the_line: bool = False


def after(hands: Hands, job: str) -> Hands:
    """How a bed is left after a job of this kind; most jobs change nothing."""
    return replace(hands, **CHANGES.get(job, {}))


def cover_on(zone: Zone, hands: Hands) -> Cover:
    """The bed's mulch. Pulled back from the line it hinders neither water nor evaporation there."""
    depth_cm = zone.mulch.depth_cm if zone.mulch is not None else 0.0
    if hands.laid and zone.pots is None:
        depth_cm = max(depth_cm, LAID_CM)
    if depth_cm == 0.0 or hands.mulch_back:
        return Cover()
    over = zone.mulch is not None and zone.mulch.drinks_mm > 0.0
    if zone.mulch is not None and zone.mulch.kind == "film":
        return Cover(0.0, 0.1, over)
    return Cover(0.35 * depth_cm, 1.0 / (1.0 + 0.5 * depth_cm), over)


def off_the_line(zone: Zone, hands: Hands) -> bool:
    """Whether its line wets nothing but the ground where the pots were."""
    return hands.pots_away and zone.pots is not None and zone.pots.moves_off_line


def let_through(zone: Zone, hands: Hands, at: datetime, timezone: tzinfo, longitude_deg: float) -> tuple[float, float]:
    """Shares of sun and wind that reach the bed at an instant (UTC)."""
    sun, wind, clock = 1.0, 1.0, at.astimezone(timezone)
    for shade in zone.shades:
        there = not shade.months or clock.month in shade.months
        if not there or (shade.by_hand and not hands.cloth_up):
            continue
        wind *= shade.wind_factor
        if shade.hours is None or _within(shade.hours, clock.time()):
            sun *= 1.0 - shade.share
    if zone.pots is not None and hands.pots_away and solar_time_h(at, longitude_deg) >= AWAY_FROM_SUNDIAL_H:
        sun *= LIGHT_IN_THE_SHADE
    return sun, wind


def _within(hours: Hours, clock: time) -> bool:
    if hours.start < hours.until:
        return hours.start <= clock < hours.until
    return clock >= hours.start or clock < hours.until
