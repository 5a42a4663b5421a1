"""The demo's picture on the terminal: the day's arc, the beds as columns of earth, the water, and what was said.

Drawn from what the controller knows (its beds, plan and notes) and, beside it, from what is true in the simulated
ground, so that one can see how well the one follows the other.
"""

from collections import deque
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from controller.core.actions import Answer, Note
from controller.core.garden import Garden, Watering
from controller.core.heat import spells
from controller.core.job import Digest
from controller.core.jobs import open_jobs
from controller.core.moment import Now, local_date, local_midnight
from controller.core.plants import plants_on
from controller.core.quality import trust
from controller.core.site import Site, Zone
from controller.core.weather import days_ahead, sun_on, weather_on
from controller.report.views import weather_view
from controller.sim.plot import Plot
from controller.sim.world import World
from controller.words import Words

LINES_KEPT = 6
DAYS_SEEN = 7
LOOK_BACK = timedelta(hours=12)
LINES_LEAST = 2
EARTH, MOIST, WATER, STRAW, EMBER, DIM = "#8a6a4a", "#4f86a6", "#7fc4e8", "#d9c27a", "#e0763c", "#7d7a72"


@dataclass(frozen=True, slots=True)
class Size:
    """How large a frame is drawn. cells: parts of a day; gauge: cells of a full bed; notes: whether there is room for
    words beside the gauge."""

    cells: int
    gauge: int
    notes: bool
    headings: tuple[str, str, str, str]


WIDE = Size(
    48, 18, True,
    ("", "wilting  ·  water in the root zone  ·  full", "", "midnight    dawn        noon             dusk"),
)  # fmt: skip
NARROW = Size(24, 7, False, ("", "water in the roots", "", "night dawn noon    dusk"))
WIDE_COLUMNS = 136
"""Fewer columns than these get the narrow picture, which fits into the usual 80."""
FIXED_ROWS = 15
"""What a frame takes beside its beds, and the lines of what happened."""


class Scene:
    """Keeps what was said and when water ran; draws a frame when asked. An outlet of the loop.

    columns, rows: of the terminal.
    """

    def __init__(self, world: World, columns: int = WIDE_COLUMNS, rows: int = 40) -> None:
        self._world = world
        self._size = WIDE if columns >= WIDE_COLUMNS else NARROW
        self._lines_shown = min(LINES_KEPT, max(LINES_LEAST, rows - FIXED_ROWS - len(world.site.zones)))
        self._said: deque[tuple[datetime, str, str]] = deque(maxlen=LINES_KEPT)
        self._wet: dict[str, set[tuple[object, int]]] = {zone.id: set() for zone in world.site.zones}
        self._under_way: dict[str, Watering] = {}
        self._hot_day_c = world.site.heat.hot_day_c
        self._heat_told: date | None = None

    def show(self, site: Site, garden: Garden, now: Now) -> None:
        """The frame is drawn by the clock, not by the loop."""

    def answer(self, answer: Answer) -> None:
        """Nobody asks in the demo."""

    def send(self, site: Site, digest: Digest) -> None:
        """The jobs are in the picture."""

    def said(self, note: Note) -> None:
        """A line below the picture. Plans and forecasts are seen in the picture itself."""
        if note.kind in ("start", "guard", "forecast", "plan"):
            return
        colour = EMBER if note.kind in ("fault", "refusal") else STRAW
        zone = f"{self._world.site.zone(note.zone).name}: " if note.zone else ""
        self._said.append((self._world.clock.utc, colour, f"{zone}{note.said}"))

    def watch(self, world: World) -> None:
        """After every step of the world: remember where water runs, and tell what has ended and what is coming."""
        now = world.clock.utc
        local = now.astimezone(world.site.timezone)
        for name in world.guard.on & self._wet.keys():
            self._wet[name].add((local.date(), self._cell(local)))
        self._tell_what_ended(now)
        found = spells(days_ahead(world.loop.garden.weather, world.site, local.date(), now, DAYS_SEEN), self._hot_day_c)
        # A spell is told when it comes into sight, not each time that the forecast shifts it.
        if found and (self._heat_told is None or found[0].first > self._heat_told + timedelta(days=1)):
            self._heat_told = found[0].last
            self._said.append((now, EMBER, str(weather_view(world.site, world.loop.garden, now)["said"])))

    def _tell_what_ended(self, now: datetime) -> None:
        """Waterings that were under way and are no more: what they gave, by the journal."""
        world = self._world
        under_way = {w.id: w for w in world.loop.garden.plan.waterings if w.begun and not w.ended}
        for watering_id in self._under_way.keys() - under_way.keys():
            watering = self._under_way[watering_id]
            given = [g for g in world.journal.given(now - LOOK_BACK, now) if g.watering == watering_id and g.litres]
            parts = "one pulse" if len(given) == 1 else f"{len(given)} pulses"
            zone = world.site.zone(watering.zone)
            litres = sum(zone.line.reaching_l(g.litres or 0.0) for g in given)
            self._said.append((now, WATER, f"{zone.name}: {watering.purpose}, {litres:.0f} L in {parts}."))
        self._under_way = under_way

    def frame(self) -> RenderableType:
        """The picture of this instant."""
        world, now = self._world, self._world.clock.utc
        local = now.astimezone(world.site.timezone)
        beds = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, show_header=True, header_style=DIM)
        for heading in self._size.headings:
            beds.add_column(heading, no_wrap=True)
        for zone in world.site.zones:
            name = Text(f"{zone.name:<16}", style="bold")
            beds.add_row(name, self._gauge(zone, now), self._doing(zone, now), self._track(zone, local))
        beds.add_row(Text(), Text(), Text(), self._sky(local))
        return Group(
            Text(),
            self._headline(local),
            Text(),
            Padding(beds, (0, 0, 0, 2)),
            Text(),
            *self._lines("For your hands", [(STRAW, line) for line in self._hands(now)]),
            Text(),
            *self._lines("What happened", self._news()),
        )

    # --- pieces ---

    def _news(self) -> list[tuple[str, str]]:
        latest = list(self._said)[-self._lines_shown :]
        return [(colour, self._stamped(at, text)) for at, colour, text in latest]

    def _stamped(self, at: datetime, text: str) -> str:
        return f"{at.astimezone(self._world.site.timezone):%a %H:%M}  {text}"

    def _headline(self, local: datetime) -> Text:
        site, garden = self._world.site, self._world.loop.garden
        today = weather_on(garden.weather, site, local.date(), self._world.clock.utc)
        hot = today.tmax_c >= site.heat.hot_day_c
        plot = self._world.garden
        air_c = plot.sky.temperature_c(self._world.clock.utc) if isinstance(plot, Plot) else today.tmin_c
        litres = sum(self._world.litres.values())
        words = self._size.notes
        return Text.assemble(
            (f"  {site.name}", "bold"),
            ("   ", ""),
            (f"{local:{'%A' if words else '%a'}} {local.day} {local:%B}, {local:%H:%M}", STRAW),
            (f"   {air_c:.0f} °C now, {today.tmax_c:.0f} °C today", EMBER if hot else ""),
            ("   hot day" if hot and words else "", f"bold {EMBER}"),
            (f"   {litres:,.0f} L{' so far' if words else ''}", WATER),
            no_wrap=True,
            overflow="ellipsis",
        )

    def _gauge(self, zone: Zone, now: datetime) -> Text:
        """What the controller believes as a filled bar; the small mark below the easy limit; the truth as a post."""
        garden, site = self._world.loop.garden, self._world.site
        bed = garden.beds[zone.id]
        plants = plants_on(zone, site, garden.weather, local_date(now, site.timezone), now, bed.hands)
        available_mm = plants.available_mm * bed.estimate.holds_factor
        full = max(0.0, 1.0 - bed.depletion_mm / available_mm)
        easy = 1.0 - plants.fraction
        bar = Text()
        filled = round(full * self._size.gauge)
        for cell in range(self._size.gauge):
            colour = MOIST if full >= easy else EMBER
            bar.append("━" if cell < filled else "╌", colour if cell < filled else EARTH)
        trusted = [trust(s, garden.probes[s.id], bed.estimate, now) for s in site.probes_of(zone.id)]
        note = "no probe" if not trusted else ("probe not believed" if max(trusted) == 0.0 else "")
        bar.append(f" {full * available_mm:3.0f} of {available_mm:2.0f} mm", "")
        if not self._size.notes:
            return bar
        bar.append(" ")
        bar.append(f"{note:<18}", DIM if note == "no probe" else EMBER)
        return bar

    def _doing(self, zone: Zone, now: datetime) -> Text:
        garden = self._world.loop.garden
        mine = [w for w in garden.plan.waterings if w.zone == zone.id and not w.ended]
        running = [p for w in mine for p in w.pulses if p.state == "running"]
        if running:
            left_min = (running[0].end - now).total_seconds() / 60.0
            return Text(f"≈ {left_min:3.0f} min", style=f"bold {WATER}")
        begun = [w for w in mine if w.begun]
        if begun:
            return Text("· soaks in", style=MOIST)
        if not mine:
            return Text(" " * 10)
        start = min(w.next_start for w in mine).astimezone(self._world.site.timezone)
        return Text(f" {start:%a %H:%M}", style=DIM)

    def _track(self, zone: Zone, local: datetime) -> Text:
        """Today, in its cells: where water ran, and where it is planned."""
        garden, timezone = self._world.loop.garden, self._world.site.timezone
        planned = {
            self._cell(p.start.astimezone(timezone))
            for w in garden.plan.waterings
            for p in w.pulses
            if w.zone == zone.id and p.state == "planned" and local_date(p.start, timezone) == local.date()
        }
        track = Text()
        for cell in range(self._size.cells):
            if (local.date(), cell) in self._wet[zone.id]:
                track.append("█", WATER)
            elif cell in planned and cell >= self._cell(local):
                track.append("░", MOIST)
            else:
                track.append("·", EARTH)
        return track

    def _sky(self, local: datetime) -> Text:
        """The sun on its way through the same cells."""
        sun = sun_on(self._world.site, local.date())
        midnight = local_midnight(local.date(), self._world.site.timezone)
        row = Text()
        for cell in range(self._size.cells):
            at = midnight + timedelta(days=cell / self._size.cells)
            light = sun.sunrise is not None and sun.sunset is not None and sun.sunrise <= at <= sun.sunset
            if cell == self._cell(local):
                row.append("●", STRAW if light else "#c9d3e6")
            else:
                row.append("─" if light else " ", STRAW)
        return row

    def _hands(self, now: datetime) -> list[str]:
        site, words = self._world.site, Words(self._world.site)
        due = [job for job in open_jobs(site, self._world.loop.garden, now) if job.due_from <= now]
        return [words.say(job.what) for job in due[:4]] or ["Nothing just now."]

    def _cell(self, local: datetime) -> int:
        return (local.hour * 60 + local.minute) * self._size.cells // 1440

    def _lines(self, title: str, lines: list[tuple[str, str]]) -> list[RenderableType]:
        rows: list[RenderableType] = [Text(f"  {title}", style="bold")]
        for colour, line in lines:
            rows.append(Text.assemble(("  · ", DIM), (line, colour), no_wrap=True, overflow="ellipsis"))
        return rows
