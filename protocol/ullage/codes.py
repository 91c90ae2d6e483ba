"""Which codes of a slot stand for something, and so which answers a protocol can give at all."""

from typing import TYPE_CHECKING

from .layout import Binary32, Choice, Entry, Fixed, Gate, Layout, Repeat, Scaled, Slot, Text
from .status import Status

if TYPE_CHECKING:
    from .protocol import Protocol

Span = tuple[int, int]
"""First and last code of a run of codes, as unsigned bit patterns."""


def accepted(slot: Slot) -> tuple[Span, ...]:
    """The codes that stand for something, as runs in rising order.

    Not for text, whose codes are no runs (raises TypeError). Flags and octets accept every code.
    """
    transform = slot.transform
    everything = ((0, (1 << slot.bits) - 1),)
    match transform:
        case Scaled():
            low, high = transform.lowest - transform.first, transform.highest - transform.first
            runs = [(low, high)] if low >= 0 else [((1 << slot.bits) + low, (1 << slot.bits) + min(high, -1))]
            if low < 0 <= high:
                runs.append((0, high))
            return _joined([*runs, *((special.code, special.code) for special in transform.specials)])
        case Choice():
            return _joined([(code.code, code.code) for code in transform.codes])
        case Fixed():
            return ((transform.value, transform.value),)
        case Binary32():
            return ((0, 0x7F7FFFFF), (0x80000000, 0xFF7FFFFF))
        case Text():
            raise TypeError(f"{slot.name}: the codes of a text are no runs")
    return everything


def gaps(slot: Slot) -> tuple[Span, ...]:
    """The codes that stand for nothing, as runs in rising order. Not for text (raises TypeError)."""
    found, start = [], 0
    for low, high in accepted(slot):
        if start < low:
            found.append((start, low - 1))
        start = high + 1
    if start < 1 << slot.bits:
        found.append((start, (1 << slot.bits) - 1))
    return tuple(found)


def reasons(protocol: "Protocol", addressed: bool = True, keyed: bool = True) -> tuple[Status, ...]:
    """The reasons for which a decoder of this protocol can refuse, in the order in which it asks.

    addressed: whether the receiving station is given. keyed: whether it has keys and windows for sealed frames.
    """
    frames = protocol.frames.values()
    slots = [slot for layout in frames for slot in layout.every_slot]
    message = protocol.message_slot
    whole = all(layout.fixed for layout in frames)
    sealed = any(layout.sealing for layout in frames)
    possible = {
        Status.TOO_SHORT: protocol.least_octets > 0,
        Status.TOO_LONG: True,
        Status.INTEGRITY: protocol.integrity is not None,
        Status.OTHER_REVISION: protocol.revision_slot is not None,
        Status.UNKNOWN_MESSAGE: message is not None and len(protocol.frames) < 1 << message.bits,
        Status.WRONG_LENGTH: not whole or len({layout.octets for layout in frames}) > 1 or protocol.least_octets < 255,
        Status.NOT_ADDRESSED: addressed and protocol.destination_slot is not None,
        Status.NO_KEY: sealed,
        Status.WRONG_TAG: sealed and keyed,
        Status.REPLAY: sealed and keyed,
        Status.WRONG_COUNT: any(_miscounts(layout.entries) for layout in frames),
        Status.WRONG_CONSTANT: any(slot.kind == "constant" for slot in slots),
        Status.SPARE_NOT_ZERO: any(slot.kind in ("spare", "fill") for slot in slots) or any(map(may_fill, frames)),
        Status.NOT_A_VALUE: any(_can_be_no_value(layout.entries) for layout in frames),
    }
    return tuple(status for status, can in possible.items() if can)


def _can_be_no_value(entries: tuple[Entry, ...]) -> bool:
    """Whether a slot among these entries has codes that stand for nothing; counts are judged before, as counts."""
    counters = {entry.counted_by for entry in entries if isinstance(entry, Repeat)}
    for entry in entries:
        if not isinstance(entry, Slot):
            if _can_be_no_value(entry.entries):
                return True
        elif isinstance(entry.transform, Text) or (entry.given and entry.name not in counters and gaps(entry)):
            return True
    return False


def _miscounts(entries: tuple[Entry, ...]) -> bool:
    """Whether a count among these entries can say what its list cannot have."""
    found = False
    slots = {entry.name: entry for entry in entries if isinstance(entry, Slot)}
    for entry in entries:
        if isinstance(entry, Repeat):
            size = entry.item_octets or 1
            codes = 1 << slots[entry.counted_by].bits
            found |= entry.least > 0 or size > 1 or entry.at_most < codes - 1
        if not isinstance(entry, Slot):
            found |= _miscounts(entry.entries)
    return found


def may_fill(layout: Layout) -> bool:
    """Whether a frame with lists or groups can end inside an octet."""
    return not layout.fixed and bool(phases(layout.entries, frozenset({0})) - {0})


def phases(entries: tuple[Entry, ...], start: frozenset[int]) -> frozenset[int]:
    """Where in an octet (0..7) a row of entries can end, when it can begin at these places."""
    at = start
    for entry in entries:
        if isinstance(entry, Slot):
            at = frozenset((place + entry.bits) % 8 for place in at)
        elif isinstance(entry, Gate):
            at |= phases(entry.entries, at)
        else:
            here, found = at, at if entry.least == 0 else frozenset[int]()
            for items in range(1, entry.at_most + 1):
                here = phases(entry.entries, here)
                found = found | here if items >= entry.least else found
            at = found
    return at


def example_code(slot: Slot) -> int:
    """A code of the slot that stands for something: the lowest, or zeros for text."""
    return 0 if isinstance(slot.transform, Text) else accepted(slot)[0][0]


def refusable(layout: Layout) -> tuple[Slot, ...]:
    """The slots of a frame that have codes which stand for nothing, fixed slots included."""
    return tuple(slot for slot in layout.slots if isinstance(slot.transform, Text) or gaps(slot))


def _joined(runs: list[Span]) -> tuple[Span, ...]:
    out: list[Span] = []
    for low, high in sorted(runs):
        if out and low <= out[-1][1] + 1:
            out[-1] = (out[-1][0], max(high, out[-1][1]))
        else:
            out.append((low, high))
    return tuple(out)
