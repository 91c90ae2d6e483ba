"""The places of one frame: a layout with lists and groups, unfolded for the counts and flags at hand.

What is on the air is always a plain row of slots; a layout with lists and groups says which rows are possible. A `Row`
is the one that some octets, or some values, have. Everything that follows (reading, refusing, explaining) then works on
placed slots alone.
"""

from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, replace
from typing import Any

from .layout import Entry, Gate, Layout, Repeat, Slot

Counter = Callable[[Repeat | Gate, Slot], int]
"""Asked for the number of items of a list, or 1 or 0 for a group: entry, and the placed slot that carries it."""

Named = tuple[str, Slot]
"""A slot at its place, and the name that tells it from the same slot in other items."""

Advance = Callable[[int], None]
"""Told the bit that the row has grown to."""


@dataclass(frozen=True, slots=True)
class Row:
    """Entries of one scope at their places: a slot with its absolute offset, a list's items, a group or None."""

    cells: "tuple[Slot | tuple[Repeat, tuple[Row, ...]] | tuple[Gate, Row | None], ...]"
    end: int

    def slots(self) -> Iterator[Slot]:
        """All placed slots in wire order."""
        for cell in self.cells:
            if isinstance(cell, Slot):
                yield cell
            elif cell[1] is not None:
                for row in cell[1] if isinstance(cell[1], tuple) else (cell[1],):
                    yield from row.slots()

    def values(self, read: Callable[[Slot], Any]) -> dict[str, Any]:
        """A message's values: a list as a tuple of dicts, an absent group as None. read: the value of a placed slot."""
        found: dict[str, Any] = {}
        for cell in self.cells:
            if isinstance(cell, Slot):
                if cell.given:
                    found[cell.name] = read(cell)
            elif isinstance(cell[1], tuple):
                found[cell[0].name] = tuple(row.values(read) for row in cell[1])
            else:
                found[cell[0].name] = None if cell[1] is None else cell[1].values(read)
        return found


def controls(entries: tuple[Entry, ...]) -> frozenset[str]:
    """The names of the counts and flags beside these entries that follow from what lists and groups have."""
    inner = (entry for entry in entries if not isinstance(entry, Slot))
    return frozenset(entry.counted_by if isinstance(entry, Repeat) else entry.when for entry in inner)


def unfold(layout: Layout, count: Counter, advance: Advance = lambda _: None) -> Row:
    """Give every slot of one frame its place, in wire order.

    layout: the frame. count: asked about each list and group. advance: told after each slot where the row ends now; it
    may raise to stop. Fill bits behind lists and groups are not among the slots.
    """
    return _row(layout.entries, 0, count, advance)


Asked = Callable[[Repeat | Gate, Slot], int | None]
"""A `Counter` that may not know: None where the octets end before the count, or the list cannot have so many."""


def named(entries: tuple[Entry, ...], count: Asked, bit: int = 0, path: str = "") -> Generator[Named, None, int | None]:
    """The slots of one frame at their places, one after another, with their names as people write them.

    entries: of the frame. count: asked about each list and group; where it does not know, the row ends there.
    bit, path: where the row begins, and what stands before its names. Gives `readings[0].level` for a slot of a list's
    first item, `extra.t` for one of a group, "" for fill bits; returns the bit after the last slot, None where the row
    is not known to its end.
    """
    here: dict[str, Slot] = {}
    for entry in entries:
        if isinstance(entry, Slot):
            placed = entry if entry.offset == bit else replace(entry, offset=bit)
            here[entry.name] = placed
            bit = placed.end
            yield path + entry.name if entry.name else "", placed
            continue
        items = count(entry, here[entry.counted_by if isinstance(entry, Repeat) else entry.when])
        if items is None:
            return None
        for item in range(items):
            place = f"{entry.name}[{item}]" if isinstance(entry, Repeat) else entry.name
            end = yield from named(entry.entries, count, bit, f"{path}{place}.")
            if end is None:
                return None
            bit = end
    return bit


def _row(entries: tuple[Entry, ...], bit: int, count: Counter, advance: Advance) -> Row:
    cells: list[Any] = []
    here: dict[str, Slot] = {}
    for entry in entries:
        if isinstance(entry, Slot):
            placed = entry if entry.offset == bit else replace(entry, offset=bit)
            here[entry.name] = placed
            cells.append(placed)
            bit = placed.end
            advance(bit)
        elif isinstance(entry, Repeat):
            rows = []
            for _ in range(count(entry, here[entry.counted_by])):
                rows.append(_row(entry.entries, bit, count, advance))
                bit = rows[-1].end
            cells.append((entry, tuple(rows)))
        else:
            row = _row(entry.entries, bit, count, advance) if count(entry, here[entry.when]) else None
            bit = row.end if row else bit
            cells.append((entry, row))
    return Row(tuple(cells), bit)
