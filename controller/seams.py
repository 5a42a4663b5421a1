"""What a world must offer. A real world (MQTT, pins, disk) and a simulated one both fit through these.

Small protocols, typed; nothing here does anything. The loop knows only these.
"""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, Protocol

from controller.core.actions import Answer, Note
from controller.core.events import Event
from controller.core.forecast import Forecast
from controller.core.garden import Garden
from controller.core.job import Digest
from controller.core.moment import Now
from controller.core.site import Site


class Clock(Protocol):
    """Tells both times. The real one asks the system; the virtual one is moved by its driver."""

    def now(self) -> Now: ...


class Valves(Protocol):
    """The way to the guard. Results come back as events, never as return values."""

    def open(self, zone: str, pulse: str, seconds: float) -> None: ...

    def close(self, zone: str | None, why: str) -> None: ...

    def noted(self, pulse: str) -> None:
        """The closing of that pulse is durably written: the guard need not remember it."""

    def sense(self, name: str, on: bool) -> None:
        """What an input says that the guard cannot read itself."""

    def measure(self, litres: float) -> None:
        """Where the counter of a flow meter stands that the guard cannot read itself."""

    def release(self, zone: str | None) -> None:
        """Somebody releases the lock of a zone, or with None every lock."""

    def beat(self) -> None:
        """The deciding loop is alive; without this the guard closes."""


class Broker(Protocol):
    """A connection to an MQTT broker. Callbacks run on the network thread: they may only drop things into an inbox."""

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        qos: int = 1,
        properties: Mapping[str, Any] | None = None,
    ) -> bool:
        """Hand a message over; False if it could not even be queued."""

    def connected(self) -> bool: ...


class ForecastSource(Protocol):
    """One forecast service. Adding one means a class with this method and a line in the config's list of sources."""

    name: str

    def fetch(self, latitude_deg: float, longitude_deg: float, elevation_m: float, asked: datetime) -> Forecast:
        """A checked forecast, or ForecastError with one sentence. Never blocks longer than its own deadline."""


class Outlet(Protocol):
    """Where the loop tells the world what it has come to."""

    def show(self, site: Site, garden: Garden, now: Now) -> None:
        """The state after a step; whoever shows it decides what has changed."""

    def said(self, note: Note) -> None:
        """A line for the log, as it is decided."""

    def answer(self, answer: Answer) -> None:
        """The one answer to an ask."""

    def send(self, site: Site, digest: Digest) -> None:
        """A message for the gardener; it is written down already and comes once."""


Inbox = Callable[[Event], None]
