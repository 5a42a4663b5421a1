"""The whole controller around a simulated garden: nothing broken, nothing random, and a night that is cut in two."""

from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from controller.core.events import Started
from controller.core.garden import Garden
from controller.core.moment import local_midnight
from controller.core.plan import sunrise_of, sunset_of
from controller.settings import Settings, load
from controller.shells.journal import Journal, reading
from controller.shells.recovery import endings
from controller.sim.plot import Plot
from controller.sim.watch import openings, violations
from controller.sim.world import VirtualClock, World
from tests.sim.plots import DEMO

FIRST, LAST = date(2026, 7, 13), date(2026, 7, 19)
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


@pytest.fixture(scope="module")
def settings() -> Settings:
    return load(DEMO)


def a_world(settings: Settings, journal: Path | str = ":memory:", *, seed: int = 1) -> World:
    begin = local_midnight(FIRST, settings.build().timezone)
    world = World(settings, Plot(settings, seed, start=begin), Journal(journal), VirtualClock(begin))
    world.begin()
    return world


@pytest.fixture(scope="module")
def week(settings: Settings, tmp_path_factory: pytest.TempPathFactory) -> World:
    """The demo garden's week, lived once for all the tests that look at it."""
    world = a_world(settings, tmp_path_factory.mktemp("week") / "journal.sqlite")
    world.run(local_midnight(LAST + timedelta(days=1), world.site.timezone))
    world.end()
    return world


# A week -------------------------------------------------------------------------------------------


def test_a_week_breaks_nothing(week: World) -> None:
    assert violations(week.guard.diary, week.settings.charge(), week.clock.mono_s) == []
    assert week.guard.on == frozenset()


def test_every_zone_is_watered_and_the_guard_refused_nothing(week: World) -> None:
    assert all(week.litres[zone.id] > 0.0 for zone in week.site.zones)
    refusals = [note.said for note in week.outlet.notes if note.kind == "refusal"]
    assert [said for said in refusals if "guard" in said] == []
    assert [note.said for note in week.outlet.notes if "Unexpected word" in note.said] == []
    assert [note.said for note in week.outlet.notes if "not in the plan" in note.said] == []


def test_the_journal_knows_what_the_lines_did(week: World) -> None:
    """Litres by the journal beside litres by the lines and the flows: the same to a spoonful, whether a zone had the
    master to itself or another kept it on."""
    given = week.journal.given(datetime(2026, 7, 1, tzinfo=week.clock.utc.tzinfo), week.clock.utc + HOUR)
    for zone in week.site.zones:
        mine = [opening for opening in given if opening.zone == zone.id]
        assert all(opening.closed is not None for opening in mine)
        assert len(mine) == len(openings(week.guard.diary, zone.id, week.clock.mono_s))
        told = sum(opening.litres or 0.0 for opening in mine)
        assert told == pytest.approx(week.litres[zone.id], abs=0.01)


def test_water_runs_in_the_schools_hours_and_soaks_end_before_the_sun(week: World) -> None:
    given = week.journal.given(datetime(2026, 7, 1, tzinfo=week.clock.utc.tzinfo), week.clock.utc + HOUR)
    timezone = week.site.timezone
    for opening in given:
        assert opening.closed is not None
        begin, end = opening.opened.astimezone(timezone), opening.closed.astimezone(timezone)
        assert begin.hour >= 20 or end <= begin.replace(hour=9, minute=0, second=0)
        if "-dawn-" in opening.watering:
            day = date.fromisoformat(opening.watering[:10])
            assert opening.closed <= sunrise_of(week.site, day) - 19 * MINUTE
        elif "-dusk-" in opening.watering:
            assert opening.opened >= sunset_of(week.site, date.fromisoformat(opening.watering[:10])) + 14 * MINUTE


def test_a_day_costs_few_commits(week: World) -> None:
    """A card wears out by commits: 400 a day at most."""
    assert week.journal.commits <= 400 * 7


def test_the_garden_on_the_disk_is_the_garden_in_memory(week: World) -> None:
    assert week.journal.remember() == week.loop.garden


def test_what_is_seen_can_be_read_back(week: World) -> None:
    with reading(week.journal.path) as reader:
        ever = datetime(2000, 1, 1, tzinfo=week.clock.utc.tzinfo), week.clock.utc + HOUR
        assert len(reader.readings("air", *ever)) > 100
        assert {note.kind for note in reader.notes(*ever)} >= {"start", "guard", "forecast", "plan"}
        ledgers = reader.ledgers("tomatoes", FIRST, LAST)
        assert [ledger["day"] for ledger in ledgers] == [(FIRST + timedelta(days=n)).isoformat() for n in range(7)]


def test_the_ledgers_and_the_garden_agree_on_what_became_of_the_water(week: World) -> None:
    """Of each day: what the bed lost and got is what its depletion changed by."""
    for bed in week.loop.garden.beds.values():
        for ledger in (bed.yesterday, bed.today):
            assert ledger is not None
            assert ledger.used_mm >= 0.0
            assert ledger.irrigation_net_mm >= 0.0


# The same again -----------------------------------------------------------------------------------


def lived(settings: Settings, seed: int, hours: int) -> tuple[dict[str, float], Garden, int]:
    world = a_world(settings, seed=seed)
    world.run(world.clock.utc + hours * HOUR)
    return world.litres, world.loop.garden, len(world.guard.diary)


def test_the_same_seed_gives_the_same_night_and_another_seed_another(settings: Settings) -> None:
    one, again, other = (lived(settings, seed, 30) for seed in (5, 5, 6))
    assert one == again
    assert one[1] != other[1]


# Cut in two ---------------------------------------------------------------------------------------


def in_a_pulse(world: World) -> str:
    """Let the world run until a valve has been open for two minutes; its zone."""
    while not any(p.state == "running" for w in world.loop.garden.plan.waterings for p in w.pulses):
        world.run(world._next())
    world.run(world.clock.utc + 2 * MINUTE)
    return next(p.zone for w in world.loop.garden.plan.waterings for p in w.pulses if p.state == "running")


@pytest.mark.parametrize("guard_spoke", [True, False], ids=["last words", "power cut"])
def test_a_restart_in_the_middle_of_a_pulse_gives_the_rest_and_not_the_whole_again(
    settings: Settings, tmp_path: Path, guard_spoke: bool
) -> None:
    path = tmp_path / "journal.sqlite"
    before = a_world(settings, path)
    zone = in_a_pulse(before)
    (watering,) = [w for w in before.loop.garden.plan.waterings if w.zone == zone and w.under_way]
    cut_at = before.clock.utc
    diary_before, end_s = before.guard.diary, before.clock.mono_s
    before.journal.close()   # no orderly end: what was not committed is gone

    away = 5 * MINUTE
    clock = VirtualClock(cut_at + away, mono_s=12.0)   # a new boot
    after = World(settings, before.garden, Journal(path), clock)
    unfinished = after.journal.unfinished()
    assert zone in {opening.zone for opening in unfinished}
    words = {u.pulse: {"open_s": (cut_at - u.opened).total_seconds(), "why": "silence"} for u in unfinished}
    after.loop.take(Started())
    for ending in endings(unfinished, words if guard_spoke else {}):
        after.loop.take(ending)
    after._listen()
    assert after.journal.unfinished() == []
    after.run(sunrise_of(after.site, watering.day) + 2 * HOUR if watering.purpose == "dawn soak" else cut_at + 6 * HOUR)

    given = [o for o in after.journal.given(cut_at - 24 * HOUR, clock.utc) if o.watering == watering.id]
    assert len({opening.pulse for opening in given}) == len(given)
    told = sum(opening.litres or 0.0 for opening in given)
    assert told == pytest.approx(watering.need.litres, rel=0.03)
    true = before.litres[zone] + after.litres[zone]
    bound = sum(opening.unsure_litres for opening in given)
    others = sum(
        opening.litres or 0.0
        for opening in after.journal.given(cut_at - 24 * HOUR, clock.utc)
        if opening.zone == zone and opening.watering != watering.id
    )
    dead_l = after.site.supply_of(zone).dead_s / 60.0 * after.site.zone(zone).line.flow_l_min
    assert abs(true - others - told) <= bound + dead_l * len(given), "the truth lies within what the journal states"
    assert violations(diary_before, settings.charge(), end_s) == []
    assert violations(after.guard.diary, settings.charge(), clock.mono_s) == []


def test_an_orderly_end_closes_everything_and_the_next_start_goes_on(settings: Settings, tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    before = a_world(settings, path)
    zone = in_a_pulse(before)
    before.end()
    assert before.guard.on == frozenset()
    assert before.journal.unfinished() == []
    before.journal.close()
    after = World(settings, before.garden, Journal(path), VirtualClock(before.clock.utc + 2 * MINUTE, mono_s=3.0))
    after.begin()
    after.run(after.clock.utc + 3 * HOUR)
    assert after.litres[zone] > 0.0
