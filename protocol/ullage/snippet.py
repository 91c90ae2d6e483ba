"""One fault or advice as people read it: first line `file:line:column: fault`, the user's line, a caret, what helps.

The first line is one line however long, for editors and other programs match it; everything below fits in 100 columns.
"""

import textwrap
import unicodedata

from .errors import Fault

WIDTH = 100
_MARGIN = 8  # what stands before the user's own letters: "   31 | "
_TAB = 4
_CUT = "…"


def rendered(fault: Fault, source: str, text: str | None) -> list[str]:
    """The lines that tell one fault.

    source: the file's name. text: what was read, without its byte order mark; None where it is not known, and then
    the place is told in words.
    """
    if fault.line is None:
        return [f"{source}: {fault.place}: {fault.text}" if fault.place else f"{source}: {fault.text}", *_below(fault)]
    line = _line(text, fault.line)
    words = _named(fault.place, line) if line is not None else fault.place
    first = f"{source}:{fault.line}:{fault.column or 1}: {words + ': ' if words else ''}{fault.text}"
    shown = _shown(line, fault) if line is not None and fault.span else []
    return [first, *shown, *_below(fault)]


def _below(fault: Fault) -> list[str]:
    lines = []
    if fault.note:
        # The two words of an entry between middle dots stay together.
        entries = fault.note.split(" · ")
        note = " · ".join(entry.replace(" ", "\0") if len(entries) > 1 else entry for entry in entries)
        indent = " " * 8
        wrapped = textwrap.wrap(note, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)
        lines += [line.replace("\0", " ") for line in wrapped]
    if fault.help:
        lines += textwrap.wrap(
            f"help: {fault.help}", WIDTH, initial_indent="  ", subsequent_indent=" " * 8, break_on_hyphens=False
        )
    return lines


def _line(text: str | None, number: int) -> str | None:
    lines = text.split("\n") if text is not None else []
    return lines[number - 1].removesuffix("\r") if number <= len(lines) else None


def _named(place: str, line: str) -> str:
    """The frame or field of a place in words, where the line that is shown does not name it."""
    parts = [part for part in place.split(", ") if part.startswith(("frame ", "field ", "part "))]
    if not parts:
        return ""
    _, _, name = parts[-1].partition(" ")
    return "" if name in line or not name.startswith('"') else parts[-1]


def _shown(line: str, fault: Fault) -> list[str]:
    """The numbered line and the caret below it."""
    cells = _cells(line)
    begin = min((fault.column or 1) - 1, len(cells))
    end = max(min(begin + (fault.span or 1), len(cells)), begin)
    # A wide character is one letter in two columns: a NUL holds the second one, and is taken out when all is placed.
    start, marked = sum(map(len, cells[:begin])), sum(map(len, cells[begin:end]))
    text, start, marked = _window("".join(cells), start, max(1, marked))
    number = f"{fault.line:>5}"
    return [
        f"{number} | {text}".replace("\0", "").rstrip(),
        f"{' ' * len(number)} | {' ' * start}{'^' * marked}",
    ]


def _cells(line: str) -> list[str]:
    """Each character as it is shown: as many letters as it takes columns, a NUL standing for a second half."""
    cells: list[str] = []
    column = 0
    for letter in line:
        if letter == "\t":
            cell = " " * (_TAB - column % _TAB)
        elif unicodedata.category(letter) in ("Mn", "Me", "Cf"):
            cell = ""
        elif not letter.isprintable():
            cell = "\ufffd"
        else:
            cell = letter + "\0" * (unicodedata.east_asian_width(letter) in ("W", "F"))
        column += len(cell)
        cells.append(cell)
    return cells


def _window(text: str, start: int, marked: int) -> tuple[str, int, int]:
    """The part of a long line around the caret, with a sign where it is cut; where the caret then stands."""
    room = WIDTH - _MARGIN
    if len(text) <= room:
        return text, start, marked
    marked = min(marked, room - 2)
    left = max(0, min(start - (room - marked) // 2, len(text) - room))
    if start + marked < room:
        left = 0
    part = text[left : left + room]
    if left:
        part = _CUT + (" " + part[2:] if part[1] == "\0" else part[1:])
    if left + room < len(text):
        part = (part[:-2] + " " if part[-1] == "\0" else part[:-1]) + _CUT
    return part, start - left, marked
