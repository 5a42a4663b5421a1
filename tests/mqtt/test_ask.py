"""One ask and its answer, as the command line makes it, against a real broker with and without a controller."""

import json
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import pytest

from controller.core.actions import Answer
from controller.core.events import Ask
from controller.drivers.mqtt import Address, AskError, ask_over_mqtt
from controller.messages import AnswerMessage
from tests.broker import Ear, Mosquitto, free_port, wait_for
from tests.mqtt.kit import SITE, Daemon

pytestmark = pytest.mark.real

Protocol = Literal["5", "3.1.1"]
BOTH: tuple[Protocol, ...] = ("5", "3.1.1")


class Answering:
    """A daemon that answers every ask, in a thread that turns until it is told to stop."""

    def __init__(self, address: Address) -> None:
        self.daemon = Daemon(address)
        wait_for(self.daemon.link.connected, "the daemon")
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._turn, daemon=True)
        self._thread.start()

    def _turn(self) -> None:
        done = 0
        while not self._over.wait(0.005):
            for event in self.daemon.turn()[done:]:
                done += 1
                if isinstance(event, Ask):
                    facts = {"zone": event.zone, "litres": event.litres}
                    said = event.refused or f"Done: {event.do}."
                    self.daemon.telemetry.answer(Answer(event.id, event.refused is None, said, facts))

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self.daemon.close()


@pytest.fixture
def answering(broker: Mosquitto) -> Iterator[Daemon]:
    answering = Answering(broker.address())
    yield answering.daemon
    answering.close()


@pytest.mark.parametrize("protocol", BOTH)
def test_an_ask_gets_its_answer(broker: Mosquitto, answering: Daemon, protocol: Protocol) -> None:
    answer = ask_over_mqtt(broker.address(protocol), SITE, {"do": "water", "zone": "salad", "litres": 20}, 5)
    (ask,) = [event for event in answering.events if isinstance(event, Ask)]
    assert answer == AnswerMessage(id=ask.id, ok=True, said="Done: water.", facts={"zone": "salad", "litres": 20.0})
    assert ask.expires is not None
    assert timedelta(seconds=25) < ask.expires - datetime.now(UTC) <= timedelta(seconds=30)


@pytest.mark.parametrize("protocol", BOTH)
def test_many_at_once_get_each_their_own_answer(broker: Mosquitto, answering: Daemon, protocol: Protocol) -> None:
    got: dict[int, Any] = {}

    def ask(litres: int) -> None:
        wish = {"do": "water", "zone": "salad", "litres": litres}
        got[litres] = ask_over_mqtt(broker.address(protocol), SITE, wish, 10).facts["litres"]

    askers = [threading.Thread(target=ask, args=(litres,)) for litres in range(1, 9)]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    assert got == {litres: litres for litres in range(1, 9)}


def test_a_chosen_id_and_time_are_kept_and_a_lapsed_ask_is_answered_with_a_no(
    broker: Mosquitto, answering: Daemon
) -> None:
    past = datetime.now(UTC) - timedelta(seconds=1)
    answer = ask_over_mqtt(broker.address(), SITE, {"do": "stop", "id": "mine", "expires": past}, 5)
    assert (answer.id, answer.ok) == ("mine", False)
    assert "lapsed" in answer.said


def test_a_round_trip_is_quick(broker: Mosquitto, answering: Daemon) -> None:
    """Without TCP_NODELAY on both sides the broker's answer waits about 40 to 95 ms for a delayed acknowledgement."""
    with Ear(broker, "phone/1") as ear:
        taken = []
        for number in range(20):
            began = time.perf_counter()
            ear.say(f"seepward/{SITE}/ask", f'{{"id": "a{number}", "do": "stop"}}', ResponseTopic="phone/1")
            wait_for(lambda number=number: len(ear.on("phone/1")) > number, "the answer")  # type: ignore[misc]
            taken.append(time.perf_counter() - began)
    assert sorted(taken)[10] < 0.04, f"median of {taken}"


def test_mqtt_5_says_at_once_that_nobody_hears(broker: Mosquitto) -> None:
    began = time.monotonic()
    with pytest.raises(AskError, match=r'^The controller is not running: nobody hears "seepward/school/ask"\.$'):
        ask_over_mqtt(broker.address(), SITE, {"do": "stop"}, 10)
    assert time.monotonic() - began < 3


def test_3_1_1_has_to_wait_and_says_when_the_ask_lapses(broker: Mosquitto) -> None:
    said = r"^The controller did not answer in time; does it run\? The ask lapses by itself at 20"
    with pytest.raises(AskError, match=said):
        ask_over_mqtt(broker.address("3.1.1"), SITE, {"do": "stop"}, 0.3)


def test_answers_to_others_and_rubbish_are_not_taken_for_ours(broker: Mosquitto) -> None:
    with Ear(broker, f"seepward/{SITE}/ask") as ear:
        outcome: list[AnswerMessage] = []
        asker = threading.Thread(
            target=lambda: outcome.append(ask_over_mqtt(broker.address("3.1.1"), SITE, {"do": "stop"}, 8))
        )
        asker.start()
        (ask,) = wait_for(lambda: ear.on(f"seepward/{SITE}/ask"), "the ask")
        topic = f"seepward/{SITE}/answer"
        for rubbish in (b"", b"\xff", b"[" * 3000, b'{"id": "other", "ok": true, "said": "No."}', b'{"id": null}'):
            ear.say(topic, rubbish)
        ear.say(topic, json.dumps({"id": json.loads(ask)["id"], "ok": True, "said": "Yes."}))
        asker.join()
    assert [answer.said for answer in outcome] == ["Yes."]


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        ({"do": "explode"}, '"do": '),
        ({"do": "water"}, '"water" needs the id of a zone'),
        ({"do": "water", "zone": "x", "litres": float("nan")}, '"litres": '),
        ({"do": "water", "zone": "x", "litre": 5}, '"litre": '),
    ],
)
def test_a_malformed_ask_is_not_even_sent(wish: dict[str, Any], said: str) -> None:
    with pytest.raises(AskError) as refused:
        ask_over_mqtt(Address("127.0.0.1", free_port()), SITE, wish)
    assert said.strip('"').lower() in str(refused.value).strip('"').lower()


def test_no_broker_is_said_at_once() -> None:
    with pytest.raises(AskError, match=r"^No broker answers at 127\.0\.0\.1:"):
        ask_over_mqtt(Address("127.0.0.1", free_port()), SITE, {"do": "stop"}, 10)


def test_a_user_without_the_right_to_ask_is_told_so(tmp_path: Path) -> None:
    acl = "user guest\ntopic read seepward/#\n"
    with Mosquitto(tmp_path, users={"guest": "g"}, acl=acl) as broker:
        with pytest.raises(AskError, match=r"this user may not publish on"):
            ask_over_mqtt(broker.address("5", "guest", "g"), SITE, {"do": "stop"}, 10)
        with pytest.raises(AskError, match=r'refuses the user "guest"'):
            ask_over_mqtt(broker.address("5", "guest", "wrong"), SITE, {"do": "stop"}, 10)
