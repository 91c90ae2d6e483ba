"""One C header from a protocol: names everything, collects what the template says, renders it. Deterministic."""

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jinja2

from ullage import Protocol, Status, __version__
from ullage.checksum import Sum
from ullage.codes import reasons
from ullage.layout import Entry, Layout, Length, Repeat, Scaled, Slot
from ullage.words.samples import sample

from . import cgroups, crc_forms
from .ccontent import c_literal, content_of
from .cdecode import decoder_lines, octet
from .cencode import encoder_lines
from .cgroups import widest
from .chelpers import UnitHelper, unit_helper
from .cmodel import CType, Inner, Member, Scope, frame_scope, unsigned
from .cnames import Names
from .cpack import code_expression, slot_expression
from .ctext import constant_rows, member_comment, said, slot_rows, step_words
from .diagram import strip
from .emitted import Emitted

_ITSELF = "the header itself"
_CONSTANTS = ("h", "fingerprint", "revision", "crc_small", "crc_fast", "crc_table", "crc_form")
_FUNCTIONS = ("status", "frame", "message", "decode", "decode_at", "examine", "concerns", "get", "put")
_CHECKS = ("crc", "crc_octets", "sum")


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


@dataclass(frozen=True)
class CHeader:
    """A protocol in C: its frames with all names given. Made by `model`; `render` writes it."""

    protocol: Protocol
    names: Names
    frames: tuple[CFrame, ...]
    statuses: dict[Status, str]

    @property
    def file_name(self) -> str:
        """The header's file name."""
        return f"{self.protocol.name}.h"


def answers(protocol: Protocol) -> tuple[Status, ...]:
    """Every status that the header's functions can give, in the order of their numbers."""
    return (Status.FINE, *sorted(reasons(protocol)), *encoder_answers(protocol))


def encoder_answers(protocol: Protocol) -> tuple[Status, ...]:
    """What the header's encoders can say besides fine."""
    variable = [layout for layout in protocol.frames.values() if not layout.fixed]
    lists = any(_has_lists(layout.entries) for layout in variable)
    more = ([Status.TOO_MANY] if lists else []) + ([Status.NO_ROOM] if variable else [])
    return (Status.OUT_OF_RANGE, *more)


def _has_lists(entries: tuple[Entry, ...]) -> bool:
    return any(
        isinstance(entry, Repeat) or _has_lists(entry.entries) for entry in entries if not isinstance(entry, Slot)
    )


def emit_c(protocol: Protocol, spec_name: str) -> str:
    """Write the C header of a protocol.

    protocol: what the spec describes. spec_name: the spec's file name, for the first lines. Returns the header's text,
    the same for the same spec and tool version. Raises NameClash when two things would have the same name in C.
    """
    return render(model(protocol), spec_name)


def emitted_c(protocol: Protocol, spec_name: str) -> Emitted:
    """The header as a file to write; see `emit_c`."""
    header = model(protocol)
    remark = " · ".join(f"{layout.name} {layout.octets} octets" for layout in protocol.frames.values())
    return Emitted(header.file_name, render(header, spec_name), remark)


def model(protocol: Protocol) -> CHeader:
    """Name everything of a protocol in C. Raises NameClash."""
    names = Names(protocol.name)
    for word in _CONSTANTS:
        names.constant(word, maker=_ITSELF)
    for word in (*_FUNCTIONS, *_CHECKS):
        names.function(word, maker=_ITSELF)
    statuses = {status: _status_name(status, names) for status in answers(protocol)}
    frames = tuple(_frame(layout, names) for layout in protocol.frames.values())
    return CHeader(protocol, names, frames, statuses)


def _status_name(status: Status, names: Names) -> str:
    words = [str(status)] if status is Status.FINE or status >= Status.OUT_OF_RANGE else ["refused", str(status)]
    return names.constant(*words, maker=_ITSELF)


def _frame(layout: Layout, names: Names) -> CFrame:
    maker = f'frame "{layout.name}"'
    for suffix in ("encode", "decode", "decode_at", *(("take",) if layout.fixed else ())):
        names.function(layout.name, suffix, maker=maker)
    for word in ("octets",) if layout.fixed else ("least_octets", "most_octets"):
        names.constant(layout.name, word, maker=maker)
    names.constant("frame", layout.name, maker=maker)
    scope = frame_scope(layout, names)
    if not layout.fixed:
        for one in scope.every:
            for word in ("walk", "take", "lay"):
                names.function(*_path(one, names), word, maker=f"the functions of {one.struct}")
    members = [member for one in scope.every for member in one.members]
    helpers = tuple(helper for member in members if (helper := unit_helper(member, names)))
    for member in members:
        path = (*member.scope, member.slot.name)
        if member.conditions and isinstance(member.slot.transform, Scaled):
            names.function(*path, "is_value", maker=f'field "{".".join(path)}"')
        for word in step_words(member):
            names.constant(*path, word, maker=f'the step of field "{".".join(path)}"')
    return CFrame(layout, scope, helpers, scope.struct.upper())


def _path(scope: Scope, names: Names) -> tuple[str, ...]:
    return (scope.struct.removeprefix(f"{names.prefix}_"),)


def render(header: CHeader, spec_name: str) -> str:
    """The text of a header."""
    protocol = header.protocol
    context = cgroups.Context(protocol.name, header.statuses)
    template = _environment().get_template("header.h.j2")
    return template.render(
        p=protocol,
        version=__version__,
        spec_name=spec_name,
        header=header,
        frames=header.frames,
        low=protocol.name,
        up=protocol.name.upper(),
        status=header.statuses,
        Status=Status,
        fine=header.statuses[Status.FINE],
        crc=_crc(protocol),
        revision=_header_code(protocol.revision_slot),
        message=_header_code(protocol.message_slot),
        destination=_header_code(protocol.destination_slot),
        context=context,
        groups=cgroups,
        cursor=widest([frame.scope for frame in header.frames if not frame.layout.fixed]),
        variable=[frame for frame in header.frames if not frame.layout.fixed],
        most_octets=_most_octets,
        length_check=lambda frame: _length_check(protocol, frame),
        encoder=lambda frame: encoder_lines(frame.layout, frame.members, header.statuses[Status.OUT_OF_RANGE]),
        decoder=lambda frame: decoder_lines(frame.layout, frame.members, header.statuses),
        strip=strip,
        slot_rows=lambda frame: slot_rows(protocol, frame.layout),
        constants=lambda member: constant_rows(protocol.name, member),
        member_comment=member_comment,
        example=_example,
        is_scaled=lambda member: isinstance(member.slot.transform, Scaled),
        interval=_interval,
    )


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
    return environment


def _header_code(slot: Slot | None) -> dict[str, Any] | None:
    """How the template reads a header slot from the received octets."""
    if slot is None:
        return None
    ctype = unsigned(slot.bits)
    broadcast = slot.transform.broadcast if isinstance(slot.transform, Scaled) else None
    return {
        "name": slot.name,
        "read": code_expression(slot.offset, slot.bits, octet),
        "ctype": ctype.name,
        "literal": ctype.literal,
        "broadcast": None if broadcast is None else ctype.literal(broadcast),
    }


def _crc(protocol: Protocol) -> dict[str, Any] | None:
    """The numbers of the CRC's three forms, or of the sum."""
    integrity = protocol.integrity
    if integrity is None:
        return None
    crc = integrity.check
    order = range(crc.octets - 1, -1, -1) if integrity.high_first else range(crc.octets)
    if isinstance(crc, Sum):
        ctype = unsigned(crc.bits)
        return {
            "sum": crc,
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


def _most_octets(frame: CFrame) -> str:
    """The macro that says how large a buffer holds the frame."""
    return f"{frame.upper}_OCTETS" if frame.layout.fixed else f"{frame.upper}_MOST_OCTETS"


def _length_check(protocol: Protocol, frame: CFrame) -> str:
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


def _example(frame: CFrame) -> list[str]:
    """Statements that fill a struct `report` with a sample's values, for the manual at the top of the header."""
    return _example_lines(frame.scope, "report", sample(frame.layout), {one.member.name: one for one in frame.helpers})


def _example_lines(scope: Scope, owner: str, values: dict[str, Any], helpers: dict[str, UnitHelper]) -> list[str]:
    lines: list[str] = []
    for entry in scope.entries:
        if isinstance(entry, Member):
            lines += _example_member(entry, f"{owner}.{entry.name}", values[entry.slot.name], helpers)
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            items = values[entry.name]
            lines.append(f"{owner}.{entry.control} = {len(items)}u;")
            for place, item in enumerate(items):
                lines += _example_lines(entry.scope, f"{owner}.{entry.name}[{place}]", item, helpers)
        elif isinstance(entry, Inner):
            lines += _example_lines(entry.scope, f"{owner}.{entry.name}", values[entry.name], helpers)
    return lines


def _example_member(member: Member, target: str, value: Any, helpers: dict[str, UnitHelper]) -> list[str]:
    content = content_of(member, value)
    helper = helpers.get(member.name)
    if isinstance(content, bytes):
        return [f"{target}[{place}] = 0x{octet:02x}u;" for place, octet in enumerate(content)]
    if member.slot.kind == "sequence":
        return [f"{target} = next++;"]
    if helper and helper.member is member and member.lowest <= content <= member.highest:
        return [f"{target} = {helper.from_name}({helper.wide.literal(content * helper.count)});"]
    return [f"{target} = {c_literal(member, content)};"]


def _interval(frame: CFrame) -> str:
    seconds = frame.layout.interval_s
    if seconds is None:
        return ""
    for size, word in ((86_400, "d"), (3600, "h"), (60, "min")):
        if seconds % size == 0:
            return f", every {seconds // size} {word}"
    return f", every {float(seconds):g} s"
