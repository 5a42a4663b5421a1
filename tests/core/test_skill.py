"""What several issues of a forecast say together, and what is learnt of how far they are off."""

import random
from dataclasses import replace
from datetime import date, timedelta

import pytest

from controller.core.heat import guess_on
from controller.core.moment import local_midnight
from controller.core.skill import Guess, Skill, Slip, taught, together
from controller.core.weather import DayWeather, WeatherBook, slips_of, take_days, take_temperature
from tests.core.gardens import LISBON, a_site

DAY = date(2026, 7, 15)


def test_one_issue_alone_is_taken_at_its_word_with_its_own_error() -> None:
    guess = together(Skill(), {2: 36.0})
    assert guess.mean_c == 36.0
    assert guess.sd_c == pytest.approx(1.6)


def test_independent_issues_are_weighed_by_their_variances() -> None:
    """The textbook's inverse-variance mean of 36 (sd 1.3) and 38 (sd 1.6)."""
    guess = together(Skill(shared=0.0), {1: 36.0, 2: 38.0})
    weights = 1 / 1.3**2, 1 / 1.6**2
    assert guess.mean_c == pytest.approx((36.0 * weights[0] + 38.0 * weights[1]) / sum(weights))
    assert guess.sd_c == pytest.approx(sum(weights) ** -0.5)


def test_issues_that_err_alike_say_no_more_than_the_last() -> None:
    guess = together(Skill(shared=1.0), {1: 36.0, 2: 38.0, 3: 40.0})
    assert guess.mean_c == pytest.approx(36.0, abs=0.2)
    assert guess.sd_c == pytest.approx(1.3, abs=0.05)


def test_an_issue_that_was_too_cool_today_is_taken_for_too_cool_about_the_days_after_it() -> None:
    """Two normal variables of correlation r: given the one, the other moves by r of it and keeps 1 - r^2 of its
    variance. Two days apart, r is 0.7^2."""
    for days in (1, 2):
        guess = together(Skill(follows=0.7), {2: 36.0}, {2: Slip(1.5, days)})
        assert guess.mean_c == pytest.approx(36.0 + 0.7**days * 1.5 * 1.6)
        assert guess.sd_c == pytest.approx(1.6 * (1.0 - 0.7 ** (2 * days)) ** 0.5)


def test_the_chance_is_one_half_at_the_mean_and_one_sixth_a_deviation_above() -> None:
    guess = Guess(36.0, 1.5)
    assert guess.chance_of(36.0) == pytest.approx(0.5)
    assert guess.chance_of(37.5) == pytest.approx(0.1587, abs=1e-4)


@pytest.mark.parametrize(("lasting", "scale"), [(0.0, 1.0), (0.5, 1.0), (0.5, 1.5), (0.9, 0.7)])
def test_spread_and_lasting_part_are_learnt_from_the_days(lasting: float, scale: float) -> None:
    """Issues drawn with a known error; after six hundred days both are known to about a tenth."""
    chance, skill = random.Random(f"{lasting} {scale}"), Skill()
    for _ in range(600):
        common = chance.gauss(0.0, 1.0)
        told = {
            ahead: 30.0
            + scale * (1.0 + 0.3 * ahead) * (lasting**0.5 * common + (1.0 - lasting) ** 0.5 * chance.gauss(0.0, 1.0))
            for ahead in range(7)
        }
        skill = taught(skill, told, 30.0)
    assert skill.spread == pytest.approx(scale**2, rel=0.25)
    assert skill.lasting == pytest.approx(lasting, abs=0.1)


@pytest.mark.parametrize("follows", [0.0, 0.4, 0.7])
def test_how_an_issue_errs_from_day_to_day_is_learnt(follows: float) -> None:
    """Errors that run on from day to day in each issue, alike with a known correlation."""
    chance, skill = random.Random(f"follows {follows}"), Skill()
    for _ in range(600):
        before = {ahead: chance.gauss(0.0, 1.0) for ahead in range(7)}
        errors = {n: follows * e + (1.0 - follows**2) ** 0.5 * chance.gauss(0.0, 1.0) for n, e in before.items()}
        told = {n: 30.0 - (1.0 + 0.3 * n) * error for n, error in errors.items()}
        skill = taught(skill, told, 30.0, {n: Slip(error, 1) for n, error in before.items()})
    assert skill.along(1) == pytest.approx(follows, abs=0.1)
    assert skill.along(2) == pytest.approx(skill.along(1) ** 2)


def test_a_place_that_tops_its_forecast_is_known_to_after_a_season() -> None:
    chance, skill = random.Random("warm"), Skill()
    for _ in range(150):
        skill = taught(skill, {n: 30.0 + (1.0 + 0.3 * n) * chance.gauss(0.0, 1.0) for n in range(7)}, 32.0)
    assert skill.bias_c == pytest.approx(2.0, abs=0.4)
    assert together(skill, {0: 35.0}).mean_c == pytest.approx(35.0 + skill.bias_c)


def test_nothing_told_teaches_nothing() -> None:
    assert taught(Skill(), {}, 30.0) == Skill()
    with pytest.raises(ValueError, match="at least one issue"):
        together(Skill(), {})


def test_the_book_keeps_what_was_told_day_by_day_and_learns_once_the_day_is_past() -> None:
    site, book = a_site(), WeatherBook()
    for ahead in (3, 2, 1, 0):
        issued = DAY - timedelta(days=ahead)
        days = [DayWeather(issued + timedelta(days=n), 35.0 + ahead, 20.0, "forecast") for n in range(5)]
        book = take_days(book, days, issued)
    assert book.told[DAY] == {DAY - timedelta(days=n): 35.0 + n for n in range(4)}
    midnight = local_midnight(DAY, LISBON)
    now = midnight + timedelta(hours=6)
    guess = guess_on(replace(book, issued=now), site, DAY, DAY, now)
    assert guess is not None
    assert guess == together(Skill(), {n: 35.0 + n for n in range(4)})
    for hour, value_c in ((0.5, 20.0), (15.0, 38.0), (23.0, 25.0), (24.5, 22.0)):
        book = take_temperature(book, value_c, midnight + timedelta(hours=hour), LISBON)
    assert book.skill == taught(Skill(), {n: 35.0 + n for n in range(4)}, 38.0)


def two_days_told(*readings: tuple[float, float]) -> WeatherBook:
    """A forecast of 35 degC for DAY and 36 degC for the day after it; and what the thermometer has shown of DAY."""
    days = [DayWeather(DAY + timedelta(days=n), 35.0 + n, 20.0, "forecast") for n in range(3)]
    book = take_days(WeatherBook(), days, DAY)
    for hour, value_c in readings:
        book = take_temperature(book, value_c, local_midnight(DAY, LISBON) + timedelta(hours=hour), LISBON)
    return book


def test_a_slip_shows_once_the_day_is_past_its_heat() -> None:
    rising = two_days_told((0.5, 22.0), (12.0, 33.0), (15.5, 38.0), (16.0, 37.9))
    assert slips_of(rising, DAY + timedelta(days=1)) == {}
    falling = two_days_told((0.5, 22.0), (12.0, 33.0), (15.5, 38.0), (16.5, 37.0))
    assert slips_of(falling, DAY + timedelta(days=1)) == {1: Slip(3.0, 1)}
    assert slips_of(falling, DAY + timedelta(days=2)) == {2: Slip(3.0, 2)}


def test_a_thermometer_that_came_late_in_the_day_shows_no_slip() -> None:
    book = two_days_told((13.0, 34.0), (15.5, 38.0), (17.0, 36.0))
    assert slips_of(book, DAY + timedelta(days=1)) == {}


def test_tomorrow_is_guessed_warmer_after_a_day_that_was_warmer_than_told() -> None:
    site, evening = a_site(), local_midnight(DAY, LISBON) + timedelta(hours=18)
    told, seen = two_days_told(), two_days_told((0.5, 22.0), (15.5, 38.0), (17.0, 36.0))
    tomorrow = DAY + timedelta(days=1)
    plain, warmer = (
        guess_on(replace(book, issued=evening), site, tomorrow, DAY, evening) for book in (told, seen)
    )
    assert plain is not None
    assert warmer is not None
    assert warmer.mean_c > plain.mean_c + 0.5
    assert warmer.sd_c < plain.sd_c
