"""All tables of a config file together, and what the rest of the daemon gets from them."""

from typing import Annotated, Self
from zoneinfo import ZoneInfo

from pydantic import Field, PrivateAttr

from controller.core.site import Heat, MonthNormal, Site, Supply, Watering
from controller.drivers.gpio import Line
from controller.guard.rules import MASTER, Charge, MasterRule, ValveRule
from controller.settings import build, checks, conversion
from controller.settings.tables import (
    BudgetTable,
    ForecastTable,
    GuardTable,
    HeatTable,
    JournalTable,
    MqttTable,
    NormalTable,
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
    normal: tuple[NormalTable, ...] = ()
    """Twelve tables, or none."""
    supply: SupplyTable
    zone: Annotated[tuple[ZoneTable, ...], Field(min_length=1)]
    """The zones, one table each."""
    sensor: tuple[SensorTable, ...] = ()
    """The sensors, one table each."""

    _file: str = PrivateAttr("config")

    def resolved(self) -> Self:
        """The same with points of calibration for every sensor that converts by a formula."""
        soils = {zone.id: build.soil_of(zone) for zone in self.zone}
        return self.model_copy(update={"sensor": tuple(conversion.resolved(each, soils) for each in self.sensor)})

    def build(self) -> Site:
        """What the core is given."""
        site, supply, watering = self.site, self.supply, self.watering
        dead_s = supply.master.lead_s + supply.master.trail_s if supply.master else 0.0
        by_month = sorted(self.normal, key=lambda normal: normal.month)
        return Site(
            id=site.id,
            name=site.name,
            latitude_deg=site.latitude,
            longitude_deg=site.longitude,
            elevation_m=site.elevation_m,
            timezone=ZoneInfo(site.timezone),
            supply=Supply(
                supply.capacity_l_min, supply.settle_s, dead_s, supply.salinity_ds_m,
                quiet=tuple(map(build.hours_of, supply.quiet)),
                sun_pump=build.sun_pump_of(supply.sun_pump) if supply.sun_pump else None,
            ),
            zones=tuple(build.zone_of(zone, self.guard, supply.salinity_ds_m) for zone in self.zone),
            sensors=tuple(build.sensor_of(sensor) for sensor in self.sensor),
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
            ),
            rules=tuple(build.rule_of(rule) for rule in self.rule if rule.in_force),
            budgets=tuple(map(build.budget_of, self.budget)),
            normals=tuple(MonthNormal(normal.tmax_c, normal.tmin_c) for normal in by_month),
        )

    def charge(self) -> Charge:
        """What the guard is told to guard."""
        master = self.supply.master
        return Charge(
            supply_capacity_l_min=self.supply.capacity_l_min,
            valves={
                zone.id: ValveRule(build.flow_l_min(zone.line), *build.limits_s(zone, self.guard))
                for zone in self.zone
            },
            master=MasterRule(master.lead_s, master.trail_s) if master else None,
            silence_s=self.guard.silence_s,
        )

    def lines(self) -> dict[str, Line]:
        """The pin of each valve by zone id, and of the master, if any, under `master`."""
        valves: dict[str, ValveTable] = {zone.id: zone.valve for zone in self.zone}
        if self.supply.master:
            valves[MASTER] = self.supply.master
        return {name: Line(valve.pin, valve.active == "high") for name, valve in valves.items()}

    def warnings(self) -> tuple[str, ...]:
        """What is allowed but looks wrong: a line each."""
        draft = checks.Draft(
            site=self.site, mqtt=self.mqtt, guard=self.guard, heat=self.heat, watering=self.watering,
            supply=self.supply, rule=self.rule, budget=self.budget, normal=self.normal, zone=self.zone,
            sensor=self.sensor,
            zone_ids=frozenset(zone.id for zone in self.zone),
        )
        return tuple(doubt.line(self._file) for doubt in checks.run(checks.DOUBTS, draft))
