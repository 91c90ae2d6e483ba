"""The body of a frame with lists and groups: a first walk over flags and counts, then the slots in wire order."""

from collections.abc import Mapping
from typing import Any, NoReturn

from .bodies import length_of, listed, refuse
from .errors import EncodeError, Refused
from .layout import Entry, Fixed, Gate, Layout, Length, Repeat, Slot
from .status import Status
from .unfold import Row, unfold
from .values import NOT_A_VALUE, reader, writer
from .words.extent import place_of


def walk(layout: Layout, word: int, bits: int) -> Row:
    """The first walk: read flags and counts alone, and give each slot its place.

    layout: the frame. word: the octets before the check as one number, bits: how many bits they are.
    Raises Refused with wrong_count at a count that its list cannot have, and with wrong_length where the row passes the
    end of the octets or leaves whole octets over; whichever comes first in wire order.
    """

    def count(entry: Repeat | Gate, slot: Slot) -> int:
        raw = slot.turned(word >> (bits - slot.end) & ((1 << slot.bits) - 1))
        if isinstance(entry, Gate):
            return raw
        items, rest = (raw, 0) if entry.item_octets is None else divmod(raw, entry.item_octets)
        if rest or not entry.least <= items <= entry.at_most:
            size = f" octets of {entry.item_octets} each" if entry.item_octets else ""
            expected = f"{entry.least}..{entry.at_most} items{size}"
            place = place_of(layout, word.to_bytes(bits // 8, "big"), slot.offset)
            text = f"{place}: {raw} is no count of {entry.name}; {expected}"
            raise Refused(
                Status.WRONG_COUNT,
                text,
                frame=layout.name,
                field=slot.name,
                bit=slot.offset,
                raw=raw,
                expected=expected,
            )
        return items

    def advance(bit: int) -> None:
        if bit > bits:
            raise _wrong_length(layout, bits, f"at least {(bit + 7) // 8}")

    row = unfold(layout, count, advance)
    if bits - row.end >= 8:
        raise _wrong_length(layout, bits, f"{(row.end + 7) // 8}")
    return row


def _wrong_length(layout: Layout, bits: int, needed: str) -> Refused:
    octets = bits // 8 + layout.end_octets
    text = f"{octets} octets; by its flags and counts this {layout.name} has {needed} before the check, not {bits // 8}"
    return Refused(
        Status.WRONG_LENGTH, text, frame=layout.name, raw=octets, expected=f"{needed} octets before the check"
    )


class GroupBody:
    """Reader and writer of the body of one frame with lists and groups."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.least, self.most = layout.least_octets, layout.octets
        self._writer = _ScopeWriter(layout.entries, layout.name)
        self._readers = {id(slot.transform): reader(slot) for slot in layout.every_slot if slot.given}

    def read(self, word: int, bits: int) -> dict[str, Any]:
        """All values, or the first fault. word, bits: the octets before the check as one number, and its size."""
        row = walk(self.layout, word, bits)
        values: dict[int, Any] = {}
        for slot in row.slots():
            raw = word >> (bits - slot.end) & ((1 << slot.bits) - 1)
            if isinstance(slot.transform, Fixed):
                if raw != slot.transform.value:
                    self._refuse(slot.transform.reason, slot, word, bits)
            elif not isinstance(slot.transform, Length):
                read = self._readers[id(slot.transform)]
                value = read(raw) if read else raw
                if value is NOT_A_VALUE:
                    self._refuse(Status.NOT_A_VALUE, slot, word, bits)
                values[slot.offset] = value
        fill = word & ((1 << (bits - row.end)) - 1)
        if fill:
            rest = Slot("", "fill", row.end, bits - row.end, Fixed(0, Status.SPARE_NOT_ZERO))
            refuse(self.layout, Status.SPARE_NOT_ZERO, rest, fill)
        return row.values(lambda slot: values[slot.offset])

    def _refuse(self, reason: Status, slot: Slot, word: int, bits: int) -> NoReturn:
        place = place_of(self.layout, word.to_bytes(bits // 8, "big"), slot.offset)
        refuse(self.layout, reason, slot, word >> (bits - slot.end) & ((1 << slot.bits) - 1), place)

    def write(self, values: Mapping[str, Any]) -> bytes:
        """The body's octets. Raises EncodeError at the first value, in wire order, that does not fit."""
        word = self._writer.write(values, 1)  # a one in front keeps leading zeros
        bits = word.bit_length() - 1
        octets = (bits + 7) // 8
        body = (word ^ (1 << bits)) << (8 * octets - bits)
        slot = self.layout.length_slot
        if slot is not None:
            body |= slot.turned(length_of(slot, octets + self.layout.end_octets)) << (8 * octets - slot.end)
        return body.to_bytes(octets, "big")


class _ScopeWriter:
    """Writes the entries of one scope: a frame's, an item's or a group's."""

    def __init__(self, entries: tuple[Entry, ...], frame: str) -> None:
        self.frame = frame
        self.entries = entries
        self.lists = {entry.counted_by: entry for entry in entries if isinstance(entry, Repeat)}
        self.gates: dict[str, list[Gate]] = {}
        for entry in entries:
            if isinstance(entry, Gate):
                self.gates.setdefault(entry.when, []).append(entry)
        self.writers = {
            entry.name: writer(entry, frame) for entry in entries if isinstance(entry, Slot) and entry.given
        }
        self.inner = {
            entry.name: _ScopeWriter(entry.entries, frame) for entry in entries if not isinstance(entry, Slot)
        }
        self.derived = frozenset((*self.lists, *self.gates))
        self.needed = [name for name in (*self.writers, *self.inner) if name not in self.derived]

    def write(self, values: Any, word: int = 0, where: str = "") -> int:
        """Append these values' bits to a number. Raises EncodeError at the first that does not fit, in wire order."""
        self._check_names(values, where)
        for entry in self.entries:
            if isinstance(entry, Slot):
                word = word << entry.bits | self._code(entry, values, where)
            elif isinstance(entry, Repeat):
                for place, item in enumerate(values[entry.name]):
                    word = self.inner[entry.name].write(item, word, f"{where}{entry.name}[{place}].")
            elif values[entry.name] is not None:
                word = self.inner[entry.name].write(values[entry.name], word, f"{where}{entry.name}.")
        return word

    def _code(self, slot: Slot, values: Mapping[str, Any], where: str) -> int:
        if isinstance(slot.transform, Fixed):
            return slot.transform.value
        if isinstance(slot.transform, Length):
            return 0  # put in when the length is known
        if slot.name in self.lists:
            return self._count(slot, self.lists[slot.name], values, where)
        if slot.name in self.gates:
            return self._flag(slot, values, where)
        return self._written(slot, values[slot.name], where)

    def _written(self, slot: Slot, value: Any, where: str) -> int:
        """The bits of a value. Raises EncodeError that names the place, list and item included."""
        try:
            return self.writers[slot.name](value)
        except EncodeError as error:
            if not where:
                raise
            field, text = f"{where}{slot.name}", f"{where}{error}"
            raise EncodeError(text, frame=self.frame, field=field, status=error.status, help=error.help) from None

    def _count(self, slot: Slot, entry: Repeat, values: Mapping[str, Any], where: str) -> int:
        items = values[entry.name]
        if isinstance(items, str | bytes | Mapping) or not hasattr(items, "__len__"):
            text = f"{where}{entry.name}: {type(items).__name__} is no list of items"
            raise EncodeError(text, frame=self.frame, field=where + entry.name)
        if len(items) > entry.at_most:
            text = f"{where}{entry.name}: {len(items)} items are more than {entry.at_most}"
            help_text = f"at most {entry.at_most}"
            field = where + entry.name
            raise EncodeError(text, frame=self.frame, field=field, status=Status.TOO_MANY, help=help_text)
        if len(items) < entry.least:
            text = f"{where}{entry.name}: {len(items)} items are fewer than {entry.least}"
            help_text = f"at least {entry.least}"
            field = where + entry.name
            raise EncodeError(text, frame=self.frame, field=field, status=Status.OUT_OF_RANGE, help=help_text)
        count = len(items) * (entry.item_octets or 1)
        self._agrees(slot, values, count, where)
        return self.writers[slot.name](count)

    def _flag(self, slot: Slot, values: Mapping[str, Any], where: str) -> int:
        given = values.get(slot.name)
        code = self._written(slot, given, where) if slot.name in values else None
        for gate in self.gates[slot.name]:
            there = int(values[gate.name] is not None)
            if code is None:
                code = there
            elif code != there:
                said, is_there = "yes" if code else "no", "there" if there else "not there"
                text = f"{where}{slot.name} says {said}, and {gate.name} is {is_there}"
                help_text = f"leave {slot.name} out: it follows"
                raise EncodeError(text, frame=self.frame, field=where + slot.name, help=help_text)
        return slot.turned(code or 0)

    def _agrees(self, slot: Slot, values: Mapping[str, Any], count: int, where: str) -> None:
        if slot.name in values and self._written(slot, values[slot.name], where) != self.writers[slot.name](count):
            text = f"{where}{slot.name} is {values[slot.name]}, and what is given makes {count}"
            help_text = f"leave {slot.name} out: it follows"
            raise EncodeError(text, frame=self.frame, field=where + slot.name, help=help_text)

    def _check_names(self, values: Any, where: str) -> None:
        if not isinstance(values, Mapping):
            text = f"{where.rstrip('.') or 'values'}: a {type(values).__name__}; give name -> value"
            raise EncodeError(text, frame=self.frame)
        missing = [name for name in self.needed if name not in values]
        if missing:
            text = f"{self.frame} needs {listed([where + name for name in missing])}"
            raise EncodeError(text, frame=self.frame, field=where + missing[0])
        known = {*self.needed, *self.derived}
        for name in values:
            if name not in known:
                fixed = any(isinstance(entry, Slot) and entry.name == name for entry in self.entries)
                text = "is written by the encoder itself" if fixed else "is no field here"
                raise EncodeError(f"{where}{name} {text}", frame=self.frame, field=f"{where}{name}")
