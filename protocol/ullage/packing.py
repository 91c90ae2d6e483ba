"""Octets from codes: any code in any slot of a frame, sound or not, with a right check behind it.

An encoder writes what is right; tests and test vectors also need what is wrong at one place and right at all others.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING

from .bodies import length_of
from .codes import accepted, example_code
from .layout import Layout, Length, Repeat, Slot, Text
from .unfold import Counter, Row, unfold

if TYPE_CHECKING:
    from .protocol import Protocol
    from .seal.keys import Key


def with_check(protocol: "Protocol", body: bytes) -> bytes:
    """A body (the octets before the check, any octets) with the right check behind it."""
    integrity = protocol.integrity
    if integrity is None:
        return body
    covered = body[integrity.first_octet :]
    return body + integrity.check.to_octets(integrity.check.compute(covered), integrity.high_first)


def with_seal(protocol: "Protocol", layout: Layout, body: bytes, key: "Key", number: int) -> bytes:
    """A body (in the clear, any octets but with room for the nonce's fields) sealed, with a right tag and check.

    number: the whole counter; the low bits that travel stand in the body already, right or wrong.
    """
    from .seal.ccm import seal
    from .sealed import parts_of

    parts = parts_of(protocol, layout)
    cut, tag_octets = parts.cut(body), layout.tag_octets
    return with_check(
        protocol, body[:cut] + seal(key, parts.nonce_of(body, number), body[cut:], body[:cut], tag_octets)
    )


def key_owner(protocol: "Protocol", layout: Layout, body: bytes) -> int | None:
    """The station whose key seals this body; None for the group's key."""
    from .sealed import parts_of

    return parts_of(protocol, layout).owner(body)


class Packer:
    """Packs bodies of one layout.

    layout: the frame. example: the code of a slot for which none is given.
    """

    def __init__(self, layout: Layout, example: Callable[[Slot], int] = example_code) -> None:
        self.layout = layout
        self.example = example

    def row(self, count: Counter) -> Row:
        """The slots of one frame at their places. count: how many items a list has, 1 or 0 for a group."""
        return unfold(self.layout, count)

    def body(self, row: Row, codes: Mapping[int, int], fill: int = 0) -> bytes:
        """The octets of a row.

        codes: offset of a slot -> its code; the other slots have what the row's shape needs, or their example.
        fill: the bits behind the last slot.
        """
        octets = (row.end + 7) // 8
        word = fill
        needed = dict(derived(row))
        for slot in row.slots():
            code = codes.get(slot.offset, needed.get(slot.offset))
            if code is None:
                code = self._length(slot, octets) if isinstance(slot.transform, Length) else self.example(slot)
            word |= slot.turned(code) << (8 * octets - slot.end)
        return word.to_bytes(octets, "big")

    def _length(self, slot: Slot, octets: int) -> int:
        return length_of(slot, octets + self.layout.end_octets)


def derived(row: Row) -> Iterator[tuple[int, int]]:
    """Offset -> code of the counts and flags that say what the row has."""
    slots = {cell.name: cell for cell in row.cells if isinstance(cell, Slot)}
    for cell in row.cells:
        if isinstance(cell, Slot):
            continue
        entry, inner = cell
        rows = inner if isinstance(inner, tuple) else () if inner is None else (inner,)
        if isinstance(entry, Repeat):
            yield slots[entry.counted_by].offset, len(rows) * (entry.item_octets or 1)
        else:
            yield slots[entry.when].offset, len(rows)
        for one in rows:
            yield from derived(one)


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
