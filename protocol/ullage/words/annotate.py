"""A frame in words for people: a sample message, and what was received octet by octet.

Pure: rows and texts come out, nothing is printed. Everything stands on the layout's slots, so a screen, a data sheet
and a decoder's table say the same about the same bits.
"""

from dataclasses import dataclass

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
from .samples import sample
from .wording import reading, reading_of

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
    message, or None. rows: all octets.
    """

    frame: str | None
    note: str
    message: Message | None
    refused: Refused | None
    rows: tuple[Row, ...]


def annotate(protocol: Protocol, octets: bytes, at: int | None = None) -> Annotation:
    """Tell a frame octet by octet, accepted or not.

    octets: what was received, check included; anything goes. at: the receiving station, as for `Protocol.decode`.
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
    if layout:
        pieces = _Teller(protocol, layout, octets, body).pieces()
    else:
        pieces = _Teller(protocol, None, octets, body).pieces_of(_header(protocol, refused), "not known", "")
    told = rows_of(pieces, octets)
    check = check_rows(protocol.integrity, octets, body) if protocol.integrity else ()
    return Annotation(name, note, message, refused, (*told, *check))


def _body_octets(protocol: Protocol, layout: Layout | None, octets: bytes, refused: Refused | None) -> int:
    """Octets before the check. What is too short and fails it was cut at its end: there the check is missing."""
    count = len(octets)
    unsound = refused is not None and refused.reason in (Status.TOO_SHORT, Status.INTEGRITY)
    if unsound and layout:
        row = extent(layout, octets)
        if row.octets is None and row.cut:
            return count
        if row.octets is not None and count < row.octets + protocol.check_octets:
            return min(count, row.octets)
    return count - protocol.check_octets if count >= protocol.least_octets else count


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
    count, row = len(octets), extent(layout, octets)
    shown = f"Shown as {layout.name}"
    if row.octets is None:
        if row.cut or count < layout.least_octets:
            least = f"; its shortest has {layout.least_octets}" if count < layout.least_octets else ""
            return f"{shown}, cut after {_octets(count)}{least}."
        most = f"{layout.least_octets}..{layout.octets} octets"
        return f"{shown}, which has {most}; here are {count}." if count > layout.octets else ""
    whole = row.octets + layout.check_octets
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

    def __init__(self, protocol: Protocol, layout: Layout | None, octets: bytes, body: int) -> None:
        self.protocol = protocol
        self.whole = len(octets)
        self.body = octets[:body]
        self.row: Extent | None = extent(layout, self.body) if layout else None

    def pieces(self) -> list[Piece]:
        """The row of a known frame."""
        row = self.row
        assert row is not None
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
