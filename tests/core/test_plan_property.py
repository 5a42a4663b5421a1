"""Whatever the garden, no plan draws more than a supply gives, opens a pair, rests too short, or leaves its hours."""

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from itertools import pairwise, product
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.agronomy.crop import CROPS
from controller.agronomy.soil import SOILS
from controller.core.garden import Garden, Plan, Pulse
from controller.core.moment import Now, local_midnight
from controller.core.plan import make_plan
from controller.core.site import Hours, Line, Site, Supply, Watering, Zone
from controller.core.soil import believed
from controller.core.step import new_garden
from controller.core.weather import take_forecast
from tests.core.gardens import LISBON, a_forecast, a_site, a_zone
from tests.core.test_plan import DAY, NOON

SECOND = timedelta(seconds=1)
HOURS = st.sampled_from([(), ((20, 9),), ((4, 6),), ((21, 23), (3, 5)), ((22, 2),)])


@st.composite
def zones(draw: st.DrawFn) -> tuple[Zone, ...]:
    found = []
    for n in range(draw(st.integers(1, 6))):
        line = Line("dripline", draw(st.sampled_from([1.0, 2.5, 4.0, 6.0])), draw(st.sampled_from([8.0, 18.0, 40.0])))
        changes: dict[str, Any] = {
            "crop": CROPS[draw(st.sampled_from(["tomato", "lettuce", "potato", "table grape"]))],
            "soil": SOILS[draw(st.sampled_from(["sand", "loamy sand", "loam", "clay loam"]))],
            "supply": draw(st.sampled_from(["supply", "supply", "tank"])),
            "value": draw(st.integers(1, 3)),
            "tender": draw(st.booleans()),
            "longest_pulse_s": draw(st.sampled_from([300.0, 900.0, 1800.0])),
        }
        found.append(a_zone(f"z{n}", line=line, **changes))
    return tuple(found)


@st.composite
def sites(draw: st.DrawFn) -> Site:
    supplies = (
        Supply(draw(st.sampled_from([6.0, 9.0, 14.0])), settle_s=draw(st.sampled_from([0.0, 5.0, 60.0]))),
        Supply(6.5, settle_s=20.0, dead_s=8.0, id="tank"),
    )
    allowed = tuple(Hours(time(begin), time(until)) for begin, until in draw(HOURS))
    rules = Watering(dawn_earliest_h=draw(st.sampled_from([1.5, 4.0, 6.0])), allowed=allowed)
    beds = draw(zones())
    name = st.sampled_from([zone.id for zone in beds])
    pairs = tuple(pair for pair in draw(st.lists(st.tuples(name, name), max_size=3)) if pair[0] != pair[1])
    return a_site(*beds, supplies=supplies, watering=rules, never_together=pairs)


def dry(site: Site, depletion_mm: float, tmax_c: float) -> Garden:
    fresh = new_garden(site, Now(1.0, NOON))
    book = take_forecast(fresh.weather, a_forecast(local_midnight(DAY, LISBON), [tmax_c] * 6), site)
    beds = {zone: believed(bed, depletion_mm, 1.0) for zone, bed in fresh.beds.items()}
    return Garden(beds, {}, book, fresh.plan, guard_ready=True)


def broken(site: Site, plan: Plan) -> Iterator[str]:
    """What a plan breaks, in words: reckoned from its pulses alone."""
    for supply in site.supplies:
        mine = [p for w in plan.waterings for p in w.pulses if site.zone(p.zone).supply == supply.id]
        pause = timedelta(seconds=supply.settle_s) - SECOND if supply.settle_s else timedelta(0)
        for at in (pulse.start for pulse in mine):
            drawing = [p for p in mine if p.start <= at < p.end + pause]
            drawn_l_min = sum(site.zone(p.zone).line.flow_l_min for p in drawing)
            if drawn_l_min > supply.capacity_l_min + 1e-6:
                yield f"{drawn_l_min:g} of {supply.capacity_l_min:g} L/min at {at}"
    for one, other in site.never_together:
        ours, theirs = ([p for w in plan.waterings if w.zone == zone for p in w.pulses] for zone in (one, other))
        for a, b in product(ours, theirs):
            if a.start < b.end + 4 * SECOND and b.start < a.end + 4 * SECOND:
                yield f"{a.id} and {b.id} are open together, or nearly so"
    for watering in plan.waterings:
        for before, after in pairwise(watering.pulses):
            if (after.start - before.end).total_seconds() < watering.rest_s - 1.0:
                yield f"{watering.id} rests too little"
        for pulse in watering.pulses:
            if pulse.end > watering.latest_end or pulse.start < NOON:
                yield f"{pulse.id} is out of its time"
            if pulse.seconds > site.zone(pulse.zone).longest_pulse_s:
                yield f"{pulse.id} is longer than the guard allows"
            if site.watering.allowed and not any(_within(pulse, hours) for hours in site.watering.allowed):
                yield f"{pulse.id} is outside the allowed hours"


def _within(pulse: Pulse, hours: Hours) -> bool:
    start, end = pulse.start.astimezone(LISBON), pulse.end.astimezone(LISBON)
    for back in (0, 1):
        day = start.date() - timedelta(days=back)
        opens = datetime.combine(day, hours.start, LISBON)
        shuts = datetime.combine(day + timedelta(days=int(hours.until <= hours.start)), hours.until, LISBON)
        if opens <= start and end <= shuts:
            return True
    return False


@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(site=sites(), depletion_mm=st.floats(0.0, 40.0), tmax_c=st.sampled_from([28.0, 36.0, 42.0]))
def test_no_plan_breaks_supply_pairs_rest_or_hours(site: Site, depletion_mm: float, tmax_c: float) -> None:
    plan = make_plan(site, dry(site, depletion_mm, tmax_c), NOON, "a test")
    assert list(broken(site, plan)) == []
    assert len(plan.remarks) <= 2 * len(site.zones) + 6, "a line for each zone, however many days"
    assert make_plan(site, dry(site, depletion_mm, tmax_c), NOON, "a test") == plan
