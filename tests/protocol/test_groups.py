"""Lists and groups: what follows from what is given, what a count may say, and which reason comes first."""

from typing import Any

import pytest

import ullage

SPEC = (
    """
[protocol]
name = "orchard"

[header]
field = [{ name = "destination", kind = "destination", bits = 8, broadcast = 255 }]

[[part]]
name = "reading"
field = [
  { name = "level", kind = "measure", unit = "mm", range = [0, 8000], step = 1, special = ["no_echo"] },
  { name = "calm",  kind = "flag" },
]

[[part]]
name = "readings"
field = [
  { name = "readings", kind = "list", counted_by = "number", at_most = 4, field = [{ kind = "part", part = "reading" }]}
]

[[part]]
name = "cell"
field = [{ name = "cell", kind = "count", bits = 8 }]

[[part]]
name = "cells"
field = [
  { name = "cells", kind = "list", counted_by = "parts", at_most = 2, field = [{ kind = "part", part = "cell" }] }
]

[[frame]]
name = "history"
field = [
  { name = "has_battery", kind = "flag" },
  { name = "number",      kind = "count", bits = 3 },
  { kind = "part", part = "readings" },
  { name = "power",       kind = "group", when = "has_battery", field = [
      { name = "battery", kind = "measure", unit = "V", range = [2, 4.5], step = 0.01, clamp = true },
      { name = "parts",   kind = "count", bits = 2 },
      { kind = "part", part = "cells" },
  ] },
  { name = "end", kind = "constant", bits = 3, value = 5 },
]

[integrity]
crc = "CRC-8/SMBUS"
""".replace("= [\n      {", "= [ {")
    .replace("},\n      {", "}, {")
    .replace("},\n  ] }", "} ] }")
)


@pytest.fixture(scope="module")
def orchard() -> ullage.Protocol:
    return ullage.loads(SPEC)


READING = {"level": 1234, "calm": True}
FULL: dict[str, Any] = {
    "destination": 1,
    "readings": [READING, {"level": "no_echo", "calm": False}],
    "power": {"battery": 3.71, "cells": [{"cell": 7}]},
}
EMPTY: dict[str, Any] = {"destination": 1, "readings": [], "power": None}


def refused(protocol: ullage.Protocol, octets: bytes, at: int | None = None) -> ullage.Refused:
    with pytest.raises(ullage.Refused) as caught:
        protocol.decode(octets, at)
    return caught.value


def with_crc(protocol: ullage.Protocol, body: bytes) -> bytes:
    assert protocol.integrity is not None
    return body + protocol.integrity.check.to_octets(protocol.integrity.check.compute(body))


def test_counts_and_flags_follow_from_what_is_given_and_are_decoded(orchard: ullage.Protocol) -> None:
    message = orchard.decode(orchard.encode("history", FULL))
    assert message["has_battery"] is True
    assert message["number"] == 2
    assert message["readings"] == ({"level": 1234, "calm": True}, {"level": "no_echo", "calm": False})
    assert message["power"] == {"battery": 3.71, "parts": 1, "cells": ({"cell": 7},)}
    empty = orchard.decode(orchard.encode("history", EMPTY))
    assert (empty["has_battery"], empty["number"], empty["readings"], empty["power"]) == (False, 0, (), None)


def test_what_was_decoded_encodes_again(orchard: ullage.Protocol) -> None:
    octets = orchard.encode("history", FULL)
    assert orchard.encode("history", orchard.decode(octets).values) == octets


def test_longest_and_shortest_frame_are_computed(orchard: ullage.Protocol) -> None:
    layout = orchard.frames["history"]
    assert (layout.least_octets, layout.octets) == (3, 14)
    assert len(orchard.encode("history", EMPTY)) == 3
    full = {**FULL, "readings": [READING] * 4, "power": {"battery": 3, "cells": [{"cell": 1}] * 2}}
    assert len(orchard.encode("history", full)) == 14


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        ({"number": 3}, "number is 3, and what is given makes 2"),
        ({"has_battery": False}, "has_battery says no, and power is there"),
        ({"power": None, "has_battery": True}, "has_battery says yes, and power is not there"),
        ({"readings": READING}, "readings: dict is no list of items"),
        ({"readings": [{"level": 1}]}, r"history needs readings\[0\].calm"),
        ({"readings": [{**READING, "x": 1}]}, r"readings\[0\].x is no field here"),
        ({"readings": [7]}, r"readings\[0\]: a int; give name -> value"),
        ({"power": {"battery": 3}}, "history needs power.cells"),
        ({"end": 5}, "end is written by the encoder itself"),
    ],
)
def test_what_does_not_agree_or_is_missing_is_an_error_with_its_place(
    orchard: ullage.Protocol, changed: dict[str, Any], text: str
) -> None:
    with pytest.raises(ullage.EncodeError, match=text):
        orchard.encode("history", {**FULL, **changed})


def test_too_many_items_have_a_status_of_their_own(orchard: ullage.Protocol) -> None:
    with pytest.raises(ullage.EncodeError, match="readings: 5 items are more than 4") as caught:
        orchard.encode("history", {**FULL, "readings": [READING] * 5})
    assert caught.value.status is ullage.Status.TOO_MANY


def test_a_count_that_the_list_cannot_have_is_refused_before_any_value_is_looked_at(orchard: ullage.Protocol) -> None:
    body = bytearray(orchard.encode("history", FULL)[:-1])
    body[1] = body[1] & 0x8F | 5 << 4
    found = refused(orchard, with_crc(orchard, bytes(body)))
    assert (found.reason, found.field, found.bit, found.raw) == (ullage.Status.WRONG_COUNT, "number", 9, 5)


def test_a_count_that_passes_the_end_is_a_wrong_length(orchard: ullage.Protocol) -> None:
    body = bytearray(orchard.encode("history", {**EMPTY, "readings": [READING]})[:-1])
    body[1] = body[1] & 0x8F | 4 << 4
    assert refused(orchard, with_crc(orchard, bytes(body))).reason is ullage.Status.WRONG_LENGTH


def test_octets_that_nobody_counts_are_a_wrong_length(orchard: ullage.Protocol) -> None:
    body = orchard.encode("history", EMPTY)[:-1] + b"\0"
    assert refused(orchard, with_crc(orchard, body)).reason is ullage.Status.WRONG_LENGTH


def test_the_address_is_asked_before_flags_and_counts(orchard: ullage.Protocol) -> None:
    body = bytearray(orchard.encode("history", EMPTY)[:-1])
    body[1] |= 7 << 4
    octets = with_crc(orchard, bytes(body))
    assert refused(orchard, octets, at=2).reason is ullage.Status.NOT_ADDRESSED
    assert refused(orchard, octets, at=1).reason is ullage.Status.WRONG_COUNT


def test_fill_bits_are_asked_last(orchard: ullage.Protocol) -> None:
    octets = orchard.encode("history", EMPTY)
    body = bytearray(octets[:-1])
    body[-1] |= 1
    found = refused(orchard, with_crc(orchard, bytes(body)))
    assert (found.reason, found.field) == (ullage.Status.SPARE_NOT_ZERO, None)
    body[-1] ^= 0b10  # the constant is wrong as well, and stands before
    assert refused(orchard, with_crc(orchard, bytes(body))).reason is ullage.Status.WRONG_CONSTANT


OCTETS = """
[protocol]
name = "bus"
[[frame]]
name = "answer"
field = [
  { name = "size",  kind = "count", bits = 8 },
  { kind = "part", part = "words" },
]
[[part]]
name = "words"
[[part.field]]
name = "words"
kind = "list"
counted_by = "size"
counts = "octets"
at_most = 3
field = [{ kind = "part", part = "word" }]
[[part]]
name = "word"
field = [{ name = "word", kind = "count", bits = 16, octet_order = "low_first" }]
"""


def test_a_count_of_octets_counts_octets() -> None:
    bus = ullage.loads(OCTETS)
    octets = bus.encode("answer", {"words": [{"word": 0x0102}, {"word": 3}]})
    assert octets.hex(" ") == "04 02 01 03 00"
    assert bus.decode(octets)["size"] == 4
    assert refused(bus, bytes.fromhex("03 02 01 03")).reason is ullage.Status.WRONG_COUNT
    assert refused(bus, bytes.fromhex("08 0201 0300 0100 0200")).reason is ullage.Status.WRONG_LENGTH


LENGTHS = """
[protocol]
name = "bus"
[header]
field = [
  { name = "mark",  kind = "constant", bits = 8, value = 0xAA },
  { name = "size",  kind = "length", bits = 16, covers = "%s", octet_order = "low_first" },
]
[[frame]]
name = "answer"
field = [
  { name = "number", kind = "count", bits = 8 },
  { name = "items", kind = "list", counted_by = "number", at_most = 3, field = [{ kind = "part", part = "item" }] },
]
[[part]]
name = "item"
field = [{ name = "item", kind = "count", bits = 4 }]
[integrity]
sum = { bits = 8 }
covers_from = "size"
"""


@pytest.mark.parametrize(("covers", "octets"), [("frame", "aa 06 00 01 70 77"), ("rest", "aa 03 00 01 70 74")])
def test_a_length_says_what_it_covers_and_is_checked(covers: str, octets: str) -> None:
    bus = ullage.loads(LENGTHS % covers)
    frame = bus.encode("answer", {"items": [{"item": 7}]})
    assert frame.hex(" ") == octets
    wrong = bytearray(frame)
    wrong[1] += 1
    wrong[-1] += 1
    found = refused(bus, bytes(wrong))
    assert (found.reason, found.field) == (ullage.Status.WRONG_LENGTH, "size")


N = '{ name = "n", kind = "count", bits = %d }'
ON = '{ name = "on", kind = "flag" }'
LIST = '{ name = "x", kind = "list", counted_by = "n", at_most = %d, field = [%s] }'
GROUP = '{ name = "x", kind = "group", when = "on", field = [%s] }'
FLAG = '{ name = "y", kind = "flag" }'
BITS = '{ name = "y", kind = "count", bits = %d }'
LENGTH = '{ name = "l", kind = "length", bits = %d, covers = "%s" }'
LOW = '{ name = "y", kind = "count", bits = %d, octet_order = "low_first" }'

FAULTS = [
    ([LIST % (2, FLAG)], "unknown_name"),
    (['{ name = "n", kind = "flag" }', LIST % (2, FLAG)], "wrong_kind"),
    ([N % 1, LIST % (2, FLAG)], "too_few_bits"),
    ([N % 4, LIST.replace("at_most", 'counts = "octets", at_most') % (2, FLAG)], "unaligned"),
    ([N % 4, LIST % (2, "")], "no_fields"),
    ([N % 4, LIST % (2, FLAG), LIST.replace('"x"', '"z"') % (2, FLAG)], "counted_twice"),
    ([GROUP % FLAG], "unknown_name"),
    ([ON, GROUP % ON], "name_taken"),
    ([ON, GROUP % '{ name = "s", kind = "sequence", bits = 8 }'], "not_inside"),
    ([N % 8, LIST % (255, BITS % 9)], "too_long"),
    (['{ kind = "part", part = "none" }'], "unknown_name"),
    ([LOW % 12], "unaligned"),
    ([ON, LOW % 16], "unaligned"),
    ([N % 4, LIST % (9, FLAG), LENGTH % (8, "frame")], "length_late"),
    ([ON, LENGTH % (8, "rest")], "unaligned"),
    ([LENGTH % (1, "frame"), '{ name = "t", kind = "text", octets = 9 }'], "too_few_bits"),
]


@pytest.mark.parametrize(("fields", "code"), FAULTS)
def test_what_cannot_be_a_list_group_or_length_is_a_fault(fields: list[str], code: str) -> None:
    with pytest.raises(ullage.SpecError) as caught:
        ullage.loads(f'[protocol]\nname = "bus"\n[[frame]]\nname = "a"\nfield = [{", ".join(fields)}]\n')
    assert code in [fault.code for fault in caught.value.faults]


def test_a_part_cannot_contain_itself() -> None:
    text = (
        '[protocol]\nname = "bus"\n[[frame]]\nname = "a"\nfield = [{ kind = "part", part = "p" }]\n'
        '[[part]]\nname = "p"\nfield = [{ kind = "part", part = "q" }]\n'
        '[[part]]\nname = "q"\nfield = [{ kind = "part", part = "p" }]\n'
    )
    with pytest.raises(ullage.SpecError, match='part "p" would contain itself'):
        ullage.loads(text)


def test_two_groups_of_one_flag_come_and_go_together() -> None:
    bus = ullage.loads(
        '[protocol]\nname = "bus"\n[[frame]]\nname = "a"\nfield = [{ name = "on", kind = "flag" }, '
        '{ name = "x", kind = "group", when = "on", field = [{ name = "y", kind = "count", bits = 3 }] }, '
        '{ name = "z", kind = "group", when = "on", field = [{ name = "w", kind = "count", bits = 4 }] }]\n'
    )
    assert bus.encode("a", {"x": {"y": 5}, "z": {"w": 9}}).hex() == "d9"
    with pytest.raises(ullage.EncodeError, match="on says yes, and z is not there"):
        bus.encode("a", {"x": {"y": 5}, "z": None})
