"""What a value says, apart from how it is sent, so that what one revision sent and another one read can be compared.

Quantities are the same when they are the same amount (1233 mm is 1.233 m), conditions and choices when their names
are, and a value is the same field's only under the same name.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from ..codec import Message
from ..layout import Binary32, Choice, Entry, Flag, Gate, Layout, Opaque, Repeat, Scaled, Slot
from ..quantity import exact, nearest_steps
from ..unfold import controls
from ..unit_prefix import in_base_unit
from ..words.wording import reading

Meaning = tuple[Any, ...]
Values = Mapping[str, Any] | None


@dataclass(frozen=True, slots=True)
class Renames:
    """Names that mean the same although they differ: those of the sender -> those of the receiver."""

    names: Mapping[str, str] = field(default_factory=dict)

    def received(self, name: str) -> str:
        """What the receiver calls what the sender calls so."""
        return self.names.get(name, name)

    def between(self, sender: Layout, receiver: Layout) -> "Renames":
        """Those that concern two frames: the sender has the one name, the receiver the other."""
        ours, theirs = sender.names | {sender.name}, receiver.names | {receiver.name}
        return Renames({old: new for old, new in self.names.items() if old in ours and new in theirs})

    @property
    def turned(self) -> "Renames":
        """The same for the other direction."""
        return Renames({new: old for old, new in self.names.items()})


@dataclass(frozen=True, slots=True)
class Difference:
    """One value that was read as something else than was sent.

    path: where, as the receiver calls it: readings[0].level. sent, read: in words; sent is None for what nobody sent,
    read for what is held to be absent.
    """

    path: str
    sent: str | None
    read: str | None

    def __str__(self) -> str:
        if self.sent is None:
            return f"{self.path} was not sent, and {self.read} is read"
        return f"{self.path}: {self.sent} was sent, and {self.read or 'nothing'} is read"


def measured_in(slot: Slot) -> tuple[Fraction, str]:
    """What one unit of a number is in its base unit, and that; times are told apart by what they count from."""
    transform = slot.transform
    if isinstance(transform, Scaled) and transform.epoch:
        return Fraction(1), f"s since {transform.epoch}"
    return in_base_unit(transform.unit) if isinstance(transform, Scaled | Binary32) else (Fraction(1), "")


def meaning(slot: Slot, value: Any) -> Meaning:
    """What a decoded value says."""
    match slot.transform:
        case Scaled() as scaled:
            if isinstance(value, str):
                return "condition", str(value)
            return steps_meaning(slot, scaled, nearest_steps(exact(value), scaled.step))
        case Binary32():
            scale, base = measured_in(slot)
            return "quantity", base, exact(value) * scale
        case Choice():
            return "choice", value
        case Flag():
            return "flag", value
        case Opaque():
            return "octets", bytes(value)
        case _:
            return "text", value


def steps_meaning(slot: Slot, scaled: Scaled, steps: int) -> Meaning:
    """What a number of steps says."""
    if steps == scaled.broadcast:
        return "station", "everybody"
    scale, base = measured_in(slot)
    return "quantity", base, steps * scaled.step * scale


class Comparer:
    """Holds what was read against what was sent. renames: names that mean the same."""

    def __init__(self, renames: Renames) -> None:
        self._renames = renames
        self._alike: dict[tuple[int, int], tuple[bool, Slot, Slot]] = {}

    def differences(self, sent: Message, sender: Layout, read: Message, receiver: Layout) -> Iterator[Difference]:
        """Where a message that was read says something else than the one that was sent, in the receiver's wire order.

        sent, read: the same octets as both ends read them. sender, receiver: the layouts of their frames. What was sent
        and is not read at all is no difference; nor is a condition in a field that nobody sent, as it is no reading.
        """
        if self._renames.received(sent.frame) != read.frame:
            yield Difference("the frame", sent.frame, read.frame)
        yield from self._in_scope(sender.entries, sent.values, receiver.entries, read.values, "")

    def _in_scope(
        self, ours: tuple[Entry, ...], sent: Values, theirs: tuple[Entry, ...], read: Mapping[str, Any], path: str
    ) -> Iterator[Difference]:
        """The differences among the entries of one scope. sent: None where the sender has no such scope."""
        there = {self._renames.received(entry.name): entry for entry in ours} if sent is not None else {}
        derived = controls(theirs)
        for entry in theirs:
            known = there.get(entry.name)
            value = sent[known.name] if known is not None and sent is not None and known.name in sent else None
            if isinstance(entry, Slot):
                if entry.given and entry.name not in derived:
                    slot = known if isinstance(known, Slot) and known.given else None
                    yield from self._in_slot(slot, value, entry, read[entry.name], path)
            elif isinstance(entry, Repeat):
                inside, items = (known.entries, value) if isinstance(known, Repeat) else ((), None)
                yield from self._in_list(inside, items, entry, read[entry.name], path)
            else:
                inside, group = (known.entries, value) if isinstance(known, Gate) else ((), None)
                yield from self._in_group(inside, group, entry, read[entry.name], path)

    def _in_slot(self, known: Slot | None, sent: Any, slot: Slot, read: Any, path: str) -> Iterator[Difference]:
        if known is None:
            if not (isinstance(slot.transform, Scaled) and isinstance(read, str)):
                yield Difference(path + slot.name, None, reading(slot, read))
        elif not (sent == read and self._same_scale(known, slot)) and meaning(known, sent) != meaning(slot, read):
            yield Difference(path + slot.name, reading(known, sent), reading(slot, read))

    def _same_scale(self, one: Slot, other: Slot) -> bool:
        """Whether equal values of two slots say the same."""
        key = id(one.transform), id(other.transform)
        if key not in self._alike:
            same = type(one.transform) is type(other.transform) and measured_in(one) == measured_in(other)
            same = same and getattr(one.transform, "broadcast", None) == getattr(other.transform, "broadcast", None)
            self._alike[key] = same, one, other
        return self._alike[key][0]

    def _in_list(
        self, inside: tuple[Entry, ...], sent: Any, entry: Repeat, read: Any, path: str
    ) -> Iterator[Difference]:
        if sent is not None and len(sent) != len(read):
            yield Difference(path + entry.name, f"{len(sent)} items", f"{len(read)} items")
            return
        for place, item in enumerate(read):
            one = None if sent is None else sent[place]
            yield from self._in_scope(inside, one, entry.entries, item, f"{path}{entry.name}[{place}].")

    def _in_group(
        self, inside: tuple[Entry, ...], sent: Any, entry: Gate, read: Any, path: str
    ) -> Iterator[Difference]:
        if read is not None:
            yield from self._in_scope(inside, sent, entry.entries, read, f"{path}{entry.name}.")
        elif sent is not None:
            yield Difference(path + entry.name, "the group", None)


def unseen(sender: Layout, receiver: Layout, renames: Renames) -> tuple[str, ...]:
    """The sender's fields, lists and groups that the receiver does not have, as the sender calls them."""
    return tuple(_unseen(sender.entries, receiver.entries, renames, ""))


def _unseen(sent: tuple[Entry, ...], read: tuple[Entry, ...], renames: Renames, path: str) -> Iterator[str]:
    known = {entry.name: entry for entry in read if not isinstance(entry, Slot) or entry.given}
    derived = controls(sent)
    for entry in sent:
        if isinstance(entry, Slot) and (not entry.given or entry.name in derived):
            continue
        other = known.get(renames.received(entry.name))
        if other is None or isinstance(other, Slot) is not isinstance(entry, Slot):
            yield path + entry.name
        elif not isinstance(entry, Slot) and not isinstance(other, Slot):
            yield from _unseen(entry.entries, other.entries, renames, f"{path}{entry.name}.")
