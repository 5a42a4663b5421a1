"""What a zone is owed, when, and whether its own figures add up to it."""

import math
from dataclasses import replace
from datetime import date, timedelta

import pytest

from controller.agronomy.crop import CROPS
from controller.agronomy.salt import SALT_TOLERANCE, leaching_fraction, leaching_fraction_drip
from controller.agronomy.soil import SOILS
from controller.core.estimate import meet
from controller.core.forecast import Forecast
from controller.core.garden import Bed, Need
from controller.core.moment import local_midnight
from controller.core.need import (
    DRY_TOP,
    HEAT_FROM,
    LAST_DEPLETION,
    RESCUE_AT,
    SURE_FILL_EVERY,
    SURE_FILL_FROM,
    WORTH_WAITING,
    View,
    dawn_need,
    day_need,
    dusk_need,
    need_by_hand,
    view,
)
from controller.core.site import Heat, Line, Mulch, Pots, Site, Zone
from controller.core.soil import believed, new_bed
from controller.core.weather import WeatherBook, take_forecast
from tests.agronomy.printed import printed
from tests.core.gardens import LISBON, a_forecast, a_site, a_zone

DAY = date(2026, 7, 15)
DEEP = a_zone(root_depth_m=1.0)
START = local_midnight(DAY, LISBON)


def seen(
    depletion_mm: float,
    *maxima: float,
    zone: Zone | None = None,
    rain: dict[int, float] | None = None,
    chance: float = 0.9,
    site: Site | None = None,
) -> View:
    """A zone at midnight before a day of that maximum and those after it."""
    site = site or a_site(zone or a_zone(root_depth_m=0.5))
    told = a_forecast(START, list(maxima or (33.0,) * 5), rain=rain)
    hours = tuple(replace(hour, rain_probability=chance if hour.rain_mm else 0.0) for hour in told.hours)
    book = take_forecast(WeatherBook(), Forecast("t", START, hours), site)
    bed: Bed = believed(new_bed(site.zones[0], site, START), depletion_mm, 1.0)
    return view(site, site.zones[0], bed, book, DAY, START)


def owed(need: Need | None) -> float:
    return 0.0 if need is None else need.net_mm


def on_the_edge(look: View | None = None, sd_mm: float = 1.0, holds_sd: float | None = None) -> float:
    """The depletion from which a bed so well known is watered, to a hundredth of a millimetre."""
    look = look or seen(0.0)
    low, high = 0.0, look.available_mm
    while high - low > 0.01:
        middle = (low + high) / 2.0
        dry = replace(look, bed=with_sd(look.bed, middle, sd_mm, holds_sd))
        low, high = (middle, high) if dawn_need(dry) is None else (low, middle)
    return high


def with_sd(bed: Bed, depletion_mm: float, sd_mm: float = 1.0, holds_sd: float | None = None) -> Bed:
    """The bed with so much missing, give or take."""
    bed = believed(bed, depletion_mm, sd_mm)
    if holds_sd is None:
        return bed
    cov = [list(row) for row in bed.estimate.cov]
    cov[2][2] = holds_sd**2
    return replace(bed, estimate=replace(bed.estimate, cov=tuple(map(tuple, cov))))


# The dawn soak ------------------------------------------------------------------------------------


def test_an_ordinary_dawn_waits_until_another_day_would_cost_growth() -> None:
    edge = on_the_edge()
    assert edge > 2.0
    assert dawn_need(seen(edge - 0.1)) is None
    need = dawn_need(seen(edge + 0.1))
    assert need is not None
    assert need.purpose == "dawn soak"
    assert "By dusk" in " ".join(need.reasons)


@pytest.mark.published(source="FAO-56 (1998), eq. 84: Ks falls in a straight line from RAW to TAW, integrated")
def test_a_bed_that_is_surely_known_waits_until_the_day_costs_three_hundredths_of_its_growth() -> None:
    """The triangle under 1 - Ks between RAW and what is missing at dusk, over the day's demand. Ky of a tomato in
    flower is 1.1."""
    look = seen(0.0)
    past_mm = math.sqrt(2.0 * (look.available_mm - look.readily_mm) * WORTH_WAITING * look.demand_mm / 1.1)
    assert look.bears_mm == pytest.approx(look.readily_mm + past_mm)
    assert on_the_edge(look, 1e-3, 1e-4) == pytest.approx(look.bears_mm - look.demand_mm, abs=0.02)


def test_the_less_sure_a_bed_is_the_sooner_it_is_watered() -> None:
    sure = on_the_edge(sd_mm=0.1, holds_sd=0.0)
    assert on_the_edge(sd_mm=5.0, holds_sd=0.0) < sure - 1.0
    assert on_the_edge(sd_mm=0.1, holds_sd=0.4) < sure - 1.0


def test_a_crop_that_ripens_waits_longer_than_one_in_flower() -> None:
    """FAO-33: a tomato's Ky is 1.1 in flower and 0.4 when it ripens; all else is the same here."""
    ages = {"flowering": 80, "ripening": 140}
    look = {stage: seen(0.0, zone=a_zone(root_depth_m=0.5, planted=DAY - timedelta(days=age)))
            for stage, age in ages.items()}
    same = {stage: replace(each, plants=look["flowering"].plants, demand_mm=look["flowering"].demand_mm)
            for stage, each in look.items()}
    assert on_the_edge(same["ripening"]) > on_the_edge(same["flowering"]) + 0.5


def test_the_last_waterings_give_no_more_than_the_harvest_will_use() -> None:
    """What the last days draw, less what may be gone from the ground at their end."""
    def need_before(days: int) -> tuple[View, Need | None]:
        look = seen(20.0, zone=a_zone(root_depth_m=0.5, last_harvest=DAY + timedelta(days=days)))
        return look, dawn_need(look)

    far, full = need_before(60)
    assert far.to_harvest_mm is None
    assert full is not None
    look, need = need_before(1)
    assert look.to_harvest_mm == pytest.approx(look.demand_mm, rel=0.1)
    may_end = LAST_DEPLETION * look.available_mm * (1.0 - look.bed.estimate.holds_sd)
    assert owed(need) == pytest.approx(20.0 + look.demand_mm + (look.to_harvest_mm or 0.0) - may_end)
    assert need is not None
    assert "The last harvest is on 16 July" in " ".join(need.reasons)
    assert need.net_mm < full.net_mm
    _, after = need_before(-3)
    assert owed(after) < owed(need), "a late gardener's plants are kept alive, not filled"


def test_an_ordinary_soak_leaves_a_little_room_for_rain_and_one_before_heat_none() -> None:
    look, hot = seen(14.0), seen(14.0, 33.0, 33.0, 38.0)
    assert owed(dawn_need(look)) == pytest.approx(14.0 - 0.10 * look.readily_mm)
    assert owed(dawn_need(hot)) == pytest.approx(14.0)


def test_heat_ahead_fills_a_bed_that_could_have_waited() -> None:
    early = 0.6 * seen(0.0, zone=DEEP).readily_mm
    assert dawn_need(seen(early, zone=DEEP)) is None
    need = dawn_need(seen(early, 33.0, 33.0, 38.0, zone=DEEP))
    assert need is not None
    assert need.net_mm == pytest.approx(early)
    assert "38 °C on Friday" in " ".join(need.reasons)
    assert dawn_need(seen(early, 33.0, 33.0, 33.0, 38.0, zone=DEEP)) is None, "three days ahead is not yet ahead"


def test_how_many_days_ahead_heat_is_met_is_the_sites_to_say() -> None:
    site = a_site(DEEP, heat=Heat(hot_day_c=35.0, days_before=3))
    early = 0.6 * seen(0.0, zone=DEEP).readily_mm
    assert dawn_need(seen(early, 33.0, 33.0, 33.0, 35.0, site=site)) is not None
    assert dawn_need(seen(early, 33.0, 33.0, 33.0, 33.0, 35.0, site=site)) is None


def test_a_bed_that_is_nearly_full_goes_into_the_heat_as_it_is() -> None:
    nearly = HEAT_FROM * seen(0.0, zone=DEEP).readily_mm
    assert dawn_need(seen(nearly - 0.1, 33.0, 33.0, 38.0, zone=DEEP)) is None
    assert owed(dawn_need(seen(nearly + 0.1, 33.0, 33.0, 38.0, zone=DEEP))) == pytest.approx(nearly + 0.1)


def test_sure_rain_lowers_the_soak_and_unsure_rain_does_not() -> None:
    dry = owed(dawn_need(seen(16.0)))
    assert owed(dawn_need(seen(16.0, rain={0: 3.0}, chance=0.3))) == pytest.approx(dry, rel=0.05)
    sure = dawn_need(seen(16.0, rain={0: 3.0}))
    assert sure is not None
    assert sure.net_mm == pytest.approx(dry - 3.0, rel=0.1)
    assert "3.0 mm of rain is as good as certain" in " ".join(sure.reasons)
    assert dawn_need(seen(16.0, rain={0: 40.0})) is None


def test_a_wrong_guess_of_rain_is_weighed_by_what_it_would_cost_the_zone() -> None:
    """Common practice, no source: a root zone with something left waits for likely rain, a thirsty one for certain."""
    just_past, thirsty = on_the_edge() + 1.0, on_the_edge() + 14.0
    assert dawn_need(seen(just_past, rain={0: 12.0}, chance=0.75)) is None
    assert owed(dawn_need(seen(thirsty, rain={0: 12.0}, chance=0.75))) > thirsty - 3.0
    assert owed(dawn_need(seen(thirsty, rain={0: 12.0}, chance=0.99))) < thirsty - 8.0


def test_seedlings_do_not_wait_for_rain_that_is_only_likely() -> None:
    seedlings = a_zone(root_depth_m=0.5, tender=True)
    edge = on_the_edge()
    assert dawn_need(seen(edge, rain={0: 12.0}, chance=0.8, zone=a_zone(root_depth_m=0.5))) is None
    assert dawn_need(seen(edge, rain={0: 12.0}, chance=0.8, zone=seedlings)) is not None
    assert owed(dawn_need(seen(edge, rain={0: 12.0}, chance=0.97, zone=seedlings))) < 2.0


def test_on_a_hot_day_itself_the_numbers_tell_what_is_due() -> None:
    half = 0.55 * seen(0.0, zone=DEEP).readily_mm
    assert dawn_need(seen(half, 33.0, 38.0, 38.0, zone=DEEP)) is not None, "the day before is for filling"
    assert dawn_need(seen(half, 38.0, 38.0, 38.0, zone=DEEP)) is None, "a bed that lasts the day waits"
    need = dawn_need(seen(14.0, 38.0, 38.0, 38.0))
    assert owed(need) == pytest.approx(14.0), "no room is left for rain"


def test_tender_plants_are_watered_at_half_of_what_others_wait_for() -> None:
    tender = a_zone(root_depth_m=0.5, tender=True)
    edge = on_the_edge()
    assert dawn_need(seen(edge - 0.5)) is None
    need = dawn_need(seen(edge - 0.5, zone=tender))
    assert need is not None
    assert "seedlings are to miss no more than" in " ".join(need.reasons)


def test_what_is_not_worth_a_valve_is_left() -> None:
    shallow = a_zone(root_depth_m=0.1)
    assert dawn_need(seen(0.9, 40.0, zone=shallow)) is None
    assert owed(dawn_need(seen(1.1, 40.0, zone=shallow))) == pytest.approx(1.1)


# The dusk refresh ---------------------------------------------------------------------------------


def test_the_refresh_follows_hot_days_only() -> None:
    readily = seen(0.0, 38.0).readily_mm
    assert dusk_need(seen(0.8 * readily, 36.9)) is None
    need = dusk_need(seen(0.8 * readily, 38.0))
    assert need is not None
    assert need.purpose == "dusk refresh"
    assert "reaches 38 °C" in need.reasons[0]


def test_the_refresh_is_for_beds_that_have_lost_more_than_half_of_what_is_easily_drawn() -> None:
    readily = seen(0.0, 38.0).readily_mm
    assert dusk_need(seen(0.5 * readily, 38.0)) is None
    assert dusk_need(seen(0.5 * readily + 0.1, 38.0)) is not None


def test_the_refresh_is_small() -> None:
    look = seen(25.0, 41.0)
    assert owed(dusk_need(look)) == pytest.approx(0.5 * look.demand_mm)


def test_a_zone_that_wants_no_refresh_gets_none() -> None:
    assert dusk_need(seen(25.0, 41.0, zone=a_zone(root_depth_m=0.5, dusk_refresh=False))) is None


# The day refresh ----------------------------------------------------------------------------------


POTTED = a_zone(root_depth_m=0.3, pots=Pots(12, 30.0))


@pytest.mark.parametrize("zone", [POTTED, a_zone(root_depth_m=0.3, rescue=True)])
def test_pots_and_zones_to_be_rescued_are_refreshed_by_day_when_they_would_not_last(zone: Zone) -> None:
    """From the depletion on from which the day would take them past three quarters of what their roots can reach."""
    edge = RESCUE_AT * seen(0.0, 40.0, zone=zone).available_mm - seen(0.0, 40.0, zone=zone).demand_mm
    assert edge > 2.0
    assert day_need(seen(edge - 0.2, 40.0, zone=zone)) is None
    need = day_need(seen(edge + 0.2, 40.0, zone=zone))
    assert need is not None
    assert need.purpose == "day refresh"
    assert need.net_mm == pytest.approx(edge + 0.2)
    thirsty = seen(25.0, 40.0, zone=zone)
    assert owed(day_need(thirsty)) == pytest.approx(thirsty.demand_mm), "no more than the day will take"


def test_no_other_zone_is_watered_by_day_however_dry() -> None:
    assert day_need(seen(40.0, 44.0)) is None


def test_the_later_the_hour_the_less_a_pot_must_last() -> None:
    look = seen(14.0, 40.0, zone=POTTED)
    assert day_need(look) is not None
    assert day_need(replace(look, left_share=0.1)) is None


# Depths and litres --------------------------------------------------------------------------------


DRINKING = Mulch("bark", 8.0, holds_mm=2.0)


@pytest.mark.parametrize("mulch", [None, DRINKING, Mulch("straw", 6.0, holds_mm=2.0, under_line=True)])
def test_depths_become_litres_and_mulch_over_the_ground_drinks_first(mulch: Mulch | None) -> None:
    zone = a_zone(root_depth_m=0.5, mulch=mulch)
    need = dawn_need(seen(14.0, 40.0, zone=zone))
    assert need is not None
    drinks = 2.0 if mulch is DRINKING else 0.0
    assert need.gross_mm == pytest.approx(need.net_mm / zone.line.efficiency + drinks)
    assert need.litres == pytest.approx(need.gross_mm * zone.area_m2)
    assert any("pull it back" in reason for reason in need.reasons) == (mulch is DRINKING)


def test_the_figures_add_up_to_the_litres() -> None:
    """Everything that is said is said with numbers, and the numbers are those that were used."""
    zone = a_zone(root_depth_m=0.5)
    need = dawn_need(seen(16.0, rain={0: 3.0}, zone=zone))
    assert need is not None
    f = {figure.name: figure.value for figure in need.figures}
    assert f["transpiration"] == pytest.approx(f["Kcb"] * f["ET0"])
    assert f["ETc"] == pytest.approx((f["transpiration"] + f["evaporation"]) * f["learnt demand"])
    held = zone.soil.field_capacity - zone.soil.wilting_point
    assert f["TAW"] == pytest.approx(1000 * held * f["Zr"] * f["Pw"] * f["learnt store"])
    assert f["RAW"] == pytest.approx(f["p"] * f["TAW"])
    assert f["p"] == pytest.approx(max(0.1, CROPS["tomato"].depletion_fraction + 0.04 * (5 - f["transpiration"])))
    assert f["missing by dusk"] == pytest.approx(f["Dr"] + f["ETc"] - f["rain that counts"])
    assert f["room left for rain"] == pytest.approx(0.10 * f["RAW"])
    assert f["net depth"] == pytest.approx(f["Dr"] - f["room left for rain"] - f["rain that counts"] + f["to be sure"])
    assert f["gross depth"] == pytest.approx(f["net depth"] / zone.line.efficiency)
    assert f["water"] == pytest.approx(f["gross depth"] * zone.area_m2) == pytest.approx(need.litres)


@pytest.mark.published(source="FAO-56 (1998), eqs. 82, 83 and note of Table 22, on sand of 75 mm/m and p 0.40")
@pytest.mark.parametrize(
    ("root_m", "etc_mm", "raw_mm"), [(0.2, 5, 6.0), (0.3, 8, 6.3), (0.5, 11, 6.0), (0.7, 14, 5.25), (0.2, 14, 1.5)]
)
def test_shallow_roots_in_sand_pass_what_is_easily_drawn_before_noon_on_the_hottest_days(
    root_m: float, etc_mm: float, raw_mm: float
) -> None:
    """Why a hot day has a dusk refresh at all: what dawn can store is less than the day draws."""
    look = seen(0.0)
    crop = replace(look.zone.crop, depletion_fraction=0.40)
    sand = replace(look.zone.soil, field_capacity=0.115, wilting_point=0.040)
    plain = seen(0.0, zone=replace(look.zone, crop=replace(crop, kcb_ini=1.0, kcb_mid=1.0, kcb_end=1.0)))
    kcb = etc_mm / look.plants.et0_mm - (plain.plants.kcb - 1.0)   # what the climate adds is added again
    crop = replace(crop, kcb_ini=kcb, kcb_mid=kcb, kcb_end=kcb)
    plants = seen(0.0, zone=replace(look.zone, crop=crop, soil=sand, root_depth_m=root_m)).plants
    assert plants.transpiration_mm == pytest.approx(etc_mm)
    assert plants.readily_mm == pytest.approx(raw_mm, abs=0.01)


def test_by_hand_is_what_was_asked() -> None:
    zone = a_zone()
    need = need_by_hand(zone, 5.0, "Asked for by hand.")
    assert (need.gross_mm, need.litres, need.net_mm) == (5.0, 50.0, 5.0 * zone.line.efficiency)
    assert need.reasons == ("Asked for by hand.",)


def test_the_hot_day_that_is_named_is_the_first_one() -> None:
    look = seen(9.0, 33.0, 38.0, 42.0)
    assert look.hot_ahead is not None
    assert look.hot_ahead.day == DAY + timedelta(days=1)


def full_before_heat(net_mm: float, zone: Zone) -> Need:
    """What a zone that misses so much gets before heat, when all of it is given."""
    need = dawn_need(seen(net_mm, 40.0, zone=zone))
    assert need is not None
    return need


@pytest.mark.published(source="FAO-29 rev. 1: LR = ECw / (5 ECe - ECw), drip ECw / (2 max ECe); gross ET / (1 - LR)")
@pytest.mark.parametrize(
    ("fraction", "gross_mm"),
    [
        (0.0, "8.00"),
        (leaching_fraction(1.0, 2.5), "8.76"),
        (leaching_fraction_drip(2.0, SALT_TOLERANCE["tomato"].zero_yield_ds_m), "8.69"),
    ],
)
def test_salt_in_the_water_is_washed_down_with_more_of_it(fraction: float, gross_mm: str) -> None:
    line = Line("dripline", flow_l_min=3.0, rate_mm_h=17.8, efficiency=1.0)
    need = full_before_heat(8.0, a_zone(root_depth_m=0.5, line=line, leaching_fraction=fraction))
    assert need.net_mm == pytest.approx(8.0)
    assert need.gross_mm == printed(gross_mm)
    assert any("water's salt" in reason for reason in need.reasons) == (fraction > 0.0)


@pytest.mark.published(source="computed from Schwartzman & Zur 1986 turned round, sand: 1.83 L at 2 L/h to 0.30 m")
def test_a_watering_ends_where_its_front_would_leave_the_roots() -> None:
    """Roots of 0.24 m and a quarter of slack are 0.30 m; 3 L/min are 90 emitters on 10 m2."""
    line = Line("dripline", flow_l_min=3.0, rate_mm_h=17.8, efficiency=1.0, emitter_flow_l_h=2.0)
    zone = a_zone(root_depth_m=0.24, soil=SOILS["sand"], line=line)
    need = full_before_heat(25.0, zone)
    assert need.net_mm * zone.area_m2 / 90 == printed("1.83")
    assert need.short_mm == pytest.approx(25.0 - need.net_mm)
    assert any("sink below the roots" in reason for reason in need.reasons)
    assert full_before_heat(10.0, zone).short_mm == 0.0
    for free in (replace(zone, line=replace(line, emitter_flow_l_h=None)), replace(zone, pots=Pots(12, 30.0))):
        assert full_before_heat(25.0, free).net_mm == pytest.approx(25.0)


def test_only_ground_that_sheds_water_when_dry_and_is_dry_is_to_be_wetted_first() -> None:
    repellent = a_zone(root_depth_m=0.5, repellent=True)
    total_mm = repellent.soil.total_evaporable_mm

    def dry_top(zone: Zone, share: float) -> bool:
        look = seen(14.0, 40.0, zone=zone)
        need = dawn_need(replace(look, bed=replace(look.bed, top_mm=share * total_mm)))
        assert need is not None
        return need.dry_top

    assert dry_top(repellent, DRY_TOP + 0.01)
    assert not dry_top(repellent, DRY_TOP - 0.01)
    assert not dry_top(replace(repellent, repellent=False), 1.0)


def test_a_bed_with_a_probe_that_is_not_understood_is_surely_filled_now_and_then() -> None:
    look = seen(16.0, 40.0)
    unsure_mm = SURE_FILL_FROM * look.readily_mm
    met = replace(look.bed, estimate=meet(look.bed.estimate, "probe", 0.02))
    riddle = with_sd(met, 16.0, 1.01 * unsure_mm)
    plain_mm = owed(dawn_need(replace(look, bed=with_sd(look.bed, 16.0, 1.01 * unsure_mm))))
    need = dawn_need(replace(look, bed=riddle))
    assert need is not None
    assert need.net_mm == pytest.approx(plain_mm + 2.0 * riddle.sd_mm)
    assert any("surely full" in reason for reason in need.reasons)
    filled = replace(riddle, last_full=riddle.as_of - SURE_FILL_EVERY + timedelta(hours=1))
    assert owed(dawn_need(replace(look, bed=filled))) == pytest.approx(plain_mm)
    long_ago = replace(riddle, last_full=riddle.as_of - SURE_FILL_EVERY)
    assert owed(dawn_need(replace(look, bed=long_ago))) > plain_mm
    known = with_sd(met, 16.0, 0.99 * unsure_mm)
    assert owed(dawn_need(replace(look, bed=known))) == pytest.approx(plain_mm)


def test_a_learnt_demand_and_store_are_in_every_figure() -> None:
    """A bed that draws a fifth more has a fifth more demand; one that holds a tenth more has as much more to draw."""
    look = seen(14.0)
    mean = look.bed.estimate.mean
    taught = replace(look.bed.estimate, mean=(mean[0], math.log(1.2), math.log(1.1)))
    other = view(look.site, look.zone, replace(look.bed, estimate=taught), WeatherBook(), DAY, START)
    plain = view(look.site, look.zone, look.bed, WeatherBook(), DAY, START)
    assert other.demand_mm == pytest.approx(1.2 * plain.demand_mm)
    assert other.readily_mm == pytest.approx(1.1 * plain.readily_mm)
    assert other.available_mm == pytest.approx(1.1 * plain.available_mm)
