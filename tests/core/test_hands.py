"""What hands have changed changes the model from that hour: shade up, mulch back, pots away, and back again."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from controller.agronomy.crop import CROPS
from controller.core.actions import Answer, Note
from controller.core.events import Ask, Reading
from controller.core.hands import (
    CLEARED,
    MULCH_BACK,
    MULCHED,
    POTS_MOVED,
    SHADE_UP,
    after_job,
    after_soak,
)
from controller.core.jobs import jobs
from controller.core.moment import local_midnight
from controller.core.need import dawn_need, day_need, dusk_need, view
from controller.core.plan import _first_served
from controller.core.site import Mulch, Pots, Sensor, Shade, Site, Zone
from controller.core.soil import advance, believed, new_bed, wet
from controller.core.weather import WeatherBook, take_forecast
from tests.core.gardens import LISBON, Life, a_forecast, a_site, a_zone

DAY = date(2026, 7, 15)
START = local_midnight(DAY, LISBON)
HOUR = timedelta(hours=1)

CLOTHED = a_zone("salad", shades=(Shade("cloth", 0.5, by_hand=True),))
STRAWED = a_zone("beans", mulch=Mulch("straw", 6.0, evaporation_cut=0.5, holds_mm=2.0))
POTTED = a_zone("pots", pots=Pots(12, 30.0, moves_off_line=True), root_depth_m=0.3)
PLAIN = a_zone("herbs")


@pytest.mark.parametrize(
    ("zone", "before", "job", "after"),
    [
        (CLOTHED, (), "shade", (SHADE_UP,)),
        (CLOTHED, (SHADE_UP,), "shade", (SHADE_UP,)),
        (CLOTHED, (SHADE_UP,), "shade-off", ()),
        (CLOTHED, (), "shade-off", ()),
        (STRAWED, (), "mulch-back-2026-07-16", (MULCH_BACK,)),
        (POTTED, (), "pots", (POTS_MOVED,)),
        (POTTED, (POTS_MOVED,), "shade-off", ()),
        (PLAIN, (), "shade", ()),
        (PLAIN, (), "mulch-back-2026-07-16", ()),
        (PLAIN, (), "pots", ()),
        (replace(POTTED, pots=Pots(12, 30.0)), (), "pots", (POTS_MOVED,)),
        (POTTED, (POTS_MOVED,), "pots-back", ()),
        (PLAIN, (), "mulch", (MULCHED,)),
        (POTTED, (), "mulch", ()),
        (PLAIN, (), "cleared", (CLEARED,)),
        (STRAWED, (MULCH_BACK,), "mulch-on", ()),
        (CLOTHED, (SHADE_UP,), "harvest", (SHADE_UP,)),
        (CLOTHED, (SHADE_UP,), "look-at-dusk-2026-07-16", (SHADE_UP,)),
    ],
)
def test_a_job_done_sets_its_state_or_ends_it(
    zone: Zone, before: tuple[str, ...], job: str, after: tuple[str, ...]
) -> None:
    """And does nothing where it means nothing: no cloth there, no mulch, no pots that leave their line."""
    assert after_job(before, job, zone) == after


def test_a_dawn_soak_ends_the_pulled_back_mulch_and_nothing_else() -> None:
    assert after_soak((SHADE_UP, MULCH_BACK, POTS_MOVED)) == (SHADE_UP, POTS_MOVED)
    bed = replace(new_bed(STRAWED, a_site(STRAWED), START), hands=(SHADE_UP, MULCH_BACK))
    assert wet(bed, STRAWED, 3.0, START).hands == (SHADE_UP, MULCH_BACK), "water by itself puts no mulch back"


def test_mulch_pulled_back_before_the_dusk_refresh_is_still_back_for_the_dawn_soak_and_on_again_after_it() -> None:
    site = a_site(replace(STRAWED, root_depth_m=0.3))
    life = garden(site, *[39.0] * 5)
    life.until(START + 18 * HOUR)
    life.tell(Ask("1", "job-done", job=f"mulch-back-{DAY + timedelta(days=1)}"))
    life.until(START + 25 * HOUR)
    purposes = [opening.watering for _, opening in life.openings()]
    assert any("-dusk-" in each for each in purposes), "there was a refresh"
    assert MULCH_BACK in life.garden.beds["beans"].hands
    life.until(START + 31 * HOUR)
    assert MULCH_BACK not in life.garden.beds["beans"].hands, "the soak that it was for is done"


def test_mulch_pulled_back_stays_so_until_it_is_reported_back_where_no_soak_comes() -> None:
    life = garden(a_site(STRAWED), *[24.0] * 5)
    life.tell(Ask("0", "hold"))
    life.tell(Ask("1", "job-done", job="mulch-back-2026-07-16"))
    life.until(START + 34 * HOUR)
    assert MULCH_BACK in life.garden.beds["beans"].hands
    listed = {job.id for job in jobs(life.site, life.garden, life.utc)}
    assert "mulch-on" in listed
    life.tell(Ask("2", "job-done", job="mulch-on"))
    assert MULCH_BACK not in life.garden.beds["beans"].hands


def test_ground_mulched_evaporates_less_from_the_report_on() -> None:
    bare = replace(PLAIN, planted=DAY - timedelta(days=15))
    site = a_site(bare)
    done, left = garden(site, *[39.0] * 5), garden(site, *[39.0] * 5)
    done.tell(Ask("1", "job-done", job="mulch"))
    for each in (done, left):
        each.until(START + 22 * HOUR)
    assert done.garden.beds["herbs"].today.demand_mm < left.garden.beds["herbs"].today.demand_mm - 0.2


def test_a_bed_harvested_whole_draws_and_gets_nothing_until_it_is_planted_anew() -> None:
    site = a_site(replace(PLAIN, root_depth_m=0.3))
    life = garden(site, *[39.0] * 5)
    assert life.garden.plan.waterings
    (refused,) = (a for a in life.tell(Ask("0", "job-done", job="cleared")) if isinstance(a, Answer))
    assert not refused.ok, "of all zones at once it would be wrong"
    life.tell(Ask("1", "job-done", zone="herbs", job="cleared"))
    assert life.garden.plan.waterings == ()
    life.tell(Ask("2", "job-done", zone="herbs", job="planted"))
    assert life.garden.plan.waterings


def test_water_given_by_hand_to_pots_off_their_line_is_reckoned_with() -> None:
    site = a_site(POTTED)
    life = garden(site, *[39.0] * 5)
    life.tell(Ask("1", "job-done", job="pots"))
    life.until(START + 18 * HOUR)
    job = next(job for job in jobs(site, life.garden, life.utc) if job.id.endswith("-evening"))
    before = life.garden.beds["pots"].depletion_mm
    life.tell(Ask("2", "job-done", job=job.id))
    assert before - life.garden.beds["pots"].depletion_mm == pytest.approx(job.litres["pots"] / POTTED.area_m2)


def garden(site: Site, *maxima: float) -> Life:
    return Life(site, START).begin(a_forecast(START, list(maxima or [34.0] * 5)))


def test_shade_reported_at_noon_lowers_the_demand_from_noon_on_and_not_before() -> None:
    """Beside a garden where nobody did anything: the same until noon; after it at least a quarter less is drawn."""
    site = a_site(CLOTHED)
    done, left = garden(site), garden(site)
    for each in (done, left):
        each.until(START + 12 * HOUR)
    assert done.garden.beds == left.garden.beds
    noon_mm = left.garden.beds["salad"].today.demand_mm
    done.tell(Ask("1", "job-done", zone="salad", job="shade"))
    assert SHADE_UP in done.garden.beds["salad"].hands
    for each in (done, left):
        each.until(START + 22 * HOUR)
    shaded_mm, open_mm = (each.garden.beds["salad"].today.demand_mm - noon_mm for each in (done, left))
    assert noon_mm > 2.0
    assert 0.4 * open_mm < shaded_mm < 0.75 * open_mm
    done.tell(Ask("2", "job-done", job="shade-off"))
    assert SHADE_UP not in done.garden.beds["salad"].hands


def test_shade_reported_for_one_zone_shades_only_that_and_for_none_all_that_have_cloth() -> None:
    site = a_site(CLOTHED, replace(CLOTHED, id="chard"), PLAIN)
    one, every = garden(site), garden(site)
    one.tell(Ask("1", "job-done", zone="chard", job="shade"))
    every.tell(Ask("1", "job-done", job="shade"))
    zones = ("salad", "chard", "herbs")
    assert [one.garden.beds[zone].hands for zone in zones] == [(), (SHADE_UP,), ()]
    assert [every.garden.beds[zone].hands for zone in zones] == [(SHADE_UP,), (SHADE_UP,), ()]


def test_the_plan_reckons_with_the_shade_that_is_up() -> None:
    """The soaks of the days ahead are smaller or later, by the day's own figures."""
    site = a_site(replace(CLOTHED, root_depth_m=0.3))
    life = garden(site, *[39.0] * 5)
    before = sum(watering.need.litres for watering in life.garden.plan.waterings)
    life.tell(Ask("1", "job-done", job="shade"))
    after = sum(watering.need.litres for watering in life.garden.plan.waterings)
    assert after < 0.85 * before


def test_mulch_pulled_back_saves_the_soak_what_it_would_drink_and_costs_evaporation() -> None:
    site = a_site(STRAWED)
    book = take_forecast(WeatherBook(), a_forecast(START, [39.0] * 3), site)
    bed = believed(new_bed(STRAWED, site, START), 20.0, 1.0)
    back = replace(bed, hands=(MULCH_BACK,))
    covered, bare = (dawn_need(view(site, STRAWED, each, book, DAY, START)) for each in (bed, back))
    assert covered is not None
    assert bare is not None
    assert covered.gross_mm - bare.gross_mm == pytest.approx(2.0)
    assert covered.net_mm == pytest.approx(bare.net_mm)
    young = replace(STRAWED, planted=DAY - timedelta(days=20))
    dried = [advance(each, young, a_site(young), book, START + 22 * HOUR, START) for each in (bed, back)]
    assert dried[1].today.demand_mm > dried[0].today.demand_mm + 0.3


def test_pots_that_were_moved_get_nothing_from_their_line_until_they_are_back() -> None:
    site = a_site(POTTED, a_zone("beans", root_depth_m=0.3))
    book = take_forecast(WeatherBook(), a_forecast(START, [39.0] * 3), site)
    pots = believed(new_bed(POTTED, site, START), 14.0, 1.0)
    away = replace(pots, hands=(POTS_MOVED,))
    for judge in (dawn_need, dusk_need, day_need):
        assert judge(view(site, POTTED, pots, book, DAY, START)) is not None
        assert judge(view(site, POTTED, away, book, DAY, START)) is None
    life = garden(site, *[39.0] * 5)
    life.tell(Ask("1", "job-done", job="pots"))
    assert {watering.zone for watering in life.garden.plan.waterings} == {"beans"}
    life.tell(Ask("2", "job-done", job="shade-off"))
    assert {watering.zone for watering in life.garden.plan.waterings} == {"beans", "pots"}


# A switch that tells ------------------------------------------------------------------------------

SWITCHED = a_site(
    CLOTHED, replace(CLOTHED, id="chard"), sensors=(Sensor("cloth", "job switch", "salad", job="shade"),)
)


def flipped(life: Life, value: float) -> list[str]:
    """What the journal is told when the cloth's switch says this a minute later."""
    life.until(life.utc + timedelta(minutes=1))
    actions = life.tell(Reading("cloth", value, life.utc))
    return [action.said for action in actions if isinstance(action, Note) and action.kind == "job"]


def test_a_switch_tells_that_the_cloth_is_up_and_that_it_is_off_again() -> None:
    life = garden(SWITCHED, *[39.0] * 5)
    assert flipped(life, 1.0) == ["Done, by cloth: shade."]
    assert [life.garden.beds[zone].hands for zone in ("salad", "chard")] == [(SHADE_UP,), ()]
    assert life.garden.jobs_done["shade"] == life.utc
    assert flipped(life, 1.0) == [], "it says so again and again, and nothing happens"
    assert flipped(life, 0.0) == ["Done, by cloth: shade-off."]
    assert life.garden.beds["salad"].hands == ()


def test_a_switch_that_is_off_from_the_start_tells_nothing() -> None:
    life = garden(SWITCHED, *[39.0] * 5)
    assert flipped(life, 0.0) == []
    assert life.garden.jobs_done == {}


def test_an_old_word_of_a_switch_is_history() -> None:
    life = garden(SWITCHED, *[39.0] * 5)
    flipped(life, 1.0)
    life.tell(Reading("cloth", 0.0, life.utc - timedelta(minutes=5)))
    assert life.garden.beds["salad"].hands == (SHADE_UP,)


# Seedlings that nobody shades ---------------------------------------------------------------------


def test_seedlings_in_the_open_get_water_by_day_and_under_a_cloth_they_need_none() -> None:
    """A day of 40 degC; at noon half of what they draw easily is gone."""
    seedlings = replace(CLOTHED, tender=True)
    site = a_site(seedlings)
    book = take_forecast(WeatherBook(), a_forecast(START, [40.0] * 3), site)
    noon = START + 12 * HOUR
    bed = believed(new_bed(seedlings, site, noon), 3.0, 1.0)
    unshaded = view(site, seedlings, bed, book, DAY, noon)
    assert unshaded.unshaded
    need = day_need(unshaded)
    assert need is not None
    assert "Seedlings without shade on a day of 40 °C" in need.reasons[1]
    assert "Under shade they would need less." in need.reasons[1]
    shaded = view(site, seedlings, replace(bed, hands=(SHADE_UP,)), book, DAY, noon)
    assert not shaded.unshaded
    assert day_need(shaded) is None


def test_seedlings_in_the_open_come_before_seedlings_under_a_cloth() -> None:
    """Both equally dry and of the same worth."""
    shaded, unshaded = (replace(CLOTHED, id=name, name=name, tender=True) for name in ("a-shaded", "b-unshaded"))
    site = a_site(shaded, unshaded)
    life = garden(site, *[40.0] * 5)
    life.tell(Ask("1", "job-done", zone="a-shaded", job="shade"))
    views = [view(site, zone, life.garden.beds[zone.id], life.garden.weather, DAY, life.utc) for zone in site.zones]
    assert [seen.zone.id for seen in sorted(views, key=_first_served)] == ["b-unshaded", "a-shaded"]


# Harvests -----------------------------------------------------------------------------------------

CARROT = CROPS["carrot"]
assert CARROT.stages is not None
CARROTS = a_zone("carrots", crop=CARROT, planted=DAY - timedelta(days=CARROT.stages.total - 5))
"""Near the end of their late stage."""


def harvested(zone: Zone, named: bool = True) -> tuple[Life, str]:
    life = garden(a_site(zone), *[39.0] * 5)
    answer = next(
        action
        for action in life.tell(Ask("1", "job-done", zone=zone.id if named else None, job="harvest"))
        if isinstance(action, Answer)
    )
    assert answer.ok, answer.said
    return life, answer.said


def test_roots_that_are_ripe_leave_the_bed_bare_when_their_harvest_is_reported() -> None:
    life, said = harvested(CARROTS)
    assert CLEARED in life.garden.beds["carrots"].hands
    assert said == "Noted: harvest is done. Carrots counts as cleared and gets no water until planted is reported."
    life.tell(Ask("2", "job-done", zone="carrots", job="planted"))
    assert life.garden.beds["carrots"].hands == ()


@pytest.mark.parametrize(
    ("zone", "named"),
    [
        (CARROTS, False),  # said of the whole garden: what is ripe, not all that stands
        (replace(CARROTS, planted=DAY - timedelta(days=60)), True),  # not ripe yet: some were pulled early
        (replace(CARROTS, planted=None), True),
        (a_zone("tomatoes", planted=DAY - timedelta(days=120)), True),  # picked, and they go on
    ],
)
def test_what_stays_after_picking_is_watered_on(zone: Zone, named: bool) -> None:
    life, said = harvested(zone, named)
    assert life.garden.beds[zone.id].hands == ()
    assert said == "Noted: harvest is done."
