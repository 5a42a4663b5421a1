"""All tables of a config file together, and what the rest of the daemon gets from them."""

from typing import Annotated, Self
from zoneinfo import ZoneInfo

from pydantic import Discriminator, Field, PrivateAttr, Tag

from controller.core.site import Digest, Heat, MonthNormal, Site, Watering
from controller.drivers.gpio import Inlet, Line
from controller.guard.rules import INPUTS, Charge, SupplyRule, ValveRule, master_line
from controller.guard.wire import METER
from controller.settings import build, checks, conversion
from controller.settings.tables import (
    BudgetTable,
    DigestTable,
    ForecastTable,
    GuardTable,
    HandPotsTable,
    HeatTable,
    JobsTable,
    JournalTable,
    MqttTable,
    NormalTable,
    OwnJobTable,
    PinsTable,
    RuleTable,
    SensorTable,
    SiteTable,
    SupplyTable,
    Table,
    ValveTable,
    WateringTable,
    ZoneTable,
)


def _one_or_several(value: object) -> str:
    return "several" if isinstance(value, tuple) else "one"


class Settings(Table):
    """A whole config. Made by `load`; one made by hand has not been checked for what ties tables together."""

    site: SiteTable
    mqtt: MqttTable = MqttTable()
    forecast: ForecastTable = ForecastTable()
    journal: JournalTable = JournalTable()
    guard: GuardTable = GuardTable()
    pins: PinsTable = PinsTable()
    heat: HeatTable = HeatTable()
    watering: WateringTable = WateringTable()
    rule: tuple[RuleTable, ...] = ()
    """The local rules, one table each."""
    budget: tuple[BudgetTable, ...] = ()
    """The budgets of water, one table each."""
    jobs: JobsTable = JobsTable()
    digest: DigestTable = DigestTable()
    job: tuple[OwnJobTable, ...] = ()
    """Jobs of your own, one table each."""
    by_hand: tuple[HandPotsTable, ...] = ()
    """Pots that no valve reaches, one table each."""
    normal: tuple[NormalTable, ...] = ()
    """Twelve tables, or none."""
    supply: Annotated[
        Annotated[SupplyTable, Tag("one")]
        | Annotated[tuple[SupplyTable, ...], Field(min_length=1), Tag("several")],
        Discriminator(_one_or_several),
    ]
    """The supply, or several as [[supply]], each with an id."""
    zone: Annotated[tuple[ZoneTable, ...], Field(min_length=1)]
    """The zones, one table each."""
    sensor: tuple[SensorTable, ...] = ()
    """The sensors, one table each."""

    _file: str = PrivateAttr("config")

    @property
    def supplies(self) -> tuple[SupplyTable, ...]:
        """The supplies, one or several."""
        return self.supply if isinstance(self.supply, tuple) else (self.supply,)

    def _supply_of(self, zone: ZoneTable) -> SupplyTable:
        supply = build.supply_of(zone, self.supplies)
        assert supply is not None, "checks refuse a zone that names no supply"
        return supply

    def resolved(self) -> Self:
        """The same with points of calibration for every sensor that converts by a formula."""
        soils = {zone.id: build.soil_of(zone) for zone in self.zone}
        return self.model_copy(update={"sensor": tuple(conversion.resolved(each, soils) for each in self.sensor)})

    def build(self) -> Site:
        """What the core is given."""
        site, watering = self.site, self.watering
        by_month = sorted(self.normal, key=lambda normal: normal.month)
        return Site(
            id=site.id,
            name=site.name,
            latitude_deg=site.latitude,
            longitude_deg=site.longitude,
            elevation_m=site.elevation_m,
            timezone=ZoneInfo(site.timezone),
            supplies=tuple(map(build.core_supply, self.supplies)),
            zones=tuple(build.zone_of(zone, self.guard, self._supply_of(zone)) for zone in self.zone),
            sensors=tuple(build.sensor_of(sensor, self.supplies) for sensor in self.sensor),
            heat=Heat(
                self.heat.hot_day_c, self.heat.mild_day_c, self.heat.days_before,
                self.heat.ehf, self.heat.t95_c, self.heat.hot_night_c, self.heat.ehf85_c2,
            ),
            watering=Watering(
                dawn_margin_min=watering.dawn_margin_min,
                dusk_delay_min=watering.dusk_delay_min,
                dawn_earliest_h=watering.dawn_earliest_h,
                allowed=tuple(map(build.hours_of, watering.allowed)),
                least_depth_mm=watering.least_depth_mm,
                rain_sure=watering.rain_sure,
                season=build.season_of(watering.season),
                off=watering.season == "off",
            ),
            rules=tuple(build.rule_of(rule) for rule in self.rule if rule.in_force),
            budgets=tuple(map(build.budget_of, self.budget)),
            normals=tuple(MonthNormal(normal.tmax_c, normal.tmin_c) for normal in by_month),
            jobs=build.jobs_of(self.jobs, self.job, self.by_hand),
            digest=Digest(self.digest.at if self.digest.wanted else None, build.hours_of(self.digest.quiet)),
            language=site.language,
            never_together=self.guard.never_together,
        )

    def charge(self) -> Charge:
        """What the guard is told to guard."""
        return Charge(
            supplies={
                each.id: SupplyRule(
                    each.capacity_l_min,
                    build.master_rule(each.master) if each.master else None,
                )
                for each in self.supplies
            },
            valves={
                zone.id: ValveRule(
                    build.flow_l_min(zone.line), *build.limits_s(zone, self.guard), self._supply_of(zone).id,
                    zone.most_litres_24h,
                )
                for zone in self.zone
            },
            silence_s=self.guard.silence_s,
            most_s_per_24h=self.guard.site_open_min_24h and 60 * self.guard.site_open_min_24h,
            most_l_per_24h=self.guard.site_litres_24h,
            never_together=self.guard.never_together,
            meter=build.meter_rule(self.sensor, self.supplies, self.guard),
            inputs={sensor.id: sensor.kind for sensor in self.sensor if sensor.kind in INPUTS},
        )

    def lines(self) -> dict[str, Line]:
        """The pin of each valve by zone id, and of each supply's master under its `master_line`."""
        valves: dict[str, ValveTable] = {zone.id: zone.valve for zone in self.zone}
        valves |= {master_line(each.id): each.master for each in self.supplies if each.master}
        return {name: Line(valve.pin, valve.active == "high") for name, valve in valves.items()}

    def inlets(self) -> dict[str, Inlet]:
        """The pins of the switches that are wired to the guard, by sensor id, and of the flow meter, under its name."""
        return {
            METER if sensor.kind == "flow meter" else sensor.id: build.inlet_of(sensor)
            for sensor in self.sensor
            if sensor.pin is not None
        }

    def warnings(self) -> tuple[str, ...]:
        """What is allowed but looks wrong: a line each."""
        draft = checks.Draft(
            site=self.site, mqtt=self.mqtt, guard=self.guard, heat=self.heat, watering=self.watering,
            supplies=self.supplies, rule=self.rule, budget=self.budget, normal=self.normal, zone=self.zone,
            sensor=self.sensor,
            zone_ids=frozenset(zone.id for zone in self.zone),
            job=self.job, by_hand=self.by_hand, digest=self.digest,
        )
        return tuple(doubt.line(self._file) for doubt in checks.run(checks.DOUBTS, draft))
