"""What becomes of one frame at a receiver that was built from another spec: tried on the real codecs.

The octets to try come from exact questions: is there a frame that the receiver takes, one in which this field says
something else, one that fails here? What the codecs then answer is what is told, so nothing is claimed that does not
happen; and since the questions leave nothing out, nothing that can happen is missed (but see `forms` for lists).
"""

import random
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum

from ..codec import Message
from ..errors import Refused
from ..layout import Layout, Slot
from ..protocol import Protocol
from ..status import Status
from .code_sets import CodeSet, Runs, outside, sound
from .forms import Form, forms
from .meaning import Comparer, Difference, Renames, unseen
from .passing import Passing, chance_bits, finished, passing
from .ways import Block, Placed, Ways, blocks
from .wrong_codes import invented, misread

STRONG_BITS = 16
"""A check of fewer bits is passed by luck so often that its misreadings count."""
_LUCKY_TRIES = 4000
_TRIES = 6
_RANDOM_TRIES = 24
_INDEX = re.compile(r"\[\d+\]")

Decode = Callable[[bytes], Message]


class Verdict(Enum):
    """What becomes of the frames of one kind."""

    UNDERSTANDS = "understands"
    SOME = "understands some"
    REFUSES = "refuses"
    MISREADS = "misreads"


@dataclass(frozen=True, slots=True)
class Example:
    """A frame, and what became of it. field: where it was refused, or None."""

    octets: bytes
    text: str
    field: str | None = None


@dataclass(frozen=True)
class Outcome:
    """What becomes of one kind of frame.

    frame: as the sender calls it. understood: one that is read as it was meant, or None. refused: reason -> example.
    misread: what is read wrongly, each with an example. lucky: the receiver's check is another one, and one frame in 2
    to the power of this passes it all the same; else None. unseen: fields that the receiver does not have. tried:
    the octets that were tried.
    """

    frame: str
    understood: Example | None
    refused: Mapping[Status, Example]
    misread: tuple[tuple[Difference, Example], ...]
    lucky: int | None
    unseen: tuple[str, ...]
    tried: tuple[bytes, ...] = field(repr=False)

    @property
    def verdict(self) -> Verdict:
        """All of it in one word."""
        if self.misread:
            return Verdict.MISREADS
        if self.understood is None:
            return Verdict.REFUSES
        return Verdict.SOME if self.refused else Verdict.UNDERSTANDS


class _Trial:
    """Gives octets to the receiver, and keeps the first example of each thing that can become of them."""

    def __init__(self, sender: Protocol, frame: str, decode: Decode, renames: Renames, believe: bool) -> None:
        self.sender, self.layout = sender, sender.frames[frame]
        self.decode, self.believe = decode, believe
        self.same, self.renamed = Comparer(Renames()), Comparer(renames)
        self.tried: dict[bytes, None] = {}
        self.understood: Example | None = None
        self.refused: dict[Status, Example] = {}
        self.misread: dict[str, tuple[Difference, Example]] = {}

    def run(self, octets: bytes) -> None:
        """Try some octets once."""
        if octets in self.tried:
            return
        self.tried[octets] = None
        try:
            read = self.decode(octets)
        except Refused as refused:
            # The receiver has keys, we have none: a frame that is not sealed as it expects gets as far as the tag.
            reason = Status.WRONG_TAG if refused.reason is Status.NO_KEY else refused.reason
            text = "sealed in another way" if reason is not refused.reason else str(refused)
            self.refused.setdefault(reason, Example(octets, text, refused.field))
            return
        if not self.believe:
            return
        assert read.protocol is not None
        layout = read.protocol.frames[read.frame]
        comparer = self.same if read.protocol is self.sender else self.renamed
        found = list(comparer.differences(self.sender.decode(octets), self.layout, read, layout))
        if not found and self.understood is None:
            self.understood = Example(octets, f"read as {read.frame}, as it was meant")
        for one in found:
            self.misread.setdefault(_INDEX.sub("[]", one.path), (one, Example(octets, str(one))))

    def outcome(self, lucky: int | None, not_seen: tuple[str, ...]) -> Outcome:
        """What came of it."""
        refused = dict(sorted(self.refused.items()))
        misread = tuple(self.misread.values())
        return Outcome(self.layout.name, self.understood, refused, misread, lucky, not_seen, tuple(self.tried))


def merged(outcomes: Sequence[Outcome]) -> Outcome:
    """What becomes of one kind of frame, from what becomes of it in several forms."""
    first = outcomes[0]
    misread = {difference.path: (difference, example) for one in outcomes for difference, example in one.misread}
    return Outcome(
        first.frame,
        next((one.understood for one in outcomes if one.understood), None),
        dict(
            sorted({reason: example for one in reversed(outcomes) for reason, example in one.refused.items()}.items())
        ),
        tuple(misread.values()),
        first.lucky,
        first.unseen,
        tuple(octets for one in outcomes for octets in one.tried),
    )


def outcome(sender: Protocol, frame: str, receiver: Protocol, renames: Renames | None = None) -> Outcome:
    """Try one kind of frame, which needs no key (see `stand_ins`), at another end.

    sender, frame: whose frame. receiver: who reads it. renames: names that mean the same. Returns what can become of
    it. Where the two ends have different checks, only luck lets a frame pass: `lucky` says how often, and it counts as
    a misreading where the receiver's check has fewer than 16 bits.
    """
    renames = renames or Renames()
    layout = sender.frames[frame]
    passes = passing(sender, layout, receiver)
    bits = chance_bits(receiver)
    by_luck = passes is Passing.LUCK
    believe = not by_luck or bits < STRONG_BITS
    trial = _Trial(sender, frame, receiver.decode, renames, believe)
    rng = random.Random(1)
    for octets in _samples(sender, layout, rng, _LUCKY_TRIES if by_luck and believe else _RANDOM_TRIES):
        trial.run(octets)
    if passes is Passing.ALWAYS:
        for octets in _Questions(sender, layout, receiver, renames, rng).answers():
            trial.run(octets)
    known = receiver.frames.get(renames.received(frame))
    return trial.outcome(bits if by_luck else None, unseen(layout, known, renames) if known else ())


def again(first: Outcome, sender: Protocol, decode: Decode, renames: Renames) -> Outcome:
    """The same frames at a receiver of several: what it makes of them.

    first: the outcome at the one of its protocols that is not the sender's. decode: the receiver's.
    """
    believe = first.lucky is None or first.lucky < STRONG_BITS
    trial = _Trial(sender, first.frame, decode, renames, believe=True)
    for octets in first.tried:
        trial.run(octets)
    if not believe:  # both accept what passes by luck: too seldom to be told
        trial.refused.pop(Status.AMBIGUOUS, None)
    return trial.outcome(first.lucky, ())


def _samples(sender: Protocol, layout: Layout, rng: random.Random, count: int) -> Iterator[bytes]:
    """Frames of every form with the ends of each field's codes, and some with any codes."""
    every = forms(layout)
    some = every[:: max(1, len(every) // 8)]
    for form in some:
        own = [Ways([pair], [pair]) for pair in zip(form.slots, form.codes, strict=True)]
        plain = [ways.one(rng) for ways in own]
        for place, (slot, codes) in enumerate(zip(form.slots, form.codes, strict=True)):
            for code in {end for run in getattr(codes, "runs", ()) for end in run}:
                yield _octets(sender, form, [*plain[:place], slot.turned(code), *plain[place + 1 :]])
        for _ in range(-(-count // len(some))):
            yield _octets(sender, form, [ways.one(rng) for ways in own])


def _octets(sender: Protocol, form: Form, parts: Iterable[int]) -> bytes:
    word = 0
    for slot, part in zip(form.slots, parts, strict=True):
        word = word << slot.bits | part
    return finished(sender, word.to_bytes(form.octets, "big"))


class _Questions:
    """All that must be asked about one kind of frame, each answered by octets that the sender can send."""

    def __init__(
        self, sender: Protocol, layout: Layout, receiver: Protocol, renames: Renames, rng: random.Random
    ) -> None:
        self.sender, self.layout, self.receiver = sender, layout, receiver
        self.renames, self.rng = renames, rng
        self.asked: set[object] = set()
        # A check that the receiver does not have is read as a part of its body, and cannot be chosen.
        self.more = layout.check_octets - receiver.check_octets
        self.tries = 200 if self.more else _TRIES

    def answers(self) -> Iterator[bytes]:
        """The octets to try."""
        others: dict[int, list[Form]] = {}
        for layout in self.receiver.frames.values():
            for other in forms(layout) if layout.sealing is None else ():
                others.setdefault(other.octets, []).append(other)
        for form in forms(self.layout):
            for other in others.get(form.octets + self.more, ()):
                yield from self._of_pair(form, other)

    def _of_pair(self, form: Form, other: Form) -> Iterator[bytes]:
        sender = [*zip(form.slots, form.codes, strict=True), *self._sent_check(form)]
        receiver = list(zip(other.slots, other.codes, strict=True))
        cut = list(blocks(sender, receiver))
        ways = [Ways(_of(sender, block.sender), _of(receiver, block.receiver)) for block in cut]
        if not all(way.any for way in ways):
            return
        for _ in range(self.tries):
            yield self._frame(form, ways)
        names = {self._received(name): place for place, name in enumerate(form.names) if form.slots[place].given}
        for number, block in enumerate(cut):
            for place in block.receiver:
                key = self._key(form, sender, other, block, place)
                if key in self.asked:
                    continue
                self.asked.add(key)
                yield from self._of_slot(form, other, block, ways, number, place, names)

    def _of_slot(
        self, form: Form, other: Form, block: Block, ways: list[Ways], number: int, place: int, names: dict[str, int]
    ) -> Iterator[bytes]:
        """A frame that fails at one slot of the receiver, and one in which that slot says something else."""
        sender = [*zip(form.slots, form.codes, strict=True), *self._sent_check(form)]
        receiver = list(zip(other.slots, other.codes, strict=True))
        slot, codes = receiver[place]
        wanted = [(outside(codes), 1)]
        known = names.get(other.names[place])
        if slot.given and place not in other.derived:
            wanted.append(_wrong(None if known is None else form.slots[known], slot))
        for one, tries in wanted:
            if one is None:
                continue
            changed: list[Placed] = [(slot, one) if at == place else receiver[at] for at in block.receiver]
            way = Ways(_of(sender, block.sender), changed)
            if way.any:
                for _ in range(self.tries if self.more else tries):
                    yield self._frame(form, [*ways[:number], way, *ways[number + 1 :]])

    def _sent_check(self, form: Form) -> list[Placed]:
        """The sender's check as something that may hold any code, where the receiver has a shorter one or none."""
        bits = 8 * self.more
        slot = Slot("", "check", 8 * form.octets, bits, form.slots[0].transform)
        return [(slot, Runs(bits, ((0, (1 << bits) - 1),)))] if bits > 0 else []

    def _frame(self, form: Form, ways: list[Ways]) -> bytes:
        word = 0
        for way in ways:
            word = word << way.bits | way.one(self.rng)
        return finished(self.sender, (word >> 8 * max(self.more, 0)).to_bytes(form.octets, "big"))

    def _received(self, name: str) -> str:
        """A sender's name as the receiver would call it, item by item."""
        return re.sub(r"[a-z][a-z0-9_]*", lambda found: self.renames.received(found[0]), name)

    def _key(self, form: Form, sender: list[Placed], other: Form, block: Block, place: int) -> object:
        """What tells one question from another: the same slots askew in the same way are asked about once."""
        ours = tuple(
            (sender[at][0].offset - block.start, id(sender[at][0].transform), sender[at][1]) for at in block.sender
        )
        theirs = tuple((other.slots[at].offset - block.start, id(other.slots[at].transform)) for at in block.receiver)
        mine = tuple(_INDEX.sub("", form.names[at]) for at in block.sender if at < len(form.names))
        return ours, theirs, mine, _INDEX.sub("", other.names[place]), place - block.receiver.start, other.layout.name


def _of(row: list[Placed], places: range) -> list[Placed]:
    return [row[place] for place in places]


def _wrong(sent: Slot | None, read: Slot) -> tuple[CodeSet | None, int]:
    """The codes of a slot that say something else than the sender's slot of that name, and how many are to be tried.

    Exact where both lie at the same place. Elsewhere any code may be another one than was sent, or the same by chance.
    """
    if sent is None:
        return invented(read), 1
    if (sent.offset, sent.bits, sent.low_first) == (read.offset, read.bits, read.low_first):
        return misread(sent, read), 1 if type(sent.transform) is type(read.transform) else _TRIES
    return sound(read), _TRIES
