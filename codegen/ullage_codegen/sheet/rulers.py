"""A frame as rulers: strips of cells side by side, and the lists and groups between them.

Where a frame has lists or groups, what follows them has no fixed place; there a ruler counts from its own beginning.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from ullage.codes import may_fill, phases
from ullage.layout import Entry, Gate, Layout, Repeat, Slot

from ..javascript.tables import slot_ids

FILL = "zero bits up to the next whole octet, where what stands before ends inside one"
_KEYS = "abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True)
class Cell:
    """One field on a ruler. id: the slot's, as in the decoder's tables; key: a letter where the name is too long.

    hidden: whether it is encrypted.
    """

    id: str
    name: str
    offset: int
    bits: int
    key: str = ""
    header: bool = False
    hidden: bool = False

    @property
    def end(self) -> int:
        """The bit after the last one."""
        return self.offset + self.bits


@dataclass(frozen=True)
class Strip:
    """Cells side by side. fixed: they count from the frame's first bit. whole: they always begin at a whole octet."""

    cells: tuple[Cell, ...]
    fixed: bool
    whole: bool

    @property
    def bits(self) -> int:
        """How many bits it takes."""
        return self.cells[-1].end if self.cells else 0


@dataclass(frozen=True)
class Block:
    """A list, whose parts come once for each item, a group, whose parts are there or not, or a note, which has none."""

    kind: str
    name: str
    caption: str
    parts: "tuple[Strip | Block, ...]"


Part = Strip | Block


def keys(layout: Layout, number: int, room: int) -> dict[str, str]:
    """Letters for the fields whose name has no room on a ruler: slot id -> letter.

    number: the frame's place in the protocol. room: letters of a name that fit on one bit times its width; a field that
    has no whole row of a ruler is measured as if it had.
    """
    ids = slot_ids(number, layout)
    short = [slot for slot in layout.every_slot if slot.name and len(slot.name) > slot.bits * room - 1]
    return {ids[id(slot)]: _letters(place) for place, slot in enumerate(short)}


def _letters(place: int) -> str:
    return _KEYS[place] if place < len(_KEYS) else _letters(place // len(_KEYS) - 1) + _KEYS[place % len(_KEYS)]


def parts(layout: Layout, number: int, check_name: str, keyed: dict[str, str]) -> tuple[Part, ...]:
    """The rulers of a frame, in wire order.

    layout: the frame. number: its place in the protocol. check_name: "CRC" or "sum". keyed: as `keys` gives it.
    """
    ids = slot_ids(number, layout)
    first = layout.sealing.first_octet if layout.sealing else None
    head = tuple(
        Cell(
            name,
            slot.name or "fill",
            slot.offset,
            slot.bits,
            keyed.get(name, ""),
            place < layout.header_slots,
            first is not None and slot.offset >= 8 * first,
        )
        for place, slot in enumerate(layout.slots)
        for name in (ids[id(slot)],)
    )
    ends = _ends(layout, number, check_name, layout.body_octets if layout.fixed else 0)
    if layout.fixed:
        return (Strip((*head, *ends), True, True),)
    found: list[Part] = [Strip(head, True, True)] if head else []
    at = phases(layout.slots, frozenset({0}))
    found += _scope(layout.tail, at, ids, keyed, first is not None)
    if may_fill(layout):
        found.append(Block("note", "", FILL, ()))
    if ends:
        found.append(Strip(ends, False, True))
    return tuple(found)


def _ends(layout: Layout, number: int, check_name: str, octet: int) -> tuple[Cell, ...]:
    """Tag and check, as far as there are any. octet: where they begin."""
    tag = Cell(f"f{number}tag", "tag", 8 * octet, 8 * layout.tag_octets)
    check = Cell(f"f{number}check", check_name, tag.end, 8 * layout.check_octets)
    return tuple(cell for cell in (tag, check) if cell.bits)


def _scope(
    entries: tuple[Entry, ...], at: frozenset[int], ids: dict[int, str], keyed: dict[str, str], hidden: bool
) -> Iterator[Part]:
    """The parts of entries; at: where in an octet they can begin; hidden: whether they are encrypted."""
    cells: list[Cell] = []
    start = at
    for entry in entries:
        if isinstance(entry, Slot):
            start = start if cells else at
            offset = cells[-1].end if cells else 0
            name = ids[id(entry)]
            cells.append(Cell(name, entry.name, offset, entry.bits, keyed.get(name, ""), hidden=hidden))
        else:
            if cells:
                yield Strip(tuple(cells), False, start == {0})
                cells = []
            inside = _item_phases(entry, at)
            kind = "list" if isinstance(entry, Repeat) else "group"
            yield Block(kind, entry.name, caption(entry), tuple(_scope(entry.entries, inside, ids, keyed, hidden)))
        at = phases((entry,), at)
    if cells:
        yield Strip(tuple(cells), False, start == {0})


def _item_phases(entry: Repeat | Gate, at: frozenset[int]) -> frozenset[int]:
    """Where in an octet an item, or the group, can begin."""
    if isinstance(entry, Gate):
        return at
    found, more = at, at
    for _ in range(entry.at_most - 1):
        more = phases(entry.entries, more)
        if more <= found:
            break
        found |= more
    return found


def caption(entry: Repeat | Gate) -> str:
    """What a list or group says above its rulers."""
    if isinstance(entry, Gate):
        return f"only when {entry.when} is set"
    items = f"{entry.least}..{entry.at_most}" if entry.least < entry.at_most else str(entry.at_most)
    how = "as many as" if entry.item_octets is None else "as many octets as"
    return f"{items} item{'s' if entry.at_most != 1 else ''}, {how} {entry.counted_by} says; each:"
