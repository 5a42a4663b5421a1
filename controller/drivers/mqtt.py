"""The connection to an MQTT broker, 5 or 3.1.1, with paho.

It keeps itself connected, hears what it was told to hear, and passes raw messages on unread. What the network
thread runs can neither raise nor block: an exception there would end the thread while the library still says
"connected". What is wrong comes as one plain sentence, once, however often it is tried again.
"""

import itertools
import logging
import math
import queue
import socket
import ssl
import sys
import threading
import time
import uuid
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions
from pydantic import ValidationError

from controller.messages import ROOT, AnswerMessage, AskMessage, Message, Subscription, Will, sentence

LOG = logging.getLogger(__name__)

KEEPALIVE_S = 15
RETRY_MIN_S, RETRY_MAX_S = 1, 10
QUEUE_MOST = 200
PACKET_MOST_BYTES = 16 * 1024
CROWD_CONNECTS, CROWD_WINDOW_S = 5, 60.0
"""More connects than this in this time: two clients with one id throw each other out."""

NO_MATCHING_SUBSCRIBERS, NOT_AUTHORIZED, BAD_LOGIN, WRONG_VERSION, TAKEN_OVER = 0x10, 0x87, 0x86, 0x84, 0x8E

StateHeard = Callable[[bool, str], None]
MessageHeard = Callable[[Message], None]


@dataclass(frozen=True, slots=True)
class Tls:
    """Certificate files. ca_file None: the system's own list of authorities."""

    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None


@dataclass(frozen=True, slots=True)
class Address:
    """Where the broker is and how to log in. tls None: not encrypted."""

    host: str = "localhost"
    port: int = 1883
    protocol: Literal["5", "3.1.1"] = "5"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: Tls | None = None

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


class MqttLink:
    """One lasting connection. A `seams.Broker`.

    on_message and on_state run on the network thread and may only drop things into an inbox. on_state is told
    (up, sentence) when either changes; up means connected, and the broker has answered to our subscriptions.
    on_taken is told what the broker says to each message we publish (always "success" in 3.1.1).
    Raises ValueError, in one sentence, if the host name or the certificate files cannot be used.
    """

    def __init__(
        self,
        address: Address,
        client_id: str,
        *,
        subscriptions: Sequence[Subscription] = (),
        will: Will | None = None,
        on_message: MessageHeard,
        on_state: StateHeard,
        on_taken: Callable[[ReasonCode], None] | None = None,
    ) -> None:
        self._address = address
        self._client_id = client_id
        self._subscriptions = tuple(subscriptions)
        self._will = will
        self._on_message = on_message
        self._on_state = on_state
        self._on_taken = on_taken
        self._tls = None if address.tls is None else _tls_context(address.tls)
        _check_host(address.host)
        self._v5 = address.protocol == "5"
        self._stage: Literal["away", "knocking", "accepted", "refused"] = "away"
        self._hearing = False
        self._refused_one = False
        self._told: tuple[bool, str] = (False, f"The broker at {address} has not answered yet.")
        self._connects: deque[float] = deque(maxlen=CROWD_CONNECTS + 1)
        self._asked: int | None = None
        self._sent: deque[tuple[int, str]] = deque(maxlen=QUEUE_MOST)
        self._last: paho.MQTTMessageInfo | None = None
        self._network: threading.Thread | None = None
        self._client = self._new_client()

    # --- for the deciding thread ----------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect, in a thread of its own; returns at once."""
        self._network = None
        self._client.connect_async(self._address.host, self._address.port, KEEPALIVE_S, **self._connect_options())
        self._client.loop_start()

    def connected(self) -> bool:
        """Whether the broker took us in and has answered to our subscriptions."""
        return self._hearing and self.network_alive()

    def state(self) -> tuple[bool, str]:
        """Connected or not, and what there is to say about it now."""
        up, said = self._told
        return up, self._crowd() or said

    def network_alive(self) -> bool:
        """Whether the network thread lives. The library's `is_connected()` stays true without it."""
        return self._network is None or self._network.is_alive()

    def restart(self) -> None:
        """Begin again with a new client: the answer to a dead network thread. What was queued is lost."""
        _forget(self._client)
        self._last = None
        self._lost("The connection to the broker is being made anew.")
        self._client = self._new_client()
        self.start()

    def close(self, wait_s: float = 2.0) -> None:
        """Say goodbye after what is queued and end the thread. The last will is not published.

        What is on its way is waited for: closing a socket with an acknowledgement unread would tear down the
        connection before the broker has read the goodbye.
        """
        if self._last is not None and self.connected():
            self._last.wait_for_publish(wait_s)
        _forget(self._client).join(wait_s)
        self._hearing = False

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        qos: int = 1,
        properties: Mapping[str, Any] | None = None,
    ) -> bool:
        """Queue a message; never waits. False if the queue is full or there is no thread that would send it.

        properties (MQTT 5, ignored in 3.1.1): response_topic, correlation_data, expiry_s.
        ValueError if the topic is empty, too long or has wildcards.
        """
        if not self.network_alive():
            return False
        sent = self._client.publish(topic, payload, qos, retain, self._publish_properties(properties or {}))
        self._sent.append((sent.mid, topic))
        if sent.rc == MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._last = sent if qos > 0 else self._last
            return True
        return qos > 0 and sent.rc == MQTTErrorCode.MQTT_ERR_NO_CONN  # queued until there is a connection

    # --- making a client ------------------------------------------------------------------------------------

    def _new_client(self) -> paho.Client:
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            clean_session=None if self._v5 else True,
            protocol=paho.MQTTv5 if self._v5 else paho.MQTTv311,
        )
        client.suppress_exceptions = True  # the second belt: every callback below is guarded already
        client.reconnect_delay_set(RETRY_MIN_S, RETRY_MAX_S)
        client.max_queued_messages_set(QUEUE_MOST)
        if self._address.username is not None:
            client.username_pw_set(self._address.username, self._address.password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        if self._will is not None:
            client.will_set(self._will.topic, self._will.payload, qos=1, retain=True)
        client.on_pre_connect = self._guarded(self._met_thread)
        client.on_socket_open = self._guarded(self._met_socket)
        client.on_connect = self._guarded(self._met_connack)
        client.on_connect_fail = self._guarded(self._met_failure)
        client.on_disconnect = self._guarded(self._met_disconnect)
        client.on_subscribe = self._guarded(self._met_suback)
        client.on_publish = self._guarded(self._met_puback)
        client.on_message = self._guarded(self._met_message)
        return client

    def _connect_options(self) -> dict[str, Any]:
        """Clean start, no lasting session: an ask sent while we are away must vanish, not wait for us."""
        if not self._v5:
            return {}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = PACKET_MOST_BYTES
        properties.SessionExpiryInterval = 0
        return {"clean_start": True, "properties": properties}

    def _publish_properties(self, wanted: Mapping[str, Any]) -> Properties | None:
        if not self._v5 or not wanted:
            return None
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        for name, value in wanted.items():
            setattr(properties, _PROPERTY_NAMES[name], value)
        return properties

    def _guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        """The callback, unable to raise: whatever happens in it is logged and the network thread lives on."""

        def guarded(*arguments: Any) -> None:
            try:
                callback(*arguments)
            except Exception:
                LOG.exception("A message or event from the broker could not be taken in.")

        return guarded

    # --- on the network thread ------------------------------------------------------------------------------

    def _met_thread(self, client: paho.Client, userdata: Any) -> None:
        self._network = threading.current_thread()

    def _met_socket(self, client: paho.Client, userdata: Any, sock: Any) -> None:
        self._stage = "knocking"
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _met_connack(self, client: paho.Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any) -> None:
        if reason.is_failure:
            self._stage = "refused"
            self._lost(_refused_at_the_door(reason, self._address))
            return
        self._stage = "accepted"
        self._refused_one = False
        self._connects.append(time.monotonic())
        if not self._subscriptions:
            self._found()
            return
        topics = [(wanted.topic, self._subscribe_options(wanted)) for wanted in self._subscriptions]
        _, self._asked = client.subscribe(topics)

    def _subscribe_options(self, wanted: Subscription) -> Any:
        """Our own messages never come back; of a live-only topic the broker hands over nothing it kept."""
        if not self._v5:
            return 1
        if wanted.live_only:
            never = SubscribeOptions.RETAIN_DO_NOT_SEND
            return SubscribeOptions(qos=1, noLocal=True, retainAsPublished=True, retainHandling=never)
        return SubscribeOptions(qos=1, noLocal=True)

    def _met_suback(
        self, client: paho.Client, userdata: Any, mid: int, reasons: list[ReasonCode], properties: Any
    ) -> None:
        if mid != self._asked:
            return
        refused = [
            wanted.topic
            for wanted, reason in itertools.zip_longest(self._subscriptions, reasons)
            if reason is None or reason.is_failure
        ]
        more = f" and {len(refused) - 1} more" if len(refused) > 1 else ""
        self._found(
            f'The broker at {self._address} refuses to let us hear "{refused[0]}"{more}; see its access list.'
            if refused
            else None
        )

    def _met_message(self, client: paho.Client, userdata: Any, message: paho.MQTTMessage) -> None:
        """Hand it on unread; of a giant (3.1.1 knows no limit) only as much as shows that it is one."""
        properties = message.properties
        self._on_message(
            Message(
                message.topic,
                bytes(message.payload[:PACKET_MOST_BYTES]),
                message.retain,
                getattr(properties, "MessageExpiryInterval", None),
                getattr(properties, "ResponseTopic", None),
                getattr(properties, "CorrelationData", None),
            )
        )

    def _met_puback(self, client: paho.Client, userdata: Any, mid: int, reason: ReasonCode, properties: Any) -> None:
        if self._on_taken is not None:
            self._on_taken(reason)
        elif reason.is_failure and not self._refused_one:
            self._refused_one = True
            topic = next((topic for sent, topic in self._sent if sent == mid), "a topic")
            self._tell(
                self._hearing,
                f'The broker at {self._address} refuses what we publish on "{topic}" '
                f"({str(reason).lower()}); see its access list.",
            )

    def _met_failure(self, client: paho.Client, userdata: Any) -> None:
        """No connection came about. The library calls this while it handles the error: so it can be had."""
        self._lost(_why(sys.exception(), self._address))

    def _met_disconnect(
        self, client: paho.Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any
    ) -> None:
        """The end of a connection; one that was refused at the door has had its sentence already."""
        stage, self._stage = self._stage, "away"
        why = str(reason).lower()
        if reason.value == TAKEN_OVER:
            self._lost(self._double())
        elif stage == "accepted":
            self._lost(f"The connection to the broker at {self._address} was lost ({why}); trying again.")
        elif stage == "knocking":
            self._lost(
                f"The broker at {self._address} hung up before it took us in ({why}); "
                f"is it an MQTT broker? If so, {_other_protocol(self._address)}."
            )

    # --- what is told ---------------------------------------------------------------------------------------

    def _found(self, but: str | None = None) -> None:
        """We are in. but: what is amiss all the same."""
        self._hearing = True
        self._tell(True, but or f"Connected to the broker at {self._address}.")

    def _lost(self, said: str) -> None:
        self._hearing = False
        self._tell(False, said)

    def _tell(self, up: bool, said: str) -> None:
        """Only what is new. In a fight over one id the sentence stays the same through all ups and downs."""
        news = (up, self._crowd() or said)
        if news != self._told:
            self._told = news
            self._on_state(*news)

    def _crowd(self) -> str | None:
        """The name of the trouble when connections come thick and fast."""
        many = len(self._connects) > CROWD_CONNECTS
        return self._double() if many and time.monotonic() - self._connects[0] < CROWD_WINDOW_S else None

    def _double(self) -> str:
        return (
            f'Another client seems to use the id "{self._client_id}" at the broker {self._address}: it takes '
            "the connection away again and again; stop the second controller or give it a site id of its own."
        )


_PROPERTY_NAMES = {
    "response_topic": "ResponseTopic",
    "correlation_data": "CorrelationData",
    "expiry_s": "MessageExpiryInterval",
}


def _forget(client: paho.Client) -> threading.Thread:
    """Let a client send what it has queued, say goodbye and end; none of its callbacks reaches us any more.

    The thread returned lasts as long as the client's own: stopping may have to wait for a name server.
    """
    client.on_connect = client.on_connect_fail = client.on_disconnect = None
    client.on_subscribe = client.on_publish = client.on_message = client.on_pre_connect = None
    client.disconnect()
    stopping = threading.Thread(target=client.loop_stop, daemon=True, name="mqtt-stopping")
    stopping.start()
    return stopping


def _check_host(host: str) -> None:
    """A name that cannot even be looked up would end the network thread, not just its try."""
    try:
        possible = b"\0" not in host.encode("idna")
    except UnicodeError:
        possible = False
    if not possible:
        raise ValueError(f"mqtt.host: {host!a} is not a host name.")


def _tls_context(tls: Tls) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=tls.ca_file)
    except OSError as error:  # ssl.SSLError is one
        raise ValueError(f'mqtt.tls.ca_file: "{tls.ca_file}" cannot be used ({_plain(error)}).') from error
    if tls.cert_file is not None:
        try:
            context.load_cert_chain(tls.cert_file, tls.key_file)
        except OSError as error:
            files = f'cert_file "{tls.cert_file}" and key_file "{tls.key_file}"'
            raise ValueError(f"mqtt.tls: {files} cannot be used ({_plain(error)}).") from error
    return context


def _plain(error: OSError) -> str:
    """The reason of an operating system or TLS error, without numbers and source lines."""
    return (getattr(error, "reason", None) or error.strerror or str(error)).lower().replace("_", " ")


def _refused_at_the_door(reason: ReasonCode, address: Address) -> str:
    """The sentence for a CONNACK that says no (MQTT 5, 3.2.2.2; the codes of 3.1.1 are mapped onto it)."""
    if reason.value in (NOT_AUTHORIZED, BAD_LOGIN):
        who = f'the user "{address.username}"' if address.username else "a client without a login"
        return f"The broker at {address} refuses {who}; check mqtt.username and the password."
    if reason.value == WRONG_VERSION:
        return f"The broker at {address} does not speak MQTT {address.protocol}; {_other_protocol(address)}."
    return f"The broker at {address} refuses the connection ({str(reason).lower()})."


def _other_protocol(address: Address) -> str:
    return f'try mqtt.protocol = "{"3.1.1" if address.protocol == "5" else "5"}"'


def _why(error: BaseException | None, address: Address) -> str:
    """The sentence for a connection that could not be made."""
    match error:
        case ssl.SSLCertVerificationError():
            return (
                f"The certificate of the broker at {address} is not trusted ({error.verify_message}); "
                "check mqtt.tls.ca_file and mqtt.host."
            )
        case ssl.SSLError():
            return f"TLS with the broker at {address} failed ({_plain(error)}); does this port speak TLS?"
        case socket.gaierror():
            return f'The name "{address.host}" of the broker is not known; check mqtt.host and the network.'
        case ConnectionRefusedError():
            return f"No broker answers at {address}; check mqtt.host and mqtt.port, and that the broker runs."
        case TimeoutError():
            return f"The broker at {address} does not answer in time."
        case OSError():
            return f"The broker at {address} cannot be reached ({_plain(error)})."
        case _:
            return f"The broker at {address} cannot be reached."


# --- one ask and its answer ---------------------------------------------------------------------------------

ASK_LASTS_S = 30


class AskError(Exception):
    """No answer; the message is one sentence."""


def ask_over_mqtt(address: Address, site: str, ask: Mapping[str, Any], timeout_s: float = 10.0) -> AnswerMessage:
    """Send an ask to the controller of a site and wait for its answer.

    ask: `do` and what goes with it (see `AskMessage`); an `id` and `expires` of 30 s are added where missing.
    Raises AskError if the ask is malformed, the broker cannot be reached, nobody hears it (MQTT 5 tells at
    once), or no answer comes within `timeout_s` seconds. ValueError: as `MqttLink`.
    """
    added = {"id": uuid.uuid4().hex, "expires": datetime.now(UTC) + timedelta(seconds=ASK_LASTS_S)}
    try:
        message = AskMessage.model_validate({**added, **ask}, strict=False)
    except ValidationError as mistake:
        raise AskError(sentence(mistake)) from mistake
    return _Asker(address, site, message).answer(time.monotonic() + timeout_s)


class _Asker:
    """A short-lived client with one ask. Everything the network thread has to tell goes through one queue."""

    def __init__(self, address: Address, site: str, message: AskMessage) -> None:
        self._topic = f"{ROOT}/{site}/ask"
        self._message = message
        self._expires = message.expires or datetime.now(UTC) + timedelta(seconds=ASK_LASTS_S)
        name = f"{ROOT}-ask-{uuid.uuid4().hex[:12]}"
        self._reply_to = f"{ROOT}/{site}/answer" + (f"/{name}" if address.protocol == "5" else "")
        self._news: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        self._link = MqttLink(
            address,
            name,
            subscriptions=[Subscription(self._reply_to)],
            on_message=lambda message: self._news.put(("message", message)),
            on_state=lambda up, said: self._news.put(("up" if up else "down", said)),
            on_taken=lambda reason: self._news.put(("taken", reason)),
        )

    def answer(self, until_mono_s: float) -> AnswerMessage:
        """Connect, hear the place of the answer, ask, wait; one step a piece of news."""
        self._link.start()
        try:
            while True:
                kind, what = self._news.get(timeout=max(0.0, until_mono_s - time.monotonic()))
                match kind:
                    case "down":
                        raise AskError(what)
                    case "up":
                        self._send()
                    case "taken":
                        self._judge(what)
                    case "message" if (answer := self._mine(what)) is not None:
                        return answer
        except queue.Empty:
            raise AskError(self._silence()) from None
        finally:
            self._link.close()

    def _silence(self) -> str:
        """What to say when the time is up."""
        if not self._link.connected():
            return f"The broker did not take us in in time: {self._link.state()[1]}"
        lapses = self._expires.astimezone().isoformat(timespec="seconds")
        return f"The controller did not answer in time; does it run? The ask lapses by itself at {lapses}."

    def _send(self) -> None:
        left_s = math.ceil((self._expires - datetime.now(UTC)).total_seconds())
        self._link.publish(
            self._topic,
            self._message.model_dump_json(exclude_none=True).encode(),
            properties={
                "response_topic": self._reply_to,
                "correlation_data": self._message.id.encode(),
                "expiry_s": max(1, left_s),
            },
        )

    def _judge(self, reason: ReasonCode) -> None:
        """What the broker says to the ask; MQTT 5 only, 3.1.1 takes everything without a word."""
        if reason.value == NO_MATCHING_SUBSCRIBERS:
            raise AskError(f'The controller is not running: nobody hears "{self._topic}".')
        if reason.is_failure:
            why = str(reason).lower()
            raise AskError(f'The broker refuses the ask ({why}): this user may not publish on "{self._topic}".')

    def _mine(self, message: Message) -> AnswerMessage | None:
        """The answer to this ask; None for what is somebody else's or no answer at all."""
        try:
            answer = AnswerMessage.model_validate_json(message.payload)
        except ValidationError:
            return None
        ours = self._message.id == answer.id or self._message.id.encode() == message.correlation_data
        return answer if ours else None
