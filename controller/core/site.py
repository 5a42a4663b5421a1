"""What does not change while the daemon runs: the place, the supply, the zones and the rules of the house.

Built by `controller.settings` from the config file; the core never sees a file. Everything here is resolved to
physical quantities: a crop name has become a `Crop`, a texture a `Soil`, a hose a flow in litres per minute.
"""

from dataclasses import dataclass, field
from datetime import date, time, tzinfo
from typing import Literal

from controller.agronomy.crop import Crop
from controller.agronomy.soil import Soil

ReadingKind = Literal["moisture", "air temperature", "rain"]


@dataclass(frozen=True, slots=True)
class Sensor:
    """Something that reports over MQTT. The shell converts; the core sees canonical units only.

    kind: moisture in m3/m3, air temperature in degC, rain in mm since the last report.
    zone: the zone a moisture probe stands in; None for the site's own instruments.
    sd: standard deviation of one reading, in the canonical unit.
    stale_after_s: silence after which its last word no longer counts.
    """

    id: str
    kind: ReadingKind
    zone: str | None = None
    sd: float = 0.03
    stale_after_s: float = 6 * 3600.0


@dataclass(frozen=True, slots=True)
class Line:
    """What lets the water out in a zone.

    flow_l_min: litres per minute of the whole zone while its valve is open.
    rate_mm_h: how fast the wetted ground gets it, mm/h over the wetted area.
    efficiency: share of the delivered water that stays in the root zone, 0 to 1 (evenness and losses together).
    emitter_flow_l_h: of one emitter, or of 0.3 m of weeper hose; None for a sprinkler.
    """

    kind: Literal["dripline", "drippers", "weeper hose", "micro-spray"]
    flow_l_min: float
    rate_mm_h: float
    efficiency: float = 0.90
    emitter_flow_l_h: float | None = None


@dataclass(frozen=True, slots=True)
class Mulch:
    """Loose cover on the ground. `drinks_mm`: what it holds back of a watering from above; 0 with the line under it."""

    kind: str
    depth_cm: float
    drinks_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Zone:
    """Plants watered together by one valve.

    area_m2: ground (for pots: crown) area that depths in mm refer to; 1 mm on 1 m2 is 1 L.
    planted: the day it was planted; None for long-established plants.
    root_depth_m: set by hand; None takes the crop's own curve.
    tender: seedlings or newly planted: first served, first shaded, watered sooner.
    pots: in containers that can be moved.
    longest_pulse_s, most_s_per_24h: the guard's limits for this valve.
    """

    id: str
    name: str
    crop: Crop
    soil: Soil
    line: Line
    area_m2: float
    planted: date | None = None
    root_depth_m: float | None = None
    slope_percent: float = 0.0
    tender: bool = False
    pots: bool = False
    tall: bool = False
    mulch: Mulch | None = None
    dusk_refresh: bool = True
    longest_pulse_s: float = 1800.0
    most_s_per_24h: float = 4 * 3600.0


@dataclass(frozen=True, slots=True)
class Supply:
    """The tap, pump or tank that the zones share.

    capacity_l_min: what it gives at most.
    settle_s: pause between closing one valve and opening the next that would share its flow.
    dead_s: time of each opening in which a master valve or pump is not yet, or no longer, on and nothing flows.
    """

    capacity_l_min: float
    settle_s: float = 5.0
    dead_s: float = 0.0

    def litres(self, line: Line, open_s: float) -> float:
        """What a zone's line gives while its valve is open for `open_s`."""
        return max(0.0, open_s - self.dead_s) / 60.0 * line.flow_l_min


@dataclass(frozen=True, slots=True)
class Heat:
    """Thresholds of the site, on daily maxima in degC (37 and 26: common practice, no source)."""

    hot_day_c: float = 37.0
    mild_day_c: float = 26.0
    days_before: int = 2


@dataclass(frozen=True, slots=True)
class Hours:
    """A daily window of local time in which water may run; across midnight if `until` is not after `start`."""

    start: time
    until: time


@dataclass(frozen=True, slots=True)
class Watering:
    """The rules of the house for when water runs.

    dawn_margin_min: the dawn soak ends this long before sunrise.
    dusk_delay_min: the dusk refresh begins this long after sunset.
    dawn_earliest_h: the dawn soak may begin this many hours before sunrise at most.
    allowed: windows of local time; empty allows all hours.
    least_depth_mm: a watering smaller than this is not worth opening a valve for.
    rain_sure: probability from which forecast rain counts, 0 to 1.
    """

    dawn_margin_min: float = 20.0
    dusk_delay_min: float = 15.0
    dawn_earliest_h: float = 6.0
    allowed: tuple[Hours, ...] = ()
    least_depth_mm: float = 1.0
    rain_sure: float = 0.7


@dataclass(frozen=True, slots=True)
class MonthNormal:
    """Mean daily maximum and minimum of a month, degC: what to expect when nobody says."""

    tmax_c: float
    tmin_c: float


@dataclass(frozen=True, slots=True)
class Site:
    """One garden with one controller.

    latitude_deg north, longitude_deg east; elevation_m above the sea; timezone of the civil day.
    normals: twelve months, January first, or empty.
    """

    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    timezone: tzinfo
    supply: Supply
    zones: tuple[Zone, ...]
    sensors: tuple[Sensor, ...] = ()
    heat: Heat = field(default_factory=Heat)
    watering: Watering = field(default_factory=Watering)
    normals: tuple[MonthNormal, ...] = ()

    def zone(self, zone_id: str) -> Zone:
        """The zone of that id. KeyError if there is none."""
        for zone in self.zones:
            if zone.id == zone_id:
                return zone
        raise KeyError(zone_id)

    def sensor(self, sensor_id: str) -> Sensor:
        """The sensor of that id. KeyError if there is none."""
        for sensor in self.sensors:
            if sensor.id == sensor_id:
                return sensor
        raise KeyError(sensor_id)
