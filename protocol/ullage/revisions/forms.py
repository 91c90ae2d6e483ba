"""The forms that a frame can have: its slots at their places, with the codes that each can have there.

A frame without lists and groups has one form. Others have one for each number of items and each group that is there or
not: all of them where they are few, else the shortest, the longest and a fixed choice of those between.
"""

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache

from ..bodies import length_of
from ..layout import Fixed, Gate, Layout, Length, Repeat, Slot
from ..status import Status
from ..unfold import named
from .code_sets import CodeSet, of_runs, sound

MOST = 200
"""More forms of one frame than these are not tried."""

Pick = Callable[[int], int]
"""Asked for one of so many possibilities, counted from 0."""


@dataclass(frozen=True)
class Form:
    """One form of a frame. names: with list and item, "" for fill bits; derived: what the shape of the frame says."""

    layout: Layout
    names: tuple[str, ...]
    slots: tuple[Slot, ...]
    codes: tuple[CodeSet, ...]
    derived: frozenset[int]

    @property
    def octets(self) -> int:
        """Octets before the check."""
        return self.slots[-1].end // 8


def forms(layout: Layout) -> tuple[Form, ...]:
    """The forms of a frame; see above for which."""
    return _forms(_Same(layout))


class _Same:
    """A layout that is told from others by who it is: comparing two by their slots costs more than it saves."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout

    def __hash__(self) -> int:
        return id(self.layout)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.layout is self.layout


@lru_cache(maxsize=256)
def _forms(same: _Same) -> tuple[Form, ...]:
    layout = same.layout
    found: dict[tuple[int, ...], Form] = {}
    for pick in _picks(layout):
        form, key = _form(layout, pick)
        found.setdefault(key, form)
    return tuple(found.values())


def _picks(layout: Layout) -> Iterator[Pick]:
    """Ways to decide about every list and group: each once where there are few."""
    every = list(_every_way(layout))
    if len(every) <= MOST:
        yield from every
        return
    yield lambda _: 0
    yield lambda count: count - 1
    yield lambda count: min(1, count - 1)
    rng = random.Random(1)
    for _ in range(MOST // 2):
        yield rng.randrange
        yield lambda count: rng.choice((0, 1, 2, count - 1)) % count


def _every_way(layout: Layout) -> Iterator[Pick]:
    """All combinations, at most one more than MOST: the digits of a number whose bases show as they are asked for."""
    digits: list[int] = []
    for _ in range(MOST + 1):
        bases: list[int] = []

        def pick(count: int, bases: list[int] = bases, digits: tuple[int, ...] = tuple(digits)) -> int:
            bases.append(count)
            place = len(bases) - 1
            return digits[place] if place < len(digits) else 0

        _form(layout, pick)
        yield _scripted(tuple(digits))
        digits += [0] * (len(bases) - len(digits))
        while bases and digits[-1] + 1 >= bases[-1]:
            digits.pop()
            bases.pop()
        if not bases:
            return
        digits[-1] += 1


def _scripted(script: tuple[int, ...]) -> Pick:
    """A pick that gives these numbers one after another, then 0."""
    left = iter(script)
    return lambda _: next(left, 0)


def _form(layout: Layout, pick: Pick) -> tuple[Form, tuple[int, ...]]:
    """One form, and the numbers that tell it from others."""
    chosen: dict[int, int] = {}
    shape: list[int] = []

    def count(entry: Repeat | Gate, slot: Slot) -> int:
        if isinstance(entry, Gate):
            items = chosen[slot.offset] if slot.offset in chosen else pick(2)
            chosen[slot.offset] = items
        else:
            items = entry.least + pick(entry.at_most - entry.least + 1)
            chosen[slot.offset] = items * (entry.item_octets or 1)
        shape.append(items)
        return items

    placed = list(named(layout.entries, count))
    end = placed[-1][1].end if placed else 0
    if end % 8:
        placed.append(("", Slot("", "fill", end, -end % 8, Fixed(0, Status.SPARE_NOT_ZERO))))
    octets = -(-end // 8) + layout.check_octets
    names, slots = tuple(name for name, _ in placed), tuple(slot for _, slot in placed)
    codes = tuple(_codes(slot, chosen, octets) for slot in slots)
    derived = frozenset(place for place, slot in enumerate(slots) if slot.offset in chosen)
    return Form(layout, names, slots, codes, derived), tuple(shape)


def _codes(slot: Slot, chosen: dict[int, int], octets: int) -> CodeSet:
    code = chosen.get(slot.offset)
    if isinstance(slot.transform, Length):
        code = length_of(slot, octets)
    return sound(slot) if code is None else of_runs(slot, ((code, code),))
