"""The vectors as one C program for any target: it tries the header's encoders and decoders and says one line.

Each vector is a row of a table that points into one array of octets: the frame's, and the contents of its struct,
member by member. For each struct two small functions fill it from there and compare it; the rest never changes.
"""

import functools
import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import jinja2

from ullage import Protocol, Refused, Status, __version__
from ullage.layout import Binary32, Choice, Flag, Gate, Opaque, Repeat, Scaled, Text
from ullage.quantity import exact

from .ccontent import content_of
from .cheader import CHeader, model
from .cmodel import CType, Inner, Member, Scope, unsigned
from .ctext import said, slot_rows
from .emitted import Emitted
from .vectors import DecodeVector, EncodeVector, vectors

_LONGEST_NAME = 95
_FUNCTIONS = (
    *("next", "soil", "soiled", "load", "fill", "same", "alone", "write", "written"),
    *("tries_decode", "tries_encode", "passes", "add", "add_number", "part"),
)
_CONSTANTS = ("vectors", "say", "main", "names", "name", "flash", "octet", "decode", "decode_at", "encode")


@dataclass(frozen=True, slots=True)
class Row:
    """One vector in the table. octets, contents: where they begin in the array. frame: its constant, or 0u."""

    octets: int
    contents: int
    count: int
    what: str
    frame: str
    status: str
    station: str
    name: str


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
        return max((row.count for row in self.rows if row.what != "encode"), default=1)


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
            wide=_widest(scopes),
            place=CType(16 if test.pool.size < 1 << 16 else 32, False),
            station=unsigned(slot.bits) if slot else None,
            out_octets=max(layout.octets for layout in protocol.frames.values()),
            name_size=max(len(row.name) for row in test.rows) + 1,
            slot_rows=lambda frame: slot_rows(protocol, frame.layout),
            fill=lambda scope: _fill_lines(scope, low),
            same=lambda scope: _same_lines(scope, low),
            path=lambda scope: _path(scope, low),
            octet_lines=_octet_lines,
        )
    )
    skipped = f" · {test.left_out} vectors cannot be asked in C" if test.left_out else ""
    return Emitted(f"{low}_self_test.c", text, f"{len(test.rows)} vectors{skipped}")


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(__file__).parent / "templates"),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,
    )
    environment.filters["said"] = said
    environment.filters["quoted"] = lambda text: '"' + text.replace('"', '\\"') + '"'
    return environment


def _self_test(protocol: Protocol) -> SelfTest:
    """The rows of all vectors that C can be asked."""
    header = model(protocol)
    _register(header)
    test = SelfTest(header)
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
    for word in ("", *_FUNCTIONS, "row", "rows", "kind", "data"):
        header.names.function("self_test", *([word] if word else []), maker=maker)
    for word in _CONSTANTS:
        header.names.constant("self_test", word, maker=maker)
    for frame in header.frames:
        for scope in frame.scope.every:
            for word in ("fill", "same"):
                header.names.function("self_test", word, _path(scope, low), maker=f"the self-test of {scope.struct}")


def _path(scope: Scope, low: str) -> str:
    return scope.struct.removeprefix(f"{low}_")


def _decode_row(test: SelfTest, vector: DecodeVector, scopes: dict[str, Scope]) -> Row:
    header = test.header
    held = 0
    if vector.values is not None and vector.frame is not None:
        found = contents(scopes[vector.frame], vector.values)
        assert found is not None
        held = test.pool.add(found, f"{vector.name}: the struct")
    frame = vector.frame if _alone_agrees(header.protocol, vector) else None
    return Row(
        test.pool.add(vector.octets, vector.name),
        held,
        len(vector.octets),
        "decode" if vector.at is None else "decode_at",
        f"{header.protocol.name}_frame_{frame}".upper() if frame else "0u",
        header.statuses[vector.status],
        unsigned(32).literal(vector.at or 0),
        _name(vector.name),
    )


def _encode_row(test: SelfTest, vector: EncodeVector, held: bytes) -> Row:
    header = test.header
    octets = vector.octets or b""
    return Row(
        test.pool.add(octets, vector.name),
        test.pool.add(held, f"{vector.name}: the struct"),
        len(octets) if vector.capacity is None else vector.capacity,
        "encode",
        f"{header.protocol.name}_frame_{vector.frame}".upper(),
        header.statuses[vector.status],
        "0u",
        _name(vector.name),
    )


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


# ---- the functions of a struct --------------------------------------------------------------------------------------


def _widest(scopes: list[Scope]) -> CType:
    return CType(max([16, *(member.ctype.bits for scope in scopes for member in scope.members)]), False)


def _fill_lines(scope: Scope, low: str) -> list[str]:
    """Statements that fill `values` from the array at `*at`."""
    lines: list[str] = []
    for entry in scope.entries:
        if isinstance(entry, Member) and entry.length:
            kind = "char" if isinstance(entry.slot.transform, Text) else "uint8_t"
            lines += [
                f"for (place = 0u; place < {entry.length}u; place++) {{",
                f"    values->{entry.name}[place] = ({kind}){low}_self_test_next(at, 1u);",
                "}",
            ]
        elif isinstance(entry, Member):
            size = entry.ctype.bits // 8
            lines.append(f"values->{entry.name} = ({entry.ctype.name}){low}_self_test_next(at, {size}u);")
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            room = f"place < values->{entry.control} && place < {entry.entry.at_most}u"
            lines += [
                f"values->{entry.control} = (uint8_t){low}_self_test_next(at, 1u);",
                f"for (place = 0u; {room}; place++) {{",
                f"    {low}_self_test_fill_{_path(entry.scope, low)}(&values->{entry.name}[place], at);",
                "}",
            ]
        elif isinstance(entry, Inner):
            lines += [
                f"if (values->{entry.control} != 0u) {{",
                f"    {low}_self_test_fill_{_path(entry.scope, low)}(&values->{entry.name}, at);",
                "}",
            ]
    return _with_place(lines) or ["values->nothing = 0u;", "(void)at;"]


def _same_lines(scope: Scope, low: str) -> list[str]:
    """Statements that give 0 where `got` and `wanted` differ in a member that counts."""
    lines: list[str] = []
    for entry in scope.entries:
        if isinstance(entry, Member) and entry.length:
            inside = _unless(f"got->{entry.name}[place] != wanted->{entry.name}[place]")
            lines += [f"for (place = 0u; place < {entry.length}u; place++) {{", *_indented(inside), "}"]
        elif isinstance(entry, Member):
            lines += _unless(f"got->{entry.name} != wanted->{entry.name}")
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            call = f"{low}_self_test_same_{_path(entry.scope, low)}"
            inside = _unless(f"!{call}(&got->{entry.name}[place], &wanted->{entry.name}[place])")
            lines += _unless(f"got->{entry.control} != wanted->{entry.control}")
            lines += [f"for (place = 0u; place < wanted->{entry.control}; place++) {{", *_indented(inside), "}"]
        elif isinstance(entry, Inner):
            call = f"{low}_self_test_same_{_path(entry.scope, low)}(&got->{entry.name}, &wanted->{entry.name})"
            lines += _unless(f"wanted->{entry.control} != 0u && !{call}")
    return _with_place(lines) or _unless("got->nothing != wanted->nothing")


def _with_place(lines: list[str]) -> list[str]:
    return ["uint8_t place;", "", *lines] if any(line.startswith("for") for line in lines) else lines


def _unless(condition: str) -> list[str]:
    return [f"if ({condition}) {{", "    return 0u;", "}"]


def _indented(lines: list[str]) -> list[str]:
    return [f"    {line}" for line in lines]


def _octet_lines(octets: bytes) -> list[str]:
    """Octets as rows of constants, sixteen a row."""
    rows = [octets[start : start + 16] for start in range(0, len(octets), 16)]
    return [" ".join(f"0x{octet:02x}u," for octet in row) for row in rows]
