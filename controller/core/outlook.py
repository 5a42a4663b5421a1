"""What the rules of the jobs look at: the garden, the days behind and ahead, and the hot spell in question."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from controller.core.garden import Bed, Garden
from controller.core.heat import NEAR_DAYS, Spell
from controller.core.moment import local_midnight
from controller.core.plan import sunrise_of, sunset_of
from controller.core.plants import is_tender, shade_on
from controller.core.said import Fact, Said, Zones
from controller.core.site import Site, Zone
from controller.core.weather import DayWeather

HEARD_DAYS = 10
"""A report this long before a spell's first day was for an earlier one."""
MORNING_OVER = 11
"""Hour of the clock by which cloths and pots are still moved on a hot day (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """What every rule looks at. days: past and coming, in order; chances: of a hot day, for the coming ones."""

    site: Site
    garden: Garden
    now: datetime
    today: date
    days: Sequence[DayWeather]
    chances: Mapping[date, float]

    @property
    def zones(self) -> Sequence[Zone]:
        return self.site.zones

    @property
    def ahead(self) -> Sequence[DayWeather]:
        """Today and the days to come."""
        return [day for day in self.days if day.day >= self.today]

    def bed(self, zone: Zone) -> Bed:
        return self.garden.beds[zone.id]

    def hands(self, zone: Zone) -> tuple[str, ...]:
        """What the gardener has changed of the zone."""
        return self.bed(zone).hands

    def tender(self, zone: Zone) -> bool:
        """Whether the zone's plants are not established yet."""
        return is_tender(zone, self.today)

    def shaded(self, zone: Zone) -> float:
        """Share of the day's sun that is taken from it as things stand."""
        return shade_on(zone, self.site, self.today, self.hands(zone))[0]

    def midnight(self, day: date) -> datetime:
        return local_midnight(day, self.site.timezone)

    def clock(self, day: date, hour: float) -> datetime:
        """A local hour of a day; on the two days that change the clock an hour off."""
        return self.midnight(day) + timedelta(hours=hour)

    def mornings_and_evenings(self) -> Iterator[tuple[date, str, datetime, datetime]]:
        """When pots are watered by hand: this morning, this evening and tomorrow morning, each from when to when."""
        for day, part in ((self.today, "morning"), (self.today, "evening"), (self.today + timedelta(1), "morning")):
            if part == "morning":
                yield day, part, self.clock(day, 5), self.clock(day, 10)
            else:
                yield day, part, self.sunset(day) - timedelta(hours=1), self.sunset(day) + timedelta(hours=2)

    def sunset(self, day: date) -> datetime:
        return sunset_of(self.site, day)

    def sunrise(self, day: date) -> datetime:
        return sunrise_of(self.site, day)


@dataclass(frozen=True, slots=True)
class Heat:
    """What the rules of a hot spell look at beyond the outlook. before: the hot spell before this one, as far as
    anybody remembers."""

    o: Outlook
    spell: Spell
    before: Spell | None

    @property
    def coming(self) -> bool:
        return self.spell.first > self.o.today

    @property
    def on(self) -> bool:
        return self.spell.first <= self.o.today <= self.spell.last

    @property
    def past(self) -> bool:
        return self.spell.last < self.o.today

    @property
    def said(self) -> Said:
        return self.spell.said(self.o.site)

    @property
    def brief(self) -> Said:
        return self.spell.brief(self.o.site)

    @property
    def eve(self) -> datetime:
        """Sunset before the spell's first day."""
        return self.o.sunset(self.spell.first - timedelta(days=1))

    @property
    def late_eve(self) -> datetime:
        """The same; once that is past, the next sunset or the end of the next morning: late is better than not."""
        today, tomorrow = self.o.today, self.o.today + timedelta(days=1)
        later = (self.o.clock(today, MORNING_OVER), self.o.sunset(today), self.o.clock(tomorrow, MORNING_OVER))
        still = [at for at in later if at < self.over]
        return next((at for at in (self.eve, *still) if at > self.o.now), self.o.sunset(self.spell.last))

    @property
    def over(self) -> datetime:
        """The midnight that ends it."""
        return self.o.midnight(self.spell.last + timedelta(days=1))

    @property
    def near(self) -> datetime:
        """Noon of the second day before it: from then on shade and pots are asked for."""
        return self.o.clock(self.spell.first - timedelta(days=NEAR_DAYS), 12)

    def days_before(self, count: int) -> datetime:
        """The beginning of the `count`-th day before it."""
        return self.o.midnight(self.spell.first - timedelta(days=count))

    @property
    def counts_from(self) -> datetime:
        """What was done before this instant was done for an earlier spell."""
        first_heard = self.spell.first - timedelta(days=HEARD_DAYS)
        calm = first_heard if self.before is None else max(first_heard, self.before.last + timedelta(days=1))
        return self.o.midnight(calm)


    @property
    def since_taken_off(self) -> datetime:
        """The same for what was taken off again meanwhile, as for heat that never came."""
        off = self.o.garden.jobs_done.get("shade-off")
        return self.counts_from if off is None or off > self.o.now else max(self.counts_from, off)


def ids_of(zones: Sequence[Zone]) -> tuple[str, ...]:
    """Their ids, in order."""
    return tuple(zone.id for zone in zones)


def named(zones: Sequence[Zone]) -> Fact:
    """The zones, for a sentence."""
    return Zones(ids_of(zones))
