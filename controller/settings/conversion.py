"""From what a probe says in a soil physicist's unit to points of calibration, so that who reads it needs no physics.

The points lie so close that a straight line between two of them is off by less than 0.001 m3/m3, but for the kink
where a formula for permittivity reaches nought.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType

from controller.agronomy.sensing import RETENTION, RetentionCurve, ledieu, topp
from controller.agronomy.soil import Soil
from controller.settings.tables import SensorTable

Points = tuple[tuple[float, float], ...]

PERMITTIVITY: Mapping[str, Callable[[float], float]] = MappingProxyType({"topp": topp, "ledieu": ledieu})

WILTING_KPA = 1500.0
"""Tension at wilting point (FAO-56 (1998), page 162)."""
CAPACITY_MOST_KPA = 33.0
"""Tension at field capacity, a third of a bar, of soils so fine that the curve puts it higher (convention)."""
PER_DECADE = 48
"""Points for each tenfold tension."""


def permittivity_points(formula: str) -> Points:
    """Water content, m3/m3, for permittivities of 1 to 81 (air to water)."""
    return tuple((half / 2, PERMITTIVITY[formula](half / 2)) for half in range(2, 163))


def tension_points(soil: Soil) -> Points:
    """Water content, m3/m3, for tensions to 10 MPa, by van Genuchten's curve for the texture.

    The curve gives the shape only (see `RETENTION`): it is stretched so that its field capacity, or content at
    33 kPa, and its content at 1500 kPa fall on field capacity and wilting point of this soil, and cut at its
    saturation. Below nought, where a tensiometer stands under water, the soil is saturated. KeyError for a texture
    without a curve.

    >>> from controller.agronomy.soil import SOILS
    >>> points = dict(tension_points(SOILS["loam"]))
    >>> round(points[10.0], 3), round(points[1000.0], 3), SOILS["loam"].wilting_point
    (0.257, 0.122, 0.12)
    """
    curve = RETENTION[soil.texture]
    tensions_kpa = [10 ** (step / PER_DECADE) for step in range(-PER_DECADE, 4 * PER_DECADE + 1)]
    wet = _stretched(curve, soil, 0.0)
    return ((-10.0, wet), (0.0, wet), *((kpa, _stretched(curve, soil, kpa)) for kpa in tensions_kpa))


def _stretched(curve: RetentionCurve, soil: Soil, tension_kpa: float) -> float:
    dry = curve.water_content(WILTING_KPA)
    full = max(curve.field_capacity(), curve.water_content(CAPACITY_MOST_KPA))
    share = (curve.water_content(tension_kpa) - dry) / (full - dry)
    content = soil.wilting_point + share * (soil.field_capacity - soil.wilting_point)
    return max(0.0, min(max(curve.saturated, soil.field_capacity), content))


def resolved(sensor: SensorTable, soils: Mapping[str, Soil]) -> SensorTable:
    """The sensor with points of calibration in place of a formula. `soils` by zone."""
    if sensor.permittivity is not None:
        return sensor.model_copy(update={"calibration": permittivity_points(sensor.permittivity)})
    if sensor.tension:
        return sensor.model_copy(update={"calibration": tension_points(soils[sensor.zone or ""])})
    if sensor.unit == "pulses" and sensor.pulses_per_litre is not None:
        return sensor.model_copy(update={"polynomial": (0.0, 1.0 / sensor.pulses_per_litre)})
    return sensor
