"""How far a forecast of a daily maximum may be trusted, and what several issues of it say together.

An issue errs the more the farther ahead it looks. Part of the error lasts through all issues of a day, the rest is new
with each: the larger the lasting part, the less the issues together know more than the last alone. Both are learnt from
the days that the site's own thermometer has watched whole; until then a cautious guess holds.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import NormalDist

SD_NOW_C, SD_PER_DAY_C = 1.0, 0.3
"""Standard deviation of the error of a maximum told for the same day, and more for each day ahead: a cautious middle
of what forecast services say of themselves (from memory)."""
LASTING = 0.5
"""Share of the error's variance that lasts through all issues of a day, before anything is learnt (no source)."""
GUESS_DAYS = 20.0
"""The guess weighs as much as so many days."""
MEMORY_DAYS = 300.0
SPREAD_LEAST, SPREAD_MOST, LASTING_MOST, BIAS_MOST_C = 0.25, 9.0, 0.95, 4.0
"""Bounds of what may be learnt (common practice, no source)."""

Issues = Mapping[int, float]
"""Days ahead -> the maximum [degC] that was told so long before."""


@dataclass(frozen=True, slots=True)
class Skill:
    """What has been learnt of a forecast. spread: the error's variance as a multiple of the guess; shared: the part of
    it that lasts through the issues; bias_c: by how much the place tops what is told; days: how many it was learnt
    from."""

    spread: float = 1.0
    shared: float = LASTING
    bias_c: float = 0.0
    days: float = 0.0

    @property
    def lasting(self) -> float:
        """Share of the variance that lasts, 0 to 0.95."""
        return min(LASTING_MOST, max(0.0, self.shared / self.spread))


@dataclass(frozen=True, slots=True)
class Guess:
    """A maximum as far as it is known: mean and standard deviation, degC."""

    mean_c: float
    sd_c: float

    def chance_of(self, at_least_c: float) -> float:
        """Probability that it reaches a temperature, 0 to 1."""
        return 1.0 - NormalDist(self.mean_c, self.sd_c).cdf(at_least_c)


def taught(skill: Skill, issues: Issues, truth_c: float) -> Skill:
    """The skill after a day that reached `truth_c`. One issue alone says nothing of what lasts."""
    if not issues:
        return skill
    errors = [(truth_c - told_c - skill.bias_c) / _sd_c(ahead) for ahead, told_c in issues.items()]
    count, square = len(errors), sum(error**2 for error in errors)
    pace = 1.0 / min(MEMORY_DAYS, GUESS_DAYS + skill.days + 1.0)
    spread = skill.spread + pace * (square / count - skill.spread)
    shared = skill.shared
    if count > 1:
        product = (sum(errors) ** 2 - square) / (count * (count - 1))
        shared += pace * (product - shared)
    bias_c = skill.bias_c + pace * (truth_c - together(skill, issues).mean_c)
    bias_c = min(BIAS_MOST_C, max(-BIAS_MOST_C, bias_c))
    return Skill(min(SPREAD_MOST, max(SPREAD_LEAST, spread)), shared, bias_c, skill.days + 1.0)


def together(skill: Skill, issues: Issues) -> Guess:
    """The best guess from all issues of a day: the linear one of least variance. ValueError without any.

    With errors D (lasting J + (1 - lasting) I) D of the issues, D their standard deviations, the weights are
    proportional to C^-1 1. Where an old issue would weigh less than nothing, it is left out.

    >>> guess = together(Skill(shared=0.0), {2: 36.0, 3: 37.9})
    >>> round(guess.mean_c, 2), round(guess.sd_c, 2)
    (36.79, 1.22)
    """
    if not issues:
        raise ValueError("a guess needs at least one issue")
    row = sorted(issues.items())
    lasting = skill.lasting
    while True:
        inverse = [1.0 / _sd_c(ahead) for ahead, _ in row]
        common = lasting * sum(inverse) / (1.0 - lasting + lasting * len(row))
        weights = [each * (each - common) / (1.0 - lasting) for each in inverse]
        if len(row) == 1 or weights[-1] >= 0.0:
            break
        row.pop()
    total = sum(weights)
    mean_c = sum(weight * told_c for weight, (_, told_c) in zip(weights, row, strict=True)) / total
    return Guess(mean_c + skill.bias_c, math.sqrt(skill.spread / total))


def _sd_c(days_ahead: int) -> float:
    return SD_NOW_C + SD_PER_DAY_C * max(0, days_ahead)
