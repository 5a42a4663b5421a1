"""The broker's shipped config and access list, tried on a real mosquitto: who gets in, who may say and hear what."""

import os
import re
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from controller.drivers.embedded_broker import mosquitto
from tests.broker import HOST, Ear, Mosquitto, wait_for
from tests.layout.source import ROOT

pytestmark = [pytest.mark.real, pytest.mark.skipif(mosquitto() is None, reason="needs mosquitto")]

USERS = {"seepward": "one", "gardener": "two", "tomatoes-probe": "three"}
OWN_TOPIC = "garden/tomatoes/moisture"


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """The recipe as shipped, less its places, with the sensor that its comment gives as an example."""
    folder = tmp_path_factory.mktemp("broker")
    broker = Mosquitto(folder, users=USERS, acl=_acl())
    recipe = (ROOT / "deploy" / "mosquitto-seepward.conf").read_text("utf-8")
    recipe = recipe.replace("/etc/mosquitto/seepward.pw", str(folder / "passwords"))
    recipe = recipe.replace("/etc/mosquitto/seepward.acl", str(folder / "acl"))
    recipe, listeners = re.subn(r"^listener 1883 localhost$", f"listener {broker.port} localhost", recipe, flags=re.M)
    assert listeners == 1, "the recipe has moved"
    user = "user root\n" if os.geteuid() == 0 else ""
    Path(folder, "broker.conf").write_text(f"{user}persistence false\nlog_dest stderr\n{recipe}", "utf-8")
    with broker:
        yield broker


def _acl() -> str:
    """The access list with its example taken out of the comment."""
    text = (ROOT / "deploy" / "mosquitto-seepward.acl").read_text("utf-8")
    example = re.findall(r"^#   (.*)$", text, flags=re.M)
    assert example == ["user tomatoes-probe", f"topic write {OWN_TOPIC}"]
    return text + "\n" + "\n".join(example) + "\n"


def ear(broker: Mosquitto, user: str, *topics: str) -> Ear:
    return Ear(broker, *topics, username=user, password=USERS[user])


@pytest.mark.parametrize(("user", "password"), [(None, None), ("seepward", "guess"), ("nobody", "one")])
def test_nobody_gets_in_without_the_right_password(broker: Mosquitto, user: str | None, password: str | None) -> None:
    answers: list[ReasonCode] = []
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.username_pw_set(user, password)
    client.on_connect = lambda client, data, flags, reason, properties: answers.append(reason)
    client.connect(HOST, broker.port)
    client.loop_start()
    try:
        answer = wait_for(lambda: answers, "the broker to refuse")[0]
    finally:
        client.loop_stop()
    assert answer.is_failure


@pytest.mark.parametrize(
    ("user", "topic", "heard"),
    [
        ("tomatoes-probe", OWN_TOPIC, True),
        ("tomatoes-probe", "garden/salad", False),
        ("tomatoes-probe", "seepward/home/ask", False),
        ("tomatoes-probe", "seepward/home/zone/tomatoes", False),
        ("gardener", "seepward/home/ask", True),
        ("gardener", "seepward/home/zone/tomatoes", False),
        ("gardener", OWN_TOPIC, False),
        ("seepward", "seepward/home/zone/tomatoes", True),
        ("seepward", "seepward/home/ask", True),
        ("seepward", OWN_TOPIC, False),
    ],
)
def test_each_user_may_say_only_what_is_its_own(broker: Mosquitto, user: str, topic: str, heard: bool) -> None:
    """What the daemon hears. A last word that it may hear for certain tells that nothing more is coming."""
    with ear(broker, "seepward", topic, "seepward/end") as daemon, ear(broker, user) as speaker:
        speaker.say(topic, b"word")
        with ear(broker, "seepward") as last:
            last.say("seepward/end", b"")
        wait_for(lambda: daemon.on("seepward/end"), "the last word")
        assert daemon.on(topic) == ([b"word"] if heard else [])


def test_a_sensor_hears_nothing_of_the_garden(broker: Mosquitto) -> None:
    with (
        ear(broker, "tomatoes-probe", "seepward/#", OWN_TOPIC) as sensor,
        ear(broker, "gardener", "seepward/#") as gardener,
        ear(broker, "seepward") as daemon,
    ):
        daemon.say("seepward/home/status", b"here")
        wait_for(lambda: gardener.on("seepward/home/status"), "the gardener to hear")
        assert sensor.heard == []
