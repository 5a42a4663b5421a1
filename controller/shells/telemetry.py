"""Broker messages to events, and what the controller has to say to broker messages.

The network thread only calls `receive` and `link_changed`, which put things down and ring. Everything else runs
on the deciding thread: `events` reads what has come, `answer` and `show` publish. A flood on one topic pushes out
the oldest messages of that topic only; an ask is never pushed out.
"""

import logging
import threading
from collections import Counter, OrderedDict, deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from pydantic import ValidationError
from pydantic_core import to_jsonable_python

from controller.core.actions import Answer
from controller.core.events import Ask, Event, Reading, ReadingRefused, Woke
from controller.core.moment import Now
from controller.messages import (
    ROOT,
    AnswerMessage,
    AskMessage,
    DigestMessage,
    Message,
    Subscription,
    Will,
    offline,
    sentence,
    view_model,
)
from controller.seams import Broker, Clock, Inbox
from controller.shells.payload import Decoder, RefusedError, SensorSetting, parse_json

LOG = logging.getLogger(__name__)

WAITING_MOST = 20
"""Messages of one sensor topic that may wait to be read."""
ROUTES_MOST = 500
"""Asks whose way back is remembered."""
CLOCK_AHEAD = timedelta(minutes=5)
"""A sensor's clock may be this much ahead of ours."""
ANSWER_LASTS_S = 60
NO_AGE = "The broker had kept this message and it has no time of its own, so its age is unknown."
NOT_KEPT = "A kept ask is never acted on; publish it without the retain flag."


@dataclass(frozen=True, slots=True)
class _Arrival:
    """A message and when it came in."""

    message: Message
    now: Now


@dataclass(frozen=True, slots=True)
class _Route:
    """The way back to who asked."""

    topic: str
    correlation_data: bytes | None


class Telemetry:
    """All traffic of one site. sensors: as the config file has them; inbox: rung with `Woke` when mail waits."""

    def __init__(self, sensors: Iterable[SensorSetting], site: str, inbox: Inbox, clock: Clock) -> None:
        self._root = f"{ROOT}/{site}"
        self._ask_topic = f"{self._root}/ask"
        self._inbox = inbox
        self._clock = clock
        self._sensors: dict[str, list[tuple[str, Decoder]]] = {}
        for sensor in sensors:
            if sensor.topic is not None:  # else it is wired to the guard
                self._sensors.setdefault(sensor.topic, []).append((sensor.id, Decoder(sensor)))
        self._mail = threading.Lock()
        self._asks: deque[_Arrival] = deque()
        self._readings = {topic: deque[_Arrival]() for topic in self._sensors}
        self._found: set[str] = set()
        self._pushed_out: Counter[str] = Counter()
        self._fresh_link = True
        self._broker: Broker | None = None
        self._routes: OrderedDict[str, deque[_Route]] = OrderedDict()
        self._last_own_time: dict[str, datetime] = {}
        self._kept_word: dict[str, float] = {}
        self._sent: dict[str, bytes] = {}
        self._unfit: set[str] = set()
        self.refused: Counter[str] = Counter()
        """Messages that could not be used, by sensor id, or topic where it is nobody's."""

    # --- what a link needs to be made ---------------------------------------------------------------------

    def subscriptions(self) -> list[Subscription]:
        """Asks, every sensor's topic, and our own kept topics: some may be of a zone or a fault that is no more."""
        return [
            Subscription(self._ask_topic, live_only=True),
            *(Subscription(topic) for topic in self._sensors),
            Subscription(f"{self._root}/zone/+"),
            Subscription(f"{self._root}/fault/+"),
        ]

    def will(self) -> Will:
        """What the broker is to say of us when we vanish."""
        return Will(f"{self._root}/status", offline("The controller is gone without a goodbye"))

    def attach(self, broker: Broker) -> None:
        """The broker to publish on."""
        self._broker = broker

    # --- on the network thread ----------------------------------------------------------------------------

    def receive(self, message: Message) -> None:
        """Put a raw message down, unread, and ring."""
        arrival = _Arrival(message, self._clock.now())
        with self._mail:
            rung = bool(self._asks) or any(self._readings.values())
            self._put_down(arrival)
        if not rung:
            self._inbox(Woke())

    def link_changed(self, up: bool, said: str) -> None:
        """The link came up or went down: after every coming up everything is published again."""
        if up:
            with self._mail:
                self._fresh_link = True
        self._inbox(Woke())

    def _put_down(self, arrival: _Arrival) -> None:
        topic = arrival.message.topic
        if topic == self._ask_topic:
            self._asks.append(arrival)
        elif topic in self._readings:
            waiting = self._readings[topic]
            if len(waiting) == WAITING_MOST:
                waiting.popleft()
                self._pushed_out[topic] += 1
            waiting.append(arrival)
        elif topic.startswith(f"{self._root}/"):
            if arrival.message.retained and arrival.message.payload:
                self._found.add(topic.removeprefix(f"{self._root}/"))
        else:
            self.refused[topic] += 1

    # --- inwards, on the deciding thread ------------------------------------------------------------------

    def events(self) -> list[Event]:
        """Everything that has come since the last call, read: asks first, then readings in order of arrival."""
        with self._mail:
            asks, self._asks = self._asks, deque()
            readings = [arrival for waiting in self._readings.values() for arrival in waiting]
            for waiting in self._readings.values():
                waiting.clear()
            pushed_out, self._pushed_out = self._pushed_out, Counter()
        events: list[Event] = []
        for arrival in asks:
            events += self._ask_events(arrival)
        for topic, count in pushed_out.items():
            for sensor, _ in self._sensors[topic]:
                events.append(self._refuse(sensor, f"{count} messages came too fast to be read.", count))
        for arrival in sorted(readings, key=lambda arrival: arrival.now.mono_s):
            events += self._reading_events(arrival)
        return events

    def _reading_events(self, arrival: _Arrival) -> list[Event]:
        """One event for each sensor that reads this topic; none for a measurement that was handed over before."""
        if not arrival.message.payload and arrival.message.retained:
            return []
        events = []
        for sensor, decoder in self._sensors[arrival.message.topic]:
            try:
                event: Event | None = self._reading(sensor, decoder, arrival)
            except RefusedError as why:
                event = self._refuse(sensor, str(why))
            except Exception:  # whatever a payload can still break must not stop the other sensors
                LOG.exception("A message of sensor %s broke its reader.", sensor)
                event = self._refuse(sensor, "The message could not be read; the log says more.")
            if event is not None:
                events.append(event)
        return events

    def _reading(self, sensor: str, decoder: Decoder, arrival: _Arrival) -> Reading | None:
        measured = decoder.read(arrival.message.payload)
        if measured.at is None:
            if arrival.message.retained:
                if not decoder.lasts:
                    raise RefusedError(NO_AGE)
                if self._kept_word.get(sensor) == measured.value:
                    return None  # the broker hands it over at each coming back; the switch itself may be long dead
                self._kept_word[sensor] = measured.value
            return Reading(sensor, measured.value, arrival.now.utc)
        if arrival.now.trusted and measured.at > arrival.now.utc + CLOCK_AHEAD:
            ahead = measured.at.isoformat()
            raise RefusedError(f"Its time {ahead} lies in the future; set the sensor's clock.")
        last = self._last_own_time.get(sensor)
        if last is not None and (measured.at == last or (arrival.message.retained and measured.at < last)):
            return None
        self._last_own_time[sensor] = measured.at
        return Reading(sensor, measured.value, measured.at)

    def _refuse(self, sensor: str, why: str, count: int = 1) -> ReadingRefused:
        self.refused[sensor] += count
        return ReadingRefused(sensor, why)

    def _ask_events(self, arrival: _Arrival) -> list[Event]:
        """The ask; an empty list if it has no id to answer to, which is then answered here."""
        message = arrival.message
        if message.retained and not message.payload:
            return []  # somebody clears a kept ask away
        try:
            ask = self._ask(arrival)
        except RefusedError as why:
            self.refused["ask"] += 1
            self._publish_answer(self._route(message), AnswerMessage(id=None, ok=False, said=str(why)))
            return []
        if ask.refused is not None:
            self.refused["ask"] += 1
        self._remember(ask.id, self._route(message))
        return [ask]

    def _ask(self, arrival: _Arrival) -> Ask:
        """The ask, with the reason to refuse it if there is one. RefusedError if there is not even an id.

        One whose `do` cannot be read carries the most harmless verb, next to the refusal.
        """
        payload = arrival.message.payload
        document = parse_json(payload)
        try:
            wish = AskMessage.model_validate_json(payload)
        except ValidationError as mistake:
            return Ask(_id_of(document, sentence(mistake)), "replan", refused=sentence(mistake))
        refused = NOT_KEPT if arrival.message.retained else self._too_late(wish, arrival)
        return Ask(**{name: getattr(wish, name) for name in AskMessage.model_fields}, refused=refused)

    def _too_late(self, wish: AskMessage, arrival: _Arrival) -> str | None:
        """Why the ask has lapsed, by its own time or by what its MQTT 5 lifetime had left when it came in."""
        now = self._clock.now()
        # Whoever asks may go by the clock that is not followed here.
        if wish.expires is not None and now.trusted and not now.behind_s and wish.expires <= now.utc:
            return f"The ask lapsed at {wish.expires.isoformat()}."
        left_s = arrival.message.expiry_s
        if left_s is not None and now.mono_s - arrival.now.mono_s > left_s:
            return "The ask lapsed before it could be read."
        return None

    # --- outwards, on the deciding thread -----------------------------------------------------------------

    def answer(self, action: Answer) -> None:
        """Publish the answer to an ask, to whoever asked."""
        waiting = self._routes.get(action.ask)
        route = waiting.popleft() if waiting else _Route(f"{self._root}/answer", None)
        if waiting is not None and not waiting:
            del self._routes[action.ask]
        facts = to_jsonable_python(dict(action.facts), inf_nan_mode="null", fallback=str)
        answer = AnswerMessage(id=action.ask, ok=action.ok, said=action.said, facts=facts)
        self._publish_answer(route, answer)

    def send(self, digest: DigestMessage) -> None:
        """Publish a message for the gardener, once; whoever is not there does not get it later."""
        payload = digest.model_dump_json().encode()
        if self._broker is None or not self._broker.publish(f"{self._root}/digest", payload):
            LOG.warning("The digest of %s could not be published.", digest.day)

    def show(self, views: Mapping[str, Mapping[str, Any]]) -> None:
        """Make the kept topics show exactly this: path ("status", "zone/tomatoes", "fault/x") -> plain view.

        Published is what has changed, or everything after the link has come up anew. A path that is no longer
        among the views is emptied, also one that an earlier run of the controller has left with the broker.
        A view that does not fit its model in `controller.messages` is left out and logged, once: the garden's
        water must not hang on it.
        """
        broker = self._broker
        if broker is None or not broker.connected():
            return
        with self._mail:
            if self._fresh_link:
                self._sent.clear()
                self._fresh_link = False
            found, self._found = self._found, set()
        for path in (found | self._sent.keys()) - views.keys():
            self._sent[path] = b""  # known to be there, so that it is tried again if the queue is full
            if self._keep(broker, path, b""):
                del self._sent[path]
        for path, view in views.items():
            payload = self._encoded(path, view)
            if payload and payload != self._sent.get(path) and self._keep(broker, path, payload):
                self._sent[path] = payload

    def farewell(self) -> None:
        """Say offline, on purpose and with the time, before the link is closed."""
        if self._broker is not None and self._broker.connected():
            self._keep(self._broker, "status", offline("The controller was stopped", self._clock.now().utc))

    def _encoded(self, path: str, view: Mapping[str, Any]) -> bytes | None:
        try:
            payload = view_model(path).model_validate(view).model_dump_json().encode()
        except (KeyError, ValidationError) as mistake:
            if path not in self._unfit:
                self._unfit.add(path)
                why = sentence(mistake) if isinstance(mistake, ValidationError) else "There is no such topic."
                LOG.error("The view for topic %s cannot be published: %s", path, why)
            return None
        self._unfit.discard(path)
        return payload

    def _keep(self, broker: Broker, path: str, payload: bytes) -> bool:
        return broker.publish(f"{self._root}/{path}", payload, retain=True)

    def _publish_answer(self, route: _Route, answer: AnswerMessage) -> None:
        properties: dict[str, Any] = {"expiry_s": ANSWER_LASTS_S}
        if route.correlation_data is not None:
            properties["correlation_data"] = route.correlation_data
        payload = answer.model_dump_json().encode()
        if self._broker is None or not self._broker.publish(route.topic, payload, properties=properties):
            LOG.warning("The answer to ask %s could not be sent.", answer.id)

    def _route(self, message: Message) -> _Route:
        """Where the answer goes: never where it would overwrite our own state or look like a sensor's word."""
        answers = f"{self._root}/answer"
        wanted = message.response_topic
        allowed = (
            wanted is not None
            and 0 < len(wanted.encode()) <= 1000
            and not any(sign in wanted for sign in "+#\0")
            and wanted not in self._sensors
            and not wanted.startswith("$")
            and (not wanted.startswith(f"{ROOT}/") or wanted.startswith(f"{answers}/"))
        )
        return _Route(wanted if allowed and wanted is not None else answers, message.correlation_data)

    def _remember(self, ask: str, route: _Route) -> None:
        """Each coming of an ask is answered once, in turn, also when two senders use the same id."""
        self._routes.setdefault(ask, deque()).append(route)
        self._routes.move_to_end(ask)
        while len(self._routes) > ROUTES_MOST:
            self._routes.popitem(last=False)


def _id_of(document: Any, why: str) -> str:
    """The id of an ask that is otherwise malformed. RefusedError if there is none that can be answered to."""
    try:
        return AskMessage.model_validate({"id": document["id"], "do": "replan"}).id
    except (ValidationError, TypeError, KeyError):
        raise RefusedError(f"The ask has no usable id, so it cannot be acted on: {why}") from None
