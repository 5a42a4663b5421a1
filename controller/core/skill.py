"""How far a forecast of a daily maximum may be trusted, and what several issues of it say together.

An issue errs the more the farther ahead it looks. Part of the error lasts through all issues of a day, the rest is new
with each: the larger the lasting part, the less the issues together know more than the last alone. And an issue that
was too cool about today is likely too cool about the days after it, too: what has shown of its error by now corrects
what it says of them. All three are learnt from the days that the site's own thermometer has watched whole; until then
a cautious guess holds.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import NormalDist
from types import MappingProxyType
from typing import NamedTuple

SD_NOW_C, SD_PER_DAY_C = 1.0, 0.3
"""Standard deviation of the error of a maximum told for the same day, and more for each day ahead: a cautious middle
of what forecast services say of themselves (from memory)."""
LASTING = 0.5
"""Share of the error's variance that lasts through all issues of a day, before anything is learnt (no source)."""
FOLLOWS = 0.3
"""Correlation of an issue's errors about two days that follow each other, before anything is learnt (no source)."""
GUESS_DAYS = 20.0
"""The guess weighs as much as so many days."""
MEMORY_DAYS = 300.0
SPREAD_LEAST, SPREAD_MOST, LASTING_MOST, BIAS_MOST_C = 0.25, 9.0, 0.95, 4.0
"""Bounds of what may be learnt (common practice, no source)."""

Issues = Mapping[int, float]
"""Days ahead -> the maximum [degC] that was told so long before."""


class Slip(NamedTuple):
    """How far an issue was off about the last day that is known: in its standard deviations there, above zero where the
    day was warmer than told; and how many days that is before the day in question."""

    off_sd: float
    days: int


Slips = Mapping[int, Slip]
"""Days ahead, as in `Issues` -> the slip of that issue."""
NONE_SEEN: Slips = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Skill:
    """What has been learnt of a forecast. spread: the error's variance as a multiple of the guess; shared: the part of
    it that lasts through the issues; bias_c: by how much the place tops what is told; days: how many it was learnt
    from; follows: the part of the variance that an issue's errors about neighbouring days have in common."""

    spread: float = 1.0
    shared: float = LASTING
    bias_c: float = 0.0
    days: float = 0.0
    follows: float = FOLLOWS

    @property
    def lasting(self) -> float:
        """Share of the variance that lasts, 0 to 0.95."""
        return min(LASTING_MOST, max(0.0, self.shared / self.spread))

    def along(self, days: int) -> float:
        """Correlation of an issue's errors about two days so far apart, 0 to 0.95: a power of that of neighbours."""
        return min(LASTING_MOST, max(0.0, self.follows / self.spread)) ** days

    def off_sd(self, ahead: int, told_c: float, truth_c: float) -> float:
        """How far an issue was off, in its standard deviations before anything was learnt."""
        return (truth_c - told_c - self.bias_c) / _sd_c(ahead)


@dataclass(frozen=True, slots=True)
class Guess:
    """A maximum as far as it is known: mean and standard deviation, degC."""

    mean_c: float
    sd_c: float

    def chance_of(self, at_least_c: float) -> float:
        """Probability that it reaches a temperature, 0 to 1."""
        return 1.0 - NormalDist(self.mean_c, self.sd_c).cdf(at_least_c)


def taught(skill: Skill, issues: Issues, truth_c: float, slips: Slips = NONE_SEEN) -> Skill:
    """The skill after a day that reached `truth_c`. slips: of the same issues about the day before. One issue alone
    says nothing of what lasts."""
    if not issues:
        return skill
    errors = {ahead: skill.off_sd(ahead, told_c, truth_c) for ahead, told_c in issues.items()}
    count, square = len(errors), sum(error**2 for error in errors.values())
    pace = 1.0 / min(MEMORY_DAYS, GUESS_DAYS + skill.days + 1.0)
    spread = skill.spread + pace * (square / count - skill.spread)
    shared, follows = skill.shared, skill.follows
    if count > 1:
        product = (sum(errors.values()) ** 2 - square) / (count * (count - 1))
        shared += pace * (product - shared)
    pairs = [errors[ahead] * slip.off_sd for ahead, slip in slips.items() if ahead in errors and slip.days == 1]
    if pairs:
        follows += pace * (sum(pairs) / len(pairs) - follows)
    bias_c = skill.bias_c + pace * (truth_c - together(skill, issues).mean_c)
    bias_c = min(BIAS_MOST_C, max(-BIAS_MOST_C, bias_c))
    return Skill(min(SPREAD_MOST, max(SPREAD_LEAST, spread)), shared, bias_c, skill.days + 1.0, follows)


def together(skill: Skill, issues: Issues, slips: Slips = NONE_SEEN) -> Guess:
    """The best guess from all issues of a day: the linear one of least variance. ValueError without any.

    An issue whose slip r days before is known is first moved by its regression on it, along(r) of the slip in standard
    deviations, which leaves 1 - along(r)^2 of its variance. With errors D (lasting J + (1 - lasting) I) D of the issues
    then, D their standard deviations, the weights are proportional to C^-1 1. Where the widest would weigh less than
    nothing, it is left out.

    >>> guess = together(Skill(shared=0.0), {2: 36.0, 3: 37.9})
    >>> round(guess.mean_c, 2), round(guess.sd_c, 2)
    (36.79, 1.22)
    >>> guess = together(Skill(follows=0.6), {2: 36.0}, {2: Slip(1.0, 1)})
    >>> round(guess.mean_c, 2), round(guess.sd_c, 2)
    (36.96, 1.28)
    """
    if not issues:
        raise ValueError("a guess needs at least one issue")
    row = sorted(_corrected(skill, ahead, told_c, slips.get(ahead)) for ahead, told_c in issues.items())
    lasting = skill.lasting
    while True:
        inverse = [1.0 / sd_c for sd_c, _ in row]
        common = lasting * sum(inverse) / (1.0 - lasting + lasting * len(row))
        weights = [each * (each - common) / (1.0 - lasting) for each in inverse]
        if len(row) == 1 or weights[-1] >= 0.0:
            break
        row.pop()
    total = sum(weights)
    mean_c = sum(weight * told_c for weight, (_, told_c) in zip(weights, row, strict=True)) / total
    return Guess(mean_c + skill.bias_c, math.sqrt(skill.spread / total))


def _corrected(skill: Skill, ahead: int, told_c: float, slip: Slip | None) -> tuple[float, float]:
    """Standard deviation and maximum of an issue, by what has shown of its error."""
    sd_c = _sd_c(ahead)
    if slip is None:
        return sd_c, told_c
    along = skill.along(slip.days)
    return sd_c * math.sqrt(1.0 - along**2), told_c + along * slip.off_sd * sd_c


def _sd_c(days_ahead: int) -> float:
    return SD_NOW_C + SD_PER_DAY_C * max(0, days_ahead)
