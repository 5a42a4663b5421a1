"""What ties keys and tables together: what cannot work (CHECKS), and what can but looks wrong (DOUBTS).

Each check takes the draft and yields a mistake for each thing it finds. It sees only tables that were read
whole, so a check never speaks of a table whose own keys are already refused.
"""

from calendar import monthrange
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from controller.agronomy.crop import CROPS
from controller.agronomy.sensing import RETENTION
from controller.guard.rules import INPUTS, MASTER
from controller.settings import build
from controller.settings.mistakes import Mistake, did_you_mean, one_of, shown, table_named, unknown
from controller.settings.room import Stretch, without_room
from controller.settings.tables import (
    BudgetTable,
    DigestTable,
    GuardTable,
    HandPotsTable,
    HeatTable,
    LineTable,
    MqttTable,
    NormalTable,
    OwnJobTable,
    RuleTable,
    SeasonTable,
    SensorTable,
    ShadeTable,
    SiteTable,
    SoilTable,
    SupplyTable,
    WateringTable,
    WindowTable,
    ZoneTable,
)


@dataclass(frozen=True)
class Draft:
    """A file as far as it could be read: None, or left out of a list, is what was refused.

    zone_ids: of all zones, the refused ones too.
    """

    site: SiteTable | None
    mqtt: MqttTable | None
    guard: GuardTable | None
    heat: HeatTable | None
    watering: WateringTable | None
    supplies: tuple[SupplyTable, ...]
    rule: tuple[RuleTable, ...]
    budget: tuple[BudgetTable, ...]
    normal: tuple[NormalTable, ...]
    zone: tuple[ZoneTable, ...]
    sensor: tuple[SensorTable, ...]
    zone_ids: frozenset[str]
    job: tuple[OwnJobTable, ...] = ()
    by_hand: tuple[HandPotsTable, ...] = ()
    digest: DigestTable | None = None


Check = Callable[[Draft], Iterator[Mistake]]


def _zone(zone: ZoneTable, key: str, say: str) -> Mistake:
    return Mistake(table_named("zone", 0, {"id": zone.id}), key, say)


def _sensor(sensor: SensorTable, key: str, say: str) -> Mistake:
    return Mistake(table_named("sensor", 0, {"id": sensor.id}), key, say)


def _repeated(words: Iterable[str]) -> list[str]:
    return [word for word, times in Counter(words).items() if times > 1]


# Names --------------------------------------------------------------------------------------------


def _ids(draft: Draft) -> Iterator[Mistake]:
    ids_by_name = {
        "zone": [each.id for each in draft.zone],
        "sensor": [each.id for each in draft.sensor],
        "supply": [each.id for each in draft.supplies if "id" in each.model_fields_set],
        "job": [each.id for each in draft.job],
    }
    for name, ids in ids_by_name.items():
        for twice in _repeated(ids):
            say = f"{shown(twice)} is used {ids.count(twice)} times; give each {name} an id of its own"
            yield Mistake(table_named(name, 0, {"id": twice}), "id", say)
    for zone in draft.zone:
        if zone.id == MASTER:
            yield _zone(zone, "id", f"{shown(MASTER)} is the name of the master line; call the zone otherwise")


def _supplies(draft: Draft) -> Iterator[Mistake]:
    several = len(draft.supplies) > 1
    for number, supply in enumerate(draft.supplies if several else ()):
        if "id" not in supply.model_fields_set:
            say = "is missing; where there are several supplies give each an id, and name it in its zones"
            yield Mistake(table_named("supply", number, {}), "id", say)
            return
    ids = [supply.id for supply in draft.supplies]
    for zone in draft.zone if ids else ():
        if zone.supply is None and several:
            yield _zone(zone, "supply", f"is missing; say which it hangs on: {one_of(ids)}")
        elif zone.supply is not None and zone.supply not in ids:
            yield _zone(zone, "supply", unknown("supply of this file", zone.supply, ids))


def _timezone(draft: Draft) -> Iterator[Mistake]:
    if draft.site and _tz(draft.site) is None:
        name = draft.site.timezone
        hint = did_you_mean(name, available_timezones()) or 'write area and city, as "Europe/Lisbon"'
        yield Mistake("[site]", "timezone", f"{shown(name)} is no time zone of the IANA list; {hint}")


def _tz(site: SiteTable) -> ZoneInfo | None:
    try:
        return ZoneInfo(site.timezone)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # ValueError: "../x"; OSError: "Europe", a directory
        return None


def _crops(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        key, crop = ("crop", zone.crop) if isinstance(zone.crop, str) else ("crop.like", zone.crop.like)
        if crop not in CROPS:
            hint = 'or describe it with a table, crop = {name = "...", like = "tomato"}'
            yield _zone(zone, key, f"{unknown('crop of the library', crop, CROPS)}; {hint}")


def _soils(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        key = "soil.texture" if isinstance(zone.soil, SoilTable) else "soil"
        if build.texture_of(zone) not in build.TEXTURES:
            yield _zone(zone, key, unknown("texture", build.texture_of(zone), build.TEXTURES))
        elif zone.soil is None and zone.pots is None:
            yield _zone(zone, key, f"is missing; give a texture: {one_of(build.TEXTURES)}")
        elif (soil := build.soil_of(zone)).field_capacity <= soil.wilting_point:
            capacity, wilting = f"field_capacity {soil.field_capacity:g}", f"wilting_point {soil.wilting_point:g}"
            yield _zone(zone, "soil", f"{capacity} must be above {wilting}; else the soil holds nothing for plants")


def _pots(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        if zone.pots and zone.pots.available_share is not None and zone.soil is not None:
            say = "is what field_capacity and wilting_point of soil say already; take one of them out"
            yield _zone(zone, "pots.available_share", say)


def _tender(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        if "established_after_days" in zone.model_fields_set and not (zone.tender and zone.planted):
            say = "counts from the planting of a tender zone; give tender = true and planted, or take this out"
            yield _zone(zone, "established_after_days", say)


def _last_harvest(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        if zone.last_harvest and zone.planted and zone.last_harvest <= zone.planted:
            say = f"{zone.last_harvest} is not after planted, {zone.planted}; give the day of the last harvest"
            yield _zone(zone, "last_harvest", say)


# Shade --------------------------------------------------------------------------------------------


def _shades(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        for number, shade in enumerate(zone.shade, start=1):
            for key, say in _shade(shade):
                yield _zone(zone, f"shade no. {number}.{key}", say)


def _shade(shade: ShadeTable) -> Iterator[tuple[str, str]]:
    if shade.hours and shade.hours.start == shade.hours.until:
        yield "hours", f"begins and ends at {shade.hours.start}; for shade all day leave hours out"
    for twice in _repeated(map(str, shade.months)):
        yield "months", f"{twice} is there twice; give each month once"
    if shade.by_hand and shade.kind != "cloth":
        yield "by_hand", f"is true, but nobody puts up a {shade.kind}; take it out, or call it cloth"


# Pins ---------------------------------------------------------------------------------------------

PULLED_UP_AT_START = range(9)
"""GPIO 0 to 8 are pulled up while a Raspberry Pi starts, 9 to 27 down (BCM2835 ARM Peripherals, p. 102)."""

FILLS = 5.0
"""An opening is to last as long as so many fillings of its line (5 to 10: common practice, no source)."""

OTHER_DUTIES = {
    0: "the ID EEPROM of add-on boards", 1: "the ID EEPROM of add-on boards",
    2: "I2C, with a strong pull-up of its own", 3: "I2C, with a strong pull-up of its own",
    14: "the serial console", 15: "the serial console",
}


def _pins(draft: Draft) -> Iterator[tuple[str, str, str, int]]:
    """Of everything on a pin: table, key, name for people, pin."""
    yield from ((table, key, name, pin) for table, key, name, pin, _ in _lines(draft))
    for sensor in draft.sensor:
        if sensor.pin is not None:
            yield table_named("sensor", 0, {"id": sensor.id}), "pin", shown(sensor.id), sensor.pin


def _lines(draft: Draft) -> Iterator[tuple[str, str, str, int, str]]:
    """Of every valve: table, key, name for people, pin, active level."""
    for supply in draft.supplies:
        if master := supply.master:
            yield _supply_named(draft, supply), "master.pin", _masters_name(draft, supply), master.pin, master.active
    for zone in draft.zone:
        table, valve = table_named("zone", 0, {"id": zone.id}), zone.valve
        yield table, "valve.pin", shown(zone.id), valve.pin, valve.active


def _supply_named(draft: Draft, supply: SupplyTable) -> str:
    return "[supply]" if len(draft.supplies) == 1 else table_named("supply", 0, {"id": supply.id})


def _masters_name(draft: Draft, supply: SupplyTable) -> str:
    return "the master" if len(draft.supplies) == 1 else f"the master of {shown(supply.id)}"


def _pins_shared(draft: Draft) -> Iterator[Mistake]:
    taken: dict[int, str] = {}
    for table, key, name, pin in _pins(draft):
        if pin in taken:
            what = "switch" if key == "pin" else "valve"
            yield Mistake(table, key, f"{pin} is already used by {taken[pin]}; give each {what} a pin of its own")
        taken.setdefault(pin, name)


def _pins_pulled(draft: Draft) -> Iterator[Mistake]:
    for table, key, _, pin, active in _lines(draft):
        pulled = "high" if pin in PULLED_UP_AT_START else "low"
        if active == pulled:
            off, pins = ("low", "9 to 27") if active == "high" else ("high", "4 to 8")
            why = f"{pin} is pulled {pulled} while the Pi starts, which opens an active-{active} relay until then"
            yield Mistake(table, key, f"{why}; take a pin from {pins}, or fit 10 kOhm that holds it {off}")


def _pins_in_demand(draft: Draft) -> Iterator[Mistake]:
    for table, key, _, pin in _pins(draft):
        if pin in OTHER_DUTIES:
            yield Mistake(table, key, f"{pin} also serves {OTHER_DUTIES[pin]}; another pin is safer")


# Water --------------------------------------------------------------------------------------------


def _missing_line_keys(line: LineTable) -> list[str]:
    return [key for key in build.LINE_KEYS[line.kind] if getattr(line, key) is None]


def _line_keys(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        needed = build.LINE_KEYS[zone.line.kind]
        for key in _missing_line_keys(zone.line):
            yield _zone(zone, f"line.{key}", f"is missing; {zone.line.kind} needs {' and '.join(needed)}")
        for key in zone.line.model_fields_set - {*needed, *build.SHARED_LINE_KEYS}:
            say = f"says nothing about {zone.line.kind}; that takes {' and '.join(needed)}"
            yield _zone(zone, f"line.{key}", say)


def _areas(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        if zone.area_m2 is None and zone.pots is None:
            yield _zone(zone, "area_m2", "is missing; give the ground of the zone in m2, or a table pots")


def _flows(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        supply = build.supply_of(zone, draft.supplies)
        flow_l_min = 0.0 if _missing_line_keys(zone.line) else build.flow_l_min(zone.line)
        if supply is not None and flow_l_min > supply.capacity_l_min:
            say = f"draws {flow_l_min:.1f} L/min, more than the supply's {supply.capacity_l_min:g} L/min"
            yield _zone(zone, "line", f"{say}; split the zone, use smaller emitters, or correct capacity_l_min")


def _mulches(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        if zone.line.under_mulch and zone.mulch is None:
            yield _zone(zone, "line.under_mulch", "is true, but the zone has no mulch; add it, or take this out")


def _limits(draft: Draft) -> Iterator[Mistake]:
    if draft.guard is None:
        return
    guard = draft.guard
    if guard.most_open_min_24h < guard.longest_open_min:
        say = _too_little(guard.most_open_min_24h, guard.longest_open_min)
        yield Mistake("[guard]", "most_open_min_24h", say)
        return
    for zone in draft.zone:
        longest_s, most_s = build.limits_s(zone, guard)
        if most_s < longest_s:
            key = "most_open_min_24h" if zone.most_open_min_24h else "longest_open_min"
            yield _zone(zone, key, _too_little(most_s / 60, longest_s / 60))


def _pairs(draft: Draft) -> Iterator[Mistake]:
    for pair in draft.guard.never_together if draft.guard and draft.zone_ids else ():
        for zone in pair:
            if zone not in draft.zone_ids:
                yield Mistake(
                    "[guard]", "never_together", unknown("zone of this file", zone, sorted(draft.zone_ids))
                )
        if pair[0] == pair[1]:
            yield Mistake("[guard]", "never_together", f"names {shown(pair[0])} twice in one pair; name two zones")


def _too_little(most_min: float, longest_min: float) -> str:
    say = f"most_open_min_24h {most_min:g} is less than longest_open_min {longest_min:g}"
    return f"{say}; a single opening may not pass the day's limit"


def _dead_times(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone if draft.guard else ():
        assert draft.guard is not None
        supply = build.supply_of(zone, draft.supplies)
        if supply is None or _missing_line_keys(zone.line):
            continue
        dead_s = supply.master.lead_s + supply.master.trail_s if supply.master else 0.0
        fill_s = 60.0 * zone.line.fill_l / build.flow_l_min(zone.line)
        longest_s, _ = build.limits_s(zone, draft.guard)
        if longest_s <= dead_s:
            say = f"{longest_s / 60:g} is no longer than the master's lead_s and trail_s together ({dead_s:g} s)"
            yield _zone(zone, "longest_open_min", f"{say}, so no water would come; allow more, or shorten those")
        elif longest_s <= dead_s + FILLS * fill_s:
            say = f"{zone.line.fill_l:g} L take {fill_s / 60:.1f} min, and an opening may last {longest_s / 60:g} min"
            yield _zone(zone, "line.fill_l", f"{say}; much of it would only fill the line; check it, or allow more")


def _branches(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone if draft.supplies else ():
        supply = build.supply_of(zone, draft.supplies)
        if supply is None or zone.branch is None or _missing_line_keys(zone.line):
            continue
        carries_l_min = supply.branches.get(zone.branch)
        if not supply.branches:
            yield _zone(zone, "branch", f"{shown(zone.branch)} is nowhere; name it in branches of its supply")
        elif carries_l_min is None:
            yield _zone(zone, "branch", unknown("branch of its supply", zone.branch, sorted(supply.branches)))
        elif (flow_l_min := build.flow_l_min(zone.line)) > carries_l_min:
            say = f"{shown(zone.branch)} carries {carries_l_min:g} L/min, and the zone alone takes {flow_l_min:.2g}"
            yield _zone(zone, "branch", say)


# Sensors ------------------------------------------------------------------------------------------

UNITS: dict[str, tuple[str, ...]] = {
    "soil moisture": ("m3/m3", "%", "permittivity", "kPa", "cb", "raw"),
    "air temperature": ("°C", "°F", "raw"),
    "rain": ("mm", "in", "raw"),
    "soil temperature": ("°C", "°F", "raw"),
    "flow meter": ("pulses", "L"),
    "tank level": ("L", "raw"),
}
"""Units that each kind of sensor may report in; a switch has none."""

CANONICAL = {
    "soil moisture": ("m3/m3", 0.0, 1.0),
    "air temperature": ("°C", -60.0, 70.0),
    "rain": ("mm", 0.0, 500.0),
    "soil temperature": ("°C", -60.0, 70.0),
    "tank level": ("L", 0.0, 1e6),
}
"""Unit and range of the values of a calibration."""

CONVERSIONS: dict[str, tuple[str, ...]] = {
    "calibration": (), "polynomial": (), "permittivity": ("permittivity",), "tension": ("kPa", "cb"),
}
"""Ways from the number in a payload to the value, with the units that each is for; none: for any."""

CONVERSIONS_LACKING = {
    "raw": ("calibration", "raw counts need [[raw, value], [raw, value]] with the values in {unit}"),
    "permittivity": ("permittivity", 'give "topp" or "ledieu", or a calibration with the values in {unit}'),
    "kPa": ("tension", "true takes the texture of the zone; or give a calibration with the values in {unit}"),
    "cb": ("tension", "true takes the texture of the zone; or give a calibration with the values in {unit}"),
}
"""Units that need one of them: the key to name, and what to say."""

NUMBER_KEYS = ("unit", *CONVERSIONS, "sd")
HERE = ("localhost", "127.0.0.1", "::1")
"""This very machine."""
SWITCHED_JOBS = "shade", "pots", "mulch-back"
WORD_KEYS = ("on", "off")

ZONED = ("soil moisture", "soil temperature", "job switch")
"""Kinds of sensor that may stand in a zone; the first must."""


def _sensor_zones(draft: Draft) -> Iterator[Mistake]:
    if not draft.zone_ids:
        return
    for sensor in draft.sensor:
        if sensor.zone is not None and sensor.kind not in ZONED:
            yield _sensor(sensor, "zone", f"{sensor.kind} belongs to the whole site; take zone out")
        elif sensor.zone is None and sensor.kind == "soil moisture":
            say = f"is missing; say which zone the probe stands in: {one_of(sorted(draft.zone_ids))}"
            yield _sensor(sensor, "zone", say)
        elif sensor.zone is not None and sensor.zone not in draft.zone_ids:
            yield _sensor(sensor, "zone", unknown("zone of this file", sensor.zone, sorted(draft.zone_ids)))


def _wires(draft: Draft) -> Iterator[Mistake]:
    """A sensor speaks on a topic; a switch may stand at a pin instead."""
    for sensor in draft.sensor:
        switch = sensor.kind in INPUTS or sensor.kind == "flow meter"
        if sensor.pin is None and sensor.topic is None:
            or_pin = ", or the pin that it is wired to" if switch else ""
            yield _sensor(sensor, "topic", f"is missing; give the MQTT topic it publishes on{or_pin}")
        elif sensor.pin is not None and not switch:
            say = f"only what the guard reads may stand at a pin; {sensor.kind} speaks on a topic"
            yield _sensor(sensor, "pin", say)
        elif sensor.pin is not None and sensor.topic is not None:
            yield _sensor(sensor, "pin", "stands beside topic; a switch is heard one way only, take one of them out")
        for key in sorted(sensor.model_fields_set & set(PIN_KEYS)) if sensor.pin is None else ():
            yield _sensor(sensor, key, "says something about a pin; give pin as well, or take it out")
        for key in sorted(sensor.model_fields_set & set(TOPIC_KEYS)) if sensor.pin is not None else ():
            yield _sensor(sensor, key, "says something about messages, and a pin sends none; take it out")


PIN_KEYS = ("active", "pull")
TOPIC_KEYS = ("unit", "pointer", "on", "off", "stale_after_min", "time_pointer")


def _meters(draft: Draft) -> Iterator[Mistake]:
    meters = [sensor for sensor in draft.sensor if sensor.kind == "flow meter"]
    for sensor in meters[1:]:
        yield _sensor(sensor, "kind", f"{shown(meters[0].id)} is a flow meter already; one stands before all valves")
    for sensor in draft.sensor:
        if sensor.kind != "flow meter" and sensor.pulses_per_litre is not None:
            yield _sensor(sensor, "pulses_per_litre", f"says nothing about {sensor.kind}; take it out")
        elif sensor.kind == "flow meter" and sensor.pulses_per_litre is None:
            say = "is missing; it stands on the meter or in its papers, or count them while a bucket fills"
            yield _sensor(sensor, "pulses_per_litre", say)
    for sensor in draft.sensor if draft.supplies else ():
        if sensor.kind not in ("flow meter", "tank level") and sensor.supply is not None:
            yield _sensor(sensor, "supply", f"says nothing about {sensor.kind}; take it out")
        elif sensor.kind == "flow meter" and build.supply_of(sensor, draft.supplies) is None:
            known = one_of(supply.id for supply in draft.supplies)
            yield _sensor(sensor, "supply", f"must say whose water the meter counts; give {known}")


def _tanks(draft: Draft) -> Iterator[Mistake]:
    for supply in draft.supplies:
        tank = supply.tank
        if tank and tank.kept_l >= tank.capacity_l:
            say = f"{tank.kept_l:g} must be less than the tank holds, {tank.capacity_l:g} L"
            yield Mistake(_supply_named(draft, supply), "tank.kept_l", say)
        if tank and tank.start_l is not None and tank.start_l > tank.capacity_l:
            say = f"{tank.start_l:g} is more than the tank holds, {tank.capacity_l:g} L"
            yield Mistake(_supply_named(draft, supply), "tank.start_l", say)
    for sensor in draft.sensor if draft.supplies else ():
        if sensor.kind != "tank level":
            continue
        mine = build.supply_of(sensor, draft.supplies)
        if mine is None:
            yield _sensor(sensor, "supply", f"must say whose tank it is; give {one_of(s.id for s in draft.supplies)}")
        elif mine.tank is None:
            yield _sensor(sensor, "kind", "is tank level, but its supply has no tank; give the supply a tank table")


def _alien_keys(draft: Draft) -> Iterator[Mistake]:
    for sensor in draft.sensor:
        for key in sorted(sensor.model_fields_set & {*(WORD_KEYS if sensor.kind in UNITS else NUMBER_KEYS)}):
            yield _sensor(sensor, key, f"says nothing about {sensor.kind}; take it out")


def _job_switches(draft: Draft) -> Iterator[Mistake]:
    for sensor in draft.sensor:
        if sensor.kind == "job switch" and sensor.job is None:
            yield _sensor(sensor, "job", f"is missing; say what it tells of: {one_of(SWITCHED_JOBS)}")
        elif sensor.kind != "job switch" and sensor.job is not None:
            yield _sensor(sensor, "job", f"says nothing about {sensor.kind}; take it out")


def _units(draft: Draft) -> Iterator[Mistake]:
    for sensor in draft.sensor:
        units = UNITS.get(sensor.kind)
        if units and sensor.unit is None and sensor.pin is not None:
            continue
        if units and sensor.unit is None:
            yield _sensor(sensor, "unit", f"is missing; give {one_of(units)}")
        elif units and sensor.unit not in units:
            say = f"{shown(sensor.unit)} is no unit of {sensor.kind}; give {one_of(units)}"
            yield _sensor(sensor, "unit", say)


def _words(draft: Draft) -> Iterator[Mistake]:
    for sensor in draft.sensor:
        if sensor.kind in UNITS:
            continue
        if (sensor.on is None) != (sensor.off is None):
            lacks, other = ("off", "on") if sensor.off is None else ("on", "off")
            yield _sensor(sensor, lacks, f"is missing; whoever names the word for {other} names both")
        elif sensor.on is not None and sensor.on == sensor.off:
            yield _sensor(sensor, "off", f"{shown(sensor.off)} is also the word for on; the two must differ")


def _with_units(draft: Draft) -> Iterator[tuple[SensorTable, str]]:
    """The sensors that report in a unit of their kind, with it."""
    for sensor in draft.sensor:
        if sensor.unit is not None and sensor.unit in UNITS.get(sensor.kind, ()):
            yield sensor, sensor.unit


def _conversions(draft: Draft) -> Iterator[Mistake]:
    for sensor, unit in _with_units(draft):
        given = [key for key in CONVERSIONS if getattr(sensor, key)]
        if len(given) > 1:
            yield _sensor(sensor, given[1], f"stands beside {given[0]}; one of them is enough, take the other out")
        elif not given and unit in CONVERSIONS_LACKING:
            key, say = CONVERSIONS_LACKING[unit]
            yield _sensor(sensor, key, f"is missing; {say.format(unit=CANONICAL[sensor.kind][0])}")
        for key in given[:1]:
            if CONVERSIONS[key] and unit not in CONVERSIONS[key]:
                say = f"says nothing about {shown(unit)}; it goes with the unit {one_of(CONVERSIONS[key])}"
                yield _sensor(sensor, key, say)


def _calibrations(draft: Draft) -> Iterator[Mistake]:
    for sensor in draft.sensor:
        if sensor.calibration and sensor.kind in CANONICAL and (say := _calibration(sensor)):
            yield _sensor(sensor, "calibration", say)
        if sensor.polynomial and not any(sensor.polynomial[1:]):
            say = "has no coefficient but the constant; the sensor would always say the same"
            yield _sensor(sensor, "polynomial", say)


def _calibration(sensor: SensorTable) -> str | None:
    unit, low, high = CANONICAL[sensor.kind]
    points = sorted(sensor.calibration or ())
    values = [value for _, value in points]
    for (raw, value), (next_raw, next_value) in pairwise(points):
        if raw == next_raw:
            return f"two points have the raw reading {raw:g}; take one in dry and one in wet conditions"
        if value == next_value:
            return f"two points have the value {value:g}; between them the sensor would always say the same"
    if values not in (sorted(values), sorted(values, reverse=True)):
        return "the values must all rise or all fall with the raw reading; one of the points is wrong"
    if values and not low <= min(values) <= max(values) <= high:
        return f"the values {min(values):g} and {max(values):g} must be in {unit}, from {low:g} to {high:g}"
    return None


def _tensions(draft: Draft) -> Iterator[Mistake]:
    textures = {zone.id: build.texture_of(zone) for zone in draft.zone}
    for sensor in draft.sensor:
        texture = textures.get(sensor.zone or "")
        if sensor.tension and texture in build.TEXTURES and texture not in RETENTION:
            say = f"there is no retention curve for {shown(texture)}, only for {one_of(RETENTION)}"
            yield _sensor(sensor, "tension", f"{say}; give a calibration instead")


def _topics(draft: Draft) -> Iterator[Mistake]:
    taken: dict[tuple[str, str | None], str] = {}
    for sensor in draft.sensor:
        if sensor.topic is None:
            continue
        place = (sensor.topic, sensor.pointer)
        if place in taken:
            say = f"{shown(sensor.topic)} is already read by {shown(taken[place])} at the same place"
            yield _sensor(sensor, "topic", f"{say}; each sensor needs a topic or a pointer of its own")
        taken.setdefault(place, sensor.id)


def _time_pointers(draft: Draft) -> Iterator[Mistake]:
    for sensor in draft.sensor:
        if sensor.time_pointer is not None and sensor.pointer is None:
            yield _sensor(sensor, "time_pointer", "needs a JSON payload; give pointer as well, or take it out")


# Jobs and the digest ------------------------------------------------------------------------------


def _own_jobs(draft: Draft) -> Iterator[Mistake]:
    for job in draft.job:
        for zone in job.zones:
            if draft.zone_ids and zone not in draft.zone_ids:
                say = unknown("zone of this file", zone, sorted(draft.zone_ids))
                yield Mistake(table_named("job", 0, {"id": job.id}), "zones", say)
    for pots in draft.by_hand:
        if pots.crop not in CROPS:
            yield Mistake("[[by_hand]]", "crop", unknown("crop of the library", pots.crop, CROPS))


def _digest(draft: Draft) -> Iterator[Mistake]:
    digest = draft.digest
    if digest is None:
        return
    quiet = digest.quiet
    if quiet.start == quiet.until:
        say = f"begins and ends at {quiet.start}; give an hour that you would not mind, as 03:00:00 to 03:01:00"
        yield Mistake("[digest]", "quiet", say)
    elif _within(digest.at, quiet):
        say = f"{digest.at} lies in the quiet hours, {quiet.start} to {quiet.until}; nothing would ever be sent"
        yield Mistake("[digest]", "at", say)
    mail = digest.mail
    if mail is not None and mail.password_file is not None and mail.username is None:
        yield Mistake("[digest]", "mail.username", "is missing; a password needs the name it belongs to")
    if mail is not None and mail.security == "none" and mail.host not in HERE:
        say = f"is none, and {mail.host} is another machine; take tls or starttls"
        yield Mistake("[digest]", "mail.security", say)
    elif mail is not None and mail.security == "none" and mail.username is not None:
        say = "is none, which would send the password readable; take tls or starttls"
        yield Mistake("[digest]", "mail.security", say)


def _within(clock: time, window: WindowTable) -> bool:
    if window.start < window.until:
        return window.start <= clock < window.until
    return clock >= window.start or clock < window.until


# Times and weather --------------------------------------------------------------------------------


def _heat(draft: Draft) -> Iterator[Mistake]:
    if draft.heat and draft.heat.mild_day_c >= draft.heat.hot_day_c:
        say = f"{draft.heat.mild_day_c:g} must be below hot_day_c, {draft.heat.hot_day_c:g}"
        yield Mistake("[heat]", "mild_day_c", say)
    if draft.heat and draft.heat.hot_night_c >= draft.heat.hot_day_c:
        say = f"{draft.heat.hot_night_c:g} must be below hot_day_c, {draft.heat.hot_day_c:g}"
        yield Mistake("[heat]", "hot_night_c", say)


def _normals(draft: Draft) -> Iterator[Mistake]:
    for normal in draft.normal:
        if normal.tmin_c > normal.tmax_c:
            say = f"{normal.tmin_c:g} is above tmax_c, {normal.tmax_c:g}; were they swapped?"
            yield Mistake(table_named("normal", 0, {"month": normal.month}), "tmin_c", say)
    months = [normal.month for normal in draft.normal]
    if not months:
        return
    for twice in _repeated(map(str, months)):
        yield Mistake("[[normal]]", "month", f"{twice} is there twice; give each month once")
    lacking = [str(month) for month in range(1, 13) if month not in months]
    if lacking and len(months) == len(set(months)):
        say = f"month {', '.join(lacking)} is missing; give all twelve months, or none"
        yield Mistake("[[normal]]", "month", say)


def _login(draft: Draft) -> Iterator[Mistake]:
    if draft.mqtt is None:
        return
    if draft.mqtt.password_file is not None and draft.mqtt.username is None:
        yield Mistake("[mqtt]", "username", "is missing; a password needs the name it belongs to")
    tls = draft.mqtt.tls
    if tls and (tls.cert_file is None) != (tls.key_file is None):
        lacks = "cert_file" if tls.cert_file is None else "key_file"
        yield Mistake("[mqtt]", f"tls.{lacks}", "is missing; cert_file and key_file go together")


def _password_in_the_clear(draft: Draft) -> Iterator[Mistake]:
    mqtt = draft.mqtt
    if mqtt and mqtt.username and mqtt.tls is None and mqtt.host not in HERE:
        yield Mistake("[mqtt]", "tls", f"without it the password crosses the network to {shown(mqtt.host)} readable")


def _windows(draft: Draft) -> Iterator[Mistake]:
    for number, window in enumerate(draft.watering.allowed if draft.watering else ()):
        if window.start == window.until:
            say = f"begins and ends at {window.start}, so it never opens; for all hours leave allowed out"
            yield Mistake("[watering]", f"allowed no. {number + 1}", say)


def _season(draft: Draft) -> Iterator[Mistake]:
    season = draft.watering.season if draft.watering else "on"
    if not isinstance(season, str):
        yield from (Mistake("[watering]", f"season.{key}", say) for key, say in _ends(season))


def _ends(season: SeasonTable) -> Iterator[tuple[str, str]]:
    """What is wrong with the first or the last day of a season."""
    for key, text in (("from", season.start), ("until", season.until)):
        if (say := _no_such_day(text)) is not None:
            yield key, say


def _rules(draft: Draft) -> Iterator[Mistake]:
    named: list[tuple[str, RuleTable | BudgetTable]] = [
        *(("rule", each) for each in draft.rule),
        *(("budget", each) for each in draft.budget),
    ]
    names = [each.name for _, each in named]
    for number, (name, each) in enumerate(named):
        table = table_named(name, number, {"id": each.name})
        if names.index(each.name) < number:
            yield Mistake(table, "name", "is used twice; give each rule and each budget a name of its own")
        for zone in each.zones:
            if draft.zone_ids and zone not in draft.zone_ids:
                yield Mistake(table, "zones", unknown("zone of this file", zone, sorted(draft.zone_ids)))
        for key, say in _rule(each) if isinstance(each, RuleTable) else _budget(each):
            yield Mistake(table, key, say)


def _budget(budget: BudgetTable) -> Iterator[tuple[str, str]]:
    if (budget.litres is None) == (budget.money is None):
        yield "litres", "or money: give the one or the other"
    elif budget.money is not None and not budget.tariff:
        yield "tariff", "is missing; without the price nobody can tell how much water the money buys"
    elif budget.money is None and (budget.tariff or budget.house_m3):
        yield "tariff", "says nothing about litres; take it and house_m3 out, or give money"
    ends = [step.up_to_m3 for step in budget.tariff]
    if ends and ends[-1] is not None:
        yield "tariff", "ends; leave up_to_m3 out of its last step, which holds for all the rest"
    rest = [end for end in ends[:-1] if end is not None]
    if len(rest) < len(ends) - 1 or rest != sorted(set(rest)):
        yield "tariff", "must rise: each step but the last has an up_to_m3, larger than that of the step before"


def _rule(rule: RuleTable) -> Iterator[tuple[str, str]]:
    named = rule.weekdays or rule.odd_even or rule.days_of_month or rule.dates or rule.every_days or rule.hours
    if rule.water == "only then" and not named:
        yield "water", "is allowed only at the times that the rule names, and it names none; give days or hours"
    elif not named and rule.season is None:
        yield "water", "is forbidden for good, as the rule names no time; give season, days or hours"
    if rule.odd_even and rule.days_of_month:
        yield "days_of_month", "stands beside odd_even; one of them is enough, or make two rules"
    if (rule.every_days is None) != (rule.counted_from is None):
        lacks, other = ("every_days", "counted_from") if rule.every_days is None else ("counted_from", "every_days")
        yield lacks, f"is missing; it goes together with {other}"
    for number, window in enumerate(rule.hours, start=1):
        if window.start == window.until:
            yield f"hours no. {number}", f"begins and ends at {window.start}; for the whole day leave hours out"
    if rule.night_belongs_to != "its own day" and not any(each.until < each.start for each in rule.hours):
        yield "night_belongs_to", "says nothing without hours across midnight; take it out"
    if rule.season is not None:
        yield from ((f"season.{key}", say) for key, say in _ends(rule.season))


def _no_such_day(text: str) -> str | None:
    month, day = build.month_day(text)
    last = monthrange(2024, month)[1]  # a leap year: the rule may name the 29th of February
    return f"{shown(text)} is no day of any year; that month ends with {month:02}-{last}" if day > last else None


def _quiet(draft: Draft) -> Iterator[Mistake]:
    for supply in draft.supplies:
        for number, window in enumerate(supply.quiet, start=1):
            if window.start == window.until:
                say = f"begins and ends at {window.start}, so it would never run; give the hours in which it must not"
                yield Mistake(_supply_named(draft, supply), f"quiet no. {number}", say)


def _without_room(draft: Draft) -> dict[str, Stretch]:
    site, watering, timezone = draft.site, draft.watering, _tz(draft.site) if draft.site else None
    return without_room(site, watering, timezone) if site and watering and timezone else {}


def _little_room(draft: Draft) -> Iterator[Mistake]:
    found = _without_room(draft)
    if "dusk" in found and not any(zone.dusk_refresh for zone in draft.zone):
        del found["dusk"]
    if len(found) == 2:
        say = f"leaves no room for {found['dawn']} nor for {found['dusk']}; water will run by day, when most is lost"
    elif "dawn" in found:
        say = f"leaves no room for {found['dawn']}; the soak will wait for the first open hour"
    elif found:
        say = f"leaves no room for {found['dusk']}; nothing will run then"
    if found:
        yield Mistake("[watering]", "allowed", say)


# Doubts -------------------------------------------------------------------------------------------

FASTEST_MM_H = 200.0
"""More than this on the wetted ground runs off anywhere, or the area is wrong (common practice, no source)."""

FASTEST_OVER_AREA_MM_H = 60.0
"""Six days' demand of a hot week in an hour: then flow or area is wrong (common practice, no source)."""

LONGEST_OPEN_MIN = 240.0

DRY_DAY_MM = 6.0
"""What a warm, dry day draws at the least (FAO-56 Table 2, arid and warm: 6 to 8 mm; from memory)."""


def _floods(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        if _missing_line_keys(zone.line) or (zone.area_m2 is None and zone.pots is None):
            continue
        area_m2 = build.area_of(zone)
        line = build.line_of(zone.line, area_m2)
        over_area_mm_h = 60 * line.flow_l_min / area_m2
        if line.rate_mm_h > FASTEST_MM_H:
            say = f"puts {line.rate_mm_h:.0f} mm an hour on the ground it wets; check its flow and wetted_width_m"
            yield _zone(zone, "line", say)
        elif over_area_mm_h > FASTEST_OVER_AREA_MM_H:
            say = f"gives {over_area_mm_h:.0f} mm an hour over the zone's {area_m2:.2g} m2; check flow and area_m2"
            yield _zone(zone, "line", say)


def _measured(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        measured, computed = zone.line.flow_l_min, build.computed_flow_l_min(zone.line)
        if measured and computed and not 0.5 <= measured / computed <= 2:
            say = f"{measured:g} is far from the {computed:.2g} L/min that its emitters should give; measure again"
            yield _zone(zone, "line.flow_l_min", say)


def _salt(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        supply = build.supply_of(zone, draft.supplies)
        salinity_ds_m = supply.salinity_ds_m if supply else None
        if not salinity_ds_m:
            continue
        crop = zone.crop if isinstance(zone.crop, str) else zone.crop.name
        needed = build.needed_leaching(zone, salinity_ds_m)
        if build.tolerance_of(zone) is None:
            say = f"nobody has printed what {shown(crop)} bears of salt; salinity_ds_m is not reckoned with here"
            yield _zone(zone, "crop", say)
        elif needed is None or needed > build.MOST_LEACHING:
            say = f"water of {salinity_ds_m:g} dS/m is too salty for {shown(crop)}"
            most = f"{build.MOST_LEACHING:.0%} of it goes to wash salt down, which is not enough"
            yield _zone(zone, "crop", f"{say}; {most}")


def _runs_dry(draft: Draft) -> Iterator[Mistake]:
    levels = [build.supply_of(sensor, draft.supplies) for sensor in draft.sensor if sensor.kind == "tank level"]
    for supply in draft.supplies:
        if supply.tank and not supply.tank.inflow_l_h and supply not in levels:
            say = "nothing flows in and no tank level is measured; once emptied by the books it stays empty for good"
            yield Mistake(_supply_named(draft, supply), "tank", say)


def _long_openings(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone if draft.guard else ():
        assert draft.guard is not None
        longest_min = build.limits_s(zone, draft.guard)[0] / 60
        if longest_min > LONGEST_OPEN_MIN:
            yield _zone(zone, "longest_open_min", f"{longest_min:g} guards little: a stuck plan would run that long")


def _falls_behind(draft: Draft) -> Iterator[Mistake]:
    """Most days have no watering but the dawn soak. It may take half of the valve's day (`core.plan`), and in all its
    time, rests and all, it can bring no more than the ground takes in."""
    if draft.guard is None or draft.watering is None:
        return
    for zone in draft.zone:
        if zone.pots is not None:
            continue
        area_m2 = build.area_of(zone)
        line, intake_mm_h = build.line_of(zone.line, area_m2), build.soil_of(zone).intake_mm_h
        dawn_min = 60 * draft.watering.dawn_earliest_h - draft.watering.dawn_margin_min
        by_ground_min = dawn_min * min(1.0, intake_mm_h / line.rate_mm_h)
        by_valve_min = build.limits_s(zone, draft.guard)[1] / 60 / 2
        soak_mm = min(by_ground_min, by_valve_min) * line.flow_l_min / area_m2 * line.efficiency
        if soak_mm < DRY_DAY_MM:
            what = "more emitters help" if by_ground_min < by_valve_min else "a longer most_open_min_24h helps"
            say = f"a dawn soak brings {soak_mm:.1f} mm at most, and a dry day draws {DRY_DAY_MM:g} or more; {what}"
            yield _zone(zone, "line", say)


def _place(draft: Draft) -> Iterator[Mistake]:
    site, timezone = draft.site, _tz(draft.site) if draft.site else None
    if site is None or timezone is None:
        return
    if abs(site.latitude) > 65:
        say = f"{site.latitude:g} has days without sunrise; dawn and dusk mean little there"
        yield Mistake("[site]", "latitude", say)
    offset = datetime(2025, 1, 1, tzinfo=timezone).utcoffset() or timedelta()
    apart_h = abs(offset / timedelta(hours=1) - site.longitude / 15)
    if min(apart_h, 24 - apart_h) > 4:  # the widest real gap, in the west of China, is some 3.5 h
        say = f"{site.longitude:g} is far from where the clocks of {site.timezone} belong; is its sign right?"
        yield Mistake("[site]", "longitude", say)


CHECKS: tuple[Check, ...] = (
    _ids, _supplies, _timezone, _crops, _soils, _areas, _pots, _tender, _last_harvest, _shades, _pins_shared,
    _line_keys, _flows, _mulches, _limits, _pairs, _dead_times, _branches, _sensor_zones, _wires, _meters, _tanks,
    _alien_keys, _job_switches, _units, _words, _conversions, _calibrations, _tensions, _topics, _time_pointers, _heat,
    _normals, _login, _windows, _season, _rules, _quiet, _own_jobs, _digest,
)
DOUBTS: tuple[Check, ...] = (
    _pins_in_demand, _pins_pulled, _floods, _measured, _salt, _runs_dry, _long_openings, _falls_behind, _place,
    _password_in_the_clear, _little_room,
)


def run(checks: Iterable[Check], draft: Draft) -> list[Mistake]:
    """All that these checks find, in their order."""
    return [mistake for check in checks for mistake in check(draft)]
