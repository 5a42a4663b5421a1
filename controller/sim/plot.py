"""The built-in simulated garden: true weather, true beds, imperfect sensors and forecasts, all by seed.

It takes the config as a gardener's hearsay and has its own physics: nothing here comes from the water balance
that it puts to the test. Any class with the same constructor and methods can take its place.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from typing import Any, Literal, Protocol

from controller.core.forecast import Forecast, Hour
from controller.core.moment import local_date
from controller.core.site import Site
from controller.sim.bed import Bed, Doubt
from controller.sim.demand import demand_mm
from controller.sim.hands import let_through
from controller.sim.instruments import EXTREMES, UNITS, Instrument, SensorEntry, SensorFault, Station
from controller.sim.outlook import Outlook
from controller.sim.sky import ONE_HOUR, Script, Sky

Quality = Literal["exact", "good", "cheap"]

DOUBT: Mapping[Quality, Doubt] = {
    "exact": Doubt(soil=0.0, flow=0.0, flow_day=0.0, demand=0.0, intake=0.0),
    "good": Doubt(soil=0.05, flow=0.05, flow_day=0.02, demand=0.07, intake=0.10),
    "cheap": Doubt(soil=0.10, flow=0.08, flow_day=0.03, demand=0.10, intake=0.20),
}

PROBE_DEPTHS_MM = {1: (150.0,), 2: (100.0, 200.0), 3: (100.0, 200.0, 300.0)}   # by how many probes a zone has


class Config(Protocol):
    """What this needs of the loaded settings."""

    def build(self) -> Site: ...
    @property
    def sensor(self) -> Sequence[SensorEntry]: ...


@dataclass(slots=True)
class _DayLog:
    """The weather that a day has had so far."""

    tmax_c: float
    tmin_c: float
    rain_mm: float = 0.0
    demand_mm: float = 0.0


class Plot:
    """A garden of as many beds as the config has zones.

    start: first instant, UTC; else an hour before the first `advance` ends.
    script: days whose weather is dictated. faults: of sensors. quality: of sensors, forecasts and hearsay.
    """

    def __init__(self, config: Config, seed: int, *, start: datetime | None = None,
                 script: Script | None = None, faults: Sequence[SensorFault] = (),
                 quality: Quality = "good") -> None:
        self.site = config.build()
        self.sky = Sky(self.site, seed, script)
        self.beds = {zone.id: Bed(zone, seed, DOUBT[quality]) for zone in self.site.zones}
        self.now: datetime | None = None
        self._outlook = Outlook(self.sky, seed, exact=quality == "exact")
        self._stations = self._set_up(config.sensor, seed, quality, faults)
        self._due: dict[str, datetime] = {}              # when each topic speaks next
        self._lived_to: dict[str, datetime] = {}         # beds are stepped only when something needs it
        self._demand_mm: dict[tuple[datetime, float, float], float] = {}
        self._days: dict[date, _DayLog] = {}
        self._spoken: list[tuple[str, bytes]] = []
        self._fallen_mm = 0.0
        if start is not None:
            self._begin(start)

    # --- the methods of a garden ---

    def advance(self, until: datetime, litres: Mapping[str, float]) -> None:
        """Life goes on to `until` (UTC). litres: what passed each valve since the last call, evenly.

        ValueError if `until` is in the past, or if water is to pass in no time; KeyError for an unknown zone.
        """
        for zone_id in litres:
            if zone_id not in self.beds:
                raise KeyError(f'no zone "{zone_id}" in this garden; it has {", ".join(self.beds)}')
        start = self.now or self._begin(until - ONE_HOUR)
        watered = {zone_id: amount for zone_id, amount in litres.items() if amount > 0.0}
        if until < start or (until == start and watered):
            raise ValueError(f"cannot advance to {until.isoformat()}: the garden is at {start.isoformat()}")
        for zone_id in watered:
            self._live(zone_id, start)
        now = start
        while now < until:
            at = min(until, _full_hour(now) + ONE_HOUR, *self._due.values())
            share = (at - now) / (until - start)
            self._pass(now, at, {zone_id: amount * share for zone_id, amount in watered.items()})
            now = at

    def messages(self) -> list[tuple[str, bytes]]:
        """What its sensors have published since the last call, in order."""
        spoken, self._spoken = self._spoken, []
        return spoken

    def forecast(self, now: datetime) -> Forecast:
        """What a forecast service says now (UTC), from this hour to seven days ahead."""
        return self._outlook.forecast(now)

    def summary(self) -> dict[str, Any]:
        """Where all the water went, by zone, and the weather of each day so far."""
        if self.now is not None:
            for zone_id in self._lived_to:
                self._live(zone_id, self.now)
        return {
            "zones": {zone_id: _account_of(bed) for zone_id, bed in self.beds.items()},
            "weather": {
                day.isoformat(): {name: round(figure, 2) for name, figure in asdict(log).items()}
                for day, log in self._days.items()},
        }

    def handle(self, zone: str, job: str, litres: float = 0.0) -> None:
        """A gardener does a job in a zone, now. litres: poured on by hand."""
        if self.now is not None:
            self._live(zone, self.now)
        self.beds[zone].handle(job, litres)

    # --- time ---

    def _begin(self, start: datetime) -> datetime:
        self.now = start
        self._due = {topic: start + station.offset for topic, station in self._stations.items()}
        self._lived_to = dict.fromkeys(self.beds, start)
        return start

    def _pass(self, now: datetime, at: datetime, litres: Mapping[str, float]) -> None:
        """From now to `at`, which is not beyond the end of this hour nor beyond any sensor's next word."""
        hours = (at - now) / ONE_HOUR
        hour = self.sky.hour(_full_hour(now))
        self._log_weather(local_date(now, self.site.timezone), hour, hours)
        self._fallen_mm += (hour.rain_mm or 0.0) * hours
        for zone_id, amount in litres.items():
            self._live(zone_id, at, amount)
        if at == _full_hour(at):
            for zone_id in self.beds:
                self._live(zone_id, at)
        self.now = at
        for topic, due in self._due.items():
            if due <= at:
                self._speak(self._stations[topic], at)
                self._due[topic] = at + self._stations[topic].every

    def _live(self, zone_id: str, to: datetime, litres: float = 0.0) -> None:
        """Bring one bed up to `to`, within one hour of the clock."""
        since = self._lived_to[zone_id]
        if to <= since:
            return
        hour = self.sky.hour(_full_hour(since))
        hours = (to - since) / ONE_HOUR
        day = local_date(since, self.site.timezone)
        bed = self.beds[zone_id]
        middle = hour.start + ONE_HOUR / 2
        sun, wind = let_through(bed.zone, bed.hands, middle, self.site.timezone, self.site.longitude_deg)
        bed.live(day, hours, litres, (hour.rain_mm or 0.0) * hours, self._demand_of(hour, sun, wind))
        self._lived_to[zone_id] = to

    def _demand_of(self, hour: Hour, sun: float = 1.0, wind: float = 1.0) -> float:
        """Of the air over a bed [mm/h]. sun, wind: shares of them that reach it."""
        key = hour.start, sun, wind
        if key not in self._demand_mm:
            reached = replace(
                hour, solar_w_m2=(hour.solar_w_m2 or 0.0) * sun, wind_10m_m_s=(hour.wind_10m_m_s or 0.0) * wind)
            self._demand_mm[key] = demand_mm(reached, self.site.elevation_m)
        return self._demand_mm[key]

    def _log_weather(self, day: date, hour: Hour, hours: float) -> None:
        log = self._days.setdefault(day, _DayLog(hour.temperature_c, hour.temperature_c))
        log.tmax_c = max(log.tmax_c, hour.temperature_c)
        log.tmin_c = min(log.tmin_c, hour.temperature_c)
        log.rain_mm += (hour.rain_mm or 0.0) * hours
        log.demand_mm += self._demand_of(hour) * hours

    # --- sensors ---

    def _set_up(self, entries: Sequence[SensorEntry], seed: int, quality: Quality,
                faults: Sequence[SensorFault]) -> dict[str, Station]:
        known = [entry.id for entry in entries]
        for fault in faults:
            if fault.sensor not in known:
                raise KeyError(f'no sensor "{fault.sensor}" in this garden; it has {", ".join(known)}')
        by_topic: dict[str, list[Instrument]] = {}
        for entry in entries:
            readable = entry.calibration or (entry.unit or "") in UNITS
            if entry.topic is None or entry.kind not in EXTREMES or not readable:
                continue  # an instrument that this garden has not, or cannot read backwards, stays silent as a dead one
            mates = [other for other in entries if other.kind == entry.kind and other.zone not in (None, entry.zone)]
            elsewhere = self._truth_for(mates[0], entries) if entry.kind == "soil moisture" and mates else None
            instrument = Instrument(entry, seed, quality, self._truth_for(entry, entries), faults, elsewhere)
            by_topic.setdefault(entry.topic, []).append(instrument)
        return {topic: Station(topic, instruments, seed) for topic, instruments in by_topic.items()}

    def _truth_for(self, entry: SensorEntry, entries: Sequence[SensorEntry]) -> Callable[[], float]:
        """What a perfect sensor in its place would say at the present moment."""
        if entry.kind == "air temperature":
            return lambda: self.sky.temperature_c(self.now) if self.now else 0.0
        if entry.kind == "rain":
            return self._rain_counter()
        bed = self.beds[entry.zone or ""]
        mates = [other.id for other in entries if other.kind == entry.kind and other.zone == entry.zone]
        depths_mm = PROBE_DEPTHS_MM[min(len(mates), 3)]
        depth_mm = min(depths_mm[min(mates.index(entry.id), 2)], bed.depth_mm / 2.0)
        return lambda: bed.content(max(0.0, depth_mm - 50.0), min(bed.depth_mm, depth_mm + 50.0))

    def _rain_counter(self) -> Callable[[], float]:
        counted_mm = 0.0

        def since_last_mm() -> float:
            nonlocal counted_mm
            fresh_mm, counted_mm = self._fallen_mm - counted_mm, self._fallen_mm
            return fresh_mm
        return since_last_mm

    def _speak(self, station: Station, at: datetime) -> None:
        for instrument in station.instruments:
            if instrument.entry.zone is not None:
                self._live(instrument.entry.zone, at)
        highest_c = self.sky.day(local_date(at, self.site.timezone)).tmax_c
        self._spoken.extend(station.speak(at, highest_c))


def _full_hour(instant: datetime) -> datetime:
    return instant.replace(minute=0, second=0, microsecond=0)


def _account_of(bed: Bed) -> dict[str, float | int | None]:
    """Totals of one bed; depths in mm over its area, litres as they truly came out of the line."""
    account = bed.account
    lowest = account.lowest_content
    return {
        "litres": round(account.litres, 3), "poured_litres": round(account.poured_litres, 3),
        "depth_mm": round(account.watered_mm, 3), "rain_mm": round(account.rain_mm, 3),
        "drainage_mm": round(account.drained_mm, 3),
        "runoff_mm": round(account.ran_off_mm, 3), "transpiration_mm": round(account.transpired_mm, 3),
        "evaporation_mm": round(account.evaporated_mm, 3), "stress_days": bed.stress_days(),
        "lowest_water_content": None if math.isinf(lowest) else round(lowest, 4),
    }
