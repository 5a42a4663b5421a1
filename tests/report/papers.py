"""A small journal written by hand: a plan, what came of it, a garden, all of one day. Invented numbers."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from controller.core.actions import Note, Open
from controller.core.events import ValveClosed
from controller.core.garden import DayLedger, Figure, Need, Pulse, Watering
from controller.core.moment import Now
from controller.core.soil import believed
from controller.core.step import new_garden
from controller.core.weather import DayWeather
from controller.shells.journal import Journal
from tests.report.weeks import demo_site

DAY = date(2026, 7, 13)
DAWN = datetime(2026, 7, 13, 4, 0, tzinfo=UTC)  # 05:00 in Lisbon
NOON = Now(1000.0, datetime(2026, 7, 13, 11, 0, tzinfo=UTC))


def a_soak(
    zone: str = "salad",
    litres: float = 100.0,
    short_mm: float = 0.0,
    rain_mm: float = 0.0,
    below_mm: float = 0.0,
    et0_how: str = "invented",
) -> Watering:
    """A dawn soak of 13 July in two pulses. short_mm: cut from its sum; below_mm: left out before, as too deep."""
    figures = (
        Figure("ET0", 8.0, "mm/day", et0_how),
        Figure("transpiration", 6.0, "mm/day", "invented"),
        Figure("learnt demand", 1.0, "", "invented"),
        Figure("rain that counts", rain_mm, "mm", "invented"),
        Figure("net depth", 10.0 + short_mm, "mm", "invented"),
    )
    reasons = ("Dry.", "Hot.", "By dusk too dry.")
    need = Need(zone, "dawn soak", 10.0, 12.0, litres, reasons, figures, short_mm + below_mm)
    name = f"{DAY}-dawn-{zone}"
    pulses = tuple(
        Pulse(f"{name}-{n + 1}", zone, DAWN + timedelta(minutes=30 * n), 600.0, litres / 2) for n in range(2)
    )
    return Watering(name, zone, "dawn soak", DAY, need, 600.0, DAWN + timedelta(hours=2), pulses)


class Paper:
    """A journal to write into; `done` closes it with a garden whose beds have lived through the day."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "journal.sqlite"
        self.journal = Journal(self.path)

    def plan(self, at: datetime, *waterings: Watering, remarks: Sequence[str] = ()) -> "Paper":
        weather = DayWeather(DAY, 36.0, 20.0, "forecast", rain_mm=0.0)
        facts = {
            "because": "the hour", "remarks": remarks, "weather": weather, "et0_mm": 8.0, "waterings": waterings,
        }  # fmt: skip
        self.journal.note(Note("plan", "A plan.", facts=facts), Now(0.0, at))
        return self

    def note(self, kind: str, said: str, zone: str | None, at: datetime = DAWN, **facts: str) -> "Paper":
        self.journal.note(Note(kind, said, zone, facts), Now(0.0, at))
        return self

    def give(self, pulse: Pulse, litres: float, why: str = "deadline", unsure_litres: float = 0.0) -> "Paper":
        watering = pulse.id.rpartition("-")[0]
        opened, ended = Now(0.0, pulse.start), Now(0.0, pulse.end)
        self.journal.intend(Open(pulse.zone, pulse.id, watering, pulse.seconds, pulse.litres), opened)
        event = ValveClosed(pulse.zone, pulse.id, pulse.seconds, why)
        self.journal.closed(event, litres, unsure_litres, ended)
        return self

    def open(self, pulse: Pulse) -> "Paper":
        watering = pulse.id.rpartition("-")[0]
        opening = Open(pulse.zone, pulse.id, watering, pulse.seconds, pulse.litres)
        self.journal.intend(opening, Now(0.0, pulse.start))
        return self

    def done(self, depletion_mm: float = 12.0) -> Path:
        garden = new_garden(demo_site(), NOON)
        ledger = DayLedger(DAY, et0_mm=4.0, demand_mm=4.0, used_mm=3.0, stress_hours=2.0)
        beds = {
            name: replace(believed(bed, depletion_mm), today=ledger) for name, bed in garden.beds.items()
        }
        self.journal.commit(replace(garden, beds=beds), NOON)
        self.journal.close()
        return self.path
