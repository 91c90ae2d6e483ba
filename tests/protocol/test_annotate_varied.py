"""Frames with lists and groups are told octet by octet as others are: every bit once, whatever arrived."""

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import ullage
from support.cases import received
from support.protocols import specs
from support.tiny import generated
from support.varied import CRC, HISTORY, SUM, UART, VALUES
from ullage.groups import walk
from ullage.words.annotate import Annotation, Row, annotate
from ullage.words.extent import extent, place_of
from ullage.words.samples import sample

TERRACE = ullage.loads(HISTORY + SUM)
HEAD = ullage.loads(UART)
SOUND = TERRACE.encode("history", VALUES)


def sealed(body: bytes, protocol: ullage.Protocol = TERRACE) -> bytes:
    assert protocol.integrity is not None
    check = protocol.integrity.check
    return body + check.to_octets(check.compute(body), protocol.integrity.high_first)


def told(octets: bytes, protocol: ullage.Protocol = TERRACE) -> list[Row]:
    return list(annotate(protocol, octets).rows)


def named(rows: list[Row]) -> dict[str, tuple[str, str]]:
    return {row.name: (row.raw, row.reading) for row in rows if row.name}


def test_a_message_with_lists_and_groups_is_unfolded_into_its_fields() -> None:
    assert told(SOUND) == [
        Row(0, "01", "00000001", "message", "1", "history"),
        Row(1, "11", "00010001", "source", "17"),
        Row(2, "09 00", "00001001 00000000", "sequence", "9"),
        Row(4, "16", "00010...", "number", "2", "2 items of readings"),
        Row(None, "", ".....1..", "has_extra", "1", "yes: with extra"),
        Row(None, "", "......1.", "lid", "1", "open"),
        Row(4, "16 9a", ".......0 10011010", "readings[0].level", "1233", "1233 mm"),
        Row(6, "3f", "001.....", ""),
        Row(None, "", "...1....", "readings[0].ok", "1", "yes"),
        Row(6, "3f ff", "....1111 11111111", "readings[1].level", "4095", "no echo"),
        Row(8, "29", "0.......", "readings[1].ok", "0", "no"),
        Row(8, "29 a0", ".0101001 1.......", "extra.t", "83", "21.5 Cel"),
        Row(9, "a0 30", ".0100000 00110000", "extra.cal", "1080033280", "3.5 V"),
        Row(11, "00 00", "00000000 00000000", ""),
        Row(13, "21", "0.......", ""),
        Row(None, "", ".01.....", "extra.n", "1", "1 item of runs"),
        Row(13, "21 70", "...00001 01......", "extra.runs[0].secs", "5"),
        Row(14, "70", "..110...", "last", "6"),
        Row(None, "", ".....000", "(fill)", "0"),
        Row(15, SOUND[-1:].hex(), "", "sum", "", "fits"),
    ]  # fmt: skip


def test_an_absent_group_and_an_empty_list_have_no_rows() -> None:
    octets = TERRACE.encode("history", VALUES | {"readings": (), "extra": None})
    rows = named(told(octets))
    assert rows["number"] == ("0", "0 items of readings")
    assert rows["has_extra"] == ("0", "no: without extra")
    assert list(rows) == ["message", "source", "sequence", "number", "has_extra", "lid", "last", "(fill)", "sum"]


def test_a_count_that_no_list_has_ends_the_row_there() -> None:
    annotation = annotate(TERRACE, sealed(bytes.fromhex("01 11 0900 2c aabbcc")))
    assert annotation.refused is not None
    assert annotation.refused.reason is ullage.Status.WRONG_COUNT
    rows = named(list(annotation.rows))
    assert rows["number"] == ("5", "no count of readings; 0..4 items")
    assert list(rows)[-3:] == ["lid", "-", "sum"]
    assert rows["-"] == ("", "not known")


def test_counted_octets_that_are_no_whole_items_are_called_so() -> None:
    rows = named(told(sealed(bytes.fromhex("03 11 0900 60 00"))))
    assert rows["total"] == ("3", "no count of words; 0..3 items of 2 octets")


def test_a_cut_frame_says_what_is_missing_as_far_as_its_counts_tell() -> None:
    annotation = annotate(TERRACE, SOUND[:7])
    assert annotation.note == "Shown as history, cut after 7 octets."
    rows = list(annotation.rows)
    assert rows[-1] == Row(None, "", "", "sum", "", "missing")
    assert rows[-2].reading == ("missing: readings[1].level, readings[1].ok, extra.t, extra.cal, extra.n, runs")
    assert named(rows)["readings[0].ok"] == ("1", "yes")


def test_a_cut_frame_whose_counts_are_there_is_known_by_its_length() -> None:
    octets = TERRACE.encode("words", {"source": 1, "sequence": 1, "words": ({"w": 1}, {"w": 2}, {"w": 3})})
    annotation = annotate(TERRACE, octets[:8])
    assert annotation.note == "Shown as words, cut after 8 of its 12 octets by its counts."
    assert annotation.rows[-2].reading == "missing: words[1].w, words[2].w, fill bits"


def test_a_list_that_is_longer_than_its_count_says_has_too_many_octets() -> None:
    annotation = annotate(TERRACE, sealed(SOUND[:-1] + b"\xaa\xbb"))
    assert annotation.refused is not None
    assert annotation.refused.reason is ullage.Status.WRONG_LENGTH
    assert annotation.rows[-2] == Row(15, "aa bb", "10101010 10111011", "-", "", "too many")
    assert annotation.rows[-1].reading == "fits"


def test_a_fault_in_an_item_names_the_item() -> None:
    body = bytearray(SOUND[:-1])
    body[6:8] = b"\x39\xff"  # level of the second item: code 2559
    refused = annotate(TERRACE, sealed(bytes(body))).refused
    assert refused is not None
    assert (refused.field, refused.bit) == ("level", 52)
    assert str(refused) == "readings[1].level: code 2559 stands for nothing; 0..2500 mm by 1 mm, or no_echo"
    assert place_of(TERRACE.frames["history"], bytes(body), 52) == "readings[1].level"


def test_a_length_says_how_many_octets_and_how_many_there_are() -> None:
    octets = HEAD.encode("echo", {"blocks": ({"away": 300}, {"away": "lost"})})
    rows = named(told(octets, HEAD))
    assert rows["size"] == ("7", "7 octets follow")
    assert rows["blocks[1].away"] == ("65535", "lost")
    wrong = sealed(octets[:1] + b"\x09" + octets[2:-2], HEAD)
    assert named(told(wrong, HEAD))["size"] == ("9", "9 octets follow; there are 7")
    whole = ullage.loads(UART.replace('"rest"', '"frame"'))
    octets = whole.encode("echo", {"blocks": ()})
    assert named(told(octets, whole))["size"] == ("5", "5 octets in the frame")


def test_low_octets_first_are_read_as_the_decoder_reads_them() -> None:
    rows = named(told(TERRACE.encode("flow", {"source": 1, "sequence": 0x0102, "much": 0x0304, "ratio": "0.1"})))
    assert rows["sequence"] == ("258", "")
    assert rows["much"] == ("772", "772 l")
    assert rows["ratio"] == ("1036831949", "0.1")  # IEEE 754: 0.1 is 0x3dcccccd as a single


def test_a_number_that_is_none_is_told_as_nothing() -> None:
    rows = named(told(sealed(bytes.fromhex("02 01 0000 0000 7fc00000"))))
    assert rows["ratio"] == ("2143289344", "stands for nothing")


def test_what_is_walked_leniently_is_what_the_decoder_walks() -> None:
    for layout in TERRACE.frames.values():
        body = TERRACE.encode(layout.name, sample(layout))[:-1]
        if layout.tail:
            places = [slot for name, slot in extent(layout, body).slots if slot.kind != "fill"]
            assert places == list(walk(layout, int.from_bytes(body, "big"), 8 * len(body)).slots())


def assert_whole(octets: bytes, annotation: Annotation) -> None:
    """Every octet stands at its number, every bit before the check in exactly one row, and each name in one only."""
    shown: dict[int, int] = {}
    bits: dict[int, str] = {}
    names = [row.name for row in annotation.rows if row.name not in ("", "-", "(fill)")]
    assert len(names) == len(set(names))
    first = 0
    for row in annotation.rows:
        first = first if row.octet is None else row.octet
        shown |= dict(enumerate(bytes.fromhex(row.hex), first))
        for place, bit in enumerate(row.bits.replace(" ", ""), 8 * first):
            if bit != ".":
                assert place not in bits, f"bit {place} is told twice"
                bits[place] = bit
    if not any("octets more" in row.reading for row in annotation.rows):
        assert bytes(shown[place] for place in range(len(octets))) == octets
        word = "".join(f"{octet:08b}" for octet in octets)
        assert "".join(bits[place] for place in sorted(bits)) == word[: len(bits)]
        assert len(bits) % 8 == 0


@pytest.mark.parametrize("end", [SUM, CRC, ""], ids=["sum", "crc", "none"])
def test_every_kind_of_damage_is_told_whole(end: str) -> None:
    protocol = ullage.loads(HISTORY + end)
    told_apart = set()
    for octets in received(protocol, random.Random(3)):
        annotation = annotate(protocol, octets)
        assert (annotation.message is None) == (annotation.refused is not None)
        assert_whole(octets, annotation)
        told_apart.add(annotation.refused and annotation.refused.reason)
    assert {None, ullage.Status.WRONG_COUNT, ullage.Status.WRONG_LENGTH, ullage.Status.NOT_A_VALUE} <= told_apart


@given(text=specs(), seed=st.integers(0, 2**32))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
def test_any_protocols_frames_are_told_whole_and_by_the_decoders_places(text: str, seed: int) -> None:
    protocol = generated(text)
    rng = random.Random(seed)
    cases = list(received(protocol, rng))
    for octets in rng.sample(cases, min(12, len(cases))):
        annotation = annotate(protocol, octets)
        assert_whole(octets, annotation)
        if annotation.message is not None:
            layout = protocol.frames[annotation.message.frame]
            body = octets[: len(octets) - protocol.check_octets]
            names = [name for name, _ in extent(layout, body).slots if name]
            assert [row.name for row in annotation.rows if row.name in set(names)] == names
