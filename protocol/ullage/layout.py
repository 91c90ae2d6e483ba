"""The one table: for each frame the ordered slots with name, bit offset, width and transform.

Python codec, columns, every generator, data sheet and `explain` read this table; none computes an offset of its own.
Bit 0 is the most significant bit of octet 0 (RFC 791, appendix B).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

from .checksum import Sum
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
    specials: conditions. clamp: an encoder brings a quantity outside the range to its nearer end. counter_bits: of the
    whole counter, where this is only what travels of it.
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
    counter_bits: int | None = None

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


@dataclass(frozen=True, slots=True)
class Binary32:
    """An IEEE 754 single-precision number; NaN and infinities are not a value."""

    unit: str


@dataclass(frozen=True, slots=True)
class Length:
    """How many octets the frame has ("frame"), or how many follow this field ("rest"); derived when encoding."""

    covers: str


Transform = Scaled | Flag | Choice | Text | Opaque | Fixed | Binary32 | Length


@dataclass(frozen=True, slots=True)
class Slot:
    """One field's place in a frame. name is "" for fill bits; bits may exceed 64 for text and octets only.

    offset counts from the frame's first bit. Inside lists and groups, and behind the first of them, places depend on
    what is sent: there it counts from the beginning of the row of slots that it stands in, and `unfold` gives the
    places of one frame. low_first: whole octets, the lowest first.
    """

    name: str
    kind: str
    offset: int
    bits: int
    transform: Transform
    summary: str = ""
    role: str | None = None
    low_first: bool = False

    @property
    def end(self) -> int:
        """The bit after the last one."""
        return self.offset + self.bits

    @property
    def given(self) -> bool:
        """Whether the caller gives and gets a value for it."""
        return not isinstance(self.transform, Fixed | Length)

    def turned(self, bits: int) -> int:
        """The code from the bits as they stand in the frame, or the other way: octets turned where low goes first."""
        return int.from_bytes(bits.to_bytes(self.bits // 8, "little"), "big") if self.low_first else bits


@dataclass(frozen=True, slots=True)
class Repeat:
    """A list: its entries once for each item.

    counted_by: the slot beside it, before it, that carries the count. item_octets: None when that counts items, else
    the octets of one item: it counts octets then. least..at_most: how many items there may be.
    """

    name: str
    counted_by: str
    item_octets: int | None
    least: int
    at_most: int
    entries: "tuple[Entry, ...]"
    summary: str = ""


@dataclass(frozen=True, slots=True)
class Gate:
    """A group: its entries are there only when the flag beside it, before it, is set."""

    name: str
    when: str
    entries: "tuple[Entry, ...]"
    summary: str = ""


Entry = Slot | Repeat | Gate


def least_bits(entries: "tuple[Entry, ...]") -> int:
    """The fewest bits that a row of entries takes."""
    return sum(
        entry.bits if isinstance(entry, Slot) else entry.least * least_bits(entry.entries)
        for entry in entries
        if not isinstance(entry, Gate)
    )


def most_bits(entries: "tuple[Entry, ...]") -> int:
    """The most bits that a row of entries takes."""
    return sum(
        entry.bits if isinstance(entry, Slot) else getattr(entry, "at_most", 1) * most_bits(entry.entries)
        for entry in entries
    )


@dataclass(frozen=True, slots=True)
class Integrity:
    """The check at the frame's end: which CRC or sum, from which octet on, and which of its octets goes first."""

    check: Crc | Sum
    first_octet: int
    high_first: bool

    @property
    def octets(self) -> int:
        """Octets of the check on the wire."""
        return self.check.octets

    @property
    def noun(self) -> str:
        """What people call it: CRC or sum."""
        return "sum" if isinstance(self.check, Sum) else "CRC"


@dataclass(frozen=True, slots=True)
class Sealing:
    """How one frame is sealed. first_octet: encrypted from there to the body's end; None: only vouched for.

    tag_octets: of the tag, which stands behind the body and before the check.
    """

    first_octet: int | None
    tag_octets: int


@dataclass(frozen=True, slots=True)
class Seal:
    """AES-CCM as the sealed frames of a protocol share it (RFC 3610, L = 2).

    key_bits: 128, 192 or 256. tag_octets: 4, 6 .. 16. nonce: names of the fields in it, in order, the sequence number
    last. network: constant at the nonce's beginning, of network_octets. hub: the station that all others share keys
    with. counter_bits: of the whole counter. resync: further high parts that a receiver tries. group_key: whether a
    frame to everybody may be sealed, under a key that all share. reserve: numbers that a sender reserves by one write.
    """

    key_bits: int
    tag_octets: int
    nonce: tuple[str, ...]
    network: int
    network_octets: int
    hub: int
    counter_bits: int
    resync: int
    group_key: bool
    reserve: int


@dataclass(frozen=True)
class Layout:
    """One frame: what is in it in wire order, and the octets it takes.

    slots: those at fixed places: header, fields, fill bits; up to the first list or group where there is one. tail:
    that list or group and all behind it, () in a frame of fixed length. Fill bits behind a tail are no slot: they run
    to the end of the octet. sealing: None for a frame that anybody can send.
    """

    name: str
    message: int | None
    slots: tuple[Slot, ...]
    header_slots: int
    check_octets: int
    summary: str = ""
    interval_s: Fraction | None = None
    tail: tuple[Entry, ...] = ()
    sealing: Sealing | None = None

    @property
    def fixed(self) -> bool:
        """Whether every frame has the same length, with every slot at the same place."""
        return not self.tail

    @cached_property
    def entries(self) -> tuple[Entry, ...]:
        """Slots, lists and groups side by side, in wire order."""
        return (*self.slots, *self.tail)

    @cached_property
    def head_bits(self) -> int:
        """Bits at fixed places."""
        return self.slots[-1].end if self.slots else 0

    @cached_property
    def tag_octets(self) -> int:
        """Octets of the tag, 0 where the frame is not sealed."""
        return self.sealing.tag_octets if self.sealing else 0

    @cached_property
    def end_octets(self) -> int:
        """Octets behind the body: tag and check."""
        return self.tag_octets + self.check_octets

    @cached_property
    def body_octets(self) -> int:
        """Octets before tag and check, in the longest frame."""
        return (self.head_bits + most_bits(self.tail) + 7) // 8

    @cached_property
    def octets(self) -> int:
        """Octets of the whole frame; of the longest one where lengths vary."""
        return self.body_octets + self.end_octets

    @cached_property
    def least_octets(self) -> int:
        """Octets of the shortest frame."""
        return (self.head_bits + least_bits(self.tail) + 7) // 8 + self.end_octets

    @cached_property
    def values(self) -> tuple[Slot, ...]:
        """The slots at fixed places whose values a caller gives and gets."""
        return tuple(slot for slot in self.slots if slot.given)

    @cached_property
    def length_slot(self) -> Slot | None:
        """The slot that carries a length, or None."""
        return next((slot for slot in self.slots if isinstance(slot.transform, Length)), None)

    @cached_property
    def every_slot(self) -> tuple[Slot, ...]:
        """All slots, those inside lists and groups too, each once, in the order of the spec."""
        return tuple(_all_slots(self.entries))

    @cached_property
    def names(self) -> frozenset[str]:
        """The names of all fields, lists and groups."""
        return frozenset(_all_names(self.entries))

    def slot(self, name: str) -> Slot:
        """The slot with this name. Raises KeyError."""
        for slot in self.slots:
            if slot.name == name:
                return slot
        raise KeyError(name)


def _all_names(entries: tuple[Entry, ...]) -> Iterator[str]:
    for entry in entries:
        yield entry.name
        if not isinstance(entry, Slot):
            yield from _all_names(entry.entries)


def _all_slots(entries: tuple[Entry, ...]) -> Iterator[Slot]:
    for entry in entries:
        if isinstance(entry, Slot):
            yield entry
        else:
            yield from _all_slots(entry.entries)


def header_slot(layouts: Mapping[str, Layout], kind: str) -> Slot | None:
    """The header's slot of a kind (destination, source, message, revision), or None."""
    for layout in layouts.values():
        for slot in layout.slots[: layout.header_slots]:
            if slot.kind == kind:
                return slot
    return None
