"""The drawings: well-formed, finite, escaped, and saying what they should."""

from datetime import UTC, date, datetime, timedelta
from xml.etree import ElementTree

import pytest
from markupsafe import Markup

from controller.report import chart
from controller.report.history import Point

MIDNIGHT = datetime(2026, 7, 13, tzinfo=UTC)


def picture(
    points: list[Point], litres: tuple[float, ...] = (0.0, 40.0), spoilt: bool = False
) -> ElementTree.Element:
    shown = [
        chart.Day(
            date(2026, 7, 13) + timedelta(days=n), MIDNIGHT + timedelta(days=n), MIDNIGHT + timedelta(days=n + 1),
            given, 39.0 if n == 1 else None, spoilt,
        )
        for n, given in enumerate(litres)
    ]  # fmt: skip
    return ElementTree.fromstring(chart.days(points, shown, 10.0, 'A "zone" & <b>'))


def of_class(drawing: ElementTree.Element, kind: str) -> list[ElementTree.Element]:
    return [each for each in drawing.iter() if kind in each.get("class", "").split()]


@pytest.mark.parametrize(("full", "filled"), [(-1.0, 0), (0.0, 0), (0.5, 30), (1.0, 60), (2.0, 60)])
def test_as_many_pores_are_filled_as_there_is_water(full: float, filled: int) -> None:
    drawing = ElementTree.fromstring(chart.core(full, 0.4, "ground"))
    assert len(of_class(drawing, "wet")) == filled
    assert len(of_class(drawing, "dry")) == 60 - filled


def test_the_ground_empties_from_above() -> None:
    drawing = ElementTree.fromstring(chart.core(0.5, 0.4, "ground"))
    lowest_dry = max(float(each.get("cy", "")) for each in of_class(drawing, "dry"))
    highest_wet = min(float(each.get("cy", "")) for each in of_class(drawing, "wet"))
    assert lowest_dry < highest_wet


def test_easily_drawn_water_sits_in_the_wide_pores() -> None:
    pores = [each for each in ElementTree.fromstring(chart.core(1.0, 0.4, "ground")).iter() if each.get("r")]
    assert sum(float(each.get("r", "")) > 4.0 for each in pores) == 24


def test_a_hot_day_has_its_band_and_its_heat() -> None:
    drawing = picture([Point(MIDNIGHT, 5.0)])
    [band] = of_class(drawing, "hot")
    assert float(band.get("x", "")) == pytest.approx((chart.LEFT + chart.RIGHT) / 2)
    assert [each.text for each in of_class(drawing, "heat")] == ["39°"]


def test_drops_are_there_where_water_was_given() -> None:
    drawing = picture([Point(MIDNIGHT, 5.0)])
    assert len(of_class(drawing, "drop")) == 1
    assert [each.text for each in of_class(drawing, "litres")] == ["40"]


def test_a_spoilt_day_has_a_hollow_drop_even_without_water() -> None:
    drawing = picture([Point(MIDNIGHT, 5.0)], (0.0,), spoilt=True)
    assert len(of_class(drawing, "spoilt")) == 1


def test_more_missing_is_lower() -> None:
    drawing = picture([Point(MIDNIGHT, 2.0), Point(MIDNIGHT + timedelta(hours=12), 8.0)])
    [level] = of_class(drawing, "level")
    (_, before), (_, after) = (pair.split() for pair in level.get("d", "").removeprefix("M").split("L"))
    assert float(before) < float(after)


def test_more_than_full_is_drawn_as_full() -> None:
    heights = []
    for depletion_mm in (-4.0, 0.0):
        later = Point(MIDNIGHT + timedelta(hours=12), 8.0)
        [level] = of_class(picture([Point(MIDNIGHT, depletion_mm), later]), "level")
        heights.append(level.get("d", "").split("L")[0])
    assert heights[0] == heights[1]


def test_nothing_known_is_drawn_as_nothing() -> None:
    drawing = picture([], (0.0, 0.0))
    assert of_class(drawing, "water") == of_class(drawing, "drop") == []


def test_text_and_attributes_are_escaped() -> None:
    drawn = chart.tag("text", '<script>"&', x='"><script>')
    assert "<script>" not in drawn
    assert ElementTree.fromstring(drawn).text == '<script>"&'
    assert chart.tag("g", Markup("<path></path>")) == "<g><path></path></g>"
