"""What is told of a sealed frame: the clear part without a key, everything with one, and never a guess."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import ullage
from support.protocols import sealed_specs
from support.sealed_frames import keys_for, sealed_frame, sealed_layouts
from support.sealed_specs import SEALED, orchard
from support.tiny import generated
from ullage.seal import Key
from ullage.seal.ccm import seal
from ullage.words.annotate import Annotation, Row, annotate
from ullage.words.samples import sample
from ullage.words.wording import reading

ORCHARD = ullage.loads(orchard())
REPORT = sealed_frame(ORCHARD, ORCHARD.frames["report"])


def row(told: Annotation, name: str) -> Row:
    return next(row for row in told.rows if row.name == name)


def names(told: Annotation) -> list[str]:
    return [row.name for row in told.rows if row.name]


def test_without_a_key_the_header_is_told_and_encrypted_octets_are_named_not_read() -> None:
    told = annotate(ORCHARD, REPORT)
    assert told.refused is not None
    assert told.refused.reason is ullage.Status.NO_KEY
    assert names(told) == ["message", "destination", "source", "sequence", "(encrypted)", "tag", "CRC"]
    assert row(told, "(encrypted)") == Row(5, REPORT[5:8].hex(" "), "", "(encrypted)", "", "sensor, distance, battery")
    assert row(told, "tag").reading == "not checked: no key"
    assert row(told, "CRC").reading == "fits"
    assert told.opened_with == ""


def test_with_a_key_the_values_stand_behind_the_octets_that_were_received() -> None:
    told = annotate(ORCHARD, REPORT, keys=keys_for(ORCHARD))
    assert told.message is not None
    assert told.message.counter == 9
    assert row(told, "(encrypted)").hex == REPORT[5:8].hex(" ")
    distance = row(told, "distance")
    assert distance.reading == reading(ORCHARD.frames["report"].slot("distance"), told.message["distance"])
    assert distance.bits == "...01011 00111011"  # 2875 of 250 + 2875 mm
    assert row(told, "tag").reading == "fits: number 9, key of station 17"
    assert told.opened_with == "station 17"
    assert told.clear[:5] == REPORT[:5]
    assert told.clear[5:] != REPORT[5:8]


def test_a_wrong_tag_and_another_key_show_no_value() -> None:
    keys = keys_for(ORCHARD)
    other: dict[int | None, Key] = {17: keys[18]}
    for told in (annotate(ORCHARD, REPORT, keys=other), annotate(ORCHARD, damaged_tag(), keys=keys)):
        assert told.refused is not None
        assert told.refused.reason is ullage.Status.WRONG_TAG
        assert row(told, "tag").reading == "does not fit"
        assert "distance" not in names(told)


def damaged_tag() -> bytes:
    octets = bytearray(REPORT[:-2])
    octets[-1] ^= 1
    return ORCHARD.codec.finished(bytes(octets))


def test_a_field_that_is_refused_under_a_good_tag_is_shown_opened() -> None:
    layout = ORCHARD.frames["order"]
    body = bytearray(ORCHARD.codec.body("order", sample(layout)))
    body[5] |= 0xC0  # a valve code that stands for nothing
    octets = resealed(bytes(body))
    told = annotate(ORCHARD, octets, keys=keys_for(ORCHARD))
    assert told.refused is not None
    assert told.refused.field == "valve"
    assert row(told, "valve").reading == "stands for nothing"
    assert row(told, "tag").reading.startswith("fits")


def resealed(body: bytes) -> bytes:
    """A body sealed by a station whose program is wrong."""
    nonce = bytes.fromhex("4f52 11 00000009").ljust(13, b"\0")
    return ORCHARD.codec.finished(body[:5] + seal(keys_for(ORCHARD)[17], nonce, body[5:], body[:5], 8))


@pytest.mark.parametrize("name", SEALED)
def test_every_octet_is_all_told_however_long_the_frame_is(name: str) -> None:
    """Cut anywhere, with a check that fits and with one that does not, or longer."""
    protocol = ullage.loads(SEALED[name])
    for layout in sealed_layouts(protocol):
        whole = sealed_frame(protocol, layout)
        assert annotate(protocol, whole, keys=keys_for(protocol)).message is not None
        for count in range(len(whole) + 1):
            for octets in (whole[:count], protocol.codec.finished(whole[:count])):
                _all_told(annotate(protocol, octets), octets)
        _all_told(annotate(protocol, whole + b"\0"), whole + b"\0")


def _all_told(told: Annotation, octets: bytes) -> None:
    """Every octet stands in a row at its place, unless the row says that more follow."""
    seen: dict[int, int] = {}
    for row in told.rows:
        if row.octet is not None:
            seen |= dict(enumerate(bytes.fromhex(row.hex), row.octet))
    assert seen == {place: octets[place] for place in seen}
    assert len(seen) == len(octets) or any(" octets more" in row.reading for row in told.rows)
    places = [row.octet for row in told.rows if row.octet is not None]
    assert places == sorted(places)


def test_a_frame_that_was_cut_says_where_and_what_is_missing() -> None:
    told = annotate(ORCHARD, REPORT[:12])
    assert told.note == "Shown as report, cut after 12 of its 18 octets."
    assert row(told, "tag").reading == "cut"
    assert row(told, "CRC").reading == "missing"
    told = annotate(ORCHARD, REPORT[:7])
    assert row(told, "(encrypted)").reading == "cut: sensor, distance, battery"
    assert row(told, "tag").reading == "missing"
    told = annotate(ORCHARD, REPORT[:4])
    assert "missing: sequence" in [row.reading for row in told.rows]
    assert row(told, "(encrypted)").reading == "missing: sensor, distance, battery"


def test_the_length_of_a_frame_is_not_worked_out_from_encrypted_counts() -> None:
    protocol = ullage.loads(SEALED["lists"])
    octets = sealed_frame(protocol, protocol.frames["history"])
    damaged = octets[:-1] + bytes([octets[-1] ^ 1])
    told = annotate(protocol, damaged)
    assert told.refused is not None
    assert told.refused.reason is ullage.Status.INTEGRITY
    assert told.note == ""
    assert row(told, "tag").reading == "not checked"
    assert "would fit" in row(told, "CRC").reading


def test_a_tag_of_sixteen_octets_takes_two_rows() -> None:
    protocol = ullage.loads(SEALED["tag of 16"])
    told = annotate(protocol, sealed_frame(protocol, protocol.frames["report"]))
    place = told.rows.index(row(told, "tag"))
    assert [(row.octet, len(bytes.fromhex(row.hex)), row.name) for row in told.rows[place : place + 2]] == [
        (8, 8, "tag"),
        (16, 8, ""),
    ]


@settings(derandomize=True, deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))
@given(sealed_specs(), st.binary(max_size=40))
def test_any_octets_of_any_sealed_protocol_can_be_told(text: str, octets: bytes) -> None:
    protocol = generated(text)
    keys = keys_for(protocol)
    for tried in (octets, protocol.codec.finished(octets)):
        for hand in (None, keys):
            told = annotate(protocol, tried, keys=hand)
            if told.opened_with == "":
                _all_told(told, tried)
