"""The one table: for each frame the ordered slots with name, bit offset, width and transform.

Python codec, columns, every generator, data sheet and `explain` read this table; none computes an offset of its own.
Bit 0 is the most significant bit of octet 0 (RFC 791, appendix B).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from .crc import Crc
from .quantity import plain
from .status import Status


@dataclass(frozen=True, slots=True)
class Special:
    """A raw code that stands for a condition instead of a quantity; code is the bit pattern, unsigned."""

    name: str
    code: int


@dataclass(frozen=True, slots=True)
class Scaled:
    """Whole steps: quantity = steps x step, steps = first + raw.

    unit: as written in the spec ("" for plain numbers). step: quantity of one least significant bit, in that unit.
    first: steps of raw 0. lowest, highest: the range in steps counted from 0. signed: raw is two's complement.
    specials: conditions. clamp: an encoder brings a quantity outside the range to its nearer end.
    """

    unit: str
    step: Fraction
    first: int
    lowest: int
    highest: int
    signed: bool = False
    specials: tuple[Special, ...] = ()
    clamp: bool = False
    epoch: str | None = None
    broadcast: int | None = None

    @property
    def whole(self) -> bool:
        """Whether every quantity is a whole number of the unit, so that decoding gives int."""
        return self.step.denominator == 1

    def quantity(self, steps: int) -> int | float:
        """The quantity of a number of steps: an int when steps are whole units, else the nearest float."""
        return steps * self.step.numerator if self.whole else steps * self.step.numerator / self.step.denominator

    def text(self, steps: int, unit: bool = True) -> str:
        """The quantity as people write it, exactly, with its unit."""
        return plain(steps * self.step) + (f" {self.unit}" if unit and self.unit else "")


@dataclass(frozen=True, slots=True)
class Flag:
    """One bit, a truth value."""


@dataclass(frozen=True, slots=True)
class Choice:
    """Named codes, in the order of the spec; other codes are not a value."""

    codes: tuple[Special, ...]


@dataclass(frozen=True, slots=True)
class Text:
    """ASCII 0x20..0x7E, zeros only at the end."""

    octets: int


@dataclass(frozen=True, slots=True)
class Opaque:
    """Octets that nobody interprets here."""

    octets: int


@dataclass(frozen=True, slots=True)
class Fixed:
    """A code that is always the same; reason says what a decoder answers when it is not."""

    value: int
    reason: Status


Transform = Scaled | Flag | Choice | Text | Opaque | Fixed


@dataclass(frozen=True, slots=True)
class Slot:
    """One field's place in a frame. name is "" for fill bits; bits may exceed 64 for text and octets only."""

    name: str
    kind: str
    offset: int
    bits: int
    transform: Transform
    summary: str = ""
    role: str | None = None

    @property
    def end(self) -> int:
        """The bit after the last one."""
        return self.offset + self.bits

    @property
    def given(self) -> bool:
        """Whether the caller gives and gets a value for it."""
        return not isinstance(self.transform, Fixed)


@dataclass(frozen=True, slots=True)
class Integrity:
    """The check at the frame's end: which CRC, from which octet on, and which of its octets goes first."""

    crc: Crc
    first_octet: int
    high_first: bool

    @property
    def octets(self) -> int:
        """Octets of the CRC on the wire."""
        return self.crc.octets


@dataclass(frozen=True)
class Layout:
    """One frame: its slots in wire order (header, fields, fill bits) and the octets it takes."""

    name: str
    message: int | None
    slots: tuple[Slot, ...]
    header_slots: int
    check_octets: int
    summary: str = ""
    interval_s: Fraction | None = None

    @cached_property
    def body_octets(self) -> int:
        """Octets before the CRC."""
        return self.slots[-1].end // 8 if self.slots else 0

    @cached_property
    def octets(self) -> int:
        """Octets of the whole frame."""
        return self.body_octets + self.check_octets

    @cached_property
    def values(self) -> tuple[Slot, ...]:
        """The slots whose values a caller gives and gets."""
        return tuple(slot for slot in self.slots if slot.given)

    def slot(self, name: str) -> Slot:
        """The slot with this name. Raises KeyError."""
        for slot in self.slots:
            if slot.name == name:
                return slot
        raise KeyError(name)


def header_slot(layouts: Mapping[str, Layout], kind: str) -> Slot | None:
    """The header's slot of a kind (destination, source, message, revision), or None."""
    for layout in layouts.values():
        for slot in layout.slots[: layout.header_slots]:
            if slot.kind == kind:
                return slot
    return None
