"""The balance of a bed: nothing made, nothing lost, rain once, and probes believed as far as they deserve."""

import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.agronomy.crop import CROPS
from controller.agronomy.reference_et import ReferenceEt, saturation_kpa
from controller.agronomy.soil import SOILS
from controller.core import plants as plants_module
from controller.core.estimate import HOLDS_SD
from controller.core.forecast import Forecast, Hour
from controller.core.garden import Bed, DayLedger, Probe
from controller.core.hands import MULCH_BACK
from controller.core.moment import local_midnight
from controller.core.plants import plants_on
from controller.core.site import Mulch, Sensor, Site, Zone
from controller.core.soil import (
    advance,
    believed,
    day_demand_mm,
    drain_days,
    expected_rain_mm,
    holds_at_first,
    new_bed,
    notice,
    rain_on,
    rain_to_come_mm,
    wet,
)
from controller.core.weather import DayWeather, WeatherBook, take_forecast
from tests.core.gardens import LISBON, a_forecast, a_site, a_zone

JULY_15 = date(2026, 7, 15)
START = local_midnight(JULY_15, LISBON)
HOUR = timedelta(hours=1)
ZONE = a_zone(root_depth_m=0.4)
SITE = a_site(ZONE)
BOOK = take_forecast(WeatherBook(), a_forecast(START, [33.0] * 12), SITE)
MILD = take_forecast(WeatherBook(), a_forecast(START, [24.0] * 3), SITE)
PLANTS = plants_on(ZONE, SITE, BOOK, JULY_15, START)
PROBE = Sensor("probe", "moisture", "tomatoes", sd=0.02)


def a_bed(depletion_mm: float = 8.0, sd_mm: float = 3.0, site: Site = SITE) -> Bed:
    return believed(new_bed(site.zones[0], site, START), depletion_mm, sd_mm)


def lived(bed: Bed, hours: float, book: WeatherBook = BOOK, site: Site = SITE, now: datetime | None = None) -> Bed:
    until = bed.as_of + hours * HOUR
    return advance(bed, site.zones[0], site, book, until, until if now is None else now)


def flows(ledger: DayLedger) -> float:
    """What a day's ledger says the depletion has changed by."""
    taken = ledger.used_mm + ledger.drained_mm + ledger.corrected_mm
    return taken - ledger.rain_mm - ledger.irrigation_net_mm


# The balance --------------------------------------------------------------------------------------


happenings = st.lists(
    st.tuples(st.sampled_from(["live", "water", "rain", "read"]), st.floats(0.0, 30.0, allow_nan=False)), max_size=40
)


@settings(deadline=None, max_examples=80)
@given(happenings)
def test_no_water_is_made_or_lost(history: list[tuple[str, float]]) -> None:
    bed, probe, whole = a_bed(), Probe(), 0.0
    first = bed.depletion_mm
    for what, size in history:
        if what == "live":
            for _ in range(6):
                before = bed.today.day
                bed = lived(bed, size / 6)
                if bed.today.day != before:
                    assert bed.yesterday is not None
                    whole += flows(bed.yesterday)
        elif what == "water":
            bed = wet(bed, ZONE, size, bed.as_of)
        elif what == "rain":
            bed = rain_on(bed, size)
        else:
            probe = replace(probe, value=0.05 + size / 300.0, at=bed.as_of, same_since=bed.as_of)
            bed, probe = notice(bed, probe, PROBE, ZONE, SITE, BOOK, bed.as_of)
        assert bed.depletion_mm <= PLANTS.available_mm * bed.estimate.holds_factor + 1e-9
        assert bed.sd_mm >= 0.0
        assert min(bed.today.used_mm, bed.today.drained_mm) >= 0.0
        assert 0.0 <= bed.top_mm <= ZONE.soil.total_evaporable_mm + 1e-9
    assert bed.depletion_mm == pytest.approx(first + whole + flows(bed.today), abs=1e-9)


def test_depletion_beyond_what_shrunken_roots_can_hold_is_booked_and_not_made() -> None:
    deep = a_bed(depletion_mm=30.0)
    shallow = a_site(a_zone(root_depth_m=0.2))
    after = lived(deep, 14.0, site=shallow)
    available = plants_on(shallow.zones[0], shallow, BOOK, JULY_15, START).available_mm
    assert after.depletion_mm <= available < 30.0
    assert after.depletion_mm == pytest.approx(30.0 + flows(after.today), abs=1e-9)
    assert after.today.corrected_mm < 0.0


@pytest.mark.parametrize("come", ["water", "rain"])
def test_what_is_above_field_capacity_stays_at_first_and_drains_in_its_own_time(come: str) -> None:
    """At night, so that nothing is drawn: after four hours what e^(-t/T) leaves. In two days next to all is gone."""
    bed = wet(a_bed(5.0, 0.1), ZONE, 20.0, START) if come == "water" else rain_on(a_bed(5.0, 0.1), 20.0)
    assert (bed.depletion_mm, bed.today.drained_mm) == (-15.0, 0.0)
    bed = believed(bed, -15.0, 0.1)
    night = lived(bed, 4.0)
    assert night.depletion_mm == pytest.approx(-15.0 * math.exp(-4.0 / 24.0 / drain_days(ZONE)))
    assert night.today.drained_mm == pytest.approx(15.0 + night.depletion_mm)
    next_day = lived(night, 40.0)
    assert next_day.yesterday is not None
    assert 5.0 < next_day.yesterday.drained_mm + next_day.today.drained_mm < 15.0
    assert next_day.depletion_mm > -1.0


def test_the_coarser_the_soil_the_sooner_it_has_drained() -> None:
    """Half a day in sand, a day or two in loam: the curves of Carsel & Parrish as `drain_days` has them."""
    textures = ("sand", "loamy sand", "sandy loam", "loam", "clay")
    days = [drain_days(a_zone(soil=SOILS[name])) for name in textures]
    assert days == sorted(days)
    assert days[0] == 0.5
    assert 1.0 < days[3] <= 2.0


def test_mulch_over_the_line_keeps_the_first_of_a_watering_and_no_more() -> None:
    """2 mm of the gross depth once, however many pulses; not when it was pulled back; never with the line under it."""
    straw = Mulch("straw", 6.0, holds_mm=2.0)
    over, under = a_zone(mulch=straw), a_zone(mulch=replace(straw, under_line=True))
    kept_mm = 2.0 * over.line.efficiency

    def given(zone: Zone, bed: Bed, pulses: int = 3) -> float:
        for n in range(pulses):
            bed = wet(bed, zone, 3.0, START + n * HOUR)
        return bed.today.irrigation_net_mm

    assert given(over, a_bed()) == pytest.approx(9.0 - kept_mm)
    assert given(over, replace(a_bed(), hands=(MULCH_BACK,))) == 9.0
    assert given(under, a_bed()) == 9.0
    assert given(over, replace(a_bed(), last_wetted=START - HOUR)) == 9.0
    assert given(over, replace(a_bed(), last_wetted=START - 12 * HOUR)) == pytest.approx(9.0 - kept_mm)
    assert wet(a_bed(), over, 1.0, START).depletion_mm == a_bed().depletion_mm, "too little to get through"


def test_a_night_draws_nothing_and_a_day_its_whole_demand() -> None:
    """Of a bed that is not short, with a dry top: what its plants transpire. A wet top evaporates besides."""
    night = lived(replace(a_bed(1.0), top_mm=ZONE.soil.total_evaporable_mm), 5.0)
    assert night.today.used_mm == 0.0
    evening = lived(night, 17.0)
    assert evening.today.et0_mm == pytest.approx(PLANTS.open_et0_mm)
    assert evening.today.demand_mm == pytest.approx(PLANTS.transpiration_mm)
    assert evening.today.used_mm == pytest.approx(PLANTS.transpiration_mm)
    wet_top = lived(replace(a_bed(1.0), top_mm=0.0), 22.0)
    assert PLANTS.transpiration_mm < wet_top.today.demand_mm <= PLANTS.kc_max * PLANTS.et0_mm + 1e-9


@pytest.mark.parametrize("top_mm", [0.0, 4.0, 8.0, 11.5])
def test_the_demand_foretold_for_a_day_is_what_the_day_draws(top_mm: float) -> None:
    """But for the top layer, which dries as the day goes on: a little less is drawn than foretold, never more."""
    bed = replace(a_bed(0.0), top_mm=top_mm)
    foretold_mm = day_demand_mm(bed, ZONE, PLANTS)
    assert foretold_mm - 0.4 <= lived(bed, 22.0).today.demand_mm <= foretold_mm + 1e-9


@pytest.mark.parametrize(("top_mm", "within_mm"), [(ZONE.soil.total_evaporable_mm, 1e-6), (0.0, 0.05), (6.0, 0.05)])
def test_the_size_of_the_steps_does_not_matter_to_a_bed_that_is_not_short(top_mm: float, within_mm: float) -> None:
    """Exactly, but for the evaporation of a top layer that dries meanwhile: there within 0.05 mm a day. Of a mild day
    and a bed that is surely neither short nor too wet, whose corners are another matter."""
    once = lived(replace(a_bed(2.0, 0.1), top_mm=top_mm), 22.0, MILD)
    often = replace(a_bed(2.0, 0.1), top_mm=top_mm)
    for _ in range(220):
        often = lived(often, 0.1, MILD)
    assert often.depletion_mm == pytest.approx(once.depletion_mm, abs=within_mm)
    assert often.sd_mm == pytest.approx(once.sd_mm, rel=0.05)


def test_a_bed_that_is_asked_about_the_past_stays_as_it_is() -> None:
    bed = a_bed()
    assert advance(bed, ZONE, SITE, BOOK, START - HOUR, START) == bed


@pytest.mark.published(
    source="FAO-56 (1998), Example 37: tomato, TAW 160, p 0.40, ETo 5, Kc 1.2, depletion at the end of days 1 to 10"
)
def test_the_handbooks_ten_days_without_rain(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page takes a day's stress from the evening before; here it follows through the day, so a little less is
    drawn on each: up to 0.9 mm of 50 by the tenth day.

    The page has one coefficient for plant and ground: here it is the plant's, over ground that is dry on top. Wind and
    humidity are those for which the coefficient needs no moving.
    """
    printed = [61.0, 67.0, 72.8, 78.3, 83.4, 88.2, 92.6, 96.9, 100.8, 104.5]
    monkeypatch.setattr(plants_module, "et0_of", lambda *_: ReferenceEt(5.0, "Hargreaves", ()))
    crop = replace(CROPS["tomato"], kcb_ini=1.2, kcb_mid=1.2, kcb_end=1.2, depletion_fraction=0.44)   # 0.40 at 6 mm
    ground = replace(SOILS["loamy sand"], field_capacity=0.26, wilting_point=0.10)
    zone = a_zone(crop=crop, soil=ground, root_depth_m=1.0)
    site = a_site(zone)
    days = [JULY_15 + timedelta(days=n) for n in range(11)]
    vapour_kpa = 0.45 * saturation_kpa(33.0)
    mean = {day: DayWeather(day, 33.0, 17.0, "forecast", vapour_kpa=vapour_kpa, wind_2m_m_s=2.0) for day in days}
    book = WeatherBook(forecast=mean, issued=START)
    plants = plants_on(zone, site, book, JULY_15, START)
    assert plants.available_mm == pytest.approx(160.0)
    assert plants.fraction == pytest.approx(0.40)
    bed = replace(a_bed(55.0, site=site), top_mm=ground.total_evaporable_mm)
    for day, expected in enumerate(printed):
        bed = advance(bed, zone, site, book, START + (day + 1) * 24 * HOUR, START)
        assert bed.yesterday is not None
        assert bed.depletion_mm == pytest.approx(expected, abs=0.2 if day < 3 else 1.0)
    assert bed.yesterday is not None
    assert bed.yesterday.stress_hours > 10.0


def test_a_bed_nobody_has_told_of_has_lost_a_little_and_is_very_unsure() -> None:
    """A fifth of what it can hold is gone, with no stress yet; the doubt reaches from full to past half."""
    bed = new_bed(ZONE, SITE, START)
    assert bed.depletion_mm == pytest.approx(PLANTS.available_mm / 5)
    assert bed.depletion_mm <= PLANTS.readily_mm
    assert bed.sd_mm >= PLANTS.available_mm / 4
    assert (bed.estimate.demand_factor, bed.estimate.holds_factor, bed.estimate.probes) == (1.0, 1.0, ())


@pytest.mark.parametrize(
    ("capacity", "wilting", "held_mm_m"),
    [
        (0.12, 0.045, 75.0),  # the texture's own: nothing to weigh
        (0.14, 0.055, 80.5),  # a little more than usual: about half way
        (0.10, 0.07, 62.8),  # what little is left of two figures so unsure says little
        (0.26, 0.10, 160.0),  # twice what sand holds: another soil, rich in compost
    ],
)
def test_a_soils_own_figures_and_its_textures_count_by_how_sure_each_is(
    capacity: float, wilting: float, held_mm_m: float
) -> None:
    soil = replace(SOILS["sand"], field_capacity=capacity, wilting_point=wilting)
    holds, unsure = holds_at_first(a_zone(soil=soil))
    assert holds * soil.available_mm_m == pytest.approx(held_mm_m, abs=0.1)
    assert unsure <= HOLDS_SD
    told_sd = 0.1 * math.hypot(capacity, wilting) / (capacity - wilting)
    if held_mm_m not in (75.0, 160.0):
        assert unsure == pytest.approx((told_sd**-2 + HOLDS_SD**-2) ** -0.5)


def test_not_knowing_grows_with_the_days() -> None:
    """From a sure start; how fast is common practice, no source."""
    sds = [lived(a_bed(0.0, 0.1), 24.0 * days).sd_mm for days in range(1, 4)]
    assert sds == sorted(sds)
    assert sds[0] > 0.2


# Rain ---------------------------------------------------------------------------------------------


def rainy(mm: float, chance: float | None = 0.9, day: int = 0) -> WeatherBook:
    hours = [
        Hour(START + n * HOUR, 22.0, 60.0, 2.0, 200.0, mm / 24.0 if n // 24 == day else 0.0, chance)
        for n in range(96)
    ]
    return take_forecast(WeatherBook(), Forecast("t", START, tuple(hours)), SITE)


GAUGED = a_site(ZONE, sensors=(Sensor("rain", "rain"),))


def test_without_a_gauge_the_days_rain_is_credited_once_at_midnight() -> None:
    bed = lived(a_bed(20.0), 23.9, rainy(12.0))
    assert bed.today.rain_mm == 0.0
    bed = lived(bed, 24.0, rainy(12.0))
    assert bed.yesterday is not None
    assert bed.yesterday.rain_mm == pytest.approx(12.0)
    assert bed.today.rain_mm == 0.0


def test_rain_that_was_not_sure_is_not_credited() -> None:
    bed = lived(a_bed(20.0), 24.5, rainy(12.0, 0.5))
    assert bed.yesterday is not None
    assert bed.yesterday.rain_mm == 0.0


def test_with_a_gauge_only_the_gauge_credits_rain_that_is_past() -> None:
    bed = lived(rain_on(lived(a_bed(20.0), 9.0, rainy(12.0), GAUGED), 4.0), 16.0, rainy(12.0), GAUGED)
    assert bed.yesterday is not None
    assert bed.yesterday.rain_mm == 4.0


def test_with_a_gauge_too_the_rain_of_days_ahead_is_foreseen() -> None:
    book = rainy(12.0, day=1)
    foreseen = lived(a_bed(20.0), 49.0, book, GAUGED, now=START)
    assert foreseen.yesterday is not None
    assert foreseen.yesterday.rain_mm == pytest.approx(12.0)


def test_rain_that_has_fallen_into_the_bed_is_not_to_come_any_more() -> None:
    bed = a_bed(20.0)
    assert rain_to_come_mm(bed, GAUGED, rainy(12.0), JULY_15, START) == pytest.approx(12.0)
    assert rain_to_come_mm(rain_on(bed, 4.0), GAUGED, rainy(12.0), JULY_15, START) == pytest.approx(8.0)
    assert rain_to_come_mm(rain_on(bed, 40.0), GAUGED, rainy(12.0), JULY_15, START) == 0.0
    tomorrow = JULY_15 + timedelta(days=1)
    assert rain_to_come_mm(rain_on(bed, 4.0), GAUGED, rainy(12.0, day=1), tomorrow, START) == pytest.approx(12.0)


@pytest.mark.published(source="FAO-56 (1998), chapter 8: rain under 0.2 ETo is ignored")
def test_a_sprinkle_does_not_count() -> None:
    day = DayWeather(JULY_15, 30.0, 15.0, "forecast", rain_mm=1.0, rain_probability=1.0)
    assert expected_rain_mm(day, 5.1, 0.7) == 0.0
    assert expected_rain_mm(day, 5.0, 0.7) == 1.0


@pytest.mark.parametrize(
    ("mm", "chance", "counted"), [(9.0, 0.69, 0.0), (9.0, 0.7, 9.0), (9.0, None, 9.0), (None, 1.0, 0.0)]
)
def test_only_rain_as_good_as_certain_counts(mm: float | None, chance: float | None, counted: float) -> None:
    day = DayWeather(JULY_15, 30.0, 15.0, "measured", rain_mm=mm, rain_probability=chance)
    assert expected_rain_mm(day, 5.0, 0.7) == counted


# Probes -------------------------------------------------------------------------------------------


def moisture(depletion_mm: float) -> float:
    """What a perfect probe reads at a depletion."""
    return ZONE.soil.field_capacity - depletion_mm / 400.0


def told(bed: Bed, depletion_mm: float, probe: Probe | None = None, sensor: Sensor = PROBE) -> tuple[Bed, Probe]:
    value = moisture(depletion_mm)
    probe = replace(probe or Probe(), value=value, at=bed.as_of, same_since=bed.as_of)
    return notice(bed, probe, sensor, ZONE, SITE, BOOK, bed.as_of)


def test_an_unsure_bed_follows_the_probe_and_a_sure_one_hardly() -> None:
    unsure, _ = told(a_bed(4.0, 12.0), 14.0)
    sure, _ = told(a_bed(4.0, 1.5), 14.0)
    assert 4.0 < sure.depletion_mm < 6.0 < 10.0 < unsure.depletion_mm < 14.0
    assert unsure.sd_mm < 12.0


def test_a_sure_probe_moves_the_bed_more_than_an_unsure_one() -> None:
    good, _ = told(a_bed(4.0, 6.0), 14.0, sensor=replace(PROBE, sd=0.005))
    poor, _ = told(a_bed(4.0, 6.0), 14.0, sensor=replace(PROBE, sd=0.05))
    assert 12.0 < good.depletion_mm <= 14.0
    assert 4.0 < poor.depletion_mm < 7.0


def test_a_probe_that_agrees_changes_nothing_but_the_doubt() -> None:
    bed, probe = told(a_bed(8.0, 3.0), 8.0)
    assert bed.depletion_mm == pytest.approx(8.0)
    assert bed.sd_mm < 3.0
    assert probe.word == "good"


def test_sixty_readings_in_an_hour_count_little_more_than_one() -> None:
    once, _ = told(a_bed(4.0, 6.0), 14.0)
    often, probe = a_bed(4.0, 6.0), None
    for minute in range(60):
        often = replace(often, as_of=START + minute * timedelta(minutes=1))
        often, probe = told(often, 14.0, probe)
    assert often.depletion_mm - once.depletion_mm < 0.35 * (14.0 - once.depletion_mm)


def test_a_wild_reading_corrects_nothing_and_one_that_agrees_again_does() -> None:
    bed, probe = told(a_bed(2.0, 0.5), 38.0)
    assert (bed, probe.word) == (a_bed(2.0, 0.5), "doubtful")
    bed, probe = told(bed, 3.0, probe)
    assert probe.word == "good"
    assert bed.depletion_mm > 2.0


def test_a_probe_without_a_word_changes_nothing() -> None:
    assert notice(a_bed(), Probe(), PROBE, ZONE, SITE, BOOK, datetime(2026, 7, 15, tzinfo=UTC)) == (a_bed(), Probe())
