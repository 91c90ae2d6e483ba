"""The rows of slots that a frame's vectors are made from: the usual one, the shortest, the longest, one with fill bits.

Which counts and groups a row has is decided here, by rule and never by chance.
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from ullage.codes import may_fill
from ullage.layout import Gate, Layout, Repeat, Slot
from ullage.packing import Packer, derived
from ullage.unfold import Row, named
from ullage.values import writer
from ullage.words.samples import sample_value

_QUESTIONS, _ITEMS = 12, 9
"""How far the search for fill bits goes: the first lists and groups, with items for every place in an octet."""


def typical_code(slot: Slot) -> int:
    """The code of the value that a sample message has in this slot."""
    return slot.turned(writer(slot, "")(sample_value(slot))) if slot.given else writer(slot, "")(None)


@dataclass(frozen=True)
class Shape:
    """How many items lists have, and whether groups are there.

    items: in each list, as far as it can have so many. groups: there or not. other: the place of one question (in the
    order in which lists and groups are asked) that is answered otherwise. instead: the answer there.
    """

    items: int
    groups: bool
    other: int = -1
    instead: int = 0

    def row(self, layout: Layout) -> Row:
        """The row of this shape."""
        return Packer(layout, typical_code).row(self._counter())

    def _counter(self) -> "_Answers":
        return _Answers(self)


class _Answers:
    """Answers the questions of one unfolding; one flag may govern several groups, and then has one answer."""

    def __init__(self, shape: Shape) -> None:
        self._shape = shape
        self._asked = 0
        self._flags: dict[int, int] = {}

    def __call__(self, entry: Repeat | Gate, slot: Slot) -> int:
        shape = self._shape
        if isinstance(entry, Gate) and slot.offset in self._flags:
            return self._flags[slot.offset]
        otherwise = self._asked == shape.other
        self._asked += 1
        if isinstance(entry, Gate):
            there = int(shape.groups) ^ int(otherwise)
            self._flags[slot.offset] = there
            return there
        wish = shape.instead if otherwise else shape.items
        return max(entry.least, min(wish, entry.at_most))


USUAL, LEAST, MOST = Shape(2, True), Shape(0, False), Shape(255, True)


@dataclass(frozen=True)
class FrameRow:
    """One row of a frame with the names of its slots, and any codes in it."""

    layout: Layout
    row: Row

    @cached_property
    def slots(self) -> list[tuple[str, Slot]]:
        """The slots with the names that tell them apart, in wire order; fill bits behind a tail are not among them."""
        counts = iter(self._counts())
        names = [name for name, _ in named(self.layout.entries, lambda *_: next(counts))]
        return list(zip(names, self.row.slots(), strict=True))

    @cached_property
    def derived(self) -> dict[int, int]:
        """Offset -> code of the counts and flags that follow from the row."""
        return dict(derived(self.row))

    @cached_property
    def controls(self) -> dict[int, Repeat | Gate]:
        """Offset -> the list or group that the slot there counts or turns on; the first, where a flag has several."""
        found: dict[int, Repeat | Gate] = {}
        for offset, entry in _controls(self.row):
            found.setdefault(offset, entry)
        return found

    @property
    def fill_bits(self) -> int:
        """Bits behind the last slot of a frame whose length varies."""
        return -self.row.end % 8

    def body(self, codes: dict[int, int] | None = None, fill: int = 0) -> bytes:
        """The octets before the check. codes: offset -> code; the rest is sound."""
        return Packer(self.layout, typical_code).body(self.row, codes or {}, fill)

    def _counts(self) -> Iterator[int]:
        return _counts(self.row)


def _counts(row: Row) -> Iterator[int]:
    for cell in row.cells:
        if isinstance(cell, Slot):
            continue
        inner = cell[1]
        rows = inner if isinstance(inner, tuple) else () if inner is None else (inner,)
        yield len(rows)
        for one in rows:
            yield from _counts(one)


def _controls(row: Row) -> Iterator[tuple[int, Repeat | Gate]]:
    slots = {cell.name: cell for cell in row.cells if isinstance(cell, Slot)}
    for cell in row.cells:
        if isinstance(cell, Slot):
            continue
        entry, inner = cell
        yield slots[entry.counted_by if isinstance(entry, Repeat) else entry.when].offset, entry
        for one in inner if isinstance(inner, tuple) else () if inner is None else (inner,):
            yield from _controls(one)


def frame_row(layout: Layout, shape: Shape) -> FrameRow:
    """The row of a frame in this shape."""
    return FrameRow(layout, shape.row(layout))


def row_with_fill(layout: Layout) -> FrameRow | None:
    """A row that ends inside an octet, where a frame of varying length has one; the first in a fixed order."""
    return _row_that(layout, inside=True) if may_fill(layout) else None


def row_without_fill(layout: Layout) -> FrameRow | None:
    """A row of a frame of varying length that ends with an octet; None where the first shapes have none."""
    return None if layout.fixed else _row_that(layout, inside=False, most=_QUESTIONS * _ITEMS)


def _row_that(layout: Layout, inside: bool, most: int | None = None) -> FrameRow | None:
    """The first row that ends inside an octet, or with one. most: how many shapes to try; None is all."""
    for shape in itertools.islice(_shapes(), most):
        row = shape.row(layout)
        if bool(row.end % 8) == inside:
            return FrameRow(layout, row)
    return None


def _shapes() -> Iterator[Shape]:
    bases = [Shape(items, groups) for items in (2, 1, 0, 255) for groups in (True, False)]
    yield from bases
    for base in bases:
        for other in range(_QUESTIONS):
            for instead in range(_ITEMS):
                yield Shape(base.items, base.groups, other, instead)
