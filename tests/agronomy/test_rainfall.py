"""Effective rain by its published methods."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.agronomy.rainfall import (
    effective_daily_mm,
    effective_event_texas_mm,
    effective_monthly_dependable_mm,
    effective_monthly_fao3_mm,
    effective_monthly_scs_mm,
    effective_monthly_tr21_mm,
    storage_factor_tr21,
)

from .printed import printed


@pytest.mark.published(source="FAO-56 (1998), chapter 8: rain under 0.2 ETo may be ignored")
@pytest.mark.parametrize(("rain", "counts"), [(1.5, 0.0), (1.6, 1.6), (12.0, 12.0), (0.0, 0.0)])
def test_a_shower_under_a_fifth_of_the_demand_counts_nothing(rain: float, counts: float) -> None:
    assert effective_daily_mm(rain, 8) == counts


@pytest.mark.published(source="computed from USDA-SCS TR-21 (NEH 623 chapter 2); from memory")
@pytest.mark.parametrize(
    ("rain", "etc", "storage", "effective"),
    [(100, 150, 75, "73.3"), (50, 200, 75, "44.2"), (100, 150, 20, "53.6"), (25, 200, 20, "16.8")],
)
def test_tr21(rain: float, etc: float, storage: float, effective: str) -> None:
    assert effective_monthly_tr21_mm(rain, etc, storage) == printed(effective)


@pytest.mark.published(source="USDA-SCS TR-21: the storage factor is 1 at 75 mm; from memory")
def test_storage_factor() -> None:
    assert storage_factor_tr21(75) == printed("0.998")


@pytest.mark.published(source="USDA-SCS TR-21 in its metric form; from memory")
@given(st.floats(20, 150), st.floats(100, 250), st.floats(20, 120))
def test_the_metric_form_of_tr21_agrees(rain: float, etc: float, storage: float) -> None:
    factor = 0.531747 + 0.011621 * storage - 8.9e-5 * storage**2 + 2.3e-7 * storage**3
    metric = factor * (1.25247 * rain**0.82416 - 2.93522) * 10 ** (0.000955 * etc)
    assert effective_monthly_tr21_mm(rain, etc, storage) == pytest.approx(min(metric, rain, etc), rel=0.006)


@pytest.mark.published(source="USDA Soil Conservation Service, simple monthly formula")
@pytest.mark.parametrize(("rain", "effective"), [(20, "19.4"), (100, "84"), (250, "150"), (300, "155")])
def test_scs(rain: float, effective: str) -> None:
    assert effective_monthly_scs_mm(rain) == printed(effective)


@pytest.mark.published(source="FAO Irrigation Water Management Training Manual 3; from memory")
@pytest.mark.parametrize(("rain", "effective"), [(50, "20"), (100, "55"), (10, "0")])
def test_fao_training_manual_3(rain: float, effective: str) -> None:
    assert effective_monthly_fao3_mm(rain) == printed(effective)


@pytest.mark.published(source="FAO dependable rain, as on a sheet of the Spanish ministry of agriculture")
@pytest.mark.parametrize(("rain", "effective"), [(100, "56"), (70, "32"), (5, "0")])
def test_dependable_rain(rain: float, effective: str) -> None:
    assert effective_monthly_dependable_mm(rain) == printed(effective)


@pytest.mark.published(source="Texas A&M rule for one rain")
@pytest.mark.parametrize(("rain", "effective"), [(30, "25.9"), (2.5, "0.0"), (25.4, "22.9"), (80, "39.8")])
def test_texas(rain: float, effective: str) -> None:
    assert effective_event_texas_mm(rain) == printed(effective)


@given(st.floats(0, 500), st.floats(0, 100))
def test_more_rain_never_counts_less_and_never_more_than_fell(rain: float, more: float) -> None:
    for method in (effective_monthly_scs_mm, effective_event_texas_mm, lambda mm: effective_daily_mm(mm, 8)):
        assert 0 <= method(rain) <= rain + 1e-9
        assert method(rain) <= method(rain + more) + 1e-9


def test_no_rain_is_no_effective_rain() -> None:
    assert effective_monthly_tr21_mm(0, 150, 75) == 0
    with pytest.raises(ValueError, match="rain"):
        effective_daily_mm(-1, 8)
