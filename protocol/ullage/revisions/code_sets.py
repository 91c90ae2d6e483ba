"""Sets of codes of one slot, as machines that read its bits in the order of the wire.

A machine tells after every bit whether the bits so far can still lead into the set. Two slots that lie askew over the
same bits are then one question: is there a way through both machines at once? That is exact, whatever the widths.
"""

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Protocol as Shape

from ..codes import Span, accepted
from ..layout import Slot, Text

State = Hashable
_IN = "in"
"""The state from which every continuation lies in the set."""


class CodeSet(Shape):
    """A set of codes of a slot of `bits` bits."""

    @property
    def bits(self) -> int:
        """Of the slot."""
        ...

    @property
    def start(self) -> State:
        """The state before the first bit."""
        ...

    def step(self, state: State, place: int, bit: int, /) -> State | None:
        """The state after one more bit, None where no code of the set begins so; place counts bits from 0."""
        ...


@dataclass(frozen=True)
class Runs:
    """Runs of codes, in rising order, apart from each other; the highest bit travels first."""

    bits: int
    runs: tuple[Span, ...]

    @property
    def start(self) -> State:
        """The state before the first bit: the number read so far, or that all the rest is in."""
        return _IN if self.runs == ((0, (1 << self.bits) - 1),) else 0

    def step(self, state: State, place: int, bit: int) -> State | None:
        """See `CodeSet.step`."""
        if state == _IN:
            return _IN
        assert isinstance(state, int)
        number, left = 2 * state + bit, self.bits - place - 1
        low, high = number << left, ((number + 1) << left) - 1
        for first, last in self.runs:
            if first <= low and high <= last:
                return _IN
            if first <= high and low <= last:
                return number
        return None


@dataclass(frozen=True)
class LowFirst:
    """Runs of codes whose lowest octet travels first."""

    bits: int
    runs: tuple[Span, ...]

    @property
    def start(self) -> State:
        """How the octets so far compare with those of each run's ends, and the octet that is being read."""
        return ((0, 0),) * len(self.runs), 1

    def step(self, state: State, place: int, bit: int) -> State | None:
        """See `CodeSet.step`."""
        assert isinstance(state, tuple)
        compared, octet = state[0], 2 * state[1] + bit
        if octet < 256:
            return compared, octet
        shift = place // 8 * 8
        after = tuple(
            tuple(_sign((octet - 256) - (end >> shift & 255)) or before for end, before in zip(run, one, strict=True))
            for run, one in zip(self.runs, compared, strict=True)
        )
        if place + 1 == self.bits and not any(low >= 0 >= high for low, high in after):
            return None
        return after, 1


@dataclass(frozen=True)
class Texts:
    """Printable ASCII, zeros only at the end."""

    bits: int

    @property
    def start(self) -> State:
        """Whether the text has ended, and the octet that is being read."""
        return False, 1

    def step(self, state: State, _: int, bit: int) -> State | None:
        """See `CodeSet.step`."""
        assert isinstance(state, tuple)
        ended, octet = state[0], 2 * state[1] + bit
        if octet < 256:
            return ended, octet
        if octet == 256:
            return True, 1
        return (False, 1) if not ended and 0x20 <= octet - 256 <= 0x7E else None


@dataclass(frozen=True)
class _NoText:
    """Octets that are no text."""

    inner: Texts

    @property
    def bits(self) -> int:
        """Of the slot."""
        return self.inner.bits

    @property
    def start(self) -> State:
        """That of a text."""
        return self.inner.start

    def step(self, state: State, place: int, bit: int) -> State | None:
        """See `CodeSet.step`."""
        after = _IN if state == _IN else self.inner.step(state, place, bit) or _IN
        return None if place + 1 == self.bits and after != _IN else after


def outside(codes: CodeSet) -> CodeSet | None:
    """Every code that is not in a set; None where there is none."""
    if isinstance(codes, Texts):
        return _NoText(codes)
    assert isinstance(codes, Runs | LowFirst)
    edges = [-1, *(edge for run in codes.runs for edge in run), 1 << codes.bits]
    gaps = tuple((low + 1, high - 1) for low, high in zip(edges[::2], edges[1::2], strict=True) if low + 1 < high)
    return type(codes)(codes.bits, gaps) if gaps else None


def any_code(codes: CodeSet) -> bool:
    """Whether a set holds every code of its slot."""
    return isinstance(codes, Runs) and codes.start == _IN


def common(one: CodeSet, other: CodeSet) -> tuple[Span, ...] | None:
    """The runs of codes that are in two sets of the same slot; None where they are not runs of one octet order."""
    if any_code(other) and isinstance(one, Runs | LowFirst):
        return one.runs
    if type(one) is not type(other) or not isinstance(one, Runs | LowFirst) or not isinstance(other, Runs | LowFirst):
        return None
    found = ((max(low, first), min(high, last)) for low, high in one.runs for first, last in other.runs)
    return tuple(sorted((low, high) for low, high in found if low <= high))


def of_runs(slot: Slot, runs: tuple[Span, ...]) -> CodeSet:
    """Some runs of a slot's codes. runs: of codes as numbers, in rising order."""
    return LowFirst(slot.bits, runs) if slot.low_first and slot.bits > 8 else Runs(slot.bits, runs)


def sound(slot: Slot) -> CodeSet:
    """The codes of a slot that stand for something."""
    return Texts(slot.bits) if isinstance(slot.transform, Text) else of_runs(slot, accepted(slot))


def _sign(number: int) -> int:
    return (number > 0) - (number < 0)
