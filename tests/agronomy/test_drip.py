"""Drip: rates, evenness and the wetted soil, against handbook definitions and worked samples."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.drip import (
    application_rate_mm_h,
    bed_rate_mm_h,
    design_emission_uniformity_percent,
    emitter_exponent,
    flow_ratio,
    gross_mm,
    hose_rate_mm_h,
    largest_volume_l,
    line_fill_min,
    line_volume_l,
    run_time_min,
    run_time_multiplier,
    saturated_radius_m,
    storage_volume_l,
    uniformity,
    wetted_bulb,
    wetted_diameter_m,
)

from .printed import printed


@pytest.mark.published(source="definition of the application rate; 231 in3 in a US gallon")
@pytest.mark.parametrize(
    ("flow", "emitters", "lines", "rate", "per_metre"),
    [
        (1.6, 0.30, 0.40, "13.33", "5.33"), (2.0, 0.30, 0.30, "22.22", "6.67"),
        (2.3, 0.30, 0.50, "15.33", "7.67"), (1.0, 0.20, 0.60, "8.33", "5.00"),
    ],
)
def test_application_rate(flow: float, emitters: float, lines: float, rate: str, per_metre: str) -> None:
    assert application_rate_mm_h(flow, emitters, lines) == printed(rate)
    assert flow / emitters == printed(per_metre)
    assert hose_rate_mm_h(flow / emitters, lines) == printed(rate)
    gallons_h, inch_e, inch_l = flow / 3.785412, emitters / 0.0254, lines / 0.0254
    assert 231 * gallons_h / (inch_e * inch_l) * 25.4 == pytest.approx(float(rate), rel=1e-3)


@pytest.mark.published(source="definition of run time, gross depth and line volume: worked numbers")
@pytest.mark.parametrize(
    ("computed", "figure"),
    [
        (gross_mm(8, 0.90), "8.889"),
        (gross_mm(8, 1.0, 0.087), "8.76"),
        (run_time_min(8, 0.90, 13.333333), "40.0"),
        (bed_rate_mm_h(39 * 1.6 / 60, 1.2 * 4), "13.0"),
        (run_time_min(8, 0.90, 13.0), "41.0"),
        (hose_rate_mm_h(7.5, 0.45), "16.7"),
        (line_volume_l(13.6, 1), "0.145"),
        (line_volume_l(13.6, 30), "4.36"),
        (line_fill_min(13.6, 30, 2.18), "2.00"),
        (storage_volume_l(8.4, 0.25), "0.412"),
        (storage_volume_l(8.4, 0.25) / 0.90, "0.458"),
        (storage_volume_l(8.4, 0.25) / 0.90 / 2 * 60, "13.7"),
    ],
)
def test_depth_litres_and_minutes(computed: float, figure: str) -> None:
    assert computed == printed(figure)


@pytest.mark.published(source="computed from q = k h^x")
@pytest.mark.parametrize(
    ("exponent", "ratios"),
    [
        (0.05, ("0.995", "0.989", "0.982", "0.966")),
        (0.5, ("0.949", "0.894", "0.837", "0.707")),
        (0.7, ("0.929", "0.855", "0.779", "0.616")),
        (1.0, ("0.900", "0.800", "0.700", "0.500")),
    ],
)
def test_flow_when_pressure_falls(exponent: float, ratios: tuple[str, ...]) -> None:
    for pressure, ratio in zip((0.9, 0.8, 0.7, 0.5), ratios, strict=True):
        assert flow_ratio(pressure, exponent) == printed(ratio)


@pytest.mark.published(source="computed from two points: 1.60 L/h at 10 m, 1.95 L/h at 15 m")
def test_exponent_from_two_points() -> None:
    assert emitter_exponent(1.60, 10, 1.95, 15) == printed("0.488")
    with pytest.raises(ValueError, match="two different pressures"):
        emitter_exponent(1.6, 10, 1.7, 10)


@pytest.mark.published(source="Keller & Karmeli 1974, design emission uniformity (ASAE EP405); from memory")
@pytest.mark.parametrize(
    ("variation", "emitters", "lowest", "eu"),
    [(0.05, 1, 1.50, "87.80"), (0.05, 2, 1.50, "89.54"), (0.03, 1, 1.58, "94.99"), (0.10, 1, 1.40, "76.39")],
)
def test_design_emission_uniformity(variation: float, emitters: int, lowest: float, eu: str) -> None:
    assert design_emission_uniformity_percent(variation, emitters, lowest, 1.60) == printed(eu)


SAMPLE_L_H = [
    1.62, 1.58, 1.55, 1.60, 1.49, 1.66, 1.52, 1.57, 1.61, 1.44, 1.59, 1.63, 1.38, 1.56, 1.60, 1.51,
]


@pytest.mark.published(source="definitions of DU_lq, EP458 and Christiansen; invented sample of 16")
def test_uniformity_of_a_sample() -> None:
    even = uniformity(SAMPLE_L_H)
    assert even.mean == printed("1.5569")
    assert even.low_quarter == printed("0.9346")
    assert even.variation * even.mean == printed("0.0736")
    assert even.variation == printed("0.0473")
    assert even.statistical_percent == printed("95.27")
    assert even.christiansen_percent == printed("96.38")
    assert 1 - 1.27 * even.variation == printed("0.9399")
    assert run_time_multiplier(even.low_quarter) == printed("1.041")
    assert run_time_multiplier(even.low_quarter, strict=True) == printed("1.070")


@given(st.lists(st.floats(0.1, 10), min_size=4, max_size=40))
def test_uniformity_is_a_share(flows: list[float]) -> None:
    even = uniformity(flows)
    assert 0 < even.low_quarter <= 1 + 1e-12
    assert even.statistical_percent <= 100
    assert even.christiansen_percent <= 100  # below nought when the flows are wild


def test_too_few_or_dead_emitters_say_nothing() -> None:
    with pytest.raises(ValueError, match="number of measured flows"):
        uniformity([1.0, 1.1, 1.2])
    with pytest.raises(ValueError, match="all measured flows are nought"):
        uniformity([0.0] * 4)


# K_s, mm/h; diameter / depth in m for 0.5, 1, 2, 4 L at 2 L/h; mean gain at 2 L.
BULBS = [
    ("sand", 117.8, (("0.171", "0.132"), ("0.199", "0.205"), ("0.232", "0.317"), ("0.270", "0.491")),
     "0.224"),
    ("loamy sand", 29.9, (("0.216", "0.071"), ("0.251", "0.111"), ("0.293", "0.171"), ("0.341", "0.265")),
     "0.260"),
    ("sandy loam", 10.9, (("0.256", "0.045"), ("0.298", "0.070"), ("0.348", "0.109"), ("0.405", "0.168")),
     "0.291"),
    ("loam", 13.2, (("0.248", "0.049"), ("0.289", "0.076"), ("0.336", "0.118"), ("0.392", "0.183")), "0.285"),
]


@pytest.mark.published(source="computed from Schwartzman & Zur 1986, SI form; from memory")
@pytest.mark.parametrize(("soil", "conductivity", "sizes", "gain"), BULBS)
def test_wetted_bulb(soil: str, conductivity: float, sizes: tuple[tuple[str, str], ...], gain: str) -> None:
    for litres, (diameter, depth) in zip((0.5, 1, 2, 4), sizes, strict=True):
        bulb = wetted_bulb(litres, conductivity, 2)
        assert bulb.diameter_m == printed(diameter)
        assert bulb.depth_m == printed(depth)
    assert wetted_bulb(2, conductivity, 2).mean_gain(2) == printed(gain)


@pytest.mark.published(source="Schwartzman & Zur 1986: the two remembered forms agree")
@given(st.floats(1, 10), st.floats(5, 200), st.floats(0.5, 20))
def test_the_two_forms_of_the_bulb_agree(litres: float, conductivity: float, flow: float) -> None:
    bulb = wetted_bulb(litres, conductivity, flow)
    assert wetted_diameter_m(bulb.depth_m, conductivity, flow) == pytest.approx(bulb.diameter_m, rel=0.03)


# Litres and minutes for a front at 0.15, 0.20, 0.30, 0.45 m in sand.
LARGEST = [
    (1, (("0.37", "22.3"), ("0.59", "35.2"), ("1.12", "67.0"), ("2.13", "127.6"))),
    (2, (("0.61", "18.3"), ("0.96", "28.9"), ("1.83", "55.0"), ("3.49", "104.6"))),
    (4, (("1.00", "15.0"), ("1.58", "23.7"), ("3.01", "45.1"), ("5.72", "85.8"))),
]


@pytest.mark.published(source="computed from Schwartzman & Zur 1986 turned round, sand of Rawls et al. 1983")
@pytest.mark.parametrize(("flow", "row"), LARGEST)
def test_largest_volume_above_a_depth(flow: float, row: tuple[tuple[str, str], ...]) -> None:
    for depth, (litres, minutes) in zip((0.15, 0.20, 0.30, 0.45), row, strict=True):
        volume = largest_volume_l(depth, 117.8, flow)
        assert volume == printed(litres)
        assert volume / flow * 60 == printed(minutes)
        assert wetted_bulb(volume, 117.8, flow).depth_m == pytest.approx(depth)


@pytest.mark.published(source="computed from Wooding 1968; soils of Rawls et al. 1983")
@pytest.mark.parametrize(
    ("conductivity", "alpha", "radii_cm"),
    [
        (117.8, 0.36, ("3.7", "5.8", "8.8")),
        (117.8, 0.12, ("2.1", "3.8", "6.4")),
        (29.9, 0.12, ("6.3", "10.2", "16.0")),
        (10.9, 0.12, ("12.6", "19.4", "29.3")),
    ],
)
def test_pond_under_an_emitter(conductivity: float, alpha: float, radii_cm: tuple[str, ...]) -> None:
    for flow, radius in zip((1, 2, 4), radii_cm, strict=True):
        assert 100 * saturated_radius_m(flow, conductivity, alpha) == printed(radius)


@given(st.floats(0.1, 20), st.floats(0.1, 10), st.floats(1, 300))
def test_more_water_reaches_deeper_and_wider(litres: float, more: float, conductivity: float) -> None:
    small, large = wetted_bulb(litres, conductivity, 2), wetted_bulb(litres + more, conductivity, 2)
    assert large.depth_m > small.depth_m
    assert large.diameter_m > small.diameter_m


@pytest.mark.parametrize(
    ("call", "quantity"),
    [
        (lambda: application_rate_mm_h(2, 0, 0.3), "emitter spacing"),
        (lambda: gross_mm(8, 0), "efficiency"),
        (lambda: gross_mm(8, 0.9, 1.0), "leaching fraction"),
        (lambda: run_time_min(8, 0.9, 0), "application rate"),
        (lambda: wetted_bulb(-1, 100, 2), "volume"),
        (lambda: saturated_radius_m(2, 100, 0), "alpha"),
        (lambda: run_time_multiplier(1.2), "low-quarter"),
    ],
)
def test_a_refused_number_is_named(call: object, quantity: str) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=quantity):
        call()
