"""Names and types of the emitted Python module: a class for each frame, list and group, and words that nothing breaks.

Fields keep their names. What the module needs for itself begins with an underscore or ends in one, which no name of a
spec does; public words of a class give way to a field of the same name.
"""

from dataclasses import dataclass

from ullage import Protocol
from ullage.layout import Binary32, Choice, Entry, Fixed, Flag, Layout, Length, Opaque, Repeat, Scaled, Slot, Text
from ullage.unfold import controls
from ullage.values import expectation

from ..c.names import NameClash
from ..c.text import said

_WORDS = """Refused EncodeError Message FRAMES NAME REVISION FINGERPRINT STATUSES Any Callable ClassVar Decimal Fraction
Literal Mapping NamedTuple NoReturn Optional SupportsIndex Union AssertionError Exception NotImplementedError TypeError
ValueError"""
RESERVED = frozenset(_WORDS.split())
"""Capitalised words that the module uses; a frame whose class would be called so gets "Frame" behind its name."""

_SEALED_WORDS = """Receiver Sender Counter Keys SealError ImportError AESCCM InvalidTag"""
SEALED_RESERVED = RESERVED | frozenset(_SEALED_WORDS.split())
"""The same, for a module that seals."""

_PLAIN_TYPES = ("int", "float", "str", "bytes", "bool", "tuple", "dict")


@dataclass(frozen=True)
class PyField:
    """A field of an emitted class: type and comment are text; derived ones may be left out."""

    name: str
    type: str
    comment: str
    derived: bool


@dataclass(frozen=True)
class PyClass:
    """A class for a frame, or for what stands in a list or group.

    path: frame, then the names of lists and groups down to it. word: what it is called for people.
    """

    name: str
    path: tuple[str, ...]
    word: str
    summary: str
    fields: tuple[PyField, ...]

    @property
    def names(self) -> frozenset[str]:
        """The names of its fields."""
        return frozenset(field.name for field in self.fields)

    @property
    def derived(self) -> tuple[str, ...]:
        """The fields that may be left out."""
        return tuple(field.name for field in self.fields if field.derived)

    @property
    def this(self) -> str:
        """What its methods call the object."""
        return "_self" if "self" in self.names else "self"

    @property
    def ambiguous(self) -> bool:
        """Whether linters would call a name of it hard to tell from a digit."""
        return self.name in ("I", "O") or "l" in self.names

    @property
    def property(self) -> str:
        """The decorator of its properties: with its home where a field is called like it."""
        return "_builtins.property" if "property" in self.names else "property"

    def plain(self, kind: str) -> str:
        """A built-in type as its annotations say it: with its home where a field is called like one."""
        return f"_builtins.{kind}" if self.names.intersection(_PLAIN_TYPES) else kind


def literal(text: str) -> str:
    """A text as Python writes it: ASCII, in double quotes."""
    return '"' + text.encode("unicode_escape").decode("ascii").replace('"', '\\"') + '"'


def quoted(text: str) -> str:
    """Free text of a spec made fit for a docstring or a comment of Python: ASCII, on one line, unable to end either."""
    return said(text).replace('"', "'").replace("#", "no. ")


def class_names(protocol: Protocol) -> dict[tuple[str, ...], str]:
    """Path -> class name for all frames, and for what stands in their lists and groups, the inner ones first.

    Raises NameClash when two would have the same name.
    """
    reserved = SEALED_RESERVED if protocol.seal else RESERVED
    makers: dict[str, str] = {}
    found: dict[tuple[str, ...], str] = {}

    def name(path: tuple[str, ...], stem: str) -> str:
        made = stem + "".join(word[:1].upper() + word[1:] for word in path[-1].split("_"))
        made += "Frame" if made in reserved else ""
        maker = f'frame "{path[0]}"' if len(path) == 1 else f'"{".".join(path)}"'
        other = makers.setdefault(made, maker)
        if other != maker:
            raise NameClash(f"{other} and {maker} would both be called {made} in Python; rename one of them")
        return made

    def enter(path: tuple[str, ...], entries: tuple[Entry, ...], stem: str) -> None:
        made = name(path, stem)
        for entry in entries:
            if not isinstance(entry, Slot):
                enter((*path, entry.name), entry.entries, made)
        found[path] = made

    for layout in protocol.frames.values():
        enter((layout.name,), layout.entries, "")
    return found


def classes(protocol: Protocol) -> list[PyClass]:
    """All classes of a module, each behind those that it uses. Raises NameClash."""
    names = class_names(protocol)
    return [_class(protocol.frames[path[0]], path, names) for path in names]


def _class(layout: Layout, path: tuple[str, ...], names: dict[tuple[str, ...], str]) -> PyClass:
    entries, word, summary = layout.entries, layout.name, layout.summary
    for depth in range(1, len(path)):
        entry = next(entry for entry in entries if entry.name == path[depth])
        assert not isinstance(entry, Slot)
        entries, summary = entry.entries, entry.summary
        word = f"{'An item of' if isinstance(entry, Repeat) else 'The group'} {'.'.join(path)}"
    bare = PyClass(names[path], path, word, summary, tuple(_untyped(entries)))
    fields = []
    for entry in entries:
        if isinstance(entry, Slot):
            if entry.given:
                fields.append(_slot_field(bare, entry, entry.name in controls(entries)))
            continue
        inner = names[(*path, entry.name)]
        if isinstance(entry, Repeat):
            comment = f"{entry.least}..{entry.at_most} items"
            kind = f"{bare.plain('tuple')}[{inner}, ...]"
        else:
            comment, kind = "or None where it is not there", f"Optional[{inner}]"
        fields.append(PyField(entry.name, kind, _with_summary(comment, entry.summary), False))
    return PyClass(names[path], path, word, summary, tuple(fields))


def _untyped(entries: tuple[Entry, ...]) -> list[PyField]:
    return [PyField(entry.name, "", "", False) for entry in entries if not isinstance(entry, Slot) or entry.given]


def _with_summary(comment: str, summary: str) -> str:
    return quoted(f"{comment}; {summary}" if summary else comment)


def _slot_field(owner: PyClass, slot: Slot, derived: bool) -> PyField:
    comment = expectation(slot)
    if isinstance(slot.transform, Scaled):
        comment += "" if slot.transform.broadcast is None else f", {slot.transform.broadcast} is everybody"
        comment += ", the nearer end is sent beyond it" if slot.transform.clamp else ""
        since = {"unix": "1970-01-01 UTC", "start": "the start"}.get(slot.transform.epoch or "")
        comment += f", since {since}" if since else ""
    elif isinstance(slot.transform, Binary32) and slot.transform.unit:
        comment += f", in {slot.transform.unit}"
    kind = slot_type(owner, slot)
    if derived:
        kind, comment = f"Optional[{kind}]", f"follows from what is given; {comment}"
    return PyField(slot.name, kind, _with_summary(comment, slot.summary), derived)


def slot_type(owner: PyClass, slot: Slot) -> str:
    """The type of a slot's value as the annotations of a class say it."""
    match slot.transform:
        case Scaled() as scaled:
            number = owner.plain("int" if scaled.whole else "float")
            names = ", ".join(literal(special.name) for special in scaled.specials)
            return f"Union[{number}, Literal[{names}]]" if names else number
        case Flag():
            return owner.plain("bool")
        case Choice(codes):
            return f"Literal[{', '.join(literal(code.name) for code in codes)}]"
        case Text():
            return owner.plain("str")
        case Opaque():
            return owner.plain("bytes")
        case Binary32():
            return owner.plain("float")
        case Fixed() | Length():
            raise AssertionError(f"{slot.name} has no value")
