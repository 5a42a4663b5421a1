"""Chance that can be asked twice: a draw hangs on seed, purpose and day, never on who asked before.

Days are drawn alone and joined afterwards (a weighted sum over the days before), so the weather of a far day
costs nothing and a garden-year can be entered anywhere.
"""

import math
import random
from collections.abc import Callable
from datetime import date, timedelta
from statistics import NormalDist

ONE_DAY = timedelta(days=1)
STANDARD_NORMAL = NormalDist()


def dice(*purpose: object) -> random.Random:
    """A generator of its own for each purpose, e.g. `dice(seed, "sky", day)`."""
    return random.Random("/".join(str(part) for part in purpose))


def persistent(draw: Callable[[date], float], day: date, persistence: float, days: int = 8) -> float:
    """A standard normal that remembers: correlation about `persistence` (0 to 1) from one day to the next.

    draw: the independent standard normal of a day.
    days: how many days back the memory reaches; what is older than that is cut off.
    """
    total = weight = 0.0
    share = 1.0
    for back in range(days):
        total += share * draw(day - back * ONE_DAY)
        weight += share * share
        share *= persistence
    return total / math.sqrt(weight)
