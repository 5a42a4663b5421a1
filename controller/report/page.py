"""The garden as one HTML file: what is going on, what hands must do, and each zone's water with its reasons.

It needs no network, runs no script and loads nothing: a policy in its head forbids both, and every text is
escaped by the template engine. It reads on a phone of 360 px and on a desk, by day and in the dark.
"""

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from itertools import chain, groupby, repeat
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from controller.core.garden import Garden
from controller.core.heat import spells
from controller.core.jobs import jobs
from controller.core.moment import Now, day_bounds, local_date
from controller.core.site import Site, Zone
from controller.core.weather import days_ahead, weather_on
from controller.report import chart
from controller.report.bed import hands_said, hands_then, learnt_said, place_said, trust_said
from controller.report.explain import Decision, Step, count, decision, glued, purpose_and_why
from controller.report.given import Total, Watered, assembled, total
from controller.report.history import curve, days_past
from controller.report.planned import Planned, planned
from controller.report.views import in_a_sentence, job_view, plan_view, weather_view, zone_view
from controller.shells.journal import JournalReader
from controller.words import Words

DAYS = 14
"""How far the page looks back; at least a week is drawn, even if little is known of it."""
WEEK = 7
FIRST_SHOWN = 6
KNOWN = ("measured", "forecast", "aged forecast")
HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class ZonePage:
    """A zone as the page shows it."""

    zone: Zone
    state: str
    sentences: tuple[str, ...]
    learnt: str
    core: Markup
    days: Markup
    span: str
    sums: Total
    last: Decision | None
    last_heading: str

    @property
    def parts(self) -> list[tuple[str, list[Step]]]:
        """The arithmetic of the last watering, part by part."""
        steps = [step for step in self.last.steps if step.matters] if self.last is not None else []
        return [(part, list(listed)) for part, listed in groupby(steps, key=lambda step: step.part)]


def render_page(site: Site, garden: Garden, reader: JournalReader, now: Now) -> str:
    """The whole page. The garden must fit the site (`core.step.fit_to_site`)."""
    today = local_date(now.utc, site.timezone)
    since = today - timedelta(days=DAYS - 1)
    plans = planned(reader, site, since, today)
    rows = assembled(reader, site, since, today, plans)
    style = (HERE / "page.css").read_text("utf-8")
    waterings = plan_view(site, garden)["waterings"]
    return _template().render(
        site=site,
        style=Markup(style),  # ours, not anybody's input; the policy names its hash
        style_hash=base64.b64encode(hashlib.sha256(style.encode()).digest()).decode(),
        at=now.utc.astimezone(site.timezone),
        headline=in_a_sentence(site, garden, now.utc),
        weather=_weather(site, garden, now.utc),
        faults=[(fault.said, fault.since.astimezone(site.timezone)) for fault in garden.faults.values()],
        jobs=_jobs(site, garden, now.utc),
        words=Words(site),
        soon=_by_day(site, waterings[:FIRST_SHOWN]),
        later=_by_day(site, waterings[FIRST_SHOWN:]),
        remarks=plan_view(site, garden)["remarks"],
        zones=[_zone(site, garden, reader, zone, rows, plans, now.utc, since) for zone in site.zones],
        sums=total(rows),
        since=since,
    )


@cache
def _template() -> Template:
    room = Environment(
        loader=FileSystemLoader(HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    room.filters["day"] = lambda day: f"{day:%A} {day.day} {day:%B}"
    room.filters["clock"] = lambda at: f"{at:%H:%M}"
    room.filters["whole"] = lambda value: f"{value:.0f}"
    room.filters["count"] = count
    room.filters["kept"] = kept
    room.filters["sentence"] = lambda text: text[:1].upper() + text[1:]
    return room.get_template("page.html.j2")


def kept(text: str) -> str:
    """A sentence in which no number is parted from its unit at the end of a line."""
    return glued(text.replace(" m2", " m²").replace("m3/m3", "m³/m³"), "\N{NO-BREAK SPACE}")


def _weather(site: Site, garden: Garden, now: datetime) -> dict[str, Any]:
    view = weather_view(site, garden, now)
    ahead = days_ahead(garden.weather, site, local_date(now, site.timezone), now, WEEK)
    known = any(day.basis in KNOWN for day in ahead)
    heat = spells(ahead, site.heat.hot_day_c)
    return {
        "said": view["said"]
        if known
        else "No forecast and no measurement: the season's usual weather is assumed.",
        "hot": bool(heat),
        "learnt": place_said(site, garden.weather),
        "days": [(date.fromisoformat(day["day"]), day) for day in view["days"]] if known else [],
    }


def _jobs(site: Site, garden: Garden, now: datetime) -> list[dict[str, Any]]:
    """The open jobs, then those that are done; what was left out or is too late is not the page's news."""
    words = Words(site)
    listed = [job for job in jobs(site, garden, now) if job.state(now) in ("open", "done")]
    listed.sort(key=lambda job: job.done is not None)
    return [{**job_view(site, job, words, now), "of_heat": job.of_heat} for job in listed]


def _by_day(site: Site, waterings: Sequence[dict[str, Any]]) -> list[tuple[date, list[dict[str, Any]]]]:
    """The coming waterings under their days. A purpose and reason that several share in a row is said once, with the
    first of them."""
    shown = [
        {
            "start": datetime.fromisoformat(each["start"]),
            "name": site.zone(each["zone"]).name,
            "litres": each["litres"],
            "pulses": len(each["pulses"]),
            "why": why,
            "first": first,
        }
        for _, listed in groupby(waterings, key=lambda each: str(each["start"])[:10])
        for why, alike in groupby(listed, key=purpose_and_why)
        for first, each in zip(chain([True], repeat(False)), alike, strict=False)
    ]
    return [(day, list(listed)) for day, listed in groupby(shown, key=lambda each: each["start"].date())]


# A zone -------------------------------------------------------------------------------------------


def _zone(
    site: Site, garden: Garden, reader: JournalReader, zone: Zone, rows: Sequence[Watered],
    plans: dict[str, Planned], now: datetime, since: date,
) -> ZonePage:  # fmt: skip
    view = zone_view(site, garden, zone, now)
    states = hands_then(reader, zone, now)
    mine = [row for row in rows if row.zone == zone.id]
    last = max((row for row in mine if not row.refused), key=lambda row: row.start, default=None)
    picture, span = _picture(site, garden, reader, zone, mine, now, since, view["readily_available_mm"])
    missing_mm, all_mm, easy_mm = (
        view[key] for key in ("depletion_mm", "available_mm", "readily_available_mm")
    )
    full = 1.0 - missing_mm / all_mm
    state = _state(missing_mm, easy_mm, view["valve"] == "open")
    return ZonePage(
        zone=zone,
        state=state,
        sentences=(*_sentences(site, garden, zone, view, now), *hands_said(site, states)),
        learnt=learnt_said(zone, site, garden.beds[zone.id].estimate),
        core=chart.core(
            full, easy_mm / all_mm, f"Ground of {zone.name}: {100 * full:.0f} % of its water is there"
        ),
        days=picture,
        span=span,
        sums=total(mine),
        last=decision(site, zone, plans.get(last.id), last, states) if last is not None else None,
        last_heading=f"Why {last.litres:.0f} L on {last.day:%A} {last.day.day} {last.day:%B}?"
        if last
        else "",
    )


def _state(missing_mm: float, easy_mm: float, open_now: bool) -> str:
    """One word for the plants' water."""
    if open_now:
        return "drinking"
    if missing_mm <= 0.5 * easy_mm:
        return "plenty"
    return "enough" if missing_mm <= easy_mm else "thirsty"


def _sentences(
    site: Site, garden: Garden, zone: Zone, view: dict[str, Any], now: datetime
) -> tuple[str, ...]:
    missing_mm, all_mm, easy_mm = (
        view[key] for key in ("depletion_mm", "available_mm", "readily_available_mm")
    )
    left_mm = easy_mm - missing_mm
    unsure = f" (give or take {max(1.0, garden.beds[zone.id].sd_mm):.0f})"
    if missing_mm < 0.5:
        said = [f"Full: {all_mm:.0f} mm within reach of the roots{unsure}."]
    else:
        said = [f"{missing_mm:.0f} mm missing of the {all_mm:.0f} mm within reach of the roots{unsure}."]
    if abs(left_mm) < 0.5:
        said.append("Any more, and they suffer.")
    elif left_mm > 0:
        said.append(f"{left_mm:.0f} mm more before they suffer.")
    else:
        said.append(f"That is {-left_mm:.0f} mm more than they draw with ease.")
    if view["held"]:
        until = view["held_until"]
        said.append(
            f"On hold until {datetime.fromisoformat(until):%A %H:%M}." if until else "On hold until released."
        )
    coming = view["next_watering"]
    if coming is not None:
        said.append(f"Next: {datetime.fromisoformat(coming['start']):%A %H:%M}, {coming['litres']:.0f} L.")
    trusted = trust_said(site, garden, zone, now)
    return tuple(said) if trusted is None else (*said, trusted)


def _picture(
    site: Site, garden: Garden, reader: JournalReader, zone: Zone, mine: Sequence[Watered], now: datetime,
    since: date, readily_mm: float,
) -> tuple[Markup, str]:  # fmt: skip
    bed = garden.beds[zone.id]
    past = days_past(reader, site, bed, since)
    today = local_date(now, site.timezone)
    first = min(
        [past[0].ledger.day if past else today, today - timedelta(days=WEEK - 1), *(row.day for row in mine)]
    )
    begin = day_bounds(first, site.timezone)[0]
    openings = [each for each in reader.openings(begin, now) if each.zone == zone.id]
    points = [point for point in curve(site, zone, bed, past, openings) if begin <= point.at]
    shown = [
        _day(site, garden, first + timedelta(days=n), mine, now) for n in range((today - first).days + 1)
    ]
    span = f"{first.day} {first:%B} to {today.day} {today:%B}"
    label = f"Water of {zone.name} from {span}; {total(mine).litres:.0f} L were given"
    return chart.days(points, shown, readily_mm, label), span


def _day(site: Site, garden: Garden, day: date, mine: Sequence[Watered], now: datetime) -> chart.Day:
    begin, end = day_bounds(day, site.timezone)
    weather = weather_on(garden.weather, site, day, now)
    hot = weather.basis in KNOWN and weather.tmax_c >= site.heat.hot_day_c
    rows = [row for row in mine if row.day == day]
    spoilt = any(row.refused or (not row.whole and row.short_litres >= 1.0) for row in rows)
    return chart.Day(day, begin, end, total(rows).litres, weather.tmax_c if hot else None, spoilt)
