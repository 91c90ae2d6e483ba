"""Many frames at once, in NumPy columns: exactly the scalar codec's answers, for frames of one length.

A reason for each row, and for each field a masked array: what was refused, and where a special code stands in the place
of a quantity, is masked, so that no mean ever counts it. Needs the extra `columns`.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

try:
    import numpy as np
except ImportError as error:
    raise ImportError("ullage.columns needs NumPy; pip install 'ullage[columns]' gets it") from error

from ..bodies import FixedBody, length_of
from ..errors import EncodeError, Refused
from ..layout import Fixed, Layout, Length, Slot
from ..status import Status
from .octets import Array, check_fits, codes_of, grid_of, put_check, put_codes, put_octets
from .values import column_of
from .writing import codes_for, column_array, same_length

if TYPE_CHECKING:
    from ..codec import Message
    from ..protocol import Protocol

_MOST_OCTETS = 255


@dataclass(frozen=True)
class Columns:
    """The rows of one frame.

    frame: its name. reason: uint8, (n,), the `Status` of each row, 0 where it was accepted. values: for each field, in
    wire order, a masked array (n,): int64 for whole numbers (uint64 or object where they need it), float64 for other
    quantities, bool for flags, object for choices (names) and octets (bytes), NumPy's own strings for text. Masked are
    the rows that were refused, and those with a special code. special: for each field that has special codes, object,
    (n,): the name in rows with one, else None.
    """

    frame: str
    reason: Array
    values: dict[str, "np.ma.MaskedArray[Any, Any]"]
    special: dict[str, Array]

    def __len__(self) -> int:
        return len(self.reason)

    @property
    def fine(self) -> Array:
        """Which rows were accepted: bool, (n,)."""
        accepted: Array = self.reason == Status.FINE
        return accepted

    def row(self, index: int) -> dict[str, Any]:
        """The values of one row as `Protocol.decode` gives them. Raises ValueError where it was refused."""
        if self.reason[index]:
            raise ValueError(f"row {index} was refused: {Status(int(self.reason[index]))}")
        found: dict[str, Any] = {}
        for name, column in self.values.items():
            special = self.special[name][index] if name in self.special else None
            value = column.data[index]
            found[name] = special or (value.item() if isinstance(value, np.generic) else value)
        return found


@dataclass(frozen=True)
class Sorted:
    """Frames of several kinds and lengths.

    reason: uint8, (n,), the `Status` of each. columns: for each frame of fixed length that came, its accepted rows.
    rows: for each of these, int64, which of the given frames they are. messages: the accepted ones of variable length,
    by their number.
    """

    reason: Array
    columns: dict[str, Columns] = field(default_factory=dict)
    rows: dict[str, Array] = field(default_factory=dict)
    messages: "dict[int, Message]" = field(default_factory=dict)


def decode(protocol: "Protocol", frame: str, octets: Any, at: int | None = None) -> Columns:
    """Read many frames of one kind: what a decoder of this frame alone says to each row.

    frame: its name; a frame of fixed length. octets: uint8 array, (n, length), a frame a row, CRC included; any length
    may come, but only that of the frame is accepted. at: the receiving station; frames for others are then refused.
    Returns the columns; of a sealed frame, which only a `Receiver` with keys opens, all rows are refused. Raises
    ValueError for an unknown frame, one of variable length, octets of another shape or type, when `at` is no station,
    and when the protocol has no destination.
    """
    layout = _layout(protocol, frame)
    rows = np.asarray(octets)
    if rows.dtype != np.uint8 or rows.ndim != 2:
        shape = "x".join(map(str, rows.shape))
        raise ValueError(f"octets are {rows.dtype}, {shape or 'one'}; give an array of uint8 with a frame in each row")
    others = min(one.tag_octets for one in protocol.frames.values())
    return _read(protocol, layout, rows, at, protocol.least_octets - others + layout.tag_octets)


def _read(protocol: "Protocol", layout: Layout, rows: Array, at: int | None, least: int) -> Columns:
    """least: octets below which a row is too short: of this frame's own decoder, or of that of all frames."""
    to = None if at is None else protocol.codec.station_slot(at)
    return _Reader(protocol, layout, to, at, least).read(rows)


def decode_many(protocol: "Protocol", frames: Iterable[bytes], at: int | None = None) -> Sorted:
    """Read frames of any kind and length, as `Protocol.decode` does one by one.

    frames: octets of each. at: the receiving station. Returns reasons for all, and columns for each kind of frame.
    Raises ValueError when `at` is no station, or when the protocol has no destination.
    """
    given = [memoryview(octets).tobytes() for octets in frames]
    found = Sorted(np.zeros(len(given), np.uint8))
    by_length: dict[int, list[int]] = {}
    for number, octets in enumerate(given):
        by_length.setdefault(len(octets), []).append(number)
    pieces: dict[str, list[tuple[Array, Columns]]] = {}
    for length, numbers in by_length.items():
        rows = np.array(numbers, np.int64)
        table = np.frombuffer(b"".join(given[number] for number in numbers), np.uint8).reshape(len(numbers), length)
        for name, chosen in _by_frame(protocol, table):
            if not protocol.frames[name].fixed:
                _one_by_one(protocol, given, rows[chosen].tolist(), at, found)
                continue
            columns = _read(protocol, protocol.frames[name], table[chosen], at, protocol.least_octets)
            found.reason[rows[chosen]] = columns.reason
            if columns.fine.any():
                pieces.setdefault(name, []).append((rows[chosen][columns.fine], _kept(columns)))
    for name, several in pieces.items():  # one frame has one length, so there is one piece
        ((found.rows[name], found.columns[name]),) = several
    return found


def encode(
    protocol: "Protocol", frame: str, values: Mapping[str, Any], special: Mapping[str, Any] | None = None
) -> tuple[Array, Array]:
    """Write many frames of one kind: the octets that `Protocol.encode` gives for each row.

    frame: its name; a frame of fixed length. values: for each field that encoding needs, an array (n,) of what the
    scalar codec takes, or one value for all rows. special: for fields with special codes, (n,), the name in rows with
    one, else None; such a name may also stand among the values. Returns octets, uint8, (n, length), and status, uint8,
    (n,): 0, or `out_of_range` with zeros in the row. Raises EncodeError for names that are missing or unknown, columns
    of different lengths, values that are none of the field's kind or are masked, and for a sealed frame, which only a
    `Sender` makes; ValueError for a frame of variable length.
    """
    layout = _layout(protocol, frame)
    if layout.sealing is not None:
        protocol.encode(frame, {})  # raises, whatever the values
    FixedBody(layout).wrong_names(values)
    columns = {slot.name: column_array(values[slot.name], slot.name) for slot in layout.values}
    names = {name: column_array(given, name) for name, given in (special or {}).items()}
    for name in names:
        if not any(slot.name == name and getattr(slot.transform, "specials", ()) for slot in layout.values):
            raise EncodeError(f"{name} has no special codes", frame=frame, field=name)
    count = same_length({**columns, **{f"{name} (special)": given for name, given in names.items()}})
    grid = np.zeros((layout.octets, count), np.uint8)
    refused = np.zeros(count, bool)
    for slot in layout.slots:
        if isinstance(slot.transform, Fixed):
            put_codes(slot, np.full(count, slot.transform.value, np.uint64), grid)
        elif isinstance(slot.transform, Length):
            put_codes(slot, np.full(count, length_of(slot, layout.octets), np.uint64), grid)
        else:
            special_names = _spread(names[slot.name], count) if slot.name in names else None
            written = codes_for(slot, _spread(columns[slot.name], count), special_names, frame)
            put = put_codes if written.codes.ndim == 1 else put_octets
            put(slot, written.codes, grid)
            refused |= written.refused
    if protocol.integrity is not None:
        put_check(protocol.integrity, grid)
    octets = np.ascontiguousarray(grid.T)
    octets[refused] = 0
    return octets, np.where(refused, np.uint8(Status.OUT_OF_RANGE), np.uint8(Status.FINE))


def _spread(column: Array, count: int) -> Array:
    """A column of as many rows, where it may be one value for all."""
    return column if column.ndim else np.full(count, column[()], column.dtype)


def _layout(protocol: "Protocol", frame: str) -> Layout:
    layout = protocol.frames.get(frame)
    if layout is None:
        raise ValueError(f"{protocol.name} has no frame {frame!r}; it has {', '.join(protocol.frames)}")
    if not layout.fixed:
        size = f"{layout.least_octets}..{layout.octets} octets"
        raise ValueError(f"{frame} has lists or groups ({size}), and columns are for frames of one length")
    return layout


def _by_frame(protocol: "Protocol", table: Array) -> list[tuple[str, Array]]:
    """Which rows are which frame, by their message code; those of no frame go to the first, which refuses them."""
    names = list(protocol.frames)
    slot, length = protocol.message_slot, table.shape[1]
    if slot is None or length < protocol.least_octets:
        return [(names[0], np.arange(len(table)))]
    codes = codes_of(slot, grid_of(table[:, : (slot.end + 7) // 8]))
    place = np.zeros(len(table), np.int64)
    for number, layout in enumerate(protocol.frames.values()):
        place[codes == layout.message] = number
    return [(name, rows) for number, name in enumerate(names) if len(rows := np.flatnonzero(place == number))]


def _one_by_one(protocol: "Protocol", given: list[bytes], numbers: list[int], at: int | None, found: Sorted) -> None:
    for number in numbers:
        try:
            found.messages[number] = protocol.decode(given[number], at)
        except Refused as refused:
            found.reason[number] = refused.reason


class _Reader:
    """Reads rows of one frame."""

    def __init__(self, protocol: "Protocol", layout: Layout, to: Slot | None, at: int | None, least: int) -> None:
        self.protocol, self.layout, self.to, self.at, self.least = protocol, layout, to, at, least

    def read(self, rows: Array) -> Columns:
        """Reasons in the order of the rules, and values."""
        grid = grid_of(rows)
        reason = np.zeros(len(rows), np.uint8)
        self._frame_wide(grid, reason)
        whole = len(grid) == self.layout.octets and self.layout.sealing is None
        columns = {}
        for slot in self.layout.slots if whole else ():
            if isinstance(slot.transform, Fixed):
                _blame(reason, codes_of(slot, grid) != slot.transform.value, slot.transform.reason)
            elif slot.given:
                columns[slot.name] = column = column_of(slot, grid)
                if column.good is not None:
                    _blame(reason, ~column.good, Status.NOT_A_VALUE)
        if not whole:
            nothing = np.zeros((self.layout.octets, len(rows)), np.uint8)
            columns = {slot.name: column_of(slot, nothing) for slot in self.layout.values}
        refused = reason != Status.FINE
        special = {name: column.special for name, column in columns.items() if column.special is not None}
        for names in special.values():
            names[refused] = None
        values = {name: _masked(column.data, refused, column.conditions) for name, column in columns.items()}
        return Columns(self.layout.name, reason, values, special)

    def _frame_wide(self, grid: Array, reason: Array) -> None:
        """The questions before those about slots."""
        protocol, layout, count = self.protocol, self.layout, len(grid)
        if count < self.least:
            reason[:] = Status.TOO_SHORT
        elif count > _MOST_OCTETS:
            reason[:] = Status.TOO_LONG
        else:
            if protocol.integrity is not None:
                _blame(reason, ~check_fits(protocol.integrity, grid), Status.INTEGRITY)
            for slot in (protocol.revision_slot, protocol.message_slot):
                mine = next((one for one in layout.slots if slot is not None and one.name == slot.name), None)
                if mine is not None and isinstance(mine.transform, Fixed):
                    _blame(reason, codes_of(mine, grid) != mine.transform.value, mine.transform.reason)
            if count != layout.octets:
                _blame(reason, np.ones(len(reason), bool), Status.WRONG_LENGTH)
            else:
                self._length_and_address(grid, reason)

    def _length_and_address(self, grid: Array, reason: Array) -> None:
        length = self.layout.length_slot
        if length is not None and isinstance(length.transform, Length):
            _blame(reason, codes_of(length, grid) != length_of(length, len(grid)), Status.WRONG_LENGTH)
        if self.to is not None:
            codes, everybody = codes_of(self.to, grid), getattr(self.to.transform, "broadcast", None)
            other = codes != self.at
            _blame(reason, other if everybody is None else other & (codes != everybody), Status.NOT_ADDRESSED)
        if self.layout.sealing is not None:  # columns hold no keys
            _blame(reason, np.ones(len(reason), bool), Status.NO_KEY)


def _blame(reason: Array, bad: Array, status: Status) -> None:
    """Give rows that are bad, and were fine so far, their reason."""
    if bad.any():
        reason[bad & (reason == Status.FINE)] = status


def _masked(data: Array, refused: Array, conditions: Array | None) -> "np.ma.MaskedArray[Any, Any]":
    """Values with what is none masked, and nothing of it left below the mask."""
    mask = refused.copy() if conditions is None else refused | conditions
    if refused.any():
        data[refused] = None if data.dtype == object else np.zeros((), data.dtype)
    return np.ma.MaskedArray(data, mask, fill_value=np.nan if data.dtype == np.float64 else None)


def _kept(columns: Columns) -> Columns:
    """The accepted rows alone."""
    fine = columns.fine
    values = {name: column[fine] for name, column in columns.values.items()}
    special = {name: names[fine] for name, names in columns.special.items()}
    return Columns(columns.frame, columns.reason[fine], values, special)
