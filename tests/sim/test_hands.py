"""What a gardener's hands change in the simulated garden: by its own physics, and when asked by the real core."""

from dataclasses import replace
from datetime import date, time, timedelta

import pytest

from controller.core.hands import SHADE_UP
from controller.core.moment import local_midnight
from controller.core.plants import plants_on
from controller.core.site import Hours, Mulch, Pots, Shade, Zone
from controller.core.weather import DayWeather, WeatherBook
from controller.settings import load
from controller.shells.journal import Journal
from controller.sim.gardener import GROUPS, Gardener
from controller.sim.plot import Plot
from controller.sim.run import SimulationError, simulate
from controller.sim.sky import DayScript, scripted
from controller.sim.world import VirtualClock, World
from tests.sim.plots import DEMO, HOUR, MONDAY, START, Built, bed, dry_days, live, site

CLOTH = Shade("cloth", 0.5, by_hand=True)


def drawn_mm(zone: Zone, *jobs: str, daily_mm: float = 12.0) -> dict[str, float]:
    """What becomes of the water of one exact bed in two dry days, with these jobs done before."""
    plot = Plot(Built(site(zone)), 1, start=START, script=dry_days(3), quality="exact")
    for job in jobs:
        plot.handle(zone.id, job)
    live(plot, 2, daily_mm)
    return {name: float(value) for name, value in plot.summary()["zones"][zone.id].items()}


def test_a_cloth_takes_demand_only_once_it_is_up_and_only_until_it_is_off() -> None:
    zone = replace(bed(), shades=(CLOTH,))
    down, up, off = drawn_mm(zone), drawn_mm(zone, "shade"), drawn_mm(zone, "shade", "shade-off")
    assert down == off
    assert 0.5 * down["transpiration_mm"] < up["transpiration_mm"] < 0.8 * down["transpiration_mm"]


def test_a_cloth_of_some_hours_takes_less_than_one_of_the_whole_day_and_one_at_night_nothing() -> None:
    def with_hours(hours: Hours | None) -> float:
        return drawn_mm(replace(bed(), shades=(Shade("cloth", 0.5, hours=hours),)))["transpiration_mm"]

    open_mm = drawn_mm(bed())["transpiration_mm"]
    noon, night = with_hours(Hours(time(11), time(16))), with_hours(Hours(time(23), time(4)))
    assert with_hours(None) < noon < open_mm
    assert night == pytest.approx(open_mm, rel=1e-3)


def test_a_tree_of_other_months_takes_nothing() -> None:
    winter = replace(bed(), shades=(Shade("tree", 0.6, months=frozenset({12, 1, 2})),))
    assert drawn_mm(winter) == drawn_mm(bed())


def test_straw_laid_on_bare_ground_spares_evaporation_and_no_transpiration() -> None:
    bare, laid = drawn_mm(bed()), drawn_mm(bed(), "mulch")
    assert laid["evaporation_mm"] < 0.6 * bare["evaporation_mm"]
    assert laid["transpiration_mm"] == pytest.approx(bare["transpiration_mm"], rel=0.02)


def test_straw_pulled_back_from_a_line_above_it_drinks_nothing() -> None:
    """Small waterings: the straw drinks of each, and gives it to the air."""
    zone = bed(mulch=Mulch("straw", 8.0, holds_mm=2.5))
    lying, back = drawn_mm(zone, daily_mm=6.0), drawn_mm(zone, "mulch-back", daily_mm=6.0)
    again = drawn_mm(zone, "mulch-back", "mulch-on", daily_mm=6.0)
    assert again == lying
    assert back["drainage_mm"] + back["transpiration_mm"] > lying["drainage_mm"] + lying["transpiration_mm"]


def test_pots_moved_away_draw_less_and_off_their_line_live_from_the_can() -> None:
    pots = replace(bed(), pots=Pots(10, 30.0))
    there, away = drawn_mm(pots), drawn_mm(pots, "pots")
    assert 0.4 * there["transpiration_mm"] < away["transpiration_mm"] < 0.8 * there["transpiration_mm"]
    off = replace(pots, pots=Pots(10, 30.0, moves_off_line=True))
    assert drawn_mm(off, "pots")["runoff_mm"] > 0.9 * drawn_mm(off, "pots")["depth_mm"]
    plot = Plot(Built(site(off)), 1, start=START, script=dry_days(3), quality="exact")
    before_mm = plot.beds[off.id].store_mm()
    plot.handle(off.id, "pots")
    plot.handle(off.id, "water-pots", 30.0)
    plot.advance(START + HOUR, {})
    assert plot.beds[off.id].store_mm() - before_mm == pytest.approx(30.0 / off.area_m2, abs=0.1)
    assert plot.beds[off.id].account.poured_litres == 30.0


def test_a_bed_that_is_cleared_draws_nothing_but_what_its_ground_gives() -> None:
    assert drawn_mm(bed(), "cleared")["transpiration_mm"] == 0.0


def test_core_and_simulator_agree_that_shade_saves_and_about_how_much() -> None:
    """Two reckonings that share no formula, of the same dry day."""
    zone = replace(bed(), shades=(CLOTH,))
    day = DayWeather(MONDAY, 34.0, 18.0, "forecast", vapour_kpa=1.23, wind_2m_m_s=2.25, solar_mj_m2=29.0)
    now = local_midnight(MONDAY, site(zone).timezone) + 6 * HOUR
    book = WeatherBook(forecast={MONDAY: day}, issued=now)
    here, there = (plants_on(zone, site(zone), book, MONDAY, now, hands) for hands in ((), (SHADE_UP,)))
    core = there.transpiration_mm / here.transpiration_mm
    sim = drawn_mm(zone, "shade")["transpiration_mm"] / drawn_mm(zone)["transpiration_mm"]
    assert core < 0.8
    assert sim == pytest.approx(core, abs=0.12)


# Asked by the real core ---------------------------------------------------------------------------


def heat(groups: tuple[str, ...]) -> World:
    """The salad seedlings of the demo through two warm days and two hot ones, up to the last evening."""
    whole = load(DEMO)
    settings = whole.model_copy(
        update={
            "zone": [each for each in whole.zone if each.id == "salad"],
            "sensor": [each for each in whole.sensor if each.id == "air"],
        }
    )
    first = date(2026, 7, 8)
    begin = local_midnight(first, settings.build().timezone)
    weather = scripted(
        first, [DayScript(c, c - 15.0, cloud=0.0, wind_10m_m_s=3.0) for c in (33.0, 34.0, 40.0, 40.0, 31.0)]
    )
    plot = Plot(settings, 1, start=begin, script=weather)
    world = World(settings, plot, Journal(":memory:"), VirtualClock(begin), watch=Gardener(plot, groups))
    world.begin()
    world.run(begin + timedelta(days=3, hours=20))
    world.end()
    return world


def test_shade_put_up_when_asked_saves_litres_and_is_reckoned_with() -> None:
    nobody, hands = heat(()), heat(("shade",))
    assert hands.litres["salad"] < 0.9 * nobody.litres["salad"]
    told = [note.said for note in hands.outlet.notes if note.kind == "job"]
    assert "Done: shade." in told
    assert hands.loop.garden.beds["salad"].today.shade_spared_mm > 1.0
    assert nobody.loop.garden.beds["salad"].today.shade_spared_mm == 0.0
    assert not any(note.kind == "job" and note.said.startswith("Done") for note in nobody.outlet.notes)


def test_hands_that_nobody_has_are_refused() -> None:
    with pytest.raises(SimulationError, match='no such hands: "feet"; there are shade, mulch, pots'):
        simulate(load(DEMO), MONDAY, MONDAY, hands=["feet"])
    with pytest.raises(SimulationError, match="knows no gardener"):
        simulate(load(DEMO), MONDAY, MONDAY, hands=[*GROUPS], garden="tests.sim.test_hands:Nobodys")
    with pytest.raises(SimulationError, match="faults"):
        simulate(load(DEMO), MONDAY, MONDAY, hands=[*GROUPS], faults="default")


class Nobodys:
    """A garden without a gate."""

    def __init__(self, config: object, seed: int) -> None:
        """Nothing grows."""
