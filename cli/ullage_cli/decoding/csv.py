"""What `decode` writes as CSV (RFC 4180): the table of one frame, or a folder with a file for each frame.

Every quantity has its unit in its column's name, and its special codes in a column of their own, so that no number is
ever a condition. A list has columns for as many items as it may have, `readings_0_level_mm`; what is absent is empty.
"""

import csv
import io
import os
import re
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from ullage.layout import Binary32, Entry, Gate, Layout, Opaque, Repeat, Scaled, Slot
from ullage.logs.lines import Found, Link, Rejected
from ullage.values import Special

from ..screen import Stop
from .output import Sink

if TYPE_CHECKING:
    from ullage import Message, Refused

    from .source import Line

_UNIT_WORDS = str.maketrans(
    {
        "\u00b5": "u",
        "\u03bc": "u",
        "°": "deg",
        "²": "2",
        "³": "3",
        "%": "percent",
        "/": "_per_",
        "\u03a9": "ohm",
        "\u2126": "ohm",
    }
)
_Path = tuple[str | int, ...]
"""The way to a value: names, and numbers of items."""

_NOT_PLAIN = re.compile(r"[^A-Za-z0-9]+")


class CsvTable:
    """One frame's table: its heading at once, then a row a reading.

    sealing: whether the protocol has sealed frames, so that each row says whether a tag vouched for it.
    """

    def __init__(self, layout: Layout, out: IO[str], sealing: bool) -> None:
        self._writer = csv.writer(out)
        self._sealing = sealing
        self._cells: list[tuple[_Path, Callable[[Any], tuple[str, ...]], tuple[str, ...]]] = []
        heading = ["file", "line", "time", *(["sealed", "counter"] if sealing else [])]
        for path, slot in _leaves(layout.entries):
            names = _csv_names("_".join(map(str, path)), slot)
            self._cells.append((path, _csv_cells(slot), ("",) * len(names)))
            heading += [_unique(name, (*heading, "rssi_dbm", "snr_db")) for name in names]
        self._writer.writerow([*heading, "rssi_dbm", "snr_db"])

    def write(self, line: "Line", message: "Message") -> None:
        """One reading."""
        row: list[object] = [line.file, line.number, line.time or ""]
        if self._sealing:
            row += ["true", message.counter] if message.sealed else ["false", ""]
        for path, cells, empty in self._cells:
            value = _at(message.values, path)
            row += empty if value is None else cells(value)
        self._writer.writerow([*row, *_link_cells(line.link)])


class CsvStream(Sink):
    """The table of one frame on standard output."""

    def __init__(self, layout: Layout, out: IO[bytes], sealing: bool) -> None:
        self._out = out
        self._rows = io.StringIO(newline="")
        self._table = CsvTable(layout, self._rows, sealing)

    def reading(self, line: "Line", found: "Found[Message]") -> None:
        """An accepted frame."""
        self._table.write(line, found.message)

    def flush(self) -> None:
        """Let out what was written so far."""
        self._out.write(self._rows.getvalue().encode("utf-8", "surrogateescape"))
        self._rows.seek(0)
        self._rows.truncate()
        self._out.flush()


class CsvFolder(Sink):
    """A file for each frame and one for what was refused; they get their names when all lines are in them."""

    at_once = False

    def __init__(self, layouts: Iterable[Layout], folder: Path, sealing: bool) -> None:
        self._streams = ExitStack()
        self._hidden: list[tuple[Path, Path]] = []
        try:
            folder.mkdir(exist_ok=True)
            self._tables = {one.name: CsvTable(one, self._file(folder, one.name), sealing) for one in layouts}
            # No frame can have this name with its hyphen.
            self._refused = csv.writer(self._file(folder, "refused-lines" if "refused" in self._tables else "refused"))
        except FileExistsError:
            raise Stop(f"{folder}: this is a file; give a folder") from None
        except FileNotFoundError:
            raise Stop(f"{folder.parent}: there is no such folder") from None
        except BaseException:
            self.abandon()
            raise
        self._refused.writerow(["file", "line", "time", "refused", "reason", "field", "octets", "rssi_dbm", "snr_db"])

    def reading(self, line: "Line", found: "Found[Message]") -> None:
        """An accepted frame."""
        self._tables[found.message.frame].write(line, found.message)

    def refused(self, line: "Line", rejected: "Rejected[Refused]") -> None:
        """A refused frame."""
        refusal = rejected.refusal
        what = [str(refusal.reason), int(refusal.reason), refusal.field or "", rejected.octets.hex()]
        self._refused.writerow([line.file, line.number, line.time or "", *what, *_link_cells(line.link)])

    def end(self) -> None:
        """Give the files their names."""
        self._streams.close()
        mask = os.umask(0)
        os.umask(mask)
        while self._hidden:
            hidden, path = self._hidden[-1]
            hidden.chmod(0o666 & ~mask)
            hidden.replace(path)
            self._hidden.pop()

    def abandon(self) -> None:
        """Leave no half-written file behind."""
        self._streams.close()
        for hidden, _ in self._hidden:
            hidden.unlink(missing_ok=True)
        self._hidden.clear()

    def _file(self, folder: Path, name: str) -> IO[str]:
        path = folder / f"{name}.csv"
        if path.is_dir():
            raise Stop(f"{path}: this is a folder; a table is to be written there")
        handle, hidden = tempfile.mkstemp(dir=folder, prefix=f".{name}.", suffix=".csv")
        self._hidden.append((Path(hidden), path))
        return self._streams.enter_context(
            os.fdopen(handle, "w", encoding="utf-8", errors="surrogateescape", newline="")
        )


def _link_cells(link: Link) -> list[object]:
    return ["" if figure is None else figure for figure in (link.rssi_dbm, link.snr_db)]


def _leaves(entries: tuple[Entry, ...], path: _Path = ()) -> Iterator[tuple[_Path, Slot]]:
    """Every field that a message can have, with the way to its value; of a list as many items as there can be."""
    for entry in entries:
        here = (*path, entry.name)
        if isinstance(entry, Repeat):
            for item in range(entry.at_most):
                yield from _leaves(entry.entries, (*here, item))
        elif isinstance(entry, Gate):
            yield from _leaves(entry.entries, here)
        elif entry.given:
            yield here, entry


def _at(values: Any, path: _Path) -> Any:
    """The value at the end of a way; None where an item or group on it is not there."""
    for step in path:
        if values is None or (isinstance(step, int) and step >= len(values)):
            return None
        values = values[step]
    return values


def _csv_names(name: str, slot: Slot) -> list[str]:
    """The columns of a field: its name with its unit in plain letters, and one for its special codes."""
    number = slot.transform
    if not isinstance(number, Scaled | Binary32):
        return [name]
    unit = _NOT_PLAIN.sub("_", number.unit.translate(_UNIT_WORDS)).strip("_")
    with_unit = f"{name}_{unit}" if unit else name
    return [with_unit, f"{name}_special"] if isinstance(number, Scaled) and number.specials else [with_unit]


def _csv_cells(slot: Slot) -> Callable[[Any], tuple[str, ...]]:
    """The function from a value to the cells of its columns."""
    transform = slot.transform
    if isinstance(transform, Scaled) and transform.specials:
        return lambda value: ("", str(value)) if isinstance(value, Special) else (repr(value), "")
    if isinstance(transform, Scaled | Binary32):
        return lambda value: (repr(value),)
    if isinstance(transform, Opaque):
        return lambda value: (value.hex(),)
    return lambda value: (("true" if value else "false") if isinstance(value, bool) else str(value),)


def _unique(name: str, taken: Iterable[str]) -> str:
    """A name for a column that no other column has."""
    while name in taken:
        name += "_field"
    return name
