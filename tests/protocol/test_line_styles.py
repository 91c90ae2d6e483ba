"""Any frame in any style is the reading; any rubbish whatever is a line that is counted, in little time."""

from __future__ import annotations

import base64
import time
from collections.abc import Callable

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from support.toy_frames import FRAME, judge, sound
from ullage.logs.lines import Found, LineReader, Notation, Nothing, Rejected
from ullage.logs.log_stream import split_lines

HOSTILE = ["0x", ":", "1", "=", " ", "21 ", "0x1 ", "1.", "-1", " -1", "1 ", "21:", "21,21:", "12:34:", "ab ", "a-"]
HOSTILE += ["2026-11-25 ", "12345678-", "\\x21", "len ", "len=1.", "rssi ", "rssi=1.", '21","', "Aa1-", "+", "\ufffd"]


@pytest.mark.parametrize(
    "reader",
    [
        LineReader(1),
        LineReader(10),
        LineReader(1, after="a"),
        LineReader(10, "decimal"),
        LineReader(1, "decimal", after="a"),
        LineReader(1, "base64"),
    ],
    ids=str,
)
def test_no_line_takes_long_or_makes_many_candidates(reader: LineReader) -> None:
    """A step that went through the line again for each of its letters would take far longer than this."""
    for piece in HOSTILE:
        octets, seconds = (65_536, 2.0) if piece in HOSTILE[:6] else (16_384, 0.6)
        line = ("data " + piece * octets)[:octets]
        start = time.process_time()
        found = reader.candidates(line)
        reader.link(line)
        reader.time(line)
        assert time.process_time() - start < seconds, piece
        assert len(found) <= octets / 2
        assert sum(map(len, found)) <= 20 * octets


FRAMES = st.binary(min_size=8, max_size=8).map(sound)


def grouped(octets: bytes, size: int) -> str:
    return " ".join(octets[i : i + size].hex() for i in range(0, len(octets), size))


HEX_STYLES: dict[str, Callable[[bytes], str]] = {
    "spaced": lambda octets: octets.hex(" "),
    "upper": lambda octets: octets.hex(" ").upper(),
    "joined": lambda octets: octets.hex(),
    "colons": lambda octets: octets.hex(":"),
    "hyphens": lambda octets: octets.hex("-").upper(),
    "points": lambda octets: octets.hex("."),
    "commas": lambda octets: octets.hex(","),
    "tabs": lambda octets: octets.hex("\t"),
    "pairs": lambda octets: grouped(octets, 2),
    "fours": lambda octets: grouped(octets, 4),
    "prefix": lambda octets: "0x" + octets.hex(),
    "prefixes": lambda octets: " ".join(f"0x{octet:02X}" for octet in octets),
    "C": lambda octets: "{" + ", ".join(f"0x{octet:02x}u" for octet in octets) + "}",
    "short C": lambda octets: "{" + ",".join(f"{octet:#x}" for octet in octets) + "}",
    "escaped": lambda octets: "'" + "".join(f"\\x{octet:02x}" for octet in octets) + "'",
    "dropped zeros": lambda octets: " ".join(f"{octet:X}" for octet in octets),
    "JSON": lambda octets: "[" + ",".join(f'"{octet:02x}"' for octet in octets) + "]",
}
DECIMAL_STYLES: dict[str, Callable[[bytes], str]] = {
    "blanks": lambda octets: " ".join(map(str, octets)),
    "list": lambda octets: str(list(octets)),
    "tight": lambda octets: ",".join(map(str, octets)),
}
BASE64_STYLES: dict[str, Callable[[bytes], str]] = {
    "padded": lambda octets: base64.b64encode(octets).decode(),
    "bare": lambda octets: base64.b64encode(octets).decode().rstrip("="),
    "URL": lambda octets: base64.urlsafe_b64encode(octets).decode(),
}
SURROUNDINGS = [
    "{}",
    "  {}  ",
    "rx: {}",
    "rx 10 bytes: {} rssi -97",
    "06:24:11.250 -> {}",
    "2026-11-25T06:24:11Z {} RSSI=-97dBm SNR=7.5 dB",
    "2026/11/25 06:24 {}",
    "[12345] {}",
    "(12345 ms) {} (done)",
    "RSSI: -97 SNR: 7 {}",
    "seq=9 len=10 {}",
    '{{"rssi":-97,"data":"{}","port":1}}',
    "data={};rssi=-97",
    "AA:BB:CC:DD:EE:FF {}",
    "123e4567-e89b-12d3-a456-426614174000 {}",
    "192.168.4.17:1700 {}",
    "10 {}",
    "{} 97 7",
    "{} -97 7.5",
    "\x1b[32m{}\x1b[0m",
    "\x1b[1mrx\x1b[m {}",
    "rubbish \ufffd\0\x07{}\0",
    "µ {} °",
]


@pytest.mark.parametrize(
    ("notation", "style"),
    [
        *(("hex", style) for style in HEX_STYLES.values()),
        *(("decimal", style) for style in DECIMAL_STYLES.values()),
        *(("base64", style) for style in BASE64_STYLES.values()),
    ],
    ids=[*HEX_STYLES, *DECIMAL_STYLES, *BASE64_STYLES],
)
@given(octets=FRAMES, surrounding=st.sampled_from(SURROUNDINGS))
def test_any_frame_in_any_style_and_surrounding_is_the_reading(
    notation: Notation, style: Callable[[bytes], str], octets: bytes, surrounding: str
) -> None:
    # Where zeros were dropped, at least two octets must have kept both digits: the rule of "Words".
    assume(style is not HEX_STYLES["dropped zeros"] or sum(octet > 15 for octet in octets) > 1)
    [line] = split_lines([surrounding.format(style(octets)).encode()])
    verdict = judge(line.text, LineReader(10, notation))
    assert isinstance(verdict, Found)
    assert verdict.octets == octets


RUBBISH = st.lists(
    st.binary(max_size=6)
    | st.sampled_from(
        [b"\r", b"\n", b"21", b" ", b":", b"0x", b"-97", b"=", b"rssi", b"06:24:11", FRAME.hex(" ").encode()]
    )
).map(b"".join)


@pytest.mark.parametrize("notation", ["hex", "decimal", "base64"])
@given(log=RUBBISH, shortest=st.integers(1, 12), skip=st.integers(0, 3), after=st.sampled_from([None, " ", "2"]))
def test_every_line_of_any_log_is_found_or_rejected_or_nothing(
    notation: Notation, log: bytes, shortest: int, skip: int, after: str | None
) -> None:
    """Whatever the octets, nothing is raised, lines are numbered in sequence, and the counts add up."""
    reader = LineReader(shortest, notation, after, skip)
    found = rejected = nothing = 0
    lines = list(split_lines([log]))
    for number, line in enumerate(lines, 1):
        assert line.number == number
        candidates = reader.candidates(line.text)
        assert all(len(octets) >= max(1, shortest - 2) for octets in candidates)
        reader.link(line.text)
        reader.time(line.text)
        verdict = judge(line.text, reader)
        found += isinstance(verdict, Found)
        rejected += isinstance(verdict, Rejected)
        nothing += verdict == Nothing()
        assert isinstance(verdict, Nothing) or verdict.octets in candidates
    assert found + rejected + nothing == len(lines)
