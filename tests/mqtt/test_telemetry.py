"""Messages to events and back, with a paper broker and a clock that stands still."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from controller.core.actions import Answer
from controller.core.events import Ask, Event, Reading, ReadingRefused, Woke
from controller.messages import AnswerMessage, Message
from controller.shells.telemetry import NO_AGE, NOT_KEPT, WAITING_MOST, Telemetry
from tests.mqtt.kit import NOON, SITE, Sensor, desk

ASK = f"seepward/{SITE}/ask"
ANSWER = f"seepward/{SITE}/answer"


def asked(telemetry: Telemetry, payload: dict[str, Any] | bytes, **envelope: Any) -> list[Event]:
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    telemetry.receive(Message(ASK, raw, **envelope))
    return telemetry.events()


def only_ask(events: list[Event]) -> Ask:
    (ask,) = events
    assert isinstance(ask, Ask)
    return ask


# --- readings -----------------------------------------------------------------------------------------------


def test_a_reading_without_own_time_counts_from_its_arrival_not_from_when_it_was_read() -> None:
    telemetry, hands, _, rung = desk()
    telemetry.receive(Message("garden/probe", b"0.25"))
    hands.pass_s(30)
    assert telemetry.events() == [Reading("probe", 0.25, NOON)]
    assert telemetry.events() == []
    assert rung == [Woke()]


def test_one_message_can_serve_several_sensors_and_fail_for_one() -> None:
    moist = Sensor("moist", topic="n/1", pointer="/m", unit="%")
    warm = Sensor("warm", kind="air temperature", topic="n/1", pointer="/t", unit="°C")
    telemetry, _, _, _ = desk(moist, warm)
    telemetry.receive(Message("n/1", b'{"m": 30, "t": null}'))
    good, bad = telemetry.events()
    assert good == Reading("moist", 0.3, NOON)
    assert bad == ReadingRefused("warm", "null at '/t' is not a number.")
    assert telemetry.refused == {"warm": 1}


def test_a_kept_reading_without_own_time_is_of_unknown_age_and_refused() -> None:
    telemetry, _, _, _ = desk()
    telemetry.receive(Message("garden/probe", b"0.25", retained=True))
    assert telemetry.events() == [ReadingRefused("probe", NO_AGE)]


def test_the_kept_word_of_a_switch_is_how_it_stands_and_is_taken_once() -> None:
    telemetry, _, _, _ = desk(Sensor("button", kind="stop switch", topic="n/stop"))
    kept, lifted = (Message("n/stop", word, retained=True) for word in (b"on", b"off"))
    telemetry.receive(kept)
    assert telemetry.events() == [Reading("button", 1.0, NOON)]
    telemetry.receive(kept)  # handed over again after every reconnect
    assert telemetry.events() == []
    telemetry.receive(lifted)
    assert telemetry.events() == [Reading("button", 0.0, NOON)]
    assert telemetry.refused == {}


def test_the_kept_word_of_a_job_switch_may_be_of_another_time() -> None:
    telemetry, _, _, _ = desk(Sensor("cloth", kind="job switch", topic="n/cloth"))
    telemetry.receive(Message("n/cloth", b"on", retained=True))
    assert telemetry.events() == [ReadingRefused("cloth", NO_AGE)]


def test_a_kept_reading_with_own_time_counts_from_that_time_and_once() -> None:
    telemetry, _, _, _ = desk(Sensor(pointer="/v", time_pointer="/t"))
    kept = Message("garden/probe", b'{"v": 0.25, "t": "2026-07-13T09:00:00+01:00"}', retained=True)
    telemetry.receive(kept)
    assert telemetry.events() == [Reading("probe", 0.25, datetime(2026, 7, 13, 8, tzinfo=UTC))]
    telemetry.receive(kept)  # handed over again after every reconnect
    assert telemetry.events() == []
    assert telemetry.refused == {}


def test_rain_that_is_delivered_twice_falls_once() -> None:
    telemetry, _, _, _ = desk(Sensor("rain", kind="rain", unit="mm", pointer="/v", time_pointer="/t"))
    bucket = Message("garden/probe", b'{"v": 3, "t": "2026-07-13T11:00:00Z"}')
    telemetry.receive(bucket)
    telemetry.receive(bucket)
    assert len(telemetry.events()) == 1


def test_a_burst_of_old_readings_is_handed_over_with_its_old_times() -> None:
    telemetry, _, _, _ = desk(Sensor(pointer="/v", time_pointer="/t"))
    for hour in (6, 8, 7):
        telemetry.receive(Message("garden/probe", f'{{"v":0.2,"t":"2026-07-13T0{hour}:00:00Z"}}'.encode()))
    assert [event.at.hour for event in telemetry.events() if isinstance(event, Reading)] == [6, 8, 7]


def test_a_time_in_the_future_is_refused_as_long_as_our_own_clock_is_to_be_trusted() -> None:
    telemetry, hands, _, _ = desk(Sensor(pointer="/v", time_pointer="/t"))
    ahead = Message("garden/probe", b'{"v": 0.2, "t": "2026-07-13T12:06:00Z"}')
    telemetry.receive(ahead)
    (refused,) = telemetry.events()
    assert isinstance(refused, ReadingRefused)
    assert "future" in refused.why
    hands.trusted = False
    telemetry.receive(ahead)
    assert telemetry.events() == [Reading("probe", 0.2, NOON + timedelta(minutes=6))]


def test_a_flood_pushes_out_the_oldest_of_its_own_topic_and_is_told_once() -> None:
    telemetry, hands, _, rung = desk(Sensor(unit="%"), Sensor("calm", topic="garden/calm"))
    telemetry.receive(Message("garden/calm", b"0.3"))
    hands.pass_s(1)
    for number in range(1500):
        telemetry.receive(Message("garden/probe", str(number % 70).encode()))
    telemetry.receive(Message(ASK, b'{"id": "halt", "do": "stop"}'))
    stop, lost, calm, *flood = telemetry.events()
    assert stop == Ask("halt", "stop")
    assert lost == ReadingRefused("probe", f"{1500 - WAITING_MOST} messages came too fast to be read.")
    assert calm == Reading("calm", 0.3, NOON)
    assert [round(event.value * 100) for event in flood if isinstance(event, Reading)] == [
        number % 70 for number in range(1500 - WAITING_MOST, 1500)
    ]
    assert telemetry.refused["probe"] == 1500 - WAITING_MOST
    assert rung == [Woke()]


def test_asks_are_never_pushed_out() -> None:
    telemetry, _, _, _ = desk()
    for number in range(3000):
        telemetry.receive(Message(ASK, f'{{"id": "a{number}", "do": "stop"}}'.encode()))
    assert [event.id for event in telemetry.events() if isinstance(event, Ask)] == [f"a{n}" for n in range(3000)]


def test_what_nobody_reads_is_counted_and_a_cleared_reading_is_nothing() -> None:
    telemetry, _, _, _ = desk()
    telemetry.receive(Message("elsewhere", b"1"))
    telemetry.receive(Message("garden/probe", b"", retained=True))
    assert telemetry.events() == []
    assert telemetry.refused == {"elsewhere": 1}


# --- asks ---------------------------------------------------------------------------------------------------


def test_an_ask_comes_through_whole() -> None:
    telemetry, _, paper, _ = desk()
    whole = {"id": "a-1", "do": "hold", "zone": "salad", "until": "2026-07-14T06:00:00+01:00",
             "expires": "2026-07-13T13:00:30+01:00"}  # fmt: skip
    assert asked(telemetry, whole) == [
        Ask("a-1", "hold", "salad", until=datetime(2026, 7, 14, 5, tzinfo=UTC), expires=NOON + timedelta(seconds=30))
    ]
    assert asked(telemetry, {"id": "a-2", "do": "water", "zone": "salad", "litres": 20}) == [
        Ask("a-2", "water", "salad", litres=20.0)
    ]
    assert paper.said == []


MALFORMED = [
    {"do": "explode"}, {"do": "Water", "zone": "x"}, {"do": True}, {"do": None}, {}, {"do": "water"},
    {"do": "water", "zone": "salad", "litres": -5}, {"do": "water", "zone": "salad", "litres": 0},
    {"do": "water", "zone": "salad", "litres": "20"}, {"do": "water", "zone": "salad", "litres": True},
    {"do": "water", "zone": "salad", "litres": 1e9}, {"do": "water", "zone": "salad", "litres": 5, "mm": 5},
    {"do": "water", "zone": "salad", "litre": 5}, {"do": "water", "zone": "Salad Bed"}, {"do": "water", "zone": 7},
    {"do": "water", "zone": "../x"}, {"do": "water", "zone": "x" * 100}, {"do": "stop", "litres": 5},
    {"do": "hold", "until": "tomorrow"}, {"do": "hold", "until": "2026-07-14T06:00:00"}, {"do": "hold", "until": 5},
    {"do": "stop", "expires": "soon"}, {"do": "stop", "expires": "2026-07-14"}, {"do": "job-done"},
    {"do": "job-done", "job": "x\n=cmd"}, {"do": "stop", "why": "\u001b[31m"}, {"do": ["stop"]},
]  # fmt: skip


@pytest.mark.parametrize("wish", MALFORMED, ids=str)
def test_a_malformed_ask_with_an_id_goes_to_the_core_with_its_refusal(wish: dict[str, Any]) -> None:
    telemetry, _, paper, _ = desk()
    ask = only_ask(asked(telemetry, {"id": "a-1", **wish}))
    assert ask.id == "a-1"
    assert ask.refused is not None
    assert ask.refused.endswith(".")
    assert ask.refused.isprintable()
    assert (ask.zone, ask.litres, ask.minutes, ask.mm) == (None, None, None, None)
    assert paper.said == []
    assert telemetry.refused["ask"] == 1


NO_ID = [
    b"", b"stop", b"null", b"[]", b'"stop"', b"7", b'{"do": "stop"}', b'{"id": "", "do": "stop"}',
    b'{"id": null, "do": "stop"}', b'{"id": 7, "do": "stop"}', b'{"id": "a b", "do": "stop"}',
    b'{"id": "a\\nb", "do": "stop"}', b'{"id": "' + b"a" * 65 + b'", "do": "stop"}',
    b'{"id": "\\ud800", "do": "stop"}', b'{"id": "a", "id": "b", "do": "stop"}', b'{"id": "a", "do": "stop", "x": NaN}',
    b'{"id": "a", "do": "stop"', b"\xff\xfe", b"[" * 4000, b'{"id": "a", "do": "stop", "x": "' + b"y" * 5000 + b'"}',
]  # fmt: skip


@pytest.mark.parametrize("payload", NO_ID, ids=lambda payload: ascii(payload[:30]))
def test_an_ask_without_a_usable_id_is_answered_at_once_with_a_null_id(payload: bytes) -> None:
    telemetry, _, paper, _ = desk()
    assert asked(telemetry, payload, response_topic="phone/7", correlation_data=b"c") == []
    ((topic, said, retained, properties),) = paper.said
    answer = AnswerMessage.model_validate_json(said)
    assert (topic, retained, properties["correlation_data"]) == ("phone/7", False, b"c")
    assert (answer.id, answer.ok) == (None, False)
    assert answer.said.isprintable()


def test_a_kept_ask_is_refused_and_its_clearing_is_nothing() -> None:
    telemetry, _, paper, _ = desk()
    stop = {"id": "a-1", "do": "stop"}
    assert only_ask(asked(telemetry, stop, retained=True)).refused == NOT_KEPT
    assert asked(telemetry, b"", retained=True) == []
    assert paper.said == []


def test_an_ask_past_its_time_is_refused_unless_our_own_clock_cannot_say() -> None:
    telemetry, hands, _, _ = desk()
    wish = {"id": "a-1", "do": "stop", "expires": "2026-07-13T12:00:00Z"}
    assert only_ask(asked(telemetry, wish)).refused == "The ask lapsed at 2026-07-13T12:00:00+00:00."
    hands.trusted = False
    assert only_ask(asked(telemetry, wish)).refused is None
    hands.trusted, hands.behind_s = True, 60 * 86_400.0
    assert only_ask(asked(telemetry, wish)).refused is None


def test_an_ask_that_waited_beyond_its_mqtt_lifetime_is_refused_whatever_the_wall_clock_does() -> None:
    telemetry, hands, _, _ = desk()
    telemetry.receive(Message(ASK, b'{"id": "a-1", "do": "stop"}', expiry_s=5))
    hands.mono_s += 6
    hands.utc -= timedelta(hours=1)
    assert only_ask(telemetry.events()).refused == "The ask lapsed before it could be read."


# --- answers ------------------------------------------------------------------------------------------------


def test_an_answer_goes_where_the_ask_said_with_its_correlation_data() -> None:
    telemetry, _, paper, _ = desk()
    asked(telemetry, {"id": "a-1", "do": "stop"}, response_topic=f"{ANSWER}/phone", correlation_data=b"\x00\xff")
    telemetry.answer(Answer("a-1", True, "All valves are closed.", {"at": NOON, "mm": float("nan"), "zones": ("a",)}))
    ((topic, said, retained, properties),) = paper.take()
    assert topic == f"{ANSWER}/phone"
    assert properties == {"expiry_s": 60, "correlation_data": b"\x00\xff"}
    assert not retained
    assert json.loads(said) == {
        "id": "a-1", "ok": True, "said": "All valves are closed.",
        "facts": {"at": "2026-07-13T12:00:00Z", "mm": None, "zones": ["a"]},
    }  # fmt: skip


def test_the_same_id_from_two_senders_is_answered_to_both_in_turn() -> None:
    telemetry, _, paper, _ = desk()
    for phone in ("phone/1", "phone/2"):
        asked(telemetry, {"id": "a-1", "do": "stop"}, response_topic=phone)
    for _ in range(3):
        telemetry.answer(Answer("a-1", True, "Done."))
    assert [topic for topic, *_ in paper.said] == ["phone/1", "phone/2", ANSWER]


@pytest.mark.parametrize(
    "topic",
    [f"seepward/{SITE}/status", ASK, f"seepward/{SITE}/zone/salad", "seepward/other/ask", "garden/probe", "a/+", "#",
     "", "$SYS/x", "x" * 1001, f"{ANSWER}x"],
)  # fmt: skip
def test_a_response_topic_that_could_do_harm_is_not_used(topic: str) -> None:
    telemetry, _, paper, _ = desk()
    asked(telemetry, {"id": "a-1", "do": "stop"}, response_topic=topic)
    telemetry.answer(Answer("a-1", True, "Done."))
    assert [said[0] for said in paper.said] == [ANSWER]


def test_ways_back_of_asks_that_are_never_answered_do_not_pile_up() -> None:
    telemetry, _, _, _ = desk()
    for number in range(2000):
        asked(telemetry, {"id": f"a{number}", "do": "stop"})
    assert len(telemetry._routes) == 500


# --- views --------------------------------------------------------------------------------------------------

STATUS = {"online": True, "said": "Fine.", "started": NOON}
FAULT = {"id": "probe", "since": NOON, "said": "The probe is silent."}


def paths(said: list[tuple[str, bytes, bool, dict[str, Any]]]) -> dict[str, Any]:
    assert all(retained for _, _, retained, _ in said)
    return {topic.removeprefix(f"seepward/{SITE}/"): json.loads(payload or b"null") for topic, payload, *_ in said}


def test_views_are_published_kept_and_only_when_they_change() -> None:
    telemetry, _, paper, _ = desk()
    telemetry.show({"status": STATUS, "fault/probe": FAULT})
    first = paths(paper.take())
    assert first["status"]["started"] == "2026-07-13T12:00:00Z"
    assert first.keys() == {"status", "fault/probe"}
    telemetry.show({"status": STATUS, "fault/probe": FAULT})
    assert paper.take() == []
    telemetry.show({"status": {**STATUS, "said": "Hot."}, "fault/probe": FAULT})
    assert paths(paper.take()).keys() == {"status"}


def test_a_view_that_is_gone_is_emptied_once() -> None:
    telemetry, _, paper, _ = desk()
    telemetry.show({"status": STATUS, "fault/probe": FAULT})
    paper.take()
    telemetry.show({"status": STATUS})
    assert [(topic, payload) for topic, payload, *_ in paper.take()] == [(f"seepward/{SITE}/fault/probe", b"")]
    telemetry.show({"status": STATUS})
    assert paper.take() == []


def test_what_an_earlier_run_left_with_the_broker_is_emptied() -> None:
    telemetry, _, paper, _ = desk()
    telemetry.receive(Message(f"seepward/{SITE}/fault/old", b'{"id":"old"}', retained=True))
    telemetry.receive(Message(f"seepward/{SITE}/fault/probe", b'{"id":"probe"}', retained=True))
    telemetry.receive(Message(f"seepward/{SITE}/zone/live", b"{}"))  # an echo, not kept
    paper.room = 0
    telemetry.show({"fault/probe": FAULT})
    paper.room = 10
    telemetry.show({"fault/probe": FAULT})
    assert {topic.rsplit("/", 1)[1]: payload == b"" for topic, payload, *_ in paper.take()} == {
        "old": True,
        "probe": False,
    }


def test_after_a_reconnect_everything_is_published_again() -> None:
    telemetry, _, paper, rung = desk()
    views = {"status": STATUS, "fault/probe": FAULT}
    telemetry.show(views)
    paper.take()
    paper.up = False
    telemetry.link_changed(False, "Lost.")
    telemetry.show({**views, "status": {**STATUS, "said": "Nobody hears this."}})
    assert paper.take() == []
    paper.up = True
    telemetry.link_changed(True, "Connected.")
    telemetry.show(views)
    assert paths(paper.take()).keys() == {"status", "fault/probe"}
    assert rung == [Woke(), Woke()]


def test_what_a_full_queue_did_not_take_is_tried_again() -> None:
    telemetry, _, paper, _ = desk()
    paper.room = 1
    telemetry.show({"status": STATUS, "fault/probe": FAULT})
    paper.room = 10
    telemetry.show({"status": STATUS, "fault/probe": FAULT})
    assert [topic for topic, *_ in paper.said] == [f"seepward/{SITE}/status", f"seepward/{SITE}/fault/probe"]


@pytest.mark.parametrize(
    ("path", "view"),
    [("status", {**STATUS, "forecast_age_h": float("nan")}), ("status", {**STATUS, "sad": 1}), ("status", {}),
     ("status", {**STATUS, "started": NOON.replace(tzinfo=None)}), ("nowhere", STATUS), ("answer", {})],
)  # fmt: skip
def test_an_unfit_view_is_left_out_and_logged_once(
    path: str, view: dict[str, Any], caplog: pytest.LogCaptureFixture
) -> None:
    telemetry, _, paper, _ = desk()
    for _ in range(3):
        telemetry.show({path: view, "fault/probe": FAULT})
    assert paths(paper.take()).keys() == {"fault/probe"}
    assert len([record for record in caplog.records if path in record.getMessage()]) == 1


def test_the_will_and_the_farewell_say_offline() -> None:
    telemetry, _, paper, _ = desk()
    assert telemetry.will().topic == f"seepward/{SITE}/status"
    assert json.loads(telemetry.will().payload)["online"] is False
    telemetry.farewell()
    said = paths(paper.take())["status"]
    assert said["online"] is False
    assert "2026-07-13T12:00:00+00:00" in said["said"]
