"""Who goes without when water or time does not suffice: the pulse whose omission costs least goes first.

What a bed loses by being short is read off FAO-56 and FAO-33: the stress that its depletion would mean by the next
dusk (Ks), times what its crop loses by that in this stage (Ky), times what the gardener says it is worth. Stress sets
in only past the readily available water, and then grows the faster the less the roots can reach. So the deep-rooted
give way before the shallow, the ripening before the flowering. Stress counts squared: much of it for one bed is worse
than a little for two, so every pulse left out makes the next one of the same bed dearer. Seedlings and newly planted
are the last to lose.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf

from controller.agronomy.yield_response import response_factor
from controller.core.garden import Need
from controller.core.need import TENDER, View

TENDER_WORTH = 10.0
"""A seedling that dries up is lost, not a little smaller (common practice, no source)."""
POTS_WORTH = 2.0
"""Pots have no subsoil to fall back on (common practice, no source)."""
UNEASE = 0.05
"""What an empty root zone counts before there is stress, as a share of full stress: so that of two beds that would both
go without it the fuller one gives way (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Stake:
    """What the plants of a zone have to lose by a watering that is cut.

    worth: of its plants, a bare number; infinite if a person asked for the water. depletion_mm: at the next dusk after
    the whole watering. available_mm, fraction: TAW and p of that day. net_share: of the line's water that
    stays in the root zone.
    """

    worth: float
    depletion_mm: float = 0.0
    available_mm: float = 1.0
    fraction: float = 0.5
    net_share: float = 1.0

    def cost(self, short_mm: float) -> float:
        """What it costs to be short of so much [gross mm]: worth x (1 - Ks) squared (FAO-56 eq. 84, past wilting the
        same on and on), and a little before there is stress."""
        depleted = max(0.0, self.depletion_mm + short_mm * self.net_share) / self.available_mm
        stress = max(0.0, (depleted - self.fraction) / (1.0 - self.fraction))
        return self.worth * (stress**2 + UNEASE * depleted**2)

    def harm(self, short_mm: float) -> float:
        """What it adds to be short of so much [gross mm]; 0 for no shortage."""
        if short_mm <= 1e-6:
            return 0.0
        return inf if self.worth == inf else self.cost(short_mm) - self.cost(0.0)


BY_HAND = Stake(inf)


def stake_of(seen: View, need: Need) -> Stake:
    """What a zone would lose by a cut of this need."""
    zone = seen.zone
    kind = TENDER_WORTH if seen.tender else POTS_WORTH if zone.pots is not None else 1.0
    return Stake(
        worth=zone.value * kind * response_factor(zone.crop, zone.age_days(seen.day)),
        depletion_mm=seen.bed.depletion_mm - need.net_mm + seen.demand_mm * seen.left_share,
        available_mm=max(0.1, seen.available_mm),
        fraction=seen.plants.fraction * (TENDER if seen.tender else 1.0),
        net_share=zone.line.efficiency,
    )


def cheapest_first(stakes: Sequence[Stake], pulses_mm: Sequence[Sequence[float]]) -> Iterator[int]:
    """In which order to leave pulses out, by the number of the watering whose last pulse goes, until none is left.

    pulses_mm: the gross depth of each pulse of each watering. A pulse costs what its omission adds, by the millimetre;
    of equals the later watering gives first.
    """
    left = [list(each) for each in pulses_mm]
    short_mm = [0.0] * len(left)

    def cost(n: int) -> float:
        stake, mm = stakes[n], left[n][-1]
        return inf if stake.worth == inf else (stake.cost(short_mm[n] + mm) - stake.cost(short_mm[n])) / mm

    while any(left):
        cheapest = min((n for n in range(len(left)) if left[n]), key=lambda n: (cost(n), -n))
        yield cheapest
        short_mm[cheapest] += left[cheapest].pop()
