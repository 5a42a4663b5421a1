"""A job reported done must be one that there is: a slip of the keyboard is not noted as work."""

from datetime import datetime

import pytest

from controller.core.actions import Answer
from controller.core.events import Ask
from tests.core.gardens import LISBON, Life, a_forecast, a_site

HOT = [30.0, 39.0, 40.0, 39.0, 30.0]
NOON = datetime(2026, 7, 14, 12, tzinfo=LISBON)
MIDNIGHT = NOON.replace(hour=0)


def answer_to(life: Life, job: str) -> Answer:
    ask = Ask(f"ask-{job}-{len(life.garden.heard)}", "job-done", job=job)
    (answer,) = (action for action in life.tell(ask) if isinstance(action, Answer))
    return answer


@pytest.fixture
def life() -> Life:
    return Life(a_site(), NOON).begin(a_forecast(MIDNIGHT, HOT))


def test_a_job_that_does_not_exist_is_refused_with_those_that_do(life: Life) -> None:
    answer = answer_to(life, "harvets")
    assert not answer.ok
    assert '"harvets"' in answer.said
    assert "harvest" in answer.said
    assert "harvets" not in life.garden.jobs_done


def test_a_job_that_is_due_may_be_reported_and_reported_again(life: Life) -> None:
    assert answer_to(life, "harvest").ok
    assert answer_to(life, "harvest").ok
    assert life.garden.jobs_done.keys() == {"harvest"}


@pytest.mark.parametrize("job", ["shade", "shade-off", "pots", "mulch-back-2026-07-14"])
def test_what_changes_a_bed_may_be_reported_in_cool_weather_too(job: str) -> None:
    cool = Life(a_site(), NOON).begin(a_forecast(MIDNIGHT, [24.0] * 5))
    assert answer_to(cool, job).ok


def test_without_any_job_the_refusal_says_so() -> None:
    cool = Life(a_site(), NOON).begin(a_forecast(MIDNIGHT, [24.0] * 5))
    assert answer_to(cool, "stake").said == 'There is no job "stake"; nothing is to be done by hand now.'
