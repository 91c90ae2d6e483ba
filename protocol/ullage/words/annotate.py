"""A frame in words for people: a sample message, and what was received octet by octet.

Pure: rows and texts come out, nothing is printed. Everything stands on the layout's slots, so a screen, a data sheet
and a decoder's table say the same about the same bits.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..bodies import length_of, listed
from ..codec import Message
from ..errors import Refused
from ..layout import Fixed, Gate, Layout, Length, Opaque, Repeat, Slot, Text
from ..protocol import Protocol
from ..status import Status
from ..unfold import Named
from ..values import NOT_A_VALUE, expectation, reader
from .extent import Extent, code_of, extent, items_of
from .octet_rows import Piece, Row, check_rows, octets_of, rows_of
from .opening import Opening, encrypted_rows, first_hidden, hides_counts, readable, tag_rows
from .samples import sample
from .wording import reading, reading_of

if TYPE_CHECKING:
    from ..seal.keys import Key

__all__ = ["Annotation", "Row", "annotate", "octets_of", "reading", "reading_of", "sample"]

_MOST_UNREAD = 32
"""Octets shown of a stretch that nobody can read."""
_MOST_MISSING = 12
"""Names listed of what is missing."""


@dataclass(frozen=True)
class Annotation:
    """A frame told octet by octet.

    frame: the frame whose fields are shown, or None when only the header can be read. note: why just this frame
    although the octets were refused, or "". message: what was accepted, or None. refused: why the octets are no
    message, or None. rows: all octets. clear: the octets before tag and check, opened where they were encrypted and a
    key was there. opened_with: whose key that was, as "station 17", or "".
    """

    frame: str | None
    note: str
    message: Message | None
    refused: Refused | None
    rows: tuple[Row, ...]
    clear: bytes
    opened_with: str = ""


def annotate(
    protocol: Protocol,
    octets: bytes,
    at: int | None = None,
    keys: "Mapping[int | None, Key] | None" = None,
    from_counter: int = 0,
) -> Annotation:
    """Tell a frame octet by octet, accepted or not.

    octets: what was received, check included; anything goes. at: the receiving station, as for `Protocol.decode`. keys,
    from_counter: to open sealed frames, as for `Receiver`; of any source nothing is known before.
    Raises ValueError when `at` is no station of this protocol.
    """
    message, refused, note = None, None, ""
    opening = Opening(protocol, keys, from_counter)
    try:
        message = protocol.codec.decode(octets, at, opening.opener)
        name: str | None = message.frame
    except Refused as error:
        refused, name = error, error.frame
        if name is None:
            name, note = _likely_frame(protocol, octets, error.reason)
    layout = protocol.frames[name] if name else None
    body, end = _ends(protocol, layout, octets, refused)
    clear = octets[:body] if opening.body is None else opening.body
    if layout:
        told = _told_rows(protocol, layout, octets, clear, opening, refused, end)
    else:
        pieces = _Teller(protocol, None, len(octets), clear).pieces_of(_header(protocol, refused), "not known", "")
        told = rows_of(pieces, octets)
    check = check_rows(protocol.integrity, octets, end) if protocol.integrity else ()
    whose = opening.whose if opening.body is not None else ""
    return Annotation(name, note, message, refused, (*told, *check), clear, whose)


def tell_body(protocol: Protocol, layout: Layout, body: bytes) -> tuple[Row, ...]:
    """The rows of a sound body alone, as the fields have it: what stands before tag and check, not encrypted."""
    return tuple(rows_of(_Teller(protocol, layout, len(body) + layout.end_octets, body).pieces(), body))


def _told_rows(
    protocol: Protocol,
    layout: Layout,
    octets: bytes,
    clear: bytes,
    opening: Opening,
    refused: Refused | None,
    end: int,
) -> Iterator[Row]:
    """The rows of a known frame before its check. clear: before the tag, opened if it could be. end: of the tag."""
    first = first_hidden(layout)
    if first is None:
        yield from rows_of(_Teller(protocol, layout, len(octets), clear).pieces(), octets)
    elif opening.body is None:
        yield from rows_of(_Teller(protocol, layout, len(octets), clear[:first]).pieces(8 * first), octets)
        yield from encrypted_rows(layout, octets, len(clear), opened=False)
    else:
        pieces = _Teller(protocol, layout, len(octets), clear).pieces()
        yield from rows_of([piece for piece in pieces if piece.offset < 8 * first], octets)
        yield from encrypted_rows(layout, octets, len(clear), opened=True)
        yield from rows_of([piece for piece in pieces if piece.offset >= 8 * first], clear)
    if layout.sealing:
        yield from tag_rows(layout, octets, len(clear), end, opening, refused)


def _ends(protocol: Protocol, layout: Layout | None, octets: bytes, refused: Refused | None) -> tuple[int, int]:
    """Octets before the tag, and before the check.

    What is too short and fails the check was cut at its end: there the check is missing, and before it the tag.
    """
    count, tag = len(octets), layout.tag_octets if layout else 0
    if layout and refused is not None and refused.reason in (Status.TOO_SHORT, Status.INTEGRITY):
        row = extent(layout, readable(layout, octets))
        if row.octets is None and row.cut and (count < layout.least_octets or not hides_counts(layout)):
            return count, count
        if row.octets is not None and count < row.octets + layout.end_octets:
            return min(count, row.octets), min(count, row.octets + tag)
    if count < protocol.least_octets:
        return count, count
    end = count - protocol.check_octets
    body = layout.least_octets - layout.end_octets if layout else 0
    return min(end, max(end - tag, body)), end


# ---- which frame it may be -------------------------------------------------------------------------------------


def _likely_frame(protocol: Protocol, octets: bytes, reason: Status) -> tuple[str | None, str]:
    """The frame that refused octets were most likely meant to be, and why; by message code first, then by length."""
    if reason in (Status.OTHER_REVISION, Status.UNKNOWN_MESSAGE):
        return None, ""
    count, slot = len(octets), protocol.message_slot
    if slot is None:
        layout = next(iter(protocol.frames.values()))
        return layout.name, _lengths(layout, octets)
    code = code_of(octets, slot) if slot.end <= 8 * count else None
    by_code = next((layout for layout in protocol.frames.values() if layout.message == code), None)
    if by_code:  # few damaged codes are another frame's code, and octets get lost or added more often than that
        return by_code.name, _lengths(by_code, octets)
    by_length = [layout for layout in protocol.frames.values() if layout.least_octets <= count <= layout.octets]
    if len(by_length) == 1:
        whose = "the only frame of" if by_length[0].fixed else "the only frame that can have"
        return by_length[0].name, f"Shown as {by_length[0].name}, {whose} {_octets(count)}."
    return None, ""


def _lengths(layout: Layout, octets: bytes) -> str:
    """What the number of octets says: nothing when it is right."""
    count, row = len(octets), extent(layout, readable(layout, octets))
    shown = f"Shown as {layout.name}"
    if row.octets is None:
        if (row.cut and not hides_counts(layout)) or count < layout.least_octets:
            least = f"; its shortest has {layout.least_octets}" if count < layout.least_octets else ""
            return f"{shown}, cut after {_octets(count)}{least}."
        most = f"{layout.least_octets}..{layout.octets} octets"
        return f"{shown}, which has {most}; here are {count}." if count > layout.octets else ""
    whole = row.octets + layout.end_octets
    if whole == count:
        return ""
    by_counts = "" if layout.fixed else " by its counts"
    if count < whole:
        return f"{shown}, cut after {count} of its {_octets(whole)}{by_counts}."
    return f"{shown}, which has {_octets(whole)}{by_counts}; here are {count}."


def _header(protocol: Protocol, refused: Refused | None) -> tuple[Named, ...]:
    """The slots whose place is known although the frame is not."""
    any_layout = next(iter(protocol.frames.values()))
    header = any_layout.slots[: any_layout.header_slots]
    if refused and refused.reason is Status.OTHER_REVISION:
        # Only these two stay at their bits from one revision to the next.
        header = tuple(slot for slot in header if slot.kind in ("revision", "message"))
    return tuple((slot.name, slot) for slot in header)


# ---- what stands where -----------------------------------------------------------------------------------------


class _Teller:
    """Says of each stretch of a frame's octets what it is."""

    def __init__(self, protocol: Protocol, layout: Layout | None, whole: int, body: bytes) -> None:
        self.protocol = protocol
        self.whole = whole
        self.body = body
        self.row: Extent | None = extent(layout, self.body) if layout else None

    def pieces(self, end: int | None = None) -> list[Piece]:
        """The row of a known frame. end: the bit up to which it can be read, None for all of it."""
        row = self.row
        assert row is not None
        if end is not None:
            return self.pieces_of(tuple(one for one in row.slots if one[1].offset < end), "cut", "")
        if row.octets is not None:
            return self.pieces_of(row.slots, "too many" if len(self.body) > row.octets else "cut", "")
        return self.pieces_of(row.slots, "cut" if row.cut else "not known", row.stopped if row.cut else "")

    def pieces_of(self, slots: tuple[Named, ...], unread: str, stopped: str) -> list[Piece]:
        """The slots that are wholly there, and what lies between and behind them.

        unread: what the rest is called. stopped: the list or group whose count is missing, or "".
        """
        pieces: list[Piece] = []
        end, total, missing = 0, 8 * len(self.body), []
        for name, slot in slots:
            if slot.end > total:
                missing.append(name or "fill bits")
                continue
            if slot.offset > end:
                pieces.append(_rest(end, slot.offset, "not known"))
            pieces.append(Piece(slot.offset, slot.end, name or "(fill)", *self._told(slot)))
            end = slot.end
        if end < total:
            pieces.append(_rest(end, total, unread))
        missing += [stopped] if stopped else []
        if missing:
            more = len(missing) - _MOST_MISSING
            names = ", ".join(missing[:_MOST_MISSING]) + (f" and {more} more" if more > 0 else "")
            pieces.append(Piece(total, total, "-", "", f"missing: {names}"))
        return pieces

    def _told(self, slot: Slot) -> tuple[str, str]:
        """Raw code and reading of a slot."""
        code = code_of(self.body, slot)
        match slot.transform:
            case Fixed() as fixed:
                return str(code), self._fixed_told(slot, fixed, code)
            case Length():
                return str(code), self._length_told(slot, code)
        counted = self.row.counts.get(slot.offset) if self.row else None
        if counted:
            return str(code), _counted_told(counted, code)
        read = reader(slot)
        value = read(slot.turned(code)) if read else code
        text = "stands for nothing" if value is NOT_A_VALUE else reading(slot, value)
        raw = "" if isinstance(slot.transform, Text | Opaque) else str(code)
        return raw, "" if text == raw else text

    def _fixed_told(self, slot: Slot, fixed: Fixed, code: int) -> str:
        if slot.kind == "message":
            named = (layout.name for layout in self.protocol.frames.values() if layout.message == code)
            return next(named, "no frame has this code")
        if code == fixed.value:
            return ""
        return f"this spec is revision {fixed.value}" if slot.kind == "revision" else expectation(slot)

    def _length_told(self, slot: Slot, code: int) -> str:
        rest = isinstance(slot.transform, Length) and slot.transform.covers == "rest"
        there = length_of(slot, self.whole)
        wrong = "" if there == code else f"; there are {there}"
        return f"{_octets(code)} {'follow' if rest else 'in the frame'}{wrong}"


def _counted_told(entries: tuple[Repeat | Gate, ...], code: int) -> str:
    """What a count or a flag says of the lists and groups behind it."""
    names = listed([entry.name for entry in entries])
    entry = entries[0]
    if isinstance(entry, Gate):
        return f"yes: with {names}" if code else f"no: without {names}"
    items = items_of(entry, code)
    if items is None:
        size = f" of {_octets(entry.item_octets)}" if entry.item_octets else ""
        return f"no count of {names}; {entry.least}..{entry.at_most} items{size}"
    return f"{items} item{'s' if items != 1 else ''} of {names}"


def _rest(offset: int, end: int, text: str) -> Piece:
    shown = min(end, offset + 8 * _MOST_UNREAD)
    if shown < end:
        text += f"; {(end - shown) // 8} octets more"
    return Piece(offset, shown, "-", "", text)


def _octets(count: int) -> str:
    return f"{count} octet" if count == 1 else f"{count} octets"
