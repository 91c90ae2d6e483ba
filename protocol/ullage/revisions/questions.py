"""All that must be asked about one kind of frame at another end, each answered by octets that the sender can send.

Does the receiver take such a frame? Can a field that it takes say something else? At which questions of the receiver,
in the order in which it asks them, can a frame fail? Every answer is exact; see `ways`.
"""

import random
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from ..codes import accepted
from ..layout import Fixed, Layout, Slot, header_slot
from ..protocol import Protocol
from ..status import Status
from .code_sets import CodeSet, Runs, of_runs, outside, sound
from .forms import Form, forms
from .meaning import Renames
from .passing import finished
from .ways import Placed, Ways, blocks
from .wrong_codes import invented, misread

TRIES = 6
"""So many answers where one alone may be right by chance."""

INDEX = re.compile(r"\[\d+\]")

Codes = Callable[[int], CodeSet]
"""The codes that are asked for in the receiver's slot of a number."""


class Questions:
    """The questions about one kind of frame.

    layout: the sender's. tries: so many answers to each question, at least; more than one where the check is passed by
    luck alone.
    """

    def __init__(
        self,
        sender: Protocol,
        layout: Layout,
        receiver: Protocol,
        renames: Renames,
        rng: random.Random,
        tries: int = 1,
    ) -> None:
        self._sender, self._layout, self._receiver = sender, layout, receiver
        self._renames, self._rng = renames, rng
        self._asked: set[object] = set()
        # A check that the receiver does not have is read as a part of its body, and cannot be chosen; a longer one
        # stands where fields are.
        self._more = layout.check_octets - receiver.check_octets
        self._tries = max(tries, 200 if self._more else 1)

    def answers(self) -> Iterator[bytes]:
        """The octets to try."""
        others: dict[int, list[Form]] = {}
        for layout in self._receiver.frames.values():
            for other in forms(layout) if layout.sealing is None else ():
                others.setdefault(other.octets, []).append(other)
        lengths: set[int] = set()
        for form in forms(self._layout):
            if form.octets not in lengths:
                lengths.add(form.octets)
                yield from self._of_header(form)
            for other in others.get(form.octets + self._more, ()):
                yield from self._of_pair(form, other)

    def _of_header(self, form: Form) -> Iterator[bytes]:
        """Frames of another revision, with a code that is none, and with each that is one."""
        head = [header_slot(self._receiver.frames, kind) for kind in ("revision", "message")]
        placed = sorted((slot for slot in head if slot), key=lambda slot: slot.offset)
        row = _filled(placed, 8 * (form.octets + max(self._more, 0)))
        if row is None:
            return
        overlay = _Overlay(self._row(form), row)
        revision, message = (row.index(one) if one else None for one in head)
        free = [_free(slot) for slot in row]
        if revision is not None:
            yield from self._frames(form, overlay, _but(free, {revision: _not(row[revision])}), 1)
        if message is None:
            return
        codes = sorted(layout.message or 0 for layout in self._receiver.frames.values())
        known = of_runs(row[message], tuple((code, code) for code in codes))
        ours = {} if revision is None else {revision: sound(row[revision])}
        for wanted in (outside(known), *(of_runs(row[message], ((code, code),)) for code in codes)):
            if wanted is not None:
                yield from self._frames(form, overlay, _but(free, {**ours, message: wanted}), 1)

    def _of_pair(self, form: Form, other: Form) -> Iterator[bytes]:
        """What can become of one form of the sender's frame as one form of a receiver's."""
        slots, every = self._received_row(other)
        overlay = _Overlay(self._row(form), slots)
        head = frozenset(place for place, slot in enumerate(other.slots) if slot.kind in ("revision", "message"))
        free = [_free(slot) for slot in slots]
        for place in range(len(other.slots)):
            key = ("fails", *self._key(form, overlay, other, place))
            wanted = None if place in head or key in self._asked else outside(other.codes[place])
            if wanted is None:
                continue
            # Counts and flags are asked first, then the slots in wire order; what comes later does not matter.
            first = place in other.derived
            asked = {at for at in range(place) if not first or at in other.derived}
            asked |= head | (frozenset() if first else other.derived)
            for octets in self._frames(form, overlay, _but(free, {**_some(every, asked), place: wanted}), 1):
                self._asked.add(key)
                yield octets
        taken = list(self._frames(form, overlay, _but(every, {}), TRIES))
        yield from taken
        if taken:
            yield from self._misreadings(form, other, overlay, every)

    def _misreadings(self, form: Form, other: Form, overlay: "_Overlay", every: Sequence[CodeSet]) -> Iterator[bytes]:
        """Frames that the receiver takes, in which one of its fields says something else."""
        names = {self._received(name): place for place, name in enumerate(form.names) if form.slots[place].given}
        for place, slot in enumerate(other.slots):
            key = ("misreads", *self._key(form, overlay, other, place))
            if not slot.given or place in other.derived or key in self._asked:
                continue
            self._asked.add(key)
            known = names.get(other.names[place])
            wrong, tries = _wrong(None if known is None else form.slots[known], slot)
            if wrong is not None:
                yield from self._frames(form, overlay, _but(every, {place: wrong}), tries)

    def _frames(self, form: Form, overlay: "_Overlay", codes: Codes, tries: int) -> Iterator[bytes]:
        """Frames that have such codes in the receiver's slots, none where there can be none."""
        ways = overlay.ways(codes)
        if all(way.any for way in ways):
            for _ in range(max(tries, self._tries)):
                yield self._frame(form, ways)

    def _row(self, form: Form) -> list[Placed]:
        """The sender's slots, with its check as one that may hold any code where the receiver takes it for fields."""
        bits = 8 * self._more
        check = Slot("", "check", 8 * form.octets, bits, Fixed(0, Status.INTEGRITY))
        return [*zip(form.slots, form.codes, strict=True), *([(check, _free(check))] if bits > 0 else [])]

    def _received_row(self, other: Form) -> tuple[Sequence[Slot], Sequence[CodeSet]]:
        """The receiver's slots and their codes, with its check as any code where the sender has a shorter one."""
        bits = -8 * self._more
        if bits <= 0:
            return other.slots, other.codes
        check = Slot("", "check", 8 * other.octets, bits, Fixed(0, Status.INTEGRITY))
        return (*other.slots, check), (*other.codes, _free(check))

    def _frame(self, form: Form, ways: Sequence[Ways]) -> bytes:
        word = 0
        for way in ways:
            word = word << way.bits | way.one(self._rng)
        return finished(self._sender, (word >> 8 * max(self._more, 0)).to_bytes(form.octets, "big"))

    def _received(self, name: str) -> str:
        """A sender's name as the receiver would call it, item by item."""
        return re.sub(r"[a-z][a-z0-9_]*", lambda found: self._renames.received(found[0]), name)

    def _key(self, form: Form, overlay: "_Overlay", other: Form, place: int) -> tuple[object, ...]:
        """What tells one question from another: the same slots askew in the same way are asked about once."""
        start, sender, receiver = overlay.around(place)
        ours = tuple((slot.offset - start, id(slot.transform), codes) for slot, codes in sender)
        theirs = tuple((slot.offset - start, id(slot.transform)) for slot in receiver)
        first = form.slots.index(sender[0][0]) if sender[0][0] in form.slots else 0
        mine = tuple(INDEX.sub("", name) for name in form.names[first : first + len(sender)])
        return (
            ours,
            theirs,
            mine,
            INDEX.sub("", other.names[place]),
            other.slots[place].offset - start,
            other.layout.name,
        )


class _Overlay:
    """A sender's row over a receiver's, cut into blocks, with what was found about each."""

    def __init__(self, sender: Sequence[Placed], receiver: Sequence[Slot]) -> None:
        self._sender, self._receiver = sender, receiver
        self._blocks = list(blocks([slot for slot, _ in sender], receiver))
        self._of_place = {place: block for block in self._blocks for place in block.receiver}
        self._found: dict[tuple[object, ...], Ways] = {}

    def ways(self, codes: Codes) -> list[Ways]:
        """The ways through every block with such codes in the receiver's slots."""
        found = []
        for number, block in enumerate(self._blocks):
            wanted = tuple(codes(place) for place in block.receiver)
            key = (number, *wanted)
            if key not in self._found:
                ours = [self._sender[place] for place in block.sender]
                theirs = [(self._receiver[place], one) for place, one in zip(block.receiver, wanted, strict=True)]
                self._found[key] = Ways(ours, theirs)
            found.append(self._found[key])
        return found

    def around(self, place: int) -> tuple[int, list[Placed], list[Slot]]:
        """The block in which one of the receiver's slots lies: its first bit, and the slots of both in it."""
        block = self._of_place[place]
        ours = [self._sender[at] for at in block.sender]
        return block.start, ours, [self._receiver[at] for at in block.receiver]


def _filled(slots: Sequence[Slot], bits: int) -> list[Slot] | None:
    """Slots with others between them, so that they are a row of so many bits; None where it is too short for them."""
    row: list[Slot] = []
    end = 0
    for slot in [*slots, None]:
        start = bits if slot is None else slot.offset
        if start < end or start > bits:
            return None
        if start > end:
            row.append(Slot("", "any", end, start - end, Fixed(0, Status.FINE)))
        if slot is not None:
            row.append(slot)
            end = slot.end
    return row if end <= bits else None


def _but(codes: Sequence[CodeSet], others: Mapping[int, CodeSet]) -> Codes:
    """The codes of a row, but for some of its slots."""
    return lambda at: others.get(at) or codes[at]


def _some(codes: Sequence[CodeSet], places: Iterable[int]) -> dict[int, CodeSet]:
    return {at: codes[at] for at in places}


def _free(slot: Slot) -> CodeSet:
    """Any code."""
    return Runs(slot.bits, ((0, (1 << slot.bits) - 1),))


def _not(slot: Slot) -> CodeSet:
    """The codes that a slot of one code does not have."""
    return outside(of_runs(slot, accepted(slot))) or _free(slot)


def _wrong(sent: Slot | None, read: Slot) -> tuple[CodeSet | None, int]:
    """The codes of a slot that say something else than the sender's slot of that name, and how many are to be tried.

    Exact where both lie at the same place. Elsewhere any code may be another one than was sent, or the same by chance.
    """
    if sent is None:
        return invented(read), 1
    if (sent.offset, sent.bits, sent.low_first) == (read.offset, read.bits, read.low_first):
        return misread(sent, read), 1 if type(sent.transform) is type(read.transform) else TRIES
    return sound(read), TRIES
