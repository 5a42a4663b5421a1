"""What the tests of this folder share: a sensor as the config file would have it, a clock to set, a fake broker."""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from controller.core.events import Event
from controller.core.moment import Now
from controller.drivers.mqtt import Address, MqttLink
from controller.messages import Message
from controller.shells.telemetry import Telemetry

SITE = "school"
NOON = datetime(2026, 7, 13, 12, tzinfo=UTC)


@dataclass(frozen=True)
class Sensor:
    """A row of `[[sensor]]`."""

    id: str = "probe"
    kind: str = "soil moisture"
    topic: str = "garden/probe"
    pointer: str | None = None
    unit: str | None = "m3/m3"
    calibration: Sequence[tuple[float, float]] | None = None
    polynomial: Sequence[float] | None = None
    on: str | None = None
    off: str | None = None
    time_pointer: str | None = None


@dataclass
class Hands:
    """A clock that stands still until it is moved."""

    utc: datetime = NOON
    mono_s: float = 1000.0
    trusted: bool = True
    behind_s: float = 0.0

    def now(self) -> Now:
        return Now(self.mono_s, self.utc, self.trusted, self.behind_s)

    def pass_s(self, seconds: float) -> None:
        self.utc += timedelta(seconds=seconds)
        self.mono_s += seconds


class RealTime:
    """The system's wall clock, for tests with a real broker."""

    def now(self) -> Now:
        return Now(datetime.now(UTC).timestamp(), datetime.now(UTC))


@dataclass
class Paper:
    """A broker that only writes down what is published; room 0 is a full queue."""

    up: bool = True
    room: int = 1_000_000
    said: list[tuple[str, bytes, bool, dict[str, Any]]] = field(default_factory=list)

    def connected(self) -> bool:
        return self.up

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 1,
        properties: Mapping[str, Any] | None = None,
    ) -> bool:  # fmt: skip
        if self.room == 0:
            return False
        self.room -= 1
        self.said.append((topic, payload, retain, dict(properties or {})))
        return True

    def take(self) -> list[tuple[str, bytes, bool, dict[str, Any]]]:
        said, self.said = self.said, []
        return said


def desk(*sensors: Sensor) -> tuple[Telemetry, Hands, Paper, list[Event]]:
    """Telemetry with a still clock and a paper broker; the list is where it rings."""
    hands, paper, rung = Hands(), Paper(), list[Event]()
    telemetry = Telemetry(sensors or (Sensor(),), SITE, rung.append, hands)
    telemetry.attach(paper)
    return telemetry, hands, paper, rung


class Daemon:
    """Telemetry on a real link, emptied whenever it rings. `events` is all that came; asks get `answered` back."""

    def __init__(self, address: Address, *sensors: Sensor, client_id: str = "seepward-school") -> None:
        self.events: list[Event] = []
        self.states: list[tuple[bool, str]] = []
        self.views: dict[str, dict[str, Any]] = {"status": {"online": True, "said": "Fine."}}
        self.raw: list[Message] = []
        self._turn = threading.Lock()
        self.telemetry = Telemetry(sensors or (Sensor(),), SITE, lambda event: None, RealTime())
        self.link = MqttLink(
            address, client_id, subscriptions=self.telemetry.subscriptions(), will=self.telemetry.will(),
            on_message=self._heard, on_state=self._changed,
        )  # fmt: skip
        self.telemetry.attach(self.link)
        self.link.start()

    def _heard(self, message: Message) -> None:
        self.raw.append(message)
        self.telemetry.receive(message)

    def _changed(self, up: bool, said: str) -> None:
        self.telemetry.link_changed(up, said)
        self.states.append((up, said))

    def turn(self) -> list[Event]:
        """What the deciding loop does once around."""
        with self._turn:
            self.events += self.telemetry.events()
            self.telemetry.show(self.views)
        return self.events

    def close(self) -> None:
        self.link.close()
