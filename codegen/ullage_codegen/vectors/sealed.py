"""Which sealed frames a receiver is tried with: every question about key, tag and number, and two faults at once.

What stands in the fields is `vector_frames`' business, whose cases are sealed too; here it is how a frame is sealed,
what the receiver holds and what it has heard.
"""

from collections.abc import Iterator
from dataclasses import replace

from ullage import Protocol
from ullage.layout import Layout
from ullage.packing import with_check, with_seal
from ullage.seal import Key
from ullage.status import Status

from .edges import first_fault
from .frames import DecodeCase, FrameCases, flipped
from .seal import Held


def sealed_cases(protocol: Protocol) -> Iterator[DecodeCase]:
    """All cases, in a fixed order, frame by frame."""
    for layout in protocol.frames.values():
        if layout.sealing:
            yield from _SealedFrame(protocol, layout).cases()


class _SealedFrame(FrameCases):
    """The cases of one sealed frame."""

    def __init__(self, protocol: Protocol, layout: Layout) -> None:
        super().__init__(protocol, layout)
        assert self.sealer is not None
        assert protocol.seal is not None
        self.seals, self.seal = self.sealer, protocol.seal
        self.body = self.usual.body()
        self.number = self.seals.low(self.body)
        self.circle = 1 << self.seals.sequence.bits
        self.tag = len(self.body)
        self.good = self.case("", self.octets, Status.FINE)

    def cases(self) -> Iterator[DecodeCase]:
        """All of them."""
        yield from self._keys()
        yield from self._tags()
        yield from self._numbers()
        yield from self._silences()
        yield from self._two_faults()

    def _like(
        self, words: str, *wanted: Status, octets: bytes | None = None, certain: bool = True, highest: int | None = None
    ) -> DecodeCase:
        """A case of the usual frame, or of other octets, for the receiver that holds the key of the usual one."""
        answers = self.seals.wanted(self.octets, frozenset(wanted))
        made = replace(self.good, name=self.good.name + words, wanted=answers, certain=certain, highest=highest)
        return made if octets is None else replace(made, octets=octets)

    def _numbered(self, number: int) -> bytes:
        """The usual frame under another whole number."""
        slot = self.seals.sequence
        return self.seals.sealed(self.usual.body({slot.offset: number & (self.circle - 1)}), number)

    def _keys(self) -> Iterator[DecodeCase]:
        held = self.good.key
        assert held is not None
        yield replace(self._like("no key is given", Status.NO_KEY), key=None)
        other = Held(5 if held.station is None else held.station ^ 1, held.octets)
        yield replace(self._like("only another station's key is given", Status.NO_KEY), key=other)
        if held.station is not None:
            yield replace(self._like("only a group's key is given", Status.NO_KEY), key=Held(None, held.octets))
        wrong = Held(held.station, self.seals.keys[1])
        yield replace(self._like("another key of this station", Status.WRONG_TAG), key=wrong)

    def _tags(self) -> Iterator[DecodeCase]:
        """One bit turned over, under a right check: of the tag, of what is encrypted and of what is in the clear."""
        places = {
            (self.tag, 7): "first bit of the tag",
            (self.tag + self.layout.tag_octets - 1, 0): "last bit of the tag",
        }
        cut = self.layout.sealing.first_octet if self.layout.sealing else None
        if cut is not None:
            places[cut, 7], places[self.tag - 1, 0] = "first encrypted bit", "last encrypted bit"
        clear = range(self.tag if cut is None else cut)
        places |= {(octet, 0): f"bit 7 of octet {octet}, in the clear," for octet in clear}
        body = self.octets[: len(self.octets) - self.layout.check_octets]
        for (place, bit), words in places.items():
            octets = with_check(self.protocol, flipped(body, place, bit))
            in_clear = place in clear
            yield self._like(f"{words} turned over", Status.WRONG_TAG, octets=octets, certain=not in_clear)
        zeros = with_check(self.protocol, self.body + bytes(self.layout.tag_octets))
        yield self._like("sent in the clear with zeros for a tag", Status.WRONG_TAG, octets=zeros)
        yield self._like("sealed for another network", Status.WRONG_TAG, octets=self._elsewhere())
        shorter = with_check(self.protocol, body[:-1])
        yield self._like(
            "the last octet of the tag lost", Status.WRONG_LENGTH, Status.WRONG_TAG, octets=shorter, certain=False
        )

    def _elsewhere(self) -> bytes:
        """The usual frame as an installation with another number seals it."""
        seal = replace(self.seal, network=self.seal.network ^ 1)
        of = self.protocol
        other = Protocol(of.name, of.revision, of.summary, of.frames, of.integrity, seal=seal)
        return with_seal(other, self.layout, self.body, Key(self.seals.keys[0], None), self.number)

    def _numbers(self) -> Iterator[DecodeCase]:
        """The same frame for receivers that have accepted other numbers before."""
        number, most = self.number, (1 << self.seal.counter_bits) - 1
        yield self._like(f"number {number} was accepted before", Status.REPLAY, highest=number)
        if number:
            yield self._like(f"number {number} after {number - 1}", Status.FINE, highest=number - 1)
        for ahead, words in ((1, "one"), (63, "63"), (64, "64"), (65, "65"), (self.circle // 2, "half a circle")):
            if number + ahead <= most:
                wanted = (Status.FINE, Status.REPLAY, Status.WRONG_TAG)
                text = f"number {number}, {words} below the highest accepted one"
                yield self._like(text, *wanted, highest=number + ahead, certain=False)

    def _silences(self) -> Iterator[DecodeCase]:
        """Numbers whose high part does not travel: within what a receiver tries, and beyond."""
        most, circle, tries = (1 << self.seal.counter_bits) - 1, self.circle, self.seal.resync
        wanted = (Status.FINE, Status.WRONG_TAG, Status.REPLAY)
        last = most - 1
        yield self._like(f"number {last} after {last - 1}", Status.FINE, octets=self._numbered(last), highest=last - 1)
        for parts in sorted({1, tries, tries + 1, tries + 2}):
            number = self.number + parts * circle
            if circle > most or number > most:
                continue
            octets = self._numbered(number)
            yield self._like(f"number {number}, nothing heard before", *wanted, octets=octets, certain=False)
            text = f"number {number} after {self.number}"
            yield self._like(text, *wanted, octets=octets, highest=self.number, certain=False)

    def _two_faults(self) -> Iterator[DecodeCase]:
        """The question that is asked first gives the reason; a bad field is found only once a frame is opened."""
        protocol = self.protocol
        wrong = Held(self.good.key.station if self.good.key else None, self.seals.keys[1])
        tampered = with_check(
            protocol, flipped(self.octets[: len(self.octets) - self.layout.check_octets], self.tag, 0)
        )
        yield replace(self._like("no key is given, and the tag is wrong", Status.NO_KEY, octets=tampered), key=None)
        yield self._like(
            f"number {self.number} again, and the tag is wrong", Status.WRONG_TAG, octets=tampered, highest=self.number
        )
        fixed = {slot.name for slot in self.layout.slots[: self.layout.header_slots]}
        for name, slot in self.usual.slots:
            code = (
                None
                if slot.name in fixed or slot.offset in self.usual.derived or slot.kind == "length"
                else first_fault(slot)
            )
            if code is None:
                continue
            octets = self.with_codes({slot.offset: code})
            said = name or "fill bits"
            again = self._like(f"{said} wrong, and the number was accepted before", Status.REPLAY, octets=octets)
            yield replace(again, highest=self.number)
            yield replace(self._like(f"{said} wrong under another key", Status.WRONG_TAG, octets=octets), key=wrong)
            break
        to = protocol.destination_slot
        if to is not None:
            at = int.from_bytes(self.body, "big") >> (8 * self.tag - to.end) & ((1 << to.bits) - 1)
            case = self._like("for another station, and no key is given", Status.NOT_ADDRESSED)
            yield replace(case, key=None, at=to.turned(at) ^ 1, wanted=frozenset({Status.NOT_ADDRESSED}))
