"""One zone, one day: from the weather to the water, in sentences first, then the arithmetic, line by line.

Everything is read back from the journal: the plan as it stood before a watering began, with all of its
figures, what the valve then gave, and what the day's ledger says. Nothing is computed anew that the decision
did not have.
"""

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from types import MappingProxyType
from typing import Any

from controller.core.garden import Bed, DayLedger, Figure, Garden, Need, Purpose, Watering
from controller.core.moment import Now, day_bounds, local_midnight
from controller.core.need import TENDER
from controller.core.plants import Plants, is_tender, kcb_how, plants_on
from controller.core.site import Site, Zone
from controller.core.soil import day_demand_mm
from controller.core.step import fit_to_site
from controller.core.weather import Basis, DayWeather, WeatherBook
from controller.report.bed import (
    hands_said,
    hands_then,
    learnt_said,
    place_said,
    saved_by_shade_said,
    saved_said,
    trust_said,
)
from controller.report.given import Watered, assembled, cut_from
from controller.report.history import DayPast, days_past
from controller.report.planned import Planned, PlanRead, last_plan_before, planned, plans_of
from controller.shells.journal import JournalReader

Named = Mapping[str, float]
VERDICT_AT: Mapping[Purpose, int] = MappingProxyType({"dawn soak": 2, "day refresh": 1})
_UNITS = re.compile(r"(\d) (L|mm|min|h|m2|m²|°C|%)(?!\w)")
SYMBOLS = frozenset({"ET0", "Kcb", "ETc", "Zr", "Pw", "TAW", "p", "RAW", "Dr"})
WHOLE_NUMBERS = frozenset({"pulses"})
ENOUGH = 0.98
"""Plants that draw this share of what they could are not short of water."""


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
        value = missing_mm(self.value) if self.name == "Dr" else self.value
        return f"{number(value, self.unit)} {self.unit}".strip()

    @property
    def heading(self) -> str:
        """Plain words first: the handbooks' symbol comes behind them, a name in plain words stands for itself."""
        said = f"{self.meaning} ({self.name})" if self.name in SYMBOLS else self.name
        return f"{said[:1].upper()}{said[1:]}"

    @property
    def matters(self) -> bool:
        """Whether it changes anything: a rain of 0 mm does not."""
        return self.name not in MAY_BE_NOTHING or abs(self.value) >= 0.05


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
    latest = made[-1:] or last_plan_before(reader, site, day)
    standing = latest[0].waterings if latest else frozenset[str]()
    told = [name for name in {**plans, **rows} if name in rows or name in standing]
    told.sort(key=lambda name: rows[name].start if name in rows else plans[name].watering.pulses[0].start)
    dropped = [plans[name] for name in plans if name not in rows and name not in standing]
    past = _past(reader, site, zone, day)
    states = hands_then(reader, zone, day_bounds(day, site.timezone)[1])
    decisions = [decision(site, zone, plans.get(name), rows.get(name), states) for name in told]
    quiet = _quiet(zone, site, day, made, past, tuple(states)) if past is not None and not told else None
    sentences = [
        *(_dropped(site, day, plan) for plan in dropped),
        *_nothing(zone, day, made, past, quiet, bool(told)),
        *_remarks(zone, day, made),
        *_words(reader, site, zone, day),
        *(_ledger_said(past.day) if past is not None else ()),
        *(hands_said(site, states) if past is not None else ()),
        *(saved_said(site, reader, zone, past.day.ledger, states) if past is not None else ()),
        *(_learnt(site, zone, past) if past is not None else ()),
    ]
    steps = _numbers(zone, quiet) if quiet is not None else ()
    ledger = past.day.ledger if past is not None else None
    return Explanation(zone, day, tuple(decisions), tuple(sentences), steps, ledger)


def decision(
    site: Site, zone: Zone, plan: Planned | None, row: Watered | None, states: Collection[str] = ()
) -> Decision:
    """One watering of the zone, planned, given, or both. states: what hands had changed by then."""
    sentences: list[str] = []
    if plan is not None:
        sentences += [
            *_weather_said(plan),
            *plan.watering.need.reasons,
            *saved_by_shade_said(zone, plan.watering.need, states),
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
    """The reason that settled it: the third of a dawn soak (dryness, demand, then the verdict), the second of a
    day refresh (dryness, then the verdict), else the first.
    """
    place = VERDICT_AT.get(purpose, 0)
    return reasons[place if place < len(reasons) else 0] if reasons else ""


def purpose_and_why(watering: Mapping[str, Any]) -> str:
    """What a watering of the plan's view is for, and the reason that settled it."""
    purpose = watering["purpose"]
    return f"{purpose[:1].upper()}{purpose[1:]}. {in_short(purpose, watering['reasons'])}".rstrip()


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


def glued(text: str, glue: str) -> str:
    """A text in which `glue` stands between each number and its unit, so that no line ends between them."""
    return _UNITS.sub(rf"\1{glue}\2", text)


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
        f"leave it: {need.litres:.0f} L on {zone.area_m2:.4g} m2."
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


def _dropped(site: Site, day: date, plan: Planned) -> str:
    watering, last_seen = plan.watering, plan.last_seen.astimezone(site.timezone)
    of_day = f"{last_seen:%A} " if last_seen.date() != day else ""
    return (
        f"A {watering.purpose} of {watering.need.litres:.0f} L was planned until "
        f"{of_day}{last_seen:%H:%M}; then it was taken out of the plan."
    )


def _nothing(
    zone: Zone, day: date, made: Sequence[PlanRead], past: "_Past | None", quiet: "_Quiet | None", told: bool
) -> list[str]:
    """Why a zone got nothing, as far as it can be known."""
    if told:
        return []
    if not made and past is None:
        return [f"The journal has nothing about {zone.name} on {day:%A} {day.day} {day:%B %Y}."]
    said = [f"Nothing was given to {zone.name} on {day:%A} {day.day} {day:%B}."]
    if quiet is not None:
        tender = is_tender(zone, day)
        limit_mm = quiet.readily_mm * (TENDER if tender else 1.0)
        whose = "the most that seedlings are to miss" if tender else "from which the plants go short"
        by_dusk_mm = max(0.0, missing_mm(quiet.begin_mm) + quiet.demand_mm - quiet.rain_mm)
        verdict = "under" if by_dusk_mm <= limit_mm else "over"
        rain = f", less {quiet.rain_mm:.1f} mm of rain" if quiet.rain_mm >= 0.05 else ""
        said.append(
            f"The day began {_missing_said(quiet.begin_mm)} and could draw {quiet.demand_mm:.1f} mm "
            f"more{rain}: {by_dusk_mm:.1f} mm, {verdict} {limit_mm:.1f} mm, {whose}."
        )
    return said


def _remarks(zone: Zone, day: date, made: Sequence[PlanRead]) -> list[str]:
    """What the day's plans could not fit in for this zone; the last word on it."""
    mine = [
        text
        for plan in made
        for text in plan.remarks
        if text.startswith(f"{zone.name}:") and f"{day:%a %d %b}" in text
    ]
    return mine[-1:]


def _words(reader: JournalReader, site: Site, zone: Zone, day: date) -> list[str]:
    """What people asked, and what was refused."""
    notes = reader.notes(*day_bounds(day, site.timezone), zone=zone.id)
    return [
        f"{_clock(site, note.at)}: {note.said}" for note in notes if note.kind in ("ask", "refusal", "hold")
    ]


def _ledger_said(past: DayPast) -> list[str]:
    ledger = past.ledger
    thirsty = ledger.used_mm < ENOUGH * ledger.demand_mm
    drew = f"{ledger.used_mm:.1f} mm" + (
        f" of the {ledger.demand_mm:.1f} mm they could have used" if thirsty else ", all that they could use"
    )
    came = f"{_came(ledger.irrigation_net_mm, 'water')} and {_came(ledger.rain_mm, 'rain')} came"
    stress = f" They were short of water for {ledger.stress_hours:.0f} h." if ledger.stress_hours >= 1 else ""
    drained = f" {ledger.drained_mm:.1f} mm ran through below the roots." if ledger.drained_mm >= 0.1 else ""
    return [
        f"The day's ledger: plants and ground drew {drew}; {came}. The bed began {_missing_said(past.begin_mm)} "
        f"and ended {_missing_said(past.end_mm)}.{stress}{drained}"
    ]


def _came(depth_mm: float, what: str) -> str:
    return f"{depth_mm:.1f} mm of {what}" if depth_mm >= 0.05 else f"no {what}"


def missing_mm(depletion_mm: float) -> float:
    """Water missing from a bed, as people are told it: one that holds more than field capacity misses nothing."""
    return max(0.0, depletion_mm)


def _missing_said(depletion_mm: float) -> str:
    return "full" if depletion_mm < 0.05 else f"with {depletion_mm:.1f} mm missing"


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
            "below the roots",
            "net depth",
            "gross depth",
            "water",
            "held back",
            "to be let out",
        ),
        "How it is let out": ("rate", "intake", "surface store", "pulses", "pulse", "rest"),
    }
)

MAY_BE_NOTHING = frozenset({"rain that counts", "room left for rain", "to be sure"})

MEANINGS: Mapping[str, str] = MappingProxyType(
    {
        "ET0": "what a short lawn would draw",
        "Kcb": "what these plants transpire beside the lawn",
        "transpiration": "what the plants transpire",
        "evaporation": "what the wet ground evaporates",
        "learnt demand": "how this bed's demand compares with the table's",
        "Pw": "share of the ground that the line wets",
        "learnt store": "what this bed holds, beside what its soil was said to",
        "rain that counts": "rain that may be counted on",
        "room left for rain": "left empty for a shower",
        "to be sure": "more, to fill the bed surely once",
        "most of a refresh": "the most that a refresh gives",
        "ETc": "what plants and ground draw",
        "Zr": "depth of the roots",
        "TAW": "water the roots can reach",
        "p": "share of it that is easily drawn",
        "RAW": "easily drawn water",
        "Dr": "missing then",
        "missing by dusk": "missing by dusk without water",
        "below the roots": "what would sink below the roots at once, and waits",
        "net depth": "what the root zone is to get",
        "gross depth": "what is to leave the line",
        "water": "the same for the whole zone",
        "held back": "what valve or time do not allow",
        "to be let out": "what is left of the litres",
        "rate": "what the line brings",
        "intake": "what the ground takes in",
        "surface store": "what may stand on the ground",
        "pulses": "times the valve opens",
        "pulse": "each time for",
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
        "missing by dusk": lambda f, z: _by_dusk_worked(f),
        "most of a refresh": lambda f, z: f"{f['most of a refresh'] / f['ETc']:.2f} × {f['ETc']:.2f}",
        "gross depth": lambda f, z: _gross_worked(f, z),
        "water": lambda f, z: f"{f['gross depth']:.3f} × {z.area_m2:.4g}",
    }
)
"""The sums with their numbers in them. Names as the plan has them."""


def _by_dusk_worked(f: Named) -> str:
    """A bed above field capacity misses less than nothing: then its surplus comes last, as what it is."""
    rain = f" − {f['rain that counts']:.2f}" if f["rain that counts"] >= 0.005 else ""
    if f["Dr"] < 0.0:
        return f"{f['ETc']:.2f}{rain} − {-f['Dr']:.2f}"
    return f"{f['Dr']:.2f} + {f['ETc']:.2f}{rain}"


def _gross_worked(f: Named, zone: Zone) -> str:
    """Net depth over the line's losses and the salt's share, and what the mulch drinks of it, if anything."""
    salt = f" / {1.0 - zone.leaching_fraction:.2f}" if zone.leaching_fraction > 0.0 else ""
    drunk_mm = f["gross depth"] - f["net depth"] / zone.line.efficiency / (1.0 - zone.leaching_fraction)
    drunk = f" + {drunk_mm:.2f}" if drunk_mm >= 0.005 else ""
    return f"{f['net depth']:.2f} / {zone.line.efficiency:.2f}{salt}{drunk}"


def _steps(zone: Zone, need: Need) -> list[Step]:
    figures = [*need.figures, *_limited(need)]
    named = {figure.name: figure.value for figure in figures}
    return sorted((_step(zone, figure, named) for figure in figures), key=lambda step: _place(step.name))


def _limited(need: Need) -> tuple[Figure, ...]:
    """What the wetting front held back before the need's own sum, and what became of the sum where the valve's daily
    limit or the time cut it."""
    cut_mm = cut_from(need)
    below_mm = need.short_mm - cut_mm
    front = Figure("below the roots", below_mm, "mm", "by the depth of the wet bulb (Schwartzman & Zur 1986)")
    cut = (
        Figure("held back", cut_mm, "mm", "of the net depth: beyond half of the valve's daily limit, or out of time"),
        Figure("to be let out", need.litres, "L", "the litres less what is held back"),
    )
    return (*((front,) if below_mm >= 0.05 else ()), *(cut if cut_mm >= 0.05 else ()))


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


@dataclass(frozen=True, slots=True)
class _Past:
    """A day's ledger, and the bed and the garden as they are now, which is as_of: what was learnt by now is told of
    earlier days too."""

    day: DayPast
    bed: Bed
    garden: Garden
    as_of: datetime


@dataclass(frozen=True, slots=True)
class _Quiet:
    """A zone's day on which nothing was decided."""

    plants: Plants
    holds_factor: float
    demand_mm: float
    demand_how: str
    rain_mm: float
    begin_mm: float

    @property
    def available_mm(self) -> float:
        return self.plants.available_mm * self.holds_factor

    @property
    def readily_mm(self) -> float:
        return self.plants.readily_mm * self.holds_factor


def _quiet(
    zone: Zone, site: Site, day: date, made: Sequence[PlanRead], past: _Past, states: Sequence[str]
) -> _Quiet:
    plants = _plants(zone, site, day, made, states)
    ledger = past.day.ledger
    demand_mm, how = ledger.demand_mm, "by the day's ledger"
    if day == past.bed.today.day:  # its ledger is not closed yet
        demand_mm, how = day_demand_mm(past.bed, zone, plants), "of the whole day, as foreseen"
    return _Quiet(plants, past.bed.estimate.holds_factor, demand_mm, how, ledger.rain_mm, past.day.begin_mm)


def _numbers(zone: Zone, quiet: _Quiet) -> tuple[Step, ...]:
    """The zone's numbers on a day without a decision."""
    plants = quiet.plants
    shaded = f"; under {100 * plants.shade:.0f} % shade (in the open {plants.open_et0_mm:.1f})"
    shaded = shaded if plants.shade > 0 else ""
    figures = (
        Figure("ET0", plants.et0_mm, "mm/day", f"by the weather of the day's last plan{shaded}"),
        Figure("Kcb", plants.kcb, "", kcb_how(zone)),
        Figure("ETc", quiet.demand_mm, "mm/day", quiet.demand_how),
        Figure("Zr", plants.root_depth_m, "m", "depth of the roots"),
        Figure("Pw", plants.wetted, "", MEANINGS["Pw"]),
        Figure("learnt store", quiet.holds_factor, "", MEANINGS["learnt store"]),
        Figure("TAW", quiet.available_mm, "mm", "FAO-56 eq. 82; Keller & Karmeli; x learnt store"),
        Figure("p", plants.fraction, "", "by the day's demand (note of Table 22)"),
        Figure("RAW", quiet.readily_mm, "mm", "p x TAW (eq. 83)"),
        Figure("Dr", quiet.begin_mm, "mm", "at the beginning of the day, from the ledgers"),
    )
    named = {figure.name: figure.value for figure in figures}
    return tuple(_step(zone, figure, named) for figure in figures)


def _plants(zone: Zone, site: Site, day: date, made: Sequence[PlanRead], states: Sequence[str]) -> Plants:
    """What the plants were like on the day, with the weather that its last plan reckoned with."""
    told = [plan.weather for plan in made if plan.weather is not None and plan.weather.day == day]
    book = WeatherBook(forecast={day: told[-1]}) if told else WeatherBook()
    return plants_on(zone, site, book, day, local_midnight(day, site.timezone), states)


def _past(reader: JournalReader, site: Site, zone: Zone, day: date) -> _Past | None:
    last = reader.garden()
    if last is None or zone.id not in last[0].beds:
        return None
    garden = fit_to_site(site, last[0], Now(0.0, last[1]))
    bed = garden.beds[zone.id]
    past = next((past for past in days_past(reader, site, bed, day) if past.ledger.day == day), None)
    return _Past(past, bed, garden, last[1]) if past is not None else None


def _learnt(site: Site, zone: Zone, past: _Past) -> list[str]:
    """What bed and place have taught, and how far the probes are trusted."""
    said = [
        learnt_said(zone, site, past.bed.estimate),
        trust_said(site, past.garden, zone, past.as_of),
        place_said(site, past.garden.weather),
    ]
    return [each for each in said if each is not None]


def _clock(site: Site, at: datetime) -> str:
    return f"{at.astimezone(site.timezone):%H:%M}"


def _local(site: Site, at: datetime) -> str:
    return at.astimezone(site.timezone).isoformat(timespec="seconds")
