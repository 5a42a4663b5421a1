"""What does not change while the daemon runs: the place, its supplies, the zones and the rules of the house.

Built by `controller.settings` from the config file; the core never sees a file. Everything here is resolved to
physical quantities: a crop name has become a `Crop`, a texture a `Soil`, a hose a flow in litres per minute.
"""

from dataclasses import dataclass, field
from datetime import date, time, tzinfo
from math import inf
from typing import Literal

from controller.agronomy.crop import Crop
from controller.agronomy.soil import Soil

SUPPLY = "supply"
"""Id of a supply that has no other: the only one of most gardens."""

ReadingKind = Literal[
    "moisture", "air temperature", "rain", "rain switch", "soil temperature", "job switch",
    "stop switch", "pressure switch", "tank switch", "flow meter", "tank level",
]

SWITCHES = ("stop switch", "pressure switch", "tank switch")
"""Kinds of sensor that the guard is told of: pressed, pressure in the mains, water in the tank are 1.0."""


@dataclass(frozen=True, slots=True)
class Sensor:
    """Something that reports over MQTT. The shell converts; the core sees canonical units only.

    kind: moisture in m3/m3, air and soil temperature in degC, rain in mm since the last report, rain switch 1.0
        while it is wet and 0.0 while it is dry, job switch 1.0 while its job is done and 0.0 while it is undone.
    zone: the zone a moisture probe stands in, or a soil thermometer may; None for the site's own instruments.
    A flow meter's reading is its counter, litres; a tank level is what the tank of its supply holds, litres.
    job: what a job switch tells of.
    sd: standard deviation of one reading, in the canonical unit.
    stale_after_s: silence after which its last word no longer counts.
    wired: a switch or flow meter at a pin of the guard's, which tells only what is new.
    """

    id: str
    kind: ReadingKind
    zone: str | None = None
    sd: float = 0.03
    stale_after_s: float = 6 * 3600.0
    job: str | None = None
    wired: bool = False
    supply: str | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """What lets the water out in a zone.

    flow_l_min: litres per minute of the whole zone while its valve is open.
    rate_mm_h: how fast the wetted ground gets it, mm/h over the wetted area.
    efficiency: share of the delivered water that stays in the root zone, 0 to 1 (evenness and losses together).
    emitter_flow_l_h: of one emitter, or of 0.3 m of weeper hose; None for a sprinkler.
    emitter_spacing_m: from one emitter to the next along the line, 0.3 m of a weeper hose; None where there is none.
    wetted_width_m: wet strip along the line, or wet spot of a dripper, as measured; None where nobody did.
    length_m: of dripline or hose; None for drippers and sprinklers.
    uniformity: low-quarter evenness as measured, 0.4 to 1; None where nobody did. It is in `efficiency` already.
    fill_l: what fills the line before it gives anything, if it runs empty at its low end after each pulse; 0 if it
        stays full, by check valves or by lying level.
    """

    kind: Literal["dripline", "drippers", "weeper hose", "micro-spray"]
    flow_l_min: float
    rate_mm_h: float
    efficiency: float = 0.90
    emitter_flow_l_h: float | None = None
    emitter_spacing_m: float | None = None
    wetted_width_m: float | None = None
    length_m: float | None = None
    uniformity: float | None = None
    fill_l: float = 0.0

    def reaching_l(self, passed_l: float) -> float:
        """What reaches the bed of the litres that passed in one opening: the rest has only filled the line."""
        return max(0.0, passed_l - self.fill_l)

    @property
    def fill_s(self) -> float:
        """How long it takes to fill."""
        return self.fill_l / self.flow_l_min * 60.0


@dataclass(frozen=True, slots=True)
class Mulch:
    """Loose cover on the ground.

    cover: share of the ground it covers, 0 to 1.
    evaporation_cut: share of the soil's evaporation that it stops where it lies, 0 to 1: f of `agronomy.mulch`.
    holds_mm: water it can hold where it lies, mm; rain wets it wherever the line is.
    under_line: the line lies under it, so that a watering does not wet it.
    """

    kind: str
    depth_cm: float
    cover: float = 1.0
    evaporation_cut: float = 0.0
    holds_mm: float = 0.0
    under_line: bool = False

    @property
    def drinks_mm(self) -> float:
        """What it holds back of a watering from above, mm over the zone; 0 with the line under it."""
        return 0.0 if self.under_line else self.holds_mm * self.cover

    @property
    def evaporation_factor(self) -> float:
        """Factor on the evaporation of the zone's soil: 1 - f cover (FAO-56 chapter 10, see `agronomy.mulch`)."""
        return 1.0 - self.evaporation_cut * self.cover


@dataclass(frozen=True, slots=True)
class Hours:
    """A daily window of local time; across midnight if `until` is not after `start`."""

    start: time
    until: time


Exemption = Literal["drip", "weeper hose", "by hand", "food plants", "newly planted", "pots"]
"""What a local rule may leave out."""


@dataclass(frozen=True, slots=True)
class Rule:
    """A local rule for when water may run, by the civil calendar of the site. It names times: those that are in all of
    its days, dates and hours at once.

    forbids: no water at those times; else water at no other times.
    first, last: (month, day) of the part of the year in which the rule holds, both in it, across the new year if `last`
        is before `first`; None for the whole year.
    weekdays: 0 is Monday. month_days: days of the month. dates: single days. every, since: every so many days, counted
        from a day on which it is one. Each of these, left empty, means any day.
    hours: empty means the whole day.
    from_evening: hours past midnight belong to the day on whose evening they begin; else to their own.
    zones: it is for; empty for all.
    exempt: what it is not for.
    """

    name: str
    forbids: bool
    first: tuple[int, int] | None = None
    last: tuple[int, int] | None = None
    weekdays: frozenset[int] = frozenset()
    month_days: frozenset[int] = frozenset()
    dates: frozenset[date] = frozenset()
    every: int = 1
    since: date | None = None
    hours: tuple[Hours, ...] = ()
    from_evening: bool = False
    zones: frozenset[str] = frozenset()
    exempt: frozenset[Exemption] = frozenset()


@dataclass(frozen=True, slots=True)
class Tariff:
    """What water costs, in steps by the month's consumption.

    steps: (up to so many m3 a month, price of 1 m3), rising; the last one up to infinity.
    house_m3: what the house takes of it in a month, before the garden.
    """

    steps: tuple[tuple[float, float], ...]
    house_m3: float = 0.0


@dataclass(frozen=True, slots=True)
class Budget:
    """The most water of a day, a week (from Monday) or a month.

    most: litres, or money where there is a tariff. zones: whose water it counts; empty for all.
    """

    name: str
    per: Literal["day", "week", "month"]
    most: float
    tariff: Tariff | None = None
    zones: frozenset[str] = frozenset()


ShadeKind = Literal["cloth", "tree", "wall"]


@dataclass(frozen=True, slots=True)
class Shade:
    """Something that takes sun from a zone.

    share: of the sun that it takes while it stands, 0 to 1.
    hours: the local hours in which its shadow lies on the zone; None for the whole day.
    months: 1 to 12, in which it is there; empty for the whole year.
    wind_factor: factor on the wind while it stands, 0 to 1.
    by_hand: it stands only from the report that the shade job is done to the report that the shade-off job is.
    """

    kind: ShadeKind
    share: float
    hours: Hours | None = None
    months: frozenset[int] = frozenset()
    wind_factor: float = 1.0
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class Pots:
    """Containers that can be moved.

    volume_l: of mix in one pot.
    available_share: water that plants can take from a filled pot, as a share of its volume; the zone's soil has
        the same between field capacity and wilting point.
    moves_off_line: moved into the shade they get nothing from the line.
    shade: share of the sun that they lose where they are moved to, 0 to 1 (common practice, no source: out of the
        midday and afternoon sun).
    """

    count: int
    volume_l: float
    available_share: float = 0.25
    moves_off_line: bool = False
    shade: float = 0.6


@dataclass(frozen=True, slots=True)
class HandPots:
    """Pots that no valve reaches: watered by hand. crown_m2: of one plant, seen from above."""

    name: str
    count: int
    crop: Crop
    crown_m2: float


Trigger = Literal["before heat", "eve of heat", "in heat", "after heat", "hot wind", "frost"]


@dataclass(frozen=True, slots=True)
class OwnJob:
    """A job of the house's own, in its own words. trigger: an occasion, or (month, day) of every year."""

    id: str
    text: str
    trigger: Trigger | tuple[int, int]
    zones: tuple[str, ...] = ()
    minutes: float = 15.0


@dataclass(frozen=True, slots=True)
class Jobs:
    """What the gardener's jobs go by (common practice, no source, all of them).

    call_chance: of a hot day today or within two days, from which shade is asked for: putting it up for nothing costs
        about an eighth of what a burnt row does.
    thin_mulch_cm: mulch thinner than this is topped up. windy_m_s: daily mean wind at 2 m from which tall crops are
        tied. frost_c: minimum from which lines are kept from freezing.
    animals: that want shade and water. store_l: of cans and tanks filled by hand before heat; 0 for none.
    by_hand: pots that no valve reaches. own: the house's own jobs.
    """

    call_chance: float = 0.125
    thin_mulch_cm: float = 5.0
    windy_m_s: float = 5.0
    frost_c: float = 2.0
    animals: tuple[str, ...] = ()
    store_l: float = 0.0
    by_hand: tuple[HandPots, ...] = ()
    own: tuple[OwnJob, ...] = ()


@dataclass(frozen=True, slots=True)
class Digest:
    """When the day's message goes out, local time; nothing is sent in the quiet hours. None: never."""

    at: time | None = time(18, 0)
    quiet: Hours = field(default_factory=lambda: Hours(time(21, 0), time(7, 0)))


@dataclass(frozen=True, slots=True)
class Zone:
    """Plants watered together by one valve.

    supply: id of the supply that its valve hangs on.
    area_m2: ground (for pots: crown) area that depths in mm refer to; 1 mm on 1 m2 is 1 L.
    planted: the day it was planted; None for long-established plants.
    last_harvest: the day after which the plants are of no more use; None if nobody said.
    root_depth_m: set by hand; None takes the crop's own curve.
    tender: configured as seedlings or newly planted: first served, first shaded, watered sooner.
    tender_until: the first day on which tender plants are established; None if they are not tender or nobody said
        when they were planted.
    pots: in containers that can be moved, or None.
    shades: what takes sun from it; where two shadows fall together both count.
    repellent: the dry soil sheds water, as sand under organic matter does.
    salt_threshold_ds_m: conductivity of the soil extract, ECe, up to which its crop yields in full; 0 if unknown,
        or if the water has no known salt.
    leaching_fraction: share of a watering that must pass the roots and take salt along, 0 to 1.
    food: grown to be eaten: some local rules leave such plants out.
    value: 3 is worth most when water is short, 1 least.
    rescue: may get a little by day, in the allowed hours, if it would not last until dusk.
    longest_pulse_s, most_s_per_24h: the guard's limits for this valve.
    branch: of the supply that feeds it; empty if it hangs on none.
    """

    id: str
    name: str
    crop: Crop
    soil: Soil
    line: Line
    area_m2: float
    planted: date | None = None
    last_harvest: date | None = None
    root_depth_m: float | None = None
    slope_percent: float = 0.0
    tender: bool = False
    tender_until: date | None = None
    pots: Pots | None = None
    tall: bool = False
    mulch: Mulch | None = None
    shades: tuple[Shade, ...] = ()
    repellent: bool = False
    salt_threshold_ds_m: float = 0.0
    leaching_fraction: float = 0.0
    food: bool = True
    value: int = 2
    rescue: bool = False
    dusk_refresh: bool = True
    longest_pulse_s: float = 1800.0
    most_s_per_24h: float = 4 * 3600.0
    supply: str = SUPPLY
    branch: str = ""

    def age_days(self, day: date) -> int | None:
        """Days since it was planted, 0 before; None if nobody said when."""
        return None if self.planted is None else max(0, (day - self.planted).days)


@dataclass(frozen=True, slots=True)
class SunPump:
    """A pump that runs on sunlight only: from so long after sunrise to so long before sunset."""

    after_sunrise_min: float = 60.0
    before_sunset_min: float = 60.0


@dataclass(frozen=True, slots=True)
class Tank:
    """A store that fills slowly.

    inflow_l_h: what comes in, by a well or a spring. kept_l: at this level nothing more is drawn. start_l: what it
        holds when it is first heard of; None: it is full.
    """

    capacity_l: float
    inflow_l_h: float = 0.0
    kept_l: float = 0.0
    start_l: float | None = None


@dataclass(frozen=True, slots=True)
class Supply:
    """A tap, pump or tank, shared by the zones that name it.

    capacity_l_min: what it gives at most to all of them together.
    salinity_ds_m: electrical conductivity of the water, ECw; None if nobody measured it.
    settle_s: pause between closing one valve and opening the next that would share its flow.
    dead_s: time of each opening in which a master valve or pump is not yet, or no longer, on and nothing flows.
    quiet: hours in which it must not run, for the noise of its pump.
    sun_pump: its pump runs on sunlight only; None if it does not.
    pump: a pump stands before the zones.
    tank: the store that it draws on; None for the mains or a bore that does not tire.
    branches: pipes that carry less than the supply gives, by name, each with the litres per minute up to which its
        pressure holds.
    """

    capacity_l_min: float
    settle_s: float = 5.0
    dead_s: float = 0.0
    salinity_ds_m: float | None = None
    id: str = SUPPLY
    name: str = "the supply"
    quiet: tuple[Hours, ...] = ()
    sun_pump: SunPump | None = None
    pump: bool = False
    tank: Tank | None = None
    branches: tuple[tuple[str, float], ...] = ()

    def litres(self, line: Line, open_s: float, water_s: float | None = None) -> float:
        """What a zone's line gives while its valve is open for `open_s`. water_s: how long of it water came, if that
        was seen; a master that another zone keeps open costs no dead time."""
        return line.reaching_l(self.drawn_l(line, open_s, water_s))

    def drawn_l(self, line: Line, open_s: float, water_s: float | None = None) -> float:
        """The same with what only fills the line: all that leaves the supply."""
        water_s = max(0.0, open_s - self.dead_s) if water_s is None else water_s
        return water_s / 60.0 * line.flow_l_min

    def before_s(self, line: Line) -> float:
        """The part of each opening in which the line gives nothing."""
        return self.dead_s + line.fill_s

    def branch_l_min(self, zone: Zone) -> float:
        """What the branch of a zone carries; infinite where it hangs on none."""
        return dict(self.branches).get(zone.branch, inf)


@dataclass(frozen=True, slots=True)
class Heat:
    """Thresholds of the site, degC.

    hot_day_c, mild_day_c: daily maxima (37 and 26: common practice, no source).
    days_before: days before a hot spell on which the zones are filled.
    ehf: also judge by the Excess Heat Factor of `agronomy.heat`.
    t95_c: 95th percentile of the daily mean over all days of some thirty years; None: to be learnt.
    ehf85_c2: 85th percentile of the positive Excess Heat Factors of those years [degC2]; None: to be learnt.
    hot_night_c: daily minimum from which a night is hot (21: see "tomato, warm nights" in `agronomy.heat`).
    """

    hot_day_c: float = 37.0
    mild_day_c: float = 26.0
    days_before: int = 2
    ehf: bool = True
    t95_c: float | None = None
    hot_night_c: float = 21.0
    ehf85_c2: float | None = None


@dataclass(frozen=True, slots=True)
class Watering:
    """The rules of the house for when water runs.

    dawn_margin_min: the dawn soak ends this long before sunrise.
    dusk_delay_min: the dusk refresh begins this long after sunset.
    dawn_earliest_h: the dawn soak may begin this many hours before sunrise at most.
    allowed: windows of local time in which water may run; empty allows all hours.
    least_depth_mm: a watering smaller than this is not worth opening a valve for.
    rain_sure: probability from which forecast rain counts, 0 to 1.
    season: first and last (month, day) of the part of the year in which the garden is watered by plan, both in it,
        across the new year if the last is before the first; None for the whole year.
    off: nothing is watered by plan until the config says otherwise.
    """

    dawn_margin_min: float = 20.0
    dusk_delay_min: float = 15.0
    dawn_earliest_h: float = 6.0
    allowed: tuple[Hours, ...] = ()
    least_depth_mm: float = 1.0
    rain_sure: float = 0.7
    season: tuple[tuple[int, int], tuple[int, int]] | None = None
    off: bool = False


@dataclass(frozen=True, slots=True)
class MonthNormal:
    """Mean daily maximum and minimum of a month, degC: what to expect when nobody says."""

    tmax_c: float
    tmin_c: float


@dataclass(frozen=True, slots=True)
class Site:
    """One garden with one controller.

    latitude_deg north, longitude_deg east; elevation_m above the sea; timezone of the civil day.
    rules: of the town or the water company, for when water may run. budgets: for how much of it.
    normals: twelve months, January first, or empty. language: of what the gardener is told: "en" or "pt".
    never_together: pairs of zones of which one must be shut.
    """

    id: str
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    timezone: tzinfo
    supplies: tuple[Supply, ...]
    zones: tuple[Zone, ...]
    sensors: tuple[Sensor, ...] = ()
    heat: Heat = field(default_factory=Heat)
    watering: Watering = field(default_factory=Watering)
    rules: tuple[Rule, ...] = ()
    budgets: tuple[Budget, ...] = ()
    normals: tuple[MonthNormal, ...] = ()
    jobs: Jobs = field(default_factory=Jobs)
    digest: Digest = field(default_factory=Digest)
    language: str = "en"
    never_together: tuple[tuple[str, str], ...] = ()

    def zone(self, zone_id: str) -> Zone:
        """The zone of that id. KeyError if there is none."""
        for zone in self.zones:
            if zone.id == zone_id:
                return zone
        raise KeyError(zone_id)

    def supply_of(self, zone_id: str) -> Supply:
        """The supply that a zone's valve hangs on. KeyError if there is no such zone, or no such supply."""
        supply_id = self.zone(zone_id).supply
        for supply in self.supplies:
            if supply.id == supply_id:
                return supply
        raise KeyError(supply_id)

    def rivals_of(self, zone_id: str) -> frozenset[str]:
        """The zones that must be shut while this one is open."""
        return frozenset(zone for pair in self.never_together if zone_id in pair for zone in pair if zone != zone_id)

    def sensor(self, sensor_id: str) -> Sensor:
        """The sensor of that id. KeyError if there is none."""
        for sensor in self.sensors:
            if sensor.id == sensor_id:
                return sensor
        raise KeyError(sensor_id)

    def probes_of(self, zone_id: str) -> tuple[Sensor, ...]:
        """The moisture probes that stand in a zone."""
        return tuple(sensor for sensor in self.sensors if sensor.kind == "moisture" and sensor.zone == zone_id)
