"""Water is neither made nor lost, over a day and over months of both balances, to a billionth of a mm.

Both count from field capacity down, so what is missing at the end is what was missing at the start, less what
came, plus what went.
"""

from math import fsum

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.dual_crop import (
    ceiling,
    covered_fraction,
    daily_top_layer,
    exposed_fraction_drip,
    wetted_fraction,
)
from controller.agronomy.root_zone import available_water_mm, daily_balance, depletion_fraction
from controller.agronomy.soil import SOILS

BILLIONTH_MM = 1e-9


@st.composite
def water(draw: st.DrawFn) -> dict[str, float]:
    """A day's water: rain, of which some runs off, and irrigation."""
    rain = draw(st.floats(0, 120) | st.just(0.0))
    return {
        "rain_mm": rain,
        "runoff_mm": min(rain, rain * draw(st.floats(0, 1))),
        "irrigation_mm": draw(st.floats(0, 60) | st.just(0.0)),
    }


@given(
    day=water(), depletion=st.floats(-20, 40), et0=st.floats(0, 20), kcb=st.floats(0.15, 1.3),
    exposed=st.floats(0.01, 1), wetted=st.floats(0.01, 1), total=st.floats(6, 30), readily=st.floats(0, 0.9),
)
def test_the_top_layer_with_runoff_and_from_any_start(
    day: dict[str, float], depletion: float, et0: float, kcb: float, exposed: float, wetted: float,
    total: float, readily: float,
) -> None:
    """Too wet and too dry a start included."""
    layer = daily_top_layer(
        depletion, et0_mm=et0, kcb=kcb, kc_max=1.4, exposed=exposed, wetted=wetted,
        readily_mm=readily * total, total_mm=total, **day,
    )
    came = day["rain_mm"] - day["runoff_mm"] + day["irrigation_mm"] / wetted
    went = layer.evaporation_mm / exposed + layer.percolation_mm
    assert depletion - came + went == pytest.approx(layer.depletion_mm, abs=BILLIONTH_MM)
    assert min(layer.evaporation_mm, layer.percolation_mm, layer.depletion_mm) >= 0
    assert layer.depletion_mm <= max(total, depletion) + BILLIONTH_MM


@given(
    day=water(), depletion=st.floats(-20, 200), available=st.floats(1, 150), etc=st.floats(0, 20),
    evaporation=st.floats(0, 20), rise=st.floats(0, 5), fraction=st.floats(0.1, 0.8),
)
def test_the_root_zone_with_evaporation_and_from_any_start(
    day: dict[str, float], depletion: float, available: float, etc: float, evaporation: float, rise: float,
    fraction: float,
) -> None:
    zone = daily_balance(
        depletion, available_mm=available, fraction=fraction, etc_mm=etc, evaporation_mm=evaporation,
        capillary_rise_mm=rise, **day,
    )
    came = day["rain_mm"] - day["runoff_mm"] + day["irrigation_mm"] + rise
    assert depletion - came + zone.et_mm + zone.percolation_mm == pytest.approx(
        zone.depletion_mm, abs=BILLIONTH_MM
    )
    assert min(zone.et_mm, zone.percolation_mm, zone.depletion_mm) >= 0
    assert zone.et_mm <= zone.stress * etc + evaporation + BILLIONTH_MM


@given(
    st.sampled_from(sorted(SOILS)), st.floats(0.05, 1),
    st.lists(st.tuples(water(), st.floats(0, 14), st.floats(0, 1)), min_size=20, max_size=60),
)
def test_months_of_both_balances_together(
    texture: str, line: float, days: list[tuple[dict[str, float], float, float]]
) -> None:
    """With a canopy and roots that grow and shrink as they like from day to day."""
    soil = SOILS[texture]
    de, dr, fw = soil.total_evaporable_mm, 20.0, 1.0
    strip_mm, bed_mm = [de], [dr]
    for day, et0, growth in days:
        kcb, height = 0.15 + growth, 0.05 + growth
        kc_max = ceiling(4, 20, height, kcb)
        fw = wetted_fraction(fw, day["rain_mm"], day["irrigation_mm"], line)
        few = exposed_fraction_drip(covered_fraction(kcb, kc_max, height), fw)
        layer = daily_top_layer(
            de, et0_mm=et0, kcb=kcb, kc_max=kc_max, exposed=few, wetted=fw,
            readily_mm=soil.readily_evaporable_mm, total_mm=soil.total_evaporable_mm, **day,
        )
        zone = daily_balance(
            dr, available_mm=available_water_mm(soil.field_capacity, soil.wilting_point, 0.15 + growth),
            fraction=depletion_fraction(0.4, (kcb + layer.ke) * et0), etc_mm=kcb * et0,
            evaporation_mm=layer.evaporation_mm, **day,
        )
        de, dr = layer.depletion_mm, zone.depletion_mm
        rain_in = day["rain_mm"] - day["runoff_mm"]
        strip_mm += [
            -rain_in, -day["irrigation_mm"] / fw, layer.evaporation_mm / few, layer.percolation_mm
        ]
        bed_mm += [-rain_in, -day["irrigation_mm"], zone.et_mm, zone.percolation_mm]
    assert fsum(strip_mm) == pytest.approx(de, abs=BILLIONTH_MM)
    assert fsum(bed_mm) == pytest.approx(dr, abs=BILLIONTH_MM)
