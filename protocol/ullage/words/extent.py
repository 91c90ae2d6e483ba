"""Which slots some octets have, as far as that can be known: for octets that are no sound frame as well.

The walk of a decoder refuses at the first fault; this one goes as far as flags and counts can be read, so that what is
told of a damaged or cut frame is as much as can be told.
"""

from dataclasses import dataclass

from ..layout import Fixed, Gate, Layout, Repeat, Slot
from ..status import Status
from ..unfold import Named, named


@dataclass(frozen=True)
class Extent:
    """The row of slots that some octets have as one frame.

    slots: in wire order, with their names; they may lie beyond the octets. octets: how many the row takes, None where
    that is not known. stopped: the list or group at which it stops being known. cut: whether that is because the octets
    end before its count. counts: bit -> the lists and groups that the slot there counts or turns on.
    """

    slots: tuple[Named, ...]
    octets: int | None
    stopped: str
    cut: bool
    counts: dict[int, tuple[Repeat | Gate, ...]]


def extent(layout: Layout, octets: bytes) -> Extent:
    """The row that octets have as this frame. octets: those before the check; anything goes."""
    counts: dict[int, tuple[Repeat | Gate, ...]] = {}
    stops: list[tuple[str, bool]] = []

    def count(entry: Repeat | Gate, slot: Slot) -> int | None:
        counts[slot.offset] = (*counts.get(slot.offset, ()), entry)
        there = slot.end <= 8 * len(octets)
        items = items_of(entry, code_of(octets, slot)) if there else None
        if items is None:
            stops.append((entry.name, not there))
        return items

    slots = tuple(named(layout.entries, count))
    end = max((slot.end for _, slot in slots), default=0)
    if stops:
        return Extent(slots, None, *stops[0], counts)
    if end % 8:
        slots = (*slots, ("", Slot("", "fill", end, -end % 8, Fixed(0, Status.SPARE_NOT_ZERO))))
    return Extent(slots, -(-end // 8), "", False, counts)


def place_of(layout: Layout, octets: bytes, bit: int) -> str:
    """The name of the slot that begins at a bit, as `readings[0].level`; "" where none does, and for fill bits."""
    return next((name for name, slot in extent(layout, octets).slots if slot.offset == bit), "")


def items_of(entry: Repeat | Gate, code: int) -> int | None:
    """How many items this code of its count means, or whether the group is there (1, 0); None where it cannot be."""
    if isinstance(entry, Gate):
        return code
    items, rest = divmod(code, entry.item_octets or 1)
    return None if rest or not entry.least <= items <= entry.at_most else items


def code_of(octets: bytes, slot: Slot) -> int:
    """The code in a slot that lies wholly in the octets."""
    last = -(-slot.end // 8)
    word = int.from_bytes(octets[slot.offset // 8 : last], "big")
    return slot.turned(word >> (8 * last - slot.end) & ((1 << slot.bits) - 1))
