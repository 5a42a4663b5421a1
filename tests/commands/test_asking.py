"""water, stop, hold, release, relearn, jobs done: over a real broker, with somebody there who answers; and close."""

import json
import os
import re
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from controller.commands import CommandError, close
from controller.commands.hold import instant
from tests.broker import Ear, Mosquitto, wait_for
from tests.commands.conftest import NOW, Call, Said
from tests.guard.diary_pins import VARIABLE, read

ASK = "seepward/school-garden/ask"
LISBON = ZoneInfo("Europe/Lisbon")


@pytest.fixture
def broker(tmp_path: Path, config: Path) -> Iterator[Mosquitto]:
    """A broker, and the config pointing at it."""
    with Mosquitto(tmp_path) as running:
        config.write_text(re.sub(r"port = \d+", f"port = {running.port}", config.read_text(), count=1))
        yield running


class Conversation:
    """Calls a command in a thread and answers its ask in the daemon's place."""

    def __init__(self, broker: Mosquitto, call: Call) -> None:
        self._broker, self._call = broker, call

    def __call__(
        self, *arguments: str, ok: bool = True, said: str = "Very well."
    ) -> tuple[dict[str, Any], Said]:
        with Ear(self._broker, ASK) as daemon:  # like the daemon, it is there before the ask is
            came: list[Said] = []
            thread = threading.Thread(target=lambda: came.append(self._call(*arguments)))
            thread.start()
            wait_for(lambda: daemon.heard, "the ask")
            [message] = daemon.heard
            ask = json.loads(message.payload)
            answer = {"id": ask["id"], "ok": ok, "said": said}
            daemon.say(message.properties.ResponseTopic, json.dumps(answer))  # type: ignore[union-attr]
            thread.join(10)
        return ask, came[0]


@pytest.fixture
def converse(broker: Mosquitto, call: Call) -> Conversation:
    return Conversation(broker, call)


@pytest.mark.real
@pytest.mark.parametrize(("arguments", "wish"), [
    (("water", "salad"), {"do": "water", "zone": "salad"}),
    (("water", "Salad Seedlings", "--litres", "20"), {"do": "water", "zone": "salad", "litres": 20}),
    (("water", "salad", "--minutes", "7.5"), {"do": "water", "zone": "salad", "minutes": 7.5}),
    (("water", "salad", "--mm", "4"), {"do": "water", "zone": "salad", "mm": 4}),
    (("stop",), {"do": "stop"}),
    (("stop", "citrus"), {"do": "stop", "zone": "citrus"}),
    (("hold", "citrus"), {"do": "hold", "zone": "citrus"}),
    (("hold", "--until", "18:30"), {"do": "hold", "until": "2026-07-17T18:30:00+01:00"}),
    (("release",), {"do": "release"}),
    (("relearn", "Tomatoes"), {"do": "relearn", "zone": "tomatoes"}),
    (("relearn",), {"do": "relearn"}),
    (("jobs", "done", "mulch"), {"do": "job-done", "job": "mulch"}),
])  # fmt: skip
def test_an_ask_is_sent_and_its_answer_printed(
    converse: Conversation, arguments: tuple[str, ...], wish: dict[str, Any]
) -> None:
    ask, said = converse(*arguments)
    assert (said.code, said.out, said.err) == (0, "Very well.\n", "")
    assert ask.pop("id")
    assert datetime.fromisoformat(ask.pop("expires")) > NOW
    assert ask == wish


@pytest.mark.real
def test_a_refused_ask_is_one_line_and_1(converse: Conversation) -> None:
    _, said = converse("water", "salad", ok=False, said="Watering is on hold; release it first.")
    assert said.code == 1
    assert said.complaint == "Watering is on hold; release it first."


@pytest.mark.real
def test_an_answer_for_programs(converse: Conversation) -> None:
    _, said = converse("stop", "--json")
    assert said.code == 0
    assert json.loads(said.out)["said"] == "Very well."
    _, said = converse("stop", "--json", ok=False)
    assert (said.code, json.loads(said.out)["ok"]) == (1, False)


@pytest.mark.real
@pytest.mark.usefixtures("broker")
def test_nobody_who_hears_is_said(call: Call) -> None:
    said = call("stop")
    assert said.code == 1
    assert "The controller is not running" in said.complaint


@pytest.mark.parametrize(
    "arguments", [("water", "salad"), ("stop",), ("hold",), ("release",), ("relearn", "salad"), ("jobs", "done", "x")]
)
def test_no_broker_is_one_line_and_1(call: Call, arguments: tuple[str, ...]) -> None:
    said = call(*arguments)
    assert said.code == 1
    assert said.complaint.startswith("No broker answers at 127.0.0.1:")


@pytest.mark.parametrize(("arguments", "words"), [
    (("water", "beans"), 'There is no zone "beans"'),
    (("water", "salad", "--litres", "-1"), "give a number over 0, not '-1'"),
    (("water", "salad", "--mm", "nan"), "give a number over 0"),
    (("water", "salad", "--minutes", "inf"), "give a number over 0"),
    (("water", "salad", "--litres", "many"), "give a number over 0, not 'many'"),
    (("water", "salad", "--litres", "3", "--mm", "3"), "not allowed with"),
    (("stop", "beans"), "There is no zone"),
    (("hold", "beans"), "There is no zone"),
    (("release", "beans"), "There is no zone"),
    (("relearn", "beans"), "There is no zone"),
    (("jobs", "done", "cleared", "--zone", "beans"), "There is no zone"),
    (("water", "salad", "--litres", "1e9"), "--litres: 1e+09 is too much for one watering; give 100000 at most."),
    (("water", "salad", "--minutes", "2000"), "--minutes: 2000 is too much for one watering; give 1440 at most."),
    (("hold", "--until", "soon"), '"soon" is no time; write 18:30'),
    (("hold", "--until", "2026-07-16"), "is past"),
    (("hold", "--until", "25:00"), "is no time"),
])  # fmt: skip
def test_a_wrong_ask_never_leaves(call: Call, arguments: tuple[str, ...], words: str) -> None:
    said = call(*arguments)
    assert said.code == 2
    assert words in said.complaint


@pytest.mark.parametrize(("text", "at"), [
    ("18:30", "2026-07-17T17:30:00+00:00"),
    ("08:00", "2026-07-18T07:00:00+00:00"),  # ten past eight already
    ("2026-07-18", "2026-07-17T23:00:00+00:00"),
    ("2026-07-18T06:15", "2026-07-18T05:15:00+00:00"),
    ("2026-07-18 06:15", "2026-07-18T05:15:00+00:00"),
    ("2026-07-18T06:15:00+02:00", "2026-07-18T04:15:00+00:00"),
    ("2026-07-18T06:15:00Z", "2026-07-18T06:15:00+00:00"),
])  # fmt: skip
def test_times_are_read_as_people_write_them(text: str, at: str) -> None:
    assert instant(text, LISBON, NOW).astimezone(UTC).isoformat() == at


def test_the_next_half_past_one_in_the_night_that_has_two() -> None:
    before = datetime(2026, 10, 24, 23, 0, tzinfo=UTC)  # midnight before the clocks go back in Lisbon
    assert instant("01:30", LISBON, before).astimezone(UTC) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


@pytest.mark.parametrize("text", ["", "6", "1830", "18:30+01:00", "tomorrow", "2026-13-01", "\x1b[2J"])
def test_what_is_no_time(text: str) -> None:
    with pytest.raises(CommandError) as complaint:
        instant(text, LISBON, NOW)
    assert "\x1b" not in str(complaint.value)
    assert complaint.value.code == 2


# close ----------------------------------------------------------------------------------------------


@pytest.fixture
def diary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "diary"))
    return tmp_path / "diary"


@pytest.mark.real
def test_closing_with_nothing_but_the_config(call: Call, diary: Path) -> None:
    said = call("close")
    assert (said.code, said.err) == (0, "")
    assert said.out == "Every valve is closed: 7 lines put to rest.\n"
    level = {row.pin: row.level for row in read(diary)}
    assert level == {17: 0, 22: 0, 23: 0, 24: 0, 25: 0, 27: 0, 5: 1}  # the pots' relay opens on low


@pytest.mark.real
def test_closing_for_programs(call: Call, diary: Path) -> None:
    view = json.loads(call("close", "--json").out)
    assert view["ok"] is True
    assert "pots" in view["lines"]
    assert diary.exists()


@pytest.mark.real
def test_closing_with_a_config_that_is_wrong_elsewhere(call: Call, config: Path, diary: Path) -> None:
    config.write_text(config.read_text().replace("latitude = 38.57", "latitude = 138.57"))
    assert call("plan").code == 2
    assert call("close").code == 0
    assert diary.exists()


@pytest.mark.real
def test_pins_that_cannot_be_had_are_one_line_and_1(call: Call, config: Path) -> None:
    config.write_text(config.read_text().replace("tests.guard.diary_pins:factory", "no_such_module:factory"))
    said = call("close")
    assert said.code == 1
    assert "The valves may be open" in said.complaint
    assert json.loads(call("close", "--json").out)["ok"] is False


@pytest.mark.real
def test_closing_without_a_config_that_can_be_read(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        close, "RUNTIME_DIR", str(tmp_path / "run")
    )  # not the one of a garden that may live here
    said = call("close", "--config", str(tmp_path / "none.toml"))
    assert said.code == 1
    assert "the config cannot be read" in said.complaint
    assert os.sep in said.complaint
