"""The lines between guard and owner: every message comes back as it went, and nothing else gets in."""

import dataclasses
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.drivers.gpio import Inlet, Line
from controller.guard import wire
from controller.guard.flow import MeterRule
from controller.guard.rules import (
    MASTER,
    SUPPLY,
    Charge,
    Closed,
    Lock,
    MasterRule,
    Notice,
    Opened,
    Refused,
    SupplyRule,
    UsedOpening,
    ValveRule,
)

CHARGED = wire.Charged(
    Charge(
        supplies={SUPPLY: SupplyRule(15.0, MasterRule(2.0, 3.0)), "tank": SupplyRule(7.0)},
        valves={"beans": ValveRule(8.0, 600.0, 3600.0), "kale": ValveRule(6.0, 300.0, 900.0, "tank")},
        silence_s=1.5,
        used=(UsedOpening("beans", 3600.0, 120.0), UsedOpening("kale", 7200.0, 60.0, 5.5)),
    ),
    "lgpio",
    {"beans": Line(17, True), "kale": Line("GPIO27", False), MASTER: Line(22, True)},
)
FULL = dataclasses.replace(
    CHARGED,
    charge=dataclasses.replace(
        CHARGED.charge,
        valves={"beans": ValveRule(8.0, 600.0, 3600.0, SUPPLY, 400.0), "kale": ValveRule(6.0, 300.0, 900.0)},
        supplies={SUPPLY: SupplyRule(15.0, MasterRule(2.0, 3.0, 10.0, 7200.0))},
        most_s_per_24h=7200.0,
        most_l_per_24h=900.0,
        never_together=(("beans", "kale"),),
        inputs={"stop": "stop switch", "mains": "pressure switch"},
        locks=(Lock("burst", "a line is off", "kale"), Lock("stopped", "the stop switch is pressed")),
        meter=MeterRule(0.0025, 15.0, dry_s=8.0),
    ),
    inlets={"stop": Inlet(5, True), "mains": Inlet(7, False, "down"), wire.METER: Inlet(6, True, "none")},
    latch="/var/lib/seepward/locked.json",
)

VALVE = {"active": "high", "supply": SUPPLY}

OF_OWNER: list[wire.OwnerMessage] = [
    CHARGED,
    dataclasses.replace(
        CHARGED,
        charge=dataclasses.replace(CHARGED.charge, supplies={SUPPLY: SupplyRule(15.0), "tank": SupplyRule(7.0)}),
        lines={"beans": Line(17, True), "kale": Line(27, False)},
    ),
    FULL,
    dataclasses.replace(FULL, inlets={}, latch=None),
    wire.Sensed("mains", False),
    wire.Metered(1234.5),
    wire.Release("beans"),
    wire.Release(None),
    wire.Beat(12.5),
    wire.AskOpen("beans", "p1", 40.0),
    wire.AskClose("beans", "asked"),
    wire.AskClose(None, "asked"),
    wire.Noted("p1"),
]
OF_GUARD: list[wire.GuardMessage] = [
    wire.Ready(17, ("beans", "kale")),
    Opened("beans", "p1", 1.5, 41.5),
    Closed("beans", "p1", 40.0, "deadline", 35.0),
    Closed("beans", "p1", 40.0, "deadline", 35.0, 5.25, 7.9),
    Notice("burst", "a line is off", "beans", locked=True),
    Notice("leak", "nothing flows any more", over=True),
    wire.Sensed("stop", True),
    Refused("24 hours", "kale would have been open too long", "kale", "p2"),
    Refused("malformed", "must be a number"),
    wire.Fault("kale cannot be switched off"),
    wire.Heard(12.5),
    wire.AllClosed(("beans",)),
    wire.Status(17, {"beans": "p1"}, 0.2, 0.001),
    wire.Status(17, {}, None, 0.0),
]


@pytest.mark.parametrize("message", OF_OWNER)
def test_what_the_owner_says_comes_back_as_it_went(message: wire.OwnerMessage) -> None:
    assert wire.read_owner(wire.write(message).rstrip()) == message


@pytest.mark.parametrize("message", [wire.CloseAll(), wire.AskStatus()])
def test_what_a_guest_says_comes_back_as_it_went(message: wire.GuestMessage) -> None:
    assert wire.read_guest(wire.write(message).rstrip()) == message


@pytest.mark.parametrize("message", OF_GUARD)
def test_what_the_guard_says_comes_back_as_it_went(message: wire.GuardMessage) -> None:
    assert wire.read_guard(wire.write(message).rstrip()) == message


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"", "Expecting value"),
        (b"\xff\xfe", "codec can't decode"),
        (b"7", "a message is a JSON object"),
        (b"[" * 60_000, "nested too deeply"),
        (b'{"open": "beans"', "Expecting"),
        (b'{"sing": "beans"}', "a message is named by one of: beat, open, close, noted"),
        (b'{"open": "beans", "pulse": "p"}', "has exactly the keys open, pulse, seconds"),
        (b'{"open": "beans", "pulse": "p", "seconds": 1, "now": 1}', "has exactly the keys"),
        (b'{"open": "beans", "pulse": "p", "seconds": 1, "seconds": 900}', "a key appears twice"),
        (b'{"open": "beans", "pulse": "p", "seconds": NaN}', "NaN is not a number"),
        (b'{"open": "beans", "pulse": "p", "seconds": -Infinity}', "-Infinity is not a number"),
        (b'{"open": "beans", "pulse": "p", "seconds": 1e999}', "'seconds' must be a finite number"),
        (b'{"open": "beans", "pulse": "p", "seconds": 1' + b"0" * 400 + b"}", "'seconds' must be a finite number"),
        (b'{"open": "beans", "pulse": "p", "seconds": ' + b"9" * 5000 + b"}", "Exceeds the limit"),
        (b'{"open": "beans", "pulse": "p", "seconds": "12"}', "'seconds' must be a number"),
        (b'{"open": "beans", "pulse": "p", "seconds": true}', "'seconds' must be a number"),
        (b'{"open": 7, "pulse": "p", "seconds": 1}', "'open' must be a printable text"),
        (b'{"open": "beans", "pulse": "", "seconds": 1}', "'pulse' must be a printable text"),
        (b'{"open": "beans", "pulse": "\\u001b[2J", "seconds": 1}', "'pulse' must be a printable text"),
        (b'{"open": "beans", "pulse": "\\ud800", "seconds": 1}', "'pulse' must be a printable text"),
        (b'{"close": null}', "has exactly the keys close, why"),
        (b'{"sensed": "mains", "on": 1}', "'on' must be true or false"),
        (b'{"charge": {}, "beat": 1}', "a charge comes alone"),
        (b'{"charge": 7}', "charge: must be an object"),
        (b'{"charge": {}}', "charge: lacks 'driver'"),
    ],
)
def test_nonsense_is_refused_in_one_printable_sentence(line: bytes, why: str) -> None:
    refused = wire.read_owner(line)
    assert isinstance(refused, Refused)
    assert refused.rule == "malformed"
    assert why in refused.why
    assert refused.why.isprintable()
    assert len(refused.why) <= wire.TEXT_LIMIT


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"supplies": {"tank": {"capacity_l_min": 0, "master": None}}}, "capacity_l_min must be a finite number above"),
        ({"supplies": {"tank": {"capacity_l_min": "15", "master": None}}}, "must be a number"),
        ({"supplies": {"tank": {"capacity_l_min": 15}}}, "lacks 'master'"),
        ({"supplies": {}}, "the supply 'supply' of beans is none of this garden"),
        ({"silence": 3}, "unexpected keyword argument 'silence'"),
        ({"driver": None}, "must be a printable text"),
        ({"used": [["beans", 1]]}, "not enough values"),
        ({"used": [["beans", -1, 2, None]]}, "ended_ago_s must be a finite number, 0 or more"),
        ({"valves": {"beans": {**VALVE, "pin": 17}}}, "missing 3 required positional arguments"),
        ({"valves": {"beans": VALVE}}, "lacks 'pin'"),
        ({"valves": {"beans": {"pin": 17, "active": "high"}}}, "lacks 'supply'"),
        ({"valves": {"beans": {**VALVE, "pin": True}}}, "pin must be a number or a name"),
        ({"valves": {"beans": {**VALVE, "pin": 17, "active": "hihg"}}}, 'active must be "high" or "low"'),
        (
            {"supplies": {"tank": {"master": {"pin": 1, "active": "low", "lead_s": 1, "trail_s": -1}}}},
            "trail_s must be a finite number",
        ),
        ({"never_together": [["beans", "roses"]]}, "never_together names 'roses', which is no valve"),
        ({"inputs": {"stop": {"kind": "stop switch", "pin": 5, "active": "high", "pull": "sideways"}}}, "pull must"),
        ({"inputs": {"stop": {"kind": "wind vane"}}}, "the input 'stop' is of no known kind"),
        ({"locks": [["burst", "", None]]}, "must be a printable text"),
        (
            {"meter": {"inlet": None, "supply": "supply", "litres_per_pulse": 0, "capacity_l_min": 15}},
            "litres_per_pulse must be",
        ),
        (
            {"meter": {"inlet": None, "supply": "river", "litres_per_pulse": 1, "capacity_l_min": 15}},
            "the supply 'river' of the flow meter is none of this garden",
        ),
        ({"latch": 7}, "must be a printable text"),
        ({"locks": {}}, "must be a list"),
    ],
)
def test_a_charge_that_is_wrong_names_what_is_wrong(change: dict[str, object], why: str) -> None:
    whole = json.loads(wire.write(CHARGED))["charge"]
    refused = wire.read_owner(json.dumps({"charge": whole | change}).encode())
    assert isinstance(refused, Refused)
    assert refused.why.startswith("charge: ")
    assert why in refused.why


STOP = {"kind": "stop switch"}


def of_charge(**change: object) -> bytes:
    whole = json.loads(wire.write(FULL))["charge"]
    return json.dumps({"charge": whole | change}).encode()


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"[]", "a message is a JSON object"),
        (b'{"beat": 1, "beat": 2}', "a key appears twice"),
        (b"[" * 60_000, "the message is nested too deeply"),
        (b'{"charge": {}, "beat": 1}', "a charge comes alone in its message"),
        (b'{"beat": 1, "on": true}', "the message 'beat' has exactly the keys beat"),
        (b'{"open": "beans", "pulse": "p1"}', "the message 'open' has exactly the keys open, pulse, seconds"),
        (of_charge(never_together=1), "charge: must be a list"),
        (of_charge(zebra=1.0), "charge: got an unexpected keyword argument 'zebra'"),
        (of_charge(inputs={"stop": STOP | {"pin": 5, "active": "high", "pull": "left"}}),
         'charge: pull must be "up", "down" or "none"'),
        (of_charge(inputs={"stop": STOP | {"pin": 5, "active": "on", "pull": "up"}}),
         'charge: active must be "high" or "low"'),
        (of_charge(inputs={"stop": STOP | {"pin": 5.0, "active": "high", "pull": "up"}}),
         'charge: pin must be a number or a name such as "GPIO17"'),
    ],
)  # fmt: skip
def test_a_refusal_is_said_in_these_words(line: bytes, why: str) -> None:
    assert wire.read_owner(line) == Refused("malformed", why)


def test_a_text_of_the_limit_and_a_number_below_its_own_are_taken_and_no_more() -> None:
    assert wire.read_owner(wire.write(wire.Noted("x" * wire.TEXT_LIMIT))) == wire.Noted("x" * wire.TEXT_LIMIT)
    assert isinstance(wire.read_owner(json.dumps({"noted": "x" * (wire.TEXT_LIMIT + 1)}).encode()), Refused)
    assert wire.read_owner(b'{"beat": 999999999999999.0}') == wire.Beat(999999999999999.0)
    assert isinstance(wire.read_owner(b'{"beat": 1e15}'), Refused)


def test_what_is_no_number_is_never_written() -> None:
    with pytest.raises(ValueError, match="JSON"):
        wire.write(wire.Beat(float("nan")))


def test_guests_have_no_words_for_opening_or_closing_one_valve() -> None:
    for line in (wire.write(message).rstrip() for message in OF_OWNER):
        assert isinstance(wire.read_guest(line), Refused)
    refused = wire.read_guest(b'{"close": "beans"}')
    assert isinstance(refused, Refused)
    assert refused.why == "'close' must be null"


def test_control_characters_in_what_a_driver_says_do_not_travel() -> None:
    assert wire.read_guard(wire.write(wire.Fault("pin\n\x1b[2J gone"))) == wire.Fault("pin??[2J gone")


@given(st.binary(max_size=200) | st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from(["open", "pulse", "seconds", "close", "why", "beat", "noted", "charge", "valves"]),
        inner, max_size=4),
    max_leaves=8,
).map(lambda value: json.dumps(value).encode()))
@settings(max_examples=400, deadline=None)
def test_any_line_is_a_message_or_a_refusal(line: bytes) -> None:
    for read, kinds in ((wire.read_owner, wire.OWNER_SHAPES), (wire.read_guest, wire.GUEST_SHAPES)):
        message = read(line)
        assert type(message) in (*kinds, wire.Charged, Refused)
        if isinstance(message, wire.AskOpen):
            assert abs(message.seconds) < 1e15


@given(st.lists(st.binary(max_size=12).map(lambda raw: raw.replace(b"\n", b"")), max_size=6), st.data())
def test_lines_come_out_whole_however_they_were_cut(lines: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(line + b"\n" for line in lines)
    buffer = wire.LineBuffer(limit_bytes=8)
    got: list[bytes | None] = []
    while stream:
        size = data.draw(st.integers(1, len(stream)))
        got += buffer.feed(stream[:size])
        stream = stream[size:]
    assert got == [line if len(line) <= 8 else None for line in lines]


def test_an_endless_line_is_refused_once_and_takes_no_memory() -> None:
    buffer = wire.LineBuffer(limit_bytes=100)
    got = [out for _ in range(1000) for out in buffer.feed(b"x" * 50)]
    assert got == [None]
    assert buffer._part == b""
    assert list(buffer.feed(b"tail\nnext\n")) == [b"next"]


def test_a_guest_that_counts_wrongly_and_a_line_without_end() -> None:
    refused = wire.read_guest(b'{"status": true}')
    assert isinstance(refused, Refused)
    assert refused.why == "'status' must be a whole number"
    assert wire.too_long(7) == Refused("malformed", "the line is longer than 7 bytes")
