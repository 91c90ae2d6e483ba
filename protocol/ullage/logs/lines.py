"""Frames in the lines of receivers' logs: which octets a line may hold, and what it says about the link.

First what can be no frame is taken out of the line (dates, times, link figures). What is left is cut into words,
the words into runs, and every run long enough is offered; whoever accepts octets decides which one is a frame.
Each step goes through the line once, whatever stands in it, and no line is an error.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Literal, NamedTuple, TypeVar

from ullage.logs.line_runs import Word, base64_words, decimal_runs, hex_runs, parts

Message = TypeVar("Message")
Refusal = TypeVar("Refusal", bound=Exception)
Notation = Literal["hex", "decimal", "base64"]

# A date (ISO 8601, or with slashes or points), a time of day with seconds, or both.
_STAMP = re.compile(
    r"""(?<![\w:.+/-])
    (?: (?P<date> \d{4}(?P<s>[-/.])\d{1,2}(?P=s)\d{1,2} | \d{1,2}(?P<t>[-/.])\d{1,2}(?P=t)\d{4} )
        (?: (?: [T_,;] | [ \t]{1,3} ) (?P<then> HOUR:[0-5]\d (?: :SECOND )? ) )?
      | (?P<time> HOUR:[0-5]\d:SECOND )
    )
    (?P<zone> Z | [+-]\d\d:?\d\d | [ ]?[AP]M )?
    (?! \w | :\w )""".replace("HOUR", r"(?:[01]?\d|2[0-3])").replace(
        "SECOND", r"(?:[0-5]\d|60) (?: \.\d{1,9} | ,\d{3}(?!\w) )?"
    ),
    re.VERBOSE | re.ASCII,
)

# RFC 9562 section 4: the text form of a UUID. As a run of hex it would be longer than most frames.
_UUID = re.compile(r"(?<![\w-])[0-9a-fA-F]{8}-(?:[0-9a-fA-F]{4}-){3}[0-9a-fA-F]{12}(?![\w-])")

# Figures that would pass for octets: behind a well-known name, signed, with a point, or with a unit.
_FIGURE = re.compile(
    r"""(?<![a-z]) (?: rssi | snr | lqi | len | length | size | count | f?port | freq | frequency | channel
                     | sf | bw | seq | fcnt ) \b ["']?+ [ \t]*+ [=:]?+ [ \t]*+ ["']?+
            [-+]?+ \d{1,5} (?: \.\d++ )? (?: dbm? \b | (?![\w.]) )
      | (?<![\w.-]) [-+] \d++ (?: \.\d++ )?+ (?: dbm? \b | (?!\w) )
      | (?<![\w.]) \d++ (?: \.\d++ ){1,3} [a-z%]*+ (?! \.?\w )
      | (?<![\w.]) \d++ [ ]? (?: (?-i:dBm?) | ms | [km]hz ) \b (?! [ ]?[=:] )""",
    re.VERBOSE | re.IGNORECASE | re.ASCII,
)

_TAKEN_OUT = "|"  # stands where something was: no run goes across it


@dataclass(frozen=True)
class Link:
    """What a line says about reception: RSSI in dBm and SNR in dB, each as printed, or None."""

    rssi_dbm: float | None = None
    snr_db: float | None = None


@dataclass(frozen=True)
class Found(Generic[Message]):
    """The octets of a line that were accepted, and what they mean."""

    octets: bytes
    message: Message


@dataclass(frozen=True)
class Rejected(Generic[Refusal]):
    """The octets of a line that should have been a frame, and why they were refused."""

    octets: bytes
    refusal: Refusal


@dataclass(frozen=True)
class Nothing:
    """A line without a frame."""


Verdict = Found[Message] | Rejected[Refusal] | Nothing


class _Offers(NamedTuple):
    """Candidates, by how much speaks for them; within each, in the order of the line."""

    runs: list[bytes]
    tries: list[bytes]
    words: list[bytes]


_LINK_VALUE = r"""["']?+\s*+(?:\(dbm?\))?+\s*+[=:]?+\s*+["']?+([-+]?\d{1,4}(?:\.\d{1,4})?)(?!\d)"""
_RSSI = re.compile("rssi" + r"(?:_?dbm)?+(?!\w)" + _LINK_VALUE, re.IGNORECASE | re.ASCII)
_SNR = re.compile("snr" + r"(?:_?db)?+(?!\w)" + _LINK_VALUE, re.IGNORECASE | re.ASCII)


@dataclass(frozen=True)
class LineReader:
    """Reads the frame, the link figures and the time out of one line of a receiver's log.

    `shortest`: octets of the protocol's shortest frame, at least 1. `notation`: how octets are printed.
    `after`: only what follows the first such text on a line is read. `skip`: octets dropped from the front of
    each candidate, as a radio driver put them there. `parts`: whether parts of a run are tried too; False for a
    protocol without CRC and tag, where a foreign frame might pass once an octet is left out.
    Raises ValueError for settings without sense.

    **Taken out first.** Dates and times of day (`2026-11-25T06:24:11.250Z`, `25/11/2026 06:24`, `06:24:11,250`),
    UUIDs, numbers with a sign or a point (`-97`, `7.5 dB`, `192.168.4.17`), with a unit (`7 dB`, `12345 ms`),
    or behind a well-known name (`len=10`, `"port": 1`, `RSSI: 97`, `snr 7`). A name before `=` is no octet.

    **Words.** Octets stand as whole words of an even number of hex digits: `21`, `2101`, `2101110009`, `0x21`,
    `0x21u`, `\\x21`. One digit is an octet behind `0x`, or in a run that has two words of two digits
    (`21 1 11 0 9`). Odd words (`0D8D045`) and letters of both cases (`dB`, `Face`) are none.

    **Runs.** Between octets stand blanks and at most one of `, ; : - .`, or `","`. All else ends a run: another
    word, a bracket, a quote (`rx 10 bytes: 21 01`, `{0x21, 0x01}`, `[17] 21 01`, `"data":"2101"`).

    **One run or two.** A run is cut where its looks change. Where two kinds of gap meet, the word belongs to the
    kind of which more stand together (`0000: 21 01 11`, `17,21 01 11`), and always to two or more tight `:`, `-`
    or `.` (`AA:BB:CC:DD:EE:FF 21 01 11`). Words of another width are apart (`00000000  21 01`, `17,2101110009`),
    but the last of at least three may be narrower (`2101 1100 09`). The whole is tried too: `21 01 11, 00 09`.

    **Parts.** A number that looks like the octets beside it cannot be told from them: `10 21 01 11 … d7 97 7`.
    So each run is also tried without up to 2 words in front and up to 3 at the end, fewest first, if these are
    decimal numbers, single digits or a `db` (`97 db 21 01`); then each longer word alone (`2101…d7 2101…d7`, two
    frames). No part has fewer than `shortest` octets.

    **Lone words.** A word alone, all digits or all letters, is tried last: `[12345678]`, `decade`; with fewer
    than `shortest` octets it is none: `Packet 1024 received`, `free heap 204816`.

    **Behind `after`** nothing is taken out, and a lone word is as good as any: `data:1024` after `data:`.

    **Decimal**: numbers 0..255 with blanks, commas or semicolons between (`33, 1, 17`), else the same rules.
    **Base64**: whole words in either alphabet of RFC 4648, padding may be absent (`IQERAAkD2Hkz1w==`); words as
    prose and names have them (`Received`, `level_report`) are tried last and never called refused.
    """

    shortest: int
    notation: Notation = "hex"
    after: str | None = None
    skip: int = 0
    parts: bool = True

    def __post_init__(self) -> None:
        if self.shortest < 1 or self.skip < 0:
            raise ValueError("a frame has at least one octet, and no fewer than none can be skipped")
        if self.after == "":
            raise ValueError("the text that frames come after is empty")

    def candidates(self, text: str) -> tuple[bytes, ...]:
        """Give the octets that may be a frame, best first, each once.

        First the runs as they stand, in the order of the line, then what "One run or two" and "Parts" add, then
        lone words. None has fewer than `shortest` - 2 octets (or 1): it could be neither accepted nor refused.
        """
        return tuple(dict.fromkeys(octets for offers in self._offers(text) for octets in offers))

    def judge(self, text: str, accept: Callable[[bytes], Message], refusal: type[Refusal]) -> Verdict[Message, Refusal]:
        """Say what a line is: the first candidate accepted is its reading.

        Else the longest run of at least `shortest` - 2 octets (or 1) is the refused one, the first of equals;
        without such a run the longest of what was tried beyond; else the line has no frame.
        `accept` gives the meaning of octets, or raises `refusal`; whatever else it raises goes through.
        """
        refused: dict[bytes, Refusal] = {}
        offers = self._offers(text)
        for octets in dict.fromkeys(octets for group in offers for octets in group):
            try:
                return Found(octets, accept(octets))
            except refusal as error:
                refused[octets] = error.with_traceback(None)  # kept for long, so without its frames
        for group in offers[:2] if self.notation == "base64" else offers:
            if group:
                longest = max(group, key=len)
                return Rejected(longest, refused[longest])
        return Nothing()

    def link(self, text: str) -> Link:
        """Find RSSI and SNR: `RSSI=-97dBm`, `rssi -97`, `"snr": 7.5`, `RSSI (dBm): -97`."""
        return Link(_figure(_RSSI, text), _figure(_SNR, text))

    def time(self, text: str) -> str | None:
        """Find the first date or time of day: `2026-11-25T06:24:11`, `06:24:11.250`; None if there is none.

        A date with the year first gets hyphens and a `T` behind it, an hour two digits, a fraction a point. A
        date with the year last stays as printed, as nobody can tell its day from its month.
        """
        stamp = _STAMP.search(text)
        if stamp is None:
            return None
        date, clock = stamp["date"] or "", (stamp["then"] or stamp["time"] or "").replace(",", ".")
        if clock[1:2] == ":":
            clock = "0" + clock
        joint = " " if date and clock else ""
        if stamp["s"]:
            date = "-".join(part.zfill(2) for part in date.split(stamp["s"]))
            joint = joint and "T"
        return date + joint + clock + (stamp["zone"] or "")

    def _offers(self, text: str) -> _Offers:
        if self.after is not None:
            text = text.partition(self.after)[2]
        else:
            text = _UUID.sub(_TAKEN_OUT, _STAMP.sub(_TAKEN_OUT, text))
        if self.notation == "base64":
            offers = self._base64_offers(text)
        else:
            offers = self._run_offers(text if self.after is not None else _FIGURE.sub(_TAKEN_OUT, text))
        least = max(1, self.shortest - 2)
        return _Offers(*([octets for octets in group if len(octets) >= least] for group in offers))

    def _run_offers(self, text: str) -> _Offers:
        offers = _Offers([], [], [])
        for run in hex_runs(text) if self.notation == "hex" else decimal_runs(text):
            pieces = run.pieces()
            for piece in pieces:
                octets = self._octets(piece)
                if len(piece) > 1 or self.after is not None or not piece[0].lone:
                    offers.runs.append(octets)
                elif len(octets) >= self.shortest:
                    offers.words.append(octets)
            if len(pieces) > 1:
                pieces.append(run.words)
                offers.tries.append(self._octets(run.words))
            if self.parts:
                tries = (self._octets(part) for piece in pieces for part in parts(piece))
                offers.tries.extend(octets for octets in tries if len(octets) >= self.shortest)
        return offers

    def _base64_offers(self, text: str) -> _Offers:
        offers = _Offers([], [], [])
        for octets, prose in base64_words(text):
            (offers.words if prose and self.after is None else offers.runs).append(octets[self.skip :])
        return offers

    def _octets(self, words: list[Word]) -> bytes:
        return b"".join(word.octets for word in words)[self.skip :]


def _figure(pattern: re.Pattern[str], text: str) -> float | None:
    match = pattern.search(text)
    if match is None:
        return None
    return float(match[1]) if "." in match[1] else int(match[1])
