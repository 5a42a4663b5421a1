"""What each crop draws from the soil, by stage of growth: coefficients, height, roots and patience.

Figures: Allen et al. 1998, FAO-56, Tables 11 (stage lengths), 12 (Kc, height), 17 (Kcb), 22 (roots, p). The
second edition (2025) has newer Kc, Zr and p for many crops, but no stage lengths in days any more; the 1998
edition keeps the four tables together, and the libraries this project is checked against use it.

Coefficients hold for a mean minimum humidity of 45 % and 2 m/s of wind; `climate_adjusted` moves them
elsewhere. Where the table prints a range, coefficients are its middle and roots its smaller end, which the
note of Table 22 gives for scheduling (the larger is for rain-fed modelling). p holds for 5 mm a day
(`root_zone.depletion_fraction`). Days count from planting, or from the start of growth in spring for plants
that stay.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from controller.agronomy.ranges import within

ROOT_DEPTH_AT_PLANTING_M = 0.15
"""Rooting depth of a seedling or transplant; published figures are 0.15 to 0.20 m."""


@dataclass(frozen=True)
class Stages:
    """Lengths of the four stages, days (Table 11), with planting time and place."""

    initial: int
    development: int
    mid: int
    late: int
    where: str

    @property
    def total(self) -> int:
        return self.initial + self.development + self.mid + self.late


@dataclass(frozen=True)
class Crop:
    """One row of the library. `stages` is None where Table 11 has none; `other_stages` are further rows.

    kcb_months: twelve basal coefficients, January first, for plants that go by the calendar; empty for those that go
        by their stages.
    """

    name: str
    kc_ini: float
    kc_mid: float
    kc_end: float
    kcb_ini: float
    kcb_mid: float
    kcb_end: float
    height_m: float
    root_depth_max_m: float
    depletion_fraction: float
    perennial: bool
    stages: Stages | None
    other_stages: tuple[Stages, ...]
    source: str
    kcb_months: tuple[float, ...] = ()


def stage_value(initial: float, mid: float, end: float, stages: Stages, day: float) -> float:
    """A coefficient on the `day`-th day, the day of planting being the first (FAO-56 eq. 66).

    Flat in the initial and mid stages, a straight line through development and late stage; the end value
    stays.

    >>> bean = Stages(25, 25, 30, 20, "FAO-56 Example 28")
    >>> [round(stage_value(0.15, 1.19, 0.35, bean, day), 2) for day in (20, 40, 70, 95)]
    [0.15, 0.77, 1.19, 0.56]
    """
    within("days since planting", day, 0, 100_000, "days")
    full_cover = stages.initial + stages.development
    ripening = full_cover + stages.mid
    if day <= stages.initial:
        return initial
    if day < full_cover:
        return initial + (day - stages.initial) / stages.development * (mid - initial)
    if day <= ripening:
        return mid
    if day < stages.total:
        return mid + (day - ripening) / stages.late * (end - mid)
    return end


def crop_coefficient(crop: Crop, days_since_planting: float | None) -> float:
    """Single crop coefficient Kc of the day (FAO-56 eq. 66).

    Without stages, without a day, or for a plant that stays once its stages are over: the mid value, which
    does not let it go thirsty.

    >>> round(crop_coefficient(CROPS["tomato"], 50), 3)
    0.875
    """
    return _of_the_day(crop, crop.kc_ini, crop.kc_mid, crop.kc_end, days_since_planting)


def basal_coefficient(crop: Crop, days_since_planting: float | None) -> float:
    """Basal crop coefficient Kcb of the day: transpiration alone, over a dry soil surface (FAO-56 eq. 66).

    >>> round(basal_coefficient(CROPS["tomato"], 50), 3)
    0.625
    """
    return _of_the_day(crop, crop.kcb_ini, crop.kcb_mid, crop.kcb_end, days_since_planting)


def _of_the_day(crop: Crop, initial: float, mid: float, end: float, day: float | None) -> float:
    if crop.stages is None or day is None or (crop.perennial and day > crop.stages.total):
        return mid
    return stage_value(initial, mid, end, crop.stages, day)


def climate_term(wind_2m_m_s: float, rh_min_percent: float, height_m: float) -> float:
    """What wind, dryness and height add to a coefficient (bracket of FAO-56 eqs. 62, 65, 70 and 72).

[0.04 (u2 - 2) - 0.004 (RHmin - 45)] (h/3)^0.3, with u2 held to 1...6 m/s and RHmin to 20...80 %: outside
    these the page claims nothing, and heat waves lie outside.

    >>> round(climate_term(1.6, 35, 0.3), 4)  # FAO-56 Example 35: Kc max 1.212
    0.012
    """
    within("wind", wind_2m_m_s, 0, 60, "m/s")
    within("minimum relative humidity", rh_min_percent, 0, 100, "%")
    within("crop height", height_m, 0, 100, "m")
    wind = max(1.0, min(6.0, wind_2m_m_s))
    humidity = max(20.0, min(80.0, rh_min_percent))
    return float((0.04 * (wind - 2) - 0.004 * (humidity - 45)) * (height_m / 3) ** 0.3)


def climate_adjusted(
    kc_table: float, wind_2m_m_s: float, rh_min_percent: float, height_m: float
) -> float:
    """A tabulated mid or end coefficient, single or basal, moved to this climate (FAO-56 eqs. 62, 65 and 70).

    Means over the stage; the height is held to 0.1...10 m, and below 0.45 the table's value stays.

    >>> [round(climate_adjusted(1.20, wind, rh, 2), 2) for wind, rh in ((4.6, 44), (1.3, 75))]  # Example 27
    [1.3, 1.07]
    """
    within("crop coefficient", kc_table, 0, 2.5)
    if kc_table < 0.45:
        return kc_table
    return kc_table + climate_term(wind_2m_m_s, rh_min_percent, max(0.1, min(10.0, height_m)))


def root_depth_m(crop: Crop, days_since_planting: float | None) -> float:
    """Rooting depth of the day, m: evenly from planting to full depth at the start of mid-season.

    Plants that stay have their full depth; so has a crop without stages or without a day.

    >>> round(root_depth_m(CROPS["tomato"], 35), 3), root_depth_m(CROPS["tomato"], 70)
    (0.425, 0.7)
    """
    if crop.perennial or crop.stages is None or days_since_planting is None:
        return crop.root_depth_max_m
    within("days since planting", days_since_planting, 0, 100_000, "days")
    grown = min(1.0, days_since_planting / (crop.stages.initial + crop.stages.development))
    start = min(ROOT_DEPTH_AT_PLANTING_M, crop.root_depth_max_m)
    return start + grown * (crop.root_depth_max_m - start)


# The library --------------------------------------------------------------------------------------
# One line a crop as the tables print it, and below it, indented, its rows of Table 11:
# name | Kc ini mid end | height | Kcb ini mid end | Zr, smaller end | p
#     days of the four stages, when and where planted
# The first row of stages is the one used: where there is a choice, one planted for the warm season.

_ANNUALS = """
tomato              | 0.60 1.15 0.80 | 0.6  | 0.15 1.10 0.70 | 0.7 | 0.40
    30/40/45/30 Apr-May, Mediterranean
    30/40/40/25 Jan, arid
    35/45/70/30 Oct-Nov, arid
capsicum            | 0.60 1.05 0.90 | 0.7  | 0.15 1.00 0.80 | 0.5 | 0.30
    30/35/40/20 Apr-Jun, Mediterranean
    30/40/110/30 Oct, arid
eggplant            | 0.60 1.05 0.90 | 0.8  | 0.15 1.00 0.80 | 0.7 | 0.45
    30/45/40/25 May-Jun, Mediterranean
    30/40/40/20 Oct, arid
cucumber            | 0.60 1.00 0.75 | 0.3  | 0.15 0.95 0.70 | 0.7 | 0.50
    20/30/40/15 Jun-Aug, arid
    25/35/50/20 Nov and Feb, arid
zucchini            | 0.50 0.95 0.75 | 0.3  | 0.15 0.90 0.70 | 0.6 | 0.50
    20/30/25/15 May-Jun, Mediterranean
    25/35/25/15 Apr and Dec, Mediterranean and arid
pumpkin             | 0.50 1.00 0.80 | 0.4  | 0.15 0.95 0.70 | 1.0 | 0.35
    20/30/30/20 Mar and Aug, Mediterranean
    25/35/35/25 Jun, Europe
sweet melon         | 0.50 1.05 0.75 | 0.4  | 0.15 1.00 0.70 | 0.8 | 0.40
    25/35/40/20 May, Mediterranean
    30/45/65/20 Dec-Jan, arid
watermelon          | 0.40 1.00 0.75 | 0.4  | 0.15 0.95 0.70 | 0.8 | 0.40
    20/30/30/30 Apr, Italy
    10/20/20/30 May-Aug, desert
lettuce             | 0.70 1.00 0.95 | 0.3  | 0.15 0.90 0.90 | 0.3 | 0.30
    20/30/15/10 Apr, Mediterranean
    25/35/30/10 Oct-Nov, arid
spinach             | 0.70 1.00 0.95 | 0.3  | 0.15 0.90 0.85 | 0.3 | 0.20
    20/20/20/5 Apr and Sep-Oct, Mediterranean
    20/30/40/10 Nov, arid
cabbage             | 0.70 1.05 0.95 | 0.4  | 0.15 0.95 0.85 | 0.5 | 0.45
    40/60/50/15 Sep, California desert
broccoli            | 0.70 1.05 0.95 | 0.3  | 0.15 0.95 0.85 | 0.4 | 0.45
    35/45/40/15 Sep, California desert
cauliflower         | 0.70 1.05 0.95 | 0.4  | 0.15 0.95 0.85 | 0.4 | 0.45
    35/50/40/15 Sep, California desert
carrot              | 0.70 1.05 0.95 | 0.3  | 0.15 0.95 0.85 | 0.5 | 0.35
    30/40/60/20 Feb-Mar, Mediterranean
    20/30/30/20 Oct-Jan, arid
dry onion           | 0.70 1.05 0.75 | 0.4  | 0.15 0.95 0.65 | 0.3 | 0.30
    15/25/70/40 Apr, Mediterranean
    20/35/110/45 Oct-Jan, arid
green onion         | 0.70 1.00 1.00 | 0.3  | 0.15 0.90 0.90 | 0.3 | 0.30
    25/30/10/5 Apr-May, Mediterranean
    20/45/20/10 Oct, arid
garlic              | 0.70 1.00 0.70 | 0.3  | 0.15 0.90 0.60 | 0.3 | 0.30
radish              | 0.70 0.90 0.85 | 0.3  | 0.15 0.85 0.75 | 0.3 | 0.30
    5/10/15/5 Mar-Apr, Mediterranean
    10/10/15/5 winter, arid
beetroot            | 0.50 1.05 0.95 | 0.4  | 0.15 0.95 0.85 | 0.6 | 0.50
    15/25/20/10 Apr-May, Mediterranean
    25/30/25/10 Feb-Mar, arid
potato              | 0.50 1.15 0.75 | 0.6  | 0.15 1.10 0.65 | 0.4 | 0.35
    25/30/40/30 Jan and Nov, semi-arid
    30/35/50/25 Dec, California desert
sweet potato        | 0.50 1.15 0.65 | 0.4  | 0.15 1.10 0.55 | 1.0 | 0.65
    20/30/60/40 Apr, Mediterranean
green bean          | 0.50 1.05 0.90 | 0.4  | 0.15 1.00 0.80 | 0.5 | 0.45
    20/30/30/10 Feb-Mar, Mediterranean
    15/25/25/10 Aug-Sep, Egypt
pea                 | 0.50 1.15 1.10 | 0.5  | 0.15 1.10 1.05 | 0.6 | 0.35
    20/30/35/15 Mar-Apr, Mediterranean
broad bean          | 0.50 1.15 1.10 | 0.8  | 0.15 1.10 1.05 | 0.5 | 0.45
    20/30/35/15 Mar-Apr, Mediterranean
sweet corn          | 0.30 1.15 1.05 | 1.5  | 0.15 1.10 1.00 | 0.8 | 0.50
    20/25/25/10 May-Jun, Mediterranean
    20/30/30/10 Oct-Dec, arid
"""

_PERENNIALS = """
strawberry          | 0.40 0.85 0.75 | 0.2  | 0.30 0.80 0.70 | 0.2 | 0.20
mint                | 0.60 1.15 1.10 | 0.7  | 0.40 1.10 1.05 | 0.4 | 0.40
asparagus           | 0.50 0.95 0.30 | 0.5  | 0.15 0.90 0.20 | 1.2 | 0.45
    50/30/100/50 Feb, warm winter
berries             | 0.30 1.05 0.50 | 1.5  | 0.20 1.00 0.40 | 0.6 | 0.50
table grape         | 0.30 0.85 0.45 | 2.0  | 0.15 0.80 0.40 | 1.0 | 0.35
    20/50/75/60 Mar, California
    20/40/120/60 Apr, low latitudes
wine grape          | 0.30 0.70 0.45 | 1.75 | 0.15 0.65 0.40 | 1.0 | 0.45
    30/60/40/80 Apr, mid latitudes
citrus              | 0.70 0.65 0.70 | 4.0  | 0.65 0.60 0.65 | 1.2 | 0.50
    60/90/120/95 Jan, Mediterranean
citrus half cover   | 0.65 0.60 0.65 | 3.0  | 0.60 0.55 0.60 | 1.1 | 0.50
    60/90/120/95 Jan, Mediterranean
citrus young        | 0.50 0.45 0.55 | 2.0  | 0.45 0.40 0.50 | 0.8 | 0.50
    60/90/120/95 Jan, Mediterranean
apple frost         | 0.45 0.95 0.70 | 4.0  | 0.35 0.90 0.65 | 1.0 | 0.50
    30/50/130/30 Mar, California
    20/70/90/30 Mar, high latitudes
apple               | 0.60 0.95 0.75 | 4.0  | 0.50 0.90 0.70 | 1.0 | 0.50
    20/70/120/60 Mar, low latitudes
stone fruit frost   | 0.45 0.90 0.65 | 3.0  | 0.35 0.85 0.60 | 1.0 | 0.50
    30/50/130/30 Mar, California
    20/70/90/30 Mar, high latitudes
stone fruit         | 0.55 0.90 0.65 | 3.0  | 0.45 0.85 0.60 | 1.0 | 0.50
    20/70/120/60 Mar, low latitudes
stone fruit grassed | 0.80 1.15 0.85 | 3.0  | 0.75 1.10 0.80 | 1.0 | 0.50
    20/70/120/60 Mar, low latitudes
olive               | 0.65 0.70 0.70 | 4.0  | 0.55 0.65 0.65 | 1.2 | 0.65
    30/90/60/90 Mar, Mediterranean
avocado             | 0.60 0.85 0.75 | 3.0  | 0.50 0.80 0.70 | 0.5 | 0.70
"""

# Not in the tables: the nearest row, by common practice.
_STAND_INS = {
    "chilli": "capsicum",
    "squash": "zucchini",
    "kale": "cabbage",
    "silverbeet": "spinach",
    "basil": "spinach",
    "parsley": "spinach",
    "herbs": "mint",
    "raspberry": "berries",
    "blueberry": "berries",
    "passionfruit": "table grape",
    "fig": "stone fruit",
    "mulberry": "stone fruit",
    "peach": "stone fruit",
    "plum": "stone fruit",
    "apricot": "stone fruit",
    "pear": "apple",
    "cherry": "apple",
    "lemon": "citrus",
    "orange": "citrus",
}

# In the tables under a collective name; every other stand-in is practice.
_NAMED_IN_THE_ROW = (
    "chilli", "squash", "raspberry", "blueberry", "peach", "plum", "apricot",
    "pear", "cherry", "lemon", "orange",
)

_OKRA = Crop(
    name="okra",
    kc_ini=0.50, kc_mid=0.95, kc_end=0.80,
    kcb_ini=0.15, kcb_mid=0.90, kcb_end=0.75,
    height_m=0.9,
    root_depth_max_m=0.6,
    depletion_fraction=0.40,
    perennial=False,
    stages=None,
    other_stages=(),
    source="FAO-56 second edition (2025), Kc, roots, p; Kcb as Kc less 0.05 (practice)",
)


def _stages(text: str) -> Stages:
    lengths, where = text.strip().split(" ", 1)
    initial, development, mid, late = map(int, lengths.split("/"))
    return Stages(initial, development, mid, late, where)


def _crops(table: str, perennial: bool) -> list[Crop]:
    crops: list[Crop] = []
    for line in table.strip().splitlines():
        if not line.startswith(" "):
            crops.append(_crop(line, perennial))
        elif crops[-1].stages is None:
            crops[-1] = replace(crops[-1], stages=_stages(line))
        else:
            crops[-1] = replace(crops[-1], other_stages=(*crops[-1].other_stages, _stages(line)))
    return crops


def _crop(line: str, perennial: bool) -> Crop:
    name, kc, height, kcb, roots, fraction = (cell.strip() for cell in line.split("|"))
    kc_ini, kc_mid, kc_end = map(float, kc.split())
    kcb_ini, kcb_mid, kcb_end = map(float, kcb.split())
    return Crop(
        name=name,
        kc_ini=kc_ini, kc_mid=kc_mid, kc_end=kc_end,
        kcb_ini=kcb_ini, kcb_mid=kcb_mid, kcb_end=kcb_end,
        height_m=float(height),
        root_depth_max_m=float(roots),
        depletion_fraction=float(fraction),
        perennial=perennial,
        stages=None,
        other_stages=(),
        source="FAO-56 (1998), Tables 11, 12, 17 and 22",
    )


def _library() -> dict[str, Crop]:
    rows = [*_crops(_ANNUALS, perennial=False), *_crops(_PERENNIALS, perennial=True), _OKRA]
    crops = {row.name: row for row in rows}
    for name, nearest in _STAND_INS.items():
        why = "named in the row" if name in _NAMED_IN_THE_ROW else "nearest row, common practice"
        row = crops[nearest]
        crops[name] = replace(row, name=name, source=f"{row.source}: {nearest} ({why})")
    return crops


CROPS: Mapping[str, Crop] = MappingProxyType(_library())
"""The library, by name."""
