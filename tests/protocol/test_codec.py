"""The scalar codec: values to octets and back, every error with its attributes, and the order of the questions."""

import array
import binascii
import copy
import pickle
from collections import Counter, defaultdict
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import ullage
from support.tiny import load
from ullage import Status

ORCHARD = ullage.load(Path(__file__).parents[2] / "spec" / "orchard.toml")
REPORT = {"destination": 1, "source": 17, "sequence": 9, "sensor": 0, "distance": 1234, "battery": 3.71}
HEADER = (
    '{ name = "revision", kind = "revision", bits = 3 }, { name = "message", kind = "message", bits = 5 }, '
    '{ name = "to", kind = "destination", bits = 8, broadcast = 255 }'
)
PROTOCOL = load(
    'name = "x", kind = "count", range = [1, 12]',
    'name = "mark", kind = "constant", bits = 4, value = 10',
    'kind = "spare", bits = 4',
    'name = "state", kind = "code", codes = { shut = 0, open = 1 }, bits = 4',
    'name = "word", kind = "text", octets = 1',
    'name = "level", kind = "measure", unit = "mm", range = [0, 20], step = 10, special = ["no_echo"]',
    protocol="revision = 1",
    header=HEADER,
    frame="message = 1",
    rest='[[frame]]\nname = "b"\nmessage = 2\nfield = [ { name = "x", kind = "flag" } ]\n'
    '[integrity]\ncrc = "CRC-16/IBM-3740"',
)
SOUND = bytes.fromhex("21 07 5a 01 41 40")  # 001 00001, to 7, x 5, mark a, spare 0, open, A, level 01 = 10 mm, fill
CONTENT = {"to": 7, "x": 5, "state": "open", "word": "A", "level": 10}


def sealed(body: bytes | str) -> bytes:
    """A body with its CRC, computed by the standard library (CRC-16/IBM-3740 is crc_hqx from 0xFFFF)."""
    body = bytes.fromhex(body) if isinstance(body, str) else body
    return body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big")


def refused(octets: bytes, at: int | None = None, protocol: ullage.Protocol = PROTOCOL) -> ullage.Refused:
    with pytest.raises(ullage.Refused) as caught:
        protocol.decode(octets, at)
    return caught.value


def encode_error(frame: str, values: Any, protocol: ullage.Protocol = PROTOCOL) -> ullage.EncodeError:
    with pytest.raises(ullage.EncodeError) as caught:
        protocol.encode(frame, values)
    return caught.value


def test_values_become_these_octets_and_these_octets_the_same_values() -> None:
    assert PROTOCOL.encode("a", CONTENT) == sealed(SOUND)
    message = PROTOCOL.decode(sealed(SOUND))
    assert (message.frame, message.values) == ("a", CONTENT)
    assert list(message.values) == list(CONTENT)  # in wire order
    assert message["level"] == 10
    with pytest.raises(KeyError):
        message["mark"]


def test_a_level_report_worked_out_bit_by_bit() -> None:
    """1234 mm and 3.71 V of station 17, from the spec's text, with the CRC by the standard library."""
    bits = f"{1:03b}{1:05b}{1:08b}{17:08b}{9:016b}{0:03b}{1234 - 250:013b}{371 - 200:08b}"
    octets = sealed(int(bits, 2).to_bytes(8, "big"))
    assert ORCHARD.encode("level_report", REPORT) == octets
    assert ORCHARD.decode(octets).values == REPORT
    special = ORCHARD.decode(ORCHARD.encode("level_report", {**REPORT, "distance": "no_echo"}))["distance"]
    assert special == "no_echo"
    assert repr(special) == "Special('no_echo')"


@pytest.mark.parametrize(
    "value", [10, 10.0, "10", "1e1", "20/2", Decimal("10.0"), Fraction(10), np.int8(10), np.float64(10), 6.0, 14.9]
)
def test_a_quantity_may_be_given_as_any_kind_of_number(value: object) -> None:
    assert PROTOCOL.encode("a", {**CONTENT, "level": value}) == sealed(SOUND)


def test_a_decoded_message_encodes_again_and_compares_by_value() -> None:
    message = PROTOCOL.decode(sealed(SOUND))
    assert PROTOCOL.encode(message.frame, message.values) == sealed(SOUND)
    assert message == PROTOCOL.decode(sealed(SOUND)) != PROTOCOL.decode(sealed("21 08 5a 01 41 40"))
    assert repr(message) == "<Message a to=7, x=5, state='open', word='A', level=10>"
    with pytest.raises(TypeError, match="unhashable"):
        hash(message)


# Errors of encoding


@pytest.mark.parametrize(
    ("change", "field", "status", "text"),
    [
        ({"x": 0}, "x", Status.OUT_OF_RANGE, r"x: 0 is outside 1\.\.12"),
        ({"x": 12.6}, "x", Status.OUT_OF_RANGE, r"x: 12\.6 is outside 1\.\.12"),
        ({"x": 10**5000}, "x", Status.OUT_OF_RANGE, "x: a number of more than 40 digits is outside"),
        ({"x": True}, "x", None, "x: True is a truth value, not a number"),
        ({"x": float("nan")}, "x", None, "x: nan is not a number that can be sent"),
        ({"x": None}, "x", None, "x: NoneType is no number"),
        ({"x": np.float32(5)}, "x", None, "x: float32 is no number; give int, float, str"),
        ({"x": np.arange(2)}, "x", None, "x: ndarray is no number"),
        ({"to": 256}, "to", Status.OUT_OF_RANGE, r"to: 256 is outside 0\.\.255"),
        ({"level": "no_eco"}, "level", None, "level: 'no_eco' is no number"),
        ({"level": 26}, "level", Status.OUT_OF_RANGE, r"level: 26 is outside 0\.\.20 mm by 10 mm, or no_echo"),
        ({"state": "opne"}, "state", None, "state: there is no choice 'opne'"),
        ({"state": 3}, "state", Status.OUT_OF_RANGE, "state: 3 is none of shut 0, open 1"),
        ({"state": True}, "state", None, "state: bool is no choice"),
        ({"word": "AB"}, "word", Status.OUT_OF_RANGE, "word: 'AB' is not at most 1 printable"),
        ({"word": b"A"}, "word", None, "word: bytes is no text"),
    ],
)
def test_a_value_that_cannot_be_sent_is_an_error_with_frame_field_status_and_what_would_fit(
    change: dict[str, object], field: str, status: Status | None, text: str
) -> None:
    error = encode_error("a", {**CONTENT, **change})
    assert (error.frame, error.field, error.status) == ("a", field, status)
    assert error.help
    with pytest.raises(ullage.EncodeError, match=f"^{text}"):
        raise error


@pytest.mark.parametrize(
    ("value", "good"), [(2, False), ("on", False), (float("inf"), False), (None, False), (1.0, True)]
)
def test_a_flag_takes_truth_values_and_the_numbers_0_and_1(value: object, good: bool) -> None:
    if good:
        assert PROTOCOL.encode("b", {"to": 1, "x": value}) == PROTOCOL.encode("b", {"to": 1, "x": True})
    else:
        assert encode_error("b", {"to": 1, "x": value}).field == "x"


def test_octets_are_taken_from_anything_that_holds_octets_and_must_be_as_many() -> None:
    protocol = load('name = "x", kind = "octets", octets = 2')
    for value in (b"\x01\x02", bytearray(b"\x01\x02"), memoryview(b"\x01\x02"), memoryview(b"\x01-\x02-")[::2]):
        assert protocol.encode("a", {"x": value}) == b"\x01\x02"
    assert encode_error("a", {"x": b"\x01"}, protocol).status is Status.OUT_OF_RANGE
    assert encode_error("a", {"x": "ab"}, protocol).status is None


def test_every_field_is_needed_and_nothing_else() -> None:
    missing = encode_error("a", {"to": 7, "x": 5, "word": "A"})
    assert str(missing) == "a needs state and level"
    assert (missing.field, missing.help) == ("state", "a has to, x, state, word and level")
    unknown = encode_error("a", {**CONTENT, "levle": 1})
    assert (str(unknown), unknown.field) == ("a has no field 'levle'", "levle")
    for name in ("mark", "revision", "message", "spare_1"):
        assert str(encode_error("a", {**CONTENT, name: 1})) == f"{name} is written by the encoder itself"
    assert encode_error("a", {**CONTENT, 5: 1}).field == "5"


def test_a_mapping_that_makes_up_what_is_missing_is_still_found_wanting() -> None:
    assert "needs" in str(encode_error("a", defaultdict(int, to=7)))
    assert "no field" in str(encode_error("b", defaultdict(int, to=7, y=1)))
    assert "needs" in str(encode_error("a", Counter(to=7)))


def test_a_frame_that_is_not_there_and_values_without_names_are_errors_with_help() -> None:
    error = encode_error("c", CONTENT)
    assert (str(error), error.frame, error.help) == ("tiny has no frame 'c'", "c", "it has a and b")
    assert "give name -> value" in str(encode_error("a", [1, 2]))


# Refusals


BIT_OF = {
    "revision": 0,
    "message": 3,
    "to": 8,
    "x": 16,
    "mark": 20,
    "spare_1": 24,
    "state": 28,
    "word": 32,
    "level": 40,
}


@pytest.mark.parametrize(
    ("octets", "at", "reason", "frame", "field", "raw", "expected"),
    [
        (b"", None, "too_short", None, None, 0, "at least 4 octets"),
        (b"\x21\x07\x5a", None, "too_short", None, None, 3, "at least 4 octets"),
        (bytes(256), None, "too_long", None, None, 256, "at most 255 octets"),
        (sealed("41 07 5a 01 41 40"), None, "other_revision", None, "revision", 2, "1"),
        (sealed("23 07 5a 01 41 40"), None, "unknown_message", None, "message", 3, "one of 1, 2"),
        (sealed("22 07 5a 01 41 40"), None, "wrong_length", "b", None, 8, "5 octets"),
        (sealed(SOUND), 8, "not_addressed", "a", "to", 7, "8"),
        (sealed("21 07 5b 01 41 40"), None, "wrong_constant", "a", "mark", 11, "10 must be there"),
        (sealed("21 07 5a 11 41 40"), None, "spare_not_zero", "a", "spare_1", 1, "0 must be there"),
        (sealed("21 07 5a 01 41 41"), None, "spare_not_zero", "a", None, 1, "0 must be there"),
        (sealed("21 07 0a 01 41 40"), None, "not_a_value", "a", "x", 0, "1..12"),
        (sealed("21 07 5a 02 41 40"), None, "not_a_value", "a", "state", 2, "shut 0, open 1"),
        (sealed("21 07 5a 01 7f 40"), None, "not_a_value", "a", "word", 127, "at most 1 printable ASCII characters"),
    ],
)
def test_a_refusal_says_reason_frame_field_bit_raw_and_expectation(
    octets: bytes, at: int | None, reason: str, frame: str | None, field: str | None, raw: int, expected: str
) -> None:
    error = refused(octets, at)
    assert (str(error.reason), error.frame, error.field) == (reason, frame, field)
    fill = reason == "spare_not_zero" and field is None
    assert error.bit == (42 if fill else BIT_OF[field] if field else None)
    assert (error.raw, error.expected) == (raw, expected)
    assert f"{raw:x}" in str(error) or str(raw) in str(error)


def test_a_crc_that_does_not_fit_is_shown_beside_what_would() -> None:
    right, sent = sealed(SOUND)[-2:].hex(), (sealed(SOUND)[-2] << 8) ^ 0x0100
    error = refused(SOUND + sent.to_bytes(2, "big"))
    assert str(error) == f"the CRC is {sent:04x}, these 6 octets give {right}"
    assert (error.reason, error.frame, error.field, error.bit) == (Status.INTEGRITY, None, None, 48)
    assert (error.raw, error.expected) == (sent, right)


@pytest.mark.parametrize(
    ("octets", "at", "first"),
    [
        (b"\x41\x07\x00", None, "too_short"),  # and a wrong CRC
        (bytes([0x41]) + bytes(255), None, "too_long"),  # and a wrong CRC, another revision
        (SOUND + b"\0\0", None, "integrity"),
        (b"\x41" + sealed(SOUND)[1:], None, "integrity"),  # and another revision
        (b"\x23" + sealed(SOUND)[1:], None, "integrity"),  # and an unknown message
        (sealed("43 07 5a 01 41 40"), None, "other_revision"),  # and an unknown message
        (sealed("41 07 5a 01"), None, "other_revision"),  # and a wrong length
        (sealed("23 07 5a"), None, "unknown_message"),  # and no length is right
        (sealed("23 07 5a 01 41 40"), 8, "unknown_message"),  # and not addressed
        (sealed("21 07 5a 01 41"), 8, "wrong_length"),  # and not addressed
        (sealed("21 07 0b 11 7f 41"), 8, "not_addressed"),  # and every slot wrong
        (sealed("21 07 0b 11 7f 41"), 7, "not_a_value"),  # x is the first slot in wire order
        (sealed("21 07 5b 12 7f 41"), 7, "wrong_constant"),
        (sealed("21 07 5a 12 7f 41"), 7, "spare_not_zero"),
        (sealed("21 07 5a 02 7f 41"), 7, "not_a_value"),
        (sealed("21 07 5a 01 41 41"), 7, "spare_not_zero"),  # fill bits last
    ],
)
def test_of_two_faults_the_first_question_gives_the_reason(octets: bytes, at: int | None, first: str) -> None:
    assert str(refused(octets, at).reason) == first


def test_slots_are_asked_in_wire_order_whatever_their_kind() -> None:
    fields = [refused(sealed(body)).field for body in ("21070b127f41", "21075b127f41", "21075a127f41", "21075a027f41")]
    assert fields == ["x", "mark", "spare_1", "state"]
    assert refused(sealed("21 07 5a 01 7f 41")).field == "word"


def test_without_a_station_every_address_is_read() -> None:
    assert [PROTOCOL.decode(sealed(bytes([0x21, to]) + SOUND[2:]))["to"] for to in (0, 7, 255)] == [0, 7, 255]


def test_a_station_gets_what_is_for_it_or_for_everybody() -> None:
    for at in (0, 7, 255):
        assert PROTOCOL.decode(sealed(bytes([0x21, at]) + SOUND[2:]), at)["to"] == at
        assert PROTOCOL.decode(sealed(bytes([0x21, 255]) + SOUND[2:]), at)["to"] == 255
    assert str(refused(sealed(SOUND), 0)) == "for station 7, received at 0"


@pytest.mark.parametrize("at", [-1, 256, True, "7", 7.0, 10**30])
def test_a_station_that_cannot_be_is_the_callers_error_whatever_the_octets(at: Any) -> None:
    for octets in (b"", b"\0" * 8, sealed(SOUND)):
        with pytest.raises(ValueError, match=r"is no station; 0\.\.255 are"):
            PROTOCOL.decode(octets, at)


def test_a_protocol_without_addresses_takes_no_station() -> None:
    protocol = load('name = "x", kind = "count", bits = 8')
    assert protocol.decode(b"\x01").values == {"x": 1}
    for octets in (b"", b"\x01"):
        with pytest.raises(ValueError, match="tiny has no destination"):
            protocol.decode(octets, 1)


@pytest.mark.parametrize(
    "make",
    [
        bytearray,
        memoryview,
        lambda octets: memoryview(b"".join(bytes([octet, 0xEE]) for octet in octets))[::2],
        lambda octets: array.array("B", octets),
        lambda octets: np.frombuffer(octets, np.uint8),
        type("MyBytes", (bytes,), {}),
    ],
    ids=["bytearray", "memoryview", "every other octet", "array", "numpy", "subclass"],
)
def test_octets_may_come_in_any_buffer(make: Any) -> None:
    assert PROTOCOL.decode(make(sealed(SOUND))).values == CONTENT


@pytest.mark.parametrize("octets", ["21075a", 7, None, [0x21, 7], 1.5])
def test_what_is_no_buffer_is_a_type_error(octets: Any) -> None:
    with pytest.raises(TypeError, match="bytes-like"):
        PROTOCOL.decode(octets)


def test_errors_and_protocols_go_to_worker_processes_and_back() -> None:
    errors: list[ullage.UllageError] = [refused(b""), encode_error("a", {}), refused(sealed(SOUND), 8)]
    for error in errors:
        again = pickle.loads(pickle.dumps(error))
        assert (type(again), str(again), vars(again)) == (type(error), str(error), vars(error))
    assert pickle.loads(pickle.dumps(PROTOCOL)).decode(sealed(SOUND)) == PROTOCOL.decode(sealed(SOUND))
    assert copy.deepcopy(PROTOCOL).fingerprint == PROTOCOL.fingerprint
