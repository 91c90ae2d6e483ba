"""The vectors as one C program for any target: it tries the header's encoders and decoders and says one line.

Each vector is a row of a table that points into one array of octets: the frame's, and the contents of its struct,
member by member. For each struct two small functions fill it from there and compare it; the rest never changes.
"""

import functools
import struct
from dataclasses import dataclass, field
from typing import Any

import jinja2

from ullage import Protocol, Refused, Status, __version__
from ullage.layout import Binary32, Choice, Flag, Gate, Opaque, Repeat, Scaled, Text
from ullage.quantity import exact

from ..emitted import Emitted
from ..templating import environment
from ..vectors.document import DecodeVector, EncodeVector, vectors
from ..vectors.seal import Held
from .content import content_of
from .header import CHeader, model
from .model import CType, Inner, Member, Scope, unsigned
from .self_test_lines import fill_lines, octet_lines, same_lines, struct_path, widest
from .text import said, slot_rows

_LONGEST_NAME = 95
_FUNCTIONS = (
    *("next", "soil", "soiled", "load", "fill", "same", "alone", "write", "written"),
    *("tries_decode", "tries_encode", "passes", "add", "add_number", "part"),
)
_SEALED_FUNCTIONS = (
    "held",
    "hold",
    "find",
    "receive",
    "memory",
    "load_record",
    "store_record",
    "seal",
    "tries_receive",
)
_SEALED_CONSTANTS = ("receive", "receive_at", "seal")
_CONSTANTS = ("vectors", "say", "main", "names", "name", "flash", "octet", "decode", "decode_at", "encode")


@dataclass(frozen=True, slots=True)
class Row:
    """One vector in the table. octets, contents: where they begin in the array. frame: its constant, or 0u.

    held: where the key begins and what belongs to it, 0 where there is none.
    """

    octets: int
    contents: int
    count: int
    what: str
    frame: str
    status: str
    station: str
    name: str
    held: int = 0


@dataclass
class Pool:
    """The array of octets; the same run of octets is in it once. lines: what each run is, and the run."""

    size: int = 0
    lines: list[tuple[str, bytes]] = field(default_factory=list)
    places: dict[bytes, int] = field(default_factory=dict)

    def add(self, octets: bytes, what: str) -> int:
        """Where these octets begin."""
        if octets not in self.places:
            self.places[octets] = self.size
            self.size += len(octets)
            self.lines += [(what, octets)] if octets else []
        return self.places[octets]


@dataclass
class SelfTest:
    """All that the template needs beside the header: the rows, the array, and how many vectors C cannot be asked."""

    header: CHeader
    rows: list[Row] = field(default_factory=list)
    pool: Pool = field(default_factory=Pool)
    left_out: int = 0

    @property
    def most_octets(self) -> int:
        """The longest run that a decoder gets."""
        return max((row.count for row in self.rows if row.what not in ("encode", "seal")), default=1)


def emitted_self_test(protocol: Protocol, spec_name: str) -> Emitted:
    """The C program as a file to write.

    protocol: what the spec describes. spec_name: the spec's file name, for the first lines. Returns C99 and C++11 text,
    the same for the same spec and tool version. Raises NameClash and VectorFault.
    """
    test = _self_test(protocol)
    low = protocol.name
    scopes = [scope for frame in test.header.frames for scope in frame.scope.every]
    slot = protocol.destination_slot
    text = (
        _environment()
        .get_template("self_test.c.j2")
        .render(
            p=protocol,
            version=__version__,
            spec_name=spec_name,
            test=test,
            frames=test.header.frames,
            scopes=scopes,
            low=low,
            up=low.upper(),
            me=f"{low}_self_test",
            ME=f"{low}_self_test".upper(),
            fine=test.header.statuses[Status.FINE],
            wide=widest(scopes, test.header.sealed),
            sealed=test.header.sealed,
            replay=test.header.statuses.get(Status.REPLAY),
            place=CType(16 if test.pool.size < 1 << 16 else 32, False),
            station=unsigned(slot.bits) if slot else None,
            out_octets=max(layout.octets for layout in protocol.frames.values()),
            name_size=max(len(row.name) for row in test.rows) + 1,
            slot_rows=lambda frame: slot_rows(protocol, frame.layout),
            fill=lambda scope: fill_lines(scope, low),
            same=lambda scope: same_lines(scope, low),
            path=lambda scope: struct_path(scope, low),
            octet_lines=octet_lines,
        )
    )
    skipped = f" · {test.left_out} vectors cannot be asked in C" if test.left_out else ""
    return Emitted(f"{low}_self_test.c", text, f"{len(test.rows)} vectors{skipped}")


@functools.cache
def _environment() -> jinja2.Environment:
    return environment(__file__, said=said, quoted=lambda text: '"' + text.replace('"', '\\"') + '"')


def _self_test(protocol: Protocol) -> SelfTest:
    """The rows of all vectors that C can be asked."""
    header = model(protocol)
    _register(header)
    test = SelfTest(header)
    if header.sealed:
        test.pool.add(b"\0", "no key: place 0 is none")
    made = vectors(protocol)
    scopes = {frame.layout.name: frame.scope for frame in header.frames}
    for vector in made.decode:
        test.rows.append(_decode_row(test, vector, scopes))
    for one in made.encode:
        held = contents(scopes[one.frame], one.values)
        if held is None:
            test.left_out += 1
        else:
            test.rows.append(_encode_row(test, one, held))
    return test


def _register(header: CHeader) -> None:
    """Hold the program's names against those of the header. Raises NameClash."""
    maker, low = "the self-test", header.protocol.name
    sealed = (_SEALED_FUNCTIONS, _SEALED_CONSTANTS) if header.sealed else ((), ())
    for word in ("", *_FUNCTIONS, *sealed[0], "row", "rows", "kind", "data"):
        header.names.function("self_test", *([word] if word else []), maker=maker)
    for word in (*_CONSTANTS, *sealed[1]):
        header.names.constant("self_test", word, maker=maker)
    for frame in header.frames:
        for scope in frame.scope.every:
            for word in ("fill", "same"):
                header.names.function(
                    "self_test", word, struct_path(scope, low), maker=f"the self-test of {scope.struct}"
                )


def _decode_row(test: SelfTest, vector: DecodeVector, scopes: dict[str, Scope]) -> Row:
    header = test.header
    held = 0
    if vector.values is not None and vector.frame is not None:
        found = contents(scopes[vector.frame], vector.values)
        assert found is not None
        held = test.pool.add(found, f"{vector.name}: the struct")
    keyed = vector.key is not None
    frame = vector.frame if keyed or _alone_agrees(header.protocol, vector) else None
    what = "receive" if keyed else "decode"
    return Row(
        test.pool.add(vector.octets, vector.name),
        held,
        len(vector.octets),
        what if vector.at is None else f"{what}_at",
        f"{header.protocol.name}_frame_{frame}".upper() if frame else "0u",
        header.statuses[vector.status],
        unsigned(32).literal(vector.at or 0),
        _name(vector.name),
        _held_place(test, vector.name, vector.key, vector.highest, vector.counter or 0),
    )


def _held_place(test: SelfTest, name: str, key: Held | None, highest: int | None, number: int) -> int:
    """Where in the array stands what a receiver or a sender holds: key, group, station, has heard, highest, number.

    The highest number is there only where one was heard. Beyond the counter's end its last number stands for it.
    """
    sealed = test.header.sealed
    if key is None or sealed is None:
        return 0
    counter = sealed.counter.bits // 8
    octets = key.octets + bytes([key.station is None]) + (key.station or 0).to_bytes(sealed.owner.bits // 8, "big")
    octets += b"\0" if highest is None else b"\1" + highest.to_bytes(counter, "big")
    octets += min(number, (1 << sealed.seal.counter_bits) - 1).to_bytes(counter, "big")
    return test.pool.add(octets, f"{name}: what is held")


def _encode_row(test: SelfTest, vector: EncodeVector, held: bytes) -> Row:
    header = test.header
    octets = vector.octets or b""
    return Row(
        test.pool.add(octets, vector.name),
        test.pool.add(held, f"{vector.name}: the struct"),
        _room(header.protocol, vector),
        "encode" if vector.key is None else "seal",
        f"{header.protocol.name}_frame_{vector.frame}".upper(),
        header.statuses[vector.status],
        "0u",
        _name(vector.name),
        _held_place(test, vector.name, vector.key, None, vector.counter or 0),
    )


def _room(protocol: Protocol, vector: EncodeVector) -> int:
    """Octets of the buffer: as many as are written; room is asked for before a number is, and after the values."""
    if vector.capacity is not None:
        return vector.capacity
    if vector.status is Status.COUNTER_SPENT:
        return protocol.frames[vector.frame].octets
    return len(vector.octets or b"")


def _name(text: str) -> str:
    plain = said(text)
    return plain if len(plain) <= _LONGEST_NAME else plain[: _LONGEST_NAME - 2] + ".."


def _alone_agrees(protocol: Protocol, vector: DecodeVector) -> bool:
    """Whether the frame's own decoder gives the same answer: it asks alike once it is known which frame this is."""
    if vector.frame is None:
        return False
    frames = {vector.frame: protocol.frames[vector.frame]}
    alone = Protocol(protocol.name, protocol.revision, "", frames, protocol.integrity)
    try:
        alone.decode(vector.octets, vector.at)
    except Refused as refused:
        return refused.reason is vector.status
    return vector.status is Status.FINE


# ---- the contents of structs ----------------------------------------------------------------------------------------


def contents(scope: Scope, values: dict[str, Any]) -> bytes | None:
    """What a struct holds, member by member, high octet first; None where no struct can hold these values.

    A list is its count and its items, as far as the array has room; a group is there when its flag is set.
    """
    out = b""
    for entry in scope.entries:
        part: bytes | None = b""
        if isinstance(entry, Member):
            part = _held(entry, _given(scope, entry, values))
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            part = _list_contents(entry, entry.entry, values[entry.name])
        elif isinstance(entry, Inner) and values[entry.name] is not None:
            part = contents(entry.scope, values[entry.name])
        if part is None:
            return None
        out += part
    return out


def _given(scope: Scope, member: Member, values: dict[str, Any]) -> Any:
    """The member's value; that of a group's flag follows from the group where it is left out."""
    if member.slot.name in values:
        return values[member.slot.name]
    groups = (entry for entry in scope.inner if isinstance(entry.entry, Gate) and entry.entry.when == member.slot.name)
    return values[next(groups).name] is not None


def _list_contents(entry: Inner, repeat: Repeat, items: tuple[dict[str, Any], ...]) -> bytes | None:
    if len(items) > 255:
        return None
    parts = [contents(entry.scope, item) for item in items[: repeat.at_most]]
    return None if None in parts else bytes([len(items)]) + b"".join(part for part in parts if part)


def _held(member: Member, value: Any) -> bytes | None:
    """The octets of one member's content, or None where it cannot hold what would mean this value."""
    transform = member.slot.transform
    if isinstance(transform, Text):
        held = str(value).encode("latin-1").ljust(member.length, b"\0")
        return held if len(held) == member.length else None
    if isinstance(transform, Opaque):
        return bytes(value) if len(value) == member.length else None
    if isinstance(transform, Binary32):
        try:
            return struct.pack(">f", value)
        except OverflowError:
            return None
    content = _number_held(member, value)
    if content is None or not member.ctype.holds(content):
        return None
    return content.to_bytes(member.ctype.bits // 8, "big", signed=member.ctype.signed)


def _number_held(member: Member, value: Any) -> int | None:
    match member.slot.transform:
        case Scaled(step=step) if not isinstance(value, str):
            steps = exact(value) / step
            taken = {condition.value for condition in member.conditions}
            return steps.numerator if steps.denominator == 1 and steps.numerator not in taken else None
        case Choice() if not isinstance(value, str):
            return int(value)
        case Flag():
            return int(value)
    content = content_of(member, value)
    assert isinstance(content, int)
    return content
