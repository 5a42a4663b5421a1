"""One true bed of a simulated garden: its plants, its soil under and between the lines, its water.

What the config says of a zone is taken as hearsay: the truth is drawn around it, by seed.
"""

import math
from dataclasses import dataclass
from datetime import date

from controller.core.site import Zone
from controller.sim.dice import dice
from controller.sim.ground import Column, Earth, drink, layers_mm, seep_sideways
from controller.sim.hands import Hands, after, cover_on, off_the_line

WET_STEP_H, SWIFT_STEP_H = 5.0 / 60.0, 10.0 / 60.0
LOST_IN_THE_AIR = {"micro-spray": 0.08}      # of what a line throws; others next to nothing
LOST_OTHERWISE = 0.01
BETWEEN_THE_LINES = 0.4                      # density of roots there, beside 1 under the lines
SET_OUT_ROOTS_MM = 120.0
FREE_OF_STRESS = 0.9                         # of the potential transpiration of a day


@dataclass(frozen=True, slots=True)
class Doubt:
    """How far the truth lies from what the config says, as standard deviations of factors; 0 for exact.

    soil: of field capacity and wilting point. flow: of a line, for the season; flow_day: from day to day.
    demand: of the plants' thirst. intake: of intake rate and conductivity.
    """

    soil: float
    flow: float
    flow_day: float
    demand: float
    intake: float


@dataclass(slots=True)
class Account:
    """Water of one bed since the start, mm over its area but for litres. litres: through the line; poured_litres: out
    of a can, and in watered_mm too. stress_days: of days gone by."""

    litres: float = 0.0
    poured_litres: float = 0.0
    watered_mm: float = 0.0
    rain_mm: float = 0.0
    transpired_mm: float = 0.0
    evaporated_mm: float = 0.0
    drained_mm: float = 0.0
    ran_off_mm: float = 0.0
    stress_days: int = 0
    lowest_content: float = math.inf

    def came_mm(self) -> float:
        return self.watered_mm + self.rain_mm

    def went_mm(self) -> float:
        return self.transpired_mm + self.evaporated_mm + self.drained_mm + self.ran_off_mm


@dataclass(frozen=True, slots=True)
class Plants:
    """The plants of a bed on one day.

    cover: share of the ground they shade. thirst: potential transpiration over the demand of the air.
    rooted_mm: depth of the roots.
    """

    cover: float
    thirst: float
    rooted_mm: float


def plants_on(zone: Zone, day: date, demand: float, cleared: bool = False) -> Plants:
    """A logistic curve through the middle of the crop's development stage, then decline over its late stage.

    demand: true thirst over that of the config. Perennial, long planted or undated plants are fully grown.
    """
    crop, stages = zone.crop, zone.crop.stages
    grown, faded = 1.0, 0.0
    if zone.planted is not None and stages is not None and not crop.perennial:
        age = (day - zone.planted).days
        steep = max(1.0, stages.development / 7.0)
        grown = 1.0 / (1.0 + math.exp(-(age - stages.initial - stages.development / 2.0) / steep))
        late = age - stages.initial - stages.development - stages.mid
        faded = min(1.0, max(0.0, late / max(1, stages.late)))
    full = crop.kcb_mid + (crop.kcb_end - crop.kcb_mid) * faded
    thirst = demand * (crop.kcb_ini + (full - crop.kcb_ini) * grown)
    deepest_mm = 1000.0 * (zone.root_depth_m or 0.85 * crop.root_depth_max_m)
    young_mm = deepest_mm if zone.root_depth_m else min(deepest_mm, SET_OUT_ROOTS_MM)
    rooted_mm = max(young_mm, deepest_mm * (0.2 + 0.8 * grown))
    if cleared:
        return Plants(cover=0.0, thirst=0.0, rooted_mm=rooted_mm)
    return Plants(cover=0.05 + 0.8 * grown, thirst=thirst, rooted_mm=rooted_mm)


class Bed:
    """One zone, stepped by whoever owns the clock."""

    def __init__(self, zone: Zone, seed: int, doubt: Doubt) -> None:
        self.zone = zone
        self.account = Account()
        self._seed = seed
        self._doubt = doubt
        chance = dice(seed, "bed", zone.id)

        def around(spread: float) -> float:
            return max(0.5, 1.0 + spread * max(-2.5, min(2.5, chance.gauss(0.0, 1.0))))

        self.earth = _earth(zone, around(doubt.soil), around(doubt.soil), around(doubt.intake))
        self.flow_factor = around(doubt.flow)
        self.demand_factor = around(doubt.demand)
        deepest_m = zone.root_depth_m or 0.85 * zone.crop.root_depth_max_m
        self.depth_mm = 1000.0 * deepest_m + (0.0 if zone.pots else 100.0)
        share = min(1.0, zone.line.flow_l_min * 60.0 / (zone.line.rate_mm_h * zone.area_m2))
        available = 0.6 + 0.3 * chance.random()
        shares = (1.0,) if zone.pots or share > 0.95 else (share, 1.0 - share)
        self.columns = [Column(self.earth, layers_mm(self.depth_mm), available, share) for share in shares]
        self.hands = Hands()
        self._cover = cover_on(zone, self.hands)
        self._mulch_mm = 0.0
        self._poured_mm = 0.0
        self._day: date | None = None
        self._wanted_mm = self._got_mm = 0.0

    # --- what can be asked ---

    def store_mm(self) -> float:
        """All water in and on the bed, mm over its area."""
        return self._mulch_mm + sum(column.share * column.store_mm() for column in self.columns)

    def content(self, from_mm: float, to_mm: float) -> float:
        """Water content under the lines between two depths, m3/m3."""
        return self.columns[0].content(from_mm, to_mm)

    def rooted_content(self) -> float:
        """Mean water content of the rooted soil under the lines, m3/m3."""
        return self.content(0.0, self.plants.rooted_mm)

    def stress_days(self) -> int:
        """Days, today included, on which the plants got less than 90 % of their potential transpiration."""
        stressed = self._wanted_mm > 0.05 and self._got_mm < FREE_OF_STRESS * self._wanted_mm
        return self.account.stress_days + stressed

    # --- what hands do ---

    def handle(self, job: str, litres: float = 0.0) -> None:
        """A job is done here; litres: poured on by hand, over the next stretch of its life."""
        self.hands = after(self.hands, job)
        self._cover = cover_on(self.zone, self.hands)
        self.account.poured_litres += litres
        self._poured_mm += litres / self.zone.area_m2
        if self._day is not None:
            self._grow(self._day)

    # --- life ---

    def live(self, day: date, hours: float, litres: float, rain_mm: float, demand_mm_h: float) -> None:
        """A stretch of at most an hour of one civil day, with steady water, rain and demand.

        litres: what the config's flow would have passed in that time; the true line gives somewhat else.
        """
        if day != self._day:
            self._turn(day)
        left_h, water_mm = hours, self._landed_mm(litres) + self._taken_from_the_can_mm()
        while left_h > 1e-9:
            step_h = min(left_h, self._longest_step_h(water_mm > 0.0, rain_mm > 0.0))
            part = step_h / hours
            self._step(step_h, water_mm * part, rain_mm * part, demand_mm_h)
            left_h -= step_h
        self.account.lowest_content = min(self.account.lowest_content, self.rooted_content())

    def _turn(self, day: date) -> None:
        self.account.stress_days = self.stress_days()
        self._wanted_mm = self._got_mm = 0.0
        self._day = day
        self._grow(day)
        self._flow_today = self.flow_factor * max(
            0.5, 1.0 + self._doubt.flow_day * dice(self._seed, "flow", self.zone.id, day).gauss(0.0, 1.0))

    def _grow(self, day: date) -> None:
        self.plants = plants_on(self.zone, day, self.demand_factor, self.hands.cleared)
        self._roots = _roots(self.columns, self.plants.rooted_mm)

    def _taken_from_the_can_mm(self) -> float:
        poured_mm, self._poured_mm = self._poured_mm, 0.0
        self.account.watered_mm += poured_mm
        return poured_mm

    def _landed_mm(self, litres: float) -> float:
        """Water that the line truly let out, booked; what reaches the ground, in mm over the bed."""
        if litres <= 0.0:
            return 0.0
        true_litres = litres * self._flow_today
        passed_mm = true_litres / self.zone.area_m2
        lost_mm = passed_mm * LOST_IN_THE_AIR.get(self.zone.line.kind, LOST_OTHERWISE)
        self.account.litres += true_litres
        self.account.watered_mm += passed_mm
        self.account.evaporated_mm += lost_mm
        if off_the_line(self.zone, self.hands):
            self.account.ran_off_mm += passed_mm - lost_mm
            return 0.0
        return passed_mm - lost_mm

    def _longest_step_h(self, watered: bool, rained: bool) -> float:
        if watered:
            return WET_STEP_H
        if rained or any(column.restless() for column in self.columns):
            return SWIFT_STEP_H
        return 1.0

    def _step(self, hours: float, water_mm: float, rain_mm: float, demand_mm_h: float) -> None:
        account = self.account
        account.rain_mm += rain_mm
        rain_mm = self._through_mulch(rain_mm)
        if self._cover.over_the_line:
            water_mm = self._through_mulch(water_mm)
        spilled_mm = 0.0
        for i, column in enumerate(self.columns):
            inflow_mm = rain_mm + (water_mm / column.share if i == 0 else spilled_mm / column.share)
            ran_off_mm, drained_mm = column.take_in(inflow_mm, hours)
            spilled_mm = ran_off_mm * column.share
            account.drained_mm += drained_mm * column.share
            if i < len(self.columns) - 1:
                away_mm = spilled_mm * min(1.0, 0.4 + self.zone.slope_percent / 10.0)
                account.ran_off_mm += away_mm
                spilled_mm -= away_mm
        account.ran_off_mm += spilled_mm
        if len(self.columns) == 2:
            seep_sideways(self.columns[0], self.columns[1], hours)
        self._give_to_air(hours * demand_mm_h, demand_mm_h)

    def _through_mulch(self, water_mm: float) -> float:
        """What a loose cover lets through after it has drunk."""
        drunk_mm = min(water_mm, max(0.0, self._cover.holds_mm - self._mulch_mm))
        self._mulch_mm += drunk_mm
        return water_mm - drunk_mm

    def _give_to_air(self, demand_mm: float, demand_mm_h: float) -> None:
        account, plants = self.account, self.plants
        bare_mm = demand_mm * (1.0 - plants.cover)
        from_mulch_mm = min(self._mulch_mm, bare_mm)
        self._mulch_mm -= from_mulch_mm
        account.evaporated_mm += from_mulch_mm
        below_mm = (bare_mm - from_mulch_mm) * self._cover.lets_out
        for column in self.columns:
            account.evaporated_mm += column.evaporate(below_mm) * column.share
        wanted_mm = demand_mm * plants.thirst
        if wanted_mm > 0.0:
            ample = min(0.7, 0.3 + 0.35 * demand_mm_h * plants.thirst)
            got_mm = drink(self.columns, self._roots, wanted_mm, ample)
            account.transpired_mm += got_mm
            self._wanted_mm += wanted_mm
            self._got_mm += got_mm


def _earth(zone: Zone, fc_factor: float, wp_factor: float, intake_factor: float) -> Earth:
    """The true soil, around what the config says."""
    soil = zone.soil
    field_capacity = min(0.55, soil.field_capacity * fc_factor)
    wilting_point = min(soil.wilting_point * wp_factor, field_capacity - 0.03)
    intake_mm_h = soil.intake_mm_h * intake_factor
    return Earth(
        saturated=max(0.42, field_capacity + 0.08),
        field_capacity=field_capacity,
        wilting_point=wilting_point,
        conductivity_mm_h=max(soil.saturated_conductivity_mm_h * intake_factor, intake_mm_h),
        intake_mm_h=intake_mm_h,
        hollows_mm=6.0 / (1.0 + zone.slope_percent / 6.0) + (2.0 if zone.mulch else 0.0))


def _roots(columns: list[Column], rooted_mm: float) -> list[list[float]]:
    """Roots by column and layer, thinning to a third at their lower end; they sum to 1."""
    density: list[float] = []
    top_mm = 0.0
    for thickness in columns[0].thickness_mm:
        reach_mm = max(0.0, min(top_mm + thickness, rooted_mm) - top_mm)
        density.append(reach_mm * math.exp(-1.1 * (top_mm + reach_mm / 2.0) / rooted_mm))
        top_mm += thickness
    weights = [column.share * (BETWEEN_THE_LINES if i else 1.0) for i, column in enumerate(columns)]
    total = sum(weights) * sum(density)
    return [[weight * layer / total for layer in density] for weight in weights]
