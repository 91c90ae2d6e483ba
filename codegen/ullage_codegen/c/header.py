"""One C header from a protocol: names everything, collects what the template says, renders it. Deterministic."""

import functools
from dataclasses import dataclass
from typing import Any

import jinja2

from ullage import Protocol, Status, __version__
from ullage.codes import reasons
from ullage.layout import Entry, Repeat, Scaled, Slot
from ullage.words.samples import sample

from ..emitted import Emitted
from ..templating import environment
from . import groups as cgroups
from . import older as colder
from .content import c_literal, content_of
from .decode import decoder_lines
from .diagram import strip
from .encode import encoder_lines
from .frame import CFrame, c_frame, check_numbers, header_code, length_check, most_octets
from .groups import widest
from .helpers import UnitHelper
from .model import Inner, Member, Scope, unsigned
from .names import Names
from .sealed import ANSWERS as SEALER_ANSWERS
from .sealed import CSealed, sealed_of
from .text import constant_rows, member_comment, said, slot_rows

_ITSELF = "the header itself"
_CONSTANTS = ("h", "fingerprint", "revision", "crc_small", "crc_fast", "crc_table", "crc_form")
_FUNCTIONS = ("status", "frame", "message", "decode", "decode_at", "examine", "concerns", "get", "put")
_CHECKS = ("crc", "crc_octets", "sum")
_OLDER_CONSTANTS = ("fingerprint", "revision")
_OLDER_FUNCTIONS = ("frame", "message", "decode", "decode_at", "examine", "concerns")
_BOTH = ("received", "stage", "decode_any", "decode_any_at")


@dataclass(frozen=True)
class COlder:
    """The older revision that a header reads too.

    frames: all of its frames; one that is the same in both has the newest one's struct. own: those with a struct of
    their own. conversions: from its structs to the newest ones. ambiguous: whether one frame can be sound in both.
    """

    protocol: Protocol
    names: Names
    frames: tuple[CFrame, ...]
    own: tuple[CFrame, ...]
    conversions: colder.Conversions
    ambiguous: bool
    stages: list[tuple[int, tuple[Status, ...]]]


@dataclass(frozen=True)
class CHeader:
    """A protocol in C: its frames with all names given. Made by `model`; `render` writes it."""

    protocol: Protocol
    names: Names
    frames: tuple[CFrame, ...]
    statuses: dict[Status, str]
    older: COlder | None = None
    sealed: CSealed | None = None

    @property
    def file_name(self) -> str:
        """The header's file name."""
        return f"{self.protocol.name}.h"


def answers(protocol: Protocol, older: Protocol | None = None) -> tuple[Status, ...]:
    """Every status that the header's functions can give, in the order of their numbers.

    older: another revision that it reads too.
    """
    found = set(reasons(protocol))
    if older:
        found |= set(reasons(older))
        found |= {Status.AMBIGUOUS} if colder.may_both_accept(protocol, older) else set()
        found |= {Status.UNKNOWN_MESSAGE} if older.frames.keys() - protocol.frames.keys() else set()
    return (Status.FINE, *sorted(found), *encoder_answers(protocol), *(SEALER_ANSWERS if protocol.seal else ()))


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


def emit_c(protocol: Protocol, spec_name: str, older: Protocol | None = None) -> str:
    """Write the C header of a protocol.

    protocol: what the spec describes. spec_name: the spec's file name, for the first lines. older: an older revision
    that the header shall read too. Returns the header's text, the same for the same specs and tool version. Raises
    NameClash when two things would have the same name in C, and UllageError when older is no older revision of it.
    """
    return render(model(protocol, older), spec_name)


def emitted_c(protocol: Protocol, spec_name: str, older: Protocol | None = None) -> Emitted:
    """The header as a file to write; see `emit_c`."""
    header = model(protocol, older)
    remarks = [f"{layout.name} {layout.octets} octets" for layout in protocol.frames.values()]
    remarks += [f"reads revision {older.revision} too"] if older else []
    return Emitted(header.file_name, render(header, spec_name), " · ".join(remarks))


def model(protocol: Protocol, older: Protocol | None = None) -> CHeader:
    """Name everything of a protocol in C. older: another revision to read. Raises NameClash, UllageError."""
    if older:
        colder.refuse_strangers(protocol, older)
        colder.refuse_sealed(protocol, older)
    names = Names(protocol.name)
    for word in _CONSTANTS:
        names.constant(word, maker=_ITSELF)
    for word in (*_FUNCTIONS, *_CHECKS, *(_BOTH if older else ())):
        names.function(word, maker=_ITSELF)
    statuses = {status: _status_name(status, names) for status in answers(protocol, older)}
    sealed = sealed_of(protocol, names, _ITSELF)
    frames = tuple(c_frame(layout, names) for layout in protocol.frames.values())
    other = _older(protocol, older, names, frames) if older else None
    return CHeader(protocol, names, frames, statuses, other, sealed)


def _older(protocol: Protocol, older: Protocol, names: Names, newest: tuple[CFrame, ...]) -> COlder:
    own_names = names.of_revision(older.revision)
    words = ("crc_small", "crc_fast", "crc_table", "crc_form") if _own_check(protocol, older) else ()
    for word in (*_OLDER_CONSTANTS, *words):
        own_names.constant(word, maker=_ITSELF)
    for word in (*_OLDER_FUNCTIONS, *(_CHECKS if words else ())):
        own_names.function(word, maker=_ITSELF)
    names.function(f"from_r{older.revision}", maker=_ITSELF)
    now = {frame.layout.name: frame for frame in newest}
    frames: list[CFrame] = []
    own: list[CFrame] = []
    for layout in older.frames.values():
        same = now.get(layout.name)
        if same and colder.same_frame(same.layout, layout):
            own_names.constant("frame", layout.name, maker=f'frame "{layout.name}"')
            frames.append(CFrame(layout, same.scope, (), same.upper))
        else:
            own.append(c_frame(layout, own_names, writes=False))
            frames.append(own[-1])
    pairs = [(name, now[name].scope, frame.scope) for frame in own if (name := frame.layout.name) in now]
    return COlder(
        older,
        own_names,
        tuple(frames),
        tuple(own),
        colder.conversions(names, older.revision, pairs),
        colder.may_both_accept(protocol, older),
        colder.stages((protocol, older)),
    )


def _own_check(protocol: Protocol, older: Protocol) -> bool:
    """Whether the older revision has another CRC or sum than the newest."""
    if older.integrity is None:
        return False
    return protocol.integrity is None or protocol.integrity.check != older.integrity.check


def _status_name(status: Status, names: Names) -> str:
    words = [str(status)] if status is Status.FINE or status >= Status.OUT_OF_RANGE else ["refused", str(status)]
    return names.constant(*words, maker=_ITSELF)


def render(header: CHeader, spec_name: str) -> str:
    """The text of a header."""
    protocol, older = header.protocol, header.older
    frames = [*header.frames, *(older.own if older else ())]
    station = _station(protocol, older)
    common: dict[str, Any] = {
        "base": protocol.name,
        "status": header.statuses,
        "Status": Status,
        "fine": header.statuses[Status.FINE],
        "context": cgroups.Context(protocol.name, header.statuses),
        "groups": cgroups,
        "decoder": lambda frame: decoder_lines(frame.layout, frame.members, header.statuses),
        "strip": strip,
        "member_comment": member_comment,
        "is_scaled": lambda member: isinstance(member.slot.transform, Scaled),
        "interval": _interval,
        "sealed": header.sealed,
        "newest": protocol,
        "older": older,
        "station": station,
    }
    side = _side(protocol, protocol.name, protocol.name, header.frames, header.frames, station)
    older_text = _older_text(header, older, common, station) if older else ""
    return (
        _environment()
        .get_template("header.h.j2")
        .render(
            **common,
            **side,
            version=__version__,
            spec_name=spec_name,
            header=header,
            writes=True,
            mark="",
            as_sent="",
            cursor=widest([frame.scope for frame in frames if not frame.layout.fixed]),
            variable=[frame for frame in frames if not frame.layout.fixed],
            most_octets=most_octets,
            encoder=lambda frame: encoder_lines(frame.layout, frame.members, header.statuses[Status.OUT_OF_RANGE]),
            sealed_first=next((frame for frame in header.frames if frame.layout.sealing), None),
            example=_example,
            older_text=older_text,
        )
    )


def _side(
    protocol: Protocol, low: str, check: str, frames: tuple[CFrame, ...], own: tuple[CFrame, ...], station: str
) -> dict[str, Any]:
    """What the templates need to know of one revision.

    low: what its names begin with. check: what the name of its CRC function begins with. own: the frames with structs
    of their own. station: the type of the receiver's own number.
    """
    return {
        "p": protocol,
        "low": low,
        "up": low.upper(),
        "frames": frames,
        "own": own,
        "crc": check_numbers(protocol, check),
        "revision": header_code(protocol.revision_slot),
        "message": header_code(protocol.message_slot),
        "destination": header_code(protocol.destination_slot, station),
        "length_check": lambda frame: length_check(protocol, frame),
        "slot_rows": lambda frame: slot_rows(protocol, frame.layout),
        "constants": lambda member: constant_rows(low, member),
    }


def _station(protocol: Protocol, older: COlder | None) -> str:
    """The type of the receiver's own number: as wide as the widest destination, "" where there is none."""
    slots = (protocol.destination_slot, older.protocol.destination_slot if older else None)
    widths = [slot.bits for slot in slots if slot]
    return unsigned(max(widths)).name if widths else ""


def _older_text(header: CHeader, older: COlder, common: dict[str, Any], station: str) -> str:
    """The section for the older revision, and the decoder for both."""
    protocol, low = header.protocol, older.names.prefix
    own_check = _own_check(protocol, older.protocol)
    now = {frame.layout.name: frame for frame in header.frames}
    return (
        _environment()
        .get_template("older.h.j2")
        .render(
            **common,
            **_side(older.protocol, low, low if own_check else protocol.name, older.frames, older.own, station),
            writes=False,
            mark=f"r{older.protocol.revision}_",
            as_sent=f" in revision {older.protocol.revision}",
            own_check=own_check,
            now=now,
            both=protocol.name.upper(),
            marks=older.conversions.marks,
            mask=older.conversions.mask,
            gone=[frame.layout.name for frame in older.frames if frame.layout.name not in now],
            kept=[frame for frame in older.frames if frame.layout.name in now],
        )
    )


@functools.cache
def _environment() -> jinja2.Environment:
    return environment(__file__, said=said)


def _example(frame: CFrame) -> list[str]:
    """Statements that fill a struct `report` with a sample's values, for the manual at the top of the header."""
    values, helpers = sample(frame.layout), {one.member.name: one for one in frame.helpers}
    lines = _example_lines(frame.scope, "report", values, helpers)
    # The counter gives the number of a sealed frame.
    return [line for line in lines if not (frame.layout.sealing and line.endswith("= next++;"))]


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
