"""From the shape of a spec file to a Protocol: names, header, frames, widths and the integrity check.

All faults are collected; a protocol is made only when there is none.
"""

import itertools
from collections.abc import Iterator
from typing import Any

from ..bodies import length_of
from ..errors import Fault, SpecError
from ..layout import Entry, Fixed, Layout, Length, Scaled, Slot
from ..names import fault_in_name, fault_in_protocol_name
from ..protocol import Protocol
from ..status import Status
from . import specfile
from .integrity_rules import check_of, integrity_of
from .reading import Path, Shape, in_file_order, one_line, place
from .rows import Item, Rows
from .seal_rules import SealRules

LONGEST = 255
"""Octets of the longest frame."""

_ONE_EACH = ("message", "revision", "destination", "source", "sequence", "length")
_HEADER_ONLY = ("message", "revision", "destination", "source")
_MESSAGE_FIELD = 'in the header { name = "message", kind = "message", bits = 5 }, for example'


def build(shape: Shape, data: dict[str, Any], source: str) -> Protocol:
    """Make the protocol that a spec describes.

    shape: as read_shape gives it; data: the same as plain TOML data, for naming places; source: the file's name for
    errors. Raises SpecError with every fault, those of the shape included.
    """
    return _Builder(shape, data, source).protocol()


class _Builder:
    def __init__(self, shape: Shape, data: dict[str, Any], source: str) -> None:
        self.spec = shape.spec
        self.guessed = shape.guessed
        self.data = data
        self.source = source
        self.faults: list[Fault] = list(shape.faults)

    def complain(self, code: str, path: Path, text: str, help_text: str | None = None, also: Path = ()) -> None:
        """Take a fault. text: the plain fault; a second line explains it. also: the other place it speaks of last."""
        if code == "missing_key" and any(guess[:-1] == path for guess in self.guessed):
            return  # it may be the one that is misspelt there
        help_text = help_text and one_line(help_text)
        text, _, note = text.partition("\n")
        where = place(path, self.data)
        fault = Fault(code, path, where, one_line(text), help_text, note=one_line(note) or None, also=also)
        self.faults.append(fault)

    def protocol(self) -> Protocol:
        spec = self.spec
        if fault := fault_in_protocol_name(spec.protocol.name):
            self.complain("bad_name", ("protocol", "name"), *fault)
        revision = 1 if spec.protocol.revision is None else spec.protocol.revision
        self.rows = Rows(self.complain, self._parts(), self.guessed, spec.protocol.revision or 0, self._taken())
        header = self.rows.expanded(spec.header.field, ("header",))
        bodies = [self.rows.expanded(frame.field, ("frame", k)) for k, frame in enumerate(spec.frame)]
        self.header = [field for field, _ in header or []]
        self._kinds(header or [], [body or [] for body in bodies])
        self._codes()
        check = check_of(spec.integrity, self.complain)
        self.seal_rules = SealRules(spec.seal, spec.frame, self.complain)
        layouts = self._layouts(header, bodies, check.octets if check else 0)
        integrity = integrity_of(spec.integrity, check, layouts, self.complain)
        seal = self.seal_rules.seal(layouts)
        if self.faults:
            raise SpecError(in_file_order(self.faults, self.data), self.source)
        frames = {layout.name: layout for layout in layouts}
        return Protocol(
            spec.protocol.name,
            revision,
            spec.protocol.summary,
            frames,
            integrity,
            spec.radio,
            spec.protocol.language,
            seal,
        )

    def _unsure(self, path: Path, below: int = 9) -> bool:
        """Whether a guess stands at, above, or at most so many keys below this place: a fault there may be none."""
        near = (guess for guess in self.guessed if len(guess) <= len(path) + below)
        return any(guess[: len(path)] == path[: len(guess)] for guess in near)

    def _parts(self) -> dict[str, tuple[specfile.PartTable, Path]]:
        """The parts by name; their names are good, and no two the same."""
        parts: dict[str, tuple[specfile.PartTable, Path]] = {}
        for i, part in enumerate(self.spec.part):
            path: Path = ("part", i)
            self._name(part.name, (*path, "name"))
            if part.name in parts:
                text = f'two parts are called "{part.name}": this one, and one before it'
                self.complain("name_taken", (*path, "name"), text, "rename this one", (*parts[part.name][1], "name"))
            parts.setdefault(part.name, (part, path))
        return parts

    def _taken(self) -> set[str]:
        """Every field's name in the whole spec, so that a spare of the header has one name in all frames."""
        fields = [self.spec.header.field, *(frame.field for frame in self.spec.frame)]
        fields += [part.field for part in self.spec.part]
        return {name for some in fields for name in _names_of(some)}

    def _layouts(self, header: list[Item] | None, bodies: list[list[Item] | None], check: int) -> list[Layout]:
        """The layouts of all frames that have no fault in header and fields; complains of names on the way."""
        layouts: list[Layout] = []
        frames: dict[str, int] = {}
        for k, (frame, body) in enumerate(zip(self.spec.frame, bodies, strict=True)):
            self._name(frame.name, ("frame", k, "name"))
            if frame.name in frames:
                text = f'two frames are called "{frame.name}": this one, and one before it'
                also: Path = ("frame", frames[frame.name], "name")
                self.complain("name_taken", ("frame", k, "name"), text, "rename this one", also)
            frames.setdefault(frame.name, k)
            items = [*(header or []), *(body or [])]
            before = len(self.faults)
            entries = self.rows.row(items, {}, frame.message or 0)
            whole = header is not None and body is not None and entries is not None and len(self.faults) == before
            sure = whole and not self._unsure(("header",)) and not self._unsure(("frame", k))
            if sure and items:
                layouts.append(self._layout(k, frame, entries or [], len(header or []), check))
            elif sure:
                text = "this frame has no fields, and the header has none either"
                self.complain("no_fields", ("frame", k), text, 'field = [ { name = "level", … } ]')
        return layouts

    def _layout(self, k: int, frame: specfile.FrameTable, entries: list[Entry], header: int, check: int) -> Layout:
        count = next((i for i, entry in enumerate(entries) if not isinstance(entry, Slot)), len(entries))
        slots = [entry for entry in entries[:count] if isinstance(entry, Slot)]
        tail = tuple(entries[count:])
        end = slots[-1].end if slots else 0
        if not tail and end % 8:
            slots.append(Slot("", "fill", end, -end % 8, Fixed(0, Status.SPARE_NOT_ZERO)))
        header = min(header, count)
        sealing = self.seal_rules.sealing(k, frame, slots, header, bool(tail))
        layout = Layout(
            frame.name, frame.message, tuple(slots), header, check, frame.summary, frame.interval, tail, sealing
        )
        self.rows.turned_wrong(layout.entries)
        self._length(k, layout)
        if "seal" not in self.data:
            self._whole_counter(layout)
        return layout

    def _whole_counter(self, layout: Layout) -> None:
        """A counter of which only a part travels is for sealed frames: elsewhere nobody could know the rest."""
        for slot in layout.every_slot:
            if isinstance(slot.transform, Scaled) and slot.transform.counter_bits:
                text = f'"{slot.name}" has counter_bits, and no frame is sealed'
                path = (*self.rows.place_of(slot), "counter_bits")
                self.complain("not_sealed", path, text, "a table [seal], or no counter_bits")

    def _length(self, k: int, layout: Layout) -> None:
        """The longest frame fits in 255 octets, and its length in the field that says it."""
        path: Path = ("frame", k)
        if layout.octets > LONGEST:
            sum_text = f"{layout.body_octets} + {layout.end_octets} = {layout.octets} octets"
            longest = "this frame takes" if layout.fixed else "the longest frame takes"
            help_text = "two frames instead of one" if layout.fixed else "fewer items at most, or two frames"
            self.complain("too_long", path, f"{longest} {sum_text}; {LONGEST} is the most", help_text)
        for slot in layout.every_slot:
            if isinstance(slot.transform, Length):
                self._length_field(layout, slot)

    def _length_field(self, layout: Layout, slot: Slot) -> None:
        path = self.rows.place_of(slot)
        if slot not in layout.slots:
            text = f'"{slot.name}" stands behind a list or group, where nobody can find it'
            self.complain("length_late", path, text, "move it before the first list or group")
        elif slot.end % 8 and isinstance(slot.transform, Length) and slot.transform.covers == "rest":
            text = f'"{slot.name}" ends inside octet {slot.end // 8}; the octets after it are not whole'
            self.complain("unaligned", path, text, 'covers = "frame", or fill the octet before it')
        elif length_of(slot, layout.octets) >> slot.bits:
            most = length_of(slot, layout.octets)
            text = f'"{slot.name}" must say up to {most}, which does not fit in {slot.bits} bits'
            self.complain("too_few_bits", (*path, "bits"), text, f"bits = {most.bit_length()}")

    def _name(self, name: str, path: Path) -> None:
        fault = fault_in_name(name)
        if fault:
            self.complain("bad_name", path, *fault)

    def _kinds(self, header: list[Item], bodies: list[list[Item]]) -> None:
        """Addresses, message and revision stand in the header, and none of them twice."""
        seen: dict[str, str] = {}
        for field, path in header:
            if field.kind in _ONE_EACH and field.kind in seen:
                text = f'there is a second {field.kind}; the first is "{seen[field.kind]}"'
                self.complain("kind_twice", path, text, "a frame has one of them")
            seen.setdefault(field.kind, getattr(field, "name", ""))
            if isinstance(field, specfile.ListField | specfile.GroupField):
                text = f"a {field.kind} cannot stand in the header, which is the same in every frame"
                self.complain("not_in_header", path, text, "a [[part]] that frames share")
        for body in bodies:
            self._kinds_of_frame(body, dict(seen))

    def _kinds_of_frame(self, body: list[Item], here: dict[str, str]) -> None:
        for field, path in body:
            if field.kind in _HEADER_ONLY:
                text = f"a {field.kind} belongs in the header, at the same bits in every frame"
                self.complain("header_only", path, text, "move it to [header]")
            elif field.kind in _ONE_EACH and field.kind in here:
                text = f'there is a second {field.kind}; the first is "{here[field.kind]}"'
                self.complain("kind_twice", path, text, 'kind = "count" for another number')
            here.setdefault(field.kind, getattr(field, "name", ""))
            if isinstance(field, specfile.ListField | specfile.GroupField):
                inner = self.rows.expanded(field.field, path) or []
                self._kinds_of_frame([item for item in inner if item[0].kind in (*_HEADER_ONLY, "list", "group")], here)

    def _codes(self) -> None:
        """Message codes fit and differ; the revision fits, and its highest code is kept for later."""
        header = {field.kind: field for field in self.header}
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
        seen: dict[int, int] = {}
        for k, frame in enumerate(self.spec.frame):
            path: Path = ("frame", k)
            if frame.message is None:
                if not self._unsure(path, below=1):
                    text = "this frame needs message = N, its code"
                    free = next(code for code in itertools.count(1) if code not in self._messages())
                    self.complain("missing_key", path, text, f"message = {free}")
            elif not 0 <= frame.message < 1 << message.bits:
                text = f"{frame.message} does not fit in {message.bits} bits: 0..{(1 << message.bits) - 1} do"
                help_text = f"another code, or bits = {frame.message.bit_length()} in the header"
                self.complain("too_large", (*path, "message"), text, help_text)
            elif frame.message in seen:
                first = seen[frame.message]
                text = f'{frame.message} is the code of "{self.spec.frame[first].name}" already'
                also: Path = ("frame", first, "message")
                self.complain("codes_overlap", (*path, "message"), text, "give each frame its own code", also)
            if frame.message is not None:
                seen.setdefault(frame.message, k)

    def _messages(self) -> set[int | None]:
        return {frame.message for frame in self.spec.frame}

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


def _names_of(fields: list[specfile.AnyField]) -> Iterator[str]:
    for field in fields:
        yield getattr(field, "name", "")
        if isinstance(field, specfile.ListField | specfile.GroupField):
            yield from _names_of(field.field)
