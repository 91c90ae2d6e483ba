"""What a frame's struct looks like in C: for each value slot a member with its type, range and special constants.

Structs hold whole steps counted from 0. A member's type is the smallest that holds the range and, beyond it, every
special code; special codes lie at the far end of the type, so that a forgotten question never shows a plausible value.
"""

from dataclasses import dataclass

from ullage.layout import Binary32, Choice, Entry, Flag, Gate, Layout, Opaque, Repeat, Scaled, Slot, Text

from .names import NameClash, Names, member_name, members, step_suffix
from .units import WholeUnit, helper_unit

SIZES = (8, 16, 32, 64)


@dataclass(frozen=True)
class CType:
    """An exact-width integer type of <stdint.h>."""

    bits: int
    signed: bool

    @property
    def name(self) -> str:
        """int16_t, uint8_t."""
        return f"{'' if self.signed else 'u'}int{self.bits}_t"

    @property
    def lowest(self) -> int:
        """The lowest value it holds."""
        return -(1 << (self.bits - 1)) if self.signed else 0

    @property
    def highest(self) -> int:
        """The highest value it holds."""
        return (1 << (self.bits - 1 if self.signed else self.bits)) - 1

    def holds(self, *values: int) -> bool:
        """Whether it holds all of them."""
        return all(self.lowest <= value <= self.highest for value in values)

    def literal(self, value: int) -> str:
        """A constant expression of this value that every compiler reads in the right type."""
        if value == self.lowest and self.signed and self.bits > 8:
            suffix = {16: "", 32: "L", 64: "LL"}[self.bits]
            return f"(-{-value - 1}{suffix} - 1)"
        size = abs(value).bit_length()
        if self.signed:
            text = f"{abs(value)}{'' if size < 16 else 'L' if size < 32 else 'LL'}"
            return f"(-{text})" if value < 0 else text
        return f"{value}{'u' if size <= 16 else 'UL' if size <= 32 else 'ULL'}"

    def plus(self, text: str, amount: int) -> str:
        """An expression of this unsigned type with a constant added, modulo its size; "" changes nothing.

        The constant has the type itself: "UL" is wider than 32 bits on some machines, and would widen the sum.
        """
        amount %= 1 << self.bits
        if not amount:
            return text
        sign, size = ("+", amount) if amount < 1 << (self.bits - 1) else ("-", (1 << self.bits) - amount)
        return f"({self.name})({text} {sign} {self.constant(size)})"

    def constant(self, value: int) -> str:
        """An unsigned constant that is no wider than the type, on any machine."""
        return self.literal(value) if value < 1 << 16 else f"({self.name}){self.literal(value)}"

    def pattern(self, value: int) -> str:
        """The same for a bit pattern of an unsigned type, in hex."""
        suffix = {8: "u", 16: "u", 32: "UL", 64: "ULL"}[self.bits]
        return f"0x{value:0{self.bits // 4}x}{suffix}"


def unsigned(bits: int) -> CType:
    """The smallest unsigned type that holds this many bits."""
    return CType(next(size for size in SIZES if bits <= size), False)


@dataclass(frozen=True)
class Condition:
    """A special code or a choice in C: constant name, value in the member, code on the wire, name in the spec."""

    constant: str
    value: int
    code: int
    name: str


@dataclass(frozen=True)
class Member:
    """One struct member.

    slot: what it stands for. name: in C. ctype: its type (of one element, for arrays). length: elements of an array,
    0 for a plain member. lowest..highest: what it may hold, special values aside. conditions: special codes or choices.
    helper: the unit of the from/to helpers, or None. lowest_name, highest_name: constants of the range, or "".
    scope: the words before the field's name in its constants and functions.
    """

    slot: Slot
    name: str
    ctype: CType
    length: int
    lowest: int
    highest: int
    conditions: tuple[Condition, ...]
    helper: WholeUnit | None
    scope: tuple[str, ...]
    lowest_name: str = ""
    highest_name: str = ""

    @property
    def declaration(self) -> str:
        """The member as declared in the struct."""
        kind = "char" if isinstance(self.slot.transform, Text) else self.ctype.name
        return f"{kind} {self.name}[{self.length}];" if self.length else f"{kind} {self.name};"

    @property
    def total(self) -> bool:
        """Whether every content of the member can be sent, so that an encoder need not look."""
        transform = self.slot.transform
        if isinstance(transform, Opaque):
            return True
        if isinstance(transform, Text | Binary32):
            return False
        if isinstance(transform, Scaled) and transform.clamp:
            return True
        values = {condition.value for condition in self.conditions}
        if isinstance(transform, Choice):
            return len(values) == 1 << self.ctype.bits
        outside = (self.lowest - self.ctype.lowest) + (self.ctype.highest - self.highest)
        return outside == sum(not self.lowest <= value <= self.highest for value in values)


@dataclass(frozen=True)
class Counter:
    """A slot that says how many items a list has; in C the list's own count of items stands for it."""

    slot: Slot
    repeat: Repeat


@dataclass(frozen=True)
class Inner:
    """A list or a group: a struct inside the struct.

    entry: the layout's. scope: its own struct. name: of the member. control: the member that says how many or whether.
    """

    entry: Repeat | Gate
    scope: "Scope"
    name: str
    control: str


@dataclass(frozen=True)
class Scope:
    """One struct: a frame's, a list item's or a group's. entries in wire order, Slot for what carries no value."""

    struct: str
    entries: "tuple[Member | Counter | Inner | Slot, ...]"

    @property
    def members(self) -> tuple[Member, ...]:
        """The plain members, those inside lists and groups not among them."""
        return tuple(entry for entry in self.entries if isinstance(entry, Member))

    @property
    def inner(self) -> tuple[Inner, ...]:
        """The lists and groups."""
        return tuple(entry for entry in self.entries if isinstance(entry, Inner))

    @property
    def every(self) -> "tuple[Scope, ...]":
        """This scope and all inside it, the innermost first."""
        return (*(one for entry in self.inner for one in entry.scope.every), self)


def frame_scope(layout: Layout, names: Names) -> Scope:
    """The struct of a frame, with those inside it. Registers the constants' names. Raises NameClash."""
    header = frozenset(slot.name for slot in layout.slots[: layout.header_slots])
    return _scope(layout.entries, (layout.name,), header, names)


def _scope(entries: tuple[Entry, ...], path: tuple[str, ...], header: frozenset[str], names: Names) -> Scope:
    where = f'frame "{path[0]}"' if len(path) == 1 else f'"{".".join(path)}"'
    struct = names.function(*path, maker=where)
    counted = {entry.counted_by: entry for entry in entries if isinstance(entry, Repeat)}
    own = tuple(entry for entry in entries if isinstance(entry, Slot) and entry.given and entry.name not in counted)
    by_slot = members(own, where)
    taken = {member: f'field "{name}"' for name, member in by_slot.items()}
    made: list[Member | Counter | Inner | Slot] = []
    for entry in entries:
        if isinstance(entry, Slot) and entry.name in counted:
            made.append(Counter(entry, counted[entry.name]))
        elif isinstance(entry, Slot) and entry.given:
            made.append(_member(entry, by_slot[entry.name], () if entry.name in header else path, names))
        elif isinstance(entry, Slot):
            made.append(entry)
        else:
            control = f"{entry.name}_count" if isinstance(entry, Repeat) else by_slot[entry.when]
            for name in (entry.name, *((control,) if isinstance(entry, Repeat) else ())):
                other = taken.setdefault(name, f'"{entry.name}"')
                if other != f'"{entry.name}"':
                    text = f'{other} and "{entry.name}" of {where} would both be the member {name} in C'
                    raise NameClash(f"{text}; rename one of them")
            if isinstance(entry, Repeat):
                names.constant(*path, entry.name, "at_most", maker=where)
            inner = _scope(entry.entries, (*path, entry.name), frozenset(), names)
            made.append(Inner(entry, inner, entry.name, control))
    return Scope(struct, tuple(made))


def _member(slot: Slot, name: str, scope: tuple[str, ...], names: Names) -> Member:
    match slot.transform:
        case Scaled() as scaled:
            return _scaled_member(slot, scaled, name, scope, names)
        case Flag():
            return Member(slot, name, CType(8, False), 0, 0, 1, (), None, scope)
        case Choice() as choice:
            ctype = unsigned(max(code.code for code in choice.codes).bit_length() or 1)
            found = tuple(
                Condition(_constant(names, scope, slot, code.name), code.code, code.code, code.name)
                for code in choice.codes
            )
            return Member(slot, name, ctype, 0, 0, 0, found, None, scope)
        case Text(octets):
            return Member(slot, name, CType(8, False), octets + 1, 0x20, 0x7E, (), None, scope)
        case Opaque(octets):
            return Member(slot, name, CType(8, False), octets, 0, 255, (), None, scope)
        case Binary32():
            return Member(slot, name, CType(32, False), 0, 0, 0, (), None, scope)
    raise AssertionError(slot.kind)


def _constant(names: Names, scope: tuple[str, ...], slot: Slot, *words: str) -> str:
    return names.constant(*scope, slot.name, *words, maker=_maker(scope, slot, " ".join(words)))


def _maker(scope: tuple[str, ...], slot: Slot, what: str) -> str:
    frame = f' of frame "{scope[0]}"' if scope else ""
    return f'"{what}" of field "{slot.name}"{frame}'


def _scaled_member(slot: Slot, scaled: Scaled, name: str, scope: tuple[str, ...], names: Names) -> Member:
    helper = helper_unit(scaled.unit, scaled.step) if slot.kind in ("measure", "time") else None
    ctype = _scaled_type(scaled, helper is not None)
    if ctype.bits == 64:
        helper = None
    start, way = (ctype.lowest, 1) if ctype.signed else (ctype.highest, -1)
    found = tuple(
        Condition(_constant(names, scope, slot, special.name), start + way * place, special.code, special.name)
        for place, special in enumerate(scaled.specials)
    )
    if scaled.broadcast is not None:
        _constant(names, scope, slot, "everybody")
    ends = ("", "")
    if slot.kind in ("measure", "time") or (slot.kind == "count" and not _fills(scaled, slot.bits)):
        suffix = (step_suffix(slot),) if step_suffix(slot) else ()
        ends = (
            _constant(names, scope, slot, "lowest", *suffix),
            _constant(names, scope, slot, "highest", *suffix),
        )
    return Member(slot, name, ctype, 0, scaled.lowest, scaled.highest, found, helper, scope, *ends)


def _fills(scaled: Scaled, bits: int) -> bool:
    return scaled.lowest == 0 and scaled.highest == (1 << bits) - 1


def _scaled_type(scaled: Scaled, helped: bool) -> CType:
    """The smallest type for the steps; with specials a signed one that has them at its far end, and a gap between."""
    count = len(scaled.specials)
    if count:
        for bits in SIZES:
            ctype = CType(bits, True)
            gap = 0 if bits == 64 else 1
            if ctype.holds(scaled.highest) and scaled.lowest - count - gap >= ctype.lowest:
                return ctype
        return CType(64, False)
    for bits in SIZES:
        ctype = CType(bits, scaled.lowest < 0)
        full = scaled.lowest == ctype.lowest and scaled.highest == ctype.highest
        # A helper must be able to say "out of range" with a step that the field does not have.
        if ctype.holds(scaled.lowest, scaled.highest) and not (full and helped and not scaled.clamp and bits < 64):
            return ctype
    raise AssertionError("build refuses what does not fit in 64 bits")


__all__ = ["CType", "Condition", "Counter", "Inner", "Member", "Scope", "frame_scope", "member_name", "unsigned"]
