"""Every sentence in every language: the same keys, the same placeholders, and a text for whatever the core may say."""

import ast
import string
from datetime import UTC, date, datetime, timedelta

import pytest

from controller.core.garden import Fault
from controller.core.said import Each, Said, Span, Zones
from controller.words import LANGUAGES, Words
from tests.core.gardens import a_site, a_zone
from tests.layout.source import trees

SITE = a_site(a_zone("salad", name="Salad seedlings"), a_zone("beans", name="Beans"))
EN, PT = Words(SITE, "en"), Words(SITE, "pt")
THURSDAY = date(2026, 7, 16)


def placeholders(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


@pytest.mark.parametrize("code", sorted(LANGUAGES))
def test_every_language_has_the_same_sentences_with_the_same_placeholders(code: str) -> None:
    ours, theirs = LANGUAGES["en"].texts, LANGUAGES[code].texts
    assert theirs.keys() == ours.keys()
    unlike = {key: (ours[key], theirs[key]) for key in ours if placeholders(ours[key]) != placeholders(theirs[key])}
    assert unlike == {}


def test_no_two_languages_have_the_same_words() -> None:
    """But for what the house says itself."""
    same = [key for key, text in LANGUAGES["en"].texts.items() if LANGUAGES["pt"].texts[key] == text]
    assert same == ["own", "own.zones", "digest.head"]


@pytest.mark.parametrize("code", sorted(LANGUAGES))
def test_the_texts_are_for_people(code: str) -> None:
    for key, text in LANGUAGES[code].texts.items():
        assert text == text.strip(), key
        assert "  " not in text, key
        assert " x " not in text, key
        assert "+-" not in text, key
        assert len(text) < 220, key


def test_every_sentence_that_the_core_names_is_in_the_catalogue_and_none_is_idle() -> None:
    """Names that the source writes whole; those it puts together begin with a piece that is written."""
    files = [tree for file, tree in trees().items() if file.split("/")[0] in ("core", "report", "commands", "words")]
    nodes = [node for tree in files for node in ast.walk(tree)]
    written = {node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)}
    said = {
        node.args[0].value
        for node in nodes
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "Said"
        and node.args
        and isinstance(node.args[0], ast.Constant)
    }
    texts = LANGUAGES["en"].texts
    assert said - texts.keys() == set()
    put_together = (".traits", ".why", "heat.", "when.", "water-", "jobs.", "fault.")
    idle = [key for key in texts if key not in written and not any(part in key for part in put_together)]
    assert idle == []


def test_numbers_days_and_names_are_told_as_each_language_tells_them() -> None:
    facts = {"each_l": Each((("salad", 3.44), ("Lemon tub", 12.2)))}
    assert EN.text("water-by-hand.morning", **facts, day=THURSDAY) == (
        "Water by hand on Thursday 16 July, in the morning, each pot: salad seedlings 3.4 L and lemon tub 12 L."
    )
    assert PT.text("water-by-hand.morning", **facts, day=THURSDAY) == (
        "Regue à mão na quinta-feira, 16 de julho, de manhã, cada vaso: salad seedlings 3,4 L e lemon tub 12 L."
    )
    assert EN.text("plant-again", day=THURSDAY) == "Planting may begin again on Thursday 16 July."
    assert PT.text("plant-again", day=THURSDAY) == "Pode voltar a plantar na quinta-feira, 16 de julho."
    assert PT.text("plant-again", day=THURSDAY + timedelta(days=2)).endswith("no sábado, 18 de julho.")


@pytest.mark.parametrize(
    ("first", "last", "english", "portuguese"),
    [
        (16, 16, "on Thursday 16 July", "na quinta-feira, 16 de julho"),
        (16, 18, "from Thursday 16 to Saturday 18 July", "de quinta-feira, 16, a sábado, 18 de julho"),
        (
            30, 33, "from Thursday 30 July to Sunday 2 August",
            "de quinta-feira, 30 de julho, a domingo, 2 de agosto",
        ),
    ],
)  # fmt: skip
def test_a_stretch_of_days(first: int, last: int, english: str, portuguese: str) -> None:
    span = Span(date(2026, 7, first), date(2026, 7, 1) + timedelta(days=last - 1))
    assert EN.text("heat", peak_c=40.2, when=span) == f"up to 40 °C {english}"
    assert PT.text("heat", peak_c=40.2, when=span) == f"até 40 °C {portuguese}"


def test_sentences_go_into_sentences() -> None:
    heat = Said("heat.traits", {"peak_c": 41.0, "when": Span(THURSDAY, THURSDAY), "traits": (Said("heat.windy"),)})
    assert EN.text("shade.why-others", heat=heat) == (
        "Up to 41 °C on Thursday 16 July (windy): leaves and fruit in full sun scald."
    )
    brief = Said("heat.brief", {"peak_c": 41.0, "day": THURSDAY})
    assert PT.text("stake.wind", wind_m_s=8.0, brief=brief) == (
        "Os caules murchos partem com o vento quente, 29 km/h todo o dia. Até 41 °C a partir de quinta-feira."
    )
    assert EN.text("shade.first-then", tender=Zones(("salad",)), others=Zones(("beans",))) == (
        "Shade salad seedlings first, then beans."
    )


@pytest.mark.parametrize(("minutes", "said"), [(6.0, "6"), (14.6, "15"), (16.0, "15"), (78.0, "80")])
def test_nobody_knows_to_the_minute_how_long_a_job_takes(minutes: float, said: str) -> None:
    assert EN.takes(minutes) == f"about {said} min"


def test_midnight_belongs_to_the_day_before() -> None:
    midnight = datetime(2026, 7, 16, 23, 0, tzinfo=UTC)  # 0:00 in Lisbon
    assert EN.due(midnight, False) == "by the night of Thursday 16 July"
    assert PT.due(midnight, True) == "até à noite de quinta-feira, 16 de julho"
    assert PT.due(midnight - timedelta(hours=3), False) == "até quinta-feira, 16 de julho, às 21:00"


def test_a_fault_is_told_in_the_language_and_an_unknown_one_as_it_was_said() -> None:
    since = datetime(2026, 7, 16, 9, 30, tzinfo=UTC)
    assert PT.fault(Fault("sensor-air", "air has been silent.", since)).startswith("não se pode confiar no sensor air")
    assert PT.fault(Fault("other", "Something else.", since)) == "Something else."
