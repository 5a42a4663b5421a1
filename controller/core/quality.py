"""Stage 1, of the probes: which reading may correct the balance, and how far each probe is to be trusted.

Every check measures one thing that a sound probe hardly does, as a share of what it must not do. That share is a
*doubt*: about 0 in a sound probe, 1 at the limit of the check. Past its limit the probe gets a word and a sentence and,
unless it is only noisy, is not followed. Trust is made of the same doubts, so that it sinks before a probe fails:

    trust = 1 / ((1 + d1^2) (1 + d2^2) ...)

1 without any doubt, a half with one doubt at its limit, 0 while the probe is not followed. A zone with several probes
is to be trusted unless all of them fail: 1 - (1 - trust 1) (1 - trust 2) ... (both forms: common practice, no source).

The checks, the gravest first; range and silence are judged before a reading comes here:

| word | what is measured | limit |
|---|---|---|
| backwards | how surely it falls while its bed gets wetter, and rises while that dries | BACKWARDS |
| overstating | share of what its bed drew that it, and not the others, found again without any water | FOUND |
| stuck | hours without any change while the balance of its bed moved on | STUCK_H, or a watering slept through |
| jumped | step from the last sound reading beyond what was drawn, with no water to explain it | JUMP_SDS |
| disagreeing | distance from another probe of its bed; the one farther from the estimate is disbelieved | GATE_SD |
| doubtful | distance from the estimate | GATE_SD |
| noisy | mean square of its steps, of readings or of days, beside that of a sound probe | NOISY |

The first two are found over weeks, and hold until somebody has looked and the bed is told to learn anew: a probe that
tells the wrong way round, or that stands in ground that stays wet, cannot show by itself that it has been put right.

Age (toward stale) and the learnt offset (toward its bound) are doubts without a word of their own here. So is how
faintly the probes of a bed together show what comes and goes: one by itself may move twice as far as its bed, and one
below it hardly, but all of them show most of it. Where they do not, nobody can say which is wrong, and all are taken
for noisier than they say.

Two probes of one bed that agree strengthen each other: what both say, and only both, is followed against the estimate.
"""

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo

from controller.core.estimate import OFFSET_MOST_SDS, OFFSET_SD, Estimate, Surprise, surprise
from controller.core.frozen import replace
from controller.core.garden import Probe, SensorWord, Swing
from controller.core.moment import hours_between
from controller.core.site import Sensor

FOLLOWED: tuple[SensorWord, ...] = ("good", "noisy")
TROUBLES: tuple[SensorWord, ...] = (
    "noisy", "doubtful", "disagreeing", "jumped", "overstating", "backwards", "stuck", "stale"
)

NOISE_SHARE = 0.5
"""Of a probe's stated error about half is noise from reading to reading; the rest is its own, and is learnt (common
practice, no source)."""
GATE_SD = 4.0
"""A reading this many standard deviations from what was expected is doubted (common practice, no source; by chance
alone one in sixteen thousand of a normal error)."""
AGREE_SDS = 2.0
"""Two probes within this many standard deviations of each other say the same (common practice, no source)."""
COMPANY = timedelta(hours=2)
"""A reading older than this says nothing about another probe's (common practice, no source)."""
JUMP_SDS = 4.0
"""A step this many times as large as a sound probe's steps is a jump (common practice, no source)."""
JUMP_MEMORY = timedelta(hours=6)
"""After so long a probe that stays where it jumped to is judged by the other checks alone: somebody may have watered by
hand, or moved it (common practice, no source)."""
NOISY = 8.0
"""Mean square of a probe's steps beside a sound probe's 1, from which it is noisy (common practice, no source)."""
SMOOTHING = 0.05
"""Weight of the newest reading in what is averaged over readings (common practice, no source)."""
STUCK_H = 24.0
"""A probe that has not changed at all for so long is stuck, if its bed has moved (common practice, no source)."""
COARSEST = 0.01
"""Resolution of a probe whose steps nobody has seen yet [m3/m3]: whole percent, the coarsest that is common (common
practice, no source)."""
STIRS = 0.01
"""A watering that changes the whole root zone by less than this may not reach the probe [m3/m3] (common practice, no
source)."""
BACKWARDS = -0.2
"""A sound probe moves with its bed, by this share of it or more whatever its depth; one that surely does less moves
against it (common practice, no source)."""
SURE_SDS = 2.0
LATELY_DAYS, SWING_DAYS, SWING_LEAST_DAYS = 2.0, 20.0, 12.0
"""Where a bed stood lately is a mean over so many days; its swings count for so many, and tell nothing before there are
as many as the last (common practice, no source)."""
FOUND_LEAST_DAYS = 18.0
"""Water that was found tells nothing before so many of those days, which takes six weeks: until then the roots of a
young plant may not have come to a deep probe (common practice, no source)."""
FOUND = 0.2
"""Of what its bed draws a probe may find this share again where nobody watered, and so much more than the others of its
bed: tables and lines are off by as much, and what all probes find is there (common practice, no source)."""
FAINT, FAINTEST = 0.6, 0.1
"""Of a step of their bed its probes show the first share or more in the mean; less than the second counts as the
second (no source: tried on seasons of an outside crop model)."""
FAINT_POWER = 1.5
"""A probe that shows a share of a step has its noise over that share, at the least; what else may be wrong with it
counts by half as much again (no source: likewise)."""
A_DAY_H = 20.0
"""From here on a reading is of another day."""


@dataclass(frozen=True, slots=True)
class Sight:
    """A reading, and what it is judged by.

    value, at: the reading. estimate: of its bed; it has met the probe. field_capacity, least, most: of its soil, the
    latter the bounds of what it can hold [m3/m3]; scale_mm: mm of depletion for one m3/m3. balance_mm, drawn_mm,
    drained_mm: running balance of the bed, what it has drawn, and what has sunk away. watered, rained: such water may
    have reached the probe lately; watered_at: end of the last pulse. soaking: factor on noise while that is on its
    way; again: the same because readings in quick succession share it.
    """

    value: float
    at: datetime
    estimate: Estimate
    field_capacity: float
    least: float
    most: float
    scale_mm: float
    balance_mm: float
    drawn_mm: float
    drained_mm: float
    watered: bool
    rained: bool
    watered_at: datetime | None
    soaking: float
    again: float

    def noise_sd(self, sensor: Sensor) -> float:
        """Of one reading by itself [m3/m3]."""
        return NOISE_SHARE * sensor.sd * self.soaking

    def explains(self, step: float) -> bool:
        """Whether water may be why a probe has moved. Rain may come and sink in at any hour of its day."""
        return self.rained or (self.watered and step > 0.0)

    def gap(self, sensor: Sensor, value: float, factor: float = 1.0) -> Surprise:
        """How far a reading is from the estimate. factor: on its noise."""
        noise_sd = factor * self.noise_sd(sensor)
        return surprise(self.estimate, sensor.id, value, self.field_capacity, self.scale_mm, noise_sd)


@dataclass(frozen=True, slots=True)
class Judged:
    """A probe after the checks. noise_sd: how much noise its reading has as the estimate should take it [m3/m3].
    seconded_by_m3_m3: how far the estimate must be off if two probes that agree are right; None if it need not be."""

    probe: Probe
    noise_sd: float
    seconded_by_m3_m3: float | None = None


def heard(probe: Probe, value: float, at: datetime) -> Probe:
    """The probe with a newer reading, not judged yet."""
    if probe.value is None or probe.at is None:
        return replace(probe, value=value, at=at, same_since=at)
    step = value - probe.value
    if step == 0.0:
        return replace(probe, at=at, same_since=probe.same_since or at, step=step)
    finest = abs(step) if probe.finest is None else min(abs(step), probe.finest)
    near = at - probe.at <= JUMP_MEMORY
    return replace(probe, value=value, at=at, same_since=at, step=step if near else None, finest=finest)


def judged(probe: Probe, sensor: Sensor, sight: Sight, others: Iterable[tuple[Sensor, Probe]] = ()) -> Judged:
    """A probe's last reading looked at by every check; the gravest word that applies is the probe's.

    others: the other moisture probes of the zone, with what they have said.
    """
    others = list(others)
    probe = _swung(_stirred(probe, sight), sight)
    probe = replace(probe, rough=_rough(probe, sensor, sight))
    noise = _noise(probe, sensor)
    faint = _faint([(sensor, probe), *(each for each in others if each[1].convicted is None)])
    # A noisy probe is taken to be as noisy as it shows itself, so it moves the estimate the less.
    factor = sight.again * (1.0 + faint) * (math.sqrt(noise) if noise > NOISY else 1.0)
    plain, gap = sight.gap(sensor, sight.value), sight.gap(sensor, sight.value, factor)
    step = _step(probe, sensor, sight)
    company = [_beside(sensor, plain, other, value, sight) for other, value in _in_company(others, sight)]
    nearest = max((each for each in company if each.farther), key=lambda each: each.sds, default=None)
    possible = _possible(sensor, sight)
    jumped = step.sds > JUMP_SDS and not (possible and any(each.shares(step) for each in company))
    seconded = gap.sds > GATE_SD and possible and any(each.seconds(plain) for each in company)
    seconded = seconded and not any(each.denies(plain) for each in company)
    probe = replace(
        probe,
        amiss=_smoothed(probe.amiss, plain.sds, 2.0 * GATE_SD),
        still=_still(probe, sight),
        backwards=_backwards(probe.swing),
        overstating=_overstating(probe.swing, [other.swing for _, other in others if other.word in FOLLOWED]),
        faint=faint,
        apart=nearest.sds / GATE_SD if nearest is not None else 0.0,
        against=nearest.sensor if nearest is not None and nearest.sds > GATE_SD else None,
    )
    if probe.convicted is None and max(probe.backwards, probe.overstating) >= 1.0:
        probe = replace(probe, convicted="backwards" if probe.backwards >= 1.0 else "overstating")
    word = _word(probe, jumped=jumped, doubtful=gap.sds > GATE_SD and not seconded, noisy=noise > NOISY)
    if word in FOLLOWED:
        probe = replace(probe, sound=sight.value, sound_at=sight.at, sound_mm=sight.balance_mm)
    return Judged(replace(probe, word=word), factor * sight.noise_sd(sensor), abs(plain.by) if seconded else None)


def trust(sensor: Sensor, probe: Probe, estimate: Estimate | None, now: datetime) -> float:
    """How far a sensor is to be trusted at `now`, 0 (not at all: nothing follows it) to 1.

    estimate: of its bed, which knows its offset; None for the site's own instruments, of which only the age tells.
    """
    if probe.at is None or probe.word not in FOLLOWED:
        return 0.0
    age = max(0.0, (now - probe.at).total_seconds()) / sensor.stale_after_s
    if age > 1.0:
        return 0.0
    offset = 0.0 if estimate is None else estimate.offset(sensor.id) / (OFFSET_MOST_SDS * OFFSET_SD)
    squares = (
        age**2,
        offset**2,
        probe.still**2,
        probe.apart**2,
        probe.backwards**2,
        probe.overstating**2,
        probe.faint**2,
        max(0.0, _noise(probe, sensor) - 1.0) / (NOISY - 1.0),
        max(0.0, probe.amiss - 1.0) / (GATE_SD**2 - 1.0),
    )
    return 1.0 / math.prod(1.0 + square for square in squares)


def trust_together(each: Sequence[float]) -> float | None:
    """How far the probes of a zone are to be trusted together, 0 to 1; None for a zone without a probe."""
    return 1.0 - math.prod(1.0 - one for one in each) if each else None


def trouble_said(name: str, probe: Probe, timezone: tzinfo) -> str:
    """What is wrong with a sensor, and what becomes of it, in one sentence."""
    if probe.at is None:
        return f"{name} has not been heard yet; look at its topic in the config, and at its radio."
    at = f"{probe.at.astimezone(timezone):%a %H:%M}"
    level = "" if probe.sound is None else f" away from {probe.sound:.2f} m3/m3"
    hours = JUMP_MEMORY.total_seconds() / 3600.0
    return {
        "noisy": f"{name} jumps about from reading to reading far more than its error; it is followed only a little.",
        "stuck": f"{name} has not moved at all while the water of its bed did; it is not believed until it moves.",
        "backwards": f"{name} falls when its bed gets water and rises as it dries, so it is not followed. Are the two "
        "points of its calibration swapped? Mend it, then: seepward relearn and its zone",
        "overstating": f"{name} has told for weeks of water that nobody gave, so it is not followed. Does it stand in "
        "ground that stays wet? Move it, then: seepward relearn and its zone",
        "stale": f"{name} has been silent since {at}; the balance carries on without it.",
        "doubtful": f"{name} disagrees with the balance far beyond its error; it is not followed.",
        "jumped": f"{name} jumped{level}, and no watering or rain known here explains it; it is not followed until it "
        f"comes back or has stayed there for {hours:.0f} h.",
        "disagreeing": f"{name} and {probe.against} are in the same bed and disagree far beyond their errors; the "
        f"balance is nearer to {probe.against}, so {name} is not followed.",
    }[probe.word]


# The checks ---------------------------------------------------------------------------------------


def _word(probe: Probe, *, jumped: bool, doubtful: bool, noisy: bool) -> SensorWord:
    if probe.convicted is not None:
        return probe.convicted
    if probe.still >= 1.0:
        return "stuck"
    if jumped:
        return "jumped"
    if probe.against is not None:
        return "disagreeing"
    if doubtful:
        return "doubtful"
    return "noisy" if noisy else "good"


def _stirred(probe: Probe, sight: Sight) -> Probe:
    """The probe with how far its bed's balance has swung since its value last changed."""
    here = sight.balance_mm
    if probe.same_since == probe.at or probe.least_mm is None or probe.most_mm is None:
        return replace(probe, least_mm=here, most_mm=here)
    return replace(probe, least_mm=min(probe.least_mm, here), most_mm=max(probe.most_mm, here))


def _still(probe: Probe, sight: Sight) -> float:
    """How near to being stuck, 1 at the limit.

    A probe may stand still as long as its bed does, and a coarse one while its bed moves by less than its least step.
    """
    if probe.same_since is None or probe.least_mm is None or probe.most_mm is None:
        return 0.0
    same_h = hours_between(probe.same_since, sight.at)
    finest = COARSEST if probe.finest is None else probe.finest
    swing = (probe.most_mm - probe.least_mm) / sight.scale_mm
    still = min(same_h / STUCK_H, swing / (1.25 * finest))
    watered_at = sight.watered_at
    if watered_at is not None and probe.same_since < watered_at and hours_between(watered_at, sight.at) > 2.0:
        slept = swing / max(2.0 * finest, STIRS)
        still = max(still, slept if same_h > 3.0 else 0.0)
    return still


def _swung(probe: Probe, sight: Sight) -> Probe:
    """The probe with a day more of how it moves with its bed, where a day has passed."""
    swing = probe.swing
    # Without what has sunk away: that is what is believed, which the probe itself may have led astray.
    kept_mm = sight.balance_mm + sight.drained_mm
    if swing is None:
        return replace(probe, swing=Swing(sight.at, sight.value, kept_mm, sight.drawn_mm), wetter_mm=0.0)
    days = hours_between(swing.at, sight.at) / 24.0
    if days < A_DAY_H / 24.0:
        return probe
    near, kept = math.exp(-days / LATELY_DAYS), math.exp(-days / SWING_DAYS)
    bed = near * swing.bed + (kept_mm - swing.kept_mm) / sight.scale_mm
    own = near * swing.probe + sight.value - swing.value
    # What is more than was drawn makes a bed wetter than it was: water did come, whoever gave it.
    used_mm = 0.0 if sight.rained else sight.drawn_mm - swing.drawn_mm
    return replace(
        probe,
        wetter_mm=0.0,
        swing=Swing(
            sight.at,
            sight.value,
            kept_mm,
            sight.drawn_mm,
            bed,
            own,
            kept * swing.bed_squares + bed * bed,
            kept * swing.products + bed * own,
            kept * swing.probe_squares + own * own,
            kept * swing.found_mm + min(used_mm, probe.wetter_mm),
            kept * swing.used_mm + used_mm,
            kept * swing.days + 1.0,
        ),
    )


def _backwards(swing: Swing | None) -> float:
    """How near to being sure that a probe moves against its bed, 1 at the limit."""
    if swing is None or swing.days < SWING_LEAST_DAYS or swing.bed_squares <= 0.0:
        return 0.0
    answer, sd = _answer(swing)
    return max(0.0, (answer + SURE_SDS * sd) / BACKWARDS)


def _faint(probes: Sequence[tuple[Sensor, Probe]]) -> float:
    """By how much of itself a reading of the first is noisier because the bed's probes together show little of it: 0
    for nothing, 1 for twice as noisy."""
    shown = [_shown(sensor, probe) for sensor, probe in probes]
    if shown[0] is None:
        return 0.0
    mean = statistics.fmean(share for share in shown if share is not None)
    return float(max(1.0, FAINT / max(FAINTEST, mean)) ** FAINT_POWER) - 1.0


def _shown(sensor: Sensor, probe: Probe) -> float | None:
    """How much of a step of its bed a probe shows; None before it is known. What a noisy one shows is chance, and might
    make out that others show little, or hide that they do: it counts as all."""
    swing = probe.swing
    if swing is None or swing.days < SWING_LEAST_DAYS or swing.bed_squares <= 0.0:
        return None
    return 1.0 if _noise(probe, sensor) > NOISY else _answer(swing)[0]


def _answer(swing: Swing) -> tuple[float, float]:
    """How far a probe moves for each step of its bed: a line through the origin (least squares), and its standard
    deviation. One day's error is half the next day's too, so half the days tell."""
    return swing.products / swing.bed_squares, math.sqrt(_left_over(swing) / swing.bed_squares)


def _left_over(swing: Swing) -> float:
    """Mean square of what a probe moves by itself from day to day, and not with its bed [(m3/m3)2]."""
    return max(0.0, swing.probe_squares - swing.products**2 / swing.bed_squares) / (swing.days / 2.0)


def _overstating(swing: Swing | None, others: Iterable[Swing | None]) -> float:
    """How near to finding more water than its bed can be wrong by, and than the bed's other probes find, 1 at the
    limit. A probe that is alone is not judged: a tree may drink beyond what its line wets."""
    fellows = [each.found_mm / each.used_mm for each in others if each is not None and each.used_mm > 0.0]
    if swing is None or swing.days < FOUND_LEAST_DAYS or swing.used_mm <= 0.0 or not fellows:
        return 0.0
    share = swing.found_mm / swing.used_mm
    return max(0.0, min(share, share - statistics.fmean(fellows)) / FOUND)


def _rough(probe: Probe, sensor: Sensor, sight: Sight) -> float:
    """Mean square of its steps, those of a sound probe being 1; a step that water explains is no roughness."""
    if probe.step is None or sight.explains(probe.step):
        return probe.rough
    return _smoothed(probe.rough, abs(probe.step) / (math.sqrt(2.0) * sight.noise_sd(sensor)), GATE_SD)


def _noise(probe: Probe, sensor: Sensor) -> float:
    """Mean square of its steps, those of a sound probe being 1: from reading to reading, or, as it may be read but
    once a day, from day to day."""
    swing = probe.swing
    if swing is None or swing.days < SWING_LEAST_DAYS / 2.0 or swing.bed_squares <= 0.0:
        return probe.rough
    step_sd = math.sqrt(2.0) * NOISE_SHARE * sensor.sd  # of two readings
    return max(probe.rough, _left_over(swing) / step_sd**2)


def _smoothed(mean: float, sds: float, most: float) -> float:
    return (1.0 - SMOOTHING) * mean + SMOOTHING * min(sds, most) ** 2


def _step(probe: Probe, sensor: Sensor, sight: Sight) -> Surprise:
    """The step from the last sound reading, beside the steps that this probe makes; none where there is nothing near to
    compare with, or where water explains it. What the balance expects is taken off, and doubted by half."""
    if probe.sound is None or probe.sound_at is None or sight.at - probe.sound_at > JUMP_MEMORY:
        return Surprise(0.0, 0.0)
    expected = (sight.balance_mm - probe.sound_mm) / sight.scale_mm
    step = sight.value - probe.sound - expected
    if sight.explains(step):
        return Surprise(0.0, 0.0)
    noise_sd = math.sqrt(2.0 * max(1.0, probe.rough)) * sight.noise_sd(sensor)
    return Surprise(step, abs(step) / math.hypot(noise_sd, 0.5 * expected))


@dataclass(frozen=True, slots=True)
class _Beside:
    """A probe beside another of its bed. sds: how far apart they are, their offsets allowed for, in standard deviations
    of sd [m3/m3]; farther: it, not the other, is farther from the estimate. theirs: the other's surprise."""

    sensor: str
    sds: float
    sd: float
    farther: bool
    theirs: Surprise

    def shares(self, step: Surprise) -> bool:
        """Whether the other is there, too, where a step has led."""
        return self.sds <= AGREE_SDS and abs(step.by) > AGREE_SDS * self.sd

    def seconds(self, own: Surprise) -> bool:
        """Whether the other says the same of the bed, against the estimate, and is sure enough to be asked."""
        both = own.by * self.theirs.by > 0.0 and self.theirs.sds > GATE_SD / 2.0
        return both and self.sds <= AGREE_SDS and abs(own.by) > AGREE_SDS * self.sd

    def denies(self, own: Surprise) -> bool:
        """Whether the other says the contrary of the bed, against the estimate: water on its way has reached one probe
        and not yet the next."""
        return own.by * self.theirs.by < 0.0 and self.theirs.sds > GATE_SD / 2.0


def _in_company(others: Iterable[tuple[Sensor, Probe]], sight: Sight) -> list[tuple[Sensor, float]]:
    """What the other probes said lately, of those that are in order."""
    return [
        (sensor, other.value)
        for sensor, other in others
        if other.value is not None
        and other.at is not None
        and abs(sight.at - other.at) <= COMPANY
        and other.word not in ("noisy", "overstating", "backwards", "stuck", "stale")
        and sensor.id in sight.estimate.probes
    ]


def _beside(sensor: Sensor, own: Surprise, other: Sensor, value: float, sight: Sight) -> _Beside:
    theirs = sight.gap(other, value)
    unsure = sight.estimate.offsets_apart_sd(sensor.id, other.id)
    sd = math.hypot(unsure, sight.noise_sd(sensor), sight.noise_sd(other))
    return _Beside(other.id, abs(own.by - theirs.by) / sd, sd, own.sds > theirs.sds, theirs)


def _possible(sensor: Sensor, sight: Sight) -> bool:
    """Whether a soil can hold what the probe says, its offset allowed for: two with one broken cable agree as well."""
    content = sight.value - sight.estimate.offset(sensor.id)
    return sight.least - sensor.sd <= content <= sight.most + sensor.sd
