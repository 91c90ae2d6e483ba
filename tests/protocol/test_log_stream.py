"""The splitter gives the same numbered lines however a log arrives, as soon as it can, and in bounded memory."""

from __future__ import annotations

import itertools
import re
import tracemalloc
from collections.abc import Iterator

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from ullage.logs.log_stream import LineSplitter, RawLine, split_lines


def texts(*chunks: bytes, limit: int = 65_536) -> list[str]:
    return [line.text for line in split_lines(chunks, limit)]


@pytest.mark.parametrize(
    ("log", "expected"),
    [
        (b"", []),
        (b"a", ["a"]),
        (b"a\n", ["a"]),
        (b"a\nb", ["a", "b"]),
        (b"a\rb\r", ["a", "b"]),
        (b"a\r\nb\r\n", ["a", "b"]),
        (b"\n", [""]),
        (b"a\n\nb", ["a", "", "b"]),
        (b"a\r\r\nb", ["a", "", "b"]),
        (b"a\n\rb", ["a", "", "b"]),
        (b" \n", [" "]),
        (b"a\x0bb\x0cc\x85d\n", ["a\x0bb\x0cc\ufffdd"]),
        ("a\u2028b\n".encode(), ["a\u2028b"]),
    ],
)
def test_cr_lf_and_crlf_end_a_line_and_nothing_else_does(log: bytes, expected: list[str]) -> None:
    assert texts(log) == expected


def test_lines_are_numbered_from_one() -> None:
    assert list(split_lines([b"a\n\nb"])) == [RawLine(1, "a"), RawLine(2, ""), RawLine(3, "b")]


# Marks: RFC 3629 section 6 (EF BB BF) and RFC 2781 section 3.2 (FF FE low octet first, FE FF high octet first).
MARKS = {"utf-8": b"\xef\xbb\xbf", "utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff"}


@pytest.mark.parametrize("encoding", MARKS)
def test_the_mark_at_the_start_tells_the_encoding(encoding: str) -> None:
    text = "cistern 17 µ\r\n𝄞 next\n"
    assert texts(MARKS[encoding] + text.encode(encoding)) == ["cistern 17 µ", "𝄞 next"]


@pytest.mark.parametrize("mark", MARKS.values())
def test_a_mark_alone_is_an_empty_log(mark: bytes) -> None:
    assert texts(mark) == []


@pytest.mark.parametrize("start", [b"\xef", b"\xef\xbb", b"\xff", b"\xfe"])
def test_half_a_mark_is_a_line_of_its_own_rubbish(start: bytes) -> None:
    assert texts(start) == ["\ufffd"]
    assert texts(start, b"\nb") == ["\ufffd", "b"]


def test_a_line_that_begins_like_a_mark_is_not_kept_waiting() -> None:
    splitter = LineSplitter()
    assert splitter.feed(b"\xef") == []
    assert splitter.feed(b"\n") == [RawLine(1, "\ufffd")]


def test_without_a_mark_what_is_no_utf8_becomes_the_replacement_character() -> None:
    assert texts(b"a\xffb \xe2\x82 \x00\n") == ["a\ufffdb \ufffd \x00"]


def test_a_mark_amid_joined_files_vanishes() -> None:
    assert texts(b"a\n\xef\xbb\xbfb\n") == ["a", "b"]


def test_an_odd_octet_and_half_a_pair_at_the_end_of_utf16_are_kept_as_rubbish() -> None:
    assert texts(b"\xff\xfea\x00\n\x00b\x00c") == ["a", "b\ufffd"]
    assert texts(b"\xff\xfe\x34\xd8") == ["\ufffd"]


@pytest.mark.parametrize(
    ("printed", "text"),
    [
        ("\x1b[32mrx\x1b[0m 21", "rx 21"),
        ("\x1b[1;38;5;120m21\x1b[m 01", "21 01"),
        ("\x1b[2K\x1b[1G21", "21"),
        ("\x1b[?25l21\x1b[?25h", "21"),
        ("\x1b(B\x1b[m21", "21"),
        ("\x9b32m21", "21"),
        ("\x1b]0;receiver\x0721", "21"),
        ("\x1b]8;;about:blank\x1b\\21\x1b]8;;\x1b\\", "21"),
    ],
)
def test_terminal_escapes_are_removed(printed: str, text: str) -> None:
    """ECMA-48 sections 5.4 (control sequences) and 8.3.89 (OSC); the others are common practice, no source."""
    assert texts(printed.encode()) == [text]


def test_a_title_that_never_ends_hides_nothing() -> None:
    assert texts(b"\x1b]0;21 01") == ["\x1b]0;21 01"]


def test_each_line_is_given_before_the_next_chunk_is_asked_for() -> None:
    asked = 0

    def chunks() -> Iterator[bytes]:
        nonlocal asked
        for chunk in (b"a\n", b"b\r", b"\nc\r\n", b"d"):
            asked += 1
            yield chunk

    lines = split_lines(chunks())
    assert [(line.number, line.text, asked) for line in lines] == [(1, "a", 1), (2, "b", 2), (3, "c", 3), (4, "d", 4)]


def test_an_empty_chunk_changes_nothing() -> None:
    assert texts(b"", b"a\r", b"", b"\nb", b"") == ["a", "b"]
    splitter = LineSplitter()
    assert [splitter.feed(chunk) for chunk in (b"", b"a\r", b"", b"\n")] == [[], [RawLine(1, "a")], [], []]
    assert splitter.end() == []


@pytest.mark.parametrize("encoding", MARKS)
def test_a_long_line_keeps_its_first_octets_and_says_so(encoding: str) -> None:
    log = MARKS[encoding] + "12345678\n123456789\nab\n123456789".encode(encoding)
    assert list(split_lines([log], 8)) == [
        RawLine(1, "12345678"),
        RawLine(2, "12345678", truncated=True),
        RawLine(3, "ab"),
        RawLine(4, "12345678", truncated=True),
    ]


def test_a_line_without_end_takes_no_more_memory_than_the_limit() -> None:
    chunk = b"21 01 11 " * 2_000
    tracemalloc.start()
    [line] = split_lines((chunk for _ in range(1_000)), 10_000)  # 18 million octets
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert line.truncated
    assert len(line.text) == 10_000
    assert peak < 500_000


def test_a_limit_below_one_octet_is_refused() -> None:
    with pytest.raises(ValueError, match="limited to 0 octets"):
        LineSplitter(0)


PIECES = st.sampled_from(
    [
        *MARKS.values(),
        b"\r",
        b"\n",
        b"\r\n",
        b"\r\x00",
        b"\n\x00",
        b"\x00\n",
        b"21 ",
        b"\x1b[0m",
        b"\xc3",
        b"\xa9",
        b"\x00",
    ]
)
LOGS = st.lists(PIECES | st.binary(max_size=3), max_size=30).map(b"".join)


@given(log=LOGS, cuts=st.lists(st.integers(0, 90)), limit=st.integers(1, 12))
def test_chunking_never_changes_the_lines(log: bytes, cuts: list[int], limit: int) -> None:
    edges = [0, *sorted(min(cut, len(log)) for cut in cuts), len(log)]
    chunks = [log[a:b] for a, b in itertools.pairwise(edges)]
    whole = list(split_lines([log], limit))
    assert list(split_lines(chunks, limit)) == whole
    assert list(split_lines((bytes([octet]) for octet in log), limit)) == whole
    assert [line.number for line in whole] == list(range(1, len(whole) + 1))


@given(LOGS)
def test_lines_are_those_of_a_plain_split(log: bytes) -> None:
    """An independent reading of the rules: decode all, split all, drop the empty rest."""
    mark, encoding = next(((m, e) for e, m in MARKS.items() if log.startswith(m)), (b"", "utf-8"))
    text = log[len(mark) :].decode(encoding, "replace")
    assume(not re.search("[\x9b\x9d]|\x1b[^[]", text))  # escapes but the colours have their own table
    lines = [re.sub("\x1b\\[[0-?]*[ -/]*[@-~]|\ufeff", "", line) for line in re.split("\r\n|\r|\n", text)]
    assert texts(log) == (lines[:-1] if re.fullmatch("|.*[\r\n]", text, re.DOTALL) else lines)
