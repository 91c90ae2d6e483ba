"""One C header from a protocol: names everything, collects what the template says, renders it. Deterministic."""

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jinja2

from ullage import Protocol, Status, __version__
from ullage.annotate import sample
from ullage.codes import reasons
from ullage.layout import Layout, Scaled, Slot

from . import crc_forms
from .ccontent import c_literal, content_of
from .cdecode import decoder_lines, octet
from .cencode import encoder_lines
from .chelpers import UnitHelper, unit_helper
from .cmodel import CType, Member, frame_members, unsigned
from .cnames import Names
from .cpack import code_expression
from .ctext import constant_rows, member_comment, said, slot_rows, step_words
from .diagram import strip

_ITSELF = "the header itself"
_CONSTANTS = ("h", "fingerprint", "revision", "crc_small", "crc_fast", "crc_table", "crc_form")
_FUNCTIONS = ("status", "frame", "message", "decode", "decode_at", "crc", "examine", "concerns", "crc_octets")


@dataclass(frozen=True)
class CFrame:
    """All of one frame that the template needs; struct is the tag, upper the start of its constants."""

    layout: Layout
    members: tuple[Member, ...]
    helpers: tuple[UnitHelper, ...]
    struct: str
    upper: str
    own: tuple[Member, ...]
    shared: tuple[Member, ...]


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
    return (Status.FINE, *sorted(reasons(protocol)), Status.OUT_OF_RANGE)


def emit_c(protocol: Protocol, spec_name: str) -> str:
    """Write the C header of a protocol.

    protocol: what the spec describes. spec_name: the spec's file name, for the first lines. Returns the header's text,
    the same for the same spec and tool version. Raises NameClash when two things would have the same name in C.
    """
    return render(model(protocol), spec_name)


def model(protocol: Protocol) -> CHeader:
    """Name everything of a protocol in C. Raises NameClash."""
    names = Names(protocol.name)
    for word in _CONSTANTS:
        names.constant(word, maker=_ITSELF)
    for word in _FUNCTIONS:
        names.function(word, maker=_ITSELF)
    statuses = {status: _status_name(status, names) for status in answers(protocol)}
    frames = tuple(_frame(layout, names) for layout in protocol.frames.values())
    return CHeader(protocol, names, frames, statuses)


def _status_name(status: Status, names: Names) -> str:
    words = [str(status)] if status is Status.FINE or status >= Status.OUT_OF_RANGE else ["refused", str(status)]
    return names.constant(*words, maker=_ITSELF)


def _frame(layout: Layout, names: Names) -> CFrame:
    maker = f'frame "{layout.name}"'
    struct = names.function(layout.name, maker=maker)
    for suffix in ("encode", "decode", "decode_at", "take"):
        names.function(layout.name, suffix, maker=maker)
    names.constant(layout.name, "octets", maker=maker)
    names.constant("frame", layout.name, maker=maker)
    members = frame_members(layout, names)
    helpers = tuple(helper for member in members if (helper := unit_helper(member, names)))
    for member in members:
        path = (*member.scope, member.slot.name)
        if member.conditions and isinstance(member.slot.transform, Scaled):
            names.function(*path, "is_value", maker=f'field "{".".join(path)}"')
        for word in step_words(member):
            names.constant(*path, word, maker=f'the step of field "{".".join(path)}"')
    own = tuple(member for member in members if member.scope)
    shared = tuple(member for member in members if not member.scope)
    return CFrame(layout, members, helpers, struct, struct.upper(), own, shared)


def render(header: CHeader, spec_name: str) -> str:
    """The text of a header."""
    protocol = header.protocol
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
    """The numbers of the CRC's three forms."""
    integrity = protocol.integrity
    if integrity is None:
        return None
    crc = integrity.crc
    form = crc_forms.register(crc)
    ctype = CType(form.bits, False)
    order = range(crc.octets - 1, -1, -1) if integrity.high_first else range(crc.octets)
    lowest = "crc" if ctype.bits == 8 else "(uint8_t)crc"
    return {
        "name": crc.name or f"CRC of width {crc.width}, poly 0x{crc.poly:x}",
        "check": f"{crc.check:0{2 * crc.octets}x}",
        "form": form,
        "ctype": ctype,
        "pattern": ctype.pattern,
        "free": crc_forms.table_free(crc),
        "nibbles": crc_forms.nibble_table(crc),
        "table": crc_forms.table(crc),
        "octets": crc.octets,
        "parts": [f"(uint8_t)(crc >> {8 * place})" if place else lowest for place in order],
        "first": integrity.first_octet,
    }


def _example(frame: CFrame) -> list[str]:
    """Statements that fill a struct `report` with a sample's values, for the manual at the top of the header."""
    values = sample(frame.layout)
    helpers = {helper.member.name: helper for helper in frame.helpers}
    lines = []
    for member in frame.members:
        content = content_of(member, values[member.slot.name])
        target = f"report.{member.name}"
        helper = helpers.get(member.name)
        if isinstance(content, bytes):
            lines += [f"{target}[{place}] = 0x{octet:02x}u;" for place, octet in enumerate(content)]
        elif member.slot.kind == "sequence":
            lines.append(f"{target} = next++;")
        elif helper and member.lowest <= content <= member.highest:
            lines.append(f"{target} = {helper.from_name}({helper.wide.literal(content * helper.count)});")
        else:
            lines.append(f"{target} = {c_literal(member, content)};")
    return lines


def _interval(frame: CFrame) -> str:
    seconds = frame.layout.interval_s
    if seconds is None:
        return ""
    for size, word in ((86_400, "d"), (3600, "h"), (60, "min")):
        if seconds % size == 0:
            return f", every {seconds // size} {word}"
    return f", every {float(seconds):g} s"
