"""What the checks think of probes: what is let into the balance, what is said of it, and how far it is trusted.

Limits are common practice, no source. The beds are lived hour by hour, and their probes say what they are made to say.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.garden import Bed, Probe, Swing
from controller.core.moment import local_midnight
from controller.core.plants import plants_on
from controller.core.quality import GATE_SD, NOISE_SHARE, NOISY, heard, trouble_said, trust, trust_together
from controller.core.site import Sensor
from controller.core.soil import advance, believed, new_bed, notice, rain_on, wet
from controller.core.weather import WeatherBook, take_forecast
from tests.core.gardens import LISBON, a_forecast, a_site, a_zone

JULY_15 = date(2026, 7, 15)
START = local_midnight(JULY_15, LISBON)
HOUR = timedelta(hours=1)
ZONE = a_zone(root_depth_m=0.4)
ONE = Sensor("north-probe", "moisture", "tomatoes", sd=0.02)
OTHER = Sensor("south-probe", "moisture", "tomatoes", sd=0.02)
THIRD = Sensor("third-probe", "moisture", "tomatoes", sd=0.02)
SITE = a_site(ZONE, sensors=(ONE, OTHER, THIRD))
HOT = take_forecast(WeatherBook(), a_forecast(START, [33.0] * 14), SITE)
COOL = take_forecast(WeatherBook(), a_forecast(START, [8.0] * 14), SITE)
SCALE_MM = plants_on(ZONE, SITE, HOT, JULY_15, START).scale_mm

Says = Callable[[int, float], float | None]
"""(hours since the start, what the bed really holds) -> what the probe says, m3/m3; None: nothing."""


@dataclass
class Hours:
    """A bed with its probes, hour by hour; `words` is what was thought of the first of them."""

    bed: Bed
    probes: dict[Sensor, Probe]
    words: list[str]

    def trust(self, sensor: Sensor = ONE, after: timedelta = timedelta()) -> float:
        return trust(sensor, self.probes[sensor], self.bed.estimate, self.bed.as_of + after)


def a_bed(depletion_mm: float = 8.0, sd_mm: float = 1.0) -> Bed:
    return believed(new_bed(ZONE, SITE, START), depletion_mm, sd_mm)


def holds(bed: Bed) -> float:
    return ZONE.soil.field_capacity - bed.depletion_mm / SCALE_MM


def lived(
    hours: int,
    says: Says,
    *others_say: Says,
    book: WeatherBook = HOT,
    water: dict[int, float] | None = None,
    rain: dict[int, float] | None = None,
    truth: Callable[[int], float] = lambda hour: 0.0,
    since: Hours | None = None,
) -> Hours:
    """Hours of a bed. What it really holds is its own balance, without probes, and `truth` added to it.

    water, rain: hour -> mm; the valve's litres are known, rain is what a gauge says.
    """
    real = a_bed()
    speakers = dict(zip((ONE, OTHER, THIRD), (says, *others_say), strict=False))
    been = since or Hours(a_bed(), {sensor: Probe() for sensor in speakers}, [])
    for hour in range(1, hours + 1):
        at = START + hour * HOUR
        real = advance(real, ZONE, SITE, book, at, at)
        bed = advance(been.bed, ZONE, SITE, book, at, at)
        if water and hour in water:
            real, bed = wet(real, ZONE, water[hour], at), wet(bed, ZONE, water[hour], at)
        if rain and hour in rain:
            real, bed = rain_on(real, rain[hour]), rain_on(bed, rain[hour])
        for sensor, speaks in speakers.items():
            value = speaks(hour, holds(real) + truth(hour))
            if value is not None:
                probe = heard(been.probes[sensor], value, at)
                others = [(each, theirs) for each, theirs in been.probes.items() if each != sensor]
                bed, been.probes[sensor] = notice(bed, probe, sensor, ZONE, SITE, book, at, others)
        been.bed = bed
        been.words.append(been.probes[ONE].word)
    return been


def true(hour: int, content: float) -> float:
    return content


def noisy(sd: float, seed: int = 1) -> Says:
    chance = random.Random(seed)
    return lambda hour, content: content + chance.gauss(0.0, sd)


def off_by(offset: float) -> Says:
    return lambda hour, content: content + offset


def whole_percent(hour: int, content: float) -> float:
    return round(content, 2)


def said(been: Hours, sensor: Sensor = ONE) -> str:
    return trouble_said(sensor.id, been.probes[sensor], LISBON)


# Stuck --------------------------------------------------------------------------------------------


def test_a_probe_that_does_not_move_in_a_day_while_its_bed_dries_is_stuck_until_it_moves() -> None:
    been = lived(30, lambda hour, content: 0.2)
    assert been.words[-1] == "stuck"
    assert been.words.index("stuck") >= 20
    assert been.trust() == 0.0
    assert "has not moved at all" in said(been)
    probe = heard(been.probes[ONE], 0.19, been.bed.as_of + HOUR)
    _, probe = notice(been.bed, probe, ONE, ZONE, SITE, HOT, been.bed.as_of + HOUR)
    assert probe.word != "stuck"


def test_a_stuck_probe_changes_nothing_from_then_on() -> None:
    been = lived(30, lambda hour, content: 0.2)
    at = been.bed.as_of + HOUR
    later = advance(been.bed, ZONE, SITE, HOT, at, at)
    after, _ = notice(later, heard(been.probes[ONE], 0.2, at), ONE, ZONE, SITE, HOT, at)
    assert after == later


def test_a_bed_that_hardly_moves_makes_no_probe_stuck() -> None:
    """What a cool day draws is less than a whole-percent probe need show; a hot day draws more."""
    assert "stuck" not in lived(30, lambda hour, content: 0.12, book=COOL).words
    assert "stuck" in lived(30, lambda hour, content: 0.12, book=HOT).words


def test_a_soak_slept_through_is_noticed_within_hours() -> None:
    been = lived(9, lambda hour, content: 0.2, water={4: 12.0})
    assert been.words[-1] == "stuck"
    assert "stuck" not in been.words[:5]


def test_a_whole_percent_probe_may_sleep_through_a_small_refresh() -> None:
    """3 mm are 0.75 % of this bed: less than one step of the probe. A fine probe must have shown it."""
    coarse = lived(12, lambda hour, content: 0.2, water={4: 3.0})
    assert "stuck" not in coarse.words


def test_a_whole_percent_probe_that_follows_its_bed_is_never_called_stuck() -> None:
    """Ten days, refreshed by 3 mm every evening and soaked every third morning."""
    water = {24 * day + 20: 3.0 for day in range(10)} | {24 * day + 5: 9.0 for day in range(0, 10, 3)}
    been = lived(240, whole_percent, water=water)
    assert set(been.words) == {"good"}
    assert been.probes[ONE].finest == pytest.approx(0.01)


@pytest.mark.parametrize("daily_mm", [3.0, 6.0])
def test_a_whole_percent_probe_that_is_stuck_is_caught_within_two_days(daily_mm: float) -> None:
    water = {24 * day + 5: daily_mm for day in range(6)}
    been = lived(144, lambda hour, content: whole_percent(hour, content) if hour < 60 else 0.17, water=water)
    assert "stuck" not in been.words[:60]
    assert been.words.index("stuck") <= 60 + 48


def test_a_fine_probe_teaches_its_resolution() -> None:
    assert lived(24, noisy(0.004)).probes[ONE].finest == pytest.approx(0.0005, abs=0.0005)


# Jumps and noise ----------------------------------------------------------------------------------


@pytest.mark.parametrize("by", [0.09, -0.09])
def test_a_step_that_no_water_explains_is_a_jump_and_is_not_followed(by: float) -> None:
    calm = lived(12, true)
    been = lived(12, lambda hour, content: content + (by if hour == 12 else 0.0))
    assert been.words[-1] == "jumped"
    assert been.bed.depletion_mm == pytest.approx(calm.bed.depletion_mm, abs=0.2)
    assert been.trust() == 0.0
    assert "jumped away from 0.12 m3/m3" in said(been)
    assert "no watering or rain" in said(been)


def test_a_probe_that_comes_back_after_a_jump_is_good_again() -> None:
    been = lived(14, lambda hour, content: content + (0.09 if hour in (11, 12) else 0.0))
    assert been.words[-5:] == ["good", "jumped", "jumped", "good", "good"]


def test_a_jump_that_stays_is_left_to_the_other_checks_after_six_hours() -> None:
    been = lived(30, lambda hour, content: content + (0.15 if hour > 12 else 0.0))
    assert set(been.words[12:18]) == {"jumped"}
    assert been.words[-1] == "doubtful"


def test_a_rise_with_water_is_no_jump() -> None:
    watered = lived(14, lambda hour, content: content + (0.07 if hour == 12 else 0.0), water={12: 4.0})
    rained = lived(14, lambda hour, content: content + (0.07 if hour == 12 else 0.0), rain={12: 4.0})
    assert "jumped" not in watered.words + rained.words
    assert "jumped" in lived(14, lambda hour, content: content + (0.07 if hour == 12 else 0.0)).words


def test_a_rise_while_the_valve_is_open_is_no_jump() -> None:
    been = lived(12, true)
    at = been.bed.as_of + timedelta(minutes=10)
    bed, probe = advance(been.bed, ZONE, SITE, HOT, at, at), heard(been.probes[ONE], holds(been.bed) + 0.09, at)
    _, shut = notice(bed, probe, ONE, ZONE, SITE, HOT, at)
    _, running = notice(bed, probe, ONE, ZONE, SITE, HOT, at, watering=True)
    assert (shut.word, running.word) == ("jumped", "good")


def test_a_probe_much_noisier_than_its_error_is_noisy_and_moves_the_bed_the_less() -> None:
    been = lived(72, noisy(0.06))
    assert been.words[-1] == "noisy"
    assert been.probes[ONE].rough > NOISY
    assert "far more than its error" in said(been)
    assert been.trust() < 0.5
    at = been.bed.as_of + HOUR
    value = holds(been.bed) - 0.02
    doubted, _ = notice(been.bed, heard(been.probes[ONE], value, at), ONE, ZONE, SITE, HOT, at)
    calm = replace(been.probes[ONE], rough=1.0)
    trusted, _ = notice(been.bed, heard(calm, value, at), ONE, ZONE, SITE, HOT, at)
    assert 0.0 < doubted.depletion_mm - been.bed.depletion_mm < 0.5 * (trusted.depletion_mm - been.bed.depletion_mm)


@pytest.mark.parametrize("seed", range(8))
def test_a_probe_as_noisy_as_its_whole_error_is_still_good(seed: int) -> None:
    """A grower who states as error nothing but the noise must not be told of jumps every day."""
    words = lived(120, noisy(ONE.sd, seed)).words
    assert words.count("good") >= 0.95 * len(words)
    assert "noisy" not in words


# Two probes ---------------------------------------------------------------------------------------


def test_two_probes_that_disagree_the_farther_from_the_balance_is_disbelieved() -> None:
    """The south one is half out of the ground from the third day on. Once the jump is over, it still disagrees."""
    been = lived(80, noisy(0.004, 1), lambda hour, content: content - (0.12 if hour > 60 else 0.0))
    assert been.probes[OTHER].word == "disagreeing"
    assert been.probes[ONE].word == "good"
    assert been.probes[OTHER].against == "north-probe"
    assert said(been, OTHER) == (
        "south-probe and north-probe are in the same bed and disagree far beyond their errors; the balance is nearer "
        "to north-probe, so south-probe is not followed."
    )
    assert been.trust(OTHER) == 0.0
    assert been.trust(ONE) > 0.8


def test_which_of_two_is_disbelieved_follows_from_the_balance_and_not_from_their_order() -> None:
    been = lived(80, lambda hour, content: content + (0.12 if hour > 60 else 0.0), noisy(0.004, 2))
    assert (been.probes[ONE].word, been.probes[OTHER].word) == ("disagreeing", "good")


def test_a_lying_second_probe_moves_the_bed_by_next_to_nothing() -> None:
    alone = lived(80, noisy(0.004, 1))
    beside = lived(80, noisy(0.004, 1), lambda hour, content: content - (0.12 if hour > 60 else 0.0))
    assert beside.bed.depletion_mm == pytest.approx(alone.bed.depletion_mm, abs=1.0)


def test_two_probes_that_agree_against_the_balance_are_followed_and_one_alone_is_not() -> None:
    """Somebody waters with a hose, 16 mm that no valve knows of."""
    def hose(hour: int) -> float:
        return 0.04 if hour > 60 else 0.0

    def half(hour: int, content: float) -> float:
        return content + (0.04 if hour > 60 else 0.0)

    alone = lived(64, half, truth=hose)
    both = lived(64, half, half, truth=hose)
    wetter_mm = lived(64, true).bed.depletion_mm - both.bed.depletion_mm
    assert alone.words[-1] in ("jumped", "doubtful")
    assert (both.probes[ONE].word, both.probes[OTHER].word) == ("good", "good")
    assert wetter_mm > 10.0


def test_two_probes_that_agree_are_not_followed_while_a_third_says_the_contrary() -> None:
    """A soak that has reached only the first: the two below it stay as dry as they were, and so agree."""
    soak_mm, at_h = 12.0, 13

    def reached(hour: int, content: float) -> float:
        return content + (0.10 if hour >= at_h else 0.0)

    def not_yet(hour: int, content: float) -> float:
        return content - (soak_mm / SCALE_MM + 0.06 if hour >= at_h else 0.0)

    balance_mm = lived(at_h + 8, true, water={at_h: soak_mm}).bed.depletion_mm
    denied = lived(at_h + 8, reached, not_yet, not_yet, water={at_h: soak_mm})
    assert denied.bed.depletion_mm == pytest.approx(balance_mm, abs=4.0)
    followed = lived(at_h + 8, not_yet, not_yet, water={at_h: soak_mm})
    assert followed.bed.depletion_mm > balance_mm + 25.0


def test_two_probes_that_agree_on_what_no_soil_can_hold_are_not_followed() -> None:
    """One broken cable, and both say nought."""
    def cut(hour: int, content: float) -> float:
        return content if hour <= 60 else 0.0

    both = lived(64, cut, cut)
    assert both.probes[ONE].word != "good"
    assert both.bed.depletion_mm == pytest.approx(lived(60, true).bed.depletion_mm, abs=3.0)


def test_two_probes_that_agree_make_the_bed_surer_and_are_trusted_more_than_either() -> None:
    alone, both = lived(72, noisy(0.01, 1)), lived(72, noisy(0.01, 1), noisy(0.01, 2))
    assert both.bed.sd_mm < alone.bed.sd_mm
    each = [both.trust(ONE), both.trust(OTHER)]
    together = trust_together(each)
    assert together is not None
    assert together > max(each)


# Trust --------------------------------------------------------------------------------------------


def test_a_sound_probe_is_trusted_nearly_whole_and_less_as_its_word_ages() -> None:
    been = lived(72, noisy(0.008))
    fresh, old, late = (been.trust(after=after) for after in (timedelta(), 5 * HOUR, 7 * HOUR))
    assert 0.85 < fresh <= 1.0
    assert 0.5 < old < 0.7
    assert late == 0.0


def test_a_probe_is_trusted_the_less_the_farther_from_the_truth_it_reads() -> None:
    """Each is wrong by so much from its first word on; what is learnt of it is allowed for, and its trust says so."""
    trusts = [lived(240, off_by(off)).trust() for off in (0.0, 0.03, 0.06)]
    assert trusts[0] > trusts[1] > trusts[2] > 0.3


@given(
    st.floats(0, 100), st.floats(0, 100), st.floats(0, 0.99), st.floats(0, 1), st.floats(0, 10), st.integers(0, 4)
)
def test_more_doubt_never_means_more_trust(
    rough: float, amiss: float, still: float, apart: float, more: float, which: int
) -> None:
    at, estimate = START, a_bed().estimate
    probe = Probe(value=0.2, at=at, word="good", rough=rough, amiss=amiss, still=still, apart=apart)
    name = ("rough", "amiss", "still", "apart", "faint")[which]
    worse = replace(probe, **{name: getattr(probe, name) + more})
    before, after = trust(ONE, probe, estimate, at), trust(ONE, worse, estimate, at)
    assert 0.0 <= after <= before <= 1.0


@pytest.mark.parametrize(
    "doubt", [{"still": 1.0}, {"apart": 1.0}, {"rough": NOISY}, {"amiss": GATE_SD**2}, {"faint": 1.0}], ids=str
)
def test_one_doubt_at_its_limit_halves_the_trust(doubt: dict[str, float]) -> None:
    probe = replace(Probe(value=0.2, at=START, word="good"), **doubt)  # type: ignore[arg-type]
    assert trust(ONE, probe, a_bed().estimate, START) == pytest.approx(0.5)


def test_the_sites_own_instruments_are_trusted_by_their_age_alone() -> None:
    thermometer = Sensor("air", "air temperature", stale_after_s=3600.0)
    probe = Probe(value=30.0, at=START, word="good")
    assert trust(thermometer, probe, None, START) == 1.0
    assert trust(thermometer, probe, None, START + timedelta(minutes=30)) == pytest.approx(0.8)


def test_trust_together() -> None:
    assert trust_together([0.5, 0.5]) == pytest.approx(0.75)
    assert trust_together([0.0, 0.9]) == pytest.approx(0.9)
    assert trust_together([]) is None


# Weeks --------------------------------------------------------------------------------------------

WEEKS = 7
EVERY_THIRD_DAY = {24 * day + 5: 14.0 for day in range(0, 7 * WEEKS, 3)}
MIDDLE = (ZONE.soil.field_capacity + ZONE.soil.wilting_point) / 2.0
LONG = take_forecast(WeatherBook(), a_forecast(START, [30.0] * (7 * WEEKS + 7)), SITE)


def answering(share: float, sd: float = 0.004, seed: int = 1) -> Says:
    """It moves by so much of what its bed does; below 0 the wrong way round."""
    chance = random.Random(seed)
    return lambda hour, content: MIDDLE + share * (content - MIDDLE) + chance.gauss(0.0, sd)


def weeks(says: Says, *others_say: Says, count: int = WEEKS, **more: Any) -> Hours:
    return lived(24 * 7 * count, says, *others_say, book=LONG, **{"water": EVERY_THIRD_DAY} | more)


def test_a_probe_whose_calibration_is_swapped_is_found_within_three_weeks_and_for_good() -> None:
    been = weeks(answering(-1.0))
    assert been.words.index("backwards") <= 21 * 24
    assert set(been.words[been.words.index("backwards") :]) == {"backwards"}
    assert been.trust() == 0.0
    assert "swapped" in trouble_said(ONE.id, been.probes[ONE], LISBON)


@pytest.mark.parametrize("share", [0.0, 0.3, 1.0, 2.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_probe_that_answers_little_or_much_is_not_the_wrong_way_round(share: float, seed: int) -> None:
    assert "backwards" not in weeks(answering(share, 0.008, seed), true).words


@pytest.mark.parametrize(
    ("days", "found_mm", "other_mm", "word"),
    [(19.0, 9.0, 0.0, "good"), (19.0, 11.0, 0.0, "overstating"), (19.0, 11.0, 2.0, "good"),
     (19.0, 9.0, -9.0, "good"), (17.0, 40.0, 0.0, "good"), (19.0, 40.0, None, "good")],
)  # fmt: skip
def test_a_probe_that_alone_has_found_too_much_of_what_was_drawn_has_led_its_bed_astray(
    days: float, found_mm: float, other_mm: float | None, word: str
) -> None:
    """Of 50 mm, beside another that found so much, or none; and then the bed forgets what it has learnt."""
    others = [true] if other_mm is not None else []
    been = lived(2, true, *others)
    been.bed = replace(been.bed, estimate=replace(been.bed.estimate, mean=(8.0, -0.2, *been.bed.estimate.mean[2:])))
    for sensor, mm in ((ONE, found_mm), (OTHER, other_mm)):
        if mm is not None:
            swing = Swing(been.bed.as_of, 0.11, 0.0, 0.0, found_mm=mm, used_mm=50.0, days=days)
            been.probes[sensor] = replace(been.probes[sensor], swing=swing)
    after = lived(3, true, *others, since=been)
    assert after.words[-1] == word
    assert (after.bed.estimate.demand_factor > 0.99) is (word == "overstating")
    assert (after.trust() == 0.0) is (word == "overstating")


def test_what_such_a_probe_does_is_said() -> None:
    assert "water that nobody gave" in trouble_said(ONE.id, Probe(at=START, word="overstating"), LISBON)


@pytest.mark.parametrize("share", [0.25, 0.4])
def test_a_probe_that_shows_little_of_its_bed_is_taken_for_as_much_noisier_and_a_half_more(share: float) -> None:
    been = weeks(answering(share))
    assert been.probes[ONE].faint == pytest.approx((0.6 / share) ** 1.5 - 1.0, rel=0.25)
    assert been.words[-1] == "good", "it is followed, but less"
    assert been.trust() < weeks(answering(0.8)).trust()


def test_one_that_moves_twice_as_far_stands_for_two_below_that_hardly_move() -> None:
    """As the probes of a bed do that gets little at a time."""
    been = weeks(answering(2.0), answering(0.1, seed=2), answering(0.0, seed=3))
    assert {sensor: probe.faint for sensor, probe in been.probes.items()} == dict.fromkeys((ONE, OTHER, THIRD), 0.0)
    fainter = weeks(answering(1.0), answering(0.1, seed=2), answering(0.0, seed=3))
    assert all(probe.faint > 0.3 for probe in fainter.probes.values())


def test_a_faint_probe_moves_its_bed_the_less() -> None:
    """The same reading, with and without what its swings have told."""
    been = weeks(answering(0.25))
    at, moved_mm = been.bed.as_of + 6 * HOUR, []
    for swing in (been.probes[ONE].swing, None):
        probe = heard(replace(been.probes[ONE], swing=swing), 0.14, at)
        after, _ = notice(been.bed, probe, ONE, ZONE, SITE, LONG, at)
        moved_mm.append(been.bed.depletion_mm - after.depletion_mm)
    assert 0.0 < moved_mm[0] < 0.5 * moved_mm[1]


def test_how_faint_a_bed_is_told_is_judged_without_those_that_were_found_to_lie() -> None:
    been = weeks(answering(0.8), answering(-1.0, seed=2))
    assert been.probes[OTHER].word == "backwards"
    assert been.probes[ONE].faint == 0.0


def daily(says: Says) -> Callable[[int, float], float | None]:
    """Read but once a day, at midnight."""
    return lambda hour, content: says(hour, content) if hour % 24 == 0 else None


def anything(seed: int = 1) -> Says:
    """Of its bed it tells nothing."""
    chance = random.Random(seed)
    return lambda hour, content: chance.uniform(0.0, 0.4)


@pytest.mark.parametrize("seed", range(1, 9))
def test_a_probe_that_is_read_once_a_day_and_says_anything_is_noisy_and_hardly_trusted(seed: int) -> None:
    been = weeks(daily(anything(seed)), daily(answering(0.8)), count=3)
    assert been.words[-1] in ("noisy", "disagreeing")
    assert been.probes[ONE].rough == 1.0, "no two of its readings are near enough to tell"
    assert been.trust() < 0.2 < 0.5 < been.trust(OTHER)


@pytest.mark.parametrize("seed", range(1, 9))
def test_a_sound_probe_that_is_read_once_a_day_is_not_noisy_though_it_moves_twice_as_far(seed: int) -> None:
    for share in (0.0, 0.5, 1.0, 2.0):
        been = weeks(daily(answering(share, NOISE_SHARE * ONE.sd, seed)), count=3)
        assert "noisy" not in been.words


def test_what_a_probe_that_says_anything_shows_counts_as_that_of_a_sound_one() -> None:
    """It would make the others out to be faint, or hide that they are, as chance has it."""
    faint = [weeks(daily(answering(1.2)), daily(anything(seed)), count=4).probes[ONE].faint for seed in range(1, 9)]
    assert faint == [0.0] * 8
    alone = weeks(daily(answering(0.3)), count=4).probes[ONE].faint
    beside = [weeks(daily(answering(0.3)), daily(anything(seed)), count=4).probes[ONE].faint for seed in range(1, 9)]
    assert max(beside) < 0.5 * alone


def test_a_noisy_probe_bears_no_witness() -> None:
    """Neither for nor against another of its bed: what it says is chance."""
    been = weeks(daily(answering(1.0)), daily(answering(1.0, seed=2)), count=3)
    at, told = been.bed.as_of + 12 * HOUR, holds(been.bed) + 0.06
    words = {}
    for word in ("good", "noisy"):
        other = replace(been.probes[OTHER], value=told, at=at, word=word)
        _, probe = notice(been.bed, heard(been.probes[ONE], told, at), ONE, ZONE, SITE, LONG, at, [(OTHER, other)])
        words[word] = probe.word
    assert words == {"good": "good", "noisy": "doubtful"}


def test_more_than_was_drawn_in_a_day_is_water_that_somebody_gave() -> None:
    """30 mm found in a day that drew some 5: no more than these count, or it would be convicted."""
    been = lived(2, true, true)
    yesterday = been.bed.as_of - 24 * HOUR
    for sensor, wetter_mm in ((ONE, 30.0), (OTHER, 0.0)):
        swing = Swing(yesterday, 0.11, 0.0, been.bed.drawn_mm - 5.0, used_mm=50.0, days=20.0)
        been.probes[sensor] = replace(been.probes[sensor], swing=swing, wetter_mm=wetter_mm)
    after = lived(3, true, true, since=been)
    swing_after = after.probes[ONE].swing
    assert swing_after is not None
    assert 4.0 < swing_after.found_mm < 7.0
    assert after.words[-1] == "good"
