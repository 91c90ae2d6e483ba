"""What becomes of one frame at a receiver that was built from another spec: tried on the real codecs.

The octets to try come from exact questions: is there a frame that the receiver takes, one in which this field says
something else, one that fails here? What the codecs then answer is what is told, so nothing is claimed that does not
happen; and since the questions leave nothing out, nothing that can happen is missed (but see `forms` for lists).
"""

import random
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum

from ..codec import Message
from ..errors import Refused
from ..layout import Layout
from ..protocol import Protocol
from ..status import Status
from .forms import Form, forms
from .meaning import Comparer, Difference, Renames, unseen
from .passing import Passing, chance_bits, finished, passing
from .questions import INDEX, Questions
from .ways import Ways

STRONG_BITS = 16
"""A check of fewer bits is passed by luck so often that its misreadings count."""
_LUCKY_TRIES = 4000
_RANDOM_TRIES = 24

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

    frame: as the sender calls it. understood: one that is read as it was meant, None where there is none (or, among
    misread ones, where it would be so by chance). refused: reason -> example.
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
            self.misread.setdefault(INDEX.sub("[]", one.path), (one, Example(octets, str(one))))

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
    if passes is Passing.ALWAYS or (by_luck and believe):
        tries = min(4 << bits, _LUCKY_TRIES) if by_luck else 1
        for octets in Questions(sender, layout, receiver, renames, rng, tries).answers():
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
    for form in {form.octets: form for form in every}.values():  # each length once
        yield _octets(sender, form, [ways.one(rng) for ways in _own(form)])
    for form in some:
        own = _own(form)
        plain = [ways.one(rng) for ways in own]
        for place, (slot, codes) in enumerate(zip(form.slots, form.codes, strict=True)):
            for code in {end for run in getattr(codes, "runs", ()) for end in run}:
                yield _octets(sender, form, [*plain[:place], slot.turned(code), *plain[place + 1 :]])
        for _ in range(-(-count // len(some))):
            yield _octets(sender, form, [ways.one(rng) for ways in own])


def _own(form: Form) -> list[Ways]:
    """All that each slot can hold."""
    return [Ways([pair], [pair]) for pair in zip(form.slots, form.codes, strict=True)]


def _octets(sender: Protocol, form: Form, parts: Iterable[int]) -> bytes:
    word = 0
    for slot, part in zip(form.slots, parts, strict=True):
        word = word << slot.bits | part
    return finished(sender, word.to_bytes(form.octets, "big"))
