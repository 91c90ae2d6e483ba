"""Which octets a decoder is tried with: each boundary of each slot, each way a frame can be damaged, each reason.

A case says what a decoder must answer, from the spec's meaning; `vectors` asks the codec and keeps those that hold.
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

from ullage import Protocol
from ullage.bodies import length_of
from ullage.codes import Span
from ullage.layout import Fixed, Gate, Layout, Length, Scaled, Slot
from ullage.packing import with_check
from ullage.status import Status

from .edges import code_edges, first_fault
from .rows import LEAST, MOST, USUAL, FrameRow, frame_row, row_with_fill, row_without_fill, typical_code
from .seal import Held, Sealer

_PAIRS, _CUTS = 12, 40
_ANY = frozenset(Status)


@dataclass(frozen=True, slots=True)
class DecodeCase:
    """Octets for a decoder. at: the receiving station. wanted: the answers that make this case what its name says.

    certain: whether another answer would be a fault of the codec, and not just of this case. key: the one that the
    receiver holds, or None. highest: the one number that it has accepted before from this source, or None.
    """

    name: str
    octets: bytes
    wanted: frozenset[Status]
    at: int | None = None
    certain: bool = False
    key: Held | None = None
    highest: int | None = None


def decode_cases(protocol: Protocol) -> Iterator[DecodeCase]:
    """All cases, in a fixed order: frame by frame, then those that belong to no frame."""
    for layout in protocol.frames.values():
        yield from FrameCases(protocol, layout).cases()
    yield from _lengths(protocol)


def _lengths(protocol: Protocol) -> Iterator[DecodeCase]:
    """Octets of no frame."""
    least = protocol.least_octets
    if least:
        yield DecodeCase("no octets", b"", frozenset({Status.TOO_SHORT}), certain=True)
        text = f"{least - 1} zeros, an octet less than header and check take"
        yield DecodeCase(text, bytes(least - 1), frozenset({Status.TOO_SHORT}), certain=True)
    room = least - protocol.check_octets
    header = frame_row(next(iter(protocol.frames.values())), USUAL).body()[:room].ljust(room, b"\0")
    text = f"{least} octets, all that header and check take"
    yield DecodeCase(text, with_check(protocol, header), _ANY - {Status.TOO_SHORT}, certain=True)
    longest = with_check(protocol, bytes(255 - protocol.check_octets))
    yield DecodeCase("255 octets, zeros and their check", longest, _ANY)
    yield DecodeCase("256 octets", bytes(256), frozenset({Status.TOO_LONG}), certain=True)


class FrameCases:
    """The cases of one frame."""

    def __init__(self, protocol: Protocol, layout: Layout) -> None:
        self.protocol = protocol
        self.layout = layout
        self.sealer = Sealer(protocol, layout) if layout.sealing else None
        self.usual = frame_row(layout, USUAL)
        self.octets = self.finished(self.usual.body())

    def cases(self) -> Iterator[DecodeCase]:
        """All of them."""
        yield self.case("an example", self.octets, Status.FINE, certain=True)
        if not self.layout.fixed:
            for shape, words in ((LEAST, "the shortest"), (MOST, "the longest")):
                body = frame_row(self.layout, shape).body()
                yield self.case(words, self.finished(body), Status.FINE, certain=True)
        for name, slot in self.usual.slots:
            yield from self._around_slot(name, slot)
        yield from self._fill_bits()
        if not self.layout.fixed:
            yield from self._walks()
        yield from self._stations()
        yield from self._cut_and_joined()
        yield from self._orders()

    def finished(self, body: bytes) -> bytes:
        """A body with all that follows it: a right tag where the frame is sealed, and a right check."""
        return self.sealer.sealed(body) if self.sealer else with_check(self.protocol, body)

    def case(
        self, words: str, octets: bytes, *wanted: Status, at: int | None = None, certain: bool = False
    ) -> DecodeCase:
        """A case of this frame, for a receiver that holds the key of it where it is sealed. wanted: none is any."""
        name, answers = f"{self.layout.name}: {words}", frozenset(wanted) if wanted else _ANY
        if self.sealer is None:
            return DecodeCase(name, octets, answers, at, certain)
        return DecodeCase(name, octets, self.sealer.wanted(octets, answers), at, certain, self.sealer.held(octets))

    def with_codes(self, codes: dict[int, int], row: FrameRow | None = None) -> bytes:
        """The usual frame with other codes in it, and all that follows it right."""
        return self.finished((row or self.usual).body(codes))

    def _around_slot(self, name: str, slot: Slot) -> Iterator[DecodeCase]:
        said = name or "fill"
        if slot.offset in self.usual.derived:
            yield from self._around_control(said, slot)
        elif isinstance(slot.transform, Length):
            yield from self._wrong_lengths(said, slot)
        elif slot.kind == "message":
            yield from self._message_codes(said, slot)
        else:
            for edge in code_edges(slot):
                octets = self.with_codes({slot.offset: edge.code})
                yield self.case(f"{said} {edge.words}", octets, edge.wanted, certain=True)

    def _wrong_lengths(self, name: str, slot: Slot) -> Iterator[DecodeCase]:
        right, top = length_of(slot, len(self.octets)), (1 << slot.bits) - 1
        for code in dict.fromkeys((right + 1, right - 1, 0, top)):
            if 0 <= code <= top and code != right:
                octets = self.with_codes({slot.offset: code})
                yield self.case(f"{name} {code} in the place of {right}", octets, Status.WRONG_LENGTH, certain=True)

    def _message_codes(self, name: str, slot: Slot) -> Iterator[DecodeCase]:
        codes = {layout.message: layout.name for layout in self.protocol.frames.values() if layout.message is not None}
        for code, frame in codes.items():
            if frame != self.layout.name:
                yield self.case(f"{name} of {frame}", self.with_codes({slot.offset: code}))
        for low, high in _others(sorted(codes), slot.bits):
            for code in dict.fromkeys((low, high)):
                octets = self.with_codes({slot.offset: code})
                yield self.case(f"{name} {code} is no frame", octets, Status.UNKNOWN_MESSAGE, certain=True)

    def _around_control(self, name: str, slot: Slot) -> Iterator[DecodeCase]:
        """Counts that the list cannot have, counts and flags that say other than what is there."""
        code, top = self.usual.derived[slot.offset], (1 << slot.bits) - 1
        entry = self.usual.controls[slot.offset]
        if isinstance(entry, Gate):
            yield self.case(f"{name} turned over", self.with_codes({slot.offset: code ^ 1}), Status.WRONG_LENGTH)
            return
        size = entry.item_octets or 1
        wrong = {entry.at_most * size + 1: "one more than it may", top: "all ones", (entry.least - 1) * size: "too few"}
        wrong |= {code + 1: "no whole number of items"} if size > 1 else {}
        for bad, words in wrong.items():
            if 0 <= bad <= top and (bad % size or not entry.least <= bad // size <= entry.at_most):
                octets = self.with_codes({slot.offset: bad})
                yield self.case(f"{name} {bad}, {words}", octets, Status.WRONG_COUNT, certain=True)
        for other, words in ((code + size, "one more"), (code - size, "one less")):
            if 0 <= other <= top and entry.least <= other // size <= entry.at_most:
                octets = self.with_codes({slot.offset: other})
                yield self.case(f"{name} {other}, {words} than there are", octets, Status.WRONG_LENGTH)

    def _fill_bits(self) -> Iterator[DecodeCase]:
        row = row_with_fill(self.layout)
        if row is None:
            return
        yield self.case("ends inside an octet", self.with_codes({}, row), Status.FINE, certain=True)
        for bit in range(row.fill_bits):
            octets = self.finished(row.body(fill=1 << bit))
            words = f"fill bit {row.fill_bits - 1 - bit} of {row.fill_bits} is set"
            yield self.case(words, octets, Status.SPARE_NOT_ZERO, certain=True)

    def _walks(self) -> Iterator[DecodeCase]:
        """Frames of varying length that end too early or too late for their flags and counts; all else is right."""
        whole = row_without_fill(self.layout)
        rows = [("usual", self.usual), ("shortest", frame_row(self.layout, LEAST))]
        rows += [("whole-octet", whole)] if whole else []
        if whole:
            yield self.case("ends with an octet", self.with_codes({}, whole), Status.FINE, certain=True)
        for words, row in rows:
            body = row.body()
            for count in range(max(0, len(body) - _CUTS), len(body)):
                octets = self._resized(body[:count])
                text = f"the {words} one cut to {count} octets before its check"
                yield self.case(text, octets, Status.WRONG_LENGTH)
            longer = self._resized(body + b"\0")
            yield self.case(f"the {words} one and a zero before its check", longer, Status.WRONG_LENGTH)
        longest = self._resized(frame_row(self.layout, MOST).body() + b"\0")
        yield self.case("the longest one and a zero before its check", longest, Status.WRONG_LENGTH)

    def _resized(self, body: bytes) -> bytes:
        """A body of another length, with the right length in its length field and a right check."""
        slot = self.layout.length_slot
        count = len(body)
        if slot is not None and slot.end <= 8 * count:
            code = length_of(slot, count + self.layout.end_octets)
            if 0 <= code < 1 << slot.bits:
                shift = 8 * count - slot.end
                word = int.from_bytes(body, "big") & ~(((1 << slot.bits) - 1) << shift)
                body = (word | slot.turned(code) << shift).to_bytes(count, "big")
        return self.finished(body)

    def _stations(self) -> Iterator[DecodeCase]:
        slot = self.protocol.destination_slot
        if slot is None:
            return
        scaled, top = slot.transform, (1 << slot.bits) - 1
        to = typical_code(slot)
        yield self.case(f"for {to}, received there", self.octets, Status.FINE, at=to, certain=True)
        for other in dict.fromkeys((to ^ 1, top, 0)):
            if other != to:
                words = f"for {to}, received by {other}"
                yield self.case(words, self.octets, Status.NOT_ADDRESSED, at=other, certain=True)
        if isinstance(scaled, Scaled) and scaled.broadcast is not None:
            octets = self.with_codes({slot.offset: scaled.broadcast})
            for at in dict.fromkeys((to, to ^ 1, scaled.broadcast)):
                yield self.case(f"for everybody, received by {at}", octets, Status.FINE, at=at, certain=True)

    def _cut_and_joined(self) -> Iterator[DecodeCase]:
        octets, body = self.octets, self.usual.body()
        # A CRC need not see zeros at the end (nor, begun with zeros, those in front); the length gives them away.
        seen = [Status.WRONG_LENGTH, *([Status.INTEGRITY] if self.protocol.integrity else [])]
        seen += [Status.WRONG_TAG] if self.sealer else []
        yield self.case("cut by one octet", octets[:-1], *seen, Status.TOO_SHORT)
        yield self.case("its first octet lost", octets[1:], *seen, Status.TOO_SHORT)
        yield self.case("a zero too long", octets + b"\0", *seen, Status.TOO_LONG)
        yield self.case("an octet ff too long", octets + b"\xff", *seen, Status.TOO_LONG)
        yield self.case("joined with the next frame", octets + octets, *seen, Status.TOO_LONG)
        if body:
            yield self.case("an octet less under a right check", self.finished(body[:-1]), Status.WRONG_LENGTH)
        more = self.finished(body + b"\0")
        yield self.case("an octet more under a right check", more, Status.WRONG_LENGTH)
        if self.protocol.integrity:
            noun = self.protocol.integrity.noun
            first = len(octets) - self.protocol.check_octets
            places = {(first, 7): f"first bit of the {noun}", (len(octets) - 1, 0): f"last bit of the {noun}"}
            places |= {
                (self.protocol.integrity.first_octet, 7): "first covered bit",
                (first - 1, 0): "last covered bit",
            }
            for (place, bit), words in places.items():
                if self.protocol.integrity.first_octet <= place:
                    yield self.case(f"{words} turned over", flipped(octets, place, bit), Status.INTEGRITY)

    def _orders(self) -> Iterator[DecodeCase]:
        """Two faults in one frame: the question that is asked first gives the reason."""
        protocol, check = self.protocol, self.layout.check_octets
        faults: list[tuple[str, Slot, int]] = []
        for name, slot in self.usual.slots:
            if slot.offset in self.usual.derived or isinstance(slot.transform, Length):
                continue
            code = first_fault(slot)
            if code is not None and slot.kind not in ("revision", "message"):
                faults.append((name or "fill bits", slot, code))
        for (one, first, code), (other, second, more) in itertools.pairwise(faults[:_PAIRS]):
            reason = first.transform.reason if isinstance(first.transform, Fixed) else Status.NOT_A_VALUE
            octets = self.with_codes({first.offset: code, second.offset: more})
            yield self.case(f"{one} and {other} both wrong", octets, reason, certain=True)
        if faults:
            name, slot, code = faults[0]
            longer = self.finished(self.usual.body({slot.offset: code}) + b"\0")
            yield self.case(f"too long, and {name} wrong", longer, Status.WRONG_LENGTH)
            to = protocol.destination_slot
            if to is not None and slot.offset != to.offset:
                at = typical_code(to) ^ 1
                octets = self.with_codes({slot.offset: code})
                yield self.case(f"for another station, and {name} wrong", octets, Status.NOT_ADDRESSED, at=at)
        revision = protocol.revision_slot
        if revision is not None:
            wrong = {revision.offset: first_fault(revision) or 0}
            longer = self.finished(self.usual.body(wrong) + b"\0")
            yield self.case("of another revision and too long", longer, Status.OTHER_REVISION)
            if protocol.integrity:
                damaged = self.with_codes(wrong)[:-check] + self.octets[-check:]
                yield self.case("of another revision with the wrong check", damaged, Status.INTEGRITY)


def flipped(octets: bytes, place: int, bit: int) -> bytes:
    """Octets with one bit turned over; bit 0 is the lowest of its octet."""
    turned = bytearray(octets)
    turned[place] ^= 1 << bit
    return bytes(turned)


def _others(codes: list[int], bits: int) -> Iterator[Span]:
    """The runs of codes between and beside those of a rising list."""
    for low, high in itertools.pairwise([-1, *codes, 1 << bits]):
        if high - low > 1:
            yield low + 1, high - 1
