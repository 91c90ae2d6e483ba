"""Everything before the check, in frames of one length: one big integer, and every slot a shift and a mask on it.

The fast way answers only when all is well; whatever it doubts goes to a walk that asks in the order of the rules.
"""

from collections.abc import Callable, Mapping
from typing import Any, NoReturn

from .errors import EncodeError, Refused
from .layout import Fixed, Layout, Length, Slot
from .status import Status
from .values import NOT_A_VALUE, describe, expectation, reader, writer

_TABLE_BITS = 8
"""Slots up to this width are read by looking their code up."""


def refuse(layout: Layout, reason: Status, slot: Slot, raw: int, place: str = "") -> NoReturn:
    """Raise the refusal of one slot. raw: its bits as they stand in the frame; place: its name with list and item."""
    expected = expectation(slot)
    code = slot.turned(raw)
    text = f"{place or slot.name or 'fill bits'}: {describe(slot, code)}; {expected}"
    raise Refused(
        reason, text, frame=layout.name, field=slot.name or None, bit=slot.offset, raw=code, expected=expected
    )


def length_of(slot: Slot, octets: int) -> int:
    """What a length field says in a frame of so many octets."""
    transform = slot.transform
    return octets - slot.end // 8 if isinstance(transform, Length) and transform.covers == "rest" else octets


def listed(names: list[str]) -> str:
    """Names as people list them: a, b and c."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


class FixedBody:
    """Reader and writer of one frame's body (everything before the check), for frames of one length."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.least = self.most = layout.octets
        self.body_octets = layout.body_octets
        self.bits = total = 8 * layout.body_octets
        self.fixed_mask = self.fixed_value = self.length = 0
        self.read_plan: list[tuple[str, int, int, tuple[Any, ...] | None, Callable[[int], Any] | None]] = []
        self.write_plan: list[tuple[str, int, Callable[[Any], int]]] = []
        for slot in layout.slots:
            shift, mask = total - slot.end, (1 << slot.bits) - 1
            if isinstance(slot.transform, Fixed):
                self.fixed_mask |= mask << shift
                self.fixed_value |= slot.transform.value << shift
                continue
            if isinstance(slot.transform, Length):
                self.length = slot.turned(length_of(slot, layout.octets)) << shift
                continue
            read = reader(slot)
            table = tuple(map(read, range(mask + 1))) if read and slot.bits <= _TABLE_BITS else None
            self.read_plan.append((slot.name, shift, mask, table, None if table else read))
            self.write_plan.append((slot.name, shift, writer(slot, layout.name)))

    def read(self, word: int, _bits: int) -> dict[str, Any]:
        """All values of a body, or the first fault. word: the body as one number, first octet highest."""
        values: dict[str, Any] = {}
        if word & self.fixed_mask != self.fixed_value:
            self._first_fault(word)
        for name, shift, mask, table, read in self.read_plan:
            value: Any = word >> shift & mask
            if table:
                value = table[value]
            elif read:
                value = read(value)
            if value is NOT_A_VALUE:
                self._first_fault(word)
            values[name] = value
        return values

    def write(self, values: Mapping[str, Any]) -> bytes:
        """The body's octets. Raises EncodeError."""
        word = self.fixed_value | self.length
        if len(values) != len(self.write_plan):  # before and after, for mappings that make up what is missing
            self.wrong_names(values)
        try:
            for name, shift, write in self.write_plan:
                word |= write(values[name]) << shift
        except KeyError:
            self.wrong_names(values)
            raise
        if len(values) != len(self.write_plan):
            self.wrong_names(values)
        return word.to_bytes(self.body_octets, "big")

    def wrong_names(self, values: Mapping[str, Any]) -> None:
        """Raise EncodeError where a name is missing or unknown."""
        frame = self.layout.name
        known = [name for name, _, _ in self.write_plan]
        has = f"{frame} has {listed(known) if known else 'no fields to give'}"
        missing = [name for name in known if name not in values]
        if missing:
            text = f"{frame} needs {listed(missing)}"
            raise EncodeError(text, frame=frame, field=missing[0], help=has)
        for name in values:
            if name not in known:
                fixed = any(slot.name == name for slot in self.layout.slots)
                text = f"{name} is written by the encoder itself" if fixed else f"{frame} has no field {name!r}"
                raise EncodeError(text, frame=frame, field=str(name), help=has)

    def _first_fault(self, word: int) -> NoReturn:
        """Raise the refusal of the first slot, in wire order, that is not as it must be."""
        for slot in self.layout.slots:
            raw = word >> (self.bits - slot.end) & ((1 << slot.bits) - 1)
            if isinstance(slot.transform, Fixed):
                if raw != slot.transform.value:
                    refuse(self.layout, slot.transform.reason, slot, raw)
            elif not isinstance(slot.transform, Length) and (read := reader(slot)) and read(raw) is NOT_A_VALUE:
                refuse(self.layout, Status.NOT_A_VALUE, slot, raw)
        raise AssertionError("a frame was doubted without a fault")
