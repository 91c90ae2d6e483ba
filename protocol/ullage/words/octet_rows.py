"""Octets as rows: hex, bits and what they say, with fields that share octets side by side.

Pure layout of a table; what the pieces mean is said in `annotate`.
"""

import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ..layout import Integrity

_TOGETHER = 3
"""Octets whose bits stand side by side in one row; fields that are tied over more octets get rows of their own."""
_APART = 2
"""Octets a row of such fields."""
_CHECK_TOGETHER = 4
_HIDDEN_TOGETHER = 8
"""Octets a row of what has no fields to show: encrypted octets and the tag."""

_BETWEEN = re.compile(r"(?:[\s,;:{}\[\]()\"'-]|\\x)+")
_OCTETS = re.compile(r"(?:0[xX])?([0-9a-fA-F]+)[uU]?\Z")


def octets_of(text: str) -> bytes:
    """The octets that a text of hex digits means.

    text: `210111`, `21 01 11`, `21:1:11`, `{0x21, 0x01}` or `\\x21\\x01`; a single digit is an octet whose
    zero was dropped. Raises ValueError, with the word that is no hex.
    """
    found = bytearray()
    for word in _BETWEEN.split(text):
        digits = _OCTETS.match(word)
        if word and not digits:
            raise ValueError(f"{word[:40]!r} is no hex")
        if digits and len(digits[1]) > 1 and len(digits[1]) % 2:
            raise ValueError(f"{word[:40]!r} has an odd number of hex digits: one is missing or too many")
        found += bytes.fromhex(digits[1].zfill(2)) if digits else b""
    return bytes(found)


@dataclass(frozen=True)
class Row:
    """One row of a frame told octet by octet.

    octet: number of the first octet that `hex` shows, None where the row tells more about the octets above.
    hex: the octets. bits: a group of eight a octet, dots where bits belong to other fields. name: the field, "" in a
    row that only continues. raw: the code as decimal text, "" for text, octets and the CRC. reading: what the code
    stands for, "" where that is the raw code itself.
    """

    octet: int | None
    hex: str
    bits: str
    name: str
    raw: str = ""
    reading: str = ""


@dataclass(frozen=True)
class Piece:
    """Bits from offset up to end, and what to say about them."""

    offset: int
    end: int
    name: str
    raw: str
    reading: str


def rows_of(pieces: Sequence[Piece], octets: bytes) -> Iterator[Row]:
    """The rows of pieces that follow one another, in the order of the octets."""
    told: tuple[int, int] | None = None
    for group in _tied(pieces):
        span = group[0].offset // 8, -(-group[-1].end // 8)
        together = span[1] - span[0] <= _TOGETHER
        for piece in group:
            words = itertools.chain([(piece.name, piece.raw, piece.reading)], itertools.repeat(("", "", "")))
            for (first, last), (name, raw, text) in zip([span] if together else _cut(piece), words, strict=False):
                again = (first, last) == told or first == last  # what is missing has no octets
                shown = "" if again else octets[first:last].hex(" ")
                yield Row(None if again else first, shown, _bits(octets, first, last, piece), name, raw, text)
                told = first, last


def _cut(piece: Piece) -> list[tuple[int, int]]:
    """The octets of one piece, a few at a time."""
    last = -(-piece.end // 8)
    return [(first, min(first + _APART, last)) for first in range(piece.offset // 8, last, _APART)]


def _tied(pieces: Sequence[Piece]) -> Iterator[list[Piece]]:
    """Pieces that share octets, together."""
    group: list[Piece] = []
    for piece in pieces:
        if group and piece.offset >= -(-group[-1].end // 8) * 8:
            yield group
            group = []
        group.append(piece)
    if group:
        yield group


def _bits(octets: bytes, first: int, last: int, piece: Piece) -> str:
    if first == last:
        return ""
    digits = f"{int.from_bytes(octets[first:last], 'big'):0{8 * (last - first)}b}"
    own = (d if piece.offset <= place < piece.end else "." for place, d in enumerate(digits, 8 * first))
    text = "".join(own)
    return " ".join(text[start : start + 8] for start in range(0, len(text), 8))


def hidden_rows(octets: bytes, first: int, last: int, name: str, text: str) -> Iterator[Row]:
    """The rows of octets whose bits say nothing to a reader: octets first up to last, named once; one row for none."""
    for start in range(first, max(last, first + 1), _HIDDEN_TOGETHER):
        shown = octets[start : min(start + _HIDDEN_TOGETHER, last)].hex(" ")
        yield Row(start if shown else None, shown, "", name, "", text)
        name = text = ""


def check_rows(integrity: Integrity, octets: bytes, body: int) -> Iterator[Row]:
    """The rows of the check at the end, and of what stands behind it. body: octets before the check."""
    sent = octets[body:]
    fits = integrity.check.compute(octets[integrity.first_octet : body])
    wanted = integrity.check.to_octets(fits, integrity.high_first)
    if len(sent) < len(wanted):
        text = "cut" if sent else "missing"
    elif sent == wanted:
        text = "fits"
    else:
        text = f"{wanted.hex() if integrity.high_first else wanted.hex(' ')} would fit"
    yield Row(body if sent else None, sent[:_CHECK_TOGETHER].hex(" "), "", integrity.noun, "", text)
    for start in range(body + _CHECK_TOGETHER, len(octets), _CHECK_TOGETHER):
        yield Row(start, octets[start : start + _CHECK_TOGETHER].hex(" "), "", "")
