"""The drawing: never wider than the terminal, and as much water in it as in the plan. Plans are invented."""

import io
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from astral import Observer
from astral.sun import sun
from rich.console import Console

from controller.core.site import Hours, Rule, Site
from controller.report.timeline import lines_of, show_timeline
from controller.report.views import plan_view
from controller.shells.journal import JournalReader
from tests.report.weeks import demo_site

SITE = demo_site()
FREE = replace(SITE, watering=replace(SITE.watering, allowed=()))
TOMATOES, SALAD = SITE.zones[0].id, SITE.zones[1].id
HALVES = {"█": 2, "▌": 1, "▐": 1}


def drawn(site: Site, view: dict[str, Any], width: int) -> list[str]:
    paper = io.StringIO()
    out = Console(file=paper, width=width, highlight=False, markup=False, emoji=False)
    show_timeline(out, site, view)
    return paper.getvalue().splitlines()


def week_view(week: JournalReader) -> dict[str, Any]:
    last = week.garden()
    assert last is not None
    return plan_view(SITE, last[0])


def a_watering(*pulses: tuple[str, float], zone: str = TOMATOES) -> dict[str, Any]:
    """Pulses by start and minutes, each of 10 litres."""
    return {
        "zone": zone,
        "pulses": [{"start": start, "seconds": 60.0 * length, "litres": 10.0} for start, length in pulses],
    }


def a_view(*waterings: dict[str, Any]) -> dict[str, Any]:
    return {"waterings": list(waterings)}


def at(clock: str, day: str = "2026-07-14", offset: str = "+01:00") -> str:
    return f"{day}T{clock}:00{offset}"


def chart(lines: Sequence[str], name: str) -> str:
    """The first row of a zone, without its name."""
    return next(line for line in lines if line.startswith(name)).removeprefix(name)


# Size ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", range(30, 190, 3))
def test_no_line_is_wider_than_the_terminal(week: JournalReader, width: int) -> None:
    lines = drawn(SITE, week_view(week), width)
    assert len(lines) > 10
    assert max(map(len, lines)) <= min(width, 160)


@pytest.mark.parametrize(("width", "column"), [(40, 12), (80, 6), (100, 5), (140, 3), (160, 12)])
def test_it_is_as_fine_as_the_width_allows(width: int, column: int) -> None:
    """Worked by hand: hours 2, 5, 6 (sunrise), 20 (sunset), 21 and two breaks; at 160 the whole day. Beside
    them a name of 15 letters, cut to 9 at 40, and from 60 on the litres.
    """
    view = a_view(
        a_watering((at("02:00"), 20), (at("05:30"), 20), zone=SALAD), a_watering((at("21:10"), 30))
    )
    assert drawn(SITE, view, width)[-1].endswith(f"column is {column} min")


def test_nothing_planned_is_nothing_drawn() -> None:
    assert drawn(SITE, a_view(), 80) == []


def test_a_day_that_fits_no_line_is_continued_below() -> None:
    every_hour = [a_watering((at(f"{hour:02}:10"), 20)) for hour in range(24)]
    lines = drawn(FREE, a_view(*every_hour), 40)
    hours = "".join(line for line in lines if ":00" in line and "sun" not in line)
    assert [hours.count(f"{hour:02}:00") for hour in (0, 12, 21)] == [1, 1, 1]
    rows = [line for line in lines if line.startswith("Tomatoes")]
    assert len(rows) == 2
    assert sum(HALVES.get(sign, 0) for row in rows for sign in row) == 24


# What is drawn ------------------------------------------------------------------------------------


def test_a_small_plan_sign_by_sign() -> None:
    """Worked by hand: sunrise is at 06:18, so hours 4 to 6; 30 columns hold 180 min at 6 min a column.
    A half-column is filled by its middle: 04:31 to 04:55 are the halves from 04:30 to 04:54.
    """
    view = a_view(
        a_watering((at("04:00"), 30), (at("05:00"), 30)),
        a_watering((at("04:31"), 24), zone=SALAD),
    )
    assert drawn(FREE, view, 40) == [
        "Tuesday 14 July 2026, 30 L",
        "                   sunrise 06:18 ↑",
        "Tomatoes  █████─────█████     ·  │",
        "Salad se… ·    ████ ·         ·  │",
        "          04:00     05:00     06:00",
        "",
        "█ water  ─ rest",
        "↑ sunrise  ↓ sunset  a column is 6 min",
    ]


@pytest.mark.parametrize("width", [40, 60, 80, 110, 140, 160])
def test_the_water_drawn_is_the_water_planned(week: JournalReader, width: int) -> None:
    """By the minute and pulse: each end of a pulse may be half a half-column off, and the shortest is one."""
    view = week_view(week)
    lines = drawn(SITE, view, width)
    found = re.search(r"column is (\d+) min", lines[-1])
    assert found is not None
    half_min = int(found[1]) / 2.0
    halves = sum(HALVES.get(sign, 0) for line in lines[:-2] for sign in line if not line.startswith("█"))
    planned = [pulse["seconds"] / 60.0 for each in view["waterings"] for pulse in each["pulses"]]
    assert len(planned) > 10
    assert halves * half_min == pytest.approx(sum(planned), abs=half_min * len(planned))


@pytest.mark.parametrize("width", [40, 60, 80, 110, 140])
def test_every_pulse_and_every_rest_is_seen(width: int) -> None:
    """Two minutes each, at columns of up to 15 minutes."""
    short = a_watering((at("04:00"), 20), (at("04:22"), 20), (at("05:20"), 2))
    others = [a_watering((at(clock), 10), zone=SALAD) for clock in ("01:00", "21:30")]
    row = chart(drawn(SITE, a_view(short, *others), width), "Tomatoes ")
    water = "".join({"█": "ww", "▌": "w ", "▐": " w"}.get(sign, "  ") for sign in row)
    assert len(water.split()) == 3


def test_a_rest_is_one_within_a_watering_only() -> None:
    dawn, dusk = a_watering((at("04:00"), 20), (at("05:00"), 20)), a_watering((at("06:00"), 20))
    row = chart(drawn(FREE, a_view(dawn, dusk), 60), "Tomatoes ")
    assert "─" in row[: row.index("█", row.index("─"))]
    assert row.count("─") * 4 <= 60
    assert "─" not in row[row.rindex("█") - 6 :]


def test_zones_stand_in_the_order_of_the_config_with_their_litres(week: JournalReader) -> None:
    view = week_view(week)
    lines = drawn(SITE, view, 80)
    first_day = lines[: lines.index("")]
    found = [(zone.name, row) for zone in SITE.zones for row in first_day if row.startswith(zone.name)]
    rows = [row for _, row in found]
    assert len(rows) > 3
    assert rows == [row for row in first_day[1:] if row.endswith(" L")]
    told = sum(int(line.split()[-2]) for line in rows)
    assert told == pytest.approx(float(first_day[0].split()[-2]), abs=len(rows) / 2 + 1)


# Sun, rules and clock -----------------------------------------------------------------------------


@pytest.mark.parametrize("day", [date(2026, 5, 3), date(2026, 7, 14), date(2026, 9, 20)])
@pytest.mark.parametrize("width", [80, 120, 160])
def test_sunrise_and_sunset_are_where_the_sun_is(day: date, width: int) -> None:
    """Outside check: the package astral, to a minute or two."""
    told = sun(Observer(SITE.latitude_deg, SITE.longitude_deg), day, tzinfo=SITE.timezone)
    view = a_view(
        a_watering(((told["sunrise"] - timedelta(hours=1)).isoformat(), 20)),
        a_watering(((told["sunset"] + timedelta(minutes=20)).isoformat(), 20)),
    )
    lines = drawn(SITE, view, width)
    for word in ("sunrise", "sunset"):
        found = re.search(rf"{word} (\d\d):(\d\d)", lines[1])
        assert found is not None
        minute = told[word].hour * 60 + told[word].minute + told[word].second / 60.0
        assert int(found[1]) * 60 + int(found[2]) == pytest.approx(minute, abs=2.0)
    columns = [place for place, sign in enumerate(lines[2]) if sign == "│"]
    assert columns == [lines[1].index("↑"), lines[1].index("↓")]


def test_hours_in_which_no_water_may_run_are_marked() -> None:
    """The demo's rule: 20:00 to 09:00. At 160 columns the whole day is shown, 10 minutes to a column."""
    view = a_view(a_watering((at("05:00"), 20)))
    row = chart(drawn(SITE, view, 160), "Tomatoes ")
    assert row.count("░") == 11 * 6
    assert (row.index("░"), row.rindex("░")) == (9 * 6, 20 * 6 - 1)
    by_day = replace(SITE, watering=replace(SITE.watering, allowed=(Hours(time(6), time(18)),)))
    row = chart(drawn(by_day, view, 160), "Tomatoes ")
    assert (row[0], row[7 * 6], row[18 * 6]) == ("░", "·", "░")
    assert "closed by" not in drawn(FREE, view, 160)[-1]
    assert "░" not in "".join(drawn(FREE, view, 160))


def test_a_window_that_ends_within_a_shown_hour_is_marked_and_explained() -> None:
    until_half_past_six = replace(
        SITE, watering=replace(SITE.watering, allowed=(Hours(time(20), time(6, 30)),))
    )
    lines = drawn(until_half_past_six, a_view(a_watering((at("05:00"), 20))), 60)
    assert lines[3].split() == ["05:00", "06:00"]
    half = (lines[3].index("06:00") - lines[3].index("05:00")) // 2
    assert lines[2].count("░") == half
    assert lines[2].index("░") == lines[3].index("06:00") + half
    assert lines[-2] == "█ water  ─ rest  ░ closed by the list of allowed hours"


def test_a_ban_and_the_pumps_hours_are_marked_each_in_its_way_where_they_hold() -> None:
    """No water for the tomatoes from 06:00 to 12:00, but for the salad; the pump is quiet from 13:00 to 15:00."""
    ban = Rule("the morning ban", forbids=True, hours=(Hours(time(6), time(12)),), zones=frozenset({TOMATOES}))
    quiet = replace(FREE.supplies[0], quiet=(Hours(time(13), time(15)),))
    site = replace(FREE, rules=(ban,), supplies=(quiet,))
    lines = drawn(site, a_view(a_watering((at("04:00"), 20)), a_watering((at("04:00"), 20), zone=SALAD)), 160)
    banned, free = chart(lines, "Tomatoes "), chart(lines, "Salad")
    assert (banned.count("×"), free.count("×")) == (6 * 5 - 1, 0), "one column of it shows the sunrise"
    assert banned.index("▒") - banned.index("█") == (13 - 4) * 5
    assert banned.count("▒") == free.count("▒") == 2 * 5
    assert {"× closed by the morning ban", "▒ closed by the pump's quiet time"} <= set(lines[-1].split("  "))


def test_water_is_seen_where_none_may_run() -> None:
    """As when somebody asks for it by hand at noon."""
    row = chart(drawn(SITE, a_view(a_watering((at("12:00"), 60))), 60), "Tomatoes ")
    assert set(row[: row.rindex("█") + 1]) == {"█"}


def test_where_the_sun_does_not_set_it_is_not_marked() -> None:
    north = replace(FREE, latitude_deg=69.6, longitude_deg=18.9, timezone=ZoneInfo("Europe/Oslo"))
    lines = drawn(north, a_view(a_watering((at("05:00", offset="+02:00"), 20))), 160)
    assert lines[1] == ""
    assert "│" not in lines[2]
    assert "█" in lines[2]


def test_water_over_midnight_is_on_both_days() -> None:
    view = a_view(a_watering((at("23:40"), 40)))
    lines = drawn(FREE, view, 60)
    titles = [line for line in lines if "2026" in line]
    assert titles == ["Tuesday 14 July 2026, 10 L", "Wednesday 15 July 2026, 0 L"]
    found = re.search(r"column is (\d+) min", lines[-1])
    assert found is not None
    rows = [line for line in lines if line.startswith("Tomatoes")]
    shown = [sum(HALVES.get(sign, 0) for sign in row) * int(found[1]) / 2.0 for row in rows]
    assert shown == pytest.approx([20.0, 20.0], abs=int(found[1]) / 2.0)


def test_the_hour_that_comes_twice_is_drawn_twice() -> None:
    """Clocks in Lisbon go from 02:00 back to 01:00 on 25 October 2026. Water in the first of these hours."""
    view = a_view(a_watering((at("01:00", "2026-10-25"), 60)))
    lines = drawn(FREE, view, 60)
    [row] = [line for line in lines if line.startswith("Tomatoes")]
    assert lines[3].split() == ["01:00", "01:00"]
    first, second = (lines[3].index("01:00"), lines[3].rindex("01:00"))
    assert row[first:second] == "█" * (second - first)
    assert "█" not in row[second:]


def test_the_hour_that_is_left_out_is_not_drawn() -> None:
    """Clocks in Lisbon go from 01:00 to 02:00 on 29 March 2026."""
    view = a_view(a_watering(("2026-03-29T00:30:00+00:00", 60)))
    lines = drawn(FREE, view, 60)
    assert lines[3].split() == ["00:00", "02:00"]
    [row] = [line for line in lines if line.startswith("Tomatoes")]
    found = re.search(r"column is (\d+) min", lines[-1])
    assert found is not None
    assert row.count("█") * int(found[1]) == 60


def test_the_axis_breaks_where_hours_are_left_out() -> None:
    begin = datetime(2026, 7, 14, tzinfo=UTC)
    hours = [begin + timedelta(hours=n) for n in (3, 4, 20)]
    [line] = lines_of(hours, 30, 8)
    assert [None if each is None else each.hour for each in line] == [3, 3, 4, 4, None, None, 20, 20]
    assert [len(each) for each in lines_of(hours, 30, 7)] == [4, 2]


# Dress --------------------------------------------------------------------------------------------


def test_colour_is_for_terminals_only() -> None:
    view = a_view(a_watering((at("04:00"), 20), (at("05:00"), 20)))
    assert "\x1b" not in "\n".join(drawn(SITE, view, 80))
    paper = io.StringIO()
    show_timeline(Console(file=paper, width=80, force_terminal=True, color_system="standard"), SITE, view)
    assert "\x1b[94m█" in paper.getvalue()
    bare = re.sub(r"\x1b\[[\d;]*m", "", paper.getvalue())
    assert bare.splitlines() == drawn(SITE, view, 80)


def test_no_name_moves_the_cursor_or_the_chart() -> None:
    first, *others = SITE.zones
    view = a_view(a_watering((at("04:00"), 20)), a_watering((at("04:00"), 20), zone=SALAD))
    for name in ("[bold]x[/]\x1b[2J\n", "Кабачки и тыквы за сараем", "番茄畑の長い名前です", "A"):
        site = replace(SITE, zones=(replace(first, name=name), *others))
        lines = drawn(site, view, 60)
        assert "\x1b" not in "".join(lines)
        wide = Console(width=60)
        at_cell = {wide.render_str(line[: line.index("█")], markup=False).cell_len for line in lines[2:4]}
        assert len(at_cell) == 1, lines
