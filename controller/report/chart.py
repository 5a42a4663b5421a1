"""Drawings in SVG, written by hand: a zone's ground as pores, and its water over the last days.

The ground: wide pores above hold what plants draw easily, narrow ones below what they must work for. Filled
pores are water that is there; it empties from the top. The days: a water level that sinks with the sun and
rises with each watering, drops for the litres below, hot days as a warm band behind.

Every text and number goes through one writer that escapes it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import sqrt

from markupsafe import Markup, escape

from controller.report.history import Point

Piece = Markup | str


def tag(name: str, /, *inside: Piece, **attributes: object) -> Markup:
    """An element, its text escaped. Attribute names: `_` stands for `-`; a trailing one is dropped."""
    written = Markup("").join(
        Markup(' {}="{}"').format(Markup(key.rstrip("_").replace("_", "-")), _value(value))
        for key, value in attributes.items()
    )
    return Markup("<{0}{1}>{2}</{0}>").format(
        Markup(name), written, Markup("").join(escape(each) for each in inside)
    )


def _value(value: object) -> str:
    return f"{value:.1f}" if isinstance(value, float) else str(value)


# The ground ---------------------------------------------------------------------------------------

PORES_WIDE, ROWS = 6, 10
CORE_WIDTH, CORE_HEIGHT = 96.0, 150.0


def core(full: float, easy: float, label: str) -> Markup:
    """A piece of ground. full: share of the available water that is there; easy: share that is easily drawn,
    0 to 1.
    """
    easy_rows = min(ROWS - 1, max(1, round(ROWS * easy)))
    filled = round(min(1.0, max(0.0, full)) * ROWS * PORES_WIDE)
    step_x, step_y = CORE_WIDTH / PORES_WIDE, (CORE_HEIGHT - 14.0) / ROWS
    pores: list[Piece] = []
    for row in range(ROWS):
        for place in range(PORES_WIDE):
            from_below = (ROWS - 1 - row) * PORES_WIDE + place
            wet = "wet" if from_below < filled else "dry"
            wide = row < easy_rows
            # Ground is not graph paper: every pore a little off its place, the same each time.
            off = ((row * 37 + place * 61) % 17 - 8) / 8.0
            x = (place + 0.5) * step_x + 1.6 * off
            y = 14.0 + (row + 0.5) * step_y - 1.4 * off * (-1) ** place
            pores.append(tag("circle", class_=wet, cx=x, cy=y, r=(5.0 if wide else 3.0) + 0.5 * off))
    line_y = 14.0 + easy_rows * step_y
    return tag(
        "svg",
        tag("title", label),
        tag("rect", class_="ground", x=0, y=10, width=CORE_WIDTH, height=CORE_HEIGHT - 10.0, rx=3),
        tag("path", class_="stalk", d="M30 11q-2-6-7-8 7 0 8 6 1-7 7-9-5 4-5 11"),
        *pores,
        tag("line", class_="limit", x1=0, y1=line_y, x2=CORE_WIDTH, y2=line_y),
        class_="core", viewBox=f"0 0 {CORE_WIDTH:g} {CORE_HEIGHT:g}", role="img",
    )  # fmt: skip


# The days -----------------------------------------------------------------------------------------

LEFT, RIGHT, TOP, LEVEL, DROPS, WIDTH = 4.0, 336.0, 18.0, 92.0, 34.0, 340.0
HEIGHT = TOP + LEVEL + DROPS + 34.0


@dataclass(frozen=True, slots=True)
class Day:
    """A day of the picture. hot_c: its maximum if it was a hot day; litres: given; spoilt: something went
    wrong.
    """

    day: date
    begin: datetime
    end: datetime
    litres: float
    hot_c: float | None
    spoilt: bool


def days(points: Sequence[Point], shown: Sequence[Day], readily_mm: float, label: str) -> Markup:
    """The water of a zone over some days; `points` in order and inside them."""
    first, last = shown[0].begin, shown[-1].end
    span_s = (last - first).total_seconds()
    deepest_mm = max([1.25 * readily_mm, *(1.08 * point.depletion_mm for point in points)])

    def x_of(at: datetime) -> float:
        return LEFT + (RIGHT - LEFT) * (at - first).total_seconds() / span_s

    def y_of(depletion_mm: float) -> float:
        return TOP + LEVEL * max(0.0, depletion_mm) / deepest_mm  # more than full is drawn as full

    pieces: list[Piece] = [tag("title", label)]
    for each in shown:
        pieces += _band(each, x_of(each.begin), x_of(each.end))
    pieces += _level([(x_of(point.at), y_of(point.depletion_mm)) for point in points])
    limit_y = y_of(readily_mm)
    pieces.append(tag("line", class_="limit", x1=LEFT, y1=limit_y, x2=RIGHT, y2=limit_y))
    most_l = max([1.0, *(each.litres for each in shown)])
    for each in shown:
        pieces += _drop(each, (x_of(each.begin) + x_of(each.end)) / 2.0, most_l)
    return tag("svg", *pieces, class_="days", viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", role="img")


def _band(each: Day, left: float, right: float) -> list[Piece]:
    """The day's name below, and behind a hot day its warmth."""
    middle = (left + right) / 2.0
    name = f"{each.day:%a}"[:2]
    pieces: list[Piece] = [
        tag("text", name, class_="name", x=middle, y=HEIGHT - 14.0),
        tag("text", str(each.day.day), class_="name", x=middle, y=HEIGHT - 3.0),
    ]
    if each.hot_c is not None:
        pieces.insert(
            0, tag("rect", class_="hot", x=left, y=0.0, width=right - left + 0.5, height=TOP + LEVEL)
        )
        pieces.append(tag("text", f"{each.hot_c:.0f}°", class_="heat", x=middle, y=12.0))
    return pieces


def _level(line: Sequence[tuple[float, float]]) -> list[Piece]:
    """The water: filled from its level down to the floor."""
    if not line:
        return []
    path = "L".join(f"{x:.1f} {y:.1f}" for x, y in line)
    floor = TOP + LEVEL
    return [
        tag("path", class_="water", d=f"M{path}L{line[-1][0]:.1f} {floor:.1f}L{line[0][0]:.1f} {floor:.1f}Z"),
        tag("path", class_="level", d=f"M{path}"),
    ]


def _drop(each: Day, x: float, most_l: float) -> list[Piece]:
    """A drop whose area goes with the litres, hollow where something went wrong, and the litres below it."""
    if each.litres < 0.5 and not each.spoilt:
        return []
    r = max(2.2, 8.0 * sqrt(each.litres / most_l))
    base = TOP + LEVEL + 22.0
    tip, neck, shoulder = base - 2.1 * r, base - 1.2 * r, base - 0.8 * r
    near, far, left, right = x - 0.4 * r, x + 0.4 * r, x - r, x + r
    shape = (
        f"M{x:.1f} {tip:.1f}C{far:.1f} {neck:.1f} {right:.1f} {shoulder:.1f} {right:.1f} {base:.1f}"
        f"A{r:.1f} {r:.1f} 0 0 1 {left:.1f} {base:.1f}"
        f"C{left:.1f} {shoulder:.1f} {near:.1f} {neck:.1f} {x:.1f} {tip:.1f}Z"
    )
    kind = "drop spoilt" if each.spoilt else "drop"
    return [
        tag("path", class_=kind, d=shape),
        tag("text", f"{each.litres:.0f}", class_="litres", x=x, y=TOP + LEVEL + DROPS + 6.0),
    ]
