"""The true soil of a simulated bed: layers that fill, drain at their own pace, and dry by air and roots.

No corner at field capacity: each layer drains at K = Ks (θ/θs)^m for ever (Campbell 1974), and the step is
solved exactly, so that it is stable for any length. Water is kept in mm and never made or lost; every method
says what left.
"""

import math
from dataclasses import dataclass

FIELD_CAPACITY_DRAINS_MM_H = 0.04   # "drainage has become negligible": about 1 mm a day
STILL_MM_H = 2e-4                   # slower than this a layer is taken to hold its water
SWIFT_MM_H = 1.5                    # faster than this the steps should be short
CREEP_1_H = 0.02                    # sideways: share of a difference that is levelled in an hour, when wet
FINE_LAYER_MM, COARSE_LAYER_MM, FINE_TO_MM = 50.0, 100.0, 400.0


@dataclass(frozen=True, slots=True)
class Earth:
    """What one bed's soil truly is. Water contents in m3/m3.

    saturated, field_capacity, wilting_point: of every layer alike.
    conductivity_mm_h: at saturation. intake_mm_h: of a wet surface; `thirst` times that on top when dry.
    hollows_mm: what may stand on the surface before it runs off.
    """

    saturated: float
    field_capacity: float
    wilting_point: float
    conductivity_mm_h: float
    intake_mm_h: float
    hollows_mm: float
    thirst: float = 2.0

    @property
    def exponent(self) -> float:
        """m, such that a layer at field capacity drains at 0.04 mm/h."""
        steps = math.log(self.conductivity_mm_h / FIELD_CAPACITY_DRAINS_MM_H)
        return max(3.0, steps / math.log(self.saturated / self.field_capacity))

    @property
    def air_dry(self) -> float:
        """The least that evaporation leaves in the top layer."""
        return 0.4 * self.wilting_point


def layers_mm(depth_mm: float) -> list[float]:
    """Thicknesses from the top, to end exactly at `depth_mm`: about 50 mm each to 400 mm, 100 mm below."""
    fine_mm = min(depth_mm, FINE_TO_MM)
    return _even(fine_mm, FINE_LAYER_MM) + _even(depth_mm - fine_mm, COARSE_LAYER_MM)


def _even(depth_mm: float, about_mm: float) -> list[float]:
    """A depth in equal layers of about that thickness; none for no depth."""
    if depth_mm < 1.0:
        return []
    count = max(1, round(depth_mm / about_mm))
    return [depth_mm / count] * count


class Column:
    """A part of a bed: its soil and the water that stands on it. Amounts in mm over its own area."""

    def __init__(self, earth: Earth, thickness_mm: list[float], available: float, share: float = 1.0) -> None:
        """available: share of the available water that every layer starts with. share: of the bed's area."""
        start = earth.wilting_point + available * (earth.field_capacity - earth.wilting_point)
        self.earth = earth
        self.share = share
        self.thickness_mm = thickness_mm
        self.water_mm = [start * thickness for thickness in thickness_mm]
        self.standing_mm = 0.0
        self._full_mm = [earth.saturated * thickness for thickness in thickness_mm]
        self._m = earth.exponent
        still = math.pow(STILL_MM_H / earth.conductivity_mm_h, 1.0 / self._m)
        swift = math.pow(min(1.0, SWIFT_MM_H / earth.conductivity_mm_h), 1.0 / self._m)
        self._still_mm = [still * full_mm for full_mm in self._full_mm]
        self._swift_mm = [swift * full_mm for full_mm in self._full_mm]

    def store_mm(self) -> float:
        """All water of the column."""
        return sum(self.water_mm) + self.standing_mm

    def content(self, from_mm: float, to_mm: float) -> float:
        """Mean water content between two depths, m3/m3."""
        held_mm = top_mm = 0.0
        for water_mm, thickness in zip(self.water_mm, self.thickness_mm, strict=True):
            overlap_mm = min(to_mm, top_mm + thickness) - max(from_mm, top_mm)
            if overlap_mm > 0.0:
                held_mm += water_mm * overlap_mm / thickness
            top_mm += thickness
        return held_mm / (min(to_mm, top_mm) - from_mm)

    def restless(self) -> bool:
        """Whether water stands on the ground or still moves fast in it, so that steps should be short."""
        if self.standing_mm > 1e-9:
            return True
        return any(water > swift for water, swift in zip(self.water_mm, self._swift_mm, strict=True))

    def take_in(self, inflow_mm: float, hours: float) -> tuple[float, float]:
        """Let water in from above and all layers drain for a while. Returns what ran off and what drained."""
        earth = self.earth
        self.standing_mm += inflow_mm
        if self.standing_mm > 0.0:
            dryness = 1.0 - self.water_mm[0] / self._full_mm[0]
            limit_mm = earth.intake_mm_h * (1.0 + earth.thirst * dryness) * hours
            entered_mm = min(self.standing_mm, limit_mm)
            self.standing_mm -= entered_mm
            self.water_mm[0] += entered_mm
        drained_mm = self._drain(hours)
        self._rise()
        ran_off_mm = max(0.0, self.standing_mm - earth.hollows_mm)
        self.standing_mm -= ran_off_mm
        return ran_off_mm, drained_mm

    def _drain(self, hours: float) -> float:
        """Each layer from the top gives to the next: exact solution of dS/dt = −(Ks/W) S^m over the step."""
        water, conductivity_mm_h, m = self.water_mm, self.earth.conductivity_mm_h, self._m - 1.0
        given_mm = 0.0
        for i, full_mm in enumerate(self._full_mm):
            before_mm = water[i] + given_mm
            given_mm = 0.0
            if before_mm > self._still_mm[i]:
                pace = m * conductivity_mm_h * hours / full_mm
                left = math.pow(1.0 + pace * math.pow(min(1.0, before_mm / full_mm), m), -1.0 / m)
                given_mm = min(before_mm * (1.0 - left), conductivity_mm_h * hours)
            water[i] = before_mm - given_mm
        return given_mm

    def _rise(self) -> None:
        """What a full layer cannot hold goes up, at last to the surface."""
        water = self.water_mm
        for i in range(len(water) - 1, -1, -1):
            excess_mm = water[i] - self._full_mm[i]
            if excess_mm > 0.0:
                water[i] -= excess_mm
                if i:
                    water[i - 1] += excess_mm
                else:
                    self.standing_mm += excess_mm

    def evaporate(self, drawn_mm: float) -> float:
        """Give to the air: first what stands, then from the top layer as far as it is wet. Returns what left."""
        from_surface_mm = min(self.standing_mm, drawn_mm)
        self.standing_mm -= from_surface_mm
        dry_mm = self.earth.air_dry * self.thickness_mm[0]
        wet_mm = 0.9 * self.earth.field_capacity * self.thickness_mm[0]
        wetness = min(1.0, max(0.0, (self.water_mm[0] - dry_mm) / (wet_mm - dry_mm)))
        from_soil_mm = (drawn_mm - from_surface_mm) * wetness * math.sqrt(wetness)
        from_soil_mm = max(0.0, min(from_soil_mm, self.water_mm[0] - dry_mm))
        self.water_mm[0] -= from_soil_mm
        return from_surface_mm + from_soil_mm

    def ease(self, ample: float) -> list[float]:
        """How freely each layer gives water to roots, 0 (wilting point) to 1.

        ample: share of the available water from which on it gives freely; more when the air draws harder.
        """
        dry = self.earth.wilting_point
        span = ample * (self.earth.field_capacity - dry)
        eases = []
        for water_mm, thickness in zip(self.water_mm, self.thickness_mm, strict=True):
            ease = (water_mm / thickness - dry) / span
            eases.append(1.0 if ease > 1.0 else ease if ease > 0.0 else 0.0)   # min() and max() are slow here
        return eases


def drink(columns: list[Column], roots: list[list[float]], drawn_mm: float, ample: float) -> float:
    """Let the roots of one bed draw from its columns. drawn_mm and the result: over the whole bed.

    roots: by column and layer; they sum to 1 over all columns. Roots in wet layers make up for those in dry
    ones until less than 60 % of them are at ease (Jarvis 1989, J. Hydrol. 107:57).
    """
    eager = [[share * ease for share, ease in zip(layers, column.ease(ample), strict=True)]
             for column, layers in zip(columns, roots, strict=True)]
    at_ease = sum(map(sum, eager))
    if at_ease <= 0.0:
        return 0.0
    pull_mm = drawn_mm / max(at_ease, 0.6)
    got_mm = 0.0
    for column, parts in zip(columns, eager, strict=True):
        water, dry, share = column.water_mm, column.earth.wilting_point, column.share
        for i, part in enumerate(parts):
            if part > 0.0:
                taken_mm = min(pull_mm * part / share, water[i] - dry * column.thickness_mm[i])
                water[i] -= taken_mm
                got_mm += taken_mm * share
    return got_mm


def seep_sideways(one: Column, other: Column, hours: float) -> None:
    """Let water creep to the drier ground beside, layer by layer; next to nothing once both are dry."""
    dry = one.earth.wilting_point
    span = one.earth.field_capacity - dry
    pace = min(0.5, CREEP_1_H * hours) * one.share * other.share
    for i, thickness in enumerate(one.thickness_mm):
        gap_mm = one.water_mm[i] - other.water_mm[i]
        wetter_mm = one.water_mm[i] if gap_mm > 0.0 else other.water_mm[i]
        wetness = (wetter_mm / thickness - dry) / span
        if wetness > 0.0:
            moved_mm = pace * (wetness if wetness < 1.0 else 1.0) * gap_mm
            one.water_mm[i] -= moved_mm / one.share
            other.water_mm[i] += moved_mm / other.share
