"""The two clocks."""

from datetime import UTC, date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from controller.core.moment import Now, day_bounds, hours_between, local_date, local_midnight

LISBON = ZoneInfo("Europe/Lisbon")


def test_now_takes_utc_only() -> None:
    with pytest.raises(ValueError, match="must be in UTC"):
        Now(0.0, datetime(2026, 7, 1, tzinfo=timezone(timedelta(hours=1))))


def test_the_civil_day_of_an_instant_is_that_of_the_site() -> None:
    late = datetime(2026, 7, 1, 23, 30, tzinfo=UTC)
    assert local_date(late, LISBON) == date(2026, 7, 2)
    assert local_date(late, ZoneInfo("America/New_York")) == date(2026, 7, 1)


def test_midnight_is_found_by_converting() -> None:
    assert local_midnight(date(2026, 7, 1), LISBON) == datetime(2026, 6, 30, 23, tzinfo=UTC)
    assert local_midnight(date(2026, 1, 1), LISBON) == datetime(2026, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 7, 1), 24)])
def test_days_are_23_to_25_hours_long(day: date, hours: int) -> None:
    assert hours_between(*day_bounds(day, LISBON)) == hours
