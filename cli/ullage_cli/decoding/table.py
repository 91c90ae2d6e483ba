"""The table that people read while a log goes by: widths follow from the layouts, before the first row is known.

Nothing is wider than 100 columns; a reading that would be goes on below, field by field.
"""

import re
import textwrap
from collections.abc import Callable, Iterator
from typing import IO, TYPE_CHECKING, Any

from ullage.layout import (
    Binary32,
    Choice,
    Entry,
    Flag,
    Gate,
    Layout,
    Opaque,
    Repeat,
    Scaled,
    Slot,
    Text,
    header_slot,
)
from ullage.logs.lines import Found, Rejected
from ullage.unfold import controls
from ullage.words.wording import reading_of

from ..screen import WIDTH, fitting, marked
from .output import Sink

if TYPE_CHECKING:
    from ullage import Message, Protocol, Refused

    from .source import Line

_TIED = "\xa0"
"""A space at which no line is broken."""
_LEAST_ROOM = 24
_LONGEST_NAME = 24
_LONGEST_FRAME, _BEGINNING = 255, 32
_PATIENCE = 20
"""Refused rows that are shown while there was no reading yet; the rest is only counted."""

# A date with its year first or last, and the time of day after it.
_DATE = re.compile(r"(\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4})(?:[T ]|$)")
_CLOCK = re.compile(r"\d{1,2}:\d\d(?::\d\d)?")
_HALF_DAY = re.compile(r" ?[AP]M$")

_Cell = tuple[str, str, Callable[[Any], str], int]
"""What stands before the value, the field's name, its words, and the columns of all that."""


class Table(Sink):
    """Prints rows. `out`: where to. `headed`: name each file above its rows."""

    def __init__(self, protocol: "Protocol", out: IO[str], headed: bool) -> None:
        self._out = out
        self._lines: list[str] = []
        self._headed = headed
        self._sealing = protocol.seal is not None
        self._source = header_slot(protocol.frames, "source")
        self._sequences = {name: _of_kind(layout, "sequence") for name, layout in protocol.frames.items()}
        self._widths = self._column_widths(protocol)
        indent = sum(self._widths.values()) + 2 * len(self._widths)
        self._indent = " " * indent
        self._room = max(_LEAST_ROOM, WIDTH - indent)
        self._frames = {
            name: _Reading(layout, self._room, self._source is None) for name, layout in protocol.frames.items()
        }
        self._file = ""
        self._begun = self._any_reading = False
        self._date = ""
        self._early = self._held_back = 0

    def begin(self, file: str) -> None:
        """A new file: its heading comes with its first row."""
        self._file, self._begun, self._date = file, False, ""

    def reading(self, line: "Line", found: "Found[Message]") -> None:
        """An accepted frame."""
        self._tell_held_back()
        self._any_reading = True
        message = found.message
        values = message.values
        station = str(values[self._source.name]) if self._source else "-"
        sequence = self._sequences[message.frame]
        number = str(values[sequence.name]) if sequence else "-"
        first, *more = self._frames[message.frame].rows(values)
        self._print(self._prefix(line, station, number, message.frame, "yes" if message.sealed else "no") + first)
        for row in more:
            self._print(self._indent + row)

    def refused(self, line: "Line", rejected: "Rejected[Refused]") -> None:
        """A refused frame: why, and its octets below."""
        if not self._any_reading:
            self._early += 1
            if self._early > _PATIENCE:
                self._held_back += 1
                return
        before = self._prefix(line, "-", "-", "refused").rstrip() + "  "
        room = WIDTH - len(before)
        first, *more = _pieces(f"{rejected.refusal.reason}: {rejected.refusal}", room)
        self._print(marked(before + first, self._out))
        for row in (*more, *_pieces(_hex(rejected.octets), room)):
            self._print(" " * len(before) + row)

    def hidden(self) -> None:
        """An accepted frame that was not asked for: the protocol fits, so refusals are worth their rows."""
        self._any_reading = True

    def end(self) -> None:
        """After the last row."""
        self._tell_held_back()
        if self._begun:
            self._print("")

    def flush(self) -> None:
        """Let out what was printed; nothing goes out before."""
        self._out.write("".join(self._lines))
        self._lines.clear()
        self._out.flush()

    def _tell_held_back(self) -> None:
        if self._held_back:
            self._print(f"{'':>{self._widths['line']}}  and {self._held_back} more refused")
        self._held_back = 0

    def _column_widths(self, protocol: "Protocol") -> dict[str, int]:
        widths = {"line": 6, "time": 8}
        if self._source:
            widths["station"] = max(len("station"), _digits(self._source))
        sequences = [slot for slot in self._sequences.values() if slot]
        if sequences:
            widths["seq"] = max(len("seq"), *map(_digits, sequences))
        widths["frame"] = min(_LONGEST_NAME, max(len("refused"), *map(len, protocol.frames)))
        if self._sealing:
            widths["sealed"] = len("sealed")
        return widths

    def _prefix(self, line: "Line", station: str, sequence: str, frame: str, sealed: str = "-") -> str:
        date, clock = _parted(line.time)
        if not self._begun:
            self._begin_rows()
        if date and date != self._date:
            self._date = date
            self._print(f"{'':>{self._widths['line']}}  {date}")
        return self._columns(str(line.number), clock, station, sequence, frame, sealed)

    def _begin_rows(self) -> None:
        self._begun = True
        if self._headed:
            self._print(self._file)
        self._print(self._columns("line", "time", "station", "seq", "frame", "sealed") + "reading")

    def _columns(self, number: str, clock: str, station: str, sequence: str, frame: str, sealed: str) -> str:
        widths = self._widths
        cells = [number.rjust(widths["line"]), clock.ljust(widths["time"])]
        if "station" in widths:
            cells.append(station.rjust(widths["station"]))
        if "seq" in widths:
            cells.append(sequence.rjust(widths["seq"]))
        cells.append(frame[: widths["frame"]].ljust(widths["frame"]))
        if "sealed" in widths:
            cells.append(sealed.ljust(widths["sealed"]))
        return "  ".join(cells) + "  "

    def _print(self, text: str) -> None:
        self._lines.append(fitting(text.rstrip(), self._out) + "\n")


class _Reading:
    """One frame's fields in words, in columns of their own; lists and groups, whose sizes vary, behind them.

    Sender and number have columns already. Where a frame goes to is said of orders, which go to one of many; reports
    all go to the same hub, and saying so in each row would only hide the rest. Counts, and flags of groups, are seen
    in what they count.
    """

    def __init__(self, layout: Layout, room: int, no_source: bool) -> None:
        addressed = no_source or any(slot.role == "order" for slot in layout.every_slot)
        hidden = {"source", "sequence"} if addressed else {"source", "sequence", "destination"}
        self._room = room
        self._rows: list[list[_Cell]] = [[]]
        self._inner = [entry for entry in layout.entries if not isinstance(entry, Slot)]
        used, follows = 0, controls(layout.entries)
        for slot in layout.entries:
            if not isinstance(slot, Slot) or not slot.given or slot.kind in hidden or slot.name in follows:
                continue
            label = "to " if slot.kind == "destination" else f"{slot.name} "
            width = len(label) + _widest(slot)
            if self._rows[-1] and used + width > room:
                self._rows.append([])
                used = 0
            used += width + 2
            self._rows[-1].append((label, slot.name, reading_of(slot), width))

    def rows(self, values: dict[str, Any]) -> Iterator[str]:
        """The fields of a message as lines of text; there is at least one."""
        rows = []
        for cells in self._rows:
            texts = [(label + words(values[name])).ljust(width) for label, name, words, width in cells]
            rows.append("  ".join(texts).rstrip())
        for entry in self._inner:
            text = nested(entry, values[entry.name])
            if not text:
                continue
            if not rows[-1] or len(rows[-1]) + 2 + len(text) <= self._room:
                rows[-1] = f"{rows[-1]}  {text}" if rows[-1] else text
            else:
                rows.append(text)
        for row in rows:
            if len(row) <= self._room:
                yield row.replace(_TIED, " ")
            else:
                yield from _pieces(row, self._room)


def nested(entry: Repeat | Gate, value: Any) -> str:
    """A list or group in words: `readings 1233 mm, 1234 mm`, `extra [t 21.5 Cel  lid open]`; "" where it is absent.

    Words that belong together are tied by no-break spaces.
    """
    if value is None:
        return ""
    if isinstance(entry, Gate):
        return f"{entry.name}{_TIED}[{_inside(entry.entries, value)}]"
    if not value:
        return f"{entry.name}{_TIED}none"
    follows = controls(entry.entries)
    slots = [one for one in entry.entries if not isinstance(one, Slot) or (one.given and one.name not in follows)]
    if len(slots) == 1 and isinstance(only := slots[0], Slot):
        words = reading_of(only)
        items = ", ".join(words(item[only.name]).replace(" ", _TIED) for item in value)
    else:
        items = " ".join(f"[{_inside(entry.entries, item)}]" for item in value)
    return f"{entry.name}{_TIED}{items}"


def _inside(entries: tuple[Entry, ...], values: dict[str, Any]) -> str:
    """What an item or group has in it."""
    follows, texts = controls(entries), []
    for entry in entries:
        if not isinstance(entry, Slot):
            texts.append(nested(entry, values[entry.name]))
        elif entry.given and entry.name not in follows:
            words = reading_of(entry)(values[entry.name])
            texts.append(f"{entry.name} {words}".replace(" ", _TIED))
    return "  ".join(text for text in texts if text)


def _parted(time: str | None) -> tuple[str, str]:
    """A printed time as its date ("" for none) and its time of day in hours, minutes and seconds ("-" for none)."""
    if time is None:
        return "", "-"
    found = _DATE.match(time)
    clock = _CLOCK.search(time, found.end() if found else 0)
    half = _HALF_DAY.search(time)
    return found[1] if found else "", (clock[0] + (half[0] if half else "")) if clock else "-"


def _hex(octets: bytes) -> str:
    """The octets of what was refused; of what is longer than any frame only the beginning."""
    if len(octets) <= _LONGEST_FRAME:
        return octets.hex(" ")
    return f"{octets[:_BEGINNING].hex(' ')} … {len(octets) - _BEGINNING} more"


def _of_kind(layout: Layout, kind: str) -> Slot | None:
    return next((slot for slot in layout.slots if slot.kind == kind), None)


def _digits(slot: Slot) -> int:
    return len(str((1 << slot.bits) - 1))


def _widest(slot: Slot) -> int:
    """Columns of the longest thing that this field can read; broadcasts are rare, and may stand out."""
    words = reading_of(slot)
    match slot.transform:
        case Scaled() if slot.kind == "destination":
            return _digits(slot)
        case Scaled() as scaled:
            ends = [words(scaled.quantity(steps)) for steps in (scaled.lowest, scaled.highest)]
            return max(map(len, [*ends, *(words(special.name) for special in scaled.specials)]))
        case Choice() as choice:
            return max(len(words(code.name)) for code in choice.codes)
        case Flag():
            return max(len(words(value)) for value in (False, True))
        case Text() as text:
            return text.octets + 2
        case Opaque() as opaque:
            return 3 * opaque.octets - 1
        case Binary32():
            return max(len(words(value)) for value in (-0.0009765625, -123456.789))
    return 0


def _pieces(text: str, room: int) -> list[str]:
    """A long text as lines of at most so many columns, broken at blanks where there are any."""
    return [line.replace(_TIED, " ") for line in textwrap.wrap(text, room, break_on_hyphens=False)] or [""]
