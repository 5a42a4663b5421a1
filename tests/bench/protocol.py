"""The six virtual zones and the daily balance of a published test of irrigation controllers. All from memory.

After the Irrigation Association's SWAT protocol for climatologically based controllers (8th, 2008), which EPA's
WaterSense took up in 2011. The text itself could not be opened, so this is a benchmark after the protocol and never
conformity with it. Its own table of turf coefficients is not known: University of California's monthly ones (Meyer et
al. 1985) stand in, with a factor of 0.7 of ours for the shade of zone 1.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

COOL_SEASON = (0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60)
WARM_SEASON = (0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55)
SHADE_FACTOR = 0.7
RAIN_COUNTS = 0.80
"""Share of a rain that the balance credits."""
IN, SQ_FT = 25.4, 0.092903


@dataclass(frozen=True, slots=True)
class VirtualZone:
    """storage: root-zone working storage, inches; coefficient: on ETo, or a month's each; rate, intake: inches an hour;
    surface: what may stand on it, inches."""

    id: str
    texture: str
    slope_percent: float
    storage_in: float
    coefficients: tuple[float, ...]
    rate_in_h: float
    efficiency: float
    area_sq_ft: float
    intake_in_h: float
    surface_in: float

    def coefficient(self, month: int) -> float:
        """Of a month, January 1."""
        return self.coefficients[(month - 1) % len(self.coefficients)]

    @property
    def storage_mm(self) -> float:
        return self.storage_in * IN

    @property
    def rate_mm_h(self) -> float:
        return self.rate_in_h * IN

    @property
    def intake_mm_h(self) -> float:
        return self.intake_in_h * IN

    @property
    def surface_mm(self) -> float:
        return self.surface_in * IN

    @property
    def area_m2(self) -> float:
        return self.area_sq_ft * SQ_FT


ZONES = (
    VirtualZone(
        "fescue", "loam", 6, 0.85, tuple(SHADE_FACTOR * kc for kc in COOL_SEASON), 1.60, 0.55, 1000, 0.35, 0.25
    ),
    VirtualZone("bermuda", "silty clay", 10, 0.55, WARM_SEASON, 1.60, 0.60, 1200, 0.15, 0.16),
    VirtualZone("ground-cover", "loamy sand", 8, 0.90, (0.55,), 1.40, 0.70, 800, 0.50, 0.26),
    VirtualZone("shrubs", "sandy loam", 12, 2.00, (0.40,), 1.40, 0.75, 500, 0.40, 0.24),
    VirtualZone("trees", "clay loam", 2, 2.25, (0.61,), 0.20, 0.80, 650, 0.20, 0.26),
    VirtualZone("bermuda-slope", "clay", 20, 0.55, WARM_SEASON, 0.35, 0.65, 1600, 0.10, 0.10),
)


@dataclass(frozen=True, slots=True)
class Day:
    """One day of one zone's balance, in the unit that the zone is reckoned in. losses_net: run-off and surplus."""

    etc: float
    gross: float
    runoff: float
    surplus: float
    deficit: float
    storage: float
    irrigation_net: float
    losses_net: float


Cycle = tuple[float, float]
"""Water on: begin and end, in minutes of its day."""


@dataclass
class Bucket:
    """The balance of one zone. Rates a minute and depths in one unit, whichever it is."""

    storage_most: float
    rate_min: float
    intake_min: float
    surface_most: float
    efficiency: float
    storage: float = field(init=False)

    def __post_init__(self) -> None:
        self.storage = self.storage_most / 2.0

    def live(self, cycles: Sequence[Cycle], etc: float, rain: float) -> Day:
        """One day. cycles: (begin, end) in minutes, in order. Irrigation first, then ETc, then rain (our choice)."""
        gross = self.rate_min * sum(end - begin for begin, end in cycles)
        direct, soak = self._runoff(cycles)
        net = (gross - direct - soak) * self.efficiency
        after = self.storage + net - etc
        surplus = max(0.0, after - self.storage_most)
        deficit = max(0.0, -after)
        self.storage = min(self.storage_most, max(0.0, min(after, self.storage_most)) + RAIN_COUNTS * rain)
        losses = (direct + soak) * self.efficiency + surplus
        return Day(etc, gross, direct + soak, surplus, deficit, self.storage, gross * self.efficiency, losses)

    def _runoff(self, cycles: Sequence[Cycle]) -> tuple[float, float]:
        """What one cycle sheds by itself, and what more it sheds because the one before still stood there."""
        rise = self.rate_min - self.intake_min
        standing = direct = soak = 0.0
        for n, (begin, end) in enumerate(cycles):
            if n:
                standing = max(0.0, standing - self.intake_min * (begin - cycles[n - 1][1]))
            minutes = end - begin
            over = max(0.0, standing + rise * minutes - self.surface_most)
            alone = max(0.0, rise * minutes - self.surface_most)
            direct += alone
            soak += over - alone
            standing = max(0.0, min(self.surface_most, standing + rise * minutes))
        return direct, soak


def bucket_of(zone: VirtualZone) -> Bucket:
    """A zone's balance in mm."""
    return Bucket(zone.storage_mm, zone.rate_mm_h / 60.0, zone.intake_mm_h / 60.0, zone.surface_mm, zone.efficiency)


@dataclass(frozen=True, slots=True)
class Score:
    """Percent. excess: 100 less the scheduling efficiency; 0 where nothing was given. given_mm: net of the line's own
    losses."""

    adequacy: float
    excess: float
    given_mm: float


def score(days: Iterable[Day]) -> Score:
    """The protocol's figures over some days."""
    days = list(days)
    etc, given = sum(day.etc for day in days), sum(day.irrigation_net for day in days)
    adequacy = 100.0 * (etc - sum(day.deficit for day in days)) / etc
    excess = 100.0 * sum(day.losses_net for day in days) / given if given > 0.0 else 0.0
    return Score(adequacy, excess, given)


def cycles_by_day(openings: Sequence[Cycle], midnights_s: Sequence[float]) -> list[list[Cycle]]:
    """Openings in seconds, as cycles in minutes after the midnight of the day in which each began."""
    return [
        [((a - begin) / 60.0, (b - begin) / 60.0) for a, b in openings if begin <= a < end]
        for begin, end in pairwise(midnights_s)
    ]
