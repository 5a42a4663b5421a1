"""The link against a real mosquitto, MQTT 5 and 3.1.1: coming up, falling down, coming back, and what it says."""

import contextlib
import json
import logging
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal

import pytest

from controller.core.actions import Answer
from controller.core.events import Ask, Reading, ReadingRefused
from controller.drivers import mqtt
from controller.drivers.mqtt import Address, MqttLink, Tls
from controller.messages import AnswerMessage, Subscription
from controller.shells.telemetry import NO_AGE, NOT_KEPT
from tests.broker import Ear, Mosquitto, free_port, make_authority, wait_for
from tests.mqtt.kit import SITE, Daemon, Sensor

pytestmark = pytest.mark.real

Protocol = Literal["5", "3.1.1"]
BOTH: tuple[Protocol, ...] = ("5", "3.1.1")
ASK = f"seepward/{SITE}/ask"

Start = Callable[..., Daemon]


@pytest.fixture
def start(broker: Mosquitto) -> Iterator[Start]:
    """Starts daemons on the plain broker, waits until they are up, and ends them afterwards."""
    running: list[Daemon] = []

    def begin(protocol: Protocol = "5", *sensors: Sensor) -> Daemon:
        daemon = Daemon(broker.address(protocol), *sensors)
        running.append(daemon)
        wait_for(daemon.link.connected, "the daemon to be connected")
        daemon.turn()
        return daemon

    yield begin
    for daemon in running:
        daemon.close()


def states_of(
    address: Address, enough: Callable[[list[tuple[bool, str]]], bool], **options: Any
) -> list[tuple[bool, str]]:
    """What a link tells of an address until it is enough."""
    states: list[tuple[bool, str]] = []
    link = MqttLink(address, "seepward-test", on_message=lambda message: None,
                    on_state=lambda up, said: states.append((up, said)), **options)  # fmt: skip
    link.start()
    try:
        wait_for(lambda: enough(states), f"enough of {states}", 15.0)
    finally:
        link.close()
    return states


def one_state(address: Address, **options: Any) -> tuple[bool, str]:
    """The first thing it tells."""
    return states_of(address, lambda states: len(states) > 0, **options)[0]


# --- both ways --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("protocol", BOTH)
def test_a_reading_and_an_ask_come_in_and_an_answer_goes_out(
    broker: Mosquitto, start: Start, protocol: Protocol
) -> None:
    daemon = start(protocol)
    with Ear(broker, f"seepward/{SITE}/#", "phone/1") as ear:
        ear.say("garden/probe", "0.25")
        ear.say(ASK, '{"id": "a-1", "do": "stop"}', ResponseTopic="phone/1", CorrelationData=b"\x01\x02",
                MessageExpiryInterval=30)  # fmt: skip
        wait_for(lambda: len(daemon.turn()) >= 2, "both")
        ask, reading = sorted(daemon.events, key=repr)
        assert isinstance(reading, Reading)
        assert (reading.sensor, reading.value) == ("probe", 0.25)
        assert ask == Ask("a-1", "stop")
        daemon.telemetry.answer(Answer("a-1", True, "Done."))
        topic = "phone/1" if protocol == "5" else f"seepward/{SITE}/answer"  # 3.1.1 cannot say where
        (payload,) = wait_for(lambda: ear.on(topic), "the answer")
        assert AnswerMessage.model_validate_json(payload) == AnswerMessage(id="a-1", ok=True, said="Done.")
        (heard,) = [message for message in ear.heard if message.topic == topic]
        assert not heard.retain
        if protocol == "5":
            assert getattr(heard.properties, "CorrelationData", None) == b"\x01\x02"


@pytest.mark.parametrize("protocol", BOTH)
def test_an_ask_that_the_broker_had_kept_is_not_acted_on(broker: Mosquitto, start: Start, protocol: Protocol) -> None:
    """MQTT 5 does not even hand it over (retain handling 2); 3.1.1 does, marked, and it is refused."""
    with Ear(broker) as ear:
        ear.say(ASK, '{"id": "kept", "do": "stop"}', retain=True)
        daemon = start(protocol)
        ear.say(ASK, '{"id": "live", "do": "stop"}')
        wait_for(lambda: Ask("live", "stop") in daemon.turn(), "the live ask")
    kept = [event for event in daemon.events if isinstance(event, Ask) and event.id == "kept"]
    assert [ask.refused for ask in kept] == ([] if protocol == "5" else [NOT_KEPT])


def test_an_ask_kept_while_we_listen_is_refused_too(broker: Mosquitto, start: Start) -> None:
    """Only MQTT 5 can tell (retain as published)."""
    daemon = start("5")
    with Ear(broker) as ear:
        ear.say(ASK, '{"id": "kept", "do": "stop"}', retain=True)
        wait_for(lambda: Ask("kept", "stop", refused=NOT_KEPT) in daemon.turn(), "the refusal")


@pytest.mark.parametrize("protocol", BOTH)
def test_an_ask_sent_while_we_are_away_vanishes(broker: Mosquitto, start: Start, protocol: Protocol) -> None:
    start(protocol).close()
    with Ear(broker) as ear:
        ear.say(ASK, '{"id": "missed", "do": "stop"}')
        daemon = start(protocol)
        ear.say(ASK, '{"id": "live", "do": "stop"}')
        wait_for(lambda: Ask("live", "stop") in daemon.turn(), "the live ask")
    assert [event.id for event in daemon.events if isinstance(event, Ask)] == ["live"]


@pytest.mark.parametrize("protocol", BOTH)
def test_a_kept_reading_is_told_from_a_live_one_that_its_sensor_wants_kept(
    broker: Mosquitto, start: Start, protocol: Protocol
) -> None:
    with Ear(broker) as ear:
        ear.say("garden/probe", "0.25", retain=True)
        daemon = start(protocol)
        wait_for(lambda: ReadingRefused("probe", NO_AGE) in daemon.turn(), "the refusal")
        ear.say("garden/probe", "0.26", retain=True)
        wait_for(lambda: any(isinstance(event, Reading) for event in daemon.turn()), "the live one")


# --- poison -----------------------------------------------------------------------------------------------------

POISON = [
    b"[" * 4000, b'{"a":' * 2000, b"NaN", b'{"v":1e999}', b"\xff\xfe\x00", b"\x00", b"", b"x" * 12_000, b"x" * 256_000,
    b'"\\ud800"', b'{"v":1,"v":2}', b"9" * 5000, b"true", b"\x1b]0;x\x07",
]  # fmt: skip


@pytest.mark.parametrize("protocol", BOTH)
def test_no_payload_can_stop_the_link(broker: Mosquitto, start: Start, protocol: Protocol) -> None:
    daemon = start(protocol, Sensor("plain"), Sensor("deep", pointer="/v"))
    with Ear(broker) as ear:
        for number, payload in enumerate(POISON):
            ear.say("garden/probe", payload)
            ear.say(ASK, payload)
            ear.say("garden/probe", f"0.{number + 10}")
            value = float(f"0.{number + 10}")
            wait_for(lambda value=value: any(  # type: ignore[misc]
                isinstance(event, Reading) and event.value == value for event in daemon.turn()
            ), f"the good reading after poison {number}")  # fmt: skip
            assert daemon.link.network_alive()
    assert daemon.link.connected()
    assert not any(isinstance(event, Ask) for event in daemon.events)


@pytest.mark.parametrize("protocol", BOTH)
def test_a_giant_never_reaches_the_inbox(broker: Mosquitto, start: Start, protocol: Protocol) -> None:
    """MQTT 5: the broker drops what exceeds our maximum packet size of 16 KiB. 3.1.1: it is cut, and refused."""
    daemon = start(protocol)
    with Ear(broker) as ear:
        ear.say("garden/probe", b"1" * 15_000)
        ear.say("garden/probe", b"1" * 2_000_000)
        ear.say("garden/probe", "0.25")
        wait_for(lambda: any(isinstance(event, Reading) for event in daemon.turn()), "the good one")
    sizes = [len(message.payload) for message in daemon.raw]
    assert sizes == ([15_000, 4] if protocol == "5" else [15_000, 16_384, 4])
    refused = [event.why for event in daemon.events if isinstance(event, ReadingRefused)]
    assert refused == ["The payload is longer than 4096 bytes."] * (len(sizes) - 1)


def test_whatever_raises_in_a_callback_the_network_thread_lives(
    broker: Mosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: Any) -> None:
        raise RecursionError("poison")

    link = MqttLink(broker.address(), "seepward-test", subscriptions=[Subscription("a")], on_message=broken,
                    on_state=broken, on_taken=broken)  # fmt: skip
    link.start()
    try:
        with caplog.at_level(logging.ERROR), Ear(broker) as ear:
            wait_for(link.connected, "the link")
            for _ in range(3):
                ear.say("a", "1")
            link.publish("a", b"1")
            wait_for(lambda: len(caplog.records) >= 5, "each failure to be logged")
            assert link.network_alive()
            broker.stop()
            wait_for(lambda: not link.connected(), "the loss")
            broker.start()
            wait_for(link.connected, "the return")
    finally:
        link.close()


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_dead_network_thread_is_noticed_and_a_restart_brings_a_new_one(broker: Mosquitto, start: Start) -> None:
    """The thread is ended from inside, as an exception in the library would; the library still says "connected"."""
    daemon = start("5")
    client = daemon.link._client
    client.suppress_exceptions = False

    def die(*_: Any) -> None:
        raise SystemExit

    client.on_message = die
    with Ear(broker) as ear:
        ear.say("garden/probe", "0.25")
        wait_for(lambda: not daemon.link.network_alive(), "the thread to die")
        assert client.is_connected()
        assert not daemon.link.connected()
        assert not daemon.link.publish("x", b"1")
        daemon.link.restart()
        wait_for(daemon.link.connected, "the new thread")
        ear.say("garden/probe", "0.26")
        wait_for(lambda: any(isinstance(event, Reading) for event in daemon.turn()), "a reading")
    assert daemon.link._client is not client
    assert daemon.states[-1] == (True, f"Connected to the broker at {broker.address()}.")


# --- down and up again ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("protocol", "how"), [("5", signal.SIGKILL), ("3.1.1", signal.SIGTERM)])
def test_after_a_restart_of_the_broker_everything_is_heard_and_shown_again(
    broker: Mosquitto, start: Start, protocol: Protocol, how: signal.Signals
) -> None:
    daemon = start(protocol)
    with Ear(broker, f"seepward/{SITE}/#") as ear:
        wait_for(lambda: ear.on(f"seepward/{SITE}/status"), "the status to be kept")
    broker.stop(how)
    wait_for(lambda: not daemon.link.connected(), "the loss")
    assert not daemon.states[-1][0]
    broker.start()
    wait_for(daemon.link.connected, "the return")
    with Ear(broker, f"seepward/{SITE}/#") as ear:
        wait_for(lambda: ear.on(f"seepward/{SITE}/status") or daemon.turn(), "the status to be kept anew")
        ear.say("garden/probe", "0.25")
        ear.say(ASK, '{"id": "a-1", "do": "stop"}')
        wait_for(lambda: len(daemon.turn()) >= 2, "a reading and an ask")
    assert [up for up, _ in daemon.states] == [True, False, True]


def test_a_frozen_broker_is_noticed_and_found_again(
    broker: Mosquitto, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a keepalive of 1 s instead of 15: nothing else tells a half-open connection."""
    monkeypatch.setattr(mqtt, "KEEPALIVE_S", 1)
    daemon = start("5")
    broker.freeze()
    wait_for(lambda: not daemon.link.connected(), "the silence to be noticed")
    broker.thaw()
    wait_for(daemon.link.connected, "the return", 15.0)
    assert daemon.link.network_alive()


def test_what_is_queued_while_the_broker_is_away_is_limited(tmp_path: Path) -> None:
    link = MqttLink(Address("127.0.0.1", free_port()), "x", on_message=lambda message: None,
                    on_state=lambda up, said: None)  # fmt: skip
    link.start()
    try:
        taken = [link.publish("a", b"1") for _ in range(1000)]
        assert taken == [True] * 200 + [False] * 800
        assert not link.publish("a", b"1", qos=0)
        assert link.network_alive()
    finally:
        link.close()


WATCHED = """
import sys
from controller.drivers.mqtt import Address, MqttLink
from tests.mqtt.kit import Daemon
daemon = Daemon(Address("127.0.0.1", int(sys.argv[1]), sys.argv[2]))
while not daemon.link.connected():
    pass
daemon.turn()
sys.stdin.read()
"""


@pytest.mark.parametrize("protocol", BOTH)
def test_when_the_daemon_is_killed_the_broker_says_offline(broker: Mosquitto, protocol: Protocol) -> None:
    with Ear(broker, f"seepward/{SITE}/status") as ear:
        child = subprocess.Popen([sys.executable, "-c", WATCHED, str(broker.port), protocol],
                                 stdin=subprocess.PIPE, cwd=Path(__file__).parents[2])  # fmt: skip
        wait_for(lambda: ear.on(f"seepward/{SITE}/status"), "online")
        child.kill()
        child.communicate()
        wait_for(lambda: len(ear.on(f"seepward/{SITE}/status")) > 1, "offline")
        online, offline = ear.on(f"seepward/{SITE}/status")
    assert json.loads(online)["online"] is True
    assert json.loads(offline)["online"] is False
    with Ear(broker, f"seepward/{SITE}/status") as late:
        wait_for(lambda: late.on(f"seepward/{SITE}/status") == [offline], "it to be kept")


def test_a_daemon_that_leaves_says_so_itself_and_no_will_follows(broker: Mosquitto) -> None:
    """Ten times over: a socket closed with something unread would tear the goodbye away now and then."""
    status = f"seepward/{SITE}/status"
    with Ear(broker, status) as ear:
        for _ in range(10):
            daemon = Daemon(broker.address())
            wait_for(daemon.link.connected, "the daemon")
            daemon.turn()
            daemon.telemetry.farewell()
            daemon.close()
        ear.say(status, b"{}")
        wait_for(lambda: b"{}" in ear.on(status), "everything before")
        said = [json.loads(payload).get("said") for payload in ear.on(status)]
    assert [text for text in said if text and "without a goodbye" in text] == []
    assert len([text for text in said if text and "was stopped at" in text]) == 10


# --- what it says when it is not let in -------------------------------------------------------------------------


@pytest.fixture
def guarded_broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """Users with an access list: the controller may do its work, the sensor only its own topic."""
    acl = (
        "user controller\ntopic readwrite seepward/#\ntopic read garden/#\n"
        "user phone\ntopic read seepward/#\ntopic write seepward/school/ask\n"
        "user sensor\ntopic write garden/probe\n"
    )
    users = {"controller": "c-word", "phone": "p-word", "sensor": "s-word"}
    with Mosquitto(tmp_path, users=users, acl=acl) as running:
        yield running


@pytest.mark.parametrize("protocol", BOTH)
def test_a_wrong_password_is_one_sentence_once(
    guarded_broker: Mosquitto, protocol: Protocol, monkeypatch: pytest.MonkeyPatch
) -> None:
    tries: list[Any] = []
    refused = mqtt._refused_at_the_door

    def counted(reason: Any, address: Address) -> str:
        tries.append(reason)
        return refused(reason, address)

    monkeypatch.setattr(mqtt, "_refused_at_the_door", counted)
    address = guarded_broker.address(protocol, "controller", "hunter2-secret")
    wanted = f'The broker at {address} refuses the user "controller"; check mqtt.username and the password.'
    states = states_of(address, lambda states: len(tries) >= 4)
    assert states == [(False, wanted)]
    assert "hunter2" not in repr(address) + str(states)


@pytest.mark.parametrize("protocol", BOTH)
def test_no_login_where_one_is_needed(guarded_broker: Mosquitto, protocol: Protocol) -> None:
    up, said = one_state(guarded_broker.address(protocol))
    assert not up
    assert "a client without a login" in said


def test_a_publication_that_the_access_list_forbids_is_told_once(guarded_broker: Mosquitto) -> None:
    states: list[tuple[bool, str]] = []
    link = MqttLink(guarded_broker.address("5", "phone", "p-word"), "x", on_message=lambda message: None,
                    on_state=lambda up, said: states.append((up, said)))  # fmt: skip
    link.start()
    try:
        wait_for(link.connected, "the link")
        for _ in range(5):
            link.publish("seepward/school/status", b"{}")
        link.publish(ASK, b"{}")
        wait_for(lambda: len(states) > 1, "the refusal")
    finally:
        link.close()
    assert [up for up, _ in states] == [True, True]
    assert 'refuses what we publish on "seepward/school/status"' in states[1][1]


def test_a_sensor_cannot_forge_an_ask_and_a_phone_can_make_one(guarded_broker: Mosquitto) -> None:
    """Judged where it matters: at the daemon."""
    daemon = Daemon(guarded_broker.address("5", "controller", "c-word"))
    try:
        wait_for(daemon.link.connected, "the daemon")
        with Ear(guarded_broker, username="sensor", password="s-word") as sensor:
            sensor.say(ASK, '{"id": "forged", "do": "stop"}')
            sensor.say("garden/probe", "0.25")
        with Ear(guarded_broker, username="phone", password="p-word") as phone:
            phone.say("garden/probe", "0.7")
            phone.say(ASK, '{"id": "real", "do": "stop"}')
        wait_for(lambda: len(daemon.turn()) >= 2, "a reading and an ask")
    finally:
        daemon.close()
    assert [event for event in daemon.events if isinstance(event, Ask)] == [Ask("real", "stop")]
    assert [event.value for event in daemon.events if isinstance(event, Reading)] == [0.25]


def test_nobody_there() -> None:
    port = free_port()
    assert one_state(Address("127.0.0.1", port)) == (
        False, f"No broker answers at 127.0.0.1:{port}; check mqtt.host and mqtt.port, and that the broker runs."
    )  # fmt: skip


def test_a_name_that_does_not_exist() -> None:
    """RFC 6761, 6.4: names under .invalid never exist."""
    up, said = one_state(Address("broker.invalid"))
    assert not up
    assert said == 'The name "broker.invalid" of the broker is not known; check mqtt.host and the network.'


@pytest.mark.parametrize("protocol", BOTH)
def test_two_controllers_with_one_id_are_recognised(broker: Mosquitto, protocol: Protocol) -> None:
    one, two = Daemon(broker.address(protocol)), Daemon(broker.address(protocol))
    try:
        for daemon in (one, two):
            wait_for(lambda daemon=daemon: any("Another client" in said for _, said in daemon.states), "the name")  # type: ignore[misc]
            assert 'the id "seepward-school"' in daemon.link.state()[1]
    finally:
        one.close()
        two.close()


def test_a_broker_that_drops_us_now_and_then_is_not_taken_for_a_second_controller(
    broker: Mosquitto, start: Start
) -> None:
    daemon = start("5")
    for _ in range(3):
        broker.stop()
        wait_for(lambda: not daemon.link.connected(), "the loss")
        broker.start()
        wait_for(daemon.link.connected, "the return")
    assert not any("Another client" in said for _, said in daemon.states)
    assert [up for up, _ in daemon.states] == [True, False] * 3 + [True]


# --- what a broker may say that mosquitto does not --------------------------------------------------------------


@contextlib.contextmanager
def scripted(*script: Callable[[bytes], bytes]) -> Iterator[Address]:
    """A peer that answers one packet after the other as the script says, then hangs up."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def play() -> None:
            with contextlib.suppress(OSError):
                peer, _ = server.accept()
                with peer:
                    for answer in script:
                        peer.sendall(answer(peer.recv(4096)))
                    peer.shutdown(socket.SHUT_WR)
                    peer.recv(4096)

        thread = threading.Thread(target=play, daemon=True)
        thread.start()
        yield Address("127.0.0.1", server.getsockname()[1])
    thread.join(5)


CONNACK = bytes.fromhex("20 03 00 00 00")


@pytest.mark.published(source="MQTT 5.0 (2019), 3.14.2.1: DISCONNECT with reason code 0x8E, Session taken over")
def test_a_broker_that_says_who_took_over_is_believed_at_once() -> None:
    with scripted(lambda connect: CONNACK + bytes.fromhex("e0 02 8e 00")) as address:
        states = states_of(address, lambda states: len(states) >= 2)
    assert states[0][0]
    assert not states[1][0]
    assert 'Another client seems to use the id "seepward-test"' in states[1][1]


@pytest.mark.published(source="MQTT 5.0 (2019), 3.9.3: SUBACK with reason code 0x87, Not authorized, for one of two")
def test_a_topic_that_may_not_be_heard_is_named_and_the_rest_goes_on() -> None:
    def suback(subscribe: bytes) -> bytes:
        return bytes.fromhex("90 05") + subscribe[2:4] + bytes.fromhex("00 01 87")

    wanted = [Subscription("garden/open"), Subscription("garden/closed")]
    with scripted(lambda connect: CONNACK, suback) as address:
        up, said = one_state(address, subscriptions=wanted)
    assert up
    assert said == f'The broker at {address} refuses to let us hear "garden/closed"; see its access list.'


@pytest.mark.published(source="MQTT 5.0 (2019), 3.2.2.2: CONNACK with reason code 0x89, Server busy")
def test_any_other_refusal_at_the_door_is_given_by_its_name() -> None:
    with scripted(lambda connect: bytes.fromhex("20 03 00 89 00")) as address:
        up, said = one_state(address)
    assert not up
    assert said == f"The broker at {address} refuses the connection (server busy)."


@pytest.mark.published(source="MQTT 3.1.1 (2014), 3.2.2.3: CONNACK return code 1, unacceptable protocol version")
def test_an_old_broker_that_refuses_mqtt_5_is_explained() -> None:
    with scripted(lambda connect: bytes.fromhex("20 02 00 01")) as address:
        up, said = one_state(address)
    assert not up
    assert said == f'The broker at {address} does not speak MQTT 5; try mqtt.protocol = "3.1.1".'


def test_something_that_is_no_broker_at_all() -> None:
    with scripted(lambda connect: b"HTTP/1.1 400 Bad Request\r\n\r\n") as address:
        up, said = one_state(address)
    assert not up
    assert "is it an MQTT broker?" in said


@pytest.mark.parametrize("host", ["a..b", "x" * 64, "a\x00b"])
def test_a_host_that_cannot_be_a_name_is_refused_before_a_thread_dies_of_it(host: str) -> None:
    with pytest.raises(ValueError, match=r"^mqtt\.host: .* is not a host name\.$"):
        MqttLink(Address(host), "x", on_message=lambda message: None, on_state=lambda up, said: None)


# --- TLS --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def tls_broker(tmp_path: Path, authority: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path, tls=authority) as running:
        yield running


@pytest.mark.parametrize("protocol", BOTH)
def test_tls_with_its_own_authority(tls_broker: Mosquitto, protocol: Protocol) -> None:
    states = states_of(tls_broker.address(protocol), lambda states: bool(states))
    assert states == [(True, f"Connected to the broker at localhost:{tls_broker.port}.")]


def test_tls_with_a_wrong_authority(tls_broker: Mosquitto, tmp_path: Path) -> None:
    other = make_authority(tmp_path / "other")
    up, said = one_state(tls_broker.address(ca=other / "ca.crt"))
    assert not up
    assert said.startswith(f"The certificate of the broker at localhost:{tls_broker.port} is not trusted (")
    assert "mqtt.tls.ca_file" in said


def test_tls_where_there_is_none(broker: Mosquitto, authority: Path) -> None:
    up, said = one_state(Address("127.0.0.1", broker.port, tls=Tls(str(authority / "ca.crt"))))
    assert not up
    assert "TLS" in said or "hung up" in said or "cannot be reached" in said


def test_certificate_files_that_cannot_be_used_are_named(tmp_path: Path) -> None:
    junk = tmp_path / "junk.crt"
    junk.write_text("no certificate", encoding="ascii")
    for tls, name in ((Tls(str(tmp_path / "none.crt")), "none.crt"), (Tls(str(junk)), "junk.crt"),
                      (Tls(None, str(junk), str(junk)), "cert_file")):  # fmt: skip
        with pytest.raises(ValueError, match=name):
            MqttLink(Address(tls=tls), "x", on_message=lambda message: None, on_state=lambda up, said: None)
