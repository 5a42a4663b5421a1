"""A sensor's bytes: what is taken, what it becomes, and everything that must be refused."""

import json
import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.shells.payload import Decoder, RefusedError, parse_json, plain_number
from tests.mqtt.kit import Sensor

PLAIN = Decoder(Sensor(unit="%"))
IN_JSON = Decoder(Sensor(unit="%", pointer="/soil/moisture"))
TIMED = Decoder(Sensor(unit="%", pointer="/v", time_pointer="/t"))

HOSTILE_PLAIN = [
    b"", b" ", b"\n", b" 12", b"12 ", b"12\n", b"+12", b"012", b"-", b".5", b"5.", b"1_000", b"1,5", b"1e1", b"1E1",
    b"0x1f", b"nan", b"NaN", b"inf", b"-Infinity", b"1e999", b"true", b"null", b'"12"', b"[12]", b"{}",
    "٣.٥".encode(), "１２".encode(), b"\xef\xbb\xbf12", b"\xff\xfe1\x002\x00", b"12\x00", b"\x80", b"12%", b"12 %",
    b"unavailable", b"=1+1", b"\x1b[31m12", b"9" * 5000, b"1" * 30, b"0." + b"1" * 30, b"12;13", b"--5",
]  # fmt: skip
HOSTILE_JSON = [
    b'{"soil":{"moisture":NaN}}', b'{"soil":{"moisture":Infinity}}', b'{"soil":{"moisture":-Infinity}}',
    b'{"soil":{"moisture":1e999}}', b'{"soil":{"moisture":1e-999}}', b'{"soil":{"moisture":1e300}}',
    b'{"soil":{"moisture":true}}', b'{"soil":{"moisture":false}}', b'{"soil":{"moisture":null}}',
    b'{"soil":{"moisture":"27"}}', b'{"soil":{"moisture":[27]}}', b'{"soil":{"moisture":{"value":27}}}',
    b'{"soil":{}}', b"{}", b"[]", b"27", b'"soil"', b"null", b'{"soil":[27]}', b'{"soil":"moisture"}',
    b'{"soil":{"moisture":27,"moisture":3}}', b'{"soil":{"moisture":27},"soil":1}', b'{"soil":{"moisture":27}',
    b"{'soil':{'moisture':27}}", b'{"soil":{"moisture":27,}}', b'{"soil":{"moisture":27}} x',
    b'\xef\xbb\xbf{"soil":{"moisture":27}}', '{"soil":{"moisture":27}}'.encode("utf-16"),
    b'{"soil":{"moisture":27},"x":"\xff"}', b"[" * 4000, b'{"a":' * 800 + b"1" + b"}" * 800,
    b'{"soil":{"moisture":' + b"7" * 3000 + b"}}", b'{"soil":{"moisture":27},"x":"' + b"a" * 4096 + b'"}',
    b'{"soil":{"moisture":027}}', b'{"soil":{"moisture":+27}}', b'{"soil":{"moisture":.27}}',
    b'{"soil":{"moisture":0x1b}}', b'{"soil":{"moisture":1_0}}', b'{"soil":{"moisture":-1}}',
    b'{"soil":{"moisture":70.1}}', b'{"soil":{"moisture":412}}', b'{"soil":{"\\ud800":1,"moisture":"\\ud800"}}',
    b'{"soil":{"moisture":27}}\x00',
]  # fmt: skip
HOSTILE_TIMES = [
    "null", "true", '""', '"yesterday"', '"2026-07-13"', '"2026-07-13T12:00:00"', '"2026-07-13T12:00"',
    '"20260713T120000Z"', '"2026-W29-1T12:00:00Z"', '"2026-02-30T12:00:00Z"', '"2026-07-13T25:00:00Z"',
    '"2026-07-13T12:00:00+25:00"', '"0001-01-01T00:00:00+23:59"', "1783944000000", "0", "-1", "1e18", "[]",
]  # fmt: skip


def test_the_tables_are_long_enough() -> None:
    assert len(HOSTILE_PLAIN) + len(HOSTILE_JSON) >= 40


def refusal(decoder: Decoder, payload: bytes) -> str:
    with pytest.raises(RefusedError) as refused:
        decoder.read(payload)
    return str(refused.value)


@pytest.mark.parametrize("payload", HOSTILE_PLAIN, ids=lambda payload: ascii(payload[:20]))
def test_what_is_not_a_plain_decimal_number_is_refused_in_one_printable_sentence(payload: bytes) -> None:
    said = refusal(PLAIN, payload)
    assert said.endswith(".")
    assert said.isprintable()
    assert len(said) < 200


@pytest.mark.parametrize("payload", HOSTILE_JSON, ids=lambda payload: ascii(payload[:30]))
def test_what_is_not_a_number_in_json_is_refused_in_one_printable_sentence(payload: bytes) -> None:
    said = refusal(IN_JSON, payload)
    assert said.endswith(".")
    assert said.isprintable()
    assert len(said) < 200


@pytest.mark.parametrize("text", HOSTILE_TIMES)
def test_what_is_not_a_time_is_refused(text: str) -> None:
    said = refusal(TIMED, f'{{"v":20,"t":{text}}}'.encode())
    assert "/t" in said
    assert "time" in said


@pytest.mark.parametrize(
    ("text", "number"),
    [(b"0", 0.0), (b"12", 12.0), (b"27.5", 27.5), (b"0.27345678901", 0.27345678901), (b"-4.0", -4.0)],
)
def test_plain_numbers_are_taken(text: bytes, number: float) -> None:
    assert plain_number(text) == number


def test_a_negative_nought_is_nought() -> None:
    assert math.copysign(1, PLAIN.read(b"-0").value) == 1


@pytest.mark.published(source="NIST SP 811 (2008), appendix B.8: t/°C = (t/°F − 32)/1.8; 1 in = 25.4 mm exactly")
@pytest.mark.parametrize(
    ("kind", "unit", "number", "canonical"),
    [
        ("air temperature", "°F", "32", 0.0),
        ("air temperature", "°F", "98.6", 37.0),
        ("air temperature", "°F", "-40", -40.0),
        ("air temperature", "°C", "-12.5", -12.5),
        ("rain", "in", "1", 25.4),
        ("rain", "mm", "3.2", 3.2),
        ("soil moisture", "%", "27", 0.27),
        ("soil moisture", "m3/m3", "0.27", 0.27),
    ],
)
def test_units_become_canonical(kind: str, unit: str, number: str, canonical: float) -> None:
    assert Decoder(Sensor(kind=kind, unit=unit)).read(number.encode()).value == pytest.approx(canonical, abs=1e-12)


@pytest.mark.parametrize(
    ("kind", "unit", "inside", "outside"),
    [
        ("soil moisture", "m3/m3", ["0", "0.7"], ["0.7001", "-0.0001", "27"]),
        ("air temperature", "°C", ["-40", "60"], ["-40.1", "60.1", "85"]),
        ("rain", "mm", ["0", "200"], ["-0.1", "200.1"]),
        ("soil temperature", "°C", ["-20", "70"], ["-20.1", "70.1", "85"]),
    ],
)
def test_the_range_holds_its_ends_and_nothing_beyond(
    kind: str, unit: str, inside: list[str], outside: list[str]
) -> None:
    decoder = Decoder(Sensor(kind=kind, unit=unit))
    for number in inside:
        assert decoder.read(number.encode()).value == float(number)
    for number in outside:
        assert "outside" in refusal(decoder, number.encode())


def test_a_calibration_is_the_line_through_two_points_in_the_canonical_unit() -> None:
    """A resistive probe that falls as it gets wetter: 820 dry at 0.05, 420 wet at 0.45; the middle is the middle."""
    decoder = Decoder(Sensor(unit="raw", pointer="/adc", calibration=[(820, 0.05), (420, 0.45)]))
    assert decoder.read(b'{"adc":820}').value == pytest.approx(0.05)
    assert decoder.read(b'{"adc":420}').value == pytest.approx(0.45)
    assert decoder.read(b'{"adc":620}').value == pytest.approx(0.25)
    assert "check unit and calibration" in refusal(decoder, b'{"adc":100}')


def test_a_calibration_of_more_points_is_straight_from_each_to_the_next_and_straight_on_beyond() -> None:
    decoder = Decoder(Sensor(unit="raw", calibration=[(2600, 0.05), (1700, 0.15), (1400, 0.30)]))
    between = ((2600, 0.05), (2150, 0.10), (1700, 0.15), (1550, 0.225), (1400, 0.30))
    for number, value in (*between, (1300, 0.35), (2690, 0.04)):
        assert decoder.read(str(number).encode()).value == pytest.approx(value)


def test_a_polynomial_takes_the_constant_first() -> None:
    decoder = Decoder(Sensor(unit="raw", polynomial=[0.1, -0.02, 0.003]))
    assert decoder.read(b"0").value == pytest.approx(0.1)
    assert decoder.read(b"10").value == pytest.approx(0.1 - 0.2 + 0.3)
    assert "outside" in refusal(decoder, b"100")
    wild = Decoder(Sensor(unit="raw", pointer="", polynomial=[0.0, 1e7, -1e7, 1e7, -1e7, 1e7]))
    assert "check unit and calibration" in refusal(wild, b"99999999999999999999e99")


SWITCH = Decoder(Sensor(kind="rain switch", unit=None))
SWITCH_IN_JSON = Decoder(Sensor(kind="rain switch", unit=None, pointer="/rain"))


@pytest.mark.parametrize(("wet", "dry"), [("true", "false"), ("1", "0"), ("wet", "dry"), ("on", "off")])
def test_a_rain_switch_is_wet_or_dry(wet: str, dry: str) -> None:
    assert (SWITCH.read(wet.encode()).value, SWITCH.read(dry.encode()).value) == (1.0, 0.0)
    quoted = [json.dumps({"rain": word}).encode() for word in (wet, dry)]
    assert [SWITCH_IN_JSON.read(payload).value for payload in quoted] == [1.0, 0.0]


def test_a_rain_switch_may_say_json_truth_and_numbers() -> None:
    said = [b'{"rain":true}', b'{"rain":false}', b'{"rain":1}', b'{"rain":0}']
    assert [SWITCH_IN_JSON.read(payload).value for payload in said] == [1.0, 0.0, 1.0, 0.0]


def test_a_rain_switch_may_have_words_of_its_own_even_the_other_way_round() -> None:
    own = Decoder(Sensor(kind="rain switch", unit=None, on="Regen", off="trocken"))
    assert (own.read(b"Regen").value, own.read(b"trocken").value) == (1.0, 0.0)
    assert "none of 'Regen', 'trocken'" in refusal(own, b"true")
    normally_closed = Decoder(Sensor(kind="rain switch", unit=None, pointer="/in", on="0", off="1"))
    assert normally_closed.read(b'{"in":0}').value == 1.0


@pytest.mark.parametrize(
    "payload",
    [b"", b"2", b"True", b"WET", b"wet ", b" 1", b"1.0", b"unavailable", b"null", b"\xff", b"on\n", b"x" * 5000],
)
def test_what_is_neither_wet_nor_dry_is_refused(payload: bytes) -> None:
    said = refusal(SWITCH, payload)
    assert said.endswith(".")
    assert said.isprintable()
    assert len(said) < 200


@pytest.mark.parametrize("found", ["null", "2", "-1", "1.5", "[]", "{}", "[true]", '"maybe"', "NaN"])
def test_what_is_neither_wet_nor_dry_in_json_is_refused(found: str) -> None:
    said = refusal(SWITCH_IN_JSON, f'{{"rain":{found}}}'.encode())
    assert said.endswith(".")
    assert said.isprintable()
    assert len(said) < 200


def test_a_setting_that_cannot_work_is_refused_at_once() -> None:
    with pytest.raises(ValueError, match="needs a calibration"):
        Decoder(Sensor(unit="raw"))
    with pytest.raises(ValueError, match="are equal"):
        Decoder(Sensor(unit="raw", calibration=[(5, 0.1), (5, 0.2)]))
    with pytest.raises(ValueError, match="not a JSON pointer"):
        Decoder(Sensor(pointer="soil"))


RFC_6901_DOCUMENT = (
    b'{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\\\j": 5, "k\\"l": 6, " ": 7, "m~n": 8}'
)


@pytest.mark.published(source="RFC 6901 (2013), section 5: the example document and what its pointers find")
@pytest.mark.parametrize(
    ("pointer", "number"),
    [("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8)],
)
def test_pointers_find_what_the_standard_says(pointer: str, number: int) -> None:
    assert Decoder(Sensor(kind="rain", unit="mm", pointer=pointer)).read(RFC_6901_DOCUMENT).value == number


@pytest.mark.published(source="RFC 6901 (2013), section 5: what is there but is no number; section 7: no such value")
@pytest.mark.parametrize("pointer", ["", "/foo", "/foo/0", "/foo/-", "/foo/2", "/foo/01", "/none"])
def test_pointers_to_anything_else_are_refused(pointer: str) -> None:
    said = refusal(Decoder(Sensor(kind="rain", unit="mm", pointer=pointer)), RFC_6901_DOCUMENT)
    assert said.endswith(("is not a number.", "in the payload."))


def test_an_empty_pointer_is_the_whole_document() -> None:
    assert Decoder(Sensor(pointer="")).read(b" 0.25e0\n").value == 0.25


@pytest.mark.published(source="RFC 3339 (2002), section 5.8: examples, with the UTC instants it gives for them")
@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
    ],
)
def test_times_of_the_standard_are_read(text: str, instant: datetime) -> None:
    assert TIMED.read(json.dumps({"v": 20, "t": text}).encode()).at == instant


def test_seconds_since_1970_are_read() -> None:
    """POSIX.1-2017, 4.16: 1 000 000 000 s is 9 September 2001, 01:46:40 UTC (from memory)."""
    assert TIMED.read(b'{"v":20,"t":1000000000}').at == datetime(2001, 9, 9, 1, 46, 40, tzinfo=UTC)


def test_a_long_number_elsewhere_in_the_document_does_no_harm() -> None:
    """A 64-bit chip id beside the reading: 2^64 - 1 has 20 digits."""
    assert IN_JSON.read(b'{"chip":18446744073709551615,"soil":{"moisture":27}}').value == 0.27


def outcome(decoder: Decoder, payload: bytes) -> float | str:
    """The value, or the sentence of the refusal."""
    try:
        return decoder.read(payload).value
    except RefusedError as refused:
        return str(refused)


@given(st.binary(max_size=200) | st.text(max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_any_bytes_give_a_number_in_range_or_a_printable_refusal(payload: bytes) -> None:
    for decoder in (PLAIN, IN_JSON, TIMED, SWITCH, SWITCH_IN_JSON):
        came = outcome(decoder, payload)
        most = 1.0 if decoder in (SWITCH, SWITCH_IN_JSON) else 0.7
        assert came.isprintable() if isinstance(came, str) else 0 <= came <= most


_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["v", "t", "soil"]), inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(st.sampled_from(["v", "t", "w"]), _JSON))
def test_any_json_gives_a_number_in_range_or_a_refusal(document: dict[str, object]) -> None:
    payload = json.dumps(document).encode()
    try:
        measured = TIMED.read(payload)
    except RefusedError:
        return
    assert 0 <= measured.value <= 0.7
    assert measured.at is not None
    assert measured.value == pytest.approx(json.loads(payload)["v"] / 100)


@given(_JSON)
def test_strict_json_agrees_with_ordinary_json_on_what_it_takes(document: object) -> None:
    payload = json.dumps(document).encode()
    try:
        assert parse_json(payload) == json.loads(payload)
    except RefusedError:
        text = payload.decode()
        assert any(mark in text for mark in ("NaN", "Infinity", "e+", "e-")) or any(
            len(word) > 20 for word in text.replace(",", " ").split()
        )
