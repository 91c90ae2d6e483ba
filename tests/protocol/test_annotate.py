"""What is told of a frame is the whole frame, says the same as the decoder, and never fails, whatever arrived."""

from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st

import ullage
from support.protocols import specs
from ullage.layout import Slot
from ullage.words.annotate import Annotation, Row, annotate, octets_of, reading, sample

ORCHARD = ullage.load(Path(__file__).parents[2] / "spec" / "orchard.toml")

EVERY_KIND = ullage.loads(
    """
[protocol]
name = "every_kind"
[header]
field = [ { name = "to_whom", kind = "destination", bits = 4, broadcast = 0 } ]
[[frame]]
name = "all_of_them"
field = [
  { name = "mark",     kind = "constant", bits = 4, value = 9 },
  { name = "depth",    kind = "measure", unit = "m", range = [-0.5, 1.5], step = 0.05, special = ["no_echo"] },
  { name = "warmth",   kind = "measure", unit = "Cel", range = [-40, 85], step = 0.5, zero = 0 },
  { name = "flow",     kind = "measure", unit = "l", range = [0, 1000], step = 10 },
  { name = "rain",     kind = "measure", unit = "", range = [0, 3], step = 0.25 },
  { name = "big",      kind = "measure", unit = "V", range = [0, 20000000000000], step = 0.01 },
  { name = "counts",   kind = "count", range = [3, 9] },
  { name = "wet",      kind = "flag" },
  { name = "state",    kind = "code", codes = { half_open = 2, shut = 0 } },
  { name = "taken",    kind = "time", bits = 34, step = 0.25, epoch = "unix" },
  { name = "long_after",      kind = "time", bits = 64, epoch = "unix" },
  { name = "since",    kind = "time", bits = 32, step = 0.5, epoch = "start" },
  { name = "label",    kind = "text", octets = 9 },
  { name = "key_id",   kind = "octets", octets = 2 },
  { name = "later",    kind = "spare", bits = 3 },
]
[integrity]
crc = "CRC-16/ARC"
"""
)


def slot(name: str) -> Slot:
    return EVERY_KIND.frames["all_of_them"].slot(name)


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("to_whom", 3, "3"),
        ("to_whom", 0, "everybody"),
        ("depth", -0.5, "-0.50 m"),
        ("depth", 1, "1.00 m"),
        ("depth", Fraction(1, 20), "0.05 m"),
        ("depth", "no_echo", "no echo"),
        ("warmth", -12.5, "-12.5 Cel"),
        ("warmth", 0.0, "0.0 Cel"),
        ("flow", 250, "250 l"),
        ("rain", 0.75, "0.75"),
        ("big", 19_999_999_999_999.99, "19999999999999.99 V"),
        ("counts", 4, "4"),
        ("wet", True, "yes"),
        ("wet", False, "no"),
        ("state", "half_open", "half_open"),
        ("label", "1.4.2", '"1.4.2"'),
        ("key_id", b"\x0a\xff", "0a ff"),
        # POSIX, Base Definitions 4.16 "Seconds Since the Epoch": days and leap years as in the Gregorian calendar.
        ("taken", 0, "1970-01-01T00:00:00.00Z"),
        ("taken", 951_782_400, "2000-02-29T00:00:00.00Z"),
        ("taken", 951_782_400.25, "2000-02-29T00:00:00.25Z"),
        ("long_after", 253_402_300_799, "9999-12-31T23:59:59Z"),
        ("long_after", 253_402_300_800, "253402300800 s since 1970"),
        ("since", 0, "0 d 00:00:00.0"),
        ("since", 2 * 86_400 + 3 * 3600 + 600.5, "2 d 03:10:00.5"),
    ],
)
def test_a_value_reads_as_people_write_it(name: str, value: Any, text: str) -> None:
    assert reading(slot(name), value) == text


def test_a_float_and_the_same_decimal_read_alike() -> None:
    for steps in range(-10, 31):
        decimal = Decimal(steps) / 20
        assert reading(slot("depth"), float(decimal)) == reading(slot("depth"), decimal) == f"{decimal:.2f} m"


@pytest.mark.parametrize(
    ("text", "octets"),
    [
        ("210111", b"\x21\x01\x11"),
        ("21 01\t11\n", b"\x21\x01\x11"),
        ("21:01:11", b"\x21\x01\x11"),
        ("21-1-11", b"\x21\x01\x11"),
        ("0x21, 0x1,0X11", b"\x21\x01\x11"),
        ("{0x21u, 0x01u}", b"\x21\x01"),
        ('"\\x21\\x01"', b"\x21\x01"),
        ("2101 11", b"\x21\x01\x11"),
        ("aB Cd", b"\xab\xcd"),
        ("", b""),
    ],
)
def test_hex_is_read_however_it_is_printed(text: str, octets: bytes) -> None:
    assert octets_of(text) == octets


@pytest.mark.parametrize(("text", "what"), [("21 zz", "'zz' is no hex"), ("0x2101 211", "'211' has an odd number")])
def test_what_is_no_hex_is_named(text: str, what: str) -> None:
    with pytest.raises(ValueError, match=what):
        octets_of(text)


@pytest.mark.parametrize("protocol", [ORCHARD, EVERY_KIND], ids=["orchard", "every_kind"])
def test_a_sample_comes_back_as_it_was(protocol: ullage.Protocol) -> None:
    for layout in protocol.frames.values():
        values = sample(layout)
        message = protocol.decode(protocol.encode(layout.name, values))
        assert {name: reading(layout.slot(name), value) for name, value in message.values.items()} == {
            name: reading(layout.slot(name), value) for name, value in values.items()
        }


def test_the_sample_of_a_level_report_is_a_sensible_one() -> None:
    assert sample(ORCHARD.frames["level_report"]) == {
        "destination": 1,
        "source": 17,
        "sequence": 9,
        "sensor": 0,
        "distance": 3125,
        "battery": 3.25,
    }


def test_a_sample_is_for_one_station_even_where_the_usual_number_is_everybodys() -> None:
    text = """
[protocol]
name = "few"
[header]
field = [ { name = "destination", kind = "destination", bits = 2, broadcast = 1 } ]
[[frame]]
name = "only"
"""
    assert sample(ullage.loads(text).frames["only"]) == {"destination": 2}


@given(text=specs())
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
def test_the_sample_of_any_frame_encodes(text: str) -> None:
    protocol = load(text)
    for layout in protocol.frames.values():
        octets = protocol.encode(layout.name, sample(layout))
        told = annotate(protocol, octets)
        assert told.message == protocol.decode(octets)
        assert_complete(octets, told)


def load(text: str) -> ullage.Protocol:
    try:
        return ullage.loads(text)
    except ullage.SpecError:
        reject()


@given(text=specs(), data=st.data())
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
def test_whatever_arrives_is_told_and_nothing_is_left_out(text: str, data: st.DataObject) -> None:
    protocol = load(text)
    layout = data.draw(st.sampled_from(list(protocol.frames.values())))
    sound = protocol.encode(layout.name, sample(layout))
    flips = data.draw(st.binary(min_size=len(sound), max_size=len(sound)))
    flipped = bytes(a ^ b for a, b in zip(sound, flips, strict=True))
    octets = data.draw(
        st.one_of(st.just(flipped), st.binary(max_size=300), st.builds(lambda n: sound[:n], st.integers(0, len(sound))))
    )
    told = annotate(protocol, octets)
    assert (told.message is None) == (told.refused is not None)
    assert_complete(octets, told)


def assert_complete(octets: bytes, told: Annotation) -> None:
    """Every octet is shown at its number, and every bit outside the CRC belongs to exactly one row."""
    shown: dict[int, int] = {}
    bits: dict[int, str] = {}
    first, in_crc = 0, False
    for row in told.rows:
        first = first if row.octet is None else row.octet
        shown |= dict(enumerate(bytes.fromhex(row.hex), first))
        in_crc = in_crc or row.name == "CRC"
        assert in_crc == (row.name == "CRC" or (in_crc and not row.name))
        for place, bit in enumerate(row.bits.replace(" ", ""), 8 * first):
            if bit != ".":
                assert place not in bits, f"bit {place} is told twice"
                bits[place] = bit
    if any("octets more" in row.reading for row in told.rows):
        return
    assert bytes(shown[place] for place in range(len(octets))) == octets
    word = "".join(f"{octet:08b}" for octet in octets)
    assert "".join(bits[place] for place in sorted(bits)) == word[: len(bits)]
    assert len(octets) - 8 <= len(bits) / 8 <= len(octets)


def rows(protocol: ullage.Protocol, octets: bytes, at: int | None = None) -> list[Row]:
    return list(annotate(protocol, octets, at).rows)


def sealed(octets: str) -> bytes:
    """Octets of orchard with the CRC that fits."""
    plain = bytes.fromhex(octets)
    assert ORCHARD.integrity is not None
    return plain + ORCHARD.integrity.check.compute(plain).to_bytes(2, "big")


def test_fields_that_share_octets_stand_together() -> None:
    assert rows(ORCHARD, sealed("21 01 11 00 09 03 d8 79")) == [
        Row(0, "21", "001.....", "revision", "1"),
        Row(None, "", "...00001", "message", "1", "level_report"),
        Row(1, "01", "00000001", "destination", "1"),
        Row(2, "11", "00010001", "source", "17"),
        Row(3, "00 09", "00000000 00001001", "sequence", "9"),
        Row(5, "03 d8", "000..... ........", "sensor", "0"),
        Row(None, "", "...00011 11011000", "distance", "984", "1234 mm"),
        Row(7, "79", "01111001", "battery", "121", "3.21 V"),
        Row(8, "33 d7", "", "CRC", "", "fits"),
    ]


def test_fields_tied_over_many_octets_get_rows_of_their_own() -> None:
    octets = ORCHARD.encode("status_report", sample(ORCHARD.frames["status_report"]))
    assert rows(ORCHARD, octets)[5:] == [
        Row(5, "00 0b fe", "00000000 00001011 11111110", "uptime", "3070", "2 d 03:10:00"),
        Row(8, "7f", "01111111", "starts", "127"),
        Row(9, "1f", "00......", "start_cause", "0", "power"),
        Row(9, "1f 52", "..011111 01......", "temperature", "125", "22.5 Cel"),
        Row(10, "52 87", "..010010 1.......", "panel", "37", "3.7 V"),
        Row(11, "87", ".0......", "lid_open", "0", "no"),
        Row(None, "", "..00....", "valve", "0", "shut"),
        Row(11, "87 36", "....0111 00110110", "firmware", "", '"sample"'),
        Row(13, "16 d7", "00010110 11010111", ""),
        Row(15, "06 c6", "00000110 11000110", ""),
        Row(17, "50", "0101....", ""),
        Row(None, "", "....0000", "(fill)", "0"),
        Row(18, "46 5a", "", "CRC", "", "fits"),
    ]


def told_field(octets: bytes, name: str, protocol: ullage.Protocol = ORCHARD) -> tuple[str, str]:
    row = next(row for row in rows(protocol, octets) if row.name == name)
    return row.raw, row.reading


def test_codes_and_conditions_are_told_by_name_or_as_nothing() -> None:
    assert told_field(sealed("21 01 11 00 09 1f ff 79"), "distance") == ("8191", "no echo")
    assert told_field(sealed("21 01 11 00 09 1f d0 79"), "distance") == ("8144", "stands for nothing")
    assert told_field(sealed("23 01 11 00 09 07 f7 f0"), "spare") == ("3", "0 must be there")
    assert told_field(sealed("21 ff 11 00 09 03 d8 79"), "destination") == ("255", "everybody")


def test_a_damaged_frame_is_shown_with_the_crc_that_would_fit() -> None:
    told = annotate(ORCHARD, bytes.fromhex("21 01 11 00 09 01 d8 79 33 d7"))
    assert told.frame == "level_report"
    assert told.refused is not None
    assert told.refused.reason is ullage.Status.INTEGRITY
    assert told.rows[-1].reading == "5db7 would fit"
    assert told.rows[-3].reading == "722 mm"


def test_a_crc_of_low_octet_first_is_told_as_it_would_travel() -> None:
    values = sample(EVERY_KIND.frames["all_of_them"])
    octets = EVERY_KIND.encode("all_of_them", values)
    right, wrong = octets[-2:], bytes([octets[-2] ^ 1, octets[-1]])
    assert told_field(octets[:-2] + wrong, "CRC", EVERY_KIND)[1] == f"{right.hex(' ')} would fit"


def test_a_negative_raw_is_shown_as_its_bit_pattern() -> None:
    values = sample(EVERY_KIND.frames["all_of_them"]) | {"warmth": "-0.5"}
    assert told_field(EVERY_KIND.encode("all_of_them", values), "warmth", EVERY_KIND) == ("511", "-0.5 Cel")


def test_a_cut_frame_is_read_as_long_after_as_it_goes() -> None:
    told = annotate(ORCHARD, bytes.fromhex("21 01 11 00 09 03 d8"))
    assert told.note == "Shown as level_report, cut after 7 of its 10 octets."
    assert told.rows[-3:] == (
        Row(None, "", "...00011 11011000", "distance", "984", "1234 mm"),
        Row(None, "", "", "-", "", "missing: battery"),
        Row(None, "", "", "CRC", "", "missing"),
    )


def test_half_a_crc_is_called_cut() -> None:
    assert rows(ORCHARD, sealed("21 01 11 00 09 03 d8 79")[:-1])[-1] == Row(8, "33", "", "CRC", "", "cut")


def test_a_frame_that_is_sound_but_too_long_keeps_its_crc_at_the_end() -> None:
    told = annotate(ORCHARD, sealed("21 01 11 00 09 03 d8 79 aa bb"))
    assert told.refused is not None
    assert told.refused.reason is ullage.Status.WRONG_LENGTH
    assert told.rows[-2] == Row(8, "aa bb", "10101010 10111011", "-", "", "too many")
    assert (told.rows[-1].octet, told.rows[-1].reading) == (10, "fits")


def test_a_damaged_message_code_gives_way_to_the_only_frame_of_this_length() -> None:
    told = annotate(ORCHARD, bytes.fromhex("3f 01 11 00 09 7f 00 33 a3"))
    assert (told.frame, told.note) == ("acknowledgement", "Shown as acknowledgement, the only frame of 9 octets.")
    assert (told.rows[1].raw, told.rows[1].reading) == ("31", "no frame has this code")


def test_of_another_revision_only_revision_and_message_are_read() -> None:
    told = annotate(ORCHARD, sealed("41 01 11 00 09 03 d8 79"))
    assert told.frame is None
    assert [(row.name, row.reading) for row in told.rows if row.name] == [
        ("revision", "this spec is revision 1"),
        ("message", "level_report"),
        ("-", "not known"),
        ("CRC", "fits"),
    ]


def test_of_an_unknown_message_the_header_is_read() -> None:
    told = annotate(ORCHARD, sealed("3e 01 11 00 09 03 d8 79"))
    assert told.frame is None
    assert [row.name for row in told.rows] == ["revision", "message", "destination", "source", "sequence", "-", "CRC"]


def test_a_long_stretch_that_nobody_can_read_is_cut_and_counted() -> None:
    told = annotate(ORCHARD, bytes.fromhex("21" * 300))
    rest = next(row for row in told.rows if row.name == "-")
    assert rest.reading == "too many; 258 octets more"
    assert len(told.rows) < 30


def test_a_frame_for_another_station_is_shown_whole() -> None:
    told = annotate(ORCHARD, sealed("21 01 11 00 09 03 d8 79"), at=5)
    assert told.refused is not None
    assert told.refused.reason is ullage.Status.NOT_ADDRESSED
    assert [row.name for row in told.rows][-3:] == ["distance", "battery", "CRC"]


def test_a_protocol_without_a_crc_has_no_row_for_one() -> None:
    protocol = ullage.loads('[protocol]\nname = "bare"\n[[frame]]\nname = "only"\nfield = [{name="a", kind="flag"}]\n')
    assert rows(protocol, b"\x80") == [
        Row(0, "80", "1.......", "a", "1", "yes"),
        Row(None, "", ".0000000", "(fill)", "0"),
    ]
