"""Every verb, good and bad; once and only once; and what outlives a night."""

from dataclasses import replace
from datetime import date, datetime, timedelta
from unittest.mock import ANY

import pytest
from pydantic import TypeAdapter

from controller.core.actions import Action, Answer, Close, Note, Open
from controller.core.events import Ask, GuardLost, GuardReady, Reading, Started, Verb
from controller.core.garden import Garden
from controller.core.moment import local_midnight
from controller.core.plan import sunrise_of
from controller.core.site import Hours, Sensor, Site, Zone
from controller.core.site import Watering as Rules
from controller.core.soil import believed
from tests.core.gardens import LISBON, Life, a_forecast, a_site, a_zone

DAY = date(2026, 7, 15)
NOON = local_midnight(DAY, LISBON) + timedelta(hours=12)
HOUR = timedelta(hours=1)
TOMORROW = DAY + timedelta(days=1)


def a_rooted(zone_id: str, **changes: object) -> Zone:
    return a_zone(zone_id, **{"root_depth_m": 0.5, **changes})


SITE = a_site(a_rooted("tomatoes"), a_rooted("beans"))
DAWN = sunrise_of(SITE, TOMORROW)


def life(site: Site = SITE, start: datetime = NOON, *maxima: float, depletion_mm: float = 16.0) -> Life:
    begun = Life(site, start)
    beds = {zone: believed(bed, depletion_mm, 1.0) for zone, bed in begun.garden.beds.items()}
    begun.garden = replace(begun.garden, beds=beds)
    midnight = local_midnight(start.astimezone(LISBON).date(), LISBON)
    return begun.begin(a_forecast(midnight, list(maxima or [34.0] * 6)))


COUNT = iter(range(10_000))


def ask(life: Life, do: Verb, **rest: object) -> Answer:
    """The one answer to an ask."""
    actions = life.tell(Ask(f"ask-{next(COUNT)}", do, **rest))  # type: ignore[arg-type]
    (answer,) = [action for action in actions if isinstance(action, Answer)]
    return answer


def soaks(life: Life, day: date = TOMORROW) -> set[str]:
    return {w.zone for w in life.garden.plan.waterings if w.purpose == "dawn soak" and w.day == day and not w.ended}


def opened(life: Life, since: datetime) -> set[str]:
    return {opening.zone for at, opening in life.openings() if at >= since}


# Water --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("amount", [{"litres": 30.0}, {"minutes": 10.0}, {"mm": 3.0}])
def test_water_by_hand_gives_what_was_asked_in_any_unit(amount: dict[str, float]) -> None:
    garden = life()
    answer = ask(garden, "water", zone="beans", **amount)
    assert (answer.ok, answer.said) == (True, "Beans gets 30 L in 1 pulse, from 12:00.")
    garden.until(NOON + HOUR)
    assert garden.litres() == {"beans": pytest.approx(30.0)}


def test_water_without_an_amount_fills_what_is_missing() -> None:
    garden = life(depletion_mm=4.5)
    missing = garden.garden.beds["beans"].depletion_mm
    assert ask(garden, "water", zone="beans").ok
    garden.until(NOON + HOUR)
    assert garden.litres()["beans"] == pytest.approx(missing / 0.9 * 10.0)
    assert garden.garden.beds["beans"].depletion_mm < 1.0


@pytest.mark.parametrize(
    ("rest", "said"),
    [
        ({}, "Water which zone? Name one."),
        ({"zone": "leeks"}, 'There is no zone "leeks"; the zones are tomatoes, beans.'),
        ({"zone": "beans", "litres": 5.0, "mm": 1.0}, "Give one of litres, minutes and mm, not several."),
        ({"zone": "beans", "mm": 0.0}, "0.0 mm is outside what one watering may be (over 0, up to 100 mm)."),
        ({"zone": "beans", "litres": -3.0}, "-0.3 mm is outside what one watering may be (over 0, up to 100 mm)."),
        ({"zone": "beans", "mm": 101.0}, "101.0 mm is outside what one watering may be (over 0, up to 100 mm)."),
        ({"zone": "beans", "litres": 800.0}, "800 L is more than the 720 L that the valve may give in a day."),
        ({"zone": "beans", "litres": 0.5}, "0.5 L is too little to open a valve for."),
        ({"zone": "beans", "mm": 1.0, "expires": NOON}, "This ask had expired before it arrived; send it again if"),
        ({"zone": "beans", "mm": 1.0, "refused": "It was kept by the broker."}, "It was kept by the broker."),
    ],
)
def test_water_is_refused_in_one_sentence_and_nothing_happens(rest: dict[str, object], said: str) -> None:
    garden = life()
    before = garden.garden.plan
    answer = ask(garden, "water", **rest)
    assert not answer.ok
    assert answer.said.startswith(said)
    assert garden.garden.plan == before
    assert garden.openings() == []


def test_water_is_refused_without_a_guard_under_a_hold_and_twice_at_once() -> None:
    garden = life()
    garden.tell(GuardLost("killed"))
    assert "guard is not ready" in ask(garden, "water", zone="beans", mm=3.0).said
    garden.tell(GuardReady())
    ask(garden, "hold", zone="beans")
    assert "on hold until released" in ask(garden, "water", zone="beans", mm=3.0).said
    ask(garden, "release", zone="beans")
    assert ask(garden, "water", zone="beans", mm=3.0).ok
    assert "being watered already" in ask(garden, "water", zone="beans", mm=3.0).said


def test_water_outside_the_allowed_hours_waits_for_them_and_says_when() -> None:
    site = a_site(a_rooted("beans"), watering=Rules(allowed=(Hours((NOON + 8 * HOUR).time(), NOON.time()),)))
    garden = life(site)
    answer = ask(garden, "water", zone="beans", litres=30.0)
    assert answer.said == "Beans gets 30 L in 1 pulse, from 19:00."
    garden.until(NOON + 9 * HOUR)
    assert garden.litres() == {"beans": pytest.approx(30.0)}


def test_what_the_allowed_hours_do_not_hold_is_said() -> None:
    short = Hours((NOON + HOUR).time(), (NOON + HOUR + timedelta(minutes=40)).time())
    garden = life(a_site(a_rooted("beans"), watering=Rules(allowed=(short,))), depletion_mm=0.5)
    answer = ask(garden, "water", zone="beans", litres=400.0)
    assert answer.ok
    assert "do not hold the whole 400 L" in answer.said
    assert "gets 400 L" not in answer.said


# Stop, hold, release, skip ------------------------------------------------------------------------


def in_the_soak() -> Life:
    garden = life()
    first = min(w.next_start for w in garden.garden.plan.waterings if w.day == TOMORROW)
    garden.until(first + timedelta(minutes=2))
    assert len(garden.open) >= 1
    return garden


def test_stop_closes_first_and_is_not_undone_in_the_same_dawn() -> None:
    garden = in_the_soak()
    zone = next(iter(garden.open))
    actions = garden.tell(Ask("s", "stop"))
    assert isinstance(next(a for a in actions if not isinstance(a, Note)), Close)
    assert garden.open == {}
    stopped_at = garden.utc
    garden.until(DAWN + 3 * HOUR)
    assert opened(garden, stopped_at) == set()
    assert soaks(garden) == set()
    assert zone in garden.garden.beds


def test_stop_of_one_zone_leaves_the_others() -> None:
    garden = in_the_soak()
    zone = next(iter(garden.open))
    other = ({"tomatoes", "beans"} - {zone}).pop()
    assert ask(garden, "stop", zone=zone).ok
    at = garden.utc
    garden.until(DAWN + 3 * HOUR)
    assert opened(garden, at) <= {other}


def test_after_stop_the_days_to_come_are_still_planned() -> None:
    garden = life(SITE, NOON, *[34.0] * 3, *[40.0] * 3)
    ask(garden, "stop")
    assert soaks(garden) == {"tomatoes", "beans"}


def test_the_water_that_a_stopped_pulse_gave_is_counted() -> None:
    garden = in_the_soak()
    zone = next(iter(garden.open))
    before = garden.garden.beds[zone].depletion_mm
    ask(garden, "stop")
    assert garden.garden.beds[zone].depletion_mm < before
    assert not any(isinstance(a, Note) and "not in the plan" in a.said for _, a in garden.actions)


def through_json(garden: Garden) -> Garden:
    adapter = TypeAdapter(Garden)
    return adapter.validate_json(adapter.dump_json(garden))


def test_a_hold_outlives_a_restart_and_ends_at_its_time() -> None:
    garden = life()
    until = DAWN + 12 * HOUR
    answer = ask(garden, "hold", until=until)
    assert answer.said == "The whole garden is on hold until Thu 16 Jul 18:20."
    garden.garden = through_json(garden.garden)
    garden.tell(Started())
    garden.tell(GuardReady())
    garden.until(until - timedelta(minutes=1))
    assert garden.openings() == []
    garden.until(until + 24 * HOUR)
    assert opened(garden, until) == {"tomatoes", "beans"}


def test_a_hold_that_ends_within_the_dawn_does_not_cost_it_and_given_water_counts() -> None:
    garden = in_the_soak()
    whole_l = {w.zone: w.need.litres for w in garden.garden.plan.waterings if w.begun}
    before_l = {zone: bed.depletion_mm for zone, bed in garden.garden.beds.items()}
    until = garden.utc + timedelta(minutes=20)
    ask(garden, "hold", until=until)
    held = [p for w in garden.garden.plan.waterings for p in w.pulses if p.state == "planned" and p.start < until]
    assert held == [], "nothing is planned into the hold"
    garden.until(DAWN + 2 * HOUR)
    after = [(at, opening) for at, opening in garden.openings() if at >= until]
    assert {opening.zone for _, opening in after} >= set(whole_l)
    assert all(at >= until for at, _ in after)
    ids = [opening.pulse for _, opening in garden.openings()]
    assert len(ids) == len(set(ids)), "no pulse is asked for twice"
    for zone, litres in whole_l.items():
        again_l = sum(opening.litres for _, opening in after if opening.zone == zone)
        assert 0.0 < again_l < 1.15 * litres
        assert garden.garden.beds[zone].depletion_mm < before_l[zone]


def test_a_hold_closes_what_is_open() -> None:
    garden = in_the_soak()
    ask(garden, "hold")
    assert garden.open == {}


def test_a_hold_of_one_zone_does_not_hold_the_other() -> None:
    garden = life()
    ask(garden, "hold", zone="beans")
    assert {w.zone for w in garden.garden.plan.waterings} == {"tomatoes"}
    assert garden.garden.plan.remarks[0] == "Beans is on hold until it is released; nothing is planned for that time."
    garden.until(DAWN + 2 * HOUR)
    assert opened(garden, NOON) == {"tomatoes"}


def test_hold_and_release_that_make_no_sense_are_refused() -> None:
    garden = life()
    assert ask(garden, "hold", until=NOON).said == "That time is past; hold until a later one."
    assert ask(garden, "release").said == "Nothing is on hold or locked there."
    ask(garden, "hold", zone="beans")
    assert ask(garden, "release", zone="tomatoes").said == "Nothing is on hold or locked there."


def test_release_of_a_zone_leaves_the_hold_on_the_garden_and_says_so() -> None:
    garden = life()
    ask(garden, "hold")
    ask(garden, "hold", zone="beans")
    assert ask(garden, "release", zone="beans").said.endswith("The hold on the whole garden remains.")
    assert ask(garden, "release").ok
    assert garden.garden.holds == ()


def test_release_lets_the_night_go_on() -> None:
    garden = life()
    ask(garden, "hold")
    garden.until(NOON + 6 * HOUR)
    ask(garden, "release")
    garden.until(DAWN + HOUR)
    assert opened(garden, NOON) == {"tomatoes", "beans"}


def test_skip_leaves_out_the_next_watering_and_only_that() -> None:
    garden = life(SITE, NOON, *[38.0] * 6)
    first = min((w for w in garden.garden.plan.waterings if w.zone == "beans"), key=lambda w: w.next_start)
    answer = ask(garden, "skip", zone="beans")
    assert answer.said == f"Skipped: the next watering of beans ({first.purpose}, {first.day:%a %d %b})."
    garden.until(DAWN + 30 * HOUR)
    waterings = {opening.watering for _, opening in garden.openings()}
    assert first.id not in waterings
    assert any("beans" in each for each in waterings)


def test_skip_of_nothing_is_refused() -> None:
    garden = life(depletion_mm=0.0)
    garden.garden = replace(garden.garden, plan=replace(garden.garden.plan, waterings=()))
    assert ask(garden, "skip").said == "No watering is planned there that could be skipped."


# The rest -----------------------------------------------------------------------------------------


def test_a_job_reported_done_is_kept_for_good() -> None:
    garden = life()
    answer = ask(garden, "job-done", job="shade")
    assert (answer.ok, garden.garden.jobs_done) == (True, {"shade": NOON})
    assert any(isinstance(a, Note) and a.kind == "job" and a.lasting for _, a in garden.actions)
    assert ask(garden, "job-done").said == "Which job is done? Name its id."


def test_replan_makes_a_new_plan_now() -> None:
    garden = life()
    garden.until(NOON + timedelta(minutes=10))
    assert ask(garden, "replan").ok
    assert garden.garden.plan.made == garden.utc


def test_the_same_id_acts_once_and_is_answered_every_time() -> None:
    garden = life()
    wish = Ask("same", "water", "beans", litres=30.0)
    answers: list[Action] = []
    for _ in range(3):
        answers += [a for a in garden.tell(wish) if isinstance(a, Answer)]
        garden.garden = through_json(garden.garden)
        garden.until(garden.utc + HOUR)
    assert [a.ok for a in answers if isinstance(a, Answer)] == [True, False, False]
    assert len([a for _, a in garden.actions if isinstance(a, Open)]) == 1
    refused = Ask("bad", "water", "leeks")
    first, second = (next(a for a in garden.tell(refused) if isinstance(a, Answer)) for _ in range(2))
    assert (first.ok, second.ok) == (False, False)
    assert second.said == f"Heard before, not done again: {first.said}"


def test_every_ask_is_written_down_for_good_before_life_goes_on() -> None:
    garden = life()
    for wish in (Ask("a", "stop"), Ask("b", "hold"), Ask("c", "water", "leeks")):
        notes = [a for a in garden.tell(wish) if isinstance(a, Note) and a.kind == "ask"]
        assert [(n.lasting, n.facts["id"]) for n in notes] == [(True, wish.id)]


# Relearn ------------------------------------------------------------------------------------------


def taught(garden: Garden) -> Garden:
    """The garden with something learnt of each bed and of the place."""
    beds = {
        zone: replace(bed, estimate=replace(bed.estimate, mean=(bed.depletion_mm, 0.2, -0.1)))
        for zone, bed in garden.beds.items()
    }
    return replace(garden, beds=beds, weather=replace(garden.weather, bias_max_c=2.0, bias_min_c=-1.0, climate={20: 9}))


def test_one_bed_forgets_and_the_rest_and_the_place_do_not() -> None:
    begun = life()
    begun.garden = taught(begun.garden)
    assert ask(begun, "relearn", zone="beans") == Answer(ANY, True, "Beans begins anew from the tables.")
    factors = {zone: bed.estimate.demand_factor for zone, bed in begun.garden.beds.items()}
    assert factors["beans"] == pytest.approx(1.0)
    assert factors["tomatoes"] == pytest.approx(1.22, abs=0.01)
    assert begun.garden.weather.bias_max_c == 2.0


def test_the_whole_site_forgets_its_beds_and_its_place_but_not_its_climate() -> None:
    begun = life()
    begun.garden = taught(begun.garden)
    answer = ask(begun, "relearn")
    assert answer.said == "All zones begin anew from the tables, and the place from its forecast."
    assert {bed.estimate.demand_factor for bed in begun.garden.beds.values()} == {1.0}
    book = begun.garden.weather
    assert (book.bias_max_c, book.bias_min_c, book.climate) == (0.0, 0.0, {20: 9})


def test_a_probe_that_was_moved_begins_anew_with_its_bed() -> None:
    probe, other = Sensor("probe", "moisture", "tomatoes"), Sensor("other", "moisture", "beans")
    begun = life(replace(SITE, sensors=(probe, other)))
    for hour in range(3):
        begun.until(NOON + hour * HOUR)
        begun.tell(Reading("probe", 0.20 if hour < 2 else 0.45, NOON + hour * HOUR))
        begun.tell(Reading("other", 0.20, NOON + hour * HOUR))
    words = {name: probe.word for name, probe in begun.garden.probes.items()}
    assert words == {"probe": "jumped", "other": "good"}
    ask(begun, "relearn", zone="tomatoes")
    words = {name: probe.word for name, probe in begun.garden.probes.items()}
    assert words == {"probe": "new", "other": "good"}
    begun.until(NOON + 3 * HOUR)
    begun.tell(Reading("probe", 0.45, NOON + 3 * HOUR))
    assert begun.garden.probes["probe"].word != "jumped"
