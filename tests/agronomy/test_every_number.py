"""Whatever lies within range gives a number: no formula makes NaN, divides by nought or fails without a name.

Every public function of the modules below is called with anything its docstring or its refusals allow. A new
function needs a range for each of its arguments here.
"""

import importlib
import inspect
from collections.abc import Callable, Iterator
from dataclasses import astuple, is_dataclass
from datetime import UTC, date, datetime
from math import isfinite, isnan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.sensing import RETENTION, RetentionCurve

MODULES = (
    "dual_crop", "infiltration", "rainfall", "reference_et", "root_zone", "sensing", "soil", "sunlight"
)

TEMPERATURE = st.floats(-50, 60)
FRACTION = st.floats(0, 1)
RANGES: dict[str, st.SearchStrategy[Any]] = {
    # weather
    "tmax_c": TEMPERATURE, "tmin_c": TEMPERATURE, "temperature_c": TEMPERATURE,
    "dry_c": TEMPERATURE, "wet_c": TEMPERATURE, "previous_month_c": TEMPERATURE, "month_c": TEMPERATURE,
    "next_month_c": TEMPERATURE, "pressure": st.floats(40, 110), "elevation_m": st.floats(-450, 6000),
    "rh_max_percent": st.floats(0, 100), "rh_min_percent": st.floats(0, 100),
    "rh_mean_percent": st.floats(0, 100), "vapour_kpa": st.floats(0, 10),
    "wind_m_s": st.floats(0, 60), "wind_2m_m_s": st.floats(0, 60), "wind_at_2m.height_m": st.floats(1, 100),
    "solar_mj_m2": st.floats(0, 50), "hourly_et0.solar_mj_m2": st.floats(0, 6),
    "net_radiation_mj_m2": st.floats(-20, 50), "soil_heat_mj_m2": st.floats(-20, 20), "clearness": FRACTION,
    "clear_sky": st.floats(0, 50), "coastal": st.booleans(),
    # sun and calendar
    "latitude_deg": st.floats(-90, 90), "longitude_deg": st.floats(-180, 180),
    "zone_longitude_deg": st.floats(-195, 210), "day_of_year": st.integers(1, 366),
    "mid_hour_h": st.floats(0, 24), "length_h": st.floats(0, 24), "ra_mj_m2": st.floats(0, 60),
    "sunshine_h": st.floats(0, 24), "daylight_hours": st.floats(0, 24),
    "when_utc": st.dates(date(1950, 1, 1), date(2049, 12, 31)).flatmap(
        lambda day: st.times(timezones=st.just(UTC)).map(lambda time: datetime.combine(day, time))
    ),
    "day": st.dates(date(1950, 1, 1), date(2050, 1, 1)), "timezone": st.just(UTC),
    # water
    "rain_mm": st.floats(0, 2000), "runoff_mm": st.floats(0, 2000), "irrigation_mm": st.floats(0, 2000),
    "capillary_rise_mm": st.floats(0, 100), "et0_mm": st.floats(0, 50), "etc_mm": st.floats(0, 50),
    "evaporation_mm": st.floats(0, 50), "usable_storage_mm": st.floats(10, 200),
    "depletion_mm": st.floats(-1e4, 1e4), "available_mm": st.floats(1e-9, 1e5),
    "readily_mm": st.floats(0, 199.8), "total_mm": st.floats(0.1, 200),
    # soil
    "field_capacity": FRACTION, "wilting_point": FRACTION, "root_depth_m": st.floats(0, 10),
    "layer_m": st.floats(0.01, 0.5), "fraction": st.floats(0, 0.99), "table_fraction": FRACTION,
    "permittivity": st.floats(1, 81), "water_content": st.floats(0, 0.6),
    "resistance_kohm": st.floats(0, 1000), "shock_kpa.resistance_kohm": st.floats(0, 40),
    "soil_c": st.floats(0, 50), "shock_kpa.soil_c": st.floats(0, 40),
    "rate_mm_h": st.floats(0.01, 1e5), "intake_mm_h": st.floats(0.01, 1e5),
    "store_mm": st.just(0.0) | st.floats(1e-6, 1000),
    "gross_mm": st.floats(0, 1000), "on_min": st.floats(0, 1e6), "initial_mm_h": st.floats(0, 1e5),
    "final_mm_h": st.floats(0, 1e5), "decay_1_h": st.floats(1e-6, 1e4),
    "conductivity_mm_h": st.floats(0, 1e5), "suction_mm": st.floats(0, 1e5), "deficit": FRACTION,
    "sorptivity": st.floats(0, 1e4),
    # crop
    "kcb": st.floats(0, 2), "kc_max": st.floats(0.51, 3), "kc_min": st.floats(0, 0.5),
    "height_m": st.floats(0, 100), "covered": FRACTION, "wetted": st.floats(0.01, 1), "before": FRACTION,
    "line_fraction": st.floats(0.01, 1), "exposed": st.floats(0.01, 1), "reduction": FRACTION,
}
ORDERED = [
    ("tmin_c", "tmax_c"), ("rh_min_percent", "rh_max_percent"), ("wet_c", "dry_c"), ("runoff_mm", "rain_mm"),
    ("wilting_point", "field_capacity"), ("final_mm_h", "initial_mm_h"), ("sunshine_h", "daylight_hours"),
]
"""Pairs of which the first may not be above the second."""

MAY_REFUSE = {
    "thompson_armstrong_kpa": "beyond the curve",
    "cycles": "no run is short enough",
}
"""Functions whose answer may not exist though every argument is in range, and what they then say."""

ENDLESS = {"longest_on_min", "horton_on_min", "green_ampt_ponding_min", "philip_ponding_min"}
"""May say for ever; `thompson_armstrong_kpa` near the end of its curve may say very much, but finite."""

TAKES_ITS_OWN_KIND = {"runoff": "a plan of cycles, in test_infiltration.py"}


def public_functions() -> Iterator[Callable[..., Any]]:
    for name in MODULES:
        module = importlib.import_module(f"controller.agronomy.{name}")
        for function in vars(module).values():
            own = inspect.isfunction(function) and function.__module__ == module.__name__
            if own and not function.__name__.startswith("_") and function.__name__ not in TAKES_ITS_OWN_KIND:
                yield function


def numbers(result: Any) -> Iterator[float]:
    """All numbers in a result, however nested."""
    if is_dataclass(result) and not isinstance(result, type):
        yield from numbers(astuple(result))
    elif isinstance(result, tuple):
        for each in result:
            yield from numbers(each)
    elif isinstance(result, (int, float)):
        yield result


def arguments(function: Callable[..., Any]) -> st.SearchStrategy[dict[str, Any]]:
    """Anything within range for all arguments that have one; the rest must have a default."""
    wanted = {}
    for name, parameter in inspect.signature(function).parameters.items():
        strategy = RANGES.get(f"{function.__name__}.{name}", RANGES.get(name))
        if strategy is not None:
            wanted[name] = strategy
        elif parameter.default is parameter.empty:
            pytest.fail(f"{function.__name__} has an argument {name} without a range in {__name__}.RANGES")
    return st.fixed_dictionaries(wanted).map(_in_order)


def _in_order(values: dict[str, Any]) -> dict[str, Any]:
    for low, high in ORDERED:
        if low in values and high in values:
            values[low], values[high] = sorted((values[low], values[high]))
    if "tmin_c" in values and "tmax_c" in values:  # no place on Earth has more, and eq. 50 refuses it
        values["tmax_c"] = min(values["tmax_c"], values["tmin_c"] + 50)
    if "readily_mm" in values:
        values["readily_mm"] = min(values["readily_mm"], 0.999 * values["total_mm"])
    return values


@pytest.mark.parametrize("function", list(public_functions()), ids=lambda function: function.__name__)
@given(data=st.data())
def test_within_range_there_is_a_number(function: Callable[..., Any], data: st.DataObject) -> None:
    values = data.draw(arguments(function))
    try:
        found = list(numbers(function(**values)))
    except ValueError as refusal:
        assert MAY_REFUSE.get(function.__name__, "never") in str(refusal)  # noqa: PT017  may, not must
        return
    assert not any(map(isnan, found))
    assert function.__name__ in ENDLESS or all(map(isfinite, found))


@pytest.mark.parametrize("curve", RETENTION.values(), ids=RETENTION.keys())
@given(tension=st.floats(0, 1e6), share=st.floats(1e-6, 1))
def test_retention_curves_give_numbers(curve: RetentionCurve, tension: float, share: float) -> None:
    content = curve.residual + share * (curve.saturated - curve.residual)
    assert curve.residual <= curve.water_content(tension) <= curve.saturated
    assert isfinite(curve.tension_kpa(min(content, curve.saturated)))
    assert curve.tension_kpa(min(content, curve.saturated)) >= 0


def test_every_part_is_tried() -> None:
    names = {function.__name__ for function in public_functions()}
    assert {"daily_et0", "hourly_et0", "daily_top_layer", "daily_balance", "sun_times", "topp"} <= names
    assert len(names) > 60
