"""What ties keys and tables together: what cannot work (CHECKS), and what can but looks wrong (DOUBTS).

Each check takes the draft and yields a mistake for each thing it finds. It sees only tables that were read
whole, so a check never speaks of a table whose own keys are already refused.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from controller.agronomy.crop import CROPS
from controller.guard.rules import MASTER
from controller.settings import build
from controller.settings.mistakes import Mistake, did_you_mean, one_of, shown, table_named, unknown
from controller.settings.room import Stretch, without_room
from controller.settings.tables import (
    GuardTable,
    HeatTable,
    LineTable,
    MqttTable,
    NormalTable,
    SensorTable,
    SiteTable,
    SoilTable,
    SupplyTable,
    WateringTable,
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
    supply: SupplyTable | None
    normal: tuple[NormalTable, ...]
    zone: tuple[ZoneTable, ...]
    sensor: tuple[SensorTable, ...]
    zone_ids: frozenset[str]


Check = Callable[[Draft], Iterator[Mistake]]


def _zone(zone: ZoneTable, key: str, say: str) -> Mistake:
    return Mistake(table_named("zone", 0, {"id": zone.id}), key, say)


def _sensor(sensor: SensorTable, key: str, say: str) -> Mistake:
    return Mistake(table_named("sensor", 0, {"id": sensor.id}), key, say)


def _repeated(words: Iterable[str]) -> list[str]:
    return [word for word, times in Counter(words).items() if times > 1]


# Names --------------------------------------------------------------------------------------------


def _ids(draft: Draft) -> Iterator[Mistake]:
    ids_by_name = {"zone": [each.id for each in draft.zone], "sensor": [each.id for each in draft.sensor]}
    for name, ids in ids_by_name.items():
        for twice in _repeated(ids):
            say = f"{shown(twice)} is used {ids.count(twice)} times; give each {name} an id of its own"
            yield Mistake(table_named(name, 0, {"id": twice}), "id", say)
    for zone in draft.zone:
        if zone.id == MASTER:
            yield _zone(zone, "id", f"{shown(MASTER)} is the name of the master line; call the zone otherwise")


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


def _texture(zone: ZoneTable) -> str:
    return zone.soil.texture if isinstance(zone.soil, SoilTable) else zone.soil or build.POTTING_MIX


def _soils(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone:
        key = "soil.texture" if isinstance(zone.soil, SoilTable) else "soil"
        if _texture(zone) not in build.TEXTURES:
            yield _zone(zone, key, unknown("texture", _texture(zone), build.TEXTURES))
        elif zone.soil is None and zone.pots is None:
            yield _zone(zone, key, f"is missing; give a texture: {one_of(build.TEXTURES)}")
        elif (soil := build.soil_of(zone)).field_capacity <= soil.wilting_point:
            capacity, wilting = f"field_capacity {soil.field_capacity:g}", f"wilting_point {soil.wilting_point:g}"
            yield _zone(zone, "soil", f"{capacity} must be above {wilting}; else the soil holds nothing for plants")


# Pins ---------------------------------------------------------------------------------------------

PULLED_UP_AT_START = range(9)
"""GPIO 0 to 8 are pulled up while a Raspberry Pi starts, 9 to 27 down (BCM2835 ARM Peripherals, p. 102)."""

OTHER_DUTIES = {
    0: "the ID EEPROM of add-on boards", 1: "the ID EEPROM of add-on boards",
    2: "I2C, with a strong pull-up of its own", 3: "I2C, with a strong pull-up of its own",
    14: "the serial console", 15: "the serial console",
}


def _lines(draft: Draft) -> Iterator[tuple[str, str, str, int, str]]:
    """Of every valve: table, key, name for people, pin, active level."""
    if draft.supply and (master := draft.supply.master):
        yield "[supply]", "master.pin", "the master", master.pin, master.active
    for zone in draft.zone:
        table, valve = table_named("zone", 0, {"id": zone.id}), zone.valve
        yield table, "valve.pin", shown(zone.id), valve.pin, valve.active


def _pins_shared(draft: Draft) -> Iterator[Mistake]:
    taken: dict[int, str] = {}
    for table, key, name, pin, _ in _lines(draft):
        if pin in taken:
            yield Mistake(table, key, f"{pin} is already used by {taken[pin]}; give each valve a pin of its own")
        taken.setdefault(pin, name)


def _pins_pulled(draft: Draft) -> Iterator[Mistake]:
    for table, key, _, pin, active in _lines(draft):
        pulled = "high" if pin in PULLED_UP_AT_START else "low"
        if active == pulled:
            off, pins = ("low", "9 to 27") if active == "high" else ("high", "4 to 8")
            why = f"{pin} is pulled {pulled} while the Pi starts, which opens an active-{active} relay until then"
            yield Mistake(table, key, f"{why}; take a pin from {pins}, or fit 10 kOhm that holds it {off}")


def _pins_in_demand(draft: Draft) -> Iterator[Mistake]:
    for table, key, _, pin, _ in _lines(draft):
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
    if draft.supply is None:
        return
    capacity_l_min = draft.supply.capacity_l_min
    for zone in draft.zone:
        flow_l_min = 0.0 if _missing_line_keys(zone.line) else build.flow_l_min(zone.line)
        if flow_l_min > capacity_l_min:
            say = f"draws {flow_l_min:.1f} L/min, more than the supply's {capacity_l_min:g} L/min"
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


def _too_little(most_min: float, longest_min: float) -> str:
    say = f"most_open_min_24h {most_min:g} is less than longest_open_min {longest_min:g}"
    return f"{say}; a single opening may not pass the day's limit"


def _dead_times(draft: Draft) -> Iterator[Mistake]:
    master = draft.supply.master if draft.supply else None
    if master is None or draft.guard is None:
        return
    dead_s = master.lead_s + master.trail_s
    for zone in draft.zone:
        longest_s, _ = build.limits_s(zone, draft.guard)
        if longest_s <= dead_s:
            say = f"{longest_s / 60:g} is no longer than the master's lead_s and trail_s together ({dead_s:g} s)"
            yield _zone(zone, "longest_open_min", f"{say}, so no water would come; allow more, or shorten those")


# Sensors ------------------------------------------------------------------------------------------

UNITS = {
    "soil moisture": ("m3/m3", "%", "raw"),
    "air temperature": ("°C", "°F", "raw"),
    "rain": ("mm", "in", "raw"),
}
"""Units that each kind of sensor may report in; "raw" needs a calibration."""

CANONICAL = {
    "soil moisture": ("m3/m3", 0.0, 1.0),
    "air temperature": ("°C", -60.0, 70.0),
    "rain": ("mm", 0.0, 500.0),
}
"""Unit and range of the values of a calibration."""


def _sensor_zones(draft: Draft) -> Iterator[Mistake]:
    if not draft.zone_ids:
        return
    for sensor in draft.sensor:
        if sensor.kind != "soil moisture":
            if sensor.zone is not None:
                yield _sensor(sensor, "zone", f"{sensor.kind} belongs to the whole site; take zone out")
        elif sensor.zone is None:
            say = f"is missing; say which zone the probe stands in: {one_of(sorted(draft.zone_ids))}"
            yield _sensor(sensor, "zone", say)
        elif sensor.zone not in draft.zone_ids:
            yield _sensor(sensor, "zone", unknown("zone of this file", sensor.zone, sorted(draft.zone_ids)))


def _units(draft: Draft) -> Iterator[Mistake]:
    for sensor in draft.sensor:
        if sensor.unit not in UNITS[sensor.kind]:
            say = f"{shown(sensor.unit)} is no unit of {sensor.kind}; give {one_of(UNITS[sensor.kind])}"
            yield _sensor(sensor, "unit", say)


def _calibrations(draft: Draft) -> Iterator[Mistake]:
    for sensor in draft.sensor:
        unit, low, high = CANONICAL[sensor.kind]
        if sensor.calibration is None:
            if sensor.unit == "raw":
                say = f"is missing; raw counts need [[raw, value], [raw, value]] with the values in {unit}"
                yield _sensor(sensor, "calibration", say)
            continue
        (raw_1, value_1), (raw_2, value_2) = sensor.calibration
        if raw_1 == raw_2:
            say = f"both points have the raw reading {raw_1:g}; take one in dry and one in wet conditions"
            yield _sensor(sensor, "calibration", say)
        elif value_1 == value_2:
            say = f"both points have the value {value_1:g}; the sensor would always say the same"
            yield _sensor(sensor, "calibration", say)
        elif not (low <= value_1 <= high and low <= value_2 <= high):
            say = f"the values {value_1:g} and {value_2:g} must be in {unit}, from {low:g} to {high:g}"
            yield _sensor(sensor, "calibration", say)


def _topics(draft: Draft) -> Iterator[Mistake]:
    taken: dict[tuple[str, str | None], str] = {}
    for sensor in draft.sensor:
        place = (sensor.topic, sensor.pointer)
        if place in taken:
            say = f"{shown(sensor.topic)} is already read by {shown(taken[place])} at the same place"
            yield _sensor(sensor, "topic", f"{say}; each sensor needs a topic or a pointer of its own")
        taken.setdefault(place, sensor.id)


def _time_pointers(draft: Draft) -> Iterator[Mistake]:
    for sensor in draft.sensor:
        if sensor.time_pointer is not None and sensor.pointer is None:
            yield _sensor(sensor, "time_pointer", "needs a JSON payload; give pointer as well, or take it out")


# Times and weather --------------------------------------------------------------------------------


def _heat(draft: Draft) -> Iterator[Mistake]:
    if draft.heat and draft.heat.mild_day_c >= draft.heat.hot_day_c:
        say = f"{draft.heat.mild_day_c:g} must be below hot_day_c, {draft.heat.hot_day_c:g}"
        yield Mistake("[heat]", "mild_day_c", say)


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
    if mqtt and mqtt.username and mqtt.tls is None and mqtt.host not in ("localhost", "127.0.0.1", "::1"):
        yield Mistake("[mqtt]", "tls", f"without it the password crosses the network to {shown(mqtt.host)} readable")


def _windows(draft: Draft) -> Iterator[Mistake]:
    for number, window in enumerate(draft.watering.allowed if draft.watering else ()):
        if window.start == window.until:
            say = f"begins and ends at {window.start}, so it never opens; for all hours leave allowed out"
            yield Mistake("[watering]", f"allowed no. {number + 1}", say)


def _without_room(draft: Draft) -> dict[str, Stretch]:
    site, watering, timezone = draft.site, draft.watering, _tz(draft.site) if draft.site else None
    return without_room(site, watering, timezone) if site and watering and timezone else {}


def _no_room(draft: Draft) -> Iterator[Mistake]:
    found = _without_room(draft)
    if len(found) == 2:
        say = f"leaves no room for {found['dawn']} nor for {found['dusk']}; widen it"
        yield Mistake("[watering]", "allowed", say)


def _little_room(draft: Draft) -> Iterator[Mistake]:
    found = _without_room(draft)
    if "dusk" in found and not any(zone.dusk_refresh for zone in draft.zone):
        del found["dusk"]
    if len(found) == 1:
        (stretch,) = found.values()
        yield Mistake("[watering]", "allowed", f"leaves no room for {stretch}; nothing will run then")


# Doubts -------------------------------------------------------------------------------------------

FASTEST_MM_H = 200.0
"""More than this on the wetted ground runs off anywhere, or the area is wrong (common practice, no source)."""

FASTEST_OVER_AREA_MM_H = 60.0
"""Six days' demand of a hot week in an hour: then flow or area is wrong (common practice, no source)."""

LONGEST_OPEN_MIN = 240.0


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


def _long_openings(draft: Draft) -> Iterator[Mistake]:
    for zone in draft.zone if draft.guard else ():
        assert draft.guard is not None
        longest_min = build.limits_s(zone, draft.guard)[0] / 60
        if longest_min > LONGEST_OPEN_MIN:
            yield _zone(zone, "longest_open_min", f"{longest_min:g} guards little: a stuck plan would run that long")


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
    _ids, _timezone, _crops, _soils, _areas, _pins_shared, _line_keys, _flows, _mulches, _limits,
    _dead_times, _sensor_zones, _units, _calibrations, _topics, _time_pointers, _heat, _normals, _login, _windows,
    _no_room,
)
DOUBTS: tuple[Check, ...] = (
    _pins_in_demand, _pins_pulled, _floods, _measured, _long_openings, _place, _password_in_the_clear, _little_room,
)


def run(checks: Iterable[Check], draft: Draft) -> list[Mistake]:
    """All that these checks find, in their order."""
    return [mistake for check in checks for mistake in check(draft)]
