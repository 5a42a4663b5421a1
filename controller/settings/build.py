"""From what the gardener wrote to physical quantities: a name becomes a `Crop`, a hose a flow in L/min.

Takes tables that have passed `checks`; nothing is refused here.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from math import inf, pi
from types import MappingProxyType
from typing import Any, Literal

from controller.agronomy.crop import CROPS, Crop, Stages
from controller.agronomy.drip import bed_rate_mm_h, run_time_multiplier
from controller.agronomy.mulch import MULCHES
from controller.agronomy.pots import AVAILABLE_SHARE
from controller.agronomy.salt import (
    SALT_TOLERANCE,
    SaltTolerance,
    leaching_fraction,
    leaching_fraction_drip,
)
from controller.agronomy.soil import SOILS, Soil, total_evaporable_mm
from controller.core import site as core
from controller.drivers.gpio import Inlet
from controller.guard.flow import DRY_S, MeterRule
from controller.guard.rules import MasterRule
from controller.settings.tables import (
    BudgetTable,
    CropTable,
    GuardTable,
    HandPotsTable,
    JobsTable,
    LineTable,
    MasterTable,
    MulchTable,
    OwnJobTable,
    PotsTable,
    RuleTable,
    SeasonTable,
    SensorTable,
    ShadeTable,
    SoilTable,
    SunPumpTable,
    SupplyTable,
    WindowTable,
    ZoneTable,
)

LineKind = Literal["dripline", "drippers", "weeper hose", "micro-spray"]

# Soils --------------------------------------------------------------------------------------------

POTTING_MIX = "potting mix"


def _potting_mix() -> Soil:
    """A nursery mix: container capacity 0.45 (low end of the targets in nursery guides of best practice, from
    memory), of which the plants can take what `agronomy.pots` says. It drinks like sand.
    """
    return replace(
        SOILS["sand"],
        texture=POTTING_MIX,
        field_capacity=0.45,
        wilting_point=0.45 - AVAILABLE_SHARE,
        readily_evaporable_mm=10.0,
        total_evaporable_mm=total_evaporable_mm(0.45, 0.45 - AVAILABLE_SHARE),
        source="nursery targets for container mixes, from memory; intake and conductivity those of sand",
    )


TEXTURES: Mapping[str, Soil] = MappingProxyType({**SOILS, POTTING_MIX: _potting_mix()})
"""What `soil` may name."""


def soil_of(zone: ZoneTable) -> Soil:
    """The zone's soil: the library's row, with what its own tables say otherwise."""
    row = TEXTURES[texture_of(zone)]
    own = _own_figures(zone, row)
    if not own:
        return row
    named = ", ".join(own)
    if "surface_store_mm" in own:
        own["surface_stores_mm"] = (own.pop("surface_store_mm"),) * 4  # on its own slope, the only one it has
    soil = replace(row, **own, source=f"{named} as configured; {row.source}")
    if own.keys().isdisjoint(("field_capacity", "wilting_point")):
        return soil
    return replace(soil, total_evaporable_mm=total_evaporable_mm(soil.field_capacity, soil.wilting_point))


def texture_of(zone: ZoneTable) -> str:
    """Name of its texture; potting mix unless it says."""
    return zone.soil.texture if isinstance(zone.soil, SoilTable) else zone.soil or POTTING_MIX


def _own_figures(zone: ZoneTable, row: Soil) -> dict[str, Any]:
    if isinstance(zone.soil, SoilTable):
        soil = zone.soil
        return {key: value for key, value in soil if key not in ("texture", "repellent") and value is not None}
    if zone.pots and zone.pots.available_share is not None:
        return {"wilting_point": row.field_capacity - zone.pots.available_share}
    return {}


# Crops --------------------------------------------------------------------------------------------


def crop_of(crop: str | CropTable) -> Crop:
    """The library's row, with what a table says otherwise."""
    if isinstance(crop, str):
        return CROPS[crop]
    row = CROPS[crop.like]
    own: dict[str, Any] = {key: value for key, value in crop if key != "like" and value is not None}
    if crop.stages_days is not None:
        initial, development, mid, late = own.pop("stages_days")
        own["stages"] = Stages(initial, development, mid, late, "as configured")
        own["other_stages"] = ()
    return replace(row, **own, source=f"{', '.join(own)} as configured; {row.source}")


# Lines --------------------------------------------------------------------------------------------

LINE_KEYS: Mapping[LineKind, tuple[str, ...]] = MappingProxyType({
    "dripline": ("emitter_flow_l_h", "emitter_spacing_m", "length_m"),
    "drippers": ("emitter_flow_l_h", "count"),
    "weeper hose": ("flow_l_h_m", "length_m"),
    "micro-spray": ("flow_l_min",),
})
"""What each kind of line must say. `SHARED_LINE_KEYS` any kind may say."""
SHARED_LINE_KEYS = ("kind", "flow_l_min", "wetted_width_m", "efficiency", "uniformity", "fill_l", "under_mulch")

EFFICIENCY: Mapping[LineKind, float] = MappingProxyType({
    "dripline": 0.90, "drippers": 0.90, "weeper hose": 0.80, "micro-spray": 0.75,
})
"""Drip 0.85 to 0.95, weeper hose 0.70 to 0.85: from memory. Micro-spray: common practice, no source."""

EVEN_EFFICIENCY: Mapping[LineKind, float] = MappingProxyType({
    "dripline": 0.95, "drippers": 0.95, "weeper hose": 0.85, "micro-spray": 0.80,
})
"""The upper ends of the same ranges, for a line whose unevenness was measured and counts by itself."""

WETTED_WIDTH_M = 0.30
"""Wet strip along a line, or wet spot of a dripper, in sandy ground: common practice, no source."""

WEEPER_EMITTER_M = 0.30
"""So much weeper hose counts as one emitter."""


def computed_flow_l_min(line: LineTable) -> float | None:
    """Flow of the zone from its emitters; None for a micro-spray, whose flow must be given."""
    emitter_l_h, hose_l_h_m, length_m = line.emitter_flow_l_h, line.flow_l_h_m, line.length_m
    if emitter_l_h and length_m and line.emitter_spacing_m:
        return emitter_l_h * length_m / line.emitter_spacing_m / 60
    if emitter_l_h and line.count:
        return emitter_l_h * line.count / 60
    if hose_l_h_m and length_m:
        return hose_l_h_m * length_m / 60
    return None


def flow_l_min(line: LineTable) -> float:
    """Flow of the zone while its valve is open: as measured, else as computed."""
    flow = line.flow_l_min or computed_flow_l_min(line)
    assert flow is not None, "checks refuse a line that does not say how much it gives"
    return flow


def _wetted_area_m2(line: LineTable, area_m2: float) -> float:
    """Ground that the line wets; lines side by side cannot wet more than there is."""
    width_m = line.wetted_width_m or WETTED_WIDTH_M
    if line.length_m:
        return min(area_m2, line.length_m * width_m)
    if line.count:
        return min(area_m2, line.count * pi / 4 * width_m**2)
    return area_m2


def efficiency_of(line: LineTable) -> float:
    """Share of the water that stays in the root zone, losses and unevenness together."""
    if line.uniformity is None:
        return line.efficiency or EFFICIENCY[line.kind]
    return (line.efficiency or EVEN_EFFICIENCY[line.kind]) / run_time_multiplier(line.uniformity)


def line_of(line: LineTable, area_m2: float) -> core.Line:
    """The line of a zone of this area."""
    flow = flow_l_min(line)
    nominal = computed_flow_l_min(line)
    emitter_l_h = line.emitter_flow_l_h or (line.flow_l_h_m and line.flow_l_h_m * WEEPER_EMITTER_M)
    return core.Line(
        kind=line.kind,
        flow_l_min=flow,
        rate_mm_h=bed_rate_mm_h(flow, _wetted_area_m2(line, area_m2)),
        efficiency=efficiency_of(line),
        emitter_flow_l_h=emitter_l_h * flow / nominal if emitter_l_h and nominal else None,
        emitter_spacing_m=WEEPER_EMITTER_M if line.flow_l_h_m else line.emitter_spacing_m,
        wetted_width_m=line.wetted_width_m,
        length_m=line.length_m,
        uniformity=line.uniformity,
        fill_l=line.fill_l,
    )


# Mulch, shade and pots ----------------------------------------------------------------------------

HOLDS_MM_PER_CM = MappingProxyType({
    "straw": 0.4, "hay": 0.4, "leaves": 0.4, "wood chips": 0.5, "bark": 0.5, "gravel": 0.3, "film": 0.0,
})
"""What a dry mulch can hold of water from above. Straw: 2.4 mm for 0.5 kg/m2, some 6 cm of it (trade figure of
4.8 times its weight). Wood chips and bark: 2 to 6 mm for 5 to 10 cm, from memory. Gravel: practice.
"""

MULCH_ROWS = MappingProxyType({
    "straw": "straw", "hay": "straw", "leaves": "straw", "wood chips": "wood chips", "bark": "wood chips",
    "gravel": "straw", "film": "plastic",
})
"""The row of `agronomy.mulch` by whose share each kind stops evaporation. Gravel as straw: practice."""


def mulch_of(mulch: MulchTable, line: LineTable) -> core.Mulch:
    """The mulch of a zone with this line."""
    return core.Mulch(
        kind=mulch.kind,
        depth_cm=mulch.depth_cm,
        cover=mulch.cover,
        evaporation_cut=MULCHES[MULCH_ROWS[mulch.kind]].evaporation_cut,
        holds_mm=HOLDS_MM_PER_CM[mulch.kind] * mulch.depth_cm,
        under_line=line.under_mulch,
    )


def hours_of(window: WindowTable) -> core.Hours:
    """A window of local time."""
    return core.Hours(window.start, window.until)


WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def rule_of(rule: RuleTable) -> core.Rule:
    """One local rule."""
    odd_even = {None: (), "odd": range(1, 32, 2), "even": range(2, 32, 2)}[rule.odd_even]
    return core.Rule(
        name=rule.name,
        forbids=rule.water == "forbidden",
        first=month_day(rule.season.start) if rule.season else None,
        last=month_day(rule.season.until) if rule.season else None,
        weekdays=frozenset(map(WEEKDAYS.index, rule.weekdays)),
        month_days=frozenset(rule.days_of_month or odd_even),
        dates=frozenset(rule.dates),
        every=rule.every_days or 1,
        since=rule.counted_from,
        hours=tuple(map(hours_of, rule.hours)),
        from_evening=rule.night_belongs_to == "the evening before",
        zones=frozenset(rule.zones),
        exempt=frozenset(rule.exempt),
    )


def budget_of(budget: BudgetTable) -> core.Budget:
    """One budget."""
    steps = tuple((inf if each.up_to_m3 is None else each.up_to_m3, each.price_m3) for each in budget.tariff)
    tariff = core.Tariff(steps, budget.house_m3) if steps else None
    most = budget.litres if budget.money is None else budget.money
    assert most is not None, "checks refuse a budget without an amount"
    return core.Budget(budget.name, budget.per, most, tariff, frozenset(budget.zones))


def month_day(text: str) -> tuple[int, int]:
    """Month and day of "05-15"."""
    month, day = text.split("-")
    return int(month), int(day)


def season_of(season: SeasonTable | str) -> tuple[tuple[int, int], tuple[int, int]] | None:
    """First and last day of a part of every year; None for the whole of it."""
    return None if isinstance(season, str) else (month_day(season.start), month_day(season.until))


def sun_pump_of(pump: SunPumpTable) -> core.SunPump:
    """The hours of a pump on sunlight."""
    return core.SunPump(pump.after_sunrise_min, pump.before_sunset_min)


def shade_of(shade: ShadeTable) -> core.Shade:
    """One shade."""
    return core.Shade(
        kind=shade.kind,
        share=shade.percent / 100,
        hours=hours_of(shade.hours) if shade.hours else None,
        months=frozenset(shade.months),
        wind_factor=shade.wind_factor,
        by_hand=shade.by_hand,
    )


def pots_of(pots: PotsTable, soil: Soil) -> core.Pots:
    """The pots; the soil in them says what plants can take from it."""
    available_share = soil.field_capacity - soil.wilting_point
    return core.Pots(pots.count, pots.volume_l, available_share, pots.moves_off_line, pots.shade_percent / 100)


def jobs_of(jobs: JobsTable, own: Iterable[OwnJobTable], by_hand: Iterable[HandPotsTable]) -> core.Jobs:
    """What the gardener's jobs go by."""
    return core.Jobs(
        call_chance=jobs.call_chance,
        thin_mulch_cm=jobs.thin_mulch_cm,
        windy_m_s=jobs.windy_m_s,
        frost_c=jobs.frost_c,
        animals=jobs.animals,
        store_l=jobs.store_l,
        by_hand=tuple(
            core.HandPots(pots.name, pots.count, CROPS[pots.crop], crown_area_m2(pots) / pots.count) for pots in by_hand
        ),
        own=tuple(
            core.OwnJob(
                job.id, job.text, job.when if isinstance(job.when, str) else (job.when.month, job.when.day),
                job.zones, job.minutes,
            )
            for job in own
        ),
    )


def crown_area_m2(pots: PotsTable | HandPotsTable) -> float:
    """Area of all crowns: each twice as wide as its pot, a pot as deep as wide (common practice, no source).

    >>> round(crown_area_m2(PotsTable(count=1, volume_l=30)), 2)
    0.36
    """
    pot_width_m = (4 * pots.volume_l / 1000 / pi) ** (1 / 3)
    crown_m2: float = pi / 4 * (2 * pot_width_m) ** 2
    return pots.count * crown_m2


def area_of(zone: ZoneTable) -> float:
    """Ground of the zone, m2; crown area of pots unless given."""
    if zone.area_m2 is not None:
        return zone.area_m2
    assert zone.pots is not None, "checks refuse a bed without an area"
    return crown_area_m2(zone.pots)


def _root_depth_m(zone: ZoneTable) -> float | None:
    """As given; for pots such that the mix, spread over the crowns' area, is as much as there is."""
    if zone.root_depth_m is not None or zone.pots is None:
        return zone.root_depth_m
    return zone.pots.count * zone.pots.volume_l / 1000 / area_of(zone)


# Salt ---------------------------------------------------------------------------------------------

SALT_ROWS = MappingProxyType({
    "chilli": "capsicum", "green onion": "dry onion", "raspberry": "berries", "blueberry": "berries",
    "wine grape": "table grape", "citrus": "orange", "citrus half cover": "orange", "citrus young": "orange",
    "lemon": "orange", "stone fruit": "peach", "stone fruit frost": "peach", "stone fruit grassed": "peach",
})
"""Crops that the list of salt tolerances has under another name, or a near kin of (common practice, no source)."""

MOST_LEACHING = 0.30
"""More than this drowns the roots that it should keep clean (common practice, no source)."""


def tolerance_of(zone: ZoneTable) -> SaltTolerance | None:
    """What its crop bears of salt; None if the list does not say."""
    crop = zone.crop if isinstance(zone.crop, str) else zone.crop.like
    return SALT_TOLERANCE.get(SALT_ROWS.get(crop, crop))


def needed_leaching(zone: ZoneTable, salinity_ds_m: float) -> float | None:
    """Share of its water that would keep salt down; None if no amount would, 0 if its crop is not in the list."""
    tolerance = tolerance_of(zone)
    if tolerance is None:
        return 0.0
    if zone.line.kind != "micro-spray":
        return leaching_fraction_drip(salinity_ds_m, tolerance.zero_yield_ds_m)
    try:
        return leaching_fraction(salinity_ds_m, tolerance.threshold_ds_m)
    except ValueError:
        return None


def salt_of(zone: ZoneTable, salinity_ds_m: float | None) -> tuple[float, float]:
    """Threshold of its crop, dS/m ECe, and share of its water that must pass the roots; 0 where nothing is known."""
    tolerance = tolerance_of(zone)
    if tolerance is None or salinity_ds_m is None:
        return 0.0, 0.0
    needed = needed_leaching(zone, salinity_ds_m)
    return tolerance.threshold_ds_m, MOST_LEACHING if needed is None else min(MOST_LEACHING, needed)


# The whole ----------------------------------------------------------------------------------------


BURST_L_MIN, PUMP_DRY_S = 5.0, 8.0
"""Flow with every valve closed that is no leak any more; how long a pump may run dry (common practice, no source)."""


def meter_rule(sensors: Sequence[SensorTable], supplies: Sequence[SupplyTable], guard: GuardTable) -> MeterRule | None:
    """What the guard makes of the flow meter, if there is one."""
    for sensor in sensors:
        if sensor.kind == "flow meter" and sensor.pulses_per_litre is not None:
            supply = supply_of(sensor, supplies)
            assert supply is not None, "checks refuse a meter of no supply"
            return MeterRule(
                supply=supply.id,
                litres_per_pulse=1.0 / sensor.pulses_per_litre,
                capacity_l_min=supply.capacity_l_min,
                leak_l_min=guard.leak_l_min,
                burst_l_min=max(guard.leak_l_min, min(BURST_L_MIN, supply.capacity_l_min / 2)),
                dry_s=PUMP_DRY_S if supply.master and supply.master.kind == "pump" else DRY_S,
            )
    return None


def pause_s(supply: SupplyTable) -> float:
    """Between closing one valve and opening the next, s: as configured, but no shorter than a pump must rest."""
    if supply.master is None:
        return supply.settle_s
    rule = master_rule(supply.master)
    return max(supply.settle_s, rule.rest_s - rule.lead_s - rule.trail_s)


def limits_s(zone: ZoneTable, guard: GuardTable) -> tuple[float, float]:
    """Longest single opening and most within 24 hours, s: the zone's own, else the guard's."""
    longest_min = zone.longest_open_min or guard.longest_open_min
    most_min = zone.most_open_min_24h or guard.most_open_min_24h
    return 60 * longest_min, 60 * most_min


def tender_until(zone: ZoneTable) -> date | None:
    """The day on which a tender zone is established, if that can be told."""
    if not zone.tender or zone.planted is None:
        return None
    left = (date.max - zone.planted).days  # a config may hold any date
    return zone.planted + timedelta(days=min(left, zone.established_after_days))


def supply_of(user: ZoneTable | SensorTable, supplies: Sequence[SupplyTable]) -> SupplyTable | None:
    """The supply that a zone or a sensor names, or the only one; None if there is none such, or more than one."""
    named = [each for each in supplies if user.supply in (None, each.id)]
    return named[0] if len(named) == 1 else None


def core_supply(supply: SupplyTable) -> core.Supply:
    """One supply."""
    dead_s = supply.master.lead_s + supply.master.trail_s if supply.master else 0.0
    return core.Supply(
        capacity_l_min=supply.capacity_l_min,
        settle_s=pause_s(supply),
        dead_s=dead_s,
        salinity_ds_m=supply.salinity_ds_m,
        id=supply.id,
        name=supply.name or supply.id,
        quiet=tuple(map(hours_of, supply.quiet)),
        sun_pump=sun_pump_of(supply.sun_pump) if supply.sun_pump else None,
        pump=supply.master is not None and supply.master.kind == "pump",
        tank=core.Tank(**supply.tank.model_dump()) if supply.tank else None,
        branches=tuple(sorted(supply.branches.items())),
    )


def zone_of(zone: ZoneTable, guard: GuardTable, supply: SupplyTable) -> core.Zone:
    """One zone, watered from this supply."""
    area_m2, soil = area_of(zone), soil_of(zone)
    longest_s, most_s = limits_s(zone, guard)
    salt_threshold_ds_m, leaching = salt_of(zone, supply.salinity_ds_m)
    return core.Zone(
        id=zone.id,
        name=zone.name or zone.id,
        crop=crop_of(zone.crop),
        soil=soil,
        line=line_of(zone.line, area_m2),
        area_m2=area_m2,
        planted=zone.planted,
        last_harvest=zone.last_harvest,
        root_depth_m=_root_depth_m(zone),
        slope_percent=zone.slope_percent,
        tender=zone.tender,
        tender_until=tender_until(zone),
        pots=pots_of(zone.pots, soil) if zone.pots else None,
        tall=zone.tall,
        mulch=mulch_of(zone.mulch, zone.line) if zone.mulch else None,
        shades=tuple(map(shade_of, zone.shade)),
        repellent=isinstance(zone.soil, SoilTable) and zone.soil.repellent,
        salt_threshold_ds_m=salt_threshold_ds_m,
        leaching_fraction=leaching,
        food=zone.food,
        value=zone.value,
        rescue=zone.rescue,
        dusk_refresh=zone.dusk_refresh,
        longest_pulse_s=longest_s,
        most_s_per_24h=most_s,
        supply=supply.id,
        branch=zone.branch or "",
    )


KINDS: Mapping[str, tuple[core.ReadingKind, float]] = MappingProxyType({
    "soil moisture": ("moisture", 0.03),
    "air temperature": ("air temperature", 0.5),
    "rain": ("rain", 0.3),
    "rain switch": ("rain switch", 0.0),
    "soil temperature": ("soil temperature", 0.5),
    "job switch": ("job switch", 0.0),
    "stop switch": ("stop switch", 0.0),
    "pressure switch": ("pressure switch", 0.0),
    "tank switch": ("tank switch", 0.0),
    "flow meter": ("flow meter", 0.0),
    "tank level": ("tank level", 0.0),
})
"""The core's word for each kind of sensor, and the standard deviation of a reading (m3/m3, degC, mm: common
practice, no source) where the config gives none.
"""


def sensor_of(sensor: SensorTable, supplies: Sequence[SupplyTable]) -> core.Sensor:
    """One sensor."""
    kind, usual_sd = KINDS[sensor.kind]
    wired = sensor.pin is not None
    stale_after_s = math.inf if wired else 60 * sensor.stale_after_min
    supply = supply_of(sensor, supplies) if sensor.kind == "tank level" else None
    return core.Sensor(
        sensor.id, kind, sensor.zone, sensor.sd or usual_sd, stale_after_s, sensor.job, wired,
        supply.id if supply else None,
    )


def inlet_of(sensor: SensorTable) -> Inlet:
    """The pin of a wired switch."""
    assert sensor.pin is not None, "only a wired switch has a pin"
    active = sensor.active or ("high" if sensor.kind == "stop switch" else "low")
    return Inlet(sensor.pin, active == "high", sensor.pull)


PUMP_REST_S, PUMP_LONGEST_RUN_MIN = 10.0, 240.0
"""A motor that starts against its own run-down draws too much; one that runs all morning runs warm: common practice,
no source."""
SWITCHING_S = 0.01
"""From the guard's decision to the level of the line. It is added to a master's dead times, so that what is configured
is kept at the lines, where a tenth of a millisecond was lacking (measured)."""


def master_rule(master: MasterTable) -> MasterRule:
    """What the guard holds a master valve or pump to."""
    pump = master.kind == "pump"
    rest_s = master.rest_s if master.rest_s is not None else PUMP_REST_S if pump else 0.0
    longest_min = master.longest_run_min or (PUMP_LONGEST_RUN_MIN if pump else None)
    lead_s, trail_s = (each and each + SWITCHING_S for each in (master.lead_s, master.trail_s))
    return MasterRule(lead_s, trail_s, rest_s, longest_min and 60 * longest_min)
