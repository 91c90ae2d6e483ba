"""What a header of the newest revision has to know to read an older one too: may they be read together at all, can one
frame be sound in both, which frames are the same, and how each struct of the old becomes one of the new.

Everything is worked out from the two layouts; the C that results decides by comparing a few numbers.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from ullage import Protocol, Status
from ullage.codes import reasons
from ullage.errors import UllageError
from ullage.layout import Entry, Fixed, Gate, Layout, Repeat, Slot
from ullage.receiver import furthest

from .convert import chain, convert
from .model import CType, Inner, Member, Scope, unsigned
from .names import Names


def refuse_strangers(newest: Protocol, older: Protocol) -> None:
    """Raise UllageError unless older is an older revision of the same protocol, with a frame that is still there."""
    if older.name != newest.name:
        raise UllageError(f'"{older.name}" is no revision of "{newest.name}": give an older spec of the same protocol')
    if older.fingerprint == newest.fingerprint:
        raise UllageError(f"both specs are revision {newest.revision} of {newest.name}, there is nothing older to read")
    if older.revision == newest.revision:
        marks = f"fingerprints {newest.fingerprint} and {older.fingerprint}"
        raise UllageError(
            f"revision {newest.revision} names two layouts, {marks}; raise the revision of the newer spec"
        )
    if older.revision > newest.revision:
        text = f"revision {older.revision} is not older than revision {newest.revision}"
        raise UllageError(f"{text}; emit from the newest spec and give the other one with --older")
    if not older.frames.keys() & newest.frames.keys():
        text = f"revision {newest.revision} has none of the frames of revision {older.revision}"
        raise UllageError(f"{text}, so a decoder of both would give nothing of the older one")


def refuse_sealed(newest: Protocol, older: Protocol) -> None:
    """Raise UllageError where a frame of either is sealed: a header has the keys and windows of one revision."""
    for one in (newest, older):
        if one.seal:
            text = f"revision {one.revision} of {one.name} has sealed frames, and a header with --older opens none"
            raise UllageError(f"{text}: emit it without --older, or receive with Python's Receiver of both")


def may_both_accept(newest: Protocol, older: Protocol) -> bool:
    """Whether one octet string could be sound in both.

    False is proven: no two frames of them can have the same length and the same bits where bits are always the same.
    """
    return any(_may_meet(new, old) for new in newest.frames.values() for old in older.frames.values())


def _may_meet(new: Layout, old: Layout) -> bool:
    if new.octets < old.least_octets or old.octets < new.least_octets:
        return False
    others = dict(_fixed_bits(old))
    return all(others.get(place, bit) == bit for place, bit in _fixed_bits(new))


def _fixed_bits(layout: Layout) -> Iterator[tuple[int, int]]:
    """Place and value of the bits that are the same in every frame."""
    for slot in layout.slots:
        if isinstance(slot.transform, Fixed):
            code = slot.turned(slot.transform.value)
            for place in range(slot.bits):
                yield slot.offset + place, code >> (slot.bits - 1 - place) & 1


def same_frame(new: Layout, old: Layout) -> bool:
    """Whether a frame is the same in both but for the codes of revision and message, and for words."""
    return (
        new.name == old.name
        and new.check_octets == old.check_octets
        and new.header_slots == old.header_slots
        and [_plain(entry) for entry in new.entries] == [_plain(entry) for entry in old.entries]
    )


def _plain(entry: Entry) -> object:
    """An entry without words, and without the codes that are asked before the frame is known."""
    if isinstance(entry, Slot):
        fixed = isinstance(entry.transform, Fixed) and entry.kind in ("revision", "message")
        what = None if fixed else entry.transform
        return entry.name, entry.kind, entry.offset, entry.bits, entry.low_first, what
    inside = tuple(_plain(one) for one in entry.entries)
    if isinstance(entry, Gate):
        return entry.name, entry.when, inside
    return entry.name, entry.counted_by, entry.item_octets, entry.least, entry.at_most, inside


def stages(protocols: tuple[Protocol, ...]) -> list[tuple[int, tuple[Status, ...]]]:
    """The reasons of all these protocols by how far a frame came in the order of questions, the first one first."""
    possible = sorted({reason for protocol in protocols for reason in reasons(protocol)})
    rank = {one: sum(furthest([other, one]) for other in possible) for one in possible}
    ranks = sorted(set(rank.values()))
    return [(place, tuple(one for one in possible if rank[one] == found)) for place, found in enumerate(ranks)]


@dataclass(frozen=True)
class Mark:
    """A bit of `missing`: its constant, its place, whether it is set in every old frame, and words for that."""

    constant: str
    bit: int
    always: bool
    comment: str


@dataclass(frozen=True)
class Converter:
    """The C function that fills one struct of the newest revision from one of the older.

    returns: whether something in it can be missing, so that it gives bits. unused: whether it reads nothing of the old
    struct. arrays: whether it has a loop.
    """

    name: str
    source: str
    target: str
    lines: tuple[str, ...]
    returns: bool
    unused: bool
    arrays: bool


@dataclass
class Conversions:
    """All converters and marks of one pair of revisions.

    names: of the header. older: revision number. mask: the type of `missing`.
    """

    names: Names
    older: int
    mask: CType
    converters: list[Converter] = field(default_factory=list)
    marks: dict[str, list[Mark]] = field(default_factory=dict)

    def frame(self, name: str, target: Scope, source: Scope) -> None:
        """Add the converters of a frame's struct and of all inside it, the innermost first."""
        self.marks[name] = []
        _Walk(self, name).scope(target, source, ())

    @property
    def widest(self) -> int:
        """The most bits that a frame's `missing` needs."""
        return max(map(len, self.marks.values()), default=0)


@dataclass
class _Walk:
    """Goes through one frame, and hands out its marks in wire order."""

    made: Conversions
    frame: str

    def scope(self, target: Scope, source: Scope, path: tuple[str, ...]) -> Converter:
        """The converter of one struct. Registered in `made`, behind those that it calls."""
        members = {member.slot.name: member for member in source.members}
        inside = {inner.name: inner for inner in source.inner}
        lines: list[str] = []
        for entry in target.entries:
            if isinstance(entry, Member):
                gates = [one for one in target.inner if isinstance(one.entry, Gate) and one.control == entry.name]
                if gates:
                    lines += self._groups(entry, gates, inside, path)
                else:
                    lines += self._member(entry, members.get(entry.slot.name), path)
            elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
                lines += self._list(entry, inside.get(entry.name), path)
        if not target.members and not target.inner:
            lines.append("values->nothing = 0u;")
        converter = Converter(
            self.made.names.function(
                self._own(target), f"from_r{self.made.older}", maker=f"the way to {target.struct}"
            ),
            source.struct,
            target.struct,
            tuple(lines),
            any(line.lstrip().startswith("missing = ") for line in lines),
            not any("old->" in line for line in lines),
            any(line.lstrip().startswith("for (place") for line in lines),
        )
        self.made.converters.append(converter)
        return converter

    def _own(self, target: Scope) -> str:
        return target.struct.removeprefix(f"{self.made.names.prefix}_")

    def _mark(self, path: tuple[str, ...], always: bool) -> list[str]:
        """A new bit, and the statement that sets it."""
        words = (self.frame, "missing", *path)
        constant = self.made.names.constant(*words, maker=f'the mark of "{".".join((self.frame, *path))}"')
        marks = self.made.marks[self.frame]
        comment = "never sent" if always else "when what was sent does not fit"
        marks.append(
            Mark(
                constant,
                len(marks),
                always and len(path) == 1,
                f"{comment} by revision {self.made.older}" if always else comment,
            )
        )
        return [self._add(constant)]

    def _add(self, bits: str) -> str:
        return f"missing = ({self.made.mask.name})(missing | {bits});"

    def _member(self, member: Member, source: Member | None, path: tuple[str, ...]) -> list[str]:
        """First what it comes to, and then, if it can be missing, once more with a bit of its own."""
        found = convert(member, source, [])
        if found.missing == "never":
            return found.lines
        return convert(member, source, self._mark((*path, member.slot.name), found.missing == "always")).lines

    def _call(self, converter: Converter, source: str, target: str) -> str:
        call = f"{converter.name}({source}, {target})"
        return self._add(call) if converter.returns else f"{call};"

    def _list(self, entry: Inner, source: Inner | None, path: tuple[str, ...]) -> list[str]:
        """Item by item; a list that is not there, or has as many items as the new one may not have, is empty."""
        assert isinstance(entry.entry, Repeat)
        here = (*path, entry.name)
        count = f"values->{entry.control}"
        if source is None or not isinstance(source.entry, Repeat):
            return [f"{count} = 0u;", *self._mark(here, True)]
        given = f"old->{source.control}"
        tests = [f"{given} < {entry.entry.least}u"] if source.entry.least < entry.entry.least else []
        tests += [f"{given} > {entry.entry.at_most}u"] if source.entry.at_most > entry.entry.at_most else []
        if entry.entry.least > source.entry.at_most or entry.entry.at_most < source.entry.least:
            return [f"{count} = 0u;", *self._mark(here, True)]
        miss = [f"{count} = 0u;", *self._mark(here, False)] if tests else []
        inner = self.scope(entry.scope, source.scope, here)
        call = self._call(inner, f"&old->{source.name}[place]", f"&values->{entry.name}[place]")
        copied = [f"{count} = {given};", f"for (place = 0u; place < {given}; place++) {{", f"    {call}", "}"]
        return chain([(" || ".join(tests), miss)], copied) if tests else copied

    def _groups(self, flag: Member, gates: list[Inner], inside: dict[str, Inner], path: tuple[str, ...]) -> list[str]:
        """A flag with its groups: there as in the old one, if that has them all under one flag; else absent."""
        sources = [inside.get(gate.name) for gate in gates]
        found = [source for source in sources if source is not None and isinstance(source.entry, Gate)]
        value = f"values->{flag.name}"
        if len(found) < len(gates) or len({source.control for source in found}) > 1:
            marks = [self._mark((*path, name), True) for name in (flag.slot.name, *(gate.name for gate in gates))]
            return [f"{value} = 0u;", *(line for mark in marks for line in mark)]
        given = f"old->{found[0].control}"
        calls: list[str] = []
        for gate, source in zip(gates, found, strict=True):
            inner = self.scope(gate.scope, source.scope, (*path, gate.name))
            calls.append(self._call(inner, f"&old->{source.name}", f"&values->{gate.name}"))
        return [f"{value} = {given};", *chain([(f"{given} != 0u", calls)], [])]


def conversions(names: Names, older: int, pairs: list[tuple[str, Scope, Scope]]) -> Conversions:
    """How the frames of an older revision become those of the newest.

    names: of the header, whose function and constant names are registered. older: the older revision. pairs: frame
    name, its struct now, its struct then. Raises UllageError when a frame has more than 64 fields that can be missing.
    """
    mask = CType(8, False)
    while True:
        made = Conversions(names, older, mask)
        for name, target, source in pairs:
            made.frame(name, target, source)
        for name, marks in made.marks.items():
            if len(marks) > 64:
                text = f'{len(marks)} fields of frame "{name}" can be missing when revision {older} is read'
                raise UllageError(f"{text}, and a header has room to mark 64")
        if mask.bits >= made.widest:
            return made
        mask = unsigned(made.widest)
