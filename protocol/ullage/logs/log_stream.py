"""A receiver's log while it arrives: chunks of octets in, numbered lines of text out.

A line is given out as soon as its end is there, however the chunks are cut, and no line takes more memory
than the limit. The encoding is told by its mark at the start; UTF-16 is turned into UTF-8 first, so that one
splitter serves all. No octet is an error: what is no UTF-8 becomes U+FFFD.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

LIMIT = 65_536
"""Octets of a line that are kept unless the caller says otherwise."""

# Marks by RFC 3629 section 6 (UTF-8) and RFC 2781 section 3.2 (UTF-16), each with what decodes the rest.
_MARKS = {codecs.BOM_UTF8: "", codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}

_LINE_END = re.compile(rb"\r\n?|\n")

# Octets split at once: bounds the list of lines made from a chunk that is a whole file.
_SLICE = 16_384

# ECMA-48 section 5.4 (control sequences) and 8.3.89 (OSC, ended by ST, or by BEL as terminals also take it);
# ECMA-35 (ESC ( B, which resets come with). The last one is a mark amid the text: files joined.
# An OSC without its end is left alone: better a strange word than a hidden frame.
_ESCAPES = re.compile(
    r"(?:\x1b\[|\x9b)[0-?]*+[ -/]*+[@-~]"
    r"|(?:\x1b\]|\x9d)[^\x07\x1b\x9c]*+(?:\x07|\x1b\\|\x9c)"
    r"|\x1b[()][0-9A-Z]"
    r"|\ufeff"
)


@dataclass(frozen=True)
class RawLine:
    """One line of a log: its number from 1, its text without line end and escapes, and whether it was cut."""

    number: int
    text: str
    truncated: bool = False


class LineSplitter:
    """Cuts a stream of octets into lines. CR, LF and CRLF each end one line.

    Example: `feed(b"a\\r")` gives line 1, `feed(b"\\nb")` nothing, `end()` line 2.
    A line with more than `limit` octets (of UTF-8) keeps the first `limit`; the rest is passed over unstored.
    """

    def __init__(self, limit: int = LIMIT) -> None:
        if limit < 1:
            raise ValueError(f"a line cannot be limited to {limit} octets")
        self._limit = limit
        self._begun = False
        self._held = b""  # the first octets, while they may still become a mark
        self._utf16: codecs.IncrementalDecoder | None = None
        self._after_cr = False
        self._line = bytearray()
        self._truncated = False
        self._count = 0

    def feed(self, octets: bytes) -> list[RawLine]:
        """Take the next octets (any number, also none) and give the lines that end in them."""
        if not self._begun:
            self._held += octets
            if any(mark != self._held and mark.startswith(self._held) for mark in _MARKS):
                return []
            octets = self._begin()
        if self._utf16 is not None:
            octets = self._utf16.decode(octets).encode()
        return self._split(octets)

    def end(self) -> list[RawLine]:
        """Close the stream, once: give the last line if it had no line end."""
        rest = b"" if self._begun else self._begin()
        if self._utf16 is not None:
            rest = self._utf16.decode(b"", True).encode()
        lines = self._split(rest)
        return [*lines, self._close()] if self._line else lines

    def _begin(self) -> bytes:
        """Settle the encoding, and give the held octets without their mark."""
        self._begun = True
        for mark, encoding in _MARKS.items():
            if self._held.startswith(mark):
                if encoding:
                    self._utf16 = codecs.getincrementaldecoder(encoding)(errors="replace")
                return self._held[len(mark) :]
        return self._held

    def _split(self, octets: bytes) -> list[RawLine]:
        lines = []
        start = 1 if self._after_cr and octets.startswith(b"\n") else 0
        if octets:
            self._after_cr = octets.endswith(b"\r")
        for end in _LINE_END.finditer(octets, start):
            self._keep(octets[start : end.start()])
            lines.append(self._close())
            start = end.end()
        self._keep(octets[start:])
        return lines

    def _keep(self, octets: bytes) -> None:
        room = self._limit - len(self._line)
        self._truncated = self._truncated or len(octets) > room
        self._line += octets[:room]

    def _close(self) -> RawLine:
        self._count += 1
        text = _ESCAPES.sub("", self._line.decode("utf-8", "replace"))
        line = RawLine(self._count, text, self._truncated)
        self._line.clear()
        self._truncated = False
        return line


def split_lines(chunks: Iterable[bytes], limit: int = LIMIT) -> Iterator[RawLine]:
    """Give the lines of a log while its chunks arrive, however they are cut.

    `limit`: octets kept of a line, at least 1. Raises ValueError for another; no content raises anything.
    """
    splitter = LineSplitter(limit)
    for chunk in chunks:
        for start in range(0, len(chunk), _SLICE):
            yield from splitter.feed(chunk[start : start + _SLICE])
    yield from splitter.end()
