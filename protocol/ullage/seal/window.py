"""A replay window per key and source (RFC 4303 section 3.4.3), and the whole counter behind the bits that travel.

Windows are values: `check` asks, `advance` gives the next one, and a receiver keeps that only once the tag has passed.
A forged frame therefore never moves a window. Counters begin at 0; the window spans the 64 numbers up to the highest
accepted one (the text of RFC 6479 has it so; its sample code lets one more through).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from .errors import SealError

WIDTH = 64
"""Numbers that a window remembers: what RFC 4303 prefers."""

MOST_BITS = 64
"""Of a whole counter."""


class Seen(StrEnum):
    """What a window says of a counter."""

    FRESH = "fresh"
    REPEAT = "repeat"
    TOO_OLD = "too_old"


@dataclass(frozen=True)
class Window:
    """Which of the last 64 numbers of one source, under one key, have been accepted.

    Attributes: top, the highest accepted counter, None before the first; mask, whose bit i stands for top - i. Keep the
    saved form before acting on a frame: what was accepted after the last saving would be accepted again.
    """

    top: int | None = None
    mask: int = 0

    def __post_init__(self) -> None:
        top = self.top
        if top is None:
            sound = self.mask == 0
        else:
            sound = 0 <= top < 1 << MOST_BITS and self.mask & 1 == 1 and 0 < self.mask < 1 << min(WIDTH, top + 1)
        if not sound:
            raise SealError(f"no window has the highest counter {self.top} and the mask {self.mask:#x}")

    def check(self, counter: int) -> Seen:
        """What this counter would be; the window stays as it is. counter: whole, 0..2**64 - 1."""
        if not 0 <= counter < 1 << MOST_BITS:
            raise SealError(f"counter {counter} is outside 0..{(1 << MOST_BITS) - 1}")
        if self.top is None or counter > self.top:
            return Seen.FRESH
        back = self.top - counter
        if back >= WIDTH:
            return Seen.TOO_OLD
        return Seen.REPEAT if self.mask >> back & 1 else Seen.FRESH

    def advance(self, counter: int) -> "Window":
        """The window after this counter was accepted, whose tag has passed.

        Raises SealError for a counter that is not fresh.
        """
        seen = self.check(counter)
        if seen is not Seen.FRESH:
            raise SealError(f"counter {counter} is not fresh but {'a repeat' if seen is Seen.REPEAT else 'too old'}")
        if self.top is None:
            return Window(counter, 1)
        if counter < self.top:
            return Window(self.top, self.mask | 1 << (self.top - counter))
        # Cut the distance first: a jump of 2**63 must not make a number of as many bits.
        kept = self.mask << min(counter - self.top, WIDTH) & ((1 << WIDTH) - 1)
        return Window(counter, kept | 1)

    def saved(self) -> dict[str, str] | None:
        """The window for JSON; numbers as text, for not every reader keeps 64 bits. None before the first."""
        return None if self.top is None else {"top": str(self.top), "mask": f"{self.mask:016x}"}

    @classmethod
    def restored(cls, saved: Any) -> "Window":
        """The window that `saved` gave. Raises SealError for anything that `saved` never gives."""
        if saved is None:
            return cls()
        top, mask = (saved.get("top"), saved.get("mask")) if isinstance(saved, dict) else (None, None)
        if isinstance(top, str) and isinstance(mask, str) and top.isdecimal() and len(top) <= 20 and len(mask) == 16:
            try:
                window = cls(int(top), int(mask, 16))
            except ValueError:
                pass
            else:
                if window.saved() == saved:
                    return window
        raise SealError("this is no saved replay window: it has a top in decimal digits and a mask of 16 hex digits")


def candidates(
    window: Window | None,
    low: int,
    *,
    low_bits: int,
    counter_bits: int,
    resync: int = 16,
    start: int = 0,
) -> Iterator[int]:
    """The whole counters that travelling low bits may stand for, in the order in which to try the tag.

    The first is RFC 4303's guess (appendix A2.1): the smallest number with these low bits that is not below the window.
    So a gap of up to 2**low_bits - 64 numbers is bridged without a wrong guess. Then follow `resync` further high parts
    upward, for longer gaps. With fewer than 8 low bits the window would fill more than half of the circle; then only
    the half below the highest number counts as old. At exactly half the circle, where RFC 1982 leaves the order open,
    a number is newer: a wrong guess costs one more trial of the tag, while an old number would be refused anyway.

    window: None, or without a number, means that nothing is known; then the first is the smallest number from `start`
    on. low: what travelled, 0..2**low_bits - 1. low_bits = counter_bits: the whole counter travels, and it is the only
    candidate. Every trial is one more chance for a forger: the odds are those of the tag times 1 + resync.
    Raises SealError when the numbers do not fit each other.
    """
    _check_bits(low, low_bits, counter_bits)
    if resync < 0 or not 0 <= start < 1 << counter_bits:
        raise SealError(f"resync {resync} or start {start} does not fit a counter of {counter_bits} bits")
    if low_bits == counter_bits:
        return iter((low,))
    circle = 1 << low_bits
    bottom = start if window is None or window.top is None else _bottom(window.top, low_bits)
    first = bottom + ((low - bottom) & (circle - 1))
    return iter(range(first, min(first + (resync + 1) * circle, 1 << counter_bits), circle))


def old_candidates(window: Window, low: int, *, low_bits: int, counter_bits: int, at_most: int = 16) -> Iterator[int]:
    """Whole counters below the window that low bits may stand for: only to tell why a tag failed, never to accept.

    The numbers from 0 upwards and those next below the window, by turns, for a node that lost its counter begins again
    at 0 or at an earlier block. A frame whose tag passes with one of them is authentic and old. at_most: how many.
    Raises SealError when the numbers do not fit each other.
    """
    _check_bits(low, low_bits, counter_bits)
    if window.top is None or low_bits == counter_bits:
        return iter(())
    circle = 1 << low_bits
    old = range(low, _bottom(window.top, low_bits), circle)
    turns = (old[-1 - place // 2] if place % 2 else old[place // 2] for place in range(min(at_most, len(old))))
    return iter(list(turns))


def _check_bits(low: int, low_bits: int, counter_bits: int) -> None:
    if not 1 <= low_bits <= counter_bits <= MOST_BITS:
        raise SealError(f"{low_bits} low bits do not fit a counter of {counter_bits} bits (at most {MOST_BITS})")
    if not 0 <= low < 1 << low_bits:
        raise SealError(f"low part {low} does not fit in {low_bits} bits")


def _bottom(top: int, low_bits: int) -> int:
    """The lowest counter that a guess may give."""
    return max(0, top + 1 - min(WIDTH, 1 << (low_bits - 1)))


@dataclass(frozen=True)
class OldRun:
    """Authentic frames of one source that were not fresh, one after another: has the node lost its counter?

    A repeat now and then is normal (a retry, a repeater). A node that begins again at 0 or at an earlier block sends
    authentic numbers that rise and are all old. Someone who plays back a recording in order looks the same: so this is
    a hint for people, and such frames are never accepted. The way out is a fresh key, or a counter moved past the
    highest number.

    Attributes: last, the last such counter or None; rising, how many of them rose without a fresh frame between.
    """

    last: int | None = None
    rising: int = 0

    ENOUGH = 3
    """Rising old numbers after which a node looks restarted. Our own choice, no source."""

    def after(self, seen: Seen, counter: int) -> "OldRun":
        """The run after one more frame whose tag has passed. seen: what the window said of its counter."""
        if seen is Seen.FRESH:
            return OldRun()
        return OldRun(counter, self.rising + 1 if self.last is None or counter > self.last else 1)

    @property
    def looks_restarted(self) -> bool:
        """Whether this source has most likely lost its counter."""
        return self.rising >= self.ENOUGH
