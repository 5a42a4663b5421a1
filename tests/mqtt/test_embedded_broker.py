"""The broker of the demo, in both kinds, and what happens when there is none."""

import socket
import sys
from pathlib import Path

import pytest

from controller.core.events import Ask, Reading
from controller.drivers import mqtt
from controller.drivers.embedded_broker import Broker, BrokerError, mosquitto
from controller.drivers.mqtt import Address, MqttLink
from tests.broker import wait_for
from tests.mqtt.kit import SITE, Daemon

pytestmark = pytest.mark.real


@pytest.mark.parametrize(("program", "protocol"), [(mosquitto(), "5"), (None, "3.1.1")])
def test_a_demo_can_run_on_it_and_it_is_gone_afterwards(program: str | None, protocol: str) -> None:
    with Broker(program) as broker:
        assert broker.protocol == protocol
        address = Address(broker.host, broker.port, broker.protocol)
        daemon = Daemon(address)
        talker = MqttLink(address, "talker", on_message=lambda message: None, on_state=lambda up, said: None)
        talker.start()
        try:
            wait_for(lambda: daemon.link.connected() and talker.connected(), "both")
            daemon.turn()
            talker.publish("garden/probe", b"0.25")
            talker.publish(f"seepward/{SITE}/ask", b'{"id": "a", "do": "stop"}')
            wait_for(lambda: len(daemon.turn()) >= 2, "a reading and an ask")
        finally:
            talker.close()
            daemon.close()
        assert Ask("a", "stop") in daemon.events
        assert any(isinstance(event, Reading) for event in daemon.events)
    with pytest.raises(OSError, match="refused"):
        socket.create_connection((broker.host, broker.port), timeout=1)


@pytest.mark.parametrize("program", [mosquitto(), None])
def test_no_other_machine_can_reach_it(program: str | None) -> None:
    """/proc/net/tcp has the local address of every listening socket; 0100007F is 127.0.0.1."""
    with Broker(program) as broker:
        rows = Path("/proc/net/tcp").read_text(encoding="ascii").splitlines()
        rows += Path("/proc/net/tcp6").read_text(encoding="ascii").splitlines()
        listening = [row.split()[1] for row in rows if f":{broker.port:04X} " in row and row.split()[3] == "0A"]
    assert listening == [f"0100007F:{broker.port:04X}"]


def test_mqtt_5_on_a_broker_that_knows_only_3_1_1_is_explained(monkeypatch: pytest.MonkeyPatch) -> None:
    """It says nothing at all, so only the keepalive (1 s here, 15 in a garden) ends the wait."""
    monkeypatch.setattr(mqtt, "KEEPALIVE_S", 1)
    states: list[tuple[bool, str]] = []
    with Broker(None) as broker:
        link = MqttLink(Address(broker.host, broker.port, "5"), "x", on_message=lambda message: None,
                        on_state=lambda up, said: states.append((up, said)))  # fmt: skip
        link.start()
        wait_for(lambda: states, "a word", 15.0)
        link.close()
    assert not states[0][0]
    assert 'try mqtt.protocol = "3.1.1"' in states[0][1]


def test_a_program_that_does_not_start_is_named(tmp_path: Path) -> None:
    broken = tmp_path / "mosquitto"
    broken.write_text("#!/bin/sh\necho 'out of paper' >&2\nexit 3\n", encoding="ascii")
    broken.chmod(0o755)
    with pytest.raises(BrokerError, match=r"mosquitto does not start: out of paper\.$"):
        Broker(str(broken)).__enter__()


def test_without_either_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "amqtt.broker", None)
    with pytest.raises(BrokerError, match="install mosquitto, or amqtt"):
        Broker(None).__enter__()
