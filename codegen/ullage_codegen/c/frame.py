"""One frame in C: all its names, and the conditions and numbers by which its octets are judged before its slots."""

from dataclasses import dataclass
from typing import Any

from ullage import Protocol
from ullage.checksum import Sum
from ullage.layout import Layout, Length, Scaled, Slot

from . import crc_forms
from .decode import octet
from .helpers import UnitHelper, unit_helper
from .model import CType, Member, Scope, frame_scope, unsigned
from .names import Names
from .pack import slot_expression
from .text import step_words


@dataclass(frozen=True)
class CFrame:
    """All of one frame that the template needs; struct is the tag, upper the start of its constants."""

    layout: Layout
    scope: Scope
    helpers: tuple[UnitHelper, ...]
    upper: str

    @property
    def struct(self) -> str:
        """The struct's tag."""
        return self.scope.struct

    @property
    def members(self) -> tuple[Member, ...]:
        """The struct's plain members."""
        return self.scope.members

    @property
    def shared(self) -> tuple[Member, ...]:
        """The members that stand in the header."""
        return tuple(member for member in self.members if not member.scope)

    @property
    def every(self) -> tuple[Member, ...]:
        """All members but the header's, those inside lists and groups too."""
        return tuple(member for scope in self.scope.every for member in scope.members if member.scope)


def c_frame(layout: Layout, names: Names, writes: bool = True) -> CFrame:
    """Name all of a frame. writes: whether there are functions to write it and helpers too, or one to read it alone."""
    maker = f'frame "{layout.name}"'
    suffixes = ("seal" if layout.sealing else "encode", "decode", "decode_at") if writes else ()
    for suffix in (*suffixes, *(("take",) if layout.fixed else ())):
        names.function(layout.name, suffix, maker=maker)
    for word in ("octets",) if layout.fixed else ("least_octets", "most_octets"):
        names.constant(layout.name, word, maker=maker)
    names.constant("frame", layout.name, maker=maker)
    scope = frame_scope(layout, names)
    if not layout.fixed:
        for one in scope.every:
            for word in ("walk", "take", *(("lay",) if writes else ())):
                names.function(*_path(one, names), word, maker=f"the functions of {one.struct}")
    members = [member for one in scope.every for member in one.members]
    helpers = tuple(helper for member in members if (helper := unit_helper(member, names))) if writes else ()
    for member in members:
        path = (*member.scope, member.slot.name)
        if writes and member.conditions and isinstance(member.slot.transform, Scaled):
            names.function(*path, "is_value", maker=f'field "{".".join(path)}"')
        for word in step_words(member):
            names.constant(*path, word, maker=f'the step of field "{".".join(path)}"')
    return CFrame(layout, scope, helpers, scope.struct.upper())


def _path(scope: Scope, names: Names) -> tuple[str, ...]:
    return (scope.struct.removeprefix(f"{names.prefix}_"),)


def header_code(slot: Slot | None, station: str = "") -> dict[str, Any] | None:
    """How the template reads a header slot from the received octets. station: the type of the receiver's own number."""
    if slot is None:
        return None
    ctype = unsigned(slot.bits)
    broadcast = slot.transform.broadcast if isinstance(slot.transform, Scaled) else None
    return {
        "name": slot.name,
        "read": slot_expression(slot, octet),
        "ctype": ctype.name,
        "station": station,
        "literal": ctype.literal,
        "broadcast": None if broadcast is None else ctype.literal(broadcast),
    }


def check_numbers(protocol: Protocol, low: str) -> dict[str, Any] | None:
    """The numbers of the CRC's three forms, or of the sum. low: what the function's name begins with."""
    integrity = protocol.integrity
    if integrity is None:
        return None
    crc = integrity.check
    order = range(crc.octets - 1, -1, -1) if integrity.high_first else range(crc.octets)
    if isinstance(crc, Sum):
        ctype = unsigned(crc.bits)
        return {
            "sum": crc,
            "low": low,
            "fn": "sum",
            "ctype": ctype,
            "start": ctype.literal(crc.start),
            "mask": ctype.literal((1 << crc.bits) - 1) if crc.bits < ctype.bits else "",
            "octets": crc.octets,
            "parts": _parts(ctype, order),
            "first": integrity.first_octet,
        }
    form = crc_forms.register(crc)
    ctype = CType(form.bits, False)
    return {
        "sum": None,
        "low": low,
        "fn": "crc",
        "name": crc.name or f"CRC of width {crc.width}, poly 0x{crc.poly:x}",
        "check": f"{crc.check:0{2 * crc.octets}x}",
        "form": form,
        "ctype": ctype,
        "pattern": ctype.pattern,
        "free": crc_forms.table_free(crc),
        "nibbles": crc_forms.nibble_table(crc),
        "table": crc_forms.table(crc),
        "octets": crc.octets,
        "parts": _parts(ctype, order),
        "first": integrity.first_octet,
    }


def _parts(ctype: CType, order: range) -> list[str]:
    """The octets of the check in the order in which they go."""
    lowest = "crc" if ctype.bits == 8 else "(uint8_t)crc"
    return [f"(uint8_t)(crc >> {8 * place})" if place else lowest for place in order]


def most_octets(frame: CFrame) -> str:
    """The macro that says how large a buffer holds the frame."""
    return f"{frame.upper}_OCTETS" if frame.layout.fixed else f"{frame.upper}_MOST_OCTETS"


def length_check(protocol: Protocol, frame: CFrame) -> str:
    """The condition that a received frame is not as long as it must be; octets and count are at hand."""
    layout = frame.layout
    if layout.fixed:
        tests = [f"count != {frame.upper}_OCTETS"]
    else:
        tests = [f"count < {frame.upper}_LEAST_OCTETS", f"count > {frame.upper}_MOST_OCTETS"]
        if layout.octets == 255:
            tests.pop()
        if layout.least_octets <= protocol.least_octets:
            tests.pop(0)
    slot = layout.length_slot
    if slot is not None and isinstance(slot.transform, Length):
        before = f" - {slot.end // 8}u" if slot.transform.covers == "rest" else ""
        said_length = slot_expression(slot, octet)
        tests.append(f"{said_length} != {f'(count{before})' if before else 'count'}")
    return " || ".join(tests)
