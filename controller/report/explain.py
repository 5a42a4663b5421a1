"""One zone, one day: from the weather to the water, in sentences first, then the arithmetic, line by line.

Everything is read back from the journal: the plan as it stood before a watering began, with all of its
figures, what the valve then gave, and what the day's ledger says. Nothing is computed anew that the decision
did not have.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from types import MappingProxyType
from typing import Any

from controller.core.garden import Bed, DayLedger, Figure, Need, Purpose, Watering
from controller.core.moment import day_bounds, local_midnight
from controller.core.plants import Plants, is_tender, plants_on
from controller.core.site import Site, Zone
from controller.core.weather import Basis, DayWeather, WeatherBook
from controller.report.given import Watered, assembled
from controller.report.history import DayPast, days_past
from controller.report.planned import Planned, PlanRead, planned, plans_of
from controller.shells.journal import JournalReader

Named = Mapping[str, float]
WHOLE_NUMBERS = frozenset({"pulses"})


@dataclass(frozen=True, slots=True)
class Step:
    """One line of arithmetic. worked: the sum with its numbers in it, if it is one; how: rule and source."""

    part: str
    name: str
    meaning: str
    value: float
    unit: str
    worked: str
    how: str

    @property
    def shown(self) -> str:
        """The value with as many digits as it deserves, and its unit."""
        if self.name in WHOLE_NUMBERS:
            return f"{self.value:.0f}"
        return f"{number(self.value, self.unit)} {self.unit}".strip()


@dataclass(frozen=True, slots=True)
class Decision:
    """One watering: how it came to be, and what came of it. given None: not given, or not yet."""

    title: str
    sentences: tuple[str, ...]
    steps: tuple[Step, ...]
    plan: Planned | None
    given: Watered | None


@dataclass(frozen=True, slots=True)
class Explanation:
    """A zone's day. sentences: what holds for the day as a whole; steps: its numbers where nothing was
    decided.
    """

    zone: Zone
    day: date
    decisions: tuple[Decision, ...]
    sentences: tuple[str, ...]
    steps: tuple[Step, ...]
    ledger: DayLedger | None


def explain(site: Site, reader: JournalReader, zone: Zone, day: date) -> Explanation:
    """The zone's day as the journal knows it."""
    plans = {
        name: each for name, each in planned(reader, site, day, day).items() if each.watering.zone == zone.id
    }
    rows = {row.id: row for row in assembled(reader, site, day, day, plans, zone.id)}
    made = plans_of(reader, site, day)
    standing = made[-1].waterings if made else frozenset[str]()
    told = [name for name in {**plans, **rows} if name in rows or name in standing]
    told.sort(key=lambda name: rows[name].start if name in rows else plans[name].watering.pulses[0].start)
    dropped = [plans[name] for name in plans if name not in rows and name not in standing]
    past = _past(reader, site, zone, day)
    decisions = [decision(site, zone, plans.get(name), rows.get(name)) for name in told]
    sentences = [
        *(_dropped(site, plan) for plan in dropped),
        *_nothing(site, zone, day, made, past, bool(told)),
        *_remarks(zone, day, made),
        *_words(reader, site, zone, day),
        *_ledger_said(past),
    ]
    steps = _numbers(zone, site, day, made, past) if not told else ()
    ledger = past.ledger if past is not None else None
    return Explanation(zone, day, tuple(decisions), tuple(sentences), steps, ledger)


def decision(site: Site, zone: Zone, plan: Planned | None, row: Watered | None) -> Decision:
    """One watering of the zone, planned, given, or both."""
    sentences: list[str] = []
    if plan is not None:
        sentences += [
            *_weather_said(plan),
            *plan.watering.need.reasons,
            *_amount_said(zone, plan.watering.need),
        ]
        sentences += _pulses_said(zone, plan.watering)
    else:
        sentences.append("Asked for by hand: no need was worked out." if row is not None else "")
    if row is not None:
        sentences.append(given_said(site, row))
    elif plan is not None:
        sentences.append(f"Not given yet; it was planned for {_clock(site, plan.watering.pulses[0].start)}.")
    steps = tuple(_steps(zone, plan.watering.need)) if plan is not None else ()
    return Decision(_title(plan, row), tuple(each for each in sentences if each), steps, plan, row)


def in_short(purpose: Purpose, reasons: Sequence[str]) -> str:
    """The reason that settled it: the third of a dawn soak (dryness, demand, then the verdict), else the
    first.
    """
    place = 2 if purpose == "dawn soak" and len(reasons) > 2 else 0
    return reasons[place] if reasons else ""


def given_said(site: Site, row: Watered) -> str:
    """What a watering came to, in a sentence."""
    if row.refused:
        return f"Nothing was given; {row.ended}"
    span = f"from {_clock(site, row.start)}" + (f" to {_clock(site, row.end)}" if row.end else " on")
    pulses = f"{count(row.pulses, 'pulse')}, {row.minutes:.0f} min of open valve"
    what = f"Given: {row.litres:.0f} L in {pulses}, {span}"
    unsure = f" (give or take {row.unsure_litres:.0f} L)" if row.unsure_litres >= 0.5 else ""
    if row.whole:
        return f"{what}{unsure}."
    short = f", {row.short_litres:.0f} L less than planned" if row.short_litres >= 1.0 else ""
    return f"{what}{unsure}{short}: {row.ended}."


def count(number_of: int, word: str) -> str:
    """`1 pulse`, `2 pulses`."""
    return f"{number_of} {word}" if number_of == 1 else f"{number_of} {word}s"


def number(value: float, unit: str) -> str:
    """A value with as many digits as its unit deserves."""
    digits = 0 if unit == "L" else 2 if unit in ("", "m") else 1
    return f"{value:.{digits}f}"


def explanation_view(site: Site, told: Explanation) -> dict[str, Any]:
    """The same for programs."""
    return {
        "zone": told.zone.id,
        "day": told.day.isoformat(),
        "waterings": [_decision_view(site, each) for each in told.decisions],
        "said": list(told.sentences),
        "figures": [_step_view(step) for step in told.steps],
        "ledger": {
            name: getattr(told.ledger, name) for name in DayLedger.__dataclass_fields__ if name != "day"
        }
        if told.ledger is not None
        else None,
    }


def _decision_view(site: Site, each: Decision) -> dict[str, Any]:
    plan, row = each.plan, each.given
    return {
        "id": row.id if row is not None else plan.watering.id if plan is not None else None,
        "title": each.title,
        "said": list(each.sentences),
        "figures": [_step_view(step) for step in each.steps],
        "planned_at": _local(site, plan.at) if plan is not None else None,
        "because": plan.because if plan is not None else None,
        "planned_litres": plan.watering.need.litres if plan is not None else None,
        "given": {
            "start": _local(site, row.start),
            "end": _local(site, row.end) if row.end is not None else None,
            "litres": row.litres,
            "minutes": row.minutes,
            "pulses": row.pulses,
            "ended": row.ended,
        }
        if row is not None
        else None,
    }


def _step_view(step: Step) -> dict[str, Any]:
    return {
        "name": step.name,
        "meaning": step.meaning,
        "value": step.value,
        "unit": step.unit,
        "worked": step.worked,
        "how": step.how,
    }


BASES: Mapping[Basis, str] = MappingProxyType(
    {
        "measured": "as measured here",
        "forecast": "by the forecast",
        "aged forecast": "by an older forecast",
        "recent days": "as on the last days that were measured",
        "monthly normal": "as is usual for the month",
        "season guess": "a guess from the season",
    }
)
"""Who says so."""

# Sentences ----------------------------------------------------------------------------------------


def _title(plan: Planned | None, row: Watered | None) -> str:
    purpose = row.purpose if row is not None else plan.watering.purpose if plan is not None else "by hand"
    name = "Watered by hand" if purpose == "by hand" else f"The {purpose}"
    if row is None:
        return f"{name}, still to come"
    return f"{name}: {row.ended}" if row.refused else f"{name}: {row.litres:.0f} L"


def _weather_said(plan: Planned) -> list[str]:
    weather = plan.weather
    if weather is None or weather.day != plan.watering.day:
        return []
    return [f"{day_weather(weather)}, {BASES[weather.basis]}."]


def day_weather(weather: DayWeather) -> str:
    """A day's weather in half a sentence."""
    rain = "" if weather.rain_mm is None else ", no rain"
    if weather.rain_mm:
        rain = f", {weather.rain_mm:.1f} mm of rain"
    return f"{weather.day:%A}: {weather.tmin_c:.0f} to {weather.tmax_c:.0f} °C{rain}"


def _amount_said(zone: Zone, need: Need) -> list[str]:
    return [
        f"So {need.net_mm:.1f} mm were to reach the roots. The line loses some, so {need.gross_mm:.1f} mm "
        f"leave it: {need.litres:.0f} L on {zone.area_m2:g} m2."
    ]


def _pulses_said(zone: Zone, watering: Watering) -> list[str]:
    figures = {figure.name: figure.value for figure in watering.need.figures}
    if not {"pulses", "pulse", "rest", "rate", "intake"} <= figures.keys():
        return []
    if figures["pulses"] <= 1:
        return [f"One pulse of {figures['pulse']:.0f} min: the ground takes that in without a rest."]
    return [
        f"The line brings {figures['rate']:.0f} mm/h to the ground it wets, which takes in "
        f"{figures['intake']:.0f} mm/h: so {figures['pulses']:.0f} pulses of {figures['pulse']:.0f} min, "
        f"with {figures['rest']:.0f} min of rest between."
    ]


def _dropped(site: Site, plan: Planned) -> str:
    watering = plan.watering
    return (
        f"A {watering.purpose} of {watering.need.litres:.0f} L was planned until "
        f"{_clock(site, plan.last_seen)}; the plans after that did not hold it any more."
    )


def _nothing(
    site: Site, zone: Zone, day: date, made: Sequence[PlanRead], past: DayPast | None, told: bool
) -> list[str]:
    """Why a zone got nothing, as far as it can be known."""
    if told:
        return []
    if not made and past is None:
        return [f"The journal has nothing about {zone.name} on {day:%A %d %B %Y}."]
    said = [f"Nothing was given to {zone.name} on {day:%A} {day.day} {day:%B}."]
    if past is not None:
        tender = is_tender(zone, day)
        limit_mm = _plants(zone, site, day, made).readily_mm * (0.5 if tender else 1.0)
        whose = "half of what they draw easily, as the plants are tender" if tender else "what they draw easily"
        demand_mm = past.ledger.demand_mm
        verdict = "under" if past.begin_mm + demand_mm <= limit_mm else "over"
        said.append(
            f"The day began with {past.begin_mm:.1f} mm missing and could draw {demand_mm:.1f} mm "
            f"more: {past.begin_mm + demand_mm:.1f} mm, {verdict} {limit_mm:.1f} mm, {whose}."
        )
    return said


def _remarks(zone: Zone, day: date, made: Sequence[PlanRead]) -> list[str]:
    """What the day's plans could not fit in for this zone; the last word on it."""
    mine = [
        text
        for plan in made
        for text in plan.remarks
        if text.startswith(f"{zone.name}:") and str(day) in text
    ]
    return mine[-1:]


def _words(reader: JournalReader, site: Site, zone: Zone, day: date) -> list[str]:
    """What people asked, and what was refused."""
    notes = reader.notes(*day_bounds(day, site.timezone), zone=zone.id)
    return [
        f"{_clock(site, note.at)}: {note.said}" for note in notes if note.kind in ("ask", "refusal", "hold")
    ]


def _ledger_said(past: DayPast | None) -> list[str]:
    if past is None:
        return []
    ledger = past.ledger
    stress = f" They were short of water for {ledger.stress_hours:.0f} h." if ledger.stress_hours >= 1 else ""
    drained = f" {ledger.drained_mm:.1f} mm ran through below the roots." if ledger.drained_mm >= 0.1 else ""
    return [
        f"The day's ledger: the plants drew {ledger.used_mm:.1f} mm of the {ledger.demand_mm:.1f} mm they "
        f"could have used; {ledger.irrigation_net_mm:.1f} mm of water and {ledger.rain_mm:.1f} mm of rain "
        f"came. Missing went from {past.begin_mm:.1f} to {past.end_mm:.1f} mm.{stress}{drained}"
    ]


# Numbers ------------------------------------------------------------------------------------------

PARTS: Mapping[str, Sequence[str]] = MappingProxyType(
    {
        "What the plants draw": ("ET0", "Kcb", "transpiration", "evaporation", "learnt demand", "ETc"),
        "What the soil holds": ("Zr", "Pw", "learnt store", "TAW", "p", "RAW", "Dr"),
        "What is to be given": (
            "rain that counts",
            "missing by dusk",
            "room left for rain",
            "to be sure",
            "most of a refresh",
            "net depth",
            "gross depth",
            "water",
            "held back",
            "to be let out",
        ),
        "How it is let out": ("rate", "intake", "surface store", "pulses", "pulse", "rest"),
    }
)

MEANINGS: Mapping[str, str] = MappingProxyType(
    {
        "ET0": "what a short lawn would draw",
        "Kcb": "crop coefficient without the soil's evaporation",
        "transpiration": "through the leaves",
        "evaporation": "from the ground",
        "learnt demand": "what this bed draws beside the table",
        "Pw": "share of the ground that is wetted",
        "learnt store": "what this bed holds beside the table",
        "to be sure": "to fill the bed surely, once",
        "ETc": "what these plants draw",
        "Zr": "depth of the roots",
        "TAW": "water the roots can reach",
        "p": "share of it that is easily drawn",
        "RAW": "easily drawn water",
        "Dr": "missing at the time of the watering",
        "missing by dusk": "missing by dusk without water",
        "net depth": "to reach the roots",
        "gross depth": "to leave the line",
        "water": "litres for the zone",
        "held back": "by the valve's daily limit",
        "to be let out": "litres planned",
        "rate": "what the line brings",
        "intake": "what the ground takes in",
        "surface store": "what may stand on the ground",
        "rest": "pause between two pulses",
    }
)

WORKED: Mapping[str, Callable[[Named, Zone], str]] = MappingProxyType(
    {
        "transpiration": lambda f, z: f"{f['Kcb']:.2f} × {f['ET0']:.2f}",
        "ETc": lambda f, z: f"({f['transpiration']:.2f} + {f['evaporation']:.2f}) × {f['learnt demand']:.2f}",
        "TAW": lambda f, z: (
            f"1000 × ({z.soil.field_capacity:.3f} − {z.soil.wilting_point:.3f}) × {f['Zr']:.3f} × {f['Pw']:.2f}"
            f" × {f['learnt store']:.2f}"
        ),
        "RAW": lambda f, z: f"{f['p']:.3f} × {f['TAW']:.2f}",
        "missing by dusk": lambda f, z: f"{f['Dr']:.2f} + {f['ETc']:.2f} − {f['rain that counts']:.2f}",
        "most of a refresh": lambda f, z: f"{f['most of a refresh'] / f['ETc']:.2f} × {f['ETc']:.2f}",
        "water": lambda f, z: f"{f['gross depth']:.3f} × {z.area_m2:g}",
    }
)
"""The sums with their numbers in them. Names as the plan has them."""


def _steps(zone: Zone, need: Need) -> list[Step]:
    figures = [*need.figures, *_limited(need)]
    named = {figure.name: figure.value for figure in figures}
    return sorted((_step(zone, figure, named) for figure in figures), key=lambda step: _place(step.name))


def _limited(need: Need) -> tuple[Figure, ...]:
    """What became of the need's own sum where the valve's daily limit cut it."""
    if need.short_mm <= 0.0:
        return ()
    return (
        Figure(
            "held back", need.short_mm, "mm", "of the net depth; one watering gets half the limit at most"
        ),
        Figure("to be let out", need.litres, "L", "what is left of the litres"),
    )


def _step(zone: Zone, figure: Figure, named: Named) -> Step:
    worked = ""
    if figure.name in WORKED:
        try:
            worked = WORKED[figure.name](named, zone)
        except (KeyError, ZeroDivisionError):
            worked = ""  # a plan of another version, without one of the figures: the rule alone must do
    return Step(
        _part(figure.name),
        figure.name,
        MEANINGS.get(figure.name, figure.name),
        figure.value,
        figure.unit,
        worked,
        figure.how,
    )


def _part(name: str) -> str:
    return next((part for part, names in PARTS.items() if name in names), "More")


def _place(name: str) -> tuple[int, int]:
    for n, names in enumerate(PARTS.values()):
        if name in names:
            return n, list(names).index(name)
    return len(PARTS), 0


def _numbers(
    zone: Zone, site: Site, day: date, made: Sequence[PlanRead], past: DayPast | None
) -> tuple[Step, ...]:
    """The zone's numbers on a day without a decision."""
    if past is None:
        return ()
    plants = _plants(zone, site, day, made)
    figures = (
        Figure("ET0", plants.et0_mm, "mm/day", "by the weather of the day's last plan"),
        Figure("Kcb", plants.kcb, "", f"{zone.crop.name}, by its stage and this climate (FAO-56 eqs. 66, 70)"),
        Figure("ETc", past.ledger.demand_mm, "mm/day", "by the day's ledger"),
        Figure("Zr", plants.root_depth_m, "m", "depth of the roots"),
        Figure("Pw", plants.wetted, "", "share of the ground that the line wets"),
        Figure("TAW", plants.available_mm, "mm", "FAO-56 eq. 82, by the table's soil"),
        Figure("p", plants.fraction, "", "by the day's demand (note of Table 22)"),
        Figure("RAW", plants.readily_mm, "mm", "p x TAW (eq. 83)"),
        Figure("Dr", past.begin_mm, "mm", "at the beginning of the day, from the ledgers"),
    )
    named = {figure.name: figure.value for figure in figures}
    return tuple(_step(zone, figure, named) for figure in figures)


def _plants(zone: Zone, site: Site, day: date, made: Sequence[PlanRead]) -> Plants:
    """What the plants were like on the day, with the weather that its last plan reckoned with."""
    told = [plan.weather for plan in made if plan.weather is not None and plan.weather.day == day]
    book = WeatherBook(forecast={day: told[-1]}) if told else WeatherBook()
    return plants_on(zone, site, book, day, local_midnight(day, site.timezone))


def _past(reader: JournalReader, site: Site, zone: Zone, day: date) -> DayPast | None:
    last = reader.garden()
    bed: Bed | None = last[0].beds.get(zone.id) if last is not None else None
    if bed is None:
        return None
    return next((past for past in days_past(reader, site, bed, day) if past.ledger.day == day), None)


def _clock(site: Site, at: datetime) -> str:
    return f"{at.astimezone(site.timezone):%H:%M}"


def _local(site: Site, at: datetime) -> str:
    return at.astimezone(site.timezone).isoformat(timespec="seconds")
