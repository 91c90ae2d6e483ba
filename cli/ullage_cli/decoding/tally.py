"""What `decode` counted, and the summary it makes of that: a sum that adds up, and the next command for each reason."""

import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import takewhile
from typing import TYPE_CHECKING

from ullage import Message, Refused, Status
from ullage.logs.lines import Rejected

from ..screen import WIDTH, command_line
from .opening import Opening
from .source import STANDARD_INPUT, Line
from .wish import Wish

if TYPE_CHECKING:
    from collections.abc import Callable

    from ullage import Protocol

_MOST_IN_FRONT = 8
"""Octets that a radio driver could put in front of a frame; four are common."""
_SUSPICIOUS = 3
_LEAST_ROOM = 24
_OF_SEALS = {Status.NO_KEY, Status.WRONG_TAG, Status.REPLAY}
_OURS = {Status.NOT_ADDRESSED} | _OF_SEALS
"""Reasons that only frames of this protocol get so far as to have."""


@dataclass(slots=True)
class _Reason:
    """How often a reason was given, where first, which codes stood there and in which words."""

    first: Line
    count: int = 0
    codes: Counter[int | None] = field(default_factory=Counter)
    said: Counter[str] = field(default_factory=Counter)


class Prefixes:
    """Looks for what stands in front of every frame, while nothing was accepted at all."""

    def __init__(self, accept: "Callable[[bytes], Message]") -> None:
        self._accept = accept
        self.lengths: Counter[int] = Counter()
        self.common: bytes | None = None
        self.frames: list[Counter[str]] = [Counter() for _ in range(_MOST_IN_FRONT + 1)]
        self.dropped: list[bytes | None] = [None] * (_MOST_IN_FRONT + 1)

    def look(self, octets: bytes) -> None:
        """Try refused octets without the first 1 to 8."""
        self.lengths[len(octets)] += 1
        self.common = _shared(self.common, octets)
        for count in range(1, min(_MOST_IN_FRONT, len(octets) - 1) + 1):
            try:
                frame = self._accept(octets[count:]).frame
            except Refused:
                continue
            self.frames[count][frame] += 1
            self.dropped[count] = _shared(self.dropped[count], octets[:count])

    def best(self, refused: int) -> int:
        """How many octets to leave away so that most of the refused are accepted; 0 when that does not help."""
        fitting = [frames.total() for frames in self.frames]
        best = max(range(len(fitting)), key=fitting.__getitem__)
        return best if 2 * fitting[best] >= refused else 0


class Tally:
    """Counts every line exactly once: as a reading, a reading not shown, refused, or without a frame."""

    def __init__(self, protocol: "Protocol", wish: Wish, opening: Opening) -> None:
        self._protocol = protocol
        self._wish = wish
        self._opening = opening
        self.readings = self.not_shown = self.nothing = self.too_long = self.unsealed = 0
        self.reasons: dict[Status, _Reason] = {}
        self.prefixes = Prefixes(opening.without_memory(wish.at))

    @property
    def refused(self) -> int:
        """How many lines were refused."""
        return sum(reason.count for reason in self.reasons.values())

    @property
    def accepted(self) -> int:
        """How many lines gave a reading, shown or not."""
        return self.readings + self.not_shown

    @property
    def lines(self) -> int:
        """How many lines there were."""
        return self.accepted + self.refused + self.nothing

    def refuse(self, line: Line, rejected: Rejected[Refused]) -> None:
        """Count a refused line."""
        reason = self.reasons.get(rejected.refusal.reason)
        if reason is None:
            reason = self.reasons[rejected.refusal.reason] = _Reason(line)
        reason.count += 1
        reason.said[str(rejected.refusal)] += 1
        if rejected.refusal.reason is Status.OTHER_REVISION:
            reason.codes[rejected.refusal.raw] += 1
        if not self.accepted:
            self.prefixes.look(rejected.octets)

    def refused_share(self) -> Fraction:
        """The share of all frames that was refused, 0..1."""
        frames = self.accepted + self.refused
        return Fraction(self.refused, frames) if frames else Fraction(0)

    def summary(self, limit: int) -> Iterator[str]:
        """The sum, a row a reason, and notes; lines of text."""
        parts = [f"{self.readings} reading{_s(self.readings)}"]
        parts += [f"{self.not_shown} not shown"] if self.not_shown else []
        parts += [f"{self.refused} refused", f"{self.nothing} without a frame"]
        yield f"{self.lines} line{_s(self.lines)} = {' + '.join(parts)}"
        yield from self._reason_rows()
        if self.too_long:
            yield f"{self.too_long} line{_s(self.too_long)} had more than {limit} octets; the rest of each was not read"
        if self.nothing and self.nothing == self.lines:
            yield "No line has octets of a frame. Other ways to read: --as decimal, --as base64, --after TEXT"
        yield from self._opening.notes(self.unsealed)
        if not self.accepted and self.refused >= _SUSPICIOUS and not _OURS & self.reasons.keys():
            yield ""
            yield f"None of {self.refused} frames is one of {self._protocol.name}'s."
            for sentence in self._nothing_fits():
                yield from textwrap.wrap(sentence, WIDTH, initial_indent="  ", subsequent_indent="  ")
            if more := self.prefixes.best(self.refused):
                yield f"  Decode with: {self._again('decode', self._wish.files, more)}"

    def _reason_rows(self) -> Iterator[str]:
        rows = sorted(self.reasons.items(), key=lambda item: (-item[1].count, item[0]))
        wide = max((len(str(reason.count)) for _, reason in rows), default=0)
        name_wide = max((len(str(status)) for status, _ in rows), default=0)
        places = [self._place(reason.first) for _, reason in rows]
        place_wide = max(map(len, places), default=0)
        for (status, reason), place in zip(rows, places, strict=True):
            row = f"  {reason.count:>{wide}}  {status!s:<{name_wide}}  first in {place:<{place_wide}}  "
            first, *below = self._more(status, reason, WIDTH - len(row))
            yield (row + first).rstrip()
            yield from (" " * len(row) + text for text in below)

    def _place(self, line: Line) -> str:
        return f"line {line.number}" if len(self._wish.files) == 1 else f"{line.file}:{line.number}"

    def _again(self, command: str, places: Iterable[str], more: int = 0) -> str:
        """A command that reads lines as this one did; more: octets to leave away in front beyond those of now."""
        wish = self._wish
        at = () if wish.at is None else ("--at", str(wish.at))
        skip = ("--skip", str(wish.skip + more)) if wish.skip + more else ()
        return command_line("ullage", command, wish.spec, *places, *wish.how_written, *at, *skip, *wish.how_opened)

    def _more(self, status: Status, reason: _Reason, room: int) -> list[str]:
        """What a row of the summary ends with: what it was, or the command that says so, which is never broken."""
        if status is Status.NOT_ADDRESSED:
            return ["nothing is wrong: sound frames for other stations"]
        if status in _OF_SEALS:
            return textwrap.wrap(self._opening.why(status, reason.said), max(room, _LEAST_ROOM))
        if status is not Status.OTHER_REVISION:
            # What came through standard input cannot be read again.
            file, number = reason.first.file, reason.first.number
            return ["" if file == STANDARD_INPUT else self._again("explain", [f"{file}:{number}"])]
        seen = ", ".join(str(code) for code in sorted(code for code in reason.codes if code is not None))
        text = f"sound frames of revision {seen}; your spec is revision {self._protocol.revision}"
        return textwrap.wrap(text, max(room, _LEAST_ROOM))

    def _nothing_fits(self) -> Iterator[str]:
        """One paragraph instead of a thousand rows: what they have in common, and what would help."""
        found, refused = self.prefixes, self.refused
        count = found.best(refused)
        if count:
            frames = found.frames[count]
            names = _either([name for name, _ in frames.most_common()])
            front = found.dropped[count] or b""
            begins = f"begin {front.hex(' ')}" if len(front) == count else f"have {_octets(count)} in front"
            without = "it" if count == 1 else f"these {_octets(count)}"
            yield f"{frames.total()} of them {begins}; without {without} they are {names}."
            them = "it" if count == 1 else "them"
            yield f"A radio driver puts {them} in front."
            return
        length, many = found.lengths.most_common(1)[0]
        spans = sorted({(layout.least_octets, layout.octets) for layout in self._protocol.frames.values()})
        lengths = [str(least) if least == most else f"{least}..{most}" for least, most in spans]
        yield f"{many} of them have {_octets(length)}; the frames of {self._protocol.name} have {_either(lengths)}."
        if found.common:
            yield f"All of them begin {found.common[:_MOST_IN_FRONT].hex(' ')}."
        status = max(self.reasons, key=lambda status: self.reasons[status].count)
        yield f"Mostly {status}. {status.advice}"


def _shared(before: bytes | None, octets: bytes) -> bytes:
    if before is None:
        return octets
    same = takewhile(lambda pair: pair[0] == pair[1], zip(before, octets, strict=False))
    return bytes(octet for octet, _ in same)


def _s(count: int) -> str:
    return "" if count == 1 else "s"


def _octets(count: int) -> str:
    return f"{count} octet{_s(count)}"


def _either(texts: list[str]) -> str:
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} or {texts[-1]}"
