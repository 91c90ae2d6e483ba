"""From a frame's fields to its entries: parts put in their places, lists and groups tied to their counts and flags.

One `Rows` serves a whole spec; it remembers the places of fields in the file, so that each fault is told once.
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Protocol

from ..codes import phases
from ..layout import Entry, Fixed, Flag, Gate, Repeat, Scaled, Slot, least_bits, most_bits
from ..names import fault_in_name, nearest
from ..status import Status
from . import specfile
from .fields import Key, Meaning, meaning
from .reading import Path

Named = dict[str, tuple[str, Path]]
"""Names that are taken: where in words, and the place."""


class Complain(Protocol):
    """Takes fault code, path, text (a second line of it explains the first), help, and another place it speaks of."""

    def __call__(self, code: str, path: Path, text: str, help_text: str | None = None, also: Path = (), /) -> None:
        """Take one fault."""


Item = tuple[specfile.AnyField, Path]
"""A field as read, and where it stands in the file."""

_NOT_INSIDE = ("sequence", "length")


@dataclass
class Rows:
    """Builds entries.

    complain: told every fault. parts: the spec's, by name. guessed: places that are only stand-ins. revision: the
    protocol's. taken: every name of the spec, which a nameless spare must not take.
    """

    complain: Complain
    parts: dict[str, tuple[specfile.PartTable, Path]]
    guessed: frozenset[Path]
    revision: int
    taken: set[str]
    _places: list[tuple[Slot, Path]] = field(default_factory=list)

    def expanded(self, fields: list[specfile.AnyField], path: Path, inside: tuple[str, ...] = ()) -> list[Item] | None:
        """The fields with every part put in its place; None after a fault. path: of the table that holds them."""
        out: list[Item] = []
        good = True
        for index, one in enumerate(fields):
            here = (*path, "field", index)
            if not isinstance(one, specfile.PartField):
                out.append((one, here))
                continue
            known = self.parts.get(one.part)
            if known is None:
                if ("part",) not in self.guessed:
                    near = nearest(one.part, self.parts)
                    help_text = f'part = "{near}"' if near else f'[[part]] with name = "{one.part}"'
                    self.complain("unknown_name", (*here, "part"), f'there is no [[part]] "{one.part}"', help_text)
                good = False
            elif one.part in inside:
                self.complain("part_in_itself", (*here, "part"), f'part "{one.part}" would contain itself', None)
                good = False
            else:
                more = self.expanded(known[0].field, known[1], (*inside, one.part))
                good = good and more is not None
                out += more or []
        return out if good else None

    def row(self, items: list[Item], names: Named, message: int, where: str = "this frame") -> list[Entry] | None:
        """The entries of one scope, offsets counted from its beginning and after each list or group anew.

        items: its fields. names: those of the scopes around it, added to. message: the frame's code.
        """
        entries: list[Entry] = []
        offset, good = 0, True
        spares = _spare_names(self.taken)
        for one, path in items:
            self._name(one, path, names, where)
            entry: Entry | None
            if isinstance(one, specfile.ListField):
                entry = self._list(one, path, entries, names, message)
            elif isinstance(one, specfile.GroupField):
                entry = self._group(one, path, entries, names, message)
            else:
                entry = self._slot(one, path, offset, message, spares)
            if entry is None:
                good = False
                continue
            offset = entry.end if isinstance(entry, Slot) else 0
            entries.append(entry)
        return entries if good else None

    def turned_wrong(self, entries: tuple[Entry, ...]) -> None:
        """Complain of low_first slots that do not always begin at a whole octet."""
        bad: list[Slot] = []
        _unaligned(entries, frozenset({0}), bad)
        for slot in bad:
            text = f'"{slot.name}" does not always begin at a whole octet; its octets cannot be turned'
            path = (*self.place_of(slot), "octet_order")
            self.complain("unaligned", path, text, "spare bits before it, or high_first")

    def place_of(self, slot: Slot) -> Path:
        """Where the field stands that became this very slot."""
        return next(path for known, path in self._places if known is slot)

    def _slot(
        self, one: specfile.AnyField, path: Path, offset: int, message: int, spares: Iterator[str]
    ) -> Slot | None:
        meant = self._meaning(one, path, message)
        if meant is None:
            return None
        bits, transform = meant
        low = getattr(one, "octet_order", "high_first") == "low_first"
        if low and bits % 8:
            text = f"{bits} bits are no whole octets, which could be turned"
            self.complain("unaligned", (*path, "octet_order"), text, f"bits = {-(-bits // 8) * 8}, or high_first")
            return None
        name = getattr(one, "name", "") or next(spares)
        slot = Slot(name, one.kind, offset, bits, transform, one.summary, getattr(one, "role", None), low)
        self._places.append((slot, path))
        return slot

    def _meaning(self, one: specfile.AnyField, path: Path, message: int) -> Meaning | None:
        def complain(code: str, key: Key, text: str, help_text: str | None) -> None:
            self.complain(code, (*path, *((key,) if isinstance(key, str) else key or ())), text, help_text)

        if isinstance(one, specfile.RevisionField):
            return one.bits, Fixed(self.revision, Status.OTHER_REVISION)
        if isinstance(one, specfile.MessageField):
            return one.bits, Fixed(message, Status.UNKNOWN_MESSAGE)
        return meaning(one, complain)

    def _name(self, one: specfile.AnyField, path: Path, names: Named, where: str) -> None:
        name = getattr(one, "name", "")
        if not name and isinstance(one, specfile.SpareField):
            return
        if fault := fault_in_name(name):
            self.complain("bad_name", (*path, "name"), *fault)
        if name in names:
            text = f'two fields are called "{name}": this one, and one in {names[name][0]}'
            self.complain("name_taken", (*path, "name"), text, "rename this one", (*names[name][1], "name"))
        names.setdefault(name, ("the header" if path[0] == "header" else where, path))

    def _inner(self, fields: list[specfile.AnyField], path: Path, names: Named, message: int) -> list[Entry] | None:
        items = self.expanded(fields, path)
        if items is None:
            return None
        for one, here in items:
            if one.kind in _NOT_INSIDE:
                text = f"a {one.kind} stands once in a frame, outside of lists and groups"
                self.complain("not_inside", here, text, 'kind = "count" for another number')
                return None
        if not items:
            self.complain("no_fields", path, "there are no fields in it", "field = [ { ... } ]")
            return None
        return self.row(items, dict(names), message, "this list or group")

    def _list(
        self, one: specfile.ListField, path: Path, before: list[Entry], names: Named, message: int
    ) -> Repeat | None:
        inner = self._inner(one.field, path, names, message)
        counter = self._beside(one.counted_by, "count", "counted_by", path, before)
        if inner is None or counter is None:
            return None
        limits = counter.transform
        if any(isinstance(other, Repeat) and other.counted_by == counter.name for other in before):
            text = f'"{counter.name}" counts another list already'
            self.complain("counted_twice", (*path, "counted_by"), text, "a count of its own for each list")
            return None
        size = self._item_octets(one, path, tuple(inner))
        if not isinstance(limits, Scaled) or size is None:
            return None
        most = one.at_most * (size or 1)
        if limits.highest < most or limits.lowest < 0:
            text = f'"{counter.name}" says {limits.lowest}..{limits.highest}, and this list needs 0..{most}'
            self.complain("too_few_bits", (*path, "at_most"), text, f'bits = {most.bit_length()} for "{counter.name}"')
            return None
        least = -(-limits.lowest // (size or 1))
        if least > one.at_most:
            text = f'"{counter.name}" says {limits.lowest} at least, and this list has {one.at_most} items at most'
            self.complain("empty_range", (*path, "at_most"), text, f"at_most = {least}, or a smaller range")
            return None
        return Repeat(one.name, counter.name, size or None, least, one.at_most, tuple(inner), one.summary)

    def _item_octets(self, one: specfile.ListField, path: Path, inner: tuple[Entry, ...]) -> int | None:
        """Octets of one item where they are what is counted, 0 where items are; None after a fault."""
        if one.counts == "items":
            return 0
        least, most = least_bits(inner), most_bits(inner)
        if least == most and least % 8 == 0:
            return least // 8
        size = f"{least} bits" if least == most else f"{least}..{most} bits"
        text = f"an item takes {size}, so that octets do not tell how many items there are"
        self.complain("unaligned", (*path, "counts"), text, 'counts = "items", or items of whole octets')
        return None

    def _group(
        self, one: specfile.GroupField, path: Path, before: list[Entry], names: Named, message: int
    ) -> Gate | None:
        inner = self._inner(one.field, path, names, message)
        flag = self._beside(one.when, "flag", "when", path, before)
        if inner is None or flag is None or not isinstance(flag.transform, Flag):
            return None
        return Gate(one.name, flag.name, tuple(inner), one.summary)

    def _beside(self, name: str, kind: str, key: str, path: Path, before: list[Entry]) -> Slot | None:
        """The slot of this name and kind that stands before, in the same scope."""
        slots = {entry.name: entry for entry in before if isinstance(entry, Slot)}
        found = slots.get(name)
        if found is not None and found.kind == kind:
            return found
        if any(guess[: len(path) - 1] == path[:-1] for guess in self.guessed):
            return None  # a faulty field beside it may be the one
        fitting = [slot.name for slot in slots.values() if slot.kind == kind]
        near = nearest(name, fitting) or (fitting[0] if len(fitting) == 1 else None)
        help_text = f'{key} = "{near}"' if near else f'before it, {{ name = "{name}", kind = "{kind}", … }}'
        if found is not None:
            text = f'"{name}" is a {found.kind}, and this needs a {kind}'
            self.complain("wrong_kind", (*path, key), text, help_text)
        else:
            self.complain("unknown_name", (*path, key), f'there is no {kind} "{name}" beside it, before it', help_text)
        return None


def _spare_names(taken: set[str]) -> Iterator[str]:
    return (name for name in (f"spare_{number}" for number in itertools.count(1)) if name not in taken)


def _unaligned(entries: tuple[Entry, ...], start: frozenset[int], bad: list[Slot]) -> frozenset[int]:
    """Collect low_first slots that can begin inside an octet; returns where the entries can end."""
    at = start
    for entry in entries:
        if isinstance(entry, Slot):
            if entry.low_first and at != {0}:
                bad.append(entry)
        elif isinstance(entry, Gate):
            _unaligned(entry.entries, at, bad)
        else:
            begins = at
            for _ in range(min(entry.at_most, 9) - 1):
                begins = begins | phases(entry.entries, begins)
            _unaligned(entry.entries, begins, bad)
        at = phases((entry,), at)
    return at
