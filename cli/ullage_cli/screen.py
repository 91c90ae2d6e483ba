"""What every screen shares: plain letters where the console has no others, quiet columns, clear sentences."""

import re
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from ullage import Protocol

WIDTH = 100
"""No screen of ours is wider."""

_NEEDS_QUOTES = re.compile(r"[^\w./:=,+@%-]")

_PLAIN_LETTERS = str.maketrans(
    {
        "µ": "u",
        "μ": "u",
        "°": "deg ",
        "→": "->",
        "·": "-",
        "…": "...",
        "²": "2",
        "³": "3",
        "Ω": "Ohm",
        "–": "-",
        "×": "x",
    }
)


class Stop(Exception):
    """A wrong request (code 2) or a finding (code 1), in one sentence; the command line prints it and leaves."""

    def __init__(self, text: str, code: int = 2) -> None:
        self.code = code
        super().__init__(text)


class ReaderGone(Exception):
    """Whoever read our output (head, less) has seen enough: no failure, and nothing more to say."""


def fitting(text: str, stream: IO[str]) -> str:
    """The text as this stream can print it: 'µm' becomes 'um' where there is no µ, anything else unknown '?'."""
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return text.translate(_PLAIN_LETTERS).encode(encoding, "replace").decode(encoding)
    return text


def say(text: str = "", stream: IO[str] | None = None) -> None:
    """Print a line, at once."""
    out = stream or sys.stdout
    try:
        print(fitting(text, out), file=out, flush=True)
    except BrokenPipeError:
        raise ReaderGone from None


def complain(text: object) -> None:
    """Print a line on standard error."""
    say(str(text), sys.stderr)


def columns(rows: Sequence[Sequence[str]], right: Iterable[int] = (), indent: str = "") -> list[str]:
    """Rows as aligned columns, two spaces apart, no trailing blanks.

    rows: equally long rows of cells. right: numbers of the columns that stand to the right.
    """
    to_right = set(right)
    widths = [max((len(row[i]) for row in rows), default=0) for i in range(max(map(len, rows), default=0))]
    lines = []
    for row in rows:
        cells = [
            cell.rjust(width) if place in to_right else cell.ljust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=False))
        ]
        lines.append((indent + "  ".join(cells)).rstrip())
    return lines


def folded(rows: Sequence[Sequence[str]], right: Iterable[int] = (), indent: str = "", width: int = WIDTH) -> list[str]:
    """The same, with the last column broken over several lines where the table would be wider than `width`.

    A no-break space (U+00A0) keeps two words together and is printed as a space.
    """
    import textwrap

    start = len(indent) + sum(2 + max(len(row[place]) for row in rows) for place in range(len(rows[0]) - 1))
    room = max(width - start, 20)
    out: list[Sequence[str]] = []
    for row in rows:
        first, *more = textwrap.wrap(row[-1], room, break_on_hyphens=False) or [""]
        out.append([*row[:-1], first])
        out += ([""] * (len(row) - 1) + [text] for text in more)
    return [line.replace("\xa0", " ") for line in columns(out, right, indent)]


def joined(parts: Iterable[str], indent: str = "", width: int = WIDTH) -> list[str]:
    """Remarks joined by a middle dot; a new line, indented, where the next one would be wider than `width`."""
    lines: list[str] = []
    for part in parts:
        longer = f"{lines[-1]} · {part}" if lines else part
        if lines and len(longer) > width:
            lines.append(indent + part)
        else:
            lines[-1:] = [longer]
    return lines


def quoted(word: str) -> str:
    """A path or text as one word of a command line that can be typed again.

    Double quotes are understood by all shells; inside them the usual ones want a backslash before ", $ and `, and
    before a backslash only where one of these, or the closing quote, comes next.
    """
    if word and not _NEEDS_QUOTES.search(word):
        return word
    inside = re.sub(r'(\\*)(["$`])', r"\1\1\\\2", word)
    inside = re.sub(r"(\\+)$", r"\1\1", inside)
    return f'"{inside}"'


def command_line(*words: str) -> str:
    """A command as the reader can type it again, each word quoted where it must be."""
    return " ".join(map(quoted, words))


def colour(stream: IO[str]) -> bool:
    """Whether this stream is a terminal that shows colour (NO_COLOR is respected)."""
    import os

    return stream.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"


def marked(text: str, stream: IO[str]) -> str:
    """The text in the one colour we have, for what needs action; plain where there is no colour."""
    return f"\x1b[33m{text}\x1b[0m" if colour(stream) else text


def load_spec(path: str) -> "Protocol":
    """Read a spec for a command that needs a good one. Raises Stop with all faults, or when there is no such file."""
    import ullage

    if not Path(path).exists():
        raise Stop(f"{path}: there is no such file")
    if Path(path).is_dir():
        raise Stop(f"{path}: this is a folder; give a spec file")
    try:
        return ullage.load(path)
    except ullage.SpecError as error:
        raise Stop(f"{error}\n\n{faults_counted(error)}; nothing was written.") from None


def spec_text(path: str) -> str:
    """The text of a spec file, or of the spec that a page carries, as its lines are counted."""
    from ullage.spec.embedded import carried

    octets = Path(path).read_bytes()
    page = carried(octets)
    return (page.text if page else octets).decode(errors="replace").removeprefix("\ufeff")


def faults_counted(error: object) -> str:
    """How many faults a file has, as the beginning of the line after them."""
    faults, source = getattr(error, "faults", ()), getattr(error, "source", "")
    return f"{len(faults)} fault{'s' if len(faults) != 1 else ''} in {source}"


def write_whole(path: Path, text: str) -> None:
    """Write a file whole or not at all: under another name beside it first, then moved into place."""
    import os
    import tempfile

    if path.is_dir():
        raise Stop(f"{path}: this is a folder; give a file")
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except FileNotFoundError:
        raise Stop(f"{path.parent}: there is no such folder") from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as out:
            out.write(text)
        mask = os.umask(0)
        os.umask(mask)
        Path(name).chmod(0o666 & ~mask)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
