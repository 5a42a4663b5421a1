"""What the estimate is worth: a summer in beds that are other than the tables say, with a poor probe, seed by seed.

The truth is a bucket of its own, written here and sharing nothing with `core.estimate`: it draws 0.85 to 1.2 times as
much as the table's plants (and 8 % more or less from day to day), holds 0.9 to 1.1 of the table's store, and its line
gives 0.92 to 1.08 of what is asked. Its probe reads 0.04 m3/m3 too high or too low for good, with noise of 0.02, and a
fifth of its hourly words never arrive; the config states its error honestly (0.045). Sixty days without rain.

Two rivals. The balance alone: the same controller, soil model and tables in a twin of the same bed, without a probe
and without a doubt (`foresee`): the plain FAO-56 balance, which refills its own depletion at dawn. The probe alone:
field capacity less the last reading, times the depth of the roots.
"""

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from statistics import fmean

import pytest

from controller.core.garden import Bed, Probe
from controller.core.moment import local_midnight
from controller.core.need import dawn_need, view
from controller.core.site import Sensor
from controller.core.soil import advance, foresee, new_bed, notice, wet
from controller.core.weather import DayWeather, WeatherBook, et0_of, share_of_day
from controller.settings import load
from controller.shells.journal import Journal
from controller.sim.instruments import SensorFault
from controller.sim.plot import Plot
from controller.sim.world import VirtualClock, World
from tests.core.gardens import LISBON, a_site, a_zone
from tests.sim.plots import DEMO

FIRST = date(2026, 6, 15)
START = local_midnight(FIRST, LISBON)
HOUR = timedelta(hours=1)
DAYS, SEEDS, SETTLED_DAYS = 60, 24, 20

PROBE = Sensor("probe", "moisture", "tomatoes", sd=0.045)
ZONE = a_zone(root_depth_m=0.4, planted=None)
SITE = a_site(ZONE, sensors=(PROBE,))
FIELD_CAPACITY, AVAILABLE_MM, SCALE_MM = ZONE.soil.field_capacity, 34.0, 400.0
BIAS, NOISE, LOST = 0.04, 0.02, 0.2


class TrueBed:
    """What the bed really is, by seed."""

    def __init__(self, seed: int) -> None:
        self.chance = random.Random(f"bed {seed}")
        self.demand = self.chance.uniform(0.85, 1.2)
        self.store = self.chance.uniform(0.9, 1.1)
        self.line = self.chance.uniform(0.92, 1.08)
        self.drain_days = self.chance.uniform(0.6, 1.0)
        self.depletion_mm = self.chance.uniform(2.0, 18.0)
        self.today = 1.0
        self.short_hours = 0
        self.given_mm = 0.0

    def begin_day(self) -> None:
        self.today = max(0.5, self.chance.gauss(1.0, 0.08))

    def live_an_hour(self, et0_mm: float) -> None:
        """1.2 times the reference, freely until a third of the store is gone; what is over drains."""
        available_mm = AVAILABLE_MM * self.store
        ease = min(1.0, max(0.0, (available_mm - self.depletion_mm) / (0.65 * available_mm)))
        self.depletion_mm = min(available_mm, self.depletion_mm + 1.2 * et0_mm * self.demand * self.today * ease)
        if self.depletion_mm < 0.0:
            self.depletion_mm *= math.exp(-1.0 / 24.0 / self.drain_days)
        self.short_hours += ease < 1.0 and et0_mm > 0.0

    def water(self, net_mm: float) -> None:
        self.depletion_mm -= net_mm * self.line
        self.given_mm += net_mm

    @property
    def moisture(self) -> float:
        return FIELD_CAPACITY - self.depletion_mm / (SCALE_MM * self.store)


def a_summer(seed: int) -> WeatherBook:
    """Days around 33 degC, warm and cool by turns. Everybody is told of them as they are."""
    chance, tmax_c, days = random.Random(f"sky {seed}"), 33.0, {}
    for n in range(DAYS + 4):
        tmax_c = 33.0 + 0.7 * (tmax_c - 33.0) + chance.gauss(0.0, 2.5)
        day = FIRST + timedelta(days=n)
        days[day] = DayWeather(day, tmax_c, tmax_c - 16.0, "forecast", 1.2, 2.0, 27.0)
    return WeatherBook(forecast=days, issued=START)


@dataclass
class Summer:
    """Squared errors of depletion, hour by hour [mm2], and the bed and its truth at the end."""

    truth: TrueBed
    bed: Bed
    estimate: list[float] = field(default_factory=list)
    probe_alone: list[float] = field(default_factory=list)


def lived(seed: int, *, with_probe: bool) -> Summer:
    """One bed through the summer: a dawn soak where it is owed one, and hour by hour what its probe says."""
    chance, book, probe = random.Random(f"probe {seed}"), a_summer(seed), Probe()
    bias = BIAS if seed % 2 else -BIAS
    summer = Summer(TrueBed(seed), new_bed(ZONE, SITE, START))
    truth = summer.truth
    for hour in range(24 * DAYS):
        at, until, day = START + hour * HOUR, START + (hour + 1) * HOUR, FIRST + timedelta(days=hour // 24)
        if hour % 24 == 0:
            truth.begin_day()
        if hour % 24 == 5:
            summer.bed = _soaked(summer.bed, truth, book, day, at)
        share = share_of_day(SITE, day, until) - share_of_day(SITE, day, at)
        truth.live_an_hour(et0_of(book, SITE, day, at).mm * share)
        summer.bed = (advance if with_probe else foresee)(summer.bed, ZONE, SITE, book, until, until)
        value, lost = truth.moisture + bias + chance.gauss(0.0, NOISE), chance.random() < LOST
        if with_probe and not lost:
            probe = replace(probe, value=value, at=until, same_since=until)
            summer.bed, probe = notice(summer.bed, probe, PROBE, ZONE, SITE, book, until)
        if probe.value is not None:
            summer.probe_alone.append(((FIELD_CAPACITY - probe.value) * SCALE_MM - truth.depletion_mm) ** 2)
        summer.estimate.append((summer.bed.depletion_mm - truth.depletion_mm) ** 2)
    return summer


def _soaked(bed: Bed, truth: TrueBed, book: WeatherBook, day: date, at: datetime) -> Bed:
    need = dawn_need(view(SITE, ZONE, bed, book, day, at))
    if need is None:
        return bed
    net_mm = need.gross_mm * ZONE.line.efficiency
    truth.water(net_mm)
    return replace(wet(bed, ZONE, net_mm, at), last_litres=need.litres)


def rms(squares: Sequence[float]) -> float:
    return math.sqrt(fmean(squares))


@pytest.fixture(scope="module")
def summers() -> list[tuple[Summer, Summer]]:
    """Each seed with the probe, and its twin without."""
    return [(lived(seed, with_probe=True), lived(seed, with_probe=False)) for seed in range(SEEDS)]


@pytest.mark.parametrize(
    "since_day",
    [
        pytest.param(0, marks=pytest.mark.xfail(reason="0.505 of the balance: filled less often", strict=True)),
        SETTLED_DAYS,
    ],
)
def test_a_poor_probe_and_the_balance_together_err_by_half_of_either(
    summers: list[tuple[Summer, Summer]], since_day: int
) -> None:
    """Over the whole summer, its learning included, and from the fourth week on (0.44)."""
    since = 24 * since_day
    both = fmean(rms(each.estimate[since:]) for each, _ in summers)
    balance = fmean(rms(alone.estimate[since:]) for _, alone in summers)
    probe = fmean(rms(each.probe_alone[since:]) for each, _ in summers)
    print(f"RMS of depletion from day {since_day}: {both:.2f} mm; balance {balance:.2f}, probe {probe:.2f}")
    assert both < 0.2 * probe
    assert both < 0.5 * balance


def test_it_is_no_luck_of_a_few_beds(summers: list[tuple[Summer, Summer]]) -> None:
    """In four beds of five the estimate is nearer to the truth than the balance of the twin is to its own."""
    better = sum(rms(both.estimate) < rms(alone.estimate) for both, alone in summers)
    print(f"nearer in {better} of {SEEDS}")
    assert better >= 0.8 * SEEDS


def test_what_was_learnt_spares_the_plants_thirst_for_a_little_more_water(
    summers: list[tuple[Summer, Summer]],
) -> None:
    short_h = [fmean(each.truth.short_hours for each in kind) for kind in zip(*summers, strict=True)]
    given_mm = [fmean(each.truth.given_mm for each in kind) for kind in zip(*summers, strict=True)]
    print(f"short of water {short_h[0]:.0f} h, balance {short_h[1]:.0f}; given {given_mm[0]:.0f}, {given_mm[1]:.0f} mm")
    assert short_h[0] < 0.4 * short_h[1]
    assert given_mm[0] < 1.10 * given_mm[1]


def test_the_doubt_it_states_is_the_doubt_it_has(summers: list[tuple[Summer, Summer]]) -> None:
    """At the end of the summer: errors in stated standard deviations are about 1, as a mean square over the beds."""
    ends = [((both.bed.depletion_mm - both.truth.depletion_mm) / both.bed.sd_mm) ** 2 for both, _ in summers]
    print(f"mean squared error in stated variances: {fmean(ends):.2f}")
    assert 0.2 < fmean(ends) < 2.0


# A probe that stops -------------------------------------------------------------------------------


def a_world(zone: str, seed: int, days: float, *faults: SensorFault) -> tuple[World, list[datetime]]:
    """The demo's garden cut to one zone, lived through from the first of July; and when its probe counted as bad."""
    whole = load(DEMO)
    zones = [each for each in whole.zone if each.id == zone]
    settings = whole.model_copy(
        update={"zone": zones, "sensor": [each for each in whole.sensor if each.zone in (zone, None)]}
    )
    told: list[datetime] = []

    def watch(world: World) -> None:
        if f"sensor-{zone}-probe" in world.loop.garden.faults:
            told.append(world.clock.utc)

    journal = Journal(":memory:")
    plot = Plot(settings, seed, start=BEGIN, faults=faults)
    world = World(settings, plot, journal, VirtualClock(BEGIN), watch=watch)
    world.begin()
    world.run(BEGIN + timedelta(days=days))
    world.end()
    journal.close()
    return world, told


BEGIN = local_midnight(date(2026, 7, 1), LISBON)


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.long) for seed in (2, 3))])
def test_a_probe_that_is_stuck_for_ten_days_is_called_so_within_two_and_costs_no_stress(seed: int) -> None:
    """The demo's seedlings, whose roots forgive least; stuck from the fifth day to the fifteenth."""
    freezes = BEGIN + timedelta(days=5)
    fault = SensorFault("salad-probe", "frozen", freezes, freezes + timedelta(days=10))
    sound, _ = a_world("salad", seed, 17)
    stuck, told = a_world("salad", seed, 17, fault)
    notes = [note.said for note in stuck.outlet.notes if note.kind == "fault"]
    assert any("has not moved at all" in said for said in notes)
    first = next(at for at in told if at >= freezes)
    assert first - freezes <= timedelta(days=2)
    assert stuck.loop.garden.probes["salad-probe"].word == "good", "and it is believed again once it moves"
    days = [world.garden.summary()["zones"]["salad"]["stress_days"] for world in (stuck, sound)]
    print(f"seed {seed}: told after {first - freezes}; stress days {days[0]}, without the fault {days[1]}")
    assert days[0] <= days[1]
