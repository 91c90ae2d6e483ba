"""Which values an encoder is tried with: an example of each frame, and all that must be refused, clamped or rounded.

What a decoder accepts encodes to the same octets, so the accepted frames of `vector_frames` try encoders as well.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from ullage import Protocol
from ullage.layout import Entry, Gate, Layout, Repeat, Scaled, Slot
from ullage.status import Status
from ullage.unfold import controls
from ullage.words.samples import sample_value

from .edges import value_edges, value_of
from .rows import LEAST, MOST, USUAL, Shape

Path = tuple[str | int, ...]
"""Names and places that lead to a value: ("readings", 0, "level")."""


@dataclass(frozen=True, slots=True)
class EncodeCase:
    """Values for an encoder, without counts and flags that follow from them.

    wanted: what the encoder must answer. rounds: whether a value is rounded or clamped on the way. short: how many
    octets fewer than the frame takes the buffer has. number: of a sealed frame, what the sender's counter hands out;
    its low bits stand among the values.
    """

    name: str
    frame: str
    values: dict[str, Any]
    wanted: Status
    rounds: bool = False
    short: int = 0
    number: int | None = None


def encode_cases(protocol: Protocol) -> Iterator[EncodeCase]:
    """All cases, in a fixed order, frame by frame."""
    for layout in protocol.frames.values():
        if layout.sealing is None:
            yield from _frame_cases(layout)
        else:
            yield from _sealed_cases(protocol, layout)


def _sealed_cases(protocol: Protocol, layout: Layout) -> Iterator[EncodeCase]:
    """A sealed frame's cases: the sequence number is not a value but the low bits of what the counter hands out."""
    assert protocol.seal is not None
    name, to = protocol.seal.nonce[-1], protocol.destination_slot
    slot, usual = layout.slot(name), scope_values(layout.entries, USUAL)
    low = usual[name]
    for case in _frame_cases(layout):
        if case.values[name] == low:
            yield replace(case, number=low)
    most = (1 << protocol.seal.counter_bits) - 1
    for number in dict.fromkeys((0, low + (3 << slot.bits), most - 1)):
        if number < most:
            values = {**usual, name: number & ((1 << slot.bits) - 1)}
            yield EncodeCase(f"{layout.name}: number {number}", layout.name, values, Status.FINE, number=number)
    spent = {**usual, name: 0}
    words = f"{layout.name}: the counter has reached its end"
    yield EncodeCase(words, layout.name, spent, Status.COUNTER_SPENT, number=most + 1)
    everybody = to.transform.broadcast if to and isinstance(to.transform, Scaled) else None
    if to is not None and everybody is not None:
        source = next(name for name in protocol.seal.nonce if layout.slot(name).kind == "source")
        values = {**usual, to.name: everybody, source: protocol.seal.hub}
        wanted = Status.FINE if protocol.seal.group_key else Status.OUT_OF_RANGE
        yield EncodeCase(f"{layout.name}: from the hub to everybody", layout.name, values, wanted, number=low)


def _frame_cases(layout: Layout) -> Iterator[EncodeCase]:
    usual = scope_values(layout.entries, USUAL)
    shapes = [("an example", usual)]
    if not layout.fixed:
        shapes += [
            ("the shortest", scope_values(layout.entries, LEAST)),
            ("the longest", scope_values(layout.entries, MOST)),
        ]
    for words, values in shapes:
        yield EncodeCase(f"{layout.name}: {words}", layout.name, values, Status.FINE)
    if not layout.fixed:
        for words, values in shapes:
            yield EncodeCase(
                f"{layout.name}: {words} in a buffer too small by one", layout.name, values, Status.NO_ROOM, short=1
            )
    for path, slot in _slots(layout.entries, usual):
        for edge in value_edges(slot):
            name = f"{layout.name}: {_said(path)} {edge.words}"
            values = _changed(usual, path, value_of(slot, edge.value))
            yield EncodeCase(name, layout.name, values, edge.wanted, edge.rounds)
    for path, entry in _flags(layout.entries, usual):
        values = _changed(usual, path, 2)
        name = f"{layout.name}: {_said(path)} 2 is neither yes nor no, {entry.name} is there"
        yield EncodeCase(name, layout.name, values, Status.OUT_OF_RANGE)
    yield from _list_cases(layout, usual)


def scope_values(entries: tuple[Entry, ...], shape: Shape) -> dict[str, Any]:
    """The values of a sample in this shape; counts and flags that follow are left out."""
    follow = controls(entries)
    values: dict[str, Any] = {}
    for entry in entries:
        if isinstance(entry, Repeat):
            count = max(entry.least, min(shape.items, entry.at_most))
            values[entry.name] = tuple(scope_values(entry.entries, shape) for _ in range(count))
        elif isinstance(entry, Gate):
            values[entry.name] = scope_values(entry.entries, shape) if shape.groups else None
        elif entry.given and entry.name not in follow:
            values[entry.name] = value_of(entry, sample_value(entry))
    return values


def _slots(entries: tuple[Entry, ...], values: Mapping[str, Any], path: Path = ()) -> Iterator[tuple[Path, Slot]]:
    """The slots whose values are given, in wire order; of a list those of its first item."""
    for entry in entries:
        if isinstance(entry, Slot):
            if entry.name in values:
                yield (*path, entry.name), entry
        elif isinstance(entry, Repeat):
            if values[entry.name]:
                yield from _slots(entry.entries, values[entry.name][0], (*path, entry.name, 0))
        elif values[entry.name] is not None:
            yield from _slots(entry.entries, values[entry.name], (*path, entry.name))


def _lists(entries: tuple[Entry, ...], values: Mapping[str, Any], path: Path = ()) -> Iterator[tuple[Path, Repeat]]:
    for entry in entries:
        if isinstance(entry, Repeat):
            yield (*path, entry.name), entry
            if values[entry.name]:
                yield from _lists(entry.entries, values[entry.name][0], (*path, entry.name, 0))
        elif isinstance(entry, Gate) and values[entry.name] is not None:
            yield from _lists(entry.entries, values[entry.name], (*path, entry.name))


def _flags(entries: tuple[Entry, ...], values: Mapping[str, Any], path: Path = ()) -> Iterator[tuple[Path, Gate]]:
    """The flags of the groups that are there, which follow from them and may be given all the same."""
    for entry in entries:
        if isinstance(entry, Repeat) and values[entry.name]:
            yield from _flags(entry.entries, values[entry.name][0], (*path, entry.name, 0))
        elif isinstance(entry, Gate) and values[entry.name] is not None:
            yield (*path, entry.when), entry
            yield from _flags(entry.entries, values[entry.name], (*path, entry.name))


def _list_cases(layout: Layout, usual: dict[str, Any]) -> Iterator[EncodeCase]:
    """Lists too long and too short, and two faults at once: the first in wire order gives the status."""
    places = list(_slots(layout.entries, usual))
    for path, entry in _lists(layout.entries, usual):
        item = scope_values(entry.entries, USUAL)
        words = f"{layout.name}: {_said(path)} with"
        long = _changed(usual, path, (item,) * (entry.at_most + 1))
        yield EncodeCase(f"{words} {entry.at_most + 1} items, one too many", layout.name, long, Status.TOO_MANY)
        if entry.least:
            short = _changed(usual, path, (item,) * (entry.least - 1))
            text = f"{words} {entry.least - 1} items, one too few"
            yield EncodeCase(text, layout.name, short, Status.OUT_OF_RANGE)
        if len(path) > 1:
            continue
        names = [one.name for one in layout.entries]
        for place, slot in (places[0], places[-1]) if places else ():
            bad = next((edge for edge in value_edges(slot) if edge.wanted is Status.OUT_OF_RANGE), None)
            if bad is None or len(place) > 1:
                continue
            before = names.index(slot.name) < names.index(entry.counted_by)
            both = _changed(long, place, bad.value)
            wanted = Status.OUT_OF_RANGE if before else Status.TOO_MANY
            text = f"{words} one item too many, and {_said(place)} out of range {'before' if before else 'behind'} it"
            yield EncodeCase(text, layout.name, both, wanted)


def _changed(values: Mapping[str, Any], path: Path, value: Any) -> dict[str, Any]:
    """Values with another one at a place."""
    name, *rest = path
    assert isinstance(name, str)
    if not rest:
        return {**values, name: value}
    inner = values[name]
    if isinstance(rest[0], int):
        place = rest[0]
        item = _changed(inner[place], tuple(rest[1:]), value)
        return {**values, name: (*inner[:place], item, *inner[place + 1 :])}
    return {**values, name: _changed(inner, tuple(rest), value)}


def _said(path: Path) -> str:
    """The place as people write it: readings[0].level."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text
