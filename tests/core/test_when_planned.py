"""When a plan is made anew: at its own hours and when there is news, not because time passes."""

from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from controller.core.events import Reading, Woke
from controller.core.moment import local_midnight
from controller.core.plan import sessions
from controller.core.site import Sensor
from controller.core.soil import believed
from tests.core.gardens import Life, a_forecast, a_site, a_zone

LISBON = ZoneInfo("Europe/Lisbon")
MIDNIGHT = local_midnight(date(2026, 7, 15), LISBON)
TEN = MIDNIGHT + timedelta(hours=10)
HOUR = timedelta(hours=1)
SITE = a_site(a_zone(root_depth_m=0.5), sensors=(Sensor("probe", "moisture", "tomatoes"), Sensor("rain", "rain")))


def a_life(depletion_mm: float = 5.0) -> Life:
    life = Life(SITE, TEN)
    beds = {zone: believed(bed, depletion_mm, 4.0) for zone, bed in life.garden.beds.items()}
    life.garden = replace(life.garden, beds=beds)
    return life.begin(a_forecast(MIDNIGHT, [30.0] * 6))


def made_until(life: Life, end: datetime) -> list[datetime]:
    """When plans were made up to then, looking in every ten minutes."""
    made = [life.garden.plan.made]
    while life.utc < end:
        life.until(life.utc + timedelta(minutes=10))
        life.tell(Woke())
        if life.garden.plan.made != made[-1]:
            made.append(life.garden.plan.made)
    return made[1:]


def test_a_quiet_afternoon_needs_no_new_plan() -> None:
    assert made_until(a_life(), MIDNIGHT + timedelta(hours=19)) == []


def test_dusk_and_midnight_have_a_plan_of_their_own() -> None:
    life = a_life()
    (dusk, *_) = [session.start for session in sessions(SITE, TEN) if session.purpose == "dusk refresh"]
    made = made_until(life, MIDNIGHT + timedelta(hours=24, minutes=10))
    assert any(dusk <= moment <= dusk + timedelta(minutes=10) for moment in made)
    assert MIDNIGHT + timedelta(hours=24) in made


def test_a_surprising_reading_is_planned_with_at_the_full_hour() -> None:
    life = a_life()
    life.until(TEN + timedelta(minutes=20))
    life.tell(Reading("probe", 0.09, life.utc))
    assert abs(life.garden.beds["tomatoes"].today.corrected_mm) > 0.3
    assert made_until(life, TEN + 3 * HOUR) == [TEN + HOUR]


def test_rain_is_planned_with_at_the_full_hour() -> None:
    life = a_life()
    life.until(TEN + timedelta(minutes=20))
    life.tell(Reading("rain", 4.0, life.utc))
    assert made_until(life, TEN + 3 * HOUR) == [TEN + HOUR]


def test_a_reading_that_says_nothing_new_changes_no_plan() -> None:
    life = a_life()
    life.until(TEN + timedelta(minutes=20))
    life.tell(Reading("rain", 0.0, life.utc))
    assert made_until(life, TEN + 3 * HOUR) == []


def test_a_watering_is_planned_once_more_before_it_begins() -> None:
    life = a_life(depletion_mm=30.0)
    (dawn, *_) = [watering for watering in life.garden.plan.waterings if watering.purpose == "dawn soak"]
    made = made_until(life, dawn.next_start)
    assert any(0.5 * HOUR <= dawn.next_start - moment <= HOUR for moment in made)
