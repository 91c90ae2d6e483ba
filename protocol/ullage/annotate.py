"""A frame in words for people: a sample message, and what was received octet by octet.

Pure: rows and texts come out, nothing is printed. Everything stands on the layout's slots, so a screen, a data sheet
and a decoder's table say the same about the same bits.
"""

import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from .codec import Message
from .errors import Refused
from .layout import Fixed, Layout, Opaque, Slot, Text
from .protocol import Protocol
from .samples import sample
from .status import Status
from .values import NOT_A_VALUE, expectation, reader
from .wording import reading, reading_of

__all__ = ["Annotation", "Row", "annotate", "octets_of", "reading", "reading_of", "sample"]

_TOGETHER = 3
"""Octets whose bits stand side by side in one row; fields that are tied over more octets get rows of their own."""
_APART = 2
"""Octets a row of such fields."""
_CRC_TOGETHER = 4
_MOST_UNREAD = 32
"""Octets shown of a stretch that nobody can read."""


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


# ---- a frame octet by octet ------------------------------------------------------------------------------------


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
class Annotation:
    """A frame told octet by octet.

    frame: the frame whose fields are shown, or None when only the header can be read. note: why just this frame
    although the octets were refused, or "". message: what was accepted, or None. refused: why the octets are no
    message, or None. rows: all octets.
    """

    frame: str | None
    note: str
    message: Message | None
    refused: Refused | None
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class _Piece:
    """Bits from offset up to end, and what to say about them."""

    offset: int
    end: int
    name: str
    raw: str
    reading: str


def annotate(protocol: Protocol, octets: bytes, at: int | None = None) -> Annotation:
    """Tell a frame octet by octet, accepted or not.

    octets: what was received, CRC included; anything goes. at: the receiving station, as for `Protocol.decode`.
    Raises ValueError when `at` is no station of this protocol.
    """
    message, refused, note = None, None, ""
    try:
        message = protocol.decode(octets, at)
        name: str | None = message.frame
    except Refused as error:
        refused, name = error, error.frame
        if name is None:
            name, note = _likely_frame(protocol, octets, error.reason)
    layout = protocol.frames[name] if name else None
    body = _body_octets(protocol, layout, octets, refused)
    pieces = _pieces(protocol, _readable(protocol, layout, refused), octets[:body], _unread(layout, body))
    return Annotation(name, note, message, refused, (*_rows(pieces, octets), *_crc_rows(protocol, octets, body)))


def _body_octets(protocol: Protocol, layout: Layout | None, octets: bytes, refused: Refused | None) -> int:
    """Octets before the CRC. What is too short and fails the check was cut at its end: there the CRC is missing."""
    count = len(octets)
    unsound = refused is not None and refused.reason in (Status.TOO_SHORT, Status.INTEGRITY)
    if unsound and layout and count < layout.octets:
        return min(count, layout.body_octets)
    return count - protocol.check_octets if count >= protocol.least_octets else count


def _likely_frame(protocol: Protocol, octets: bytes, reason: Status) -> tuple[str | None, str]:
    """The frame that refused octets were most likely meant to be, and why; by message code first, then by length."""
    if reason in (Status.OTHER_REVISION, Status.UNKNOWN_MESSAGE):
        return None, ""
    count, slot = len(octets), protocol.message_slot
    if slot is None:
        layout = next(iter(protocol.frames.values()))
        return layout.name, _lengths(layout, count)
    code = _code(octets, slot) if slot.end <= 8 * count else None
    by_code = next((layout for layout in protocol.frames.values() if layout.message == code), None)
    if by_code:  # few damaged codes are another frame's code, and octets get lost or added more often than that
        return by_code.name, _lengths(by_code, count)
    by_length = [layout for layout in protocol.frames.values() if layout.octets == count]
    if len(by_length) == 1:
        return by_length[0].name, f"Shown as {by_length[0].name}, the only frame of {_octets(count)}."
    return None, ""


def _lengths(layout: Layout, count: int) -> str:
    if layout.octets == count:
        return ""
    if count < layout.octets:
        return f"Shown as {layout.name}, cut after {count} of its {_octets(layout.octets)}."
    return f"Shown as {layout.name}, which has {_octets(layout.octets)}; here are {count}."


def _readable(protocol: Protocol, layout: Layout | None, refused: Refused | None) -> tuple[Slot, ...]:
    """The slots whose place is known for these octets."""
    if layout:
        return layout.slots
    any_layout = next(iter(protocol.frames.values()))
    header = any_layout.slots[: any_layout.header_slots]
    if refused and refused.reason is Status.OTHER_REVISION:
        # Only these two stay at their bits from one revision to the next.
        return tuple(slot for slot in header if slot.kind in ("revision", "message"))
    return header


def _unread(layout: Layout | None, body: int) -> str:
    if layout is None:
        return "not known"
    return "too many" if body > layout.body_octets else "cut"


def _pieces(protocol: Protocol, slots: Iterable[Slot], body: bytes, unread: str) -> list[_Piece]:
    """The slots that are wholly there, and what lies between and behind them."""
    pieces: list[_Piece] = []
    end, total, missing = 0, 8 * len(body), []
    for slot in slots:
        if slot.end > total:
            missing.append(slot.name or "fill bits")
            continue
        if slot.offset > end:
            pieces.append(_rest(end, slot.offset, "not known"))
        raw = _code(body, slot)
        pieces.append(_Piece(slot.offset, slot.end, slot.name or "(fill)", *_told(protocol, slot, raw)))
        end = slot.end
    if end < total:
        pieces.append(_rest(end, total, unread))
    if missing:
        pieces.append(_Piece(total, total, "-", "", f"missing: {', '.join(missing)}"))
    return pieces


def _rest(offset: int, end: int, text: str) -> _Piece:
    shown = min(end, offset + 8 * _MOST_UNREAD)
    if shown < end:
        text += f"; {(end - shown) // 8} octets more"
    return _Piece(offset, shown, "-", "", text)


def _told(protocol: Protocol, slot: Slot, raw: int) -> tuple[str, str]:
    """Raw code and reading of a slot."""
    match slot.transform:
        case Fixed() as fixed:
            return str(raw), _fixed_told(protocol, slot, fixed, raw)
        case transform:
            read = reader(slot)
            value = read(raw) if read else raw
            text = "stands for nothing" if value is NOT_A_VALUE else reading(slot, value)
            code = "" if isinstance(transform, Text | Opaque) else str(raw)
            return code, "" if text == code else text


def _fixed_told(protocol: Protocol, slot: Slot, fixed: Fixed, raw: int) -> str:
    if slot.kind == "message":
        named = (layout.name for layout in protocol.frames.values() if layout.message == raw)
        return next(named, "no frame has this code")
    if raw == fixed.value:
        return ""
    return f"this spec is revision {fixed.value}" if slot.kind == "revision" else expectation(slot)


def _rows(pieces: list[_Piece], octets: bytes) -> Iterator[Row]:
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


def _cut(piece: _Piece) -> list[tuple[int, int]]:
    """The octets of one piece, a few at a time."""
    last = -(-piece.end // 8)
    return [(first, min(first + _APART, last)) for first in range(piece.offset // 8, last, _APART)]


def _tied(pieces: list[_Piece]) -> Iterator[list[_Piece]]:
    """Pieces that share octets, together."""
    group: list[_Piece] = []
    for piece in pieces:
        if group and piece.offset >= -(-group[-1].end // 8) * 8:
            yield group
            group = []
        group.append(piece)
    if group:
        yield group


def _bits(octets: bytes, first: int, last: int, piece: _Piece) -> str:
    if first == last:
        return ""
    digits = f"{int.from_bytes(octets[first:last], 'big'):0{8 * (last - first)}b}"
    own = (d if piece.offset <= place < piece.end else "." for place, d in enumerate(digits, 8 * first))
    text = "".join(own)
    return " ".join(text[start : start + 8] for start in range(0, len(text), 8))


def _crc_rows(protocol: Protocol, octets: bytes, body: int) -> Iterator[Row]:
    integrity = protocol.integrity
    if integrity is None:
        return
    sent = octets[body:]
    fits = integrity.check.compute(octets[integrity.first_octet : body])
    wanted = integrity.check.to_octets(fits, integrity.high_first)
    if len(sent) < len(wanted):
        text = "cut" if sent else "missing"
    elif sent == wanted:
        text = "fits"
    else:
        text = f"{wanted.hex() if integrity.high_first else wanted.hex(' ')} would fit"
    yield Row(body if sent else None, sent[:_CRC_TOGETHER].hex(" "), "", "CRC", "", text)
    for start in range(body + _CRC_TOGETHER, len(octets), _CRC_TOGETHER):
        yield Row(start, octets[start : start + _CRC_TOGETHER].hex(" "), "", "")


def _code(octets: bytes, slot: Slot) -> int:
    last = -(-slot.end // 8)
    word = int.from_bytes(octets[slot.offset // 8 : last], "big")
    return word >> (8 * last - slot.end) & ((1 << slot.bits) - 1)


def _octets(count: int) -> str:
    return f"{count} octet" if count == 1 else f"{count} octets"
