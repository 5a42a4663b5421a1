"""The simulated garden as a whole: water is conserved, plants suffer and thrive when they should, all by seed."""

import time
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest

from controller.core.site import Mulch
from controller.settings import Settings, load
from controller.shells.payload import Decoder
from controller.sim.bed import Bed
from controller.sim.instruments import SensorFault, dying_probe
from controller.sim.plot import Plot, Quality
from controller.sim.sky import DayScript, Script, hot_week, scripted
from tests.sim.plots import DEMO, HOUR, MONDAY, START, Built, bed, dry_days, live, site


def demo(seed: int = 1, *, quality: Quality = "good", faults: Sequence[SensorFault] = (),
         script: Script | None = None) -> Plot:
    return Plot(load(DEMO), seed, start=START, script=script or hot_week(MONDAY), faults=faults, quality=quality)


def imbalance_mm(bed: Bed, before_mm: float) -> float:
    return bed.account.came_mm() - bed.account.went_mm() - (bed.store_mm() - before_mm)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("daily_mm", [0.0, 8.0, 60.0])
def test_water_is_conserved(seed: int, daily_mm: float) -> None:
    """In = store change + evaporation + transpiration + drainage + runoff, to a millionth of a millimetre."""
    stormy = scripted(MONDAY + timedelta(days=7), [DayScript(26.0, 16.0, rain_mm=70.0)])
    plot = demo(seed, quality="cheap", script={**hot_week(MONDAY), **stormy})
    before_mm = {zone_id: one.store_mm() for zone_id, one in plot.beds.items()}
    live(plot, 8, daily_mm)
    assert plot.summary()["zones"]["tomatoes"]["rain_mm"] == pytest.approx(74.0, abs=1e-3)
    for zone_id, one in plot.beds.items():
        assert imbalance_mm(one, before_mm[zone_id]) == pytest.approx(0.0, abs=1e-6)
        assert one.account.came_mm() > 70.0


def test_litres_and_depth_agree() -> None:
    plot = demo(quality="exact")
    live(plot, 2, 6.0)
    for zone_id, account in plot.summary()["zones"].items():
        area_m2 = plot.site.zone(zone_id).area_m2
        assert account["litres"] == pytest.approx(2 * 6.0 * area_m2, rel=1e-3)
        assert account["depth_mm"] == pytest.approx(account["litres"] / area_m2, abs=0.01)


def test_a_garden_without_sensors_lives_too() -> None:
    """Short calls must not lose time: water that stands after a pulse is gone within the hour."""
    plot = Plot(Built(site(bed(soil="loam"))), 1, start=START, script=dry_days(1))
    plot.advance(START + timedelta(minutes=10), {"tomatoes": 20.0})
    stood_mm = plot.beds["tomatoes"].columns[0].standing_mm
    for minutes in range(20, 70, 10):
        plot.advance(START + timedelta(minutes=minutes), {})
    assert plot.messages() == []
    assert stood_mm > 0.5
    assert plot.beds["tomatoes"].columns[0].standing_mm == 0.0


def test_same_seed_same_life_whatever_is_asked_between() -> None:
    one, other, third = demo(5), demo(5), demo(6)
    for plot in (one, other, third):
        live(plot, 3, 5.0)
        if plot is other:
            plot.forecast(START)
    assert one.messages() == other.messages() != third.messages()
    assert one.summary() == other.summary() != third.summary()


def test_shorter_calls_tell_the_same_story() -> None:
    """Advance may be called hourly or every minute; only the steps of the soil differ a little."""
    hourly, fine = demo(3), demo(3)
    for minute in range(0, 24 * 60, 10):
        fine.advance(START + timedelta(minutes=minute + 10), {})
        if minute % 60 == 50:
            hourly.advance(START + timedelta(minutes=minute + 10), {})
    assert hourly.messages() == fine.messages()
    assert hourly.summary() == fine.summary()


def test_truth_differs_from_the_config_by_some_percent() -> None:
    flows, capacities, thirsts = [], [], []
    for seed in range(60):
        one = Plot(Built(site(bed())), seed).beds["tomatoes"]
        flows.append(one.flow_factor)
        thirsts.append(one.demand_factor)
        capacities.append(one.earth.field_capacity / one.zone.soil.field_capacity)
    for factors in (flows, thirsts, capacities):
        assert 0.8 < min(factors) < 0.97
        assert 1.03 < max(factors) < 1.25
    exact = Plot(Built(site(bed())), 1, quality="exact").beds["tomatoes"]
    assert (exact.flow_factor, exact.demand_factor) == (1.0, 1.0)
    assert exact.earth.field_capacity == exact.zone.soil.field_capacity


@pytest.mark.parametrize("soil", ["sand", "loamy sand", "loam"])
@pytest.mark.parametrize("seed", range(3))
def test_an_unwatered_bed_dries_to_wilting_and_suffers(soil: str, seed: int) -> None:
    plot = Plot(Built(site(bed(soil=soil))), seed, start=START, script=dry_days(25))
    live(plot, 25)
    account, one = plot.summary()["zones"]["tomatoes"], plot.beds["tomatoes"]
    assert account["stress_days"] > 10
    assert account["litres"] == account["rain_mm"] == 0.0
    assert one.content(100.0, 400.0) == pytest.approx(one.earth.wilting_point, abs=0.01)
    assert account["lowest_water_content"] < one.earth.wilting_point + 0.01


@pytest.mark.parametrize("soil", ["sand", "loamy sand", "loam"])
@pytest.mark.parametrize("seed", range(3))
def test_a_well_watered_bed_does_not_suffer(soil: str, seed: int) -> None:
    plot = Plot(Built(site(bed(soil=soil))), seed, start=START, script=dry_days(25))
    live(plot, 25, 12.0)
    account = plot.summary()["zones"]["tomatoes"]
    assert account["stress_days"] == 0
    assert account["drainage_mm"] > 3.0
    assert account["transpiration_mm"] > 25 * 5.0


def test_a_line_too_fast_for_a_tight_soil_runs_off() -> None:
    fast, slow = (bed(name, soil="clay", wetted=1.0, flow_l_min=flow) for name, flow in (("fast", 10.0), ("slow", 0.3)))
    plot = Plot(Built(site(fast, slow)), 1, start=START, script=dry_days(3))
    live(plot, 3, 24.0)
    zones = plot.summary()["zones"]
    assert zones["fast"]["runoff_mm"] > 0.2 * zones["fast"]["depth_mm"]
    assert zones["slow"]["runoff_mm"] == 0.0


def test_pulses_with_rests_save_what_one_long_run_loses() -> None:
    lost_mm = {}
    for pulses in (1, 6):
        plot = Plot(Built(site(bed(soil="loam", slope_percent=4.0))), 1, start=START, script=dry_days(1))
        at, litres = START, 100.0 / pulses
        for _ in range(pulses):
            at += timedelta(minutes=litres / 2.0)
            plot.advance(at, {"tomatoes": litres})
            for _ in range(6):
                at += timedelta(minutes=10)
                plot.advance(at, {})
        lost_mm[pulses] = plot.summary()["zones"]["tomatoes"]["runoff_mm"]
    assert lost_mm[1] > 0.5
    assert lost_mm[6] < 0.3 * lost_mm[1]


def test_mulch_saves_evaporation_and_drinks_water_from_above() -> None:
    straw_over = bed("over", crop="lettuce", mulch=Mulch("straw", 6.0, holds_mm=2.4, under_line=True))
    straw_under = bed("under", crop="lettuce", mulch=Mulch("straw", 6.0, holds_mm=2.4))
    plot = Plot(Built(site(bed("bare", crop="lettuce"), straw_over, straw_under)), 1, start=START,
                script=dry_days(10), quality="exact")
    live(plot, 10, 8.0, times=4)
    gone_mm = {zone_id: account["evaporation_mm"] for zone_id, account in plot.summary()["zones"].items()}
    assert gone_mm["over"] < 0.6 * gone_mm["bare"]
    assert gone_mm["over"] < gone_mm["under"]


def test_hot_week_of_the_demo() -> None:
    plot = demo()
    live(plot, 7)
    weather = plot.summary()["weather"]
    assert list(weather) == [(MONDAY + timedelta(days=i)).isoformat() for i in range(7)]
    assert [day["tmax_c"] for day in weather.values()] == [31.0, 33.5, 36.5, 39.5, 42.5, 41.0, 29.5]
    assert [day["rain_mm"] for day in weather.values()] == [0.0] * 6 + [4.0]
    assert 9.0 < weather["2026-07-17"]["demand_mm"] < 12.5


def words(plot: Plot, days: float) -> dict[str, list[tuple[datetime, float]]]:
    """What each sensor said, read as the product reads it, with the hour's end as time."""
    settings = load(DEMO)
    said: dict[str, list[tuple[datetime, float]]] = defaultdict(list)
    for i in range(int(days * 24)):
        at = START + (i + 1) * HOUR
        plot.advance(at, {})
        for topic, payload in plot.messages():
            for entry in settings.sensor:
                if entry.topic == topic:
                    said[entry.id].append((at, Decoder(entry).read(payload).value))
    return said


def test_all_sensors_of_the_demo_are_understood() -> None:
    plot = demo(quality="exact")
    said = words(plot, 7)
    assert set(said) == {entry.id for entry in load(DEMO).sensor}
    assert max(value for _, value in said["air"]) == pytest.approx(42.5, abs=0.3)
    assert sum(value for _, value in said["rain"]) == pytest.approx(4.0, abs=0.01)
    for zone_id in ("tomatoes", "salad", "zucchini", "citrus", "pots"):
        one = plot.beds[zone_id]
        last = said[f"{zone_id}-probe"][-1][1]
        depth_mm = min(150.0, one.depth_mm / 2)
        expected = one.content(max(0.0, depth_mm - 50.0), min(one.depth_mm, depth_mm + 50.0))
        assert last == pytest.approx(expected, abs=0.003)


def test_sensors_speak_every_fifteen_to_thirty_minutes() -> None:
    said = words(demo(), 7)
    for entry in load(DEMO).sensor:
        assert 7 * 48 * 0.9 < len(said[entry.id]) <= 7 * 96


def test_a_probe_dies_midweek() -> None:
    begins = datetime(2026, 7, 15, 14, tzinfo=UTC)
    said = words(demo(faults=dying_probe("tomatoes-probe", begins)), 7)["tomatoes-probe"]
    late = [value for at, value in said if at > begins + HOUR]
    assert len(late) > 10
    assert len(set(late)) == 1
    assert max(at for at, _ in said) <= begins + 9 * HOUR
    assert len({value for at, value in said if at < begins}) > 20


def test_without_a_start_life_begins_an_hour_before_the_first_call_ends() -> None:
    settings: Settings = load(DEMO)
    plot = Plot(settings, 1)
    assert plot.messages() == []
    assert plot.summary()["weather"] == {}
    assert len(plot.forecast(START).hours) == 168
    plot.advance(START + HOUR, {"salad": 5.0})
    told = Plot(settings, 1, start=START)
    told.advance(START + HOUR, {"salad": 5.0})
    assert plot.summary() == told.summary()


def test_refuses_what_cannot_be() -> None:
    plot = demo()
    plot.advance(START + HOUR, {})
    plot.advance(START + HOUR, {"salad": 0.0})     # no time, no water: fine
    with pytest.raises(ValueError, match="cannot advance"):
        plot.advance(START, {})
    with pytest.raises(ValueError, match="cannot advance"):
        plot.advance(START + HOUR, {"salad": 1.0})
    with pytest.raises(KeyError, match='no zone "melons"'):
        plot.advance(START + 2 * HOUR, {"melons": 1.0})
    with pytest.raises(KeyError, match='no sensor "nose"'):
        demo(faults=dying_probe("nose", START))


def test_a_garden_week_is_quick() -> None:
    """Six zones, a week, two waterings a day, forecasts every six hours: hundreds of years are to be run."""
    plot = demo()
    began = time.process_time()
    live(plot, 7, 8.0)
    for i in range(28):
        plot.forecast(START + i * 6 * HOUR)
    assert time.process_time() - began < 1.5
