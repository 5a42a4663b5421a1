"""Small gardens for the tests of the simulated one."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from controller.agronomy.crop import CROPS
from controller.agronomy.soil import SOILS
from controller.core.site import Line, Mulch, Site, Supply, Zone
from controller.sim.instruments import SensorEntry
from controller.sim.plot import Plot
from controller.sim.sky import DayScript, Script, scripted

DEMO = Path(__file__).parents[2] / "config" / "demo.toml"
MONDAY = date(2026, 7, 13)
START = datetime(2026, 7, 12, 23, tzinfo=UTC)   # midnight in Lisbon
HOUR = timedelta(hours=1)
DRY_DAY = DayScript(34.0, 18.0, rain_mm=0.0, cloud=0.0, wind_10m_m_s=3.0, dew_point_c=10.0)


def dry_days(count: int) -> Script:
    return scripted(MONDAY, [DRY_DAY] * count)


def bed(zone_id: str = "tomatoes", *, crop: str = "tomato", soil: str = "loamy sand", area_m2: float = 10.0,
        flow_l_min: float = 2.0, wetted: float = 0.5, slope_percent: float = 0.0,
        mulch: Mulch | None = None) -> Zone:
    """A full-grown bed. wetted: share of its area that the line wets."""
    line = Line("dripline", flow_l_min, rate_mm_h=60.0 * flow_l_min / (wetted * area_m2))
    return Zone(zone_id, zone_id, CROPS[crop], SOILS[soil], line, area_m2, root_depth_m=0.4,
                slope_percent=slope_percent, mulch=mulch)


def site(*zones: Zone, latitude_deg: float = 38.57, longitude_deg: float = -7.91,
         timezone: str = "Europe/Lisbon") -> Site:
    return Site("test", "Test", latitude_deg, longitude_deg, 240.0, ZoneInfo(timezone), (Supply(12.0),), zones)


@dataclass(frozen=True)
class Built:
    """The loaded config of a garden that was built by hand."""

    site: Site
    sensor: Sequence[SensorEntry] = ()

    def build(self) -> Site:
        return self.site


def live(plot: Plot, days: float, daily_mm: float = 0.0, times: int = 2, start: datetime = START) -> None:
    """Let days go by, with the same watering in every bed that many times a day, at the pace of its own line."""
    beds = [bed for bed in plot.beds.values() if daily_mm > 0.0]
    end, at = start + days * 24 * HOUR, start
    while at < end:
        if (at - start) % (24 * HOUR / times) == timedelta(hours=4):
            for one in beds:
                litres = daily_mm / times * one.zone.area_m2
                at += timedelta(minutes=litres / one.zone.line.flow_l_min)
                plot.advance(at, {one.zone.id: litres})
        at = min(end, at.replace(minute=0, second=0, microsecond=0) + HOUR)
        plot.advance(at, {})
