"""What is believed of one bed's water, and how firmly: a small extended Kalman filter over what is not known.

State: depletion [mm]; the zone's demand beside the table's, as a logarithm; its available water beside the table's, as
a logarithm; and one offset [m3/m3] for each probe. The balance moves depletion on and makes it less sure; a reading
is what field capacity, depletion and the probe's own offset add up to. So a biased probe is not followed but
understood: a soak that surely filled the bed tells where the probe's field capacity lies, the days after tell by how
much faster or slower than the table the bed dries, and a bed that dries ever more slowly tells how much it holds.

Water beyond field capacity is depletion below zero; it drains away in its own time, faster in sand than in loam. Of a
bed that may be wetter or drier than field capacity only the wetter half of the belief drains: the doubt shrinks, and
the mean moves to the dry side. That is how a soak makes depletion sure, and how one that only just fills does not.

Plain Python: the matrices have a handful of rows. Source of the filter: Kalman 1960, J. Basic Eng. 82:35.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.core.frozen import replace

DEPLETION, DEMAND, HOLDS = 0, 1, 2
FIRST_PROBE = 3

DEMAND_SD = 0.20
"""How far a zone's real demand is from the table's: a share (common practice, no source; 10 to 20 % is usual)."""
HOLDS_SD = 0.20
"""How far its available water is from the table's: field capacity and wilting point are each told a tenth wrong, and
it is their difference (common practice, no source)."""
OFFSET_SD = 0.03
"""How far a probe's zero is off [m3/m3] (common practice, no source)."""
DEMAND_DRIFT = 0.008
"""By how much demand may wander in a day: canopies grow, winds change (no source; tried in closed loop against an
outside crop model)."""
OFFSET_DRIFT = 0.0015
"""A probe stands in one place, which dries a little differently from the root zone at large: by this much in a day, one
day another way than the next [m3/m3] (common practice, no source)."""
DAY_SD = 0.10
"""Weather and table miss one day's demand by this share, another the next day (common practice, no source)."""
DAYLIGHT_SHARE = 0.6
"""Part of a summer day in which it is drawn."""
WATER_SD = 0.08
"""How far what a line gives in one watering is from its stated flow: a share (common practice, no source)."""
DRAINAGE_SD = 0.3
"""How far drainage is from its model: a share of what drains (common practice, no source)."""
OFFSET_MOST_SDS = 3.0
"""A probe's learnt offset is held within so many of its first standard deviations (common practice, no source)."""
LEARNT_LEAST, LEARNT_MOST = math.log(0.8), math.log(1.6)
"""Learnt factors are held between these: beyond, something else is wrong. Less is trusted than more, for a bed that is
kept too dry is lost sooner than one kept too wet (common practice, no source)."""

LEAST_VARIANCE = 1e-10

Row = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Estimate:
    """Mean and covariance; probes: the ids that the offsets belong to, in order."""

    mean: Row
    cov: tuple[Row, ...]
    probes: tuple[str, ...] = ()

    @property
    def depletion_mm(self) -> float:
        return self.mean[DEPLETION]

    @property
    def sd_mm(self) -> float:
        return math.sqrt(max(0.0, self.cov[DEPLETION][DEPLETION]))

    @property
    def demand_factor(self) -> float:
        """The zone's real demand as a multiple of the table's."""
        return math.exp(self.mean[DEMAND])

    @property
    def holds_factor(self) -> float:
        """Its available water as a multiple of the table's."""
        return math.exp(self.mean[HOLDS])

    @property
    def holds_sd(self) -> float:
        """How unsure that is, as a share of it."""
        return math.sqrt(max(0.0, self.cov[HOLDS][HOLDS]))

    def sd_beyond_mm(self, part_mm: float) -> float:
        """How unsure it is by how much depletion exceeds a part of the available water that is now taken for so many
        mm: both are doubted, and the doubts belong together."""
        cov = self.cov
        variance = cov[DEPLETION][DEPLETION] - 2.0 * part_mm * cov[DEPLETION][HOLDS] + part_mm**2 * cov[HOLDS][HOLDS]
        return math.sqrt(max(0.0, variance))

    def offset(self, probe: str) -> float:
        """What the probe reads above the truth [m3/m3]; 0 for one it has not met."""
        return self.mean[FIRST_PROBE + self.probes.index(probe)] if probe in self.probes else 0.0

    def offset_sd(self, probe: str) -> float:
        """How unsure that is."""
        if probe not in self.probes:
            return OFFSET_SD
        index = FIRST_PROBE + self.probes.index(probe)
        return math.sqrt(max(0.0, self.cov[index][index]))

    def offsets_apart_sd(self, one: str, other: str) -> float:
        """How unsure the difference between the offsets of two probes is that it has met."""
        i, j = (FIRST_PROBE + self.probes.index(probe) for probe in (one, other))
        return math.sqrt(max(0.0, self.cov[i][i] + self.cov[j][j] - 2.0 * self.cov[i][j]))


def new_estimate(depletion_mm: float, sd_mm: float, holds: float = 1.0, holds_sd: float = HOLDS_SD) -> Estimate:
    """What is believed of a bed that nobody has told us of. holds, holds_sd: its first store factor, and how unsure."""
    variances = (sd_mm**2, DEMAND_SD**2, holds_sd**2)
    return Estimate((depletion_mm, 0.0, math.log(holds)), _diagonal(variances))


@dataclass(frozen=True, slots=True)
class Lived:
    """A stretch of time: the estimate after it, what was drawn, and what drained [mm]."""

    estimate: Estimate
    used_mm: float
    drained_mm: float


Use = Callable[[float, float, float], float]
"""(depletion_mm, demand_factor, holds_factor) -> mm drawn in the time."""


def lived(estimate: Estimate, use: Use, days: float, drain_days: float) -> Lived:
    """The estimate after plants and sun have drawn and what stood above field capacity has drained.

    days: how long that was; drain_days: time in which excess falls to 1/e.
    """
    depletion_mm, demand, holds = estimate.mean[:FIRST_PROBE]
    used_mm = use(depletion_mm, math.exp(demand), math.exp(holds))
    slopes = _slopes(lambda d, g, h: use(d, math.exp(g), math.exp(h)), (depletion_mm, demand, holds), used_mm)
    dry_mm = depletion_mm + used_mm
    size = len(estimate.mean)
    # The step matrix is the identity but for its first row: depletion takes over some of the other errors.
    first = [
        estimate.cov[DEPLETION][j] + sum(s * estimate.cov[k][j] for k, s in enumerate(slopes)) for j in range(size)
    ]
    corner = first[DEPLETION] + sum(s * first[k] for k, s in enumerate(slopes))
    gone = 1.0 - math.exp(-days / drain_days)
    drained = _drained(dry_mm, math.sqrt(max(0.0, corner)), gone)
    cov = [list(each) for each in estimate.cov]
    for j in range(size):
        cov[DEPLETION][j] = cov[j][DEPLETION] = first[j] * drained.keep
    # One day's error is one error, however many steps its daylight is cut into: the steps add up to it.
    day_variance = (DAY_SD * used_mm) ** 2 * max(1.0, DAYLIGHT_SHARE / days)
    cov[DEPLETION][DEPLETION] = drained.variance + day_variance + (DRAINAGE_SD * drained.mm) ** 2
    cov[DEMAND][DEMAND] += DEMAND_DRIFT**2 * days
    for n in range(FIRST_PROBE, size):
        cov[n][n] += OFFSET_DRIFT**2 * days
    # Where no probe will ever tell, a doubt is not booked as water lost: the balance drains as FAO-56 has it (eq. 88).
    drained_mm = drained.mm if estimate.probes else gone * max(0.0, -dry_mm)
    mean = (dry_mm + drained_mm, *estimate.mean[1:])
    return Lived(replace(estimate, mean=mean, cov=tuple(tuple(each) for each in cov)), used_mm, drained_mm)


def foreseen(depletion_mm: float, used_mm: float, days: float, drain_days: float) -> float:
    """The depletion after the same, as if it were sure: what a plan needs to know, at a fraction of the cost [mm]."""
    dry_mm = depletion_mm + used_mm
    return dry_mm + (1.0 - math.exp(-days / drain_days)) * max(0.0, -dry_mm)


def watered(estimate: Estimate, net_mm: float, sd_share: float = WATER_SD, sd_mm: float = 0.0) -> Estimate:
    """The estimate after water has come.

    net_mm: what reached the root zone; sd_share, sd_mm: how unsure that amount is, as a share and in itself.
    """
    first = estimate.cov[DEPLETION]
    variance = first[DEPLETION] + (sd_share * net_mm) ** 2 + sd_mm**2
    return replace(
        estimate,
        mean=(estimate.depletion_mm - net_mm, *estimate.mean[1:]),
        cov=((variance, *first[1:]), *estimate.cov[1:]),
    )


def meet(estimate: Estimate, probe: str, offset_sd: float = OFFSET_SD) -> Estimate:
    """The estimate with a probe's offset among what is not known; unchanged if it is known already."""
    if probe in estimate.probes:
        return estimate
    size = len(estimate.mean)
    rows = [(*row, 0.0) for row in estimate.cov]
    rows.append((*(0.0 for _ in range(size)), offset_sd**2))
    return Estimate((*estimate.mean, 0.0), tuple(rows), (*estimate.probes, probe))


@dataclass(frozen=True, slots=True)
class Surprise:
    """How far a reading is from what was expected, in its own unit and in standard deviations."""

    by: float
    sds: float


def surprise(
    estimate: Estimate, probe: str, reading: float, field_capacity: float, scale_mm: float, noise_sd: float
) -> Surprise:
    """What a reading would tell. scale_mm: mm of depletion for one m3/m3 at the probe."""
    look = _look(estimate, probe, scale_mm)
    expected = field_capacity - estimate.depletion_mm / scale_mm + estimate.offset(probe)
    sd = math.sqrt(_quadratic(estimate.cov, look) + noise_sd**2)
    return Surprise(reading - expected, abs(reading - expected) / sd)


def observed(
    estimate: Estimate, probe: str, reading: float, field_capacity: float, scale_mm: float, noise_sd: float
) -> Estimate:
    """The estimate after a reading [m3/m3] of a probe it has met."""
    look = _look(estimate, probe, scale_mm)
    seen = [sum(row[j] * look[j] for j in range(len(look))) for row in estimate.cov]
    spread = sum(look[i] * seen[i] for i in range(len(look))) + noise_sd**2
    gap = surprise(estimate, probe, reading, field_capacity, scale_mm, noise_sd).by
    mean = [value + each / spread * gap for value, each in zip(estimate.mean, seen, strict=True)]
    most = OFFSET_MOST_SDS * OFFSET_SD
    for n in range(FIRST_PROBE, len(mean)):
        mean[n] = min(most, max(-most, mean[n]))
    for learnt in (DEMAND, HOLDS):
        mean[learnt] = min(LEARNT_MOST, max(LEARNT_LEAST, mean[learnt]))
    size = range(len(look))
    cov = [[estimate.cov[i][j] - seen[i] * seen[j] / spread for j in size] for i in size]
    for n in size:
        cov[n][n] = max(cov[n][n], LEAST_VARIANCE)
    return replace(estimate, mean=tuple(mean), cov=tuple(tuple(row) for row in cov))


def forgotten(estimate: Estimate, holds: float = 1.0, holds_sd: float = HOLDS_SD) -> Estimate:
    """The estimate with everything learnt forgotten: the table's demand and the first store again, and probes as
    new."""
    return new_estimate(estimate.depletion_mm, max(estimate.sd_mm, 1.0), holds, holds_sd)


# Arithmetic ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Drained:
    """mm: expected drainage. keep: what is left of depletion's covariance with anything else, as a share. variance: of
    depletion afterwards."""

    mm: float
    keep: float
    variance: float


def _drained(mean_mm: float, sd_mm: float, gone: float) -> _Drained:
    """What becomes of a normal belief when the share `gone` of all that stands above field capacity drains.

    Exact first and second moments of x + gone max(0, -x); `keep` is its regression on x (Stein's lemma).
    """
    if sd_mm < 1e-9:
        keep = 1.0 - gone if mean_mm < 0.0 else 1.0
        return _Drained(gone * max(0.0, -mean_mm), keep, (keep * sd_mm) ** 2)
    z = mean_mm / sd_mm
    below = 0.5 * math.erfc(z / math.sqrt(2.0))
    density = math.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
    excess_mm = sd_mm * density - mean_mm * below
    square = (mean_mm**2 + sd_mm**2) * below - mean_mm * sd_mm * density
    spread = square - excess_mm**2
    # Cov(x, max(0, -x)) is -below times the variance.
    variance = sd_mm**2 * (1.0 - 2.0 * gone * below) + gone**2 * spread
    return _Drained(gone * max(0.0, excess_mm), 1.0 - gone * below, max(0.0, variance))


def _slopes(use: Callable[[float, float, float], float], at: Row, value: float) -> Row:
    """Partial derivatives, by small steps forward: the balance has corners, and a step is what it will be asked for."""
    steps = (0.25, 0.02, 0.02)
    found = []
    for i, step in enumerate(steps):
        moved = [each + (step if i == j else 0.0) for j, each in enumerate(at)]
        found.append((use(*moved) - value) / step)
    return tuple(found)


def _look(estimate: Estimate, probe: str, scale_mm: float) -> list[float]:
    """How a reading answers to each part of the state."""
    look = [0.0] * len(estimate.mean)
    look[DEPLETION] = -1.0 / scale_mm
    look[FIRST_PROBE + estimate.probes.index(probe)] = 1.0
    return look


def _quadratic(cov: Sequence[Row], look: Sequence[float]) -> float:
    size = len(look)
    return sum(look[i] * cov[i][j] * look[j] for i in range(size) for j in range(size))


def _diagonal(values: Sequence[float]) -> tuple[Row, ...]:
    return tuple(tuple(value if i == j else 0.0 for j in range(len(values))) for i, value in enumerate(values))
