"""What a bed has taught and what hands have changed of it, in words; what a job done saves."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from controller.core.estimate import meet, new_estimate
from controller.core.garden import Bed, DayLedger, Garden, Need, Probe
from controller.core.hands import SHADE_UP
from controller.core.moment import Now
from controller.core.need import dawn_need, view
from controller.core.quality import NOISY
from controller.core.site import Sensor
from controller.core.soil import believed
from controller.core.step import new_garden
from controller.core.weather import DayWeather, Measured, WeatherBook
from controller.messages import WeatherView, ZoneView
from controller.report.bed import (
    hands_said,
    hands_then,
    learnt_said,
    place_said,
    saved_by_shade_said,
    saved_said,
    trust_said,
)
from controller.report.explain import explain
from controller.report.page import render_page
from controller.report.views import weather_view, zone_view
from controller.shells.journal import reading
from tests.report.papers import DAWN, DAY, NOON, Paper, a_soak
from tests.report.weeks import demo_site

SITE = demo_site()
SALAD, TOMATOES, HERBS = SITE.zone("salad"), SITE.zone("tomatoes"), SITE.zone("herbs")


def taught(demand: float, holds: float, offset: float) -> Bed:
    """A bed of tomatoes that has taught this much, the factors as logarithms."""
    bed = new_garden(SITE, NOON).beds["tomatoes"]
    met = meet(bed.estimate, "tomatoes-probe", 0.02)
    return replace(bed, estimate=replace(met, mean=(met.mean[0], demand, holds, offset)))


def test_what_was_learnt_is_told_in_plain_words() -> None:
    said = learnt_said(TOMATOES, SITE, taught(0.077, -0.0513, 0.03).estimate)
    assert said == (
        "Learnt of this bed so far: it draws 8 % more than the tables say (× 1.08), holds 5 % less than the tables "
        "say (× 0.95), and tomatoes-probe reads too wet (+0.03 m3/m3), which is allowed for."
    )


def test_a_bed_like_the_tables_says_so() -> None:
    said = learnt_said(TOMATOES, SITE, taught(0.01, -0.01, -0.001).estimate)
    assert said.endswith("draws what the tables say, holds what the tables say, and tomatoes-probe reads true.")


def test_a_bed_without_a_probe_teaches_nothing() -> None:
    assert learnt_said(HERBS, SITE, new_estimate(3.0, 1.0)).startswith("It has no probe")
    assert "has not been heard" in learnt_said(TOMATOES, SITE, new_estimate(3.0, 1.0))


def heard_of(value: float = 0.1, **doubts: Any) -> Garden:
    """The demo's garden with a word of its tomatoes' probe, at noon."""
    garden = new_garden(SITE, NOON)
    probe = Probe(value=value, at=NOON.utc, word="good")
    return replace(garden, probes={**garden.probes, "tomatoes-probe": replace(probe, **doubts)})


def test_trust_is_told_as_a_number_and_why_it_is_low() -> None:
    assert trust_said(SITE, heard_of(), TOMATOES, NOON.utc) == "Trust in its probes, from 0 to 1: tomatoes-probe 1.00."
    later = NOON.utc + timedelta(seconds=SITE.sensor("tomatoes-probe").stale_after_s / 2)
    assert trust_said(SITE, heard_of(), TOMATOES, later) == "Trust in its probes, from 0 to 1: tomatoes-probe 0.80."
    said = trust_said(SITE, heard_of(word="stuck"), TOMATOES, NOON.utc)
    assert said == "Trust in its probes, from 0 to 1: tomatoes-probe 0.00 (it is stuck and not followed)."
    assert trust_said(SITE, heard_of(), HERBS, NOON.utc) is None
    assert "It shows little" not in str(trust_said(SITE, heard_of(faint=0.4), TOMATOES, NOON.utc))
    lies = heard_of(faint=1.0, convicted="backwards", word="backwards")
    assert "It shows little" not in str(trust_said(SITE, lies, TOMATOES, NOON.utc))
    said = trust_said(SITE, heard_of(faint=1.0), TOMATOES, NOON.utc)
    assert said == (
        "Trust in its probes, from 0 to 1: tomatoes-probe 0.50. It shows little of the water that comes and goes; does "
        "it stand where the line wets the ground?"
    )


def test_two_probes_are_trusted_together() -> None:
    site = replace(SITE, sensors=(*SITE.sensors, Sensor("second", "moisture", "tomatoes")))
    garden = heard_of(rough=NOISY)
    garden = replace(garden, probes={**garden.probes, "second": garden.probes["tomatoes-probe"]})
    said = trust_said(site, garden, TOMATOES, NOON.utc)
    assert said == "Trust in its probes, from 0 to 1: tomatoes-probe 0.50, second 0.50; together 0.75."
    shown = zone_view(site, garden, TOMATOES, NOON.utc)
    assert (shown["trust"], shown["trust_together"]) == ({"tomatoes-probe": 0.5, "second": 0.5}, 0.75)
    assert zone_view(site, garden, HERBS, NOON.utc)["trust_together"] is None
    ZoneView.model_validate(shown)


@pytest.mark.parametrize(
    ("warmer", "cooler", "said"),
    [
        (1.44, -0.8, "has days 1.4 °C warmer and nights 0.8 °C cooler than forecast; this is allowed for."),
        (0.1, 0.9, "has nights 0.9 °C warmer than forecast; this is allowed for."),
        (0.1, -0.2, "is as warm as its forecast."),
    ],
)
def test_what_the_place_has_taught_is_told(warmer: float, cooler: float, said: str) -> None:
    book = WeatherBook(bias_max_c=warmer, bias_min_c=cooler)
    assert place_said(SITE, book) == f"By its own thermometer the place {said}"


def test_a_place_without_a_thermometer_has_taught_nothing() -> None:
    site = replace(SITE, sensors=tuple(each for each in SITE.sensors if each.kind != "air temperature"))
    assert place_said(site, WeatherBook(bias_max_c=2.0)) is None


def test_the_weather_topic_shows_what_the_place_has_taught() -> None:
    garden = replace(new_garden(SITE, NOON), weather=WeatherBook(bias_max_c=1.5, bias_min_c=-0.5, excess_heat={9: 40}))
    shown = WeatherView.model_validate(weather_view(SITE, garden, NOON.utc))
    assert shown.learnt is not None
    assert (shown.learnt.tmax_bias_c, shown.learnt.tmin_bias_c, shown.learnt.ehf85_c2) == (1.5, -0.5, 9.0)


def test_the_weather_topic_names_the_class_of_a_heat_wave() -> None:
    site = replace(SITE, heat=replace(SITE.heat, t95_c=26.0, ehf85_c2=20.0))
    past = {
        day: Measured(day, 28.0, 14.0, readings=24, first=at, last=at + timedelta(hours=23))
        for n in range(1, 36)
        for at in [NOON.utc - timedelta(days=n, hours=11)]
        for day in [at.date()]
    }
    ahead = {
        day: DayWeather(day, 41.0 if n in (1, 2, 3) else 30.0, 20.0, "forecast")
        for n in range(12)
        for day in [NOON.utc.date() + timedelta(days=n)]
    }
    garden = replace(new_garden(site, NOON), weather=WeatherBook(ahead, past, "invented", NOON.utc))
    shown = WeatherView.model_validate(weather_view(site, garden, NOON.utc))
    # Three days of 30.5 degC: 4.5 over T95, and 9.5 or so over the month before.
    assert [spell.severity for spell in shown.spells] == ["severe"]
    assert shown.spells[0].ehf_c2 == pytest.approx(4.5 * 9.5, rel=0.05)
    assert shown.said == "Heat from Tuesday to Thursday, up to 41 °C; a severe heat wave for the place."


def test_page_and_why_tell_trust_and_place(tmp_path: Path) -> None:
    paper = Paper(tmp_path)
    paper.plan(DAWN, a_soak("tomatoes"))
    with reading(paper.done()) as reader:
        told = " ".join(explain(SITE, reader, TOMATOES, DAY).sentences)
        page = render_page(SITE, heard_of(), reader, NOON)
    assert "Trust in its probes, from 0 to 1: tomatoes-probe 0.00 (it has not been heard yet)." in told
    assert "By its own thermometer the place is as warm as its forecast." in told
    assert "tomatoes-probe 1.00" in page.replace("\N{NO-BREAK SPACE}", " ")
    assert "By its own thermometer the place" in page.replace("\N{NO-BREAK SPACE}", " ")


# Hands ----------------------------------------------------------------------------------------------


def since(paper: Paper, zone: str, until: datetime = NOON.utc) -> list[str]:
    with reading(paper.done()) as reader:
        return hands_said(SITE, hands_then(reader, SITE.zone(zone), until))


def done(paper: Paper, job: str, at: datetime) -> Paper:
    """The note that the core writes of a job reported done for the whole garden."""
    return paper.note("job", f"Done: {job}.", None, at, job=job)


UP = "Its shade is up since the job was reported done (Sunday 12 July, 18:40)."
EVENING = datetime(2026, 7, 12, 17, 40, tzinfo=UTC)  # 18:40 in Lisbon


def test_shade_is_up_since_its_job_was_reported_done(tmp_path: Path) -> None:
    assert since(done(Paper(tmp_path), "shade", EVENING), "salad") == [UP]


def test_it_means_nothing_where_no_cloth_is_put_up_by_hand(tmp_path: Path) -> None:
    assert since(done(Paper(tmp_path), "shade", EVENING), "tomatoes") == []


def test_it_was_not_up_before_and_is_not_after_it_was_taken_off(tmp_path: Path) -> None:
    paper = done(done(Paper(tmp_path), "shade", EVENING), "shade-off", DAWN)
    with reading(paper.done()) as reader:
        assert hands_then(reader, SALAD, EVENING) == {}
        assert hands_then(reader, SALAD, DAWN) == {SHADE_UP: EVENING}
        assert hands_then(reader, SALAD, NOON.utc) == {}


def test_mulch_pulled_back_is_for_one_watering(tmp_path: Path) -> None:
    soak = a_soak("tomatoes")
    paper = done(Paper(tmp_path), "mulch-back-2026-07-13", EVENING).give(soak.pulses[0], 50.0)
    with reading(paper.done()) as reader:
        assert "pulled back" in hands_said(SITE, hands_then(reader, TOMATOES, DAWN))[0]
        assert hands_then(reader, TOMATOES, NOON.utc) == {}


# Shade ----------------------------------------------------------------------------------------------


def shaded(hands: tuple[str, ...]) -> tuple[Bed, WeatherBook]:
    bed = replace(believed(new_garden(SITE, NOON).beds["salad"], 8.0, 1.0), hands=hands)
    hot = {
        DAY + timedelta(days=n): DayWeather(DAY + timedelta(days=n), 39.0, 21.0, "forecast", solar_mj_m2=28.0)
        for n in range(4)
    }
    return bed, WeatherBook(forecast=hot)


def need_under(hands: tuple[str, ...]) -> tuple[Need, dict[str, float]]:
    """What the same bed needs on the same hot day; and its figures."""
    bed, book = shaded(hands)
    need = dawn_need(view(SITE, SALAD, bed, book, DAY, NOON.utc))
    assert need is not None
    return need, {figure.name: figure.value for figure in need.figures}


def test_what_the_shade_saves_is_the_difference_to_the_open() -> None:
    bare, in_the_open = need_under(())
    covered, under = need_under((SHADE_UP,))
    [said] = saved_by_shade_said(SALAD, covered, [SHADE_UP])
    saved_mm = in_the_open["transpiration"] - under["transpiration"]
    # 8 m2, and 0.90 of the line's water reaches the roots
    assert f"takes 50 % of the sun and so saves {saved_mm:.1f} mm or more that day: {saved_mm * 8 / 0.9:.0f} L" in said
    assert said.startswith("The shade that you put up")
    assert 0.0 < saved_mm <= in_the_open["ETc"] - under["ETc"]
    assert saved_by_shade_said(SALAD, bare, []) == []


def test_why_says_that_shade_is_up_and_what_it_saves(tmp_path: Path) -> None:
    soak = a_soak(et0_how="invented; under 50% shade (in the open 10.0)")
    path = done(Paper(tmp_path), "shade", EVENING).plan(DAWN, soak).give(soak.pulses[0], 100.0).done()
    with reading(path) as reader:
        told = explain(SITE, reader, SALAD, DAY)
    assert UP in told.sentences
    # 6.0 mm under 8.0 of ET0 would be 7.5 mm under 10.0; on 8 m2 by a line of 0.90
    saved = "takes 50 % of the sun and so saves 1.5 mm or more that day: 13 L less to give."
    assert f"The shade that you put up {saved}" in told.decisions[0].sentences


def test_why_says_what_jobs_done_have_saved_that_day_and_since(tmp_path: Path) -> None:
    """From the ledgers that the balance wrote, over 8 m2 by a line of which 0.90 reaches the roots."""
    day_before = DayLedger(DAY - timedelta(days=1), shade_spared_mm=1.8, mulch_spared_mm=0.9)
    today = DayLedger(DAY, shade_spared_mm=2.7)
    paper = Paper(tmp_path)
    paper.journal.day("salad", day_before.day, day_before)
    with reading(paper.done()) as reader:
        shade, mulch = saved_said(SITE, reader, SALAD, today, {SHADE_UP: EVENING})
        nothing = saved_said(SITE, reader, SALAD, DayLedger(DAY), {})
    assert shade == "Shade and moved pots saved 2.7 mm that day: 24 L; since Sunday 12 July 4.5 mm: 40 L."
    assert mulch == "Mulch laid or pulled back saved nothing that day; since Sunday 12 July 0.9 mm: 8.0 L."
    assert nothing == []


def test_what_would_sink_too_deep_is_a_line_of_the_sum(tmp_path: Path) -> None:
    path = Paper(tmp_path).plan(DAWN, a_soak(short_mm=2.0, below_mm=3.0)).done()
    with reading(path) as reader:
        [soak] = explain(SITE, reader, SALAD, DAY).decisions
    value = {step.name: step.value for step in soak.steps}
    assert value["below the roots"] == pytest.approx(3.0)
    assert value["held back"] == pytest.approx(2.0)


# Full -----------------------------------------------------------------------------------------------


def overfull() -> Bed:
    """A bed with water above field capacity, still on its way down."""
    return believed(new_garden(SITE, NOON).beds["tomatoes"], -2.0, 0.5)


def test_more_than_full_is_full_on_the_wire() -> None:
    garden = new_garden(SITE, NOON)
    view_of = zone_view(SITE, replace(garden, beds={**garden.beds, "tomatoes": overfull()}), TOMATOES, NOON.utc)
    assert view_of["depletion_mm"] == 0.0
    assert view_of["moisture_m3_m3"] > TOMATOES.soil.field_capacity


def test_more_than_full_is_full_for_people(tmp_path: Path) -> None:
    path = Paper(tmp_path).done(depletion_mm=-2.0)
    with reading(path) as reader:
        told = explain(SITE, reader, TOMATOES, DAY)
        last = reader.garden()
        assert last is not None
        page = render_page(SITE, last[0], reader, Now(0.0, last[1]))
    assert "Full: " in page
    assert not re.search(r"[-−]\d+(\.\d+)?(\s|&nbsp;|\u00a0)mm", page)
    # It lost 3 mm today, and is 2 mm over still: it began 5 mm over.
    ledger = next(sentence for sentence in told.sentences if sentence.startswith("The day's ledger:"))
    assert "The bed began full and ended full." in ledger
    dr = next(step for step in told.steps if step.name == "Dr")
    assert dr.value == pytest.approx(-5.0)
    assert dr.shown == "0.0 mm"
