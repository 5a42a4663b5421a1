"""The whole changing state of the garden, as one frozen value.

`core.step` takes one and returns the next; the journal keeps the last one, so that a restart goes on where it was cut.
Everything in here is plain data (numbers, text, instants, tuples and dicts of the same) and survives a round trip
through JSON unchanged.
"""

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Literal

from controller.core.estimate import Estimate
from controller.core.weather import WeatherBook

Purpose = Literal["dawn soak", "dusk refresh", "day refresh", "by hand"]
PulseState = Literal["planned", "asked", "running", "done", "cut", "refused", "dropped"]
SensorWord = Literal[
    "new", "good", "noisy", "doubtful", "disagreeing", "jumped", "overstating", "backwards", "stuck", "stale"
]


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of arithmetic, for `seepward why`: name, value, unit, and how it came about (with its source)."""

    name: str
    value: float
    unit: str
    how: str


@dataclass(frozen=True, slots=True)
class Need:
    """What a zone should get, and why.

    net_mm stays in the root zone; gross_mm leaves the line; litres = gross_mm x area. short_mm: what it ought to have
    had beyond that, had there been time and water. dry_top: the ground is dry and sheds water: wet it first.
    """

    zone: str
    purpose: Purpose
    net_mm: float
    gross_mm: float
    litres: float
    reasons: tuple[str, ...]
    figures: tuple[Figure, ...] = ()
    short_mm: float = 0.0
    dry_top: bool = False


@dataclass(frozen=True, slots=True)
class Pulse:
    """Water on. start: when it is planned for; once it is asked for, when that was. seconds: the length asked of the
    guard. given_litres: what came of it."""

    id: str
    zone: str
    start: datetime
    seconds: float
    litres: float
    state: PulseState = "planned"
    given_litres: float = 0.0

    @property
    def end(self) -> datetime:
        return self.start + timedelta(seconds=self.seconds)

    @property
    def litres_expected(self) -> float:
        """What it gave if it is over, else what it is to give."""
        return self.litres if self.ahead else self.given_litres

    @property
    def running(self) -> bool:
        return self.state in ("asked", "running")

    @property
    def ahead(self) -> bool:
        """Running or still to come: it has the supply for its time."""
        return self.running or self.state == "planned"


@dataclass(frozen=True, slots=True)
class Watering:
    """A run of pulses for one zone and one purpose. Its id names zone, purpose and local day, so that no watering
    can happen twice: not after a restart, and not in the hour that the end of summer time repeats.

    latest_end: after this the rest is not given any more but left to the next watering. ended: nothing more will come
    of it, whether all was given, too little was left to bother, or somebody stopped it.
    """

    id: str
    zone: str
    purpose: Purpose
    day: date
    need: Need
    rest_s: float
    latest_end: datetime
    pulses: tuple[Pulse, ...]
    ended: bool = False

    @property
    def given_litres(self) -> float:
        return sum(pulse.given_litres for pulse in self.pulses)

    @property
    def owed_litres(self) -> float:
        """What is still to come of the target."""
        return max(0.0, self.need.litres - self.given_litres)

    @property
    def begun(self) -> bool:
        return any(pulse.state not in ("planned", "dropped") for pulse in self.pulses)

    @property
    def under_way(self) -> bool:
        """Begun or promised, and not ended: it is carried on over every new plan."""
        return not self.ended and (self.begun or self.purpose == "by hand")

    @property
    def idle(self) -> bool:
        """Nothing is running and nothing is planned."""
        return not any(pulse.ahead for pulse in self.pulses)

    @property
    def litres_to_come(self) -> float:
        """What its running and planned pulses are to give."""
        return sum(pulse.litres for pulse in self.pulses if pulse.ahead)

    @property
    def next_start(self) -> datetime:
        """Start of the next planned pulse, or of the last one if none is left."""
        return min((p.start for p in self.pulses if p.state == "planned"), default=self.pulses[-1].start)


@dataclass(frozen=True, slots=True)
class Plan:
    """The coming waterings in order of their start. made: when; because: what gave rise to it; noted: the waterings
    that the journal has been told of, and about how large they were then. reckoned: by zone, what readings and rain had
    changed in its bed's depletion that day [mm], and the plan counted on. pressed: zones and days whose dawn is too
    short for their soak, so that the evening before begins it. costs: the remarks on what the rules cost. thought:
    the day on which all days ahead were last thought over, and the issue of the forecast; None: it is to be done anew.
    All three outlast a plan that is made while a valve is open, in haste."""

    made: datetime
    because: str
    waterings: tuple[Watering, ...] = ()
    remarks: tuple[str, ...] = ()
    noted: dict[str, int] = field(default_factory=dict)
    reckoned: dict[str, float] = field(default_factory=dict)
    pressed: tuple[tuple[str, date], ...] = ()
    costs: tuple[str, ...] = ()
    thought: tuple[date, datetime | None] | None = None


@dataclass(frozen=True, slots=True)
class DayLedger:
    """What happened to one zone's water on one civil day, in mm over its area. shade_spared_mm, mulch_spared_mm: what
    plants and ground would have drawn beyond it without the shade, and the mulch, that hands have brought."""

    day: date
    et0_mm: float = 0.0
    demand_mm: float = 0.0
    used_mm: float = 0.0
    rain_mm: float = 0.0
    irrigation_net_mm: float = 0.0
    drained_mm: float = 0.0
    corrected_mm: float = 0.0
    stress_hours: float = 0.0
    shade_spared_mm: float = 0.0
    mulch_spared_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Bed:
    """The soil water of a zone.

    estimate: what is believed of it, and what has been learnt of it; as_of: the instant it holds for. top_mm: depletion
    of the wetted top layer (FAO-56 De); wetting: share of the ground that was wetted last. hands: what the gardener has
    changed. last_wetted: end of the last pulse. last_full: when it was last surely full. done: purpose -> last local
    day served. balance_mm: all water that came less all that went, from any beginning and never corrected: how far the
    bed has moved between two instants; drawn_mm, drained_mm: all that plants and ground have drawn, and that has sunk
    away, likewise. thirst_h: hours of stress on each of the last days that had any.
    """

    zone: str
    estimate: Estimate
    as_of: datetime
    today: DayLedger
    top_mm: float = 0.0
    wetting: float = 1.0
    hands: tuple[str, ...] = ()
    yesterday: DayLedger | None = None
    last_wetted: datetime | None = None
    last_full: datetime | None = None
    last_litres: float = 0.0
    balance_mm: float = 0.0
    drawn_mm: float = 0.0
    drained_mm: float = 0.0
    done: dict[str, date] = field(default_factory=dict)
    thirst_h: dict[date, float] = field(default_factory=dict)

    @property
    def depletion_mm(self) -> float:
        """Water missing from the root zone below field capacity (FAO-56 Dr), mean over the zone."""
        return self.estimate.depletion_mm

    @property
    def sd_mm(self) -> float:
        """How unsure that is."""
        return self.estimate.sd_mm


@dataclass(frozen=True, slots=True)
class Swing:
    """How a probe moves with its bed, by a reading a day.

    at, value: that reading; kept_mm, drawn_mm: what had come by then less what had been drawn, and that. bed, probe:
    how far the two have come from where they stood lately [m3/m3]. Sums over the days, the older the less: bed_squares,
    products, probe_squares of these; found_mm, by how much the probe has made its bed wetter with no water, of the
    used_mm that were drawn; days themselves.
    """

    at: datetime
    value: float
    kept_mm: float
    drawn_mm: float
    bed: float = 0.0
    probe: float = 0.0
    bed_squares: float = 0.0
    products: float = 0.0
    probe_squares: float = 0.0
    found_mm: float = 0.0
    used_mm: float = 0.0
    days: float = 0.0


@dataclass(frozen=True, slots=True)
class Probe:
    """A sensor's recent past.

    value, at: the last reading. same_since: since when the value has not changed at all. used_at: when a reading
    last corrected the balance. word: what `core.quality` thinks of it. refused: readings that could not be used at all.
    awaited_since: when the first was first hoped for.
    step: from the reading before, None where that was long ago; finest: the smallest ever seen, so its resolution.
    sound, sound_at, sound_mm: the last reading that was no jump, and the bed's balance then. least_mm, most_mm: between
    which the balance has swung since the value changed.
    Doubts: rough, mean square of its steps beside a sound probe's 1; amiss, the same of its distance from the estimate;
    still, apart: how near to being stuck and to disagreeing with another probe, 1 at the limit. against: the probe it
    disagrees with. swing: how it moves with its bed; backwards, overstating: how near to being sure that it moves
    against it, and that it finds water that never came; convicted: which of the two was found, until all is learnt
    anew; faint: by how much of itself it is taken for noisier, as its bed's probes show little. wetter_mm: by how much
    it has made its bed wetter since the swing's last reading.
    """

    value: float | None = None
    at: datetime | None = None
    same_since: datetime | None = None
    used_at: datetime | None = None
    step: float | None = None
    finest: float | None = None
    sound: float | None = None
    sound_at: datetime | None = None
    sound_mm: float = 0.0
    least_mm: float | None = None
    most_mm: float | None = None
    rough: float = 1.0
    amiss: float = 1.0
    still: float = 0.0
    apart: float = 0.0
    against: str | None = None
    swing: Swing | None = None
    wetter_mm: float = 0.0
    backwards: float = 0.0
    overstating: float = 0.0
    faint: float = 0.0
    convicted: SensorWord | None = None
    word: SensorWord = "new"
    refused: int = 0
    awaited_since: datetime | None = None


@dataclass(frozen=True, slots=True)
class Hold:
    """Watering suspended on purpose. zone None: the whole site. until None: until released."""

    zone: str | None
    until: datetime | None
    since: datetime


@dataclass(frozen=True, slots=True)
class LearntFlow:
    """Flow of a zone's line by the meter, L/min: its slow mean, and what that was at first; count: pulses measured."""

    l_min: float
    first_l_min: float
    count: int


@dataclass(frozen=True, slots=True)
class Lock:
    """The guard opens nothing here until a hand releases it. zone None: the whole site. rule: what it found; why: one
    sentence."""

    zone: str | None
    rule: str
    why: str
    since: datetime


@dataclass(frozen=True, slots=True)
class TankLevel:
    """What a tank holds at an instant, litres."""

    litres: float
    as_of: datetime


@dataclass(frozen=True, slots=True)
class Fault:
    """Something broken that a person should know of; cleared when it is over."""

    id: str
    said: str
    since: datetime


@dataclass(frozen=True, slots=True)
class Heard:
    """An ask that has been acted on (or refused): the same id is answered again but never acted on again."""

    id: str
    ok: bool
    said: str
    at: datetime


@dataclass(frozen=True, slots=True)
class DigestBook:
    """What the gardener has been told by message. day: the last for which the day's own message was due; sent: when one
    last went out; told: jobs, and when; faults: since when those have been that were told; late: jobs that were not
    done in time, and when that was; looked: when it was last looked whether there is something to tell."""

    day: date | None = None
    sent: datetime | None = None
    told: dict[str, datetime] = field(default_factory=dict)
    faults: dict[str, datetime] = field(default_factory=dict)
    late: dict[str, datetime] = field(default_factory=dict)
    looked: datetime | None = None


@dataclass(frozen=True, slots=True)
class Garden:
    """The state of everything. given: litres by civil day and zone, of two months. clock_gap_s: wall clock minus
    monotonic clock, to notice a step of the wall clock. tanks: levels, by supply. away_until: nobody tends the garden
    before this instant."""

    beds: dict[str, Bed]
    probes: dict[str, Probe]
    weather: WeatherBook
    plan: Plan
    holds: tuple[Hold, ...] = ()
    locks: tuple[Lock, ...] = ()
    faults: dict[str, Fault] = field(default_factory=dict)
    flows: dict[str, LearntFlow] = field(default_factory=dict)
    tanks: dict[str, TankLevel] = field(default_factory=dict)
    heard: tuple[Heard, ...] = ()
    jobs_done: dict[str, datetime] = field(default_factory=dict)
    given: dict[date, dict[str, float]] = field(default_factory=dict)
    jobs_dismissed: dict[str, datetime] = field(default_factory=dict)
    digest: DigestBook = field(default_factory=DigestBook)
    away_until: datetime | None = None
    guard_ready: bool = False
    clock_gap_s: float | None = None
    clock_trusted: bool = True
    plan_due: datetime | None = None
