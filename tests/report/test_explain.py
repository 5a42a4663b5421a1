"""Reasons: every sum that is written out comes to the number beside it; the rules are the handbook's."""

import json
import sqlite3
from datetime import date, timedelta
from pathlib import Path
from shutil import copyfile

import pytest

from controller.report.explain import Decision, Explanation, Step, explain, explanation_view, in_short
from controller.shells.journal import JournalReader, reading
from tests.report.papers import DAWN, DAY, Paper, a_soak
from tests.report.weeks import demo_site

SITE = demo_site()
DAYS = [date(2026, 7, 10) + timedelta(days=n) for n in range(8)]


def told(week: JournalReader, zone: str, day: int) -> Explanation:
    return explain(SITE, week, SITE.zone(zone), date(2026, 7, day))


def steps_of(each: Explanation) -> list[Step]:
    return [*each.steps, *(step for decision in each.decisions for step in decision.steps)]


@pytest.mark.parametrize("zone", [zone.id for zone in SITE.zones])
def test_every_sum_comes_to_its_number(week: JournalReader, zone: str) -> None:
    sums = [
        step for day in DAYS for step in steps_of(explain(SITE, week, SITE.zone(zone), day)) if step.worked
    ]
    assert sums
    for step in sums:
        comes_to = eval(step.worked.replace("×", "*").replace("−", "-"), {"__builtins__": {}})
        assert comes_to == pytest.approx(step.value, rel=0.02, abs=0.05), step


def a_soak_of(week: JournalReader, zone: str) -> tuple[Explanation, Decision]:
    """The first day of the week on which the zone had a whole dawn soak."""
    for day in DAYS:
        each = explain(SITE, week, SITE.zone(zone), day)
        for decision in each.decisions:
            if decision.given is not None and decision.given.purpose == "dawn soak" and decision.given.whole:
                return each, decision
    raise AssertionError(f"no whole dawn soak for {zone}")


@pytest.mark.published(source="FAO-56 (1998), equations 69, 82 and 83; Keller & Karmeli 1974 for the wetted share")
def test_the_rules_are_the_handbooks(week: JournalReader) -> None:
    _, soak = a_soak_of(week, "salad")
    value = {step.name: step.value for step in soak.steps}
    drawn_mm = value["Kcb"] * value["ET0"] + value["evaporation"]
    assert value["ETc"] == pytest.approx(drawn_mm * value["learnt demand"])
    # loamy sand: field capacity 0.15, wilting point 0.065 (middle of FAO-56 Table 19)
    reach_m = value["Zr"] * value["Pw"]
    assert value["TAW"] == pytest.approx(1000 * (0.15 - 0.065) * reach_m * value["learnt store"])
    assert value["RAW"] == pytest.approx(value["p"] * value["TAW"])


def test_a_soak_is_told_from_weather_to_water(week: JournalReader) -> None:
    _, soak = a_soak_of(week, "salad")
    assert soak.given is not None
    assert soak.title == f"The dawn soak: {soak.given.litres:.0f} L"
    assert soak.plan is not None
    assert f"{soak.plan.watering.need.litres:.0f} L on 8 m2" in " ".join(soak.sentences)
    assert soak.sentences[-1].startswith(f"Given: {soak.given.litres:.0f} L in ")
    parts = list(dict.fromkeys(step.part for step in soak.steps))
    assert parts == [
        "What the plants draw",
        "What the soil holds",
        "What is to be given",
        "How it is let out",
    ]


def day_of(path: Path, zone: str = "salad") -> Explanation:
    with reading(path) as reader:
        return explain(SITE, reader, SITE.zone(zone), DAY)


def test_the_weather_of_the_day_and_who_said_so_come_first(tmp_path: Path) -> None:
    soak = a_soak()
    [decision] = day_of(Paper(tmp_path).plan(DAWN, soak).give(soak.pulses[0], 50.0).done()).decisions
    assert decision.sentences[0] == "Monday: 20 to 36 °C, no rain, by the forecast."
    assert decision.sentences[1:4] == ("Dry.", "Hot.", "By dusk too dry.")


def test_what_the_daily_limit_held_back_is_in_the_sum(tmp_path: Path) -> None:
    [soak] = day_of(Paper(tmp_path).plan(DAWN, a_soak(litres=100.0, short_mm=3.0)).done()).decisions
    step = {each.name: each for each in soak.steps}
    assert (step["held back"].value, step["to be let out"].value) == (3.0, 100.0)
    assert step["to be let out"].shown == "100 L"


def test_a_day_without_water_says_why(tmp_path: Path) -> None:
    remark = f"Salad seedlings: the time does not hold the whole dawn soak of {DAY:%a %d %b}; 3.0 mm short."
    other = f"Tomatoes: the time does not hold the whole dawn soak of {DAY:%a %d %b}; 9.0 mm short."
    early = DAWN - timedelta(hours=1)
    nothing = day_of(Paper(tmp_path).plan(early, a_soak()).plan(DAWN, remarks=(remark, other)).done())
    assert nothing.decisions == ()
    assert nothing.sentences[0] == (
        "A dawn soak of 100 L was planned until 04:00; then it was taken out of the plan."
    )
    assert nothing.sentences[1] == "Nothing was given to Salad seedlings on Monday 13 July."
    # The ledger: 12 mm missing now, 3 of them drawn today. It is noon: the day may draw more than the 4 mm it has.
    draws_mm = next(step.value for step in nothing.steps if step.name == "ETc")
    assert draws_mm > 4.0
    began = f"The day began with 9.0 mm missing and could draw {draws_mm:.1f} mm more: {9.0 + draws_mm:.1f} mm, over"
    assert nothing.sentences[2].startswith(began)
    assert nothing.sentences[3] == remark
    assert other not in nothing.sentences
    assert "short of water for 2 h" in nothing.sentences[4]
    names = ["ET0", "Kcb", "ETc", "Zr", "Pw", "learnt store", "TAW", "p", "RAW", "Dr"]
    assert [step.name for step in nothing.steps] == names


def test_a_journal_that_ends_before_a_day_does_not_say_that_its_waterings_were_dropped(tmp_path: Path) -> None:
    """The last plan was made the evening before; it still holds the soak."""
    told = day_of(Paper(tmp_path).plan(DAWN - timedelta(hours=10), a_soak()).done())
    assert [decision.title for decision in told.decisions] == ["The dawn soak, still to come"]
    assert not any("taken out" in sentence for sentence in told.sentences)
    other = tmp_path / "other"
    other.mkdir()
    gone = day_of(Paper(other).plan(DAWN - timedelta(hours=10), a_soak()).plan(DAWN - timedelta(hours=9)).done())
    assert gone.decisions == ()
    assert "was planned until Sunday 19:00; then it was taken out of the plan." in gone.sentences[0]


def test_a_day_that_needed_none_says_so(tmp_path: Path) -> None:
    nothing = day_of(Paper(tmp_path).plan(DAWN).done(depletion_mm=4.0), "citrus")
    assert nothing.decisions == ()
    assert any("under" in sentence and "from which the plants go short" in sentence for sentence in nothing.sentences)


def test_what_is_still_to_come_is_told(tmp_path: Path) -> None:
    [soak] = day_of(Paper(tmp_path).plan(DAWN, a_soak()).done()).decisions
    assert soak.title == "The dawn soak, still to come"
    assert soak.sentences[-1] == "Not given yet; it was planned for 05:00."


def test_a_refusal_is_told(week: JournalReader) -> None:
    herbs = told(week, "herbs", 13)
    assert (
        herbs.decisions[0].sentences[-1]
        == "Nothing was given; refused: the supply cannot feed it beside the others"
    )
    assert any("The guard refused to open herbs" in sentence for sentence in herbs.sentences)


def test_what_people_asked_is_told_in_local_time(week: JournalReader) -> None:
    said = told(week, "tomatoes", 13).sentences
    assert "20:00: water tomatoes: Tomatoes gets 20 L in 1 pulse, from 20:00." in said
    assert any(sentence.startswith("16:00: hold tomatoes") for sentence in said)


def test_a_day_that_the_journal_does_not_know(week: JournalReader) -> None:
    nothing = told(week, "tomatoes", 1)
    assert nothing.sentences == ("The journal has nothing about Tomatoes on Wednesday 1 July 2026.",)
    assert (nothing.decisions, nothing.steps, nothing.ledger) == ((), (), None)


def test_a_plan_of_another_version_is_passed_over(week_journal: Path, tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    copyfile(week_journal, path)
    odd = {
        "waterings": [{"id": "2026-07-16-dawn-salad", "zone": "salad", "day": "2026-07-16", "shape": "new"}]
    }
    with sqlite3.connect(path) as db:
        db.execute("UPDATE note SET facts = ? WHERE kind = 'plan'", (json.dumps(odd),))
    db.close()
    with reading(path) as reader:
        soak = told(reader, "salad", 16).decisions[0]
    assert soak.steps == ()
    assert soak.given is not None
    assert soak.title == f"The dawn soak: {soak.given.litres:.0f} L"


def test_it_is_plain_data_for_programs(week: JournalReader) -> None:
    each, soak = a_soak_of(week, "salad")
    assert soak.given is not None
    view = json.loads(json.dumps(explanation_view(SITE, each), allow_nan=False))
    assert view["waterings"][0]["given"]["litres"] == soak.given.litres
    assert view["waterings"][0]["figures"][0]["name"] == "ET0"
    assert view["ledger"]["used_mm"] > 0.0


def test_the_short_reason_is_the_one_that_settled_it() -> None:
    assert in_short("dawn soak", ("dry", "hot", "By dusk it is too dry.")) == "By dusk it is too dry."
    assert in_short("day refresh", ("dry", "By dusk it is too dry.")) == "By dusk it is too dry."
    assert in_short("dusk refresh", ("A hot day.", "dry")) == "A hot day."
    assert in_short("by hand", ()) == ""
