"""From the shape of a spec file to a Protocol: names, header, frames, widths and the integrity check.

All faults are collected; a protocol is made only when there is none.
"""

import itertools
from collections.abc import Iterator
from functools import cached_property
from typing import Any

from . import specfile
from .crc import AmbiguousCrc, Crc, UnknownCrc, by_name, faults_in
from .errors import Fault, SpecError
from .fields import Meaning, meaning
from .layout import Fixed, Integrity, Layout, Slot
from .names import fault_in_name
from .protocol import Protocol
from .reading import Path, Shape, in_file_order, one_line, place
from .status import Status

LONGEST = 255
"""Octets of the longest frame."""

_ONE_EACH = ("message", "revision", "destination", "source", "sequence")
_HEADER_ONLY = ("message", "revision", "destination", "source")
_MESSAGE_FIELD = 'in the header { name = "message", kind = "message", bits = 5 }, for example'


def build(shape: Shape, data: dict[str, Any], source: str) -> Protocol:
    """Make the protocol that a spec describes.

    shape: as read_shape gives it; data: the same as plain TOML data, for naming places; source: the file's name for
    errors. Raises SpecError with every fault, those of the shape included.
    """
    return _Builder(shape, data, source).protocol()


def _spare_names(taken: set[str]) -> Iterator[str]:
    return (name for name in (f"spare_{number}" for number in itertools.count(1)) if name not in taken)


class _Builder:
    def __init__(self, shape: Shape, data: dict[str, Any], source: str) -> None:
        self.spec = shape.spec
        self.guessed = shape.guessed
        self.data = data
        self.source = source
        self.faults: list[Fault] = list(shape.faults)

    def complain(self, code: str, path: Path, text: str, help_text: str | None = None) -> None:
        help_text = help_text and one_line(help_text)
        self.faults.append(Fault(code, path, place(path, self.data), one_line(text), help_text))

    def protocol(self) -> Protocol:
        spec = self.spec
        self._name(spec.protocol.name, ("protocol", "name"))
        header = [self._meaning(field, ("header", "field", i)) for i, field in enumerate(spec.header.field)]
        self._kinds_of_header()
        self._codes()
        bodies = [
            [self._meaning(field, ("frame", k, "field", i)) for i, field in enumerate(frame.field)]
            for k, frame in enumerate(spec.frame)
        ]
        self._names()
        crc = self._crc()
        layouts = self._layouts(header, bodies, crc.octets if crc else 0)
        integrity = self._integrity(crc, layouts)
        if self.faults:
            raise SpecError(in_file_order(self.faults, self.data), self.source)
        revision = 1 if spec.protocol.revision is None else spec.protocol.revision
        frames = {layout.name: layout for layout in layouts}
        return Protocol(
            spec.protocol.name, revision, spec.protocol.summary, frames, integrity, spec.radio, spec.protocol.language
        )

    def _unsure(self, path: Path, below: int = 9) -> bool:
        """Whether a guess stands at, above, or at most so many keys below this place: a fault there may be none."""
        near = (guess for guess in self.guessed if len(guess) <= len(path) + below)
        return any(guess[: len(path)] == path[: len(guess)] for guess in near)

    def _layouts(self, header: list[Meaning | None], bodies: list[list[Meaning | None]], check: int) -> list[Layout]:
        """The layouts of all frames that have no fault in header and fields."""
        layouts: list[Layout] = []
        head = [meant for meant in header if meant]
        if len(head) < len(header) or self._unsure(("header",)):
            return layouts
        for k, (frame, meanings) in enumerate(zip(self.spec.frame, bodies, strict=True)):
            body = [meant for meant in meanings if meant]
            if len(body) == len(meanings) and not self._unsure(("frame", k)):
                layouts.append(self._layout(frame, head, body, check))
                self._length(k, layouts[-1])
        return layouts

    def _meaning(self, field: specfile.AnyField, path: Path) -> Meaning | None:
        def complain(code: str, key: str | None, text: str, help_text: str | None) -> None:
            self.complain(code, (*path, key) if key else path, text, help_text)

        if isinstance(field, specfile.RevisionField):
            return field.bits, Fixed(self.spec.protocol.revision or 0, Status.OTHER_REVISION)
        if isinstance(field, specfile.MessageField):
            return field.bits, Fixed(0, Status.UNKNOWN_MESSAGE)
        return meaning(field, complain)

    def _name(self, name: str, path: Path) -> None:
        fault = fault_in_name(name)
        if fault:
            self.complain("bad_name", path, *fault)

    def _kinds_of_header(self) -> None:
        """Addresses, message and revision stand in the header, and none of them twice."""
        seen: dict[str, str] = {}
        for i, field in enumerate(self.spec.header.field):
            if field.kind in _ONE_EACH and field.kind in seen:
                text = f'there is a second {field.kind}; the first is "{seen[field.kind]}"'
                self.complain("kind_twice", ("header", "field", i), text, "a frame has one of them")
            seen.setdefault(field.kind, field.name)
        for k, frame in enumerate(self.spec.frame):
            here = dict(seen)
            for i, field in enumerate(frame.field):
                if field.kind in _HEADER_ONLY:
                    text = f"a {field.kind} stands in the header, at the same bits in every frame"
                    self.complain("header_only", ("frame", k, "field", i), text, "move it to [header]")
                elif field.kind in _ONE_EACH and field.kind in here:
                    text = f'there is a second {field.kind}; the first is "{here[field.kind]}"'
                    self.complain("kind_twice", ("frame", k, "field", i), text, 'kind = "count" for another number')
                here.setdefault(field.kind, field.name)

    def _codes(self) -> None:
        """Message codes fit and differ; the revision fits, and its highest code is kept for later."""
        header = {field.kind: field for field in self.spec.header.field}
        revision = header.get("revision")
        if isinstance(revision, specfile.RevisionField):
            given, most = self.spec.protocol.revision, (1 << revision.bits) - 2
            if given is None:
                if not self._unsure(("protocol",), below=1):
                    text = "a header with a revision needs revision = N here"
                    self.complain("missing_key", ("protocol",), text, "revision = 1")
            elif given > most:
                text = f"{given} does not fit: {revision.bits} bits hold 0..{most}, the highest code is kept for later"
                self.complain(
                    "too_large", ("protocol", "revision"), text, f"bits = {(given + 1).bit_length()} in the header"
                )
        message = header.get("message")
        if not isinstance(message, specfile.MessageField):
            self._without_message_field()
            return
        seen: dict[int, str] = {}
        for k, frame in enumerate(self.spec.frame):
            path: Path = ("frame", k)
            if frame.message is None:
                if not self._unsure(path, below=1):
                    self.complain("missing_key", path, "this frame needs message = N, its code", None)
            elif not 0 <= frame.message < 1 << message.bits:
                text = f"{frame.message} does not fit in {message.bits} bits: 0..{(1 << message.bits) - 1} do"
                self.complain("too_large", (*path, "message"), text)
            elif frame.message in seen:
                text = f'{frame.message} is the code of "{seen[frame.message]}" already'
                self.complain("codes_overlap", (*path, "message"), text, "give each frame its own code")
            if frame.message is not None:
                seen.setdefault(frame.message, frame.name)

    def _without_message_field(self) -> None:
        """A header without a message code serves one frame, which has no code: one fault, however many frames."""
        if self._unsure(("header",)):
            return
        for k, frame in enumerate(self.spec.frame):
            if frame.message is not None:
                text = 'the header has no field of kind "message" to carry this code'
                help_text = "leave it out, or add that field" if len(self.spec.frame) == 1 else _MESSAGE_FIELD
                self.complain("no_message_field", ("frame", k, "message"), text, help_text)
                return
        if len(self.spec.frame) > 1:
            text = 'several frames need a field of kind "message" in the header'
            self.complain("no_message_field", ("frame", 1), text, _MESSAGE_FIELD)

    def _names(self) -> None:
        """Names are good, and unique over header and frame."""
        header: dict[str, str] = {}
        for i, field in enumerate(self.spec.header.field):
            self._field_name(field, ("header", "field", i), header, "the header")
        frames: set[str] = set()
        for k, frame in enumerate(self.spec.frame):
            self._name(frame.name, ("frame", k, "name"))
            if frame.name in frames:
                self.complain(
                    "name_taken", ("frame", k, "name"), f'two frames are called "{frame.name}"', "rename this one"
                )
            frames.add(frame.name)
            taken = dict(header)
            for i, field in enumerate(frame.field):
                self._field_name(field, ("frame", k, "field", i), taken, "this frame")

    def _field_name(self, field: specfile.AnyField, path: Path, taken: dict[str, str], where: str) -> None:
        if isinstance(field, specfile.SpareField) and not field.name:
            return
        self._name(field.name, (*path, "name"))
        if field.name in taken:
            text = f'two fields are called "{field.name}": this one, and one in {taken[field.name]}'
            self.complain("name_taken", (*path, "name"), text, "rename this one")
        taken.setdefault(field.name, where)

    def _crc(self) -> Crc | None:
        table = self.spec.integrity
        if table is None:
            return None
        path: Path = ("integrity", "crc")
        if isinstance(table.crc, specfile.CrcParameters):
            given = table.crc
            wrong = faults_in(given.width, given.poly, given.init, given.xorout)
            for text in wrong:
                self.complain("bad_crc", path, text)
            if wrong:
                return None
            return Crc(None, given.width, given.poly, given.init, given.refin, given.refout, given.xorout)
        try:
            return by_name(table.crc)
        except AmbiguousCrc as error:
            help_text: str | None = (
                'the one whose check value your other end gives; for a new protocol crc = "CRC-16/IBM-3740"'
            )
            self.complain("ambiguous_crc", path, str(error), help_text)
        except UnknownCrc as error:
            help_text = f'crc = "{error.nearest[0]}"' if error.nearest else None
            self.complain(
                "unknown_crc", path, f'"{table.crc}" is no name in the catalogue of CRC algorithms', help_text
            )
        return None

    def _layout(
        self, frame: specfile.FrameTable, header: list[Meaning], body: list[Meaning], check_octets: int
    ) -> Layout:
        fields = [*self.spec.header.field, *frame.field]
        slots: list[Slot] = []
        offset = 0
        spares = _spare_names(self._taken)
        for field, (bits, meant) in zip(fields, [*header, *body], strict=True):
            is_message = isinstance(field, specfile.MessageField)
            transform = Fixed(frame.message or 0, Status.UNKNOWN_MESSAGE) if is_message else meant
            name = field.name if field.name else next(spares)
            role = None if isinstance(field, specfile.SpareField) else field.role
            slots.append(Slot(name, field.kind, offset, bits, transform, field.summary, role))
            offset += bits
        if offset % 8:
            slots.append(Slot("", "fill", offset, -offset % 8, Fixed(0, Status.SPARE_NOT_ZERO)))
        return Layout(frame.name, frame.message, tuple(slots), len(header), check_octets, frame.summary, frame.interval)

    def _length(self, k: int, layout: Layout) -> None:
        if not layout.slots:
            self.complain("no_fields", ("frame", k), "this frame has no fields, and the header has none either")
        elif layout.octets > LONGEST:
            sum_text = f"{layout.body_octets} + {layout.check_octets} = {layout.octets} octets"
            text = f"this frame takes {sum_text}; {LONGEST} is the most"
            self.complain("too_long", ("frame", k), text, "two frames instead of one")

    @cached_property
    def _taken(self) -> set[str]:
        """Every field's name in the whole spec, so that a spare of the header has one name in all frames."""
        fields = [self.spec.header.field, *(frame.field for frame in self.spec.frame)]
        return {field.name for some in fields for field in some}

    def _integrity(self, crc: Crc | None, layouts: list[Layout]) -> Integrity | None:
        table = self.spec.integrity
        if table is None:
            return None
        first_octet = self._covers_from(table.covers_from, layouts)
        if crc is None:
            return None
        high_first = not crc.refout if table.octet_order is None else table.octet_order == "high_first"
        return Integrity(crc, first_octet, high_first)

    def _covers_from(self, name: str | None, layouts: list[Layout]) -> int:
        if name is None:
            return 0
        path: Path = ("integrity", "covers_from")
        starts: set[int] = set()
        for layout in layouts:
            slot = next((slot for slot in layout.slots if slot.name == name), None)
            if slot is None:
                self.complain(
                    "unknown_name", path, f'frame "{layout.name}" has no field "{name}"', "a field of the header"
                )
                return 0
            before = [other for other in layout.slots if other.offset < slot.offset]
            loose = next((other for other in before if other.kind != "constant"), None)
            if loose:
                text = f'"{loose.name}" stands before "{name}" and would be unprotected; only constants may'
                self.complain("unprotected", path, text)
                return 0
            if slot.offset % 8:
                text = f'"{name}" begins inside octet {slot.offset // 8}; a CRC covers whole octets'
                self.complain("unaligned", path, text)
                return 0
            starts.add(slot.offset // 8)
        if len(starts) > 1:
            self.complain(
                "unaligned", path, f'"{name}" does not begin at the same octet in every frame', "a field of the header"
            )
        return min(starts, default=0)
