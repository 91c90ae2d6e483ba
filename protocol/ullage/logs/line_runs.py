"""Words of a log line that may be octets, and the runs they form: the grammar below `lines`.

Words come from one pattern a notation; what stands between two words says whether they belong together. The
rules, with an example each, are told at `LineReader`, which offers these runs. Each step is linear in the line.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby, product
from typing import NamedTuple

# Whole words only, and no name of a value ("fc=12"). 0x21 may end as C constants do, 0x21u.
_HEX_WORD = re.compile(
    r"(?:(?<!\w)0[xX](?P<prefixed>[0-9a-fA-F]++)[uU]?+|\\x(?P<escaped>[0-9a-fA-F]{2})"
    r"|(?<![\w\\])(?P<plain>[0-9a-fA-F]++))(?!\w|[ \t]?=)"
)
_DECIMAL_WORD = re.compile(r"(?<!\w)(?P<plain>[0-9]++)(?!\w|[ \t]?=)")
_BASE64_WORD = re.compile(r"(?<![A-Za-z0-9+/_-])[A-Za-z0-9+/_-]++={0,2}+(?![A-Za-z0-9+/_=-])")

# Words as prose and names have them ("Received", "level_report", "868100000"): base64 by their letters alone.
_PROSE = re.compile(r"(?:(?:[A-Z]?[a-z]++|[A-Z]++|[0-9]++)(?:[-_+/]++|$))+")

_HEX_GAP = re.compile(r"""[ \t]*+(?:["'][ \t]*+,[ \t]*+["']|[,;:.-]?+)[ \t]*+""")
_DECIMAL_GAP = re.compile(r"[ \t]*+[,;]?+[ \t]*+")
_TIGHT = (":", "-", ".", "")  # gaps without blanks that never part columns; "" is between \x21\x01

_FRONT_STRAYS, _BACK_STRAYS = 2, 3  # index and length before a frame; RSSI, SNR and a flag behind it


class Word(NamedTuple):
    """A word that may be octets, and where it stands in the text."""

    start: int
    end: int
    digits: str
    octets: bytes
    prefixed: bool = False

    @property
    def width(self) -> int:
        """Octets: one digit is two without its zero."""
        return len(self.octets)

    @property
    def stray(self) -> bool:
        """Whether this may be a number, or its unit, that only touches a frame."""
        octet = not self.digits.isdecimal() and len(self.digits) > 1 and self.digits not in ("db", "DB")
        return not (octet or self.prefixed)

    @property
    def lone(self) -> bool:
        """Whether this alone, without other octets beside it, is rather a number or a word of prose."""
        return not self.prefixed and (self.digits.isdecimal() or self.digits.isalpha())


@dataclass(frozen=True)
class Run:
    """Words with nothing between them but what printers put between octets; gaps[i] follows words[i]."""

    words: list[Word]
    gaps: list[str]

    def pieces(self) -> list[list[Word]]:
        """Cut the run where its looks change (`LineReader`, "One run or two")."""
        if len({*self.gaps}) < 2 and len({(word.width, word.prefixed) for word in self.words}) < 2:
            return [self.words]  # as most are
        streaks = _streaks(self.gaps)
        pieces, start = [], 0
        for i in range(len(self.gaps)):
            if not (self._gap_holds(i, streaks) and self._width_holds(i)):
                pieces.append(self.words[start : i + 1])
                start = i + 1
        return [*pieces, self.words[start:]]

    def _gap_holds(self, i: int, streaks: list[int]) -> bool:
        """Whether gap i keeps both its words against the gaps before and behind it."""

        def strength(gap: int) -> tuple[bool, int]:
            return self.gaps[gap] in _TIGHT and streaks[gap] > 1, streaks[gap]

        beside = (gap for gap in (i - 1, i + 1) if 0 <= gap < len(self.gaps))
        return all(self.gaps[gap] == self.gaps[i] or strength(gap) < strength(i) for gap in beside)

    def _width_holds(self, i: int) -> bool:
        """Whether the words around gap i are as wide as octets printed by one hand."""
        this, following = self.words[i], self.words[i + 1]
        if following.prefixed and not this.prefixed:
            return False
        if following.width >= this.width:
            return following.width == this.width
        last = i + 2 == len(self.words) or self.words[i + 2].width != following.width
        return last and i > 0 and self.words[i - 1].width == this.width


def hex_runs(text: str) -> Iterator[Run]:
    """Give the runs of hex words in a text; one digit is an octet only beside octets of two digits."""
    for run in _runs(map(_hex_word, _HEX_WORD.finditer(text)), text, _HEX_GAP):
        if sum(len(word.digits) == 2 for word in run.words) >= 2:
            yield run
        else:
            octets = (word if word.prefixed or len(word.digits) > 1 else None for word in run.words)
            yield from _runs(octets, text, _HEX_GAP)


def decimal_runs(text: str) -> Iterator[Run]:
    """Give the runs of numbers 0..255 in a text."""
    return _runs(map(_decimal_word, _DECIMAL_WORD.finditer(text)), text, _DECIMAL_GAP)


def base64_words(text: str) -> Iterator[tuple[bytes, bool]]:
    """Give what the base64 words of a text decode to, each with whether it looks like a word of prose."""
    for word in _BASE64_WORD.findall(text):
        octets = _from_base64(word)
        if octets is not None:
            yield octets, _PROSE.fullmatch(word) is not None


def parts(words: list[Word]) -> Iterator[list[Word]]:
    """Give a run without the numbers that may only touch it, fewest dropped first; then each longer word alone."""
    front = _leading_strays(words[:_FRONT_STRAYS])
    back = _leading_strays(words[: -_BACK_STRAYS - 1 : -1])
    for first, last in sorted(product(range(front + 1), range(back + 1)), key=sum)[1:]:
        if first + last < len(words):
            yield words[first : len(words) - last]
    if len(words) > 1:
        yield from ([word] for word in words if len(word.octets) > 1)


def _leading_strays(words: list[Word]) -> int:
    return next((i for i, word in enumerate(words) if not word.stray), len(words))


def _hex_word(match: re.Match[str]) -> Word | None:
    plain = match["plain"]
    digits = plain or match["prefixed"] or match["escaped"]
    prose = digits.isalpha() and not digits.islower() and not digits.isupper()  # "dB", "Face"
    if prose or (len(digits) % 2 and len(digits) > 1):
        return None
    octets = bytes.fromhex(digits if len(digits) > 1 else "0" + digits)
    return Word(*match.span(), digits, octets, plain is None)


def _decimal_word(match: re.Match[str]) -> Word | None:
    digits = match["plain"]
    if len(digits) > 3 or int(digits) > 255:
        return None
    return Word(match.start(), match.end(), digits, bytes([int(digits)]))


def _runs(words: Iterable[Word | None], text: str, between: re.Pattern[str]) -> Iterator[Run]:
    """Join words to runs; what is None ends a run, as it stays in the gap and no gap has digits."""
    run = Run([], [])
    for word in words:
        if word is None:
            continue
        if run.words:
            gap = text[run.words[-1].end : word.start]
            if gap == " " or between.fullmatch(gap):
                run.gaps.append(_kind(gap))
            else:
                yield run
                run = Run([], [])
        run.words.append(word)
    if run.words:
        yield run


def _kind(gap: str) -> str:
    """Bring gaps that look alike to one text: the mark, with a blank if there are any; else a tab or blank."""
    mark = gap.strip(" \t")
    if mark:
        return mark[0] if mark == gap else mark[0] + " "
    return "\t" if "\t" in gap else gap[:1]


def _streaks(gaps: list[str]) -> list[int]:
    """For each gap, how many of its kind stand together."""
    streaks: list[int] = []
    for _, group in groupby(gaps):
        length = sum(1 for _ in group)
        streaks += [length] * length
    return streaks


def _from_base64(word: str) -> bytes | None:
    """Decode a word by RFC 4648 sections 4 and 5; printers may leave the padding away, nothing else."""
    bare = word.rstrip("=")
    mixed = ("+" in bare or "/" in bare) and ("-" in bare or "_" in bare)
    if mixed or len(bare) % 4 == 1 or (bare != word and len(word) % 4):
        return None
    standard = bare.replace("-", "+").replace("_", "/") + "=" * (-len(bare) % 4)
    octets = base64.b64decode(standard)  # cannot fail: alphabet and length are right
    return octets if base64.b64encode(octets).decode() == standard else None  # section 3.5: pad bits are zero
