"""The garden as it is now, as plain data: what the broker is told, what the commands print, what the page shows.

Pure: (site, garden, now) in, dicts out, shaped as `controller.messages` describes them.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from controller.core.garden import Bed, Garden, Watering
from controller.core.heat import percentile_85_c2, spells, with_excess_heat
from controller.core.interlock import hold_on
from controller.core.job import Job
from controller.core.jobs import open_jobs
from controller.core.moment import Now, local_date
from controller.core.plants import plants_on
from controller.core.quality import trust, trust_together
from controller.core.rules import season_said
from controller.core.site import Site, Zone
from controller.core.weather import days_ahead, et0_of, percentile_95_c
from controller.words import Words

DAYS_SHOWN = 7

View = dict[str, Any]


def all_views(site: Site, garden: Garden, now: Now) -> dict[str, View]:
    """Every retained topic below the site's root, by its path."""
    views = {
        "plan": plan_view(site, garden),
        "jobs": jobs_view(site, garden, now.utc),
        "weather": weather_view(site, garden, now.utc),
    }
    views |= {f"zone/{zone.id}": zone_view(site, garden, zone, now.utc) for zone in site.zones}
    views |= {f"fault/{name}": fault_view(site, garden, name) for name in garden.faults}
    return views


def status_view(site: Site, garden: Garden, now: Now, **own: Any) -> View:
    """The state of the controller; `own` is what only the process knows of itself (start, version, memory...)."""
    site_hold = next((hold for hold in garden.holds if hold.zone is None), None)
    issued = garden.weather.issued
    return {
        "online": True,
        "said": in_a_sentence(site, garden, now.utc),
        "guard": "ready" if garden.guard_ready else "lost",
        "clock_trusted": garden.clock_trusted,
        "held": site_hold is not None,
        "held_until": _local(site, site_hold.until) if site_hold and site_hold.until else None,
        "open_valves": open_zones(garden),
        "tanks_l": {supply: round(level.litres, 1) for supply, level in garden.tanks.items()},
        "forecast_age_h": round(max(0.0, (now.utc - issued).total_seconds() / 3600.0), 1) if issued else None,
        **own,
    }


def in_a_sentence(site: Site, garden: Garden, now: datetime) -> str:
    """What is going on, for a person in a hurry."""
    if not garden.guard_ready:
        return "The guard is not ready: all valves closed, nothing may open."
    if (hold := hold_on(garden.holds, None)) is not None:
        until = "it is released" if hold.until is None else f"{hold.until.astimezone(site.timezone):%a %H:%M}"
        return f"All valves closed, on hold until {until}."
    if running := open_zones(garden):
        return f"Watering {', '.join(site.zone(zone).name for zone in running)}."
    coming = [w for w in garden.plan.waterings if not w.ended and w.next_start >= now - timedelta(minutes=1)]
    if not coming:
        if (over := season_said(site, local_date(now, site.timezone))) is not None:
            return f"All valves closed. {over}"
        return "All valves closed; no watering is needed in the days ahead."
    first = min(coming, key=lambda w: w.next_start)
    at = first.next_start.astimezone(site.timezone)
    return f"All valves closed; next is {site.zone(first.zone).name}, {at:%a %H:%M}."


def open_zones(garden: Garden) -> list[str]:
    """Zones whose valve is open now."""
    return [p.zone for w in garden.plan.waterings for p in w.pulses if p.state == "running"]


def zone_view(site: Site, garden: Garden, zone: Zone, now: datetime) -> View:
    """One zone's water now."""
    bed = garden.beds[zone.id]
    plants = plants_on(zone, site, garden.weather, local_date(now, site.timezone), now, bed.hands)
    moisture = zone.soil.field_capacity - bed.depletion_mm / plants.scale_mm
    learnt = bed.estimate
    coming = next_of(garden, zone.id)
    hold = hold_on(garden.holds, zone.id)
    trusted = trusts(site, garden, zone, now)
    return {
        "id": zone.id,
        "name": zone.name,
        "moisture_m3_m3": max(0.0, moisture),
        # Water above field capacity, on its way down, is not missing.
        "depletion_mm": max(0.0, bed.depletion_mm),
        "available_mm": plants.available_mm * learnt.holds_factor,
        "readily_available_mm": plants.readily_mm * learnt.holds_factor,
        "need": _need_view(coming),
        "next_watering": _next_view(site, coming),
        "valve": "open" if zone.id in open_zones(garden) else "closed",
        "last_watering": _last_view(site, bed),
        "held": hold is not None,
        "held_until": _local(site, hold.until) if hold and hold.until else None,
        "trust": trusted,
        "trust_together": together(site, zone, trusted),
        "learnt": {
            "demand_factor": learnt.demand_factor,
            "store_factor": learnt.holds_factor,
            "probe_offsets_m3_m3": {probe: learnt.offset(probe) for probe in learnt.probes},
        },
    }


def trusts(site: Site, garden: Garden, zone: Zone, now: datetime) -> dict[str, float]:
    """How far each sensor of a zone is to be trusted, 0 to 1, to a hundredth: finer would be news without news."""
    estimate = garden.beds[zone.id].estimate
    mine = (sensor for sensor in site.sensors if sensor.zone == zone.id)
    return {sensor.id: round(trust(sensor, garden.probes[sensor.id], estimate, now), 2) for sensor in mine}


def together(site: Site, zone: Zone, trusted: Mapping[str, float]) -> float | None:
    """How far a zone's moisture probes are to be trusted together, 0 to 1; None if it has none."""
    whole = trust_together([trusted[sensor.id] for sensor in site.probes_of(zone.id)])
    return None if whole is None else round(whole, 2)


def next_of(garden: Garden, zone_id: str) -> Watering | None:
    """The zone's next watering, or the one that is under way."""
    mine = [w for w in garden.plan.waterings if w.zone == zone_id and not w.ended]
    return min(mine, key=lambda w: w.next_start, default=None)


def plan_view(site: Site, garden: Garden) -> View:
    """The coming waterings, pulse by pulse, with their reasons."""
    waterings = [w for w in garden.plan.waterings if not w.ended and w.pulses]
    return {
        "made": _local(site, garden.plan.made),
        "because": garden.plan.because,
        "waterings": [watering_view(site, watering) for watering in waterings],
        "remarks": list(garden.plan.remarks),
    }


def watering_view(site: Site, watering: Watering) -> View:
    """One watering of the plan."""
    pulses = [pulse for pulse in watering.pulses if pulse.state != "dropped"] or list(watering.pulses)
    return {
        "id": watering.id,
        "zone": watering.zone,
        "purpose": watering.purpose,
        "start": _local(site, pulses[0].start),
        "end": _local(site, max(pulse.end for pulse in pulses)),
        "mm": watering.need.gross_mm,
        "litres": watering.need.litres,
        "pulses": [
            {"start": _local(site, pulse.start), "seconds": pulse.seconds, "litres": pulse.litres_expected}
            for pulse in pulses
        ],
        "reasons": list(watering.need.reasons),
    }


def jobs_view(site: Site, garden: Garden, now: datetime) -> View:
    """What only hands can do, the open ones, in the site's language."""
    words, listed = Words(site), open_jobs(site, garden, now)
    return {
        "jobs": [job_view(site, job, words, now) for job in listed],
        "caution": words.text("caution") if any(job.of_heat for job in listed) else None,
        "language": words.language.code,
    }


def job_view(site: Site, job: Job, words: Words, now: datetime) -> View:
    """One job, for people."""
    return {
        "id": job.id,
        "stage": job.stage,
        "what": words.say(job.what),
        "why": words.say(job.why),
        "when": words.due(job.due_until, job.keep_to),
        "since": _local(site, job.due_from),
        "due": _local(site, job.due_until),
        "minutes": job.minutes,
        "litres": dict(job.litres),
        "state": job.state(now),
        "zones": list(job.zones),
        "plants": [site.zone(zone).name for zone in job.zones],
    }


def weather_view(site: Site, garden: Garden, now: datetime) -> View:
    """Today and the days ahead as the decisions see them."""
    book = garden.weather
    today = local_date(now, site.timezone)
    days = days_ahead(book, site, today, now, DAYS_SHOWN)
    # The factor of the last day needs the two days after it.
    beyond = days_ahead(book, site, today, now, DAYS_SHOWN + 2)
    found = with_excess_heat(spells(days, site.heat.hot_day_c), beyond, book, site)
    said = "No hot day in sight."
    if found:
        first = found[0]
        span = f"on {first.first:%A}" if first.days == 1 else f"from {first.first:%A} to {first.last:%A}"
        traits = ", ".join(map(Words(site, "en").say, first.traits(site)))
        character = f"; {traits}" if traits else ""
        said = f"Heat {span}, up to {first.peak_c:.0f} °C{character}."
    return {
        "source": book.source or "none",
        "issued": _local(site, book.issued) if book.issued else None,
        "said": said if book.trouble is None else f"{said} No new forecast: {book.trouble}",
        "days": [
            {
                "day": day.day.isoformat(),
                "tmax_c": day.tmax_c,
                "tmin_c": day.tmin_c,
                "rain_mm": day.rain_mm,
                "rain_probability": day.rain_probability,
                "et0_mm": et0_of(book, site, day.day, now).mm,
                "hot": day.tmax_c >= site.heat.hot_day_c,
            }
            for day in days
        ],
        "spells": [
            {
                "first": spell.first.isoformat(),
                "last": spell.last.isoformat(),
                "peak_c": spell.peak_c,
                "ehf_c2": spell.ehf_c2,
                "severity": spell.severity,
            }
            for spell in found
        ],
        "learnt": {
            "tmax_bias_c": book.bias_max_c,
            "tmin_bias_c": book.bias_min_c,
            "t95_c": percentile_95_c(book, site),
            "ehf85_c2": percentile_85_c2(book, site),
        },
    }


def fault_view(site: Site, garden: Garden, name: str) -> View:
    """Something broken."""
    fault = garden.faults[name]
    sensor = name.removeprefix("sensor-") if name.startswith("sensor-") else None
    known = {each.id: each for each in site.sensors}
    return {
        "id": fault.id,
        "since": _local(site, fault.since),
        "said": fault.said,
        "zone": known[sensor].zone if sensor in known else None,
        "sensor": sensor,
    }


def _need_view(watering: Watering | None) -> View | None:
    if watering is None:
        return None
    need = watering.need
    return {"mm": need.gross_mm, "litres": need.litres, "reasons": list(need.reasons)}


def _next_view(site: Site, watering: Watering | None) -> View | None:
    if watering is None:
        return None
    return {
        "start": _local(site, watering.next_start),
        "purpose": watering.purpose,
        "litres": watering.need.litres,
    }


def _last_view(site: Site, bed: Bed) -> View | None:
    if bed.last_wetted is None:
        return None
    return {"when": _local(site, bed.last_wetted), "litres": bed.last_litres}


def _local(site: Site, instant: datetime) -> str:
    return instant.astimezone(site.timezone).isoformat(timespec="seconds")
