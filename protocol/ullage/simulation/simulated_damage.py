"""What happens to frames on the air, and what else is heard there: flipped bits, and packets of neighbours.

Nothing here says whether a decoder will notice; that is asked of the codec afterwards. But no part of such octets is
ever a frame: who reads lines may try a run of octets without its first and last ones, and would find it.
"""

from collections.abc import Callable
from dataclasses import replace
from itertools import chain, product
from random import Random
from typing import TypeVar

from ..checksum import Sum
from ..crc import Crc, catalogue
from ..errors import Refused
from ..layout import Slot
from ..protocol import Protocol

_About = TypeVar("_About")

_LONGEST_BURST = 24
_TRIES = 100
_FRONT, _BACK = 4, 6
"""How many octets a reader of lines may leave away."""


class Damage:
    """Makes damaged and foreign octets for one protocol."""

    def __init__(self, protocol: Protocol, random: Random) -> None:
        self.protocol = protocol
        self.random = random
        integrity = protocol.integrity
        self.check = integrity.check if integrity else None
        self.others = _other_checks(self.check) if self.check else []
        spans = {range(layout.least_octets, layout.octets + 1) for layout in protocol.frames.values()}
        self.lengths = frozenset(chain.from_iterable(spans))

    def flip(self, octets: bytes) -> tuple[bytes, list[int]]:
        """Flip one to three bits, or a burst of neighbouring ones.

        Returns the octets and the flipped bits, counted from 0 at the most significant bit of octet 0.
        """
        return self._without_hidden(lambda: self._flipped(octets))

    def cut(self, octets: bytes) -> bytes:
        """Leave the last octets away; at least one is left."""
        return self._without_hidden(lambda: (octets[: self.random.randrange(1, len(octets))], None))[0]

    def foreign(self) -> tuple[bytes, str]:
        """A packet that no station of ours sent, and what sort of packet it is."""
        return self._without_hidden(self._foreign)

    def _without_hidden(self, make: Callable[[], tuple[bytes, _About]]) -> tuple[bytes, _About]:
        """Make such octets until no part of them is a frame."""
        for _ in range(_TRIES):
            octets, about = make()
            if not self._hides_frame(octets):
                break
        return octets, about

    def _hides_frame(self, octets: bytes) -> bool:
        if self.protocol.integrity is None:
            return False  # too much would be one; no reader may try parts without a check
        ends = product(range(_FRONT + 1), range(_BACK + 1))
        parts = (octets[front : len(octets) - back] for front, back in ends if front or back)
        return any(self._is_frame(part) for part in parts if len(part) in self.lengths)

    def _is_frame(self, octets: bytes) -> bool:
        try:
            self.protocol.decode(octets)
        except Refused:
            return False
        return True

    def _flipped(self, octets: bytes) -> tuple[bytes, list[int]]:
        bits = 8 * len(octets)
        many = self.random.choice((1, 1, 1, 2, 3, 0))
        if many:
            flipped = sorted(self.random.sample(range(bits), min(many, bits)))
        else:
            length = min(bits, self.random.randrange(4, _LONGEST_BURST + 1))
            first = self.random.randrange(bits - length + 1)
            inner = [bit for bit in range(first + 1, first + length - 1) if self.random.random() < 0.5]
            flipped = [first, *inner, first + length - 1]
        word = int.from_bytes(octets, "big")
        for bit in flipped:
            word ^= 1 << (bits - 1 - bit)
        return word.to_bytes(len(octets), "big"), flipped

    def _foreign(self) -> tuple[bytes, str]:
        sorts = ["random", "random"]
        if self.others:
            sorts.append("other_crc")
        if self.protocol.revision_slot:
            sorts.append("other_revision")
        if self._unused_message() is not None:
            sorts.append("other_message")
        what = self.random.choice(sorts)
        if what == "random":
            most = min(255, self.protocol.longest + 12)
            return self.random.randbytes(self.random.randrange(max(1, self.protocol.shortest - 4), most + 1)), what
        return self._neighbour(what), what

    def _neighbour(self, what: str) -> bytes:
        """A sound frame of a neighbour that speaks nearly the same protocol."""
        layout = self.random.choice(list(self.protocol.frames.values()))
        octets = layout.octets - layout.check_octets
        if not layout.fixed:
            octets = self.random.randint(layout.least_octets - layout.check_octets, octets)
        body = self.random.randbytes(octets)
        word = int.from_bytes(body, "big")
        bits = 8 * len(body)
        for slot in layout.slots[: layout.header_slots]:
            if slot.kind == "revision":
                more = self.random.randrange(1, 1 << slot.bits) if what == "other_revision" else 0
                word = _put(word, bits, slot, (self.protocol.revision + more) % (1 << slot.bits))
            elif slot.kind == "message":
                code = self._unused_message() if what == "other_message" else layout.message
                word = _put(word, bits, slot, code or 0)
        check = self.random.choice(self.others) if what == "other_crc" else self.check
        return self._sealed(word.to_bytes(len(body), "big"), check)

    def _sealed(self, body: bytes, check: Crc | Sum | None) -> bytes:
        integrity = self.protocol.integrity
        if integrity is None or check is None:
            return body
        return body + check.to_octets(check.compute(body[integrity.first_octet :]), integrity.high_first)

    def _unused_message(self) -> int | None:
        """The lowest message code that no frame has."""
        slot = self.protocol.message_slot
        if slot is None:
            return None
        used = {layout.message for layout in self.protocol.frames.values()}
        return next((code for code in range(1 << slot.bits) if code not in used), None)


def _other_checks(ours: Crc | Sum) -> list[Crc]:
    """The CRCs of the catalogue that are as long as our check and another one."""
    alike = [crc for crc in catalogue().values() if crc.octets == ours.octets]
    nameless = replace(ours, name=None) if isinstance(ours, Crc) else ours
    return [crc for crc in alike if replace(crc, name=None) != nameless]


def _put(word: int, bits: int, slot: Slot, code: int) -> int:
    """The word with this code in the place of a slot."""
    shift = bits - slot.end
    return word & ~(((1 << slot.bits) - 1) << shift) | code << shift
