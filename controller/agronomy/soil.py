"""What each soil texture holds and how fast water enters it: first guesses, for the bed to correct.

Three published sets stand side by side in one row per texture; never mix figures of one kind from two sets.

* field capacity, wilting point, REW, TEW: midpoints of FAO-56 (1998) Table 19. Its ranges are wide:
  sand holds 50 to 110 mm/m.
* intake rate and allowable surface accumulation: Irrigation Association, Landscape Irrigation Scheduling and
  Water Management (2005), from memory. Cautious design values for overhead water; for textures absent there
  the next heavier row it has (practice).
* saturated conductivity, suction at the wetting front, effective porosity: Rawls, Brakensiek & Miller 1983,
  Table 2, for Green and Ampt's equation. Other sets give sand up to six times as much.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from controller.agronomy.ranges import within

MM_PER_INCH = 25.4

SLOPE_CLASSES_PERCENT = (3.0, 6.0, 12.0)
"""Upper ends of the Irrigation Association's first three slope classes; the fourth is anything steeper."""


@dataclass(frozen=True)
class Soil:
    """One texture. Water contents in m3/m3; `source` says which of its figures are stand-ins."""

    texture: str
    field_capacity: float
    wilting_point: float
    readily_evaporable_mm: float
    """REW: evaporates from bare wet soil at full speed."""
    total_evaporable_mm: float
    """TEW of a top layer of 0.10 m."""
    intake_mm_h: float
    """Basic intake rate of the surface."""
    surface_stores_mm: tuple[float, float, float, float]
    """Allowable surface accumulation by slope class: to 3, to 6, to 12 %, steeper."""
    saturated_conductivity_mm_h: float
    suction_mm: float
    """Suction head at the wetting front."""
    effective_porosity: float
    source: str

    @property
    def available_mm_m(self) -> float:
        """Available water, mm per metre of root depth."""
        return 1000 * (self.field_capacity - self.wilting_point)

    def surface_store_mm(self, slope_percent: float) -> float:
        """Water, mm, that may stand on a surface of this slope before it runs off.

        Between two printed classes (3.5 %) the steeper one holds.

        >>> round(SOILS["sandy loam"].surface_store_mm(5), 3)  # 0.29 inches
        7.366
        """
        within("slope", slope_percent, 0, 100, "%")
        steeper_than = sum(slope_percent > end for end in SLOPE_CLASSES_PERCENT)
        return self.surface_stores_mm[steeper_than]

    def evaporable_mm(self, layer_m: float = 0.10) -> float:
        """Total evaporable water, TEW, of a bare top layer of 0.10 to 0.15 m, mm (FAO-56 eq. 73)."""
        return total_evaporable_mm(self.field_capacity, self.wilting_point, layer_m)


def total_evaporable_mm(field_capacity: float, wilting_point: float, layer_m: float = 0.10) -> float:
    """Total evaporable water of the top layer, TEW, mm: down to half of wilting point (FAO-56 eq. 73).

    >>> round(total_evaporable_mm(0.23, 0.10, 0.10))  # FAO-56 Example 35
    18
    """
    within("depth of the evaporating layer", layer_m, 0.01, 0.5, "m")
    return 1000 * (field_capacity - 0.5 * wilting_point) * layer_m


# Intake rate, then surface accumulation by slope class, inches an hour and inches. From memory (see above).
_INTAKE_ROWS = {
    "clay":       (0.10, 0.20, 0.15, 0.10, 0.10),
    "silty clay": (0.15, 0.23, 0.19, 0.16, 0.13),
    "clay loam":  (0.20, 0.26, 0.22, 0.18, 0.15),
    "loam":       (0.35, 0.30, 0.25, 0.21, 0.17),
    "sandy loam": (0.40, 0.33, 0.29, 0.24, 0.20),
    "loamy sand": (0.50, 0.36, 0.30, 0.26, 0.22),
    "sand":       (0.60, 0.40, 0.35, 0.30, 0.25),
}

# Effective porosity, suction cm, conductivity cm/h: Rawls, Brakensiek & Miller 1983, Table 2. The clay loam's
# porosity is printed 0.309, a misprint: the printed range is centred on 0.390.
_GREEN_AMPT_ROWS = {
    "sand":            (0.417, 4.95, 11.78),
    "loamy sand":      (0.401, 6.13, 2.99),
    "sandy loam":      (0.412, 11.01, 1.09),
    "loam":            (0.434, 8.89, 0.34),
    "silt loam":       (0.486, 16.68, 0.65),
    "sandy clay loam": (0.330, 21.85, 0.15),
    "clay loam":       (0.390, 20.88, 0.10),
    "silty clay loam": (0.432, 27.30, 0.10),
    "silty clay":      (0.423, 29.22, 0.05),
    "clay":            (0.385, 31.63, 0.03),
}

# Field capacity, wilting point, REW mm, TEW mm: each as the printed range of FAO-56 Table 19.
_Range = tuple[float, float]
_WATER_ROWS: dict[str, tuple[_Range, _Range, _Range, _Range]] = {
    "sand":            ((0.07, 0.17), (0.02, 0.07), (2, 7), (6, 12)),
    "loamy sand":      ((0.11, 0.19), (0.03, 0.10), (4, 8), (9, 14)),
    "sandy loam":      ((0.18, 0.28), (0.06, 0.16), (6, 10), (15, 20)),
    "loam":            ((0.20, 0.30), (0.07, 0.17), (8, 10), (16, 22)),
    "silt loam":       ((0.22, 0.36), (0.09, 0.21), (8, 11), (18, 25)),
    "silt":            ((0.28, 0.36), (0.12, 0.22), (8, 11), (22, 26)),
    "silty clay loam": ((0.30, 0.37), (0.17, 0.24), (8, 11), (22, 27)),
    "silty clay":      ((0.30, 0.42), (0.17, 0.29), (8, 12), (22, 28)),
    "clay":            ((0.32, 0.40), (0.20, 0.24), (8, 12), (22, 29)),
    # Not in Table 19. Field capacity and wilting point round those of Saxton & Rawls 2006 (from memory);
    # evaporation as in the row of Table 19 with the nearest TEW by eq. 73.
    "sandy clay loam": ((0.27, 0.27), (0.17, 0.17), (8, 10), (16, 22)),
    "clay loam":       ((0.36, 0.36), (0.22, 0.22), (8, 11), (22, 27)),
}

_TABLE_19_LACKS = ("sandy clay loam", "clay loam")
_INTAKE_STAND_INS = {
    "silt loam": "clay loam",
    "silt": "clay loam",
    "sandy clay loam": "clay loam",
    "silty clay loam": "silty clay",
}
_GREEN_AMPT_STAND_INS = {"silt": "silt loam"}


def _soil(texture: str) -> Soil:
    capacity, wilting, readily, total = (round(sum(ends) / 2, 4) for ends in _WATER_ROWS[texture])
    intake_row = _INTAKE_STAND_INS.get(texture, texture)
    intake, *stores = (inches * MM_PER_INCH for inches in _INTAKE_ROWS[intake_row])
    conductivity_row = _GREEN_AMPT_STAND_INS.get(texture, texture)
    porosity, suction_cm, conductivity_cm_h = _GREEN_AMPT_ROWS[conductivity_row]
    water_source = (
        "water contents after Saxton & Rawls 2006, from memory"
        if texture in _TABLE_19_LACKS
        else "water contents FAO-56 (1998) Table 19, midpoints"
    )
    intake_source = f"intake IA 2005, from memory, row of {intake_row}"
    conductivity_source = f"conductivity Rawls et al. 1983 Table 2, row of {conductivity_row}"
    return Soil(
        texture=texture,
        field_capacity=capacity,
        wilting_point=wilting,
        readily_evaporable_mm=readily,
        total_evaporable_mm=total,
        intake_mm_h=intake,
        surface_stores_mm=(stores[0], stores[1], stores[2], stores[3]),
        saturated_conductivity_mm_h=10 * conductivity_cm_h,
        suction_mm=10 * suction_cm,
        effective_porosity=porosity,
        source=f"{water_source}; {intake_source}; {conductivity_source}",
    )


SOILS: Mapping[str, Soil] = MappingProxyType({texture: _soil(texture) for texture in _WATER_ROWS})
"""The library, by texture name."""
