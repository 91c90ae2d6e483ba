"""Cases from a protocol's layouts: frames at every boundary, damage that knows the structure, any struct content."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator

import ullage
from ullage.codes import accepted, example_code, gaps
from ullage.layout import Fixed, Layout, Slot, Text
from ullage_codegen.ccontent import value_of
from ullage_codegen.cmodel import Member

from .ends import Contents


def seal(protocol: ullage.Protocol, body: bytes) -> bytes:
    """A body with the right CRC behind it."""
    integrity = protocol.integrity
    if integrity is None:
        return body
    return body + integrity.crc.to_octets(integrity.crc.compute(body[integrity.first_octet :]), integrity.high_first)


def pack(layout: Layout, codes: dict[int, int]) -> bytes:
    """A body from codes by the slot's place in the table; the rest are examples."""
    word = 0
    for index, slot in enumerate(layout.slots):
        word = word << slot.bits | codes.get(index, example_code(slot))
    return word.to_bytes(layout.body_octets, "big")


def boundary_codes(slot: Slot) -> list[int]:
    """The codes at the edges of what stands for something, and those one beside them."""
    if isinstance(slot.transform, Text):
        count = slot.bits // 8
        texts = [b"", b"a" * count, b" " + b"\0" * (count - 1), b"\0" * (count - 1) + b"a", b"\x7f" * count, b"~\x1f"]
        return [int.from_bytes(text[:count].ljust(count, b"\0"), "big") for text in texts]
    edges = {0, (1 << slot.bits) - 1, 1 << (slot.bits - 1)}
    for low, high in accepted(slot):
        edges |= {low - 1, low, high, high + 1}
    return sorted(code for code in edges if 0 <= code < 1 << slot.bits)


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
        yield from _around_slots(protocol, layout)
        for _ in range(6):
            body = pack(layout, {i: random_code(slot, rng) for i, slot in enumerate(layout.slots)})
            yield from _around_frame(protocol, body, rng)
    yield from _around_header(protocol)
    yield b""
    for length in (1, protocol.least_octets - 1, protocol.least_octets, 254, 255, 256, 300):
        if length >= 0:
            yield bytes(length)
            yield rng.randbytes(length)
    for length in range(protocol.least_octets, 256, 37):
        yield seal(protocol, rng.randbytes(length - protocol.check_octets))
        yield seal(protocol, bytes(length - protocol.check_octets))


def _around_slots(protocol: ullage.Protocol, layout: Layout) -> Iterator[bytes]:
    for index, slot in enumerate(layout.slots):
        for code in boundary_codes(slot):
            yield seal(protocol, pack(layout, {index: code}))
        if not isinstance(slot.transform, Text):
            for low, high in gaps(slot):
                yield seal(protocol, pack(layout, {index: (low + high) // 2}))
    # Two faults in one frame: the first in wire order is the reason.
    loose = [i for i, slot in enumerate(layout.slots) if not isinstance(slot.transform, Text) and gaps(slot)]
    for first, second in itertools.pairwise(loose):
        wrong = {place: gaps(layout.slots[place])[0][0] for place in (first, second)}
        yield seal(protocol, pack(layout, wrong))


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


def _around_header(protocol: ullage.Protocol) -> Iterator[bytes]:
    """Every message code and revision, behind a right CRC, at every frame's length."""
    for layout in protocol.frames.values():
        for index, slot in enumerate(layout.slots[: layout.header_slots]):
            if isinstance(slot.transform, Fixed):
                for code in range(min(1 << slot.bits, 40)):
                    yield seal(protocol, pack(layout, {index: code}))


def struct_contents(members: tuple[Member, ...], rng: random.Random) -> Iterator[Contents]:
    """Contents of a struct: sound ones, each member at its limits and one beyond, and any bit pattern."""
    sound = {member.slot.name: _edges(member)[0] for member in members}
    yield dict(sound)
    for member in members:
        for content in _edges(member):
            yield {**sound, member.slot.name: content}
    for _ in range(25):
        yield {member.slot.name: _any(member, rng) for member in members}
    for _ in range(25):
        yield {member.slot.name: rng.choice(_edges(member)) for member in members}


def _edges(member: Member) -> list[int | bytes]:
    """Contents at the edges of a member, a sound one first."""
    if member.length:
        filled = [b"\0" * member.length, b"a" * member.length, b" ~" * member.length, b"\xff" * member.length]
        more = [b"a" * (member.length - 1) + b"\0", b"a\0" + b"\x01" * member.length, b"\x1f" * member.length]
        return [text[: member.length] for text in (*filled, *more)]
    kind = member.ctype
    values = [condition.value for condition in member.conditions]
    near = [edge + more for edge in (member.lowest, member.highest, *values) for more in (0, 1, -1)]
    wide = [kind.lowest, kind.highest, 0, 7, (member.lowest + member.highest) // 2]
    first = values[:1] if values else []
    return [value for value in dict.fromkeys([*first, *near, *wide]) if kind.holds(value)]


def _any(member: Member, rng: random.Random) -> int | bytes:
    if member.length:
        return rng.randbytes(member.length)
    value = rng.randint(member.ctype.lowest, member.ctype.highest)
    return value if rng.random() < 0.5 else max(member.lowest, min(value, member.highest))


def meant(members: dict[str, Member], contents: Contents) -> dict[str, object]:
    """The values that contents mean to the Python encoder."""
    return {name: value_of(members[name], content) for name, content in contents.items()}
