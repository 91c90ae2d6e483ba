"""Octets printed as decimal numbers and base64, and what a line says about the link and the time."""

from __future__ import annotations

import base64

import pytest

from support.toy_frames import DAMAGED, FRAME, judge, refused
from ullage.logs.lines import Found, LineReader, Link, Nothing

DECIMAL = LineReader(10, "decimal")


@pytest.mark.parametrize(
    "line",
    [
        "33 1 17 0 9 3 216 121 51 215",
        "33, 1, 17, 0, 9, 3, 216, 121, 51, 215",
        "033,001,017,000,009,003,216,121,051,215",
        "[33;1;17;0;9;3;216;121;51;215]",
        '{"data":[33,1,17,0,9,3,216,121,51,215],"rssi":-97,"port":1}',
        "06:24:11 rx 10 bytes: 33 1 17 0 9 3 216 121 51 215 rssi -97 snr 7.5",
        "2026-11-25 06:24:11 10 33 1 17 0 9 3 216 121 51 215 97 7",
        "192.168.4.17 300 33 1 17 0 9 3 216 121 51 215",
    ],
)
def test_decimal_octets_are_read(line: str) -> None:
    assert judge(line, DECIMAL) == Found(FRAME, 9)


def test_decimal_runs_end_at_what_is_no_octet() -> None:
    assert refused("33 1 17 0 9 3 216 121 256 215", DECIMAL) == FRAME[:8]
    assert judge("33 1 17 0 9 3 216 d8 51 215", DECIMAL) == Nothing()
    assert judge("33:1:17:0:9:3:216:121:51:215", DECIMAL) == Nothing()
    assert judge("Packet 102 received", LineReader(2, "decimal")) == Nothing()


BASE64 = LineReader(10, "base64")


@pytest.mark.parametrize(
    "line",
    [
        "IQERAAkD2Hkz1w==",
        "IQERAAkD2Hkz1w",
        "2026-11-25T06:24:11Z rx IQERAAkD2Hkz1w== rssi -97",
        'data=IQERAAkD2Hkz1w==;{"rssi":-97}',
        '{"data":"IQERAAkD2Hkz1w==","rssi":-97,"snr":7.5}',
        "123e4567-e89b-12d3-a456-426614174000,17,IQERAAkD2Hkz1w==,-97",
        "configuration level_report868 IQERAAkD2Hkz1w",
    ],
)
def test_base64_octets_are_read(line: str) -> None:
    """`IQERAAkD2Hkz1w==` is the frame by RFC 4648 section 4, with its padding (section 3.2) or without."""
    assert base64.b64encode(FRAME) == b"IQERAAkD2Hkz1w=="
    assert judge(line, BASE64) == Found(FRAME, 9)


def test_both_alphabets_are_read_but_not_mixed() -> None:
    """RFC 4648 tables 1 and 2: 62 is + or -, 63 is / or _."""
    reader = LineReader(6, "base64")
    octets = base64.b64decode("ab+/ab+/")
    assert reader.candidates("ab+/ab+/ ab-_ab-_") == (octets,)
    assert reader.candidates("ab+/ab-_ ab+_ab+_") == ()


# RFC 4648 section 10, and the section that each of the others offends.
VECTORS = {"Zg==": b"f", "Zm8=": b"fo", "Zm9v": b"foo", "Zm9vYg==": b"foob", "Zm9vYmE=": b"fooba"}
WRONG = ["Zh==", "Zm9=", "Zm9vYh", "Zm8==", "Zg=", "Zm9v=", "Zm9vY", "Z", "Zm9v!", "Zm9.vYmE="]


@pytest.mark.parametrize(("word", "octets"), VECTORS.items())
def test_the_published_base64_vectors_are_read(word: str, octets: bytes) -> None:
    for printed in (word, word.rstrip("=")):
        assert LineReader(1, "base64", after=":").candidates(f"data:{printed}") == (octets,)


@pytest.mark.parametrize("word", WRONG[:8])
def test_pad_bits_and_lengths_that_no_encoder_makes_are_refused(word: str) -> None:
    """RFC 4648 section 3.5 (pad bits are zero) and section 4 (lengths)."""
    assert LineReader(1, "base64", after=":").candidates(f"data:{word}") == ()


@pytest.mark.parametrize("word", WRONG[8:])
def test_foreign_characters_are_never_skipped(word: str) -> None:
    """RFC 4648 section 3.3."""
    assert b"fooba" not in LineReader(1, "base64", after=":").candidates(f"data:{word}")


@pytest.mark.parametrize("line", ["Received nothing", "RECEIVED", "level_report", "free heap 20481600", "no-echo"])
def test_prose_is_tried_as_base64_but_never_refused(line: str) -> None:
    reader = LineReader(4, "base64")
    assert reader.candidates(line)
    assert judge(line, reader) == Nothing()


def test_damaged_base64_is_refused() -> None:
    assert refused("rx IQERAAkB2Hkz1w== RECEIVED", BASE64) == DAMAGED


@pytest.mark.parametrize(
    ("line", "rssi", "snr"),
    [
        ("rx 21 01", None, None),
        ("RSSI=-97", -97, None),
        ("RSSI: -97 dBm", -97, None),
        ("RSSI=-97dBm SNR=7.5dB", -97, 7.5),
        ("rssi -97 snr -3", -97, -3),
        ("Rssi(dBm): -97.5, Snr (dB) = 7", -97.5, 7),
        ('{"rssi":-97,"snr":7.25}', -97, 7.25),
        ("rssi_dbm=-97 snr_db=+7", -97, 7),
        ("packetRssi: -104", -104, None),
        ("RSSI: none, RSSI: -90", -90, None),
        ("rssi0: -97", None, None),
        ("SNR:0", None, 0),
        ("RSSI=-970000", None, None),
    ],
)
def test_link_figures_are_those_printed(line: str, rssi: float | None, snr: float | None) -> None:
    link = LineReader(10).link(line)
    assert link == Link(rssi, snr)
    assert [type(link.rssi_dbm), type(link.snr_db)] == [type(rssi), type(snr)]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("rx 21 01 11", None),
        ("06:24:11 rx", "06:24:11"),
        ("6:24:11 rx", "06:24:11"),
        ("[06:24:11.250] rx", "06:24:11.250"),
        ("06:24:11,250 rx", "06:24:11.250"),
        ("06:24:11,21 01", "06:24:11"),
        ("06:24:11 PM", "06:24:11 PM"),
        ("23:59:60", "23:59:60"),
        ("24:00:00 06:60:00 06:00:61", None),
        ("2026-11-25T06:24:11Z", "2026-11-25T06:24:11Z"),
        ("2026-11-25 06:24:11.250+01:00 rx", "2026-11-25T06:24:11.250+01:00"),
        ("2026/11/5 6:24 rx", "2026-11-05T06:24"),
        ("2026-11-25,06:24:11,21", "2026-11-25T06:24:11"),
        ("25/11/2026 06:24:11", "25/11/2026 06:24:11"),
        ("on 2026-11-25: rx", "2026-11-25"),
        ("rx at 06:24:11, sent 06:24:10", "06:24:11"),
        ("21:06:24:11:00", None),
        ("06:24", None),
    ],
)
def test_the_first_time_of_a_line_is_given_in_one_form(line: str, expected: str | None) -> None:
    """The form is that of ISO 8601 where the date says which part is the year, month and day."""
    assert LineReader(10).time(line) == expected
