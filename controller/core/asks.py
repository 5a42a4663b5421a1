"""What people ask for: water, stop, hold, release, skip, a job reported done, a new plan.

One function a verb, in a table. Every ask gets one answer, in one sentence. An id that was heard before is answered
again with the same words and never acted on again; that memory is part of the garden, so it outlives a restart.
"""

from collections.abc import Callable, Mapping
from datetime import date, datetime
from types import MappingProxyType

from controller.core.actions import Action, Answer, Close, Note, Release
from controller.core.budget import counted, counts, left_l
from controller.core.events import Ask, Verb
from controller.core.frozen import replace
from controller.core.garden import Garden, Heard, Hold, Probe, Watering
from controller.core.hands import ONE_ZONE, after_job, changes_beds, empties, sort_of
from controller.core.interlock import hold_on
from controller.core.jobs import jobs
from controller.core.locks import STOPPED, lock_on, lock_said, without_locks
from controller.core.moment import Now, local_date
from controller.core.need import need_by_hand
from controller.core.plan import make_plan, order_by_hand, sessions, split
from controller.core.pulse import move
from controller.core.rules import banned_by, in_front, in_words
from controller.core.site import Site, Zone
from controller.core.soil import advance, relearnt, wet
from controller.core.weather import forget_place

HEARD_KEPT = 200
LARGEST_MM = 100.0


class RefusalError(Exception):
    """An ask that will not be acted on; its text is the answer."""


Verdict = tuple[Garden, list[Action], str]
"""The garden after it, what is to be done, and the sentence for the person."""


def hear(site: Site, garden: Garden, ask: Ask, now: Now) -> tuple[Garden, list[Action]]:
    """Act on an ask once, and answer it always."""
    before = next((heard for heard in garden.heard if heard.id == ask.id), None)
    if before is not None:
        said = f"Heard before, not done again: {before.said}"
        return garden, [Answer(ask.id, False, said)]
    try:
        _refuse_unfit(site, garden, ask, now)
        after, actions, said = VERBS[ask.do](site, garden, ask, now)
        ok = True
    except RefusalError as refusal:
        after, actions, said, ok = garden, [], str(refusal), False
    heard = (*after.heard, Heard(ask.id, ok, said, now.utc))[-HEARD_KEPT:]
    facts = {"id": ask.id, "do": ask.do, "ok": ok}
    note = Note("ask", f"{ask.do}{f' {ask.zone}' if ask.zone else ''}: {said}", ask.zone, facts, lasting=True)
    return replace(after, heard=heard), [*actions, note, Answer(ask.id, ok, said)]


def _refuse_unfit(site: Site, garden: Garden, ask: Ask, now: Now) -> None:
    if ask.refused is not None:
        raise RefusalError(ask.refused)
    if ask.expires is not None and ask.expires <= now.utc:
        raise RefusalError("This ask had expired before it arrived; send it again if it still holds.")
    if ask.zone is not None and ask.zone not in {zone.id for zone in site.zones}:
        known = ", ".join(zone.id for zone in site.zones)
        raise RefusalError(f'There is no zone "{ask.zone}"; the zones are {known}.')


def _water(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    if ask.zone is None:
        raise RefusalError("Water which zone? Name one.")
    zone = site.zone(ask.zone)
    if not garden.guard_ready:
        raise RefusalError("The guard is not ready, so no valve may open now.")
    if (lock := lock_on(garden, zone.id)) is not None:
        raise RefusalError(lock_said(site, lock.zone, lock.why))
    if (hold := hold_on(garden.holds, zone.id)) is not None:
        until = "released" if hold.until is None else f"{hold.until.astimezone(site.timezone):%a %H:%M}"
        raise RefusalError(f"Watering is on hold until {until}; release it first.")
    if any(w.zone == zone.id and w.under_way for w in garden.plan.waterings):
        raise RefusalError(f"{zone.name} is being watered already; stop it first, or wait.")
    if (ban := banned_by(site, zone, now.utc, by_hand=True)) is not None:
        raise RefusalError(f"{in_words(site, zone, ban, by_hand=True)} It holds for water that you ask for, too.")
    overruled = banned_by(site, zone, now.utc)
    by_leave = f" {in_front(overruled.by)} leaves out what is asked for by hand." if overruled is not None else ""
    gross_mm = _wanted_mm(garden, zone, ask)
    need = need_by_hand(zone, gross_mm, f"Asked for by hand.{by_leave}")
    most_l = zone.most_s_per_24h / 60.0 * zone.line.flow_l_min
    if need.litres > most_l:
        raise RefusalError(f"{need.litres:.0f} L is more than the {most_l:.0f} L that the valve may give in a day.")
    for budget in site.budgets:
        coming = [pulse for w in garden.plan.waterings if w.under_way for pulse in w.pulses]
        left = left_l(budget, counted(budget, site, garden, coming), local_date(now.utc, site.timezone))
        if counts(budget, zone.id) and need.litres > left:
            raise RefusalError(
                f"{in_front(budget.name)} does not allow {_litres(need.litres)}: {_litres(left)} are left of it."
            )
    if not split(zone, need.litres):
        raise RefusalError(f"{need.litres:.1f} L is too little to open a valve for.")
    plan = make_plan(site, garden, now.utc, "water by hand", order_by_hand(site, need, ask.id, now.utc))
    mine = next((w for w in plan.waterings if w.purpose == "by hand" and w.id.endswith(f"-{ask.id}")), None)
    if mine is None:
        raise RefusalError(f"There is no allowed hour in the coming day that would hold {need.litres:.0f} L.")
    begin = mine.next_start.astimezone(site.timezone)
    pulses = "1 pulse" if len(mine.pulses) == 1 else f"{len(mine.pulses)} pulses"
    short = mine.litres_to_come < 0.99 * need.litres
    rest = f" The allowed hours of the coming day do not hold the whole {_litres(need.litres)}." if short else ""
    return (
        replace(garden, plan=plan),
        [],
        f"{zone.name} gets {_litres(mine.litres_to_come)} in {pulses}, from {begin:%H:%M}.{by_leave}{rest}",
    )


def _litres(litres: float) -> str:
    return f"{litres:.0f} L" if litres >= 10.0 else f"{litres:.1f} L"


def _wanted_mm(garden: Garden, zone: Zone, ask: Ask) -> float:
    """The gross depth asked for. Without an amount: what the root zone is missing."""
    amounts = [
        ask.litres / zone.area_m2 if ask.litres is not None else None,
        ask.minutes * zone.line.flow_l_min / zone.area_m2 if ask.minutes is not None else None,
        ask.mm,
    ]
    given = [amount for amount in amounts if amount is not None]
    if len(given) > 1:
        raise RefusalError("Give one of litres, minutes and mm, not several.")
    if not given:
        return max(0.0, garden.beds[zone.id].depletion_mm) / zone.line.efficiency
    if not 0.0 < given[0] <= LARGEST_MM:
        raise RefusalError(
            f"{given[0]:.1f} mm is outside what one watering may be (over 0, up to {LARGEST_MM:.0f} mm)."
        )
    return given[0]


def _stop(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    after, stopped = end_waterings(_give_up_session(site, garden, ask.zone, now), ask.zone)
    where = site.zone(ask.zone).name if ask.zone is not None else "Everything"
    said = f"{where} is closed" + (f"; {stopped} watering{'s' if stopped > 1 else ''} ended." if stopped else ".")
    return replace(after, plan_due=now.utc), [Close(ask.zone, "asked")], said


def _give_up_session(site: Site, garden: Garden, zone_id: str | None, now: Now) -> Garden:
    """The garden in which the dawn or dusk that is going on counts as served: stopped means not tried again in it."""
    current: dict[str, date] = {
        session.purpose: session.day for session in sessions(site, now.utc) if session.start <= now.utc
    }
    beds = {
        bed.zone: replace(bed, done={**bed.done, **current}) if zone_id in (None, bed.zone) else bed
        for bed in garden.beds.values()
    }
    return replace(garden, beds=beds)


def _hold(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    if ask.until is not None and ask.until <= now.utc:
        raise RefusalError("That time is past; hold until a later one.")
    others = tuple(hold for hold in garden.holds if hold.zone != ask.zone)
    hold = Hold(ask.zone, ask.until, now.utc)
    after, _ = end_waterings(replace(garden, holds=(*others, hold)), ask.zone)
    where = site.zone(ask.zone).name if ask.zone is not None else "The whole garden"
    until = "until released" if ask.until is None else f"until {ask.until.astimezone(site.timezone):%a %d %b %H:%M}"
    return replace(after, plan_due=now.utc), [Close(ask.zone, "hold")], f"{where} is on hold {until}."


def _release(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    """Holds and locks of the zone, or all there are. A lock that the guard keeps all the same it tells of anew."""
    left = tuple(hold for hold in garden.holds if ask.zone is not None and hold.zone != ask.zone)
    locked = [lock for lock in garden.locks if ask.zone in (None, lock.zone)]
    if len(left) == len(garden.holds) and not locked:
        raise RefusalError("Nothing is on hold or locked there.")
    if locked and not garden.guard_ready:
        raise RefusalError("The guard is not ready, so nothing can be unlocked now.")
    if any(lock.zone is None and lock.rule == STOPPED for lock in locked) and _stop_pressed(site, garden):
        raise RefusalError("The stop switch is still pressed; free it first.")
    where = site.zone(ask.zone).name if ask.zone is not None else "The whole garden"
    still = " The hold on the whole garden remains." if ask.zone is not None and hold_on(left, ask.zone) else ""
    if ask.zone is not None and any(lock.zone is None for lock in garden.locks):
        still += " The whole garden is still locked."
    actions: list[Action] = [Release(ask.zone)] if locked else []
    after = replace(without_locks(garden, locked), holds=left, plan_due=now.utc)
    return after, actions, f"{where} is released.{still}"


def _stop_pressed(site: Site, garden: Garden) -> bool:
    return any(sensor.kind == "stop switch" and garden.probes[sensor.id].value == 1.0 for sensor in site.sensors)


def _skip(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    """The next watering of the zone (of every zone, without one) does not happen."""
    zones = [ask.zone] if ask.zone is not None else [zone.id for zone in site.zones]
    skipped: list[Watering] = []
    for zone_id in zones:
        coming = [w for w in garden.plan.waterings if w.zone == zone_id and not w.begun and not w.ended]
        if coming:
            skipped.append(min(coming, key=lambda w: w.next_start))
    if not skipped:
        raise RefusalError("No watering is planned there that could be skipped.")
    beds = dict(garden.beds)
    for watering in skipped:
        bed = beds[watering.zone]
        beds[watering.zone] = replace(bed, done={**bed.done, watering.purpose: watering.day})
    ids = {watering.id for watering in skipped}
    waterings = tuple(w for w in garden.plan.waterings if w.id not in ids)
    what = [f"{w.zone} ({w.purpose}, {w.day:%a %d %b})" for w in skipped]
    said = f"Skipped: the next watering of {', '.join(what)}."
    plan = replace(garden.plan, waterings=waterings)
    return replace(garden, beds=beds, plan=plan, plan_due=now.utc), [], said


def _job_done(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    """A job that hands have done: noted, and the beds are others from now on."""
    if not ask.job:
        raise RefusalError("Which job is done? Name its id.")
    _refuse_unknown_job(site, garden, ask.job, now)
    if sort_of(ask.job) in ONE_ZONE and ask.zone is None:
        raise RefusalError(f"Which zone is {sort_of(ask.job)}? Name it: of all zones at once this would be wrong.")
    job = next((each for each in jobs(site, garden, now.utc) if each.id == ask.job), None)
    after = job_done(site, garden, ask.job, ask.zone, now.utc, dict(job.litres) if job is not None else {})
    notes: list[Action] = [Note("job", f"Done: {ask.job}.", ask.zone, {"job": ask.job}, lasting=True)]
    said = f"Noted: {ask.job} is done."
    zone = next((each for each in site.zones if each.id == ask.zone), None)
    if zone is not None and empties(ask.job, zone, local_date(now.utc, site.timezone)):
        after = job_done(site, after, "cleared", zone.id, now.utc, {})
        notes.append(Note("job", "Done: cleared.", zone.id, {"job": "cleared"}, lasting=True))
        said += f" {zone.name} counts as cleared and gets no water until planted is reported."
    return replace(after, plan_due=now.utc), notes, said


def job_done(
    site: Site, garden: Garden, job: str, zone_id: str | None, now: datetime, litres: Mapping[str, float]
) -> Garden:
    """The garden after a job was reported done, in one zone or wherever it means anything. litres: given by hand."""
    beds = dict(garden.beds)
    for zone in site.zones:
        if zone_id in (None, zone.id):
            bed = advance(beds[zone.id], zone, site, garden.weather, now, now)
            bed = replace(bed, hands=after_job(bed.hands, job, zone))
            beds[zone.id] = wet(bed, zone, litres[zone.id] / zone.area_m2, now) if zone.id in litres else bed
    return replace(garden, jobs_done={**garden.jobs_done, job: now}, beds=beds)


def _job_dismiss(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    """A job that nobody is going to do: it is asked for no more, and nothing is reckoned with it."""
    if not ask.job:
        raise RefusalError("Which job is left out? Name its id.")
    _refuse_unknown_job(site, garden, ask.job, now, listed_only=True)
    dismissed = {**garden.jobs_dismissed, ask.job: now.utc}
    note = Note("job", f"Left out: {ask.job}.", facts={"dismissed": ask.job}, lasting=True)
    return replace(garden, jobs_dismissed=dismissed), [note], f"Noted: {ask.job} is left out."


def _refuse_unknown_job(site: Site, garden: Garden, job: str, now: Now, listed_only: bool = False) -> None:
    """What changes a bed may be reported at any time; any other job while it is listed."""
    listed = [each.id for each in jobs(site, garden, now.utc)]
    if job in listed or (changes_beds(job) and not listed_only):
        return
    known = f"the jobs are {', '.join(listed)}" if listed else "nothing is to be done by hand now"
    raise RefusalError(f'There is no job "{job}"; {known}.')


def _away(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    """Nobody tends the garden until then: messages speak of what goes wrong, not of jobs."""
    if ask.until is None:
        raise RefusalError("Away until when? Give the day that somebody is back.")
    if ask.until <= now.utc:
        raise RefusalError("That time is past; give a later one.")
    until = ask.until.astimezone(site.timezone)
    said = f"Away until {until:%a %d %b %H:%M}: messages tell what goes wrong, and every few days that all is well."
    return replace(garden, away_until=ask.until), [], said


def _back(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    if garden.away_until is None or garden.away_until <= now.utc:
        raise RefusalError("Nobody is away.")
    return replace(garden, away_until=None), [], "Welcome back: messages speak of jobs again."


def _replan(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    return replace(garden, plan_due=now.utc), [], "A new plan is being made."


def _relearn(site: Site, garden: Garden, ask: Ask, now: Now) -> Verdict:
    """What a bed has taught is forgotten: after its soil was changed, or a probe was moved or replaced. Asked of the
    whole site, what its thermometer has taught of the place is forgotten, too."""
    zones = [ask.zone] if ask.zone is not None else [zone.id for zone in site.zones]
    beds = {
        zone: relearnt(bed, site.zone(zone)) if zone in zones else bed
        for zone, bed in garden.beds.items()
    }
    moved = [sensor.id for zone in zones for sensor in site.probes_of(zone)]
    probes = {name: Probe(awaited_since=now.utc) if name in moved else probe for name, probe in garden.probes.items()}
    flows = {zone: flow for zone, flow in garden.flows.items() if zone not in zones}
    garden = replace(garden, beds=beds, probes=probes, flows=flows, plan_due=now.utc)
    if ask.zone is not None:
        return garden, [], f"{site.zone(ask.zone).name} begins anew from the tables."
    said = "All zones begin anew from the tables, and the place from its forecast."
    return replace(garden, weather=forget_place(garden.weather)), [], said


VERBS: Mapping[Verb, Callable[[Site, Garden, Ask, Now], Verdict]] = MappingProxyType(
    {
        "water": _water,
        "stop": _stop,
        "hold": _hold,
        "release": _release,
        "skip": _skip,
        "job-done": _job_done,
        "job-dismiss": _job_dismiss,
        "away": _away,
        "back": _back,
        "replan": _replan,
        "relearn": _relearn,
    }
)


def end_waterings(garden: Garden, zone_id: str | None) -> tuple[Garden, int]:
    """The garden with the begun waterings of a zone (of all, for None) given up, and how many they were.

    Running pulses stay in the plan until the guard tells how they ended. Waterings that have not begun are taken out:
    the next plan will ask again whether they are needed.
    """
    kept: list[Watering] = []
    ended = 0
    for watering in garden.plan.waterings:
        if zone_id is not None and watering.zone != zone_id:
            kept.append(watering)
        elif watering.under_way:
            ended += 1
            pulses = tuple(move(p, "drop") if p.state == "planned" else p for p in watering.pulses)
            kept.append(replace(watering, pulses=pulses, ended=True))
        elif watering.begun:
            kept.append(watering)
    return replace(garden, plan=replace(garden.plan, waterings=tuple(kept))), ended


def drop_expired(garden: Garden, now: Now) -> Garden:
    """The garden without the holds whose time is over."""
    left = tuple(hold for hold in garden.holds if hold.until is None or hold.until > now.utc)
    return garden if len(left) == len(garden.holds) else replace(garden, holds=left, plan_due=now.utc)
