"""What a lack of water costs a crop: yield response factors, by crop and stage of growth.

Doorenbos & Kassam 1979, FAO-33: 1 - Ya/Ym = Ky (1 - ETa/ETm). Ky above 1 loses more than its share of yield. All
figures are from memory, those of FAO-33 Table 24 as FAO-66 repeats them; stages that the table leaves out have the
crop's figure for the whole season.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from controller.agronomy.crop import Crop
from controller.agronomy.ranges import within

Stage = Literal["vegetative", "flowering", "yield formation", "ripening"]

FLOWERING_SHARE = 0.5
"""Share of the mid-season that counts as flowering, the rest as yield formation (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class YieldResponse:
    """Ky of a crop: over the whole season, and where printed in each stage."""

    season: float
    vegetative: float | None = None
    flowering: float | None = None
    yield_formation: float | None = None
    ripening: float | None = None

    def of(self, stage: Stage) -> float:
        """Ky of one stage; that of the season where none is printed."""
        printed: float | None = getattr(self, stage.replace(" ", "_"))
        return self.season if printed is None else printed


_PRINTED = {
    "tomato": YieldResponse(1.05, 0.4, 1.1, 0.8, 0.4),
    "capsicum": YieldResponse(1.1),
    "watermelon": YieldResponse(1.1, 0.45, 0.8, 0.8, 0.3),
    "cabbage": YieldResponse(0.95, 0.2, None, 0.45, 0.6),
    "dry onion": YieldResponse(1.1, 0.45, None, 0.8, 0.3),
    "potato": YieldResponse(1.1, 0.45, 0.8, 0.7, 0.2),
    "green bean": YieldResponse(1.15, 0.2, 1.1, 0.75, 0.2),
    "pea": YieldResponse(1.15, 0.2, 0.9, 0.7, 0.2),
    "sweet corn": YieldResponse(1.25, 0.4, 1.5, 0.5, 0.2),
    "table grape": YieldResponse(0.85),
    "citrus": YieldResponse(1.1),
}

_KIN = {
    "chilli": "capsicum", "eggplant": "tomato", "sweet melon": "watermelon", "pumpkin": "watermelon",
    "squash": "watermelon", "zucchini": "watermelon", "cucumber": "watermelon", "kale": "cabbage",
    "broccoli": "cabbage", "cauliflower": "cabbage",
    "green onion": "dry onion", "garlic": "dry onion", "sweet potato": "potato",
    "broad bean": "pea", "wine grape": "table grape", "passionfruit": "table grape", "citrus half cover": "citrus",
    "citrus young": "citrus", "lemon": "citrus", "orange": "citrus",
}  # fmt: skip
"""Crops that stand in for one another where nothing is printed (common practice, no source)."""

YIELD_RESPONSE: Mapping[str, YieldResponse] = MappingProxyType(
    {**_PRINTED, **{crop: _PRINTED[like] for crop, like in _KIN.items()}}
)
"""By crop of `agronomy.crop.CROPS`."""

UNKNOWN = YieldResponse(1.0)
"""For crops that the list does not know: a lack of water costs its share of the yield."""


def stage_on(crop: Crop, days_since_planting: float | None) -> Stage:
    """The stage of growth on a day, from the lengths of FAO-56 Table 11: initial and development are vegetative,
    mid-season flowers and then forms yield, late ripens. Yield formation for plants without stages or a date.

    >>> from controller.agronomy.crop import CROPS
    >>> [stage_on(CROPS["tomato"], day) for day in (20, 80, 105, 140)]
    ['vegetative', 'flowering', 'yield formation', 'ripening']
    """
    stages = crop.stages
    if stages is None or days_since_planting is None or (crop.perennial and days_since_planting > stages.total):
        return "yield formation"
    full_cover = stages.initial + stages.development
    if days_since_planting < full_cover:
        return "vegetative"
    if days_since_planting <= full_cover + FLOWERING_SHARE * stages.mid:
        return "flowering"
    return "yield formation" if days_since_planting <= full_cover + stages.mid else "ripening"


def response_factor(crop: Crop, days_since_planting: float | None) -> float:
    """Ky of a crop on a day.

    >>> from controller.agronomy.crop import CROPS
    >>> response_factor(CROPS["tomato"], 80)
    1.1
    """
    return YIELD_RESPONSE.get(crop.name, UNKNOWN).of(stage_on(crop, days_since_planting))


def relative_loss(ky: float, relative_et: float) -> float:
    """Share of the full yield that is lost, 0 to 1: Ky (1 - ETa/ETm) (FAO-33).

    >>> round(relative_loss(1.05, 0.8), 2)
    0.21
    """
    within("relative evapotranspiration", relative_et, 0, 1)
    return min(1.0, max(0.0, ky * (1.0 - relative_et)))
