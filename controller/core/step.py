"""The whole decision in one place: (site, garden, event, now) -> (garden, actions, wake_at).

Reads top to bottom as the water goes: take in what happened, let the beds live on to now, plan if a plan is due, start
the pulses that are due if nothing speaks against it. A pure fold: the same events in the same order give the same
garden, so replaying a journal replays its nights.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from controller.core.actions import Action, Measure, Note, Open, Send, Sense
from controller.core.asks import drop_expired, end_waterings, hear, job_done
from controller.core.budget import with_given
from controller.core.clock import watch_clock
from controller.core.digest import expired, is_due, look, next_look
from controller.core.events import (
    Ask,
    Event,
    ForecastArrived,
    ForecastFailed,
    GuardFault,
    GuardLost,
    GuardNotice,
    GuardReady,
    Reading,
    ReadingRefused,
    Started,
    SwitchRead,
    Trouble,
    ValveClosed,
    ValveOpened,
    ValveRefused,
    Woke,
)
from controller.core.flow import as_measured, learn_flow
from controller.core.frozen import replace
from controller.core.garden import Bed, Fault, Garden, Plan, Probe, Pulse, Watering
from controller.core.hands import UNDONE, after_soak
from controller.core.heat import learn_excess_heat
from controller.core.interlock import Case, hold_on, veto
from controller.core.jobs import jobs
from controller.core.locks import hear_notice, read_switch, tell_guard, without_findings
from controller.core.moment import Now, day_bounds, hours_between, local_date
from controller.core.plan import make_plan, sessions, split
from controller.core.pulse import IllegalMoveError, closed, move
from controller.core.quality import TROUBLES, heard, trouble_said
from controller.core.rules import season_said
from controller.core.site import SWITCHES, Site
from controller.core.soil import advance, new_bed, notice, rain_on, wet
from controller.core.tank import levels_at, with_drawn, with_reading
from controller.core.weather import (
    FRESH_H,
    WeatherBook,
    et0_of,
    take_forecast,
    take_rain,
    take_temperature,
    weather_on,
)

NOTED_AHEAD = timedelta(hours=36)
LAST_LOOK = timedelta(hours=1)
"""So long before its first pulse a watering is planned once more, with the last readings."""
NEWS_MM = 0.3
"""A bed that readings and rain have moved by this much against the plan is planned anew at the full hour."""
SENSOR_FAULT = "sensor-"
LASTING_REFUSALS = (
    "unknown valve", "locked", "stopped", "not a duration", "longest opening", "master's dead times", "24 hours",
    "litres in 24 hours", "site's 24 hours", "site's litres in 24 hours",
)
"""Rules of the guard for which it would refuse the same again; the reason for any other may pass."""
RETRIES = 3
"""So often a watering that was refused for a reason that may pass is tried again (common practice, no source)."""
SAID_ANEW = timedelta(hours=1)
"""A sensor whose trouble changes is told of anew, but not more often than this."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a step came to: the next garden, what is to be done in this order, and when to ask again at the latest."""

    garden: Garden
    actions: tuple[Action, ...]
    wake_at: datetime


def new_garden(site: Site, now: Now) -> Garden:
    """A garden that nothing is known of yet."""
    return Garden(
        beds={zone.id: new_bed(zone, site, now.utc) for zone in site.zones},
        probes={sensor.id: Probe(awaited_since=now.utc) for sensor in site.sensors},
        weather=WeatherBook(),
        plan=Plan(now.utc, "nothing planned yet"),
    )


def fit_to_site(site: Site, garden: Garden, now: Now) -> Garden:
    """A remembered garden fitted to a site whose config may have changed meanwhile: new zones and sensors begin as
    unknown, those that are gone are dropped, with their waterings. A watering that has begun keeps what it gave; what
    it still owes is laid anew, as its supply may be another."""
    fresh = new_garden(site, now)
    zones = {zone.id for zone in site.zones}
    waterings = [watering for watering in garden.plan.waterings if watering.zone in zones]
    return replace(
        garden,
        beds={zone: garden.beds.get(zone, bed) for zone, bed in fresh.beds.items()},
        probes={sensor: garden.probes.get(sensor, probe) for sensor, probe in fresh.probes.items()},
        plan=replace(garden.plan, waterings=tuple(map(_unplanned, waterings)), thought=None),
        holds=tuple(hold for hold in garden.holds if hold.zone is None or hold.zone in zones),
        locks=tuple(lock for lock in garden.locks if lock.zone is None or lock.zone in zones),
        flows={zone: flow for zone, flow in garden.flows.items() if zone in zones},
        faults={
            name: fault
            for name, fault in garden.faults.items()
            if not name.startswith(SENSOR_FAULT) or name.removeprefix(SENSOR_FAULT) in fresh.probes
        },
    )


def begun_anew(site: Site, garden: Garden, now: Now) -> Garden:
    """A remembered garden without anything believed or planned, for when what is remembered may be what keeps ending
    the program. What people have asked for, what is locked, was given and has been served of a day stays."""
    since = max([now.utc, *(bed.as_of for bed in garden.beds.values())])
    fresh = new_garden(site, Now(now.mono_s, since, now.trusted))
    beds = {zone: replace(bed, done=garden.beds[zone].done) for zone, bed in fresh.beds.items() if zone in garden.beds}
    return replace(
        fresh,
        beds=fresh.beds | beds,
        holds=garden.holds,
        locks=garden.locks,
        heard=garden.heard,
        given=garden.given,
        jobs_done=garden.jobs_done,
        jobs_dismissed=garden.jobs_dismissed,
        away_until=garden.away_until,
    )


def _unplanned(watering: Watering) -> Watering:
    """A watering that has begun, without its planned pulses; any other as it is."""
    if not watering.begun:
        return watering
    return replace(watering, pulses=tuple(pulse for pulse in watering.pulses if pulse.state != "planned"))


def step(site: Site, garden: Garden, event: Event, now: Now) -> Outcome:
    """Take one event in, and decide."""
    before = garden
    site = as_measured(site, garden.flows)
    garden, notes = watch_clock(site, garden, event, now)
    garden, more = _watch_wall_clock(garden, now)
    notes += more
    garden, actions = _take(site, garden, event, now)
    actions = [*notes, *actions]
    if garden.plan_due is not before.plan_due and not isinstance(event, ValveClosed | ValveRefused):
        garden = replace(garden, plan=replace(garden.plan, thought=None))  # not only the beds have changed
    garden = _live_on(site, drop_expired(garden, now), now)
    garden, more = _watch_sensors(site, garden, now)
    actions += more
    garden = _watch_beds(garden, now)
    garden, more = _plan(site, garden, now)
    actions += more
    garden, more = _pulses(site, garden, now)
    actions += more
    garden, more = _tell(site, before, garden, now)
    actions += more
    return Outcome(garden, tuple(actions), _wake_at(site, garden, now))


# What happened ------------------------------------------------------------------------------------


def _take(site: Site, garden: Garden, event: Event, now: Now) -> tuple[Garden, list[Action]]:
    match event:
        case Started(found):
            notes: list[Action] = [Note("start", f"Started with {len(site.zones)} zones.", lasting=True)]
            if found is not None:
                notes.append(Note("fault", found, facts={"fault": "journal"}, lasting=True))
            return replace(garden, guard_ready=False, plan_due=now.utc), notes
        case Woke():
            return garden, []
        case Reading():
            told = [*_told_by_switch(site, garden, event), *_for_the_guard(site, event)]
            return _take_reading(site, garden, event, now), told
        case ReadingRefused():
            return _count_refusal(garden, event), [
                Note("sensor", f"{event.sensor}: {event.why}", facts={"sensor": event.sensor})
            ]
        case ForecastArrived():
            book = take_forecast(garden.weather, event.forecast, site)
            hours = len(event.forecast.hours)
            note = Note(
                "forecast",
                f"New forecast from {event.forecast.source}, {hours} hours.",
                facts={"hours": hours},
            )
            return _without_fault(replace(garden, weather=book, plan_due=now.utc), "forecast"), [note]
        case ForecastFailed():
            return _forecast_failed(garden, event)
        case Ask():
            return hear(site, garden, event, now)
        case GuardReady():
            found_anew = without_findings(_without_fault(garden, "guard"))
            ready = replace(found_anew, guard_ready=True, plan_due=now.utc)
            ready, unseen = _close_unseen(site, ready, now)
            note = Note("guard", "The guard owns the lines; everything is closed.", lasting=True)
            return ready, [*tell_guard(site, ready), note, *unseen]
        case GuardLost():
            lost = replace(garden, guard_ready=False)
            return _with_fault(lost, "guard", event.why, now, lasting=True)
        case GuardFault():
            return _with_fault(garden, "lines", event.why, now, lasting=True)
        case GuardNotice():
            return hear_notice(site, garden, event, now)
        case SwitchRead():
            return _take_reading(site, garden, read_switch(event, now), now), []
        case Trouble():
            return _take_trouble(garden, event, now)
        case ValveOpened():
            return _pulse_told(garden, event.pulse, lambda pulse: move(pulse, "opened"))
        case ValveClosed():
            return _valve_closed(site, garden, event, now)
        case ValveRefused():
            return _valve_refused(garden, event, now)


def _take_reading(site: Site, garden: Garden, event: Reading, now: Now) -> Garden:
    sensor, garden_before = site.sensor(event.sensor), garden
    before = garden.probes[sensor.id]
    if before.at is not None and event.at <= before.at:
        return garden  # an old reading that came late, or one that the broker had kept: history, not news
    probe = heard(before, event.value, event.at)
    probe = replace(probe, word="good") if sensor.kind != "moisture" else probe
    garden = replace(garden, probes={**garden.probes, sensor.id: probe})
    if sensor.kind == "air temperature":
        book = take_temperature(garden.weather, event.value, event.at, site.timezone)
        return replace(garden, weather=learn_excess_heat(book, site))
    if sensor.kind == "tank level" and sensor.supply is not None:
        return with_reading(garden, sensor.supply, event.value, now.utc)
    if sensor.kind == "rain":
        return _rained(site, garden, event, now)
    if sensor.kind == "job switch":
        job = _switched(site, garden_before, event)
        if job is None:
            return garden
        return replace(job_done(site, garden, job, sensor.zone, now.utc, {}), plan_due=now.utc)
    if sensor.kind != "moisture" or sensor.zone is None:
        return garden  # kept, for the interlock and for whoever looks
    zone = site.zone(sensor.zone)
    bed = advance(garden.beds[zone.id], zone, site, garden.weather, now.utc, now.utc)
    others = [(each, garden.probes[each.id]) for each in site.probes_of(zone.id) if each.id != sensor.id]
    watering = any(p.running for w in garden.plan.waterings if w.zone == zone.id for p in w.pulses)
    bed, probe = notice(bed, probe, sensor, zone, site, garden.weather, now.utc, others, watering=watering)
    return replace(garden, beds={**garden.beds, zone.id: bed}, probes={**garden.probes, sensor.id: probe})


def _switched(site: Site, garden: Garden, event: Reading) -> str | None:
    """The job that a switch has just told done, or the one that ends it; None if it says what it said before."""
    sensor, before = site.sensor(event.sensor), garden.probes[event.sensor]
    if sensor.job is None or (before.at is not None and event.at <= before.at) or before.value == event.value:
        return None
    return sensor.job if event.value > 0.5 else UNDONE[sensor.job] if before.value is not None else None


def _told_by_switch(site: Site, garden: Garden, event: Reading) -> list[Action]:
    job = _switched(site, garden, event)
    if job is None:
        return []
    return [Note("job", f"Done, by {event.sensor}: {job}.", site.sensor(event.sensor).zone, {"job": job}, lasting=True)]


def _for_the_guard(site: Site, event: Reading) -> list[Action]:
    """What a switch or flow meter says that the guard cannot read itself."""
    sensor = site.sensor(event.sensor)
    if sensor.kind == "flow meter":
        return [Measure(event.value)]
    return [Sense(sensor.id, event.value == 1.0)] if sensor.kind in SWITCHES and not sensor.wired else []


def _rained(site: Site, garden: Garden, event: Reading, now: Now) -> Garden:
    garden = _live_on(site, garden, now)
    return replace(
        garden,
        weather=take_rain(garden.weather, event.value, event.at, site.timezone),
        beds={zone: rain_on(bed, event.value) for zone, bed in garden.beds.items()},
    )


def _count_refusal(garden: Garden, event: ReadingRefused) -> Garden:
    probe = garden.probes[event.sensor]
    return replace(garden, probes={**garden.probes, event.sensor: replace(probe, refused=probe.refused + 1)})


def _forecast_failed(garden: Garden, event: ForecastFailed) -> tuple[Garden, list[Action]]:
    if garden.weather.trouble == event.why:
        return garden, []
    book = replace(garden.weather, trouble=event.why)
    return replace(garden, weather=book), [
        Note("forecast", f"No new forecast: {event.why}", facts={"trouble": event.why})
    ]


def _take_trouble(garden: Garden, event: Trouble, now: Now) -> tuple[Garden, list[Action]]:
    if event.why is not None:
        return _with_fault(garden, event.part, event.why, now)
    if event.part not in garden.faults:
        return garden, []
    note = Note("fault", f"The {event.part} works again.", facts={"fault": event.part})
    return _without_fault(garden, event.part), [note]


def _valve_closed(site: Site, garden: Garden, event: ValveClosed, now: Now) -> tuple[Garden, list[Action]]:
    zone = site.zone(event.zone)
    supply = site.supply_of(zone.id)
    supposed_l = supply.drawn_l(zone.line, event.open_s, event.water_s)
    litres = zone.line.reaching_l(supposed_l if event.litres is None else event.litres)
    garden, notes = _pulse_told(
        garden, event.pulse, lambda pulse: replace(closed(pulse, litres, event.why), seconds=event.open_s)
    )
    net_mm = litres / zone.area_m2 * zone.line.efficiency
    bed = advance(garden.beds[zone.id], zone, site, garden.weather, now.utc, now.utc)
    unsure_mm = event.unsure_s / 60.0 * zone.line.flow_l_min / zone.area_m2
    if litres > 0.0:
        bed = replace(wet(bed, zone, net_mm, now.utc, unsure_mm), last_litres=litres)
    # A budget counts the most that it can have been.
    most_l = max(supply.drawn_l(zone.line, event.open_s + event.unsure_s), event.litres or 0.0)
    begun = local_date(now.utc - timedelta(seconds=event.open_s), site.timezone)
    given = with_given(garden.given, begun, zone.id, most_l)
    garden = replace(garden, beds={**garden.beds, zone.id: bed}, given=given)
    garden = with_drawn(garden, zone.supply, most_l)
    if event.why == "by hand":
        # Somebody closed at the guard itself, past us: that is a stop, not a pulse to be made up for.
        garden, _ = end_waterings(garden, None)
    if event.l_min is not None:
        garden, more = learn_flow(site, garden, zone.id, event.l_min, now)
        notes += more
    return _settle(site, garden, now), notes


def _close_unseen(site: Site, garden: Garden, now: Now) -> tuple[Garden, list[Action]]:
    """A new guard has nothing open. A pulse that still runs by the plan ended at some time that nobody saw."""
    actions: list[Action] = []
    for watering in garden.plan.waterings:
        for pulse in watering.pulses:
            if pulse.running:
                half_s = pulse.seconds / 2.0
                unseen = ValveClosed(pulse.zone, pulse.id, half_s, "end not seen", unsure_s=half_s)
                garden, notes = _valve_closed(site, garden, unseen, now)
                said = f"How long {pulse.zone} was open was not seen: {pulse.seconds / 60.0:.0f} min at most."
                actions += [*notes, Note("fault", said, pulse.zone, {"pulse": pulse.id}, lasting=True)]
    return garden, actions


def _valve_refused(garden: Garden, event: ValveRefused, now: Now) -> tuple[Garden, list[Action]]:
    garden, notes = _pulse_told(garden, event.pulse, lambda pulse: move(pulse, "refused"))
    if event.rule in LASTING_REFUSALS or _refusals(garden, event.pulse) > RETRIES:
        garden = _give_up(garden, event.pulse)
    else:
        garden = _postponed(replace(garden, plan_due=now.utc), event.pulse)
    said = f"The guard refused to open {event.zone}: {event.why}"
    return garden, [
        *notes,
        Note("refusal", said, event.zone, {"rule": event.rule, "pulse": event.pulse}, lasting=True),
    ]


def _pulse_told(garden: Garden, pulse_id: str, change: Callable[[Pulse], Pulse]) -> tuple[Garden, list[Action]]:
    """The garden in which one pulse of the plan has changed; a pulse the plan does not know is noted, not lost."""
    for watering in garden.plan.waterings:
        for n, pulse in enumerate(watering.pulses):
            if pulse.id != pulse_id:
                continue
            try:
                changed = change(pulse)
            except IllegalMoveError as error:
                return garden, [Note("fault", f"Unexpected word from the guard: {error}.", pulse.zone)]
            pulses = (*watering.pulses[:n], changed, *watering.pulses[n + 1 :])
            return _with_watering(garden, replace(watering, pulses=pulses)), []
    return garden, [Note("fault", f"The guard told of a pulse that is not in the plan: {pulse_id}.")]


def _with_watering(garden: Garden, watering: Watering) -> Garden:
    waterings = tuple(watering if w.id == watering.id else w for w in garden.plan.waterings)
    return replace(garden, plan=replace(garden.plan, waterings=waterings))


def _settle(site: Site, garden: Garden, now: Now) -> Garden:
    """Waterings with nothing running and nothing planned: ended if they gave what they owed, else planned anew."""
    beds = dict(garden.beds)
    waterings: list[Watering] = []
    due = garden.plan_due
    for watering in garden.plan.waterings:
        if watering.begun and watering.idle and not watering.ended:
            due = now.utc  # to give the rest, or to let another watering have the valve
            if not split(site.zone(watering.zone), watering.owed_litres):
                watering = replace(watering, ended=True)
        if watering.ended and hold_on(garden.holds, watering.zone) is None:
            # What a hold has cut short is not served: the plan asks the bed anew when the hold is over.
            beds[watering.zone] = _served(beds[watering.zone], watering)
        waterings.append(watering)
    plan = replace(garden.plan, waterings=tuple(waterings))
    return replace(garden, beds=beds, plan=plan, plan_due=due)


def _watering_of(garden: Garden, pulse_id: str) -> Watering | None:
    return next((w for w in garden.plan.waterings for pulse in w.pulses if pulse.id == pulse_id), None)


def _refusals(garden: Garden, pulse_id: str) -> int:
    """How often the guard has refused a pulse of the watering that this one belongs to."""
    watering = _watering_of(garden, pulse_id)
    return sum(pulse.state == "refused" for pulse in watering.pulses) if watering is not None else 0


def _postponed(garden: Garden, pulse_id: str) -> Garden:
    """The garden in which the watering of that pulse has nothing planned any more: the next plan lays what it owes,
    a while later."""
    watering = _watering_of(garden, pulse_id)
    return garden if watering is None else _with_watering(garden, _unplanned(watering))


def _give_up(garden: Garden, pulse_id: str) -> Garden:
    """The watering of that pulse ended, its planned pulses dropped."""
    for watering in garden.plan.waterings:
        if any(pulse.id == pulse_id for pulse in watering.pulses):
            pulses = tuple(move(p, "drop") if p.state == "planned" else p for p in watering.pulses)
            served = _served(garden.beds[watering.zone], watering)
            garden = replace(garden, beds={**garden.beds, watering.zone: served})
            return _with_watering(garden, replace(watering, pulses=pulses, ended=True))
    return garden


def _served(bed: Bed, watering: Watering) -> Bed:
    """The bed once nothing more will come of a watering. The mulch pulled back for a dawn soak goes back after it, with
    the first that the bed is served since."""
    first = bed.done.get(watering.purpose) != watering.day
    soaked = first and watering.purpose == "dawn soak" and watering.given_litres > 0.0
    hands = after_soak(bed.hands) if soaked else bed.hands
    return replace(bed, done={**bed.done, watering.purpose: watering.day}, hands=hands)


# Time ---------------------------------------------------------------------------------------------


def _live_on(site: Site, garden: Garden, now: Now) -> Garden:
    """Every bed brought to now."""
    if all(bed.as_of >= now.utc for bed in garden.beds.values()):
        return garden
    beds = {zone.id: advance(garden.beds[zone.id], zone, site, garden.weather, now.utc, now.utc) for zone in site.zones}
    return levels_at(site, replace(garden, beds=beds), now.utc)


# Sensors ------------------------------------------------------------------------------------------


def _watch_sensors(site: Site, garden: Garden, now: Now) -> tuple[Garden, list[Action]]:
    """Silence is a state. Edges are noted once: a sensor that goes bad becomes a fault, one that recovers clears it."""
    actions: list[Action] = []
    for sensor in site.sensors:
        probe = garden.probes[sensor.id]
        heard = probe.at or probe.awaited_since
        if heard is not None and (now.utc - heard).total_seconds() > sensor.stale_after_s:
            probe = replace(probe, word="stale")
            garden = replace(garden, probes={**garden.probes, sensor.id: probe})
        fault_id = f"{SENSOR_FAULT}{sensor.id}"
        known = garden.faults.get(fault_id)
        if probe.word in TROUBLES and (known is None or now.utc - known.since >= SAID_ANEW):
            garden, notes = _with_fault(garden, fault_id, trouble_said(sensor.id, probe, site.timezone), now)
            actions += notes
        elif probe.word == "good" and fault_id in garden.faults:
            garden = _without_fault(garden, fault_id)
            actions.append(Note("sensor", f"{sensor.id} is good again.", sensor.zone))
    issued = garden.weather.issued
    if issued is not None and hours_between(issued, now.utc) > FRESH_H and "forecast" not in garden.faults:
        said = f"The forecast is {hours_between(issued, now.utc):.0f} h old; its days and the sensors carry on."
        garden, notes = _with_fault(garden, "forecast", said, now)
        actions += notes
    return garden, actions


def _watch_wall_clock(garden: Garden, now: Now) -> tuple[Garden, list[Action]]:
    """Say that the wall clock is not followed, and when it is again."""
    known = "clock" in garden.faults
    if bool(now.behind_s) == known:
        return garden, []
    if known:
        note = Note("fault", "The computer's clock is right again.", facts={"fault": "clock"})
        return _without_fault(garden, "clock"), [note]
    hours = now.behind_s / 3600.0
    back = f"{hours / 24.0:.0f} days" if hours >= 48.0 else f"{hours:.0f} h"
    said = (
        f"The computer's clock went back by {back}. It is not followed until network time says the same; all goes by "
        "the time from before."
    )
    return _with_fault(garden, "clock", said, now, lasting=True)


def _with_fault(
    garden: Garden, fault_id: str, said: str, now: Now, *, lasting: bool = False
) -> tuple[Garden, list[Action]]:
    if fault_id in garden.faults and garden.faults[fault_id].said == said:
        return garden, []
    fault = Fault(fault_id, said, now.utc)
    note = Note("fault", said, facts={"fault": fault_id}, lasting=lasting)
    return replace(garden, faults={**garden.faults, fault_id: fault}), [note]


def _without_fault(garden: Garden, fault_id: str) -> Garden:
    if fault_id not in garden.faults:
        return garden
    return replace(garden, faults={name: fault for name, fault in garden.faults.items() if name != fault_id})


# Plan and pulses ----------------------------------------------------------------------------------


def _watch_beds(garden: Garden, now: Now) -> Garden:
    """What the plan could not foresee of a bed is a reason to plan anew, though not more often than hourly."""
    hour = _next_hour(now)
    if garden.plan_due is None or garden.plan_due <= hour:
        return garden
    counted = garden.plan.reckoned
    moved = any(abs(seen_mm - counted.get(zone, seen_mm)) > NEWS_MM for zone, seen_mm in _unforeseen(garden).items())
    return replace(garden, plan_due=hour) if moved else garden


def _unforeseen(garden: Garden) -> dict[str, float]:
    """What readings and rain have changed in each bed's depletion since midnight [mm]."""
    return {zone: bed.today.corrected_mm - bed.today.rain_mm for zone, bed in garden.beds.items()}


def _plan(site: Site, garden: Garden, now: Now) -> tuple[Garden, list[Action]]:
    """Make the plan anew when something worth knowing has changed, or one of its own hours has come."""
    if garden.plan_due is None or now.utc < garden.plan_due:
        return garden, []
    under_way = any(watering.under_way for watering in garden.plan.waterings)
    because = "waterings under way" if under_way else "the hour"
    plan = make_plan(site, garden, now.utc, because)
    known, noted = _sizes(plan, now), garden.plan.noted
    news = {name for name, size in known.items() if noted.get(name) != size}
    gone = noted.keys() - known.keys()
    plan = replace(plan, noted=known, reckoned=_unforeseen(garden))
    garden = _settle(site, replace(garden, plan=plan, plan_due=None), now)
    # What _settle found unfinished could not be laid by this plan either: it is over.
    garden = _end_the_unfinished(garden)
    garden = replace(garden, plan_due=_next_planning(site, garden.plan, now))
    return garden, [_plan_note(site, garden, news, now)] if news or gone else []


def _end_the_unfinished(garden: Garden) -> Garden:
    for watering in garden.plan.waterings:
        if watering.begun and watering.idle and not watering.ended:
            garden = _give_up(garden, watering.pulses[0].id)
    return garden


def _next_planning(site: Site, plan: Plan, now: Now) -> datetime:
    """The next midnight, the beginning of the next session, or the last look before the next watering: what comes
    first. Whatever else is worth knowing asks for a plan itself."""
    moments = [day_bounds(local_date(now.utc, site.timezone), site.timezone)[1]]
    moments += [session.start for session in sessions(site, now.utc)]
    moments += [w.next_start - LAST_LOOK for w in plan.waterings if not w.begun and not w.ended]
    return min(moment for moment in moments if moment > now.utc)


def _next_hour(now: Now) -> datetime:
    return now.utc.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)


def _near(plan: Plan, now: Now) -> tuple[Watering, ...]:
    """The waterings that are worth writing down: those that will not be planned anew many times before they begin."""
    return tuple(w for w in plan.waterings if not w.ended and (w.begun or w.next_start <= now.utc + NOTED_AHEAD))


def _sizes(plan: Plan, now: Now) -> dict[str, int]:
    """What makes one plan the same as another for a reader: the same waterings, to about a thirtieth of their size."""
    return {w.id: round(30.0 * math.log(max(1.0, w.need.litres))) for w in _near(plan, now)}


def _plan_note(site: Site, garden: Garden, news: set[str], now: Now) -> Note:
    """A plan for the journal: what is new in it whole, with all its figures, and the rest by name."""
    plan = garden.plan
    litres = sum(watering.litres_to_come for watering in plan.waterings)
    zones = {watering.zone for watering in plan.waterings}
    today = local_date(now.utc, site.timezone)
    said = f"{len(plan.waterings)} waterings for {len(zones)} zones, {litres:.0f} L in all."
    if not plan.waterings:
        said = "No watering is needed in the days ahead."
        said = "No watering is planned while the hold lasts." if garden.holds else said
        said = season_said(site, today) or said
    near = _near(plan, now)
    facts = {
        "because": plan.because,
        "remarks": plan.remarks,
        "weather": weather_on(garden.weather, site, today, now.utc),
        "et0_mm": et0_of(garden.weather, site, today, now.utc).mm,
        "waterings": [watering for watering in near if watering.id in news],
        "unchanged": [watering.id for watering in near if watering.id not in news],
    }
    return Note("plan", said, facts=facts)


def _pulses(site: Site, garden: Garden, now: Now) -> tuple[Garden, list[Action]]:
    """Start what is due, unless something speaks against it."""
    actions: list[Action] = []
    for watering in garden.plan.waterings:
        for pulse in watering.pulses:
            if pulse.state != "planned" or pulse.start > now.utc or not garden.guard_ready:
                continue
            objection = veto(Case(site, garden, watering, pulse, now))
            if objection is None:
                garden, _ = _pulse_told(garden, pulse.id, lambda p: replace(move(p, "ask"), start=now.utc))
                actions.append(Open(pulse.zone, pulse.id, watering.id, pulse.seconds, pulse.litres))
            elif objection.lasting:
                garden = _give_up(garden, pulse.id)
                facts = {"veto": objection.name, "pulse": pulse.id}
                actions.append(Note("refusal", objection.said, pulse.zone, facts))
                break
            else:
                garden = replace(garden, plan_due=min(garden.plan_due or now.utc, now.utc + timedelta(minutes=1)))
                break
    return garden, actions


# The gardener -------------------------------------------------------------------------------------


def _tell(site: Site, before: Garden, garden: Garden, now: Now) -> tuple[Garden, list[Action]]:
    """Tell by message what is due to be told; looked at hourly, when all days ahead were thought over, at the hour of
    the day's message, and when something stays broken."""
    due = garden.plan.thought is not before.plan.thought or is_due(site, garden, now.utc)
    if site.digest.at is None or not garden.clock_trusted or not due:
        return garden, []
    garden = replace(garden, digest=replace(garden.digest, looked=now.utc))
    listed = jobs(site, garden, now.utc)
    garden, late = expired(garden, listed, now.utc)
    notes: list[Action] = [
        Note("job", f"Not done in time: {job.id}.", facts={"expired": job.id, "zones": job.zones}) for job in late
    ]
    garden, digest = look(site, garden, listed, now.utc)
    if digest is None:
        return garden, notes
    facts = {"urgent": digest.urgent, "jobs": [job.id for job in digest.jobs]}
    counts = ((len(digest.jobs), "job"), (len(digest.faults), "fault"))
    told = ", ".join(f"{count} {what}{'s' if count > 1 else ''}" for count, what in counts if count)
    said = f"Told by message: {told or 'all is well'}."
    return garden, [*notes, Note("digest", said, facts=facts, lasting=True), Send(digest)]


def _wake_at(site: Site, garden: Garden, now: Now) -> datetime:
    """The next instant at which something may be due, an hour from now at the latest."""
    moments = [now.utc + timedelta(hours=1)]
    if garden.plan_due is not None:
        moments.append(max(garden.plan_due, now.utc))
    moments += [hold.until for hold in garden.holds if hold.until is not None]
    moments += _pulse_starts(garden, now)
    if site.digest.at is not None:
        moments.append(next_look(site, garden, now.utc))
    # What comes back from the journal has another object for the same zone.
    return max(now.utc + timedelta(seconds=0.05), min(moments)).astimezone(UTC)


def _pulse_starts(garden: Garden, now: Now) -> list[datetime]:
    if not garden.guard_ready:
        return []
    return [
        pulse.start
        for watering in garden.plan.waterings
        for pulse in watering.pulses
        if pulse.state == "planned" and pulse.start > now.utc
    ]
