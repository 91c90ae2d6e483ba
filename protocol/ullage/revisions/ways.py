"""Octets that a sender can send and a receiver can take, found exactly: both rows of slots lie over the same bits.

Between two bits where both rows have a boundary lies a block. What stands in one block says nothing about another, so
that a question about a whole frame is one small question a block.
"""

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from ..layout import Slot
from .code_sets import CodeSet, State, Texts, any_code, common

Placed = tuple[Slot, CodeSet]
"""A slot at its place, and the codes that are asked for."""


@dataclass(frozen=True)
class Block:
    """The slots of both rows between two common boundaries: numbers of them in their rows."""

    start: int
    end: int
    sender: range
    receiver: range


def blocks(sender: Sequence[Slot], receiver: Sequence[Slot]) -> Iterator[Block]:
    """Cut two rows of slots, which end at the same bit, at their common boundaries."""
    ends = {slot.end for slot in sender} & {slot.end for slot in receiver}
    begin = (0, 0)
    start = 0
    for end in sorted(ends):
        after = (_upto(sender, begin[0], end), _upto(receiver, begin[1], end))
        yield Block(start, end, range(begin[0], after[0]), range(begin[1], after[1]))
        begin, start = after, end


def _upto(row: Sequence[Slot], place: int, end: int) -> int:
    while place < len(row) and row[place].end <= end:
        place += 1
    return place


class Ways:
    """All the ways through two rows over the same bits, of one block or of more."""

    def __init__(self, sender: Sequence[Placed], receiver: Sequence[Placed]) -> None:
        self._rows = (sender, receiver)
        self.bits = sender[-1][0].end - sender[0][0].offset
        self._at = sender[0][0].offset
        # One slot over one slot, as nearly everywhere: no more than a few runs.
        alone = len(sender) == len(receiver) == 1
        self._runs = common(sender[0][1], receiver[0][1]) if alone else None
        textual = alone and isinstance(sender[0][1], Texts)
        self._text = textual and (isinstance(receiver[0][1], Texts) or any_code(receiver[0][1]))

    @cached_property
    def _steps(self) -> "list[dict[tuple[State, State], list[tuple[tuple[State, State], int]]]] | None":
        """For each bit: the states after it that lead to the end, each with the states and bits that lead to it."""
        found: list[dict[tuple[State, State], list[tuple[tuple[State, State], int]]]] = []
        cursors = [0, 0]
        here: list[tuple[State, State]] = [(self._rows[0][0][1].start, self._rows[1][0][1].start)]
        for bit in range(self._at, self._at + self.bits):
            pairs = [row[cursor] for row, cursor in zip(self._rows, cursors, strict=True)]
            ended = [slot.end == bit + 1 for slot, _ in pairs]
            starts = [
                row[cursor + 1][1].start if end and cursor + 1 < len(row) else None
                for row, cursor, end in zip(self._rows, cursors, ended, strict=True)
            ]
            after: dict[tuple[State, State], list[tuple[tuple[State, State], int]]] = {}
            for state in here:
                for value in (0, 1):
                    steps = [
                        codes.step(one, bit - slot.offset, value)
                        for (slot, codes), one in zip(pairs, state, strict=True)
                    ]
                    if None in steps:
                        continue
                    first, second = (
                        start if end else step for start, end, step in zip(starts, ended, steps, strict=True)
                    )
                    after.setdefault((first, second), []).append((state, value))
            if not after:
                return None
            found.append(after)
            here = list(after)
            cursors = [cursor + end for cursor, end in zip(cursors, ended, strict=True)]
        return found

    @property
    def any(self) -> bool:
        """Whether there is a way at all."""
        return self._text or bool(self._runs if self._runs is not None else self._steps)

    def one(self, rng: random.Random) -> int:
        """The bits of one of the ways, any of them. Raises ValueError where there is none."""
        if self._runs is not None:
            low, high = rng.choice(self._runs)
            return self._rows[0][0][0].turned(rng.choice((low, high, rng.randint(low, high))))
        if self._text:
            count = self.bits // 8
            text = bytes(rng.choices(range(0x20, 0x7F), k=rng.randint(0, count)))
            return int.from_bytes(text.ljust(count, b"\0"), "big")
        steps = self._steps
        if steps is None:
            raise ValueError("there is no way")
        number, state = 0, rng.choice(list(steps[-1]))
        for place, after in enumerate(reversed(steps)):
            state, bit = rng.choice(after[state])
            number |= bit << place
        return number
