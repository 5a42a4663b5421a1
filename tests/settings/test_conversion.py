"""What a probe says in permittivity or tension becomes the water content that the published curves give."""

import doctest
from collections.abc import Callable
from math import log10

import numpy as np
import pytest

from controller.agronomy.sensing import RETENTION, ledieu, topp
from controller.agronomy.soil import SOILS
from controller.settings import Settings, build, conversion
from controller.settings.conversion import permittivity_points, tension_points
from controller.shells.payload import Decoder, RefusedError
from tests.settings.gardens import edited, loaded

RAW = 'unit = "raw"\ncalibration = [[2600, 0.05], [1700, 0.15]]'
OWN_SOIL = '{ texture = "loamy sand", field_capacity = 0.15, wilting_point = 0.06 }'


def said(settings: Settings, number: float) -> float:
    """What the probe's message becomes."""
    return Decoder(settings.sensor[0]).read(f'{{"moisture": {number}}}'.encode()).value


@pytest.mark.published(source="Topp, Davis & Annan 1980: the cubic; Ledieu et al. 1986: the root, from memory")
@pytest.mark.parametrize(("formula", "published"), [
    ("topp", lambda e: -5.3e-2 + 2.92e-2 * e - 5.5e-4 * e**2 + 4.3e-6 * e**3),
    ("ledieu", lambda e: 0.1138 * e**0.5 - 0.1758),
])  # fmt: skip
def test_permittivity_becomes_water_content(formula: str, published: Callable[[float], float]) -> None:
    settings = loaded(edited(RAW, f'unit = "permittivity"\npermittivity = "{formula}"'))

    for permittivity in (3.3, 7.77, 12.0, 25.1, 40.6):
        assert said(settings, permittivity) == pytest.approx(published(permittivity), abs=1e-3)
    assert said(settings, 1.2) == 0
    with pytest.raises(RefusedError, match=r"0.9 permittivity is outside 1 to 81; check the unit"):
        said(settings, 0.9)


@pytest.mark.parametrize(("formula", "content"), [("topp", topp), ("ledieu", ledieu)])
def test_permittivity_between_points_is_as_good_as_the_formula(formula: str, content: Callable[[float], float]) -> None:
    raw, value = zip(*permittivity_points(formula), strict=True)

    grid = np.linspace(3.0, 60.0, 4001)
    exact = [content(each) for each in grid]
    assert np.abs(np.interp(grid, raw, value) - exact).max() < 0.001


@pytest.mark.published(source="van Genuchten 1980 with Carsel & Parrish 1988, loam: 0.078 0.43 0.036 1.56")
def test_tension_follows_the_shape_of_the_published_curve() -> None:
    """Between field capacity and wilting point: equal steps of the curve are equal steps of the zone's own soil."""
    own = '{ texture = "loam", field_capacity = 0.30, wilting_point = 0.10 }'
    text = edited(RAW, 'unit = "cb"\ntension = true').replace(OWN_SOIL, own)
    settings = loaded(text)

    def loam(kpa: float) -> float:
        return 0.078 + (0.43 - 0.078) / float((1 + (0.036 * kpa * 10.197) ** 1.56) ** (1 - 1 / 1.56))

    assert said(settings, 1500) == pytest.approx(0.10, abs=1e-3)
    rise = (said(settings, 20) - said(settings, 200)) / (said(settings, 60) - said(settings, 200))
    assert rise == pytest.approx((loam(20) - loam(200)) / (loam(60) - loam(200)), rel=0.01)


@pytest.mark.parametrize("texture", RETENTION)
def test_tension_gives_field_capacity_and_wilting_point_of_the_soil_itself(texture: str) -> None:
    soil = SOILS[texture]
    points = tension_points(soil)
    raw, value = zip(*points, strict=True)
    logs = [log10(kpa) for kpa in raw[2:]]

    assert np.interp(log10(1500), logs, value[2:]) == pytest.approx(soil.wilting_point, abs=1e-3)
    # its field capacity lies where free drainage ends: from 1 kPa in sand to a third of a bar in clay
    at_capacity = 10 ** np.interp(-soil.field_capacity, [-each for each in value[2:]], logs)
    assert 1 < at_capacity < 33.5
    assert list(raw) == sorted(set(raw))
    assert list(value) == sorted(value, reverse=True)
    assert 0 <= value[-1] <= value[0] <= RETENTION[texture].saturated


def test_below_nought_a_tensiometer_stands_in_saturated_soil_and_beyond_the_curve_it_is_refused() -> None:
    settings = loaded(edited(RAW, 'unit = "kPa"\ntension = true'))

    assert said(settings, -1) == said(settings, 0) > 0.3
    for number in (-11, 20_000):
        with pytest.raises(RefusedError, match="is outside -10 to 10000; check the unit"):
            said(settings, number)


def test_drier_soil_never_reads_wetter() -> None:
    settings = loaded(edited(RAW, 'unit = "kPa"\ntension = true'))

    read = [said(settings, kpa) for kpa in (0, 0.5, 1, 2, 4, 8, 15, 40, 100, 1500)]
    assert read == sorted(read, reverse=True)
    assert read[0] > 0.15 > read[-1]


def test_a_sensor_that_needs_no_formula_is_left_as_it_was() -> None:
    settings = loaded(edited("[1700, 0.15]]", "[1700, 0.15], [1500, 0.2]]"))

    assert settings.sensor[0].calibration == ((2600, 0.05), (1700, 0.15), (1500, 0.2))
    assert said(settings, 1600) == pytest.approx(0.175)


def test_the_worked_examples_hold() -> None:
    for module in (build, conversion):
        result = doctest.testmod(module)
        assert result.attempted > 0
        assert result.failed == 0
