"""What the gardener is asked to do, when, for which plants and in which words."""

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest

from controller.core.garden import Garden
from controller.core.job import Job
from controller.core.jobs import jobs
from controller.core.moment import Now, local_date, local_midnight
from controller.core.plan import sunset_of
from controller.core.site import Mulch, Pots, Site
from controller.core.step import new_garden
from controller.core.weather import DayWeather, WeatherBook
from controller.words import Words
from tests.core.gardens import LISBON, a_site, a_zone

MONDAY = date(2026, 7, 6)
SITE = a_site(
    a_zone("tomatoes", tall=True, mulch=Mulch("straw", 8.0)),
    a_zone("salad", tender=True),
    a_zone("pots", pots=Pots(12, 30.0)),
    a_zone("beans", mulch=Mulch("bark", 8.0, holds_mm=2.0)),
)


def at(day: date, hour: int = 8) -> datetime:
    return local_midnight(day, LISBON) + timedelta(hours=hour)


def garden(*maxima: float, first: date = MONDAY, done: dict[str, datetime] | None = None) -> Garden:
    days = {}
    for n, tmax_c in enumerate(maxima):
        day = first + timedelta(days=n)
        days[day] = DayWeather(day, tmax_c, tmax_c - 14.0, "forecast")
    book = WeatherBook(forecast=days, source="test", issued=at(first))
    return replace(new_garden(SITE, Now(1.0, at(first))), weather=book, jobs_done=done or {})


def asked(garden: Garden, day: date, hour: int = 8, site: Site = SITE) -> dict[str, Job]:
    """The jobs of a day that are neither done nor over, by the first word of their id."""
    now = at(day, hour)
    found = [job for job in jobs(site, garden, now) if job.state(now) == "open"]
    return {job.id.removesuffix(f"-{local_date(job.due_until, LISBON)}"): job for job in found}


def on(n: int) -> date:
    return MONDAY + timedelta(days=n)


def what(job: Job) -> str:
    return Words(SITE).say(job.what)


def why(job: Job) -> str:
    return Words(SITE).say(job.why)


# The trade's own case: 37 degC for two days, 26 degC and less on both sides. Common practice, no source.

OWN_CASE = garden(25, 26, 25, 26, 37, 37, 26, 25, 24, 26, 25, 26, 25, 26)


def test_planting_is_stopped_before_two_hot_days_and_the_text_says_when_it_may_begin_again() -> None:
    for day in (2, 3, 4, 5):
        job = asked(OWN_CASE, on(day))["no-planting"]
        assert what(job) == "Stop planting and transplanting."
        assert "up to 37 °C from Friday 10 to Saturday 11 July" in why(job)
        assert "Monday 13 July is the first day with 26 °C or less around it" in why(job)
    assert asked(OWN_CASE, on(4))["no-planting"].due_until == at(on(7), 6)


def test_planting_is_allowed_again_between_mild_days_and_the_text_says_so() -> None:
    for day in (6, 7):
        found = asked(OWN_CASE, on(day))
        assert "no-planting" not in found
        again = found["plant-again"]
        assert what(again) == "Planting may begin again on Monday 13 July."
        assert "both sides stay at 26 °C or less" in why(again)
        assert again.due_from == at(on(7), 6)


def test_days_that_are_hardly_going_to_be_hot_ask_for_nothing() -> None:
    """Two days ahead a forecast is off by 1.6 K (standard deviation): 35 °C is a chance of one in nine."""
    assert jobs(SITE, garden(*[35.0] * 14), at(on(0))) == []


def test_a_day_that_may_well_be_hot_asks_for_shade_and_says_how_likely_it_is() -> None:
    job = asked(garden(30, 30, 36, 30, 30, 30, 30), on(0))["shade"]
    assert "Perhaps 37 °C on Wednesday 8 July (a chance of 27 %)" in why(job)
    assert "shade" not in asked(garden(30, 30, 30, 36, 30, 30, 30), on(0)), "three days ahead there is time to wait"


def test_where_heat_is_sure_to_follow_a_small_chance_of_its_coming_a_day_sooner_is_enough() -> None:
    """35 °C two days ahead is a chance of one in nine of 37 °C. By itself that is too little; before a day of 42 °C the
    cloth has to go up anyway, and a day too soon costs little."""
    assert "shade" not in asked(garden(30, 30, 35, 30, 30, 30, 30), on(0), 20)
    assert "from Wednesday 8 to Thursday 9 July" in why(asked(garden(30, 30, 35, 42, 30, 30, 30), on(0), 20)["shade"])
    assert "on Thursday 9 July" in why(asked(garden(30, 30, 33, 42, 30, 30, 30), on(0), 20)["shade"])


def test_heat_seen_only_after_the_sunset_before_it_still_asks_for_shade_until_the_next_morning() -> None:
    """In autumn it is dark when the message of the day is written."""
    dark = sunset_of(SITE, on(0)) + timedelta(minutes=30)
    found = {job.id: job for job in jobs(SITE, garden(30, 40, 40, 30, 30, 30), dark)}
    assert found["shade"].state(dark) == found["pots"].state(dark) == "open"
    assert found["shade"].due_until == at(on(1), 11)
    over = sunset_of(SITE, on(2)) + timedelta(minutes=30)
    found = {job.id: job for job in jobs(SITE, garden(30, 40, 40, 30, 30, 30), over)}
    assert found["shade"].state(over) == "expired", "the last of its heat is past"


def test_warm_days_after_the_heat_do_not_open_the_planting() -> None:
    warm = garden(25, 26, 25, 26, 37, 37, 30, 30, 30, 30, 30, 30, 30, 30)
    assert "No day in sight has 26 °C or less before and after it." in why(asked(warm, on(4))["no-planting"])
    assert "plant-again" not in asked(warm, on(6))


# Before, during, after ----------------------------------------------------------------------------


LONG = garden(30, 31, 32, 33, 38, 40, 39, 33, 30, 29, 29, 29, 29, 29)


def test_before_heat_each_job_names_its_plants_and_is_due_by_the_eve() -> None:
    found = asked(LONG, on(3))
    assert {"no-planting", "no-pruning", "harvest", "mulch", "stake", "shade", "pots"} <= set(found)
    assert found["mulch"].zones == ("salad",), "the others have eight centimetres, and pots are not mulched"
    assert found["stake"].zones == ("tomatoes",)
    assert found["pots"].zones == ("pots",)
    assert found["shade"].zones == ("salad", "beans")
    assert what(found["shade"]) == "Shade salad first, then beans."
    assert "salad" not in found["harvest"].zones
    for name in ("harvest", "mulch", "stake", "shade", "pots"):
        assert found[name].stage == ("eve" if name in ("shade", "pots") else "before")
        assert found[name].due_until == sunset_of(SITE, on(3))
        assert found[name].minutes > 0.0
        assert found[name].due_from == (at(on(2), 12) if name in ("shade", "pots") else at(on(1), 0))
        full = "Up to 40 °C from Friday 10 to Sunday 12 July:" if name == "shade" else "Up to 40 °C from Friday on."
        assert full in why(found[name])


def test_mulch_that_drinks_is_pulled_back_for_each_soak() -> None:
    eve, next_eve = asked(LONG, on(3), 18), asked(LONG, on(4), 18)
    ids = [next(job.id for job in found.values() if job.id.startswith("mulch-back")) for found in (eve, next_eve)]
    assert ids == ["mulch-back-2026-07-10", "mulch-back-2026-07-11"]


def test_in_the_heat_plants_are_looked_at_after_sunset_and_not_at_noon() -> None:
    found = asked(LONG, on(5), 18)
    look = next(job for job in found.values() if job.id.startswith("look-at-dusk"))
    assert (look.stage, look.zones[0]) == ("during", "salad")
    assert look.due_from == sunset_of(SITE, on(5))
    assert not {"harvest", "mulch", "stake"} & set(found), "too late for these"


def test_heat_that_nobody_foresaw_still_gets_its_shade() -> None:
    assert {"shade", "pots"} <= set(asked(LONG, on(4)))


def test_after_the_heat_shade_comes_off_and_every_zone_is_walked_past() -> None:
    found = asked(LONG, on(7))
    assert {"shade-off", "check-zones"} <= set(found)
    assert not {"shade", "pots", "no-planting", "no-pruning"} & set(found)
    assert asked(LONG, on(10)) == {}


def test_a_new_spell_so_near_keeps_the_shade_up_and_asks_for_its_own_jobs() -> None:
    twice = garden(30, 31, 32, 33, 38, 38, 33, 33, 38, 38, 30, 30, 30, 30)
    found = asked(twice, on(6))
    assert "shade-off" not in found
    assert "Tuesday 14 to Wednesday 15 July" in why(found["shade"])


def test_a_far_one_waits_until_the_last_is_cleared_up() -> None:
    twice = garden(38, 38, 33, 33, 33, 33, 33, 38, 38, 30)
    assert "shade-off" in asked(twice, on(2))
    assert "shade" in asked(twice, on(4))


# Done ---------------------------------------------------------------------------------------------


def test_a_job_done_is_marked_and_stays_done_for_its_spell() -> None:
    told = replace(LONG, jobs_done={"shade": at(on(2), 10)})
    for day in range(2, 7):
        marked = {job.id: job for job in jobs(SITE, told, at(on(day)))}
        assert marked["shade"].done == at(on(2), 10)
        assert marked["pots"].done is None


def test_it_stays_done_when_the_forecast_moves_the_spell_by_a_day() -> None:
    told = replace(garden(30, 31, 32, 38, 38, 40, 39, 38, 30, 29), jobs_done={"shade": at(on(1), 10)})
    assert "shade" not in asked(told, on(2))


@pytest.mark.parametrize("gap", [1, 2, 4, 9])
def test_it_comes_back_for_the_next_spell(gap: int) -> None:
    maxima = [30, 31, 32, 38, 38, *[33] * gap, 38, 38, 30, 30, 30, 30, 30]
    second = 5 + gap
    done = {name: at(on(3), 9) for name in ("no-planting", "shade", "pots", "harvest")}
    done |= {name: at(on(5), 9) for name in ("shade-off", "check-zones")}
    told = garden(*maxima, done=done)
    assert "shade" not in asked(told, on(4))
    before = asked(told, on(second - 1))
    assert {"no-planting", "shade", "pots", "harvest"} <= set(before)
    after = asked(told, on(second + 2))
    assert {"shade-off", "check-zones"} <= set(after)


def test_a_long_spell_does_not_ask_again_for_what_was_done_before_it() -> None:
    told = garden(30, 30, *[39] * 16, 30, 30, done={"shade": at(on(1), 9), "pots": at(on(1), 9)})
    for day in range(2, 18):
        assert not {"shade", "pots"} & set(asked(told, on(day)))


def test_the_most_pressing_comes_first() -> None:
    order = [job.due_until for job in jobs(SITE, LONG, at(on(3)))]
    assert order == sorted(order)


def test_where_the_config_names_the_season_its_end_and_begin_bring_their_jobs() -> None:
    site = replace(SITE, watering=replace(SITE.watering, season=((4, 1), (10, 15))))
    ids = {day: set(asked(garden(20.0, first=day), day, site=site)) for day in (
        date(2026, 10, 15), date(2026, 10, 16), date(2026, 11, 20), date(2027, 3, 17), date(2027, 3, 18)
    )}  # fmt: skip
    assert [any(name.startswith("winter") for name in found) for found in ids.values()] == [
        False, True, False, False, False
    ]
    assert [any(name.startswith("valves") for name in found) for found in ids.values()] == [
        False, False, False, False, True
    ]


def test_drained_lines_are_not_drained_for_each_frost_again() -> None:
    site = replace(SITE, watering=replace(SITE.watering, season=((4, 1), (10, 15))))
    day = date(2026, 12, 10)
    cold = garden(10.0, first=day)
    assert any(name.startswith("frost") for name in asked(cold, day, site=site))
    drained = replace(cold, jobs_done={"winter-2026": at(date(2026, 10, 20))})
    assert not any(name.startswith("frost") for name in asked(drained, day, site=site))
    assert any(name.startswith("frost") for name in asked(drained, day)), "a garden in season has water in its lines"
