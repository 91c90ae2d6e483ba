"""Cases from a protocol's layouts: frames at every boundary, damage that knows the structure, any struct content."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable, Iterator
from typing import Any

import ullage
from ullage import packing
from ullage.codes import accepted, gaps
from ullage.layout import Binary32, Fixed, Gate, Layout, Length, Repeat, Slot, Text
from ullage.packing import boundary_codes
from ullage.packing import with_check as seal
from ullage.unfold import Row
from ullage_codegen.c.model import Inner, Member, Scope

from .ends import Contents

__all__ = ["Packer", "boundary_codes", "random_code", "received", "seal", "struct_contents"]


class Packer(packing.Packer):
    """Packs bodies of one layout: the number of items and whether a group is there, and any code in any slot."""

    def __init__(self, layout: Layout, rng: random.Random) -> None:
        super().__init__(layout)
        self.rng = rng

    def shape(self, items: str) -> Row:
        """A row with the least, the most or some items in each list, and groups there or not to fit."""

        flags: dict[int, int] = {}  # one flag may govern several groups

        def count(entry: Repeat | Gate, slot: Slot) -> int:
            if isinstance(entry, Gate):
                return flags.setdefault(slot.offset, {"least": 0, "most": 1}.get(items, self.rng.randint(0, 1)))
            ends = {"least": entry.least, "most": entry.at_most}
            return ends.get(items, self.rng.randint(entry.least, entry.at_most))

        return self.row(count)

    def random_body(self) -> bytes:
        """A sound body with any values in it."""
        row = self.shape("some")
        needed = dict(packing.derived(row))
        plain = [slot for slot in row.slots() if not isinstance(slot.transform, Length) and slot.offset not in needed]
        return self.body(row, {slot.offset: random_code(slot, self.rng) for slot in plain})


def random_code(slot: Slot, rng: random.Random) -> int:
    """A code that stands for something."""
    if isinstance(slot.transform, Text):
        text = "".join(rng.choice(" abcXYZ~0") for _ in range(rng.randint(0, slot.bits // 8)))
        return int.from_bytes(text.encode().ljust(slot.bits // 8, b"\0"), "big")
    low, high = rng.choice(accepted(slot))
    return rng.choice((low, high, rng.randint(low, high)))


def received(protocol: ullage.Protocol, rng: random.Random) -> Iterator[bytes]:
    """Octets as a receiver may get them: sound ones, every kind of damage, and every reason's own case."""
    for layout in protocol.frames.values():
        packer = Packer(layout, rng)
        for items in ("least", "most", "some") if layout.tail else ("most",):
            row = packer.shape(items)
            yield from _around_slots(protocol, packer, row)
            yield from _around_header(protocol, packer, row)
        for _ in range(6):
            yield from _around_frame(protocol, packer.random_body() + rng.randbytes(layout.tag_octets), rng)
    yield b""
    for length in (1, protocol.least_octets - 1, protocol.least_octets, 254, 255, 256, 300):
        if length >= 0:
            yield bytes(length)
            yield rng.randbytes(length)
    for length in range(protocol.least_octets, 256, 37):
        yield seal(protocol, rng.randbytes(length - protocol.check_octets))
        yield seal(protocol, bytes(length - protocol.check_octets))


def _around_slots(protocol: ullage.Protocol, packer: Packer, row: Row) -> Iterator[bytes]:
    slots = list(row.slots())
    for slot in slots if len(slots) < 40 else packer.rng.sample(slots, 40):
        for code in boundary_codes(slot):
            yield seal(protocol, packer.body(row, {slot.offset: code}))
        if not isinstance(slot.transform, Text):
            for low, high in gaps(slot):
                yield seal(protocol, packer.body(row, {slot.offset: (low + high) // 2}))
    for bit in range(-row.end % 8):
        yield seal(protocol, packer.body(row, {}, fill=1 << bit))
    # Two faults in one frame: the first in wire order is the reason.
    loose = [slot for slot in slots if not isinstance(slot.transform, Text) and gaps(slot)]
    for first, second in itertools.pairwise(loose[:12]):
        wrong = {slot.offset: gaps(slot)[0][0] for slot in (first, second)}
        yield seal(protocol, packer.body(row, wrong))


def _around_frame(protocol: ullage.Protocol, body: bytes, rng: random.Random) -> Iterator[bytes]:
    octets = seal(protocol, body)
    yield octets
    yield octets[:-1]
    yield octets[1:]
    yield octets + b"\0"
    yield octets + octets
    yield seal(protocol, body[:-1])
    yield seal(protocol, body + b"\0")
    if octets:
        flipped = bytearray(octets)
        flipped[rng.randrange(len(flipped))] ^= 1 << rng.randrange(8)
        yield bytes(flipped)
        swapped = bytearray(octets)
        swapped[0], swapped[-1] = swapped[-1], swapped[0]
        yield bytes(swapped)
        again = bytearray(body)
        if again:
            again[rng.randrange(len(again))] ^= 1 << rng.randrange(8)
            yield seal(protocol, bytes(again))


def _around_header(protocol: ullage.Protocol, packer: Packer, row: Row) -> Iterator[bytes]:
    """Every message code and revision, behind a right check, at every frame's length."""
    for slot in packer.layout.slots[: packer.layout.header_slots]:
        if isinstance(slot.transform, Fixed):
            for code in range(min(1 << slot.bits, 40)):
                yield seal(protocol, packer.body(row, {slot.offset: code}))


def struct_contents(scope: Scope, rng: random.Random) -> Iterator[Contents]:
    """Contents of a struct: sound ones, each member at its limits and one beyond, and any bit pattern."""
    for items in ("least", "most", "some"):
        sound = _sound(scope, items, rng)
        yield sound
        # Lists and groups first, because only the beginning of what an inner struct yields is tried.
        for inner in scope.inner:
            yield from _around_inner(inner, sound, rng)
        for member in scope.members:
            for content in _edges(member):
                yield {**sound, member.slot.name: content}
    for _ in range(25):
        yield _any_scope(scope, rng, _any)
    for _ in range(25):
        yield _any_scope(scope, rng, lambda member, source: source.choice(_edges(member)))


def _sound(scope: Scope, items: str, rng: random.Random) -> Contents:
    """Contents that can be sent."""
    found: Contents = {member.slot.name: _edges(member)[0] for member in scope.members}
    for inner in scope.inner:
        if isinstance(inner.entry, Repeat):
            ends = {"least": inner.entry.least, "most": inner.entry.at_most}
            count = ends.get(items, rng.randint(inner.entry.least, inner.entry.at_most))
            found[inner.name] = tuple(_sound(inner.scope, items, rng) for _ in range(count))
        else:
            found[inner.entry.when] = int(items != "least")
            found[inner.name] = _sound(inner.scope, items, rng)
    return found


def _around_inner(inner: Inner, sound: Contents, rng: random.Random) -> Iterator[Contents]:
    """A list one too long, one too short, and with every edge in an item; a group with every edge in it."""
    if isinstance(inner.entry, Gate):
        for one in itertools.islice(struct_contents(inner.scope, rng), 30):
            yield {**sound, inner.name: one}
        return
    items = sound[inner.name]
    one = _sound(inner.scope, "some", rng)
    for count in (inner.entry.at_most, inner.entry.at_most + 1, inner.entry.least - 1, 255):
        if 0 <= count <= 255:
            yield {**sound, inner.name: (one,) * count}
    for edge in itertools.islice(struct_contents(inner.scope, rng), 30):
        place = rng.randrange(max(len(items), 1))
        yield {**sound, inner.name: (*items[:place], edge, *items[place + 1 :])[: inner.entry.at_most]}


def _any_scope(scope: Scope, rng: random.Random, choose: Callable[[Member, random.Random], Any]) -> Contents:
    found: Contents = {member.slot.name: choose(member, rng) for member in scope.members}
    for inner in scope.inner:
        if isinstance(inner.entry, Repeat):
            count = rng.randint(0, min(inner.entry.at_most + 1, 255))
            found[inner.name] = tuple(_any_scope(inner.scope, rng, choose) for _ in range(count))
        else:
            found[inner.name] = _any_scope(inner.scope, rng, choose)
    return found


def _edges(member: Member) -> list[int | bytes]:
    """Contents at the edges of a member, a sound one first."""
    if member.length:
        filled = [b"\0" * member.length, b"a" * member.length, b" ~" * member.length, b"\xff" * member.length]
        more = [b"a" * (member.length - 1) + b"\0", b"a\0" + b"\x01" * member.length, b"\x1f" * member.length]
        return [text[: member.length] for text in (*filled, *more)]
    kind = member.ctype
    if isinstance(member.slot.transform, Binary32):
        return [0, 1, 0x3F800000, 0x7F7FFFFF, 0x7F800000, 0x7FC00000, 0x80000000, 0xFF7FFFFF, 0xFF800000, 0xFFFFFFFF]
    values = [condition.value for condition in member.conditions]
    near = [edge + more for edge in (member.lowest, member.highest, *values) for more in (0, 1, -1)]
    wide = [kind.lowest, kind.highest, 0, 7, (member.lowest + member.highest) // 2]
    first = values[:1] if values else []
    return [value for value in dict.fromkeys([*first, *near, *wide]) if kind.holds(value)]


def _any(member: Member, rng: random.Random) -> int | bytes:
    if member.length:
        return rng.randbytes(member.length)
    value = rng.randint(member.ctype.lowest, member.ctype.highest)
    if isinstance(member.slot.transform, Binary32):
        return value
    return value if rng.random() < 0.5 else max(member.lowest, min(value, member.highest))
