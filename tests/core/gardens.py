"""Small gardens and small weather for the core's tests: invented, plain, and the same every time."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from controller.agronomy.crop import CROPS
from controller.agronomy.soil import SOILS
from controller.core.actions import Action, Close, Open
from controller.core.events import Event, ForecastArrived, GuardReady, Started, ValveClosed, ValveOpened
from controller.core.forecast import Forecast, Hour
from controller.core.garden import Garden
from controller.core.moment import Now
from controller.core.site import Line, Sensor, Site, Supply, Zone
from controller.core.step import new_garden, step

LISBON = ZoneInfo("Europe/Lisbon")


def a_zone(zone_id: str = "tomatoes", **changes: object) -> Zone:
    """A bed of tomatoes on loamy sand under a dripline, unless told otherwise."""
    whole: dict[str, object] = {
        "id": zone_id,
        "name": zone_id.capitalize(),
        "crop": CROPS["tomato"],
        "soil": SOILS["loamy sand"],
        "line": Line("dripline", flow_l_min=3.0, rate_mm_h=17.8, emitter_flow_l_h=1.6),
        "area_m2": 10.0,
        "planted": date(2026, 4, 20),
    }
    return Zone(**{**whole, **changes})  # type: ignore[arg-type]


def a_site(*zones: Zone, sensors: tuple[Sensor, ...] = (), **changes: object) -> Site:
    whole: dict[str, object] = {
        "id": "test",
        "name": "Test garden",
        "latitude_deg": 38.57,
        "longitude_deg": -7.91,
        "elevation_m": 240.0,
        "timezone": LISBON,
        "supplies": (Supply(capacity_l_min=12.0),),
        "zones": zones or (a_zone(),),
        "sensors": sensors,
    }
    return Site(**{**whole, **changes})  # type: ignore[arg-type]


def a_forecast(
    start: datetime, maxima: list[float], *, rain: dict[int, float] | None = None, spread: float = 16.0
) -> Forecast:
    """Hours from `start` on, one daily maximum after another; dry air, a light wind, full sun from 6 to 20."""
    hours = []
    for n in range(24 * len(maxima)):
        at = start + timedelta(hours=n)
        local = at.astimezone(LISBON).hour
        top = maxima[n // 24]
        # coolest at 5, warmest at 15
        share = (local - 5) / 10 if 5 <= local <= 15 else ((29 - local) % 24) / 14
        rain_mm = (rain or {}).get(n // 24, 0.0) / 24
        hours.append(
            Hour(
                at,
                top - spread + spread * share,
                35.0,
                2.5,
                650.0 if 6 < local < 20 else 0.0,
                rain_mm,
                0.9 if rain_mm else 0.0,
            )
        )
    return Forecast("test", start, tuple(hours))


class Life:
    """Drives the core on a virtual clock with a guard that does as it is told."""

    def __init__(self, site: Site, start: datetime) -> None:
        self.site = site
        self.utc = start.astimezone(UTC)
        self.mono_s = 1000.0
        self.garden: Garden = new_garden(site, self.now)
        self.wake_at = self.utc
        self.actions: list[tuple[datetime, Action]] = []
        self.open: dict[str, tuple[str, datetime, float]] = {}

    @property
    def now(self) -> Now:
        return Now(self.mono_s, self.utc)

    def tell(self, event: Event) -> list[Action]:
        outcome = step(self.site, self.garden, event, self.now)
        self.garden, self.wake_at = outcome.garden, outcome.wake_at
        for action in outcome.actions:
            self.actions.append((self.utc, action))
            if isinstance(action, Open):
                self.open[action.zone] = (action.pulse, self.utc, action.seconds)
                self.tell(ValveOpened(action.zone, action.pulse))
            elif isinstance(action, Close):
                for zone in [action.zone] if action.zone else list(self.open):
                    if zone in self.open:
                        self._close(zone, action.why)
        return list(outcome.actions)

    def begin(self, forecast: Forecast | None = None) -> "Life":
        self.tell(Started())
        self.tell(GuardReady())
        if forecast is not None:
            self.tell(ForecastArrived(forecast))
        return self

    def until(self, when: datetime) -> None:
        from controller.core.events import Woke

        while True:
            ends = {zone: at + timedelta(seconds=s) for zone, (_, at, s) in self.open.items()}
            due = min([self.wake_at, *ends.values()])
            if due > when:
                self._go(when)
                return
            self._go(due)
            for zone, end in ends.items():
                if end <= due:
                    self._close(zone, "deadline")
            if self.wake_at <= self.utc:
                self.tell(Woke())

    def _go(self, when: datetime) -> None:
        if when > self.utc:
            self.mono_s += (when - self.utc).total_seconds()
            self.utc = when

    def _close(self, zone: str, why: str) -> None:
        pulse, at, _ = self.open.pop(zone)
        self.tell(ValveClosed(zone, pulse, (self.utc - at).total_seconds(), why))

    def openings(self) -> list[tuple[datetime, Open]]:
        return [(at, action) for at, action in self.actions if isinstance(action, Open)]

    def litres(self) -> dict[str, float]:
        total: dict[str, float] = {}
        for _, opening in self.openings():
            total[opening.zone] = total.get(opening.zone, 0.0) + opening.litres
        return total
