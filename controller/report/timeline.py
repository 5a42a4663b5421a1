"""The plan drawn in the terminal: the days one below the other, zones by rows, time from left to right.

All days show the same hours at the same scale, so that they can be compared at a glance: the hours in which
something happens on any of them, as finely as the terminal is wide, or the whole day where that is fine
enough. A column has two halves, each filled by what goes on in its middle. No pulse is so short that it is not
drawn, and a short rest gives way only to a pulse.

Columns are instants, not times of the clock: an hour that comes twice is drawn twice, one that is left out
not at all.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from math import ceil
from types import MappingProxyType
from typing import Any, Literal

from rich.console import Console
from rich.text import Text

from controller.core.moment import day_bounds, local_date
from controller.core.rules import HOUSE, Closed, closed
from controller.core.site import Site
from controller.core.weather import sun_on
from controller.report.text import day_name, say, words

COLUMN_MIN = (1, 2, 3, 5, 6, 10, 12, 15, 20, 30)
"""How many minutes a column may stand for: whole parts of an hour."""
WHOLE_DAY_MIN = 12
"""Hours without water are shown too where a column then stands for no more than this."""
WIDEST = 160
BREAK = 2
"""Blank columns where hours are left out."""
LITRES_FROM, LITRES_WIDTH = 60, 7
"""A terminal this wide has the litres of the day behind each row, in a column of that width."""
HOUR = timedelta(hours=1)

State = Literal["none", "rest", "water"]
Sign = tuple[str, str]
"""A character and its style."""
Span = tuple[datetime, datetime]
Columns = list[datetime | None]
"""The instants at which the columns of one line begin; None in a break."""

FILLED: Mapping[tuple[State, State], Sign] = MappingProxyType({
    ("water", "water"): ("█", "bright_blue"),
    ("water", "rest"): ("▌", "bright_blue"),
    ("water", "none"): ("▌", "bright_blue"),
    ("rest", "water"): ("▐", "bright_blue"),
    ("none", "water"): ("▐", "bright_blue"),
    ("rest", "rest"): ("─", "bright_blue"),
    ("rest", "none"): ("─", "bright_blue"),
    ("none", "rest"): ("─", "bright_blue"),
})  # fmt: skip
"""The sign of a column by its two halves; where both are empty, the ground is seen."""
SUN: Sign = ("│", "yellow")
OUT_OF_HOURS: Sign = ("░", "dim")
PUMP_OFF: Sign = ("▒", "dim")
BANNED: Sign = ("×", "red")
"""A time in which a zone may not be watered: by the hours of the house, the pump, or a rule of the place."""
FULL_HOUR: Sign = ("·", "dim")
EMPTY: Sign = (" ", "")


@dataclass(frozen=True, slots=True)
class Row:
    """A zone's day. waterings: the pulses of each that touches it; litres: of the pulses that begin on it; closed: the
    times in which it may not be watered."""

    name: str
    waterings: tuple[tuple[Span, ...], ...]
    litres: float
    closed: tuple[Closed, ...]

    @property
    def pulses(self) -> list[Span]:
        return [pulse for watering in self.waterings for pulse in watering]


@dataclass(frozen=True, slots=True)
class Frame:
    """What all days share. column_min: minutes to a column; the widths in columns."""

    column_min: int
    name_width: int
    chart_width: int
    litres_width: int

    @property
    def half(self) -> timedelta:
        return timedelta(minutes=self.column_min) / 2


def show_timeline(out: Console, site: Site, view: Mapping[str, Any]) -> None:
    """The plan of `views.plan_view`, as wide as the terminal; nothing if there is nothing in it."""
    days = {day: rows for day in _days(site, view) if (rows := _rows(site, view, day))}
    if not days:
        return
    shown = _hours_shown(site, days)
    frame = _frame(site, days, shown, min(out.width, WIDEST))
    whole_day = _frame(site, days, range(24), min(out.width, WIDEST))
    if whole_day.column_min <= WHOLE_DAY_MIN:
        shown, frame = range(24), whole_day
    named: dict[str, Sign] = {}
    for day, rows in days.items():
        say(out, f"{day_name(day)}, {sum(row.litres for row in rows):.0f} L", "bold")
        for columns in lines_of(_hours(site, day, shown), frame.column_min, frame.chart_width):
            named |= _show_line(out, site, day, rows, frame, columns)
        out.print()
    _show_key(out, frame, named)


# What is to be drawn ------------------------------------------------------------------------------


def _days(site: Site, view: Mapping[str, Any]) -> list[date]:
    """Every day from the first pulse to the last."""
    ends = [at for each in view["waterings"] for pulse in _pulses(each) for at in pulse]
    touched = [local_date(at, site.timezone) for at in ends]
    if not touched:
        return []
    return [min(touched) + timedelta(days=n) for n in range((max(touched) - min(touched)).days + 1)]


def _rows(site: Site, view: Mapping[str, Any], day: date) -> list[Row]:
    """The zones that have water on a day, in the order of the config."""
    whole_day = day_bounds(day, site.timezone)
    rows: list[Row] = []
    for zone in site.zones:
        mine = [each for each in view["waterings"] if each["zone"] == zone.id]
        waterings = tuple(pulses for each in mine if _overlap(pulses := _pulses(each), whole_day))
        begun = [pulse for each in mine for pulse in each["pulses"] if _begins(site, pulse, day)]
        if waterings:
            litres = sum(pulse["litres"] for pulse in begun)
            rows.append(Row(zone.name, waterings, litres, tuple(closed(site, zone, *whole_day))))
    return rows


def _pulses(watering: Mapping[str, Any]) -> tuple[Span, ...]:
    starts = sorted((datetime.fromisoformat(each["start"]), each["seconds"]) for each in watering["pulses"])
    return tuple((start, start + timedelta(seconds=length_s)) for start, length_s in starts)


def _begins(site: Site, pulse: Mapping[str, Any], day: date) -> bool:
    return local_date(datetime.fromisoformat(pulse["start"]), site.timezone) == day


def _overlap(spans: Iterable[Span], other: Span) -> bool:
    return any(start < other[1] and end > other[0] for start, end in spans)


# The axis -----------------------------------------------------------------------------------------


def _hours_shown(site: Site, days: Mapping[date, Sequence[Row]]) -> Sequence[int]:
    """The hours of the clock with water on any of the days; and with sunrise or sunset, if that is near."""
    shown: set[int] = set()
    for day, rows in days.items():
        pulses = [pulse for row in rows for pulse in row.pulses]
        for begin in _hours(site, day, range(24)):
            bright = any(begin <= at < begin + HOUR for at in _sun(site, day).values())
            if _overlap(pulses, (begin - HOUR, begin + 2 * HOUR) if bright else (begin, begin + HOUR)):
                shown.add(begin.astimezone(site.timezone).hour)
    # One hour left out would hardly make room for the break that it needs.
    return sorted(shown | {hour + 1 for hour in shown if hour + 2 in shown})


def _hours(site: Site, day: date, shown: Sequence[int]) -> list[datetime]:
    """The instants at which the hours of a day begin, of those that are shown."""
    begin, end = day_bounds(day, site.timezone)
    hours = [begin + n * HOUR for n in range(ceil((end - begin) / HOUR))]
    return [hour for hour in hours if hour.astimezone(site.timezone).hour in shown]


def _frame(site: Site, days: Mapping[date, Sequence[Row]], shown: Sequence[int], width: int) -> Frame:
    """The finest scale at which each day fits into one line; if none does, the coarsest. Names longer than a
    fifth of the width are cut.
    """
    longest = max(len(row.name) for rows in days.values() for row in rows)
    name_width = min(longest, max(9, width // 5))
    litres_width = LITRES_WIDTH if width >= LITRES_FROM else 0
    chart_width = width - name_width - 1 - litres_width
    hours = [_hours(site, day, shown) for day in days]
    fitting = (
        column_min for column_min in COLUMN_MIN
        if all(len(lines_of(each, column_min, chart_width)) == 1 for each in hours)
    )  # fmt: skip
    return Frame(next(fitting, COLUMN_MIN[-1]), name_width, chart_width, litres_width)


def lines_of(hours: Sequence[datetime], column_min: int, width: int) -> list[Columns]:
    """Hours side by side at a scale, with breaks between those that do not follow one another, on as many
    lines as it takes.
    """
    lines: list[Columns] = [[]]
    for place, hour in enumerate(hours):
        columns: Columns = [hour + timedelta(minutes=minute) for minute in range(0, 60, column_min)]
        gap: Columns = [None] * BREAK if place and hours[place - 1] + HOUR != hour else []
        if lines[-1] and len(lines[-1]) + len(gap) + len(columns) > width:
            lines.append(columns)
        else:
            lines[-1] += gap + columns
    return lines


# Drawing ------------------------------------------------------------------------------------------


def _show_line(
    out: Console, site: Site, day: date, rows: Sequence[Row], frame: Frame, columns: Columns
) -> dict[str, Sign]:
    """The sun above, the zones, the hours below. What closes any of the time that is seen, with its sign."""
    suns = {
        place: f"{word} {at.astimezone(site.timezone):%H:%M}"
        for word, at in _sun(site, day).items()
        for place, begin in enumerate(columns)
        if begin is not None and begin <= at < begin + 2 * frame.half
    }
    margin = " " * (frame.name_width + 1)
    _print(out, Text(margin).append(sun_line(suns, frame.chart_width), SUN[1]))
    named: dict[str, Sign] = {}
    for row in rows:
        line = words(row.name)
        line.truncate(frame.name_width, overflow="ellipsis", pad=True)
        line.append(" ")
        halves = _halves(row, columns, frame.half)
        for place, both in enumerate(zip(halves[::2], halves[1::2], strict=True)):
            begin = columns[place]
            shut = _closed(site, row, begin) if begin is not None else None
            if shut is not None:
                named[shut.by] = _sign_of(site, shut)
            ground = _ground(site, begin, place in suns) if shut is None or place in suns else _sign_of(site, shut)
            line.append(*FILLED.get(both, ground))
        if frame.litres_width:
            line.append(f"{row.litres:.0f} L".rjust(frame.litres_width))
        _print(out, line)
    _print(out, Text(margin).append(hours_line(site, columns), "dim"))
    return named


def _print(out: Console, line: Text) -> None:
    line.rstrip()
    out.print(line, no_wrap=True, overflow="crop")


def _halves(row: Row, columns: Columns, half: timedelta) -> list[State]:
    """What goes on in each half of each column."""
    known = [(place, begin) for place, begin in enumerate(columns) if begin is not None]
    places = [2 * place + n for place, _ in known for n in (0, 1)]
    begins = [begin + n * half for _, begin in known for n in (0, 1)]
    halves: list[State] = ["none"] * (2 * len(columns))

    def of(span: Span) -> list[int]:
        """The halves whose middle is in the span; of a shorter one the half that its own middle is in."""
        first, last = (bisect_left(begins, at - half / 2) for at in span)
        if first < last:
            return places[first:last]
        middle = span[0] + (span[1] - span[0]) / 2
        around = bisect_right(begins, middle) - 1
        return [places[around]] if around >= 0 and middle < begins[around] + half else []

    for place in (n for pulse in row.pulses for n in of(pulse)):
        halves[place] = "water"
    for watering in row.waterings:
        for before, after in pairwise(watering):
            for place in of((before[1], after[0])):
                halves[place] = "rest"
    for drawn in map(of, row.pulses):
        if drawn and all(halves[place] == "rest" for place in drawn):
            halves[drawn[0]] = "water"
    return halves


def _ground(site: Site, begin: datetime | None, sun: bool) -> Sign:
    """What is seen where a zone has neither water nor a rest, in times in which it may be watered."""
    if begin is None:
        return EMPTY
    if sun:
        return SUN
    return FULL_HOUR if begin.astimezone(site.timezone).minute == 0 else EMPTY


def _closed(site: Site, row: Row, at: datetime) -> Closed | None:
    """What closes an instant for a zone; a rule of the place rather than anything else."""
    found = [each for each in row.closed if each.start <= at < each.end]
    return max(found, key=lambda each: _sign_of(site, each) == BANNED, default=None)


def _sign_of(site: Site, shut: Closed) -> Sign:
    if any(rule.name == shut.by for rule in site.rules):
        return BANNED
    return OUT_OF_HOURS if shut.by == HOUSE else PUMP_OFF


def _sun(site: Site, day: date) -> dict[str, datetime]:
    """Sunrise and sunset, if there are any on that day, in order."""
    sun = sun_on(site, day)
    both = {"sunrise": sun.sunrise, "sunset": sun.sunset}
    return {word: at for word, at in both.items() if at is not None and local_date(at, site.timezone) == day}


def sun_line(suns: Mapping[int, str], width: int) -> str:
    """Sunrise and sunset named above their columns, in full or by the time alone, where there is room:
    sunrise rather to its left, above the soak, sunset to its right, above the refresh.
    """
    line = " " * width
    for place, said in sorted(suns.items()):
        rises = said.startswith("sunrise")
        for text in (said, said.split()[-1]):
            left, right = (f"{text} ↑", place - len(text) - 1), (f"↑ {text}", place)
            for written, start in (left, right) if rises else (right, left):
                line = _put(line, written if rises else written.replace("↑", "↓"), start)
            if line[place] != " ":
                break
    return line


def hours_line(site: Site, columns: Columns) -> str:
    """The full hours below their columns, as many as there is room for; those that follow a break first."""
    line = " " * len(columns)
    first = [place for place in range(len(columns)) if place == 0 or columns[place - 1] is None]
    for place in [*first, *range(len(columns))]:
        begin = columns[place]
        local = begin.astimezone(site.timezone) if begin is not None else None
        if local is not None and local.minute == 0:
            line = _put(line, f"{local:%H:%M}", place)
    return line


def _put(line: str, text: str, start: int) -> str:
    """The line with a text in it, if there is room for it with a blank on both sides."""
    end = start + len(text)
    if start < 0 or end > len(line) or line[max(0, start - 1) : end + 1].strip():
        return line
    return line[:start] + text + line[end:]


def _show_key(out: Console, frame: Frame, named: Mapping[str, Sign]) -> None:
    """What the signs mean."""
    signs = ["█ water", "─ rest"]
    for sign in dict.fromkeys(named.values()):
        signs.append(f"{sign[0]} closed by {' and '.join(by for by in named if named[by] == sign)}")
    times = ["↑ sunrise", "↓ sunset", f"a column is {frame.column_min} min"]
    in_one = "  ".join([*signs, *times])
    for line in [in_one] if len(in_one) <= out.width else ["  ".join(signs), "  ".join(times)]:
        say(out, line, "dim")
