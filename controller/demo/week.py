"""The demo's world: one hot week in the school kitchen garden, on a virtual clock, with the daemon's real parts.

The garden's sensors publish to a real broker and are heard from it, the forecast is fetched over HTTP and checked, the
guard's rules drive gpiozero's mock pins, and the journal is a real file. Only time is not real.
"""

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import date, datetime, timedelta
from pathlib import Path

from controller.assembly import forecast_source
from controller.core.events import Event, ForecastArrived, ForecastFailed
from controller.core.moment import Now, local_midnight
from controller.drivers.embedded_broker import Broker
from controller.drivers.gpio import open_lines
from controller.drivers.mqtt import Address, MqttLink
from controller.messages import Message
from controller.settings import Settings, load
from controller.shells.forecast import ForecastError
from controller.shells.journal import Journal
from controller.sim.instruments import dying_probe
from controller.sim.plot import Plot
from controller.sim.service import ForecastService
from controller.sim.sky import hot_week
from controller.sim.world import VirtualClock, World

MONDAY = date(2026, 7, 13)
DAYS = 7
SEED = 7
DYING = "zucchini-probe"
DIES_AFTER = timedelta(days=2, hours=14)
"""Wednesday afternoon: it freezes on its last value, and falls silent in the night."""
ARRIVES_WITHIN_S = 5.0
PINS = "controller.drivers.gpio:mock_factory"


class DemoError(Exception):
    """The demo cannot go on; one sentence."""


def demo_config() -> Path:
    """The demo garden's config: beside the sources, or in the installed package."""
    beside = Path(__file__).parents[2] / "config" / "demo.toml"
    return beside if beside.exists() else Path(__file__).with_name("demo.toml")


class Post:
    """Carries the garden's messages through the broker: published by one client, heard by the daemon's own link."""

    def __init__(self, address: Address, world: World) -> None:
        self._telemetry = world.telemetry
        self._heard = 0
        self._probes = MqttLink(address, "garden-sensors", on_message=lambda message: None, on_state=_quiet)
        self.link = MqttLink(
            address,
            "seepward-demo",
            subscriptions=self._telemetry.subscriptions(),
            will=self._telemetry.will(),
            on_message=self._receive,
            on_state=self._telemetry.link_changed,
        )
        self._telemetry.attach(self.link)

    def start(self) -> None:
        """Connect both ends."""
        for link in (self._probes, self.link):
            link.start()
        self._await(lambda: self._probes.connected() and self.link.connected(), "The demo's broker does not answer.")

    def carry(self, messages: Sequence[tuple[str, bytes]]) -> list[Event]:
        """Publish, wait until all have come back, and read them."""
        due = self._heard + len(messages)
        for topic, payload in messages:
            self._probes.publish(topic, payload)
        self._await(lambda: self._heard >= due, "A message was lost on its way through the demo's broker.")
        return self._telemetry.events()

    def stop(self) -> None:
        """Say goodbye."""
        self._telemetry.farewell()
        for link in (self.link, self._probes):
            link.close()

    def _receive(self, message: Message) -> None:
        self._telemetry.receive(message)
        if message.topic.startswith("garden/"):
            self._heard += 1

    def _await(self, condition: Callable[[], bool], otherwise: str) -> None:
        give_up_s = time.monotonic() + ARRIVES_WITHIN_S
        while not condition():
            if time.monotonic() > give_up_s:
                raise DemoError(otherwise)
            time.sleep(0.0005)


@contextmanager
def demo_world(journal: Path, outlet_for: Callable[[World], None], *, seed: int = SEED) -> Iterator[World]:
    """The week, ready to run from its first midnight. outlet_for is handed the world to hang its view into."""
    settings = load(demo_config())
    site = settings.build()
    start = local_midnight(MONDAY, site.timezone)
    plot = Plot(
        settings, seed, start=start, script=hot_week(MONDAY), faults=dying_probe(DYING, start + DIES_AFTER, frozen_h=9)
    )
    clock = VirtualClock(start)
    with ExitStack() as stack:
        broker = stack.enter_context(Broker())
        service = stack.enter_context(
            ForecastService(lambda: plot.forecast(clock.utc), site.latitude_deg, site.longitude_deg)
        )
        lines = open_lines(PINS, settings.lines())
        stack.callback(lines.release)
        store = Journal(journal)
        stack.callback(store.close)
        world = World(settings, plot, store, clock, lines=lines, fetch=fetcher(settings, service.url))
        post = Post(Address(broker.host, broker.port, broker.protocol), world)
        stack.callback(post.stop)
        post.start()
        world.carry = post.carry
        outlet_for(world)
        yield world


def fetcher(settings: Settings, url: str) -> Callable[[Now], Event]:
    """One fetch of the forecast as the daemon does it, at a virtual instant."""
    wanted = forecast_source(settings, url)
    assert wanted is not None, "the demo garden wants a forecast"
    source, place = wanted

    def fetch(now: Now) -> Event:
        try:
            return ForecastArrived(source.ask(place, now.utc, None).forecast)
        except ForecastError as error:
            return ForecastFailed(str(error))

    return fetch


def week_end(start: datetime, days: int = DAYS) -> datetime:
    """The instant at which the demo ends."""
    return start + timedelta(days=days)


def _quiet(up: bool, said: str) -> None:
    """The sensors' own link has nothing to tell."""
