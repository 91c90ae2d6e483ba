"""The body of a frame's C encoder: first every check, then every octet, so that a refusal writes nothing."""

import itertools
from dataclasses import dataclass

from ullage.bodies import length_of
from ullage.codes import gaps
from ullage.layout import Binary32, Choice, Flag, Layout, Opaque, Scaled, Slot, Text

from .model import CType, Member, unsigned
from .pack import Piece, constant_bits, octet_expression


@dataclass(frozen=True)
class Run:
    """Octets of an array that a loop writes: octets[first + place] for place from..to-1."""

    first: int
    start: int
    stop: int
    expression: str


def encoder_lines(layout: Layout, members: tuple[Member, ...], refusal: str) -> list[str]:
    """The statements between the encoder's braces, without the CRC.

    layout: the frame. members: its struct, in wire order. refusal: the status for a value outside its range.
    """
    checks, octets = encoder_parts(layout, members, refusal)
    return checks + octets


def encoder_parts(
    layout: Layout, members: tuple[Member, ...], refusal: str, sequence: Slot | None = None
) -> tuple[list[str], list[str]]:
    """The statements that check and those that write, the same way.

    sequence: the slot whose code is not the struct's, but stands in its local variable when octets are written.
    """
    lines: list[str] = []
    pieces: list[Piece] = []
    runs: dict[int, Run] = {}
    for member in members:
        if member.slot is sequence:
            pieces += _pieces(member.slot, local(member.slot))
        elif member.length:
            lines += text_check(member, refusal) if isinstance(member.slot.transform, Text) else []
            ends, run = _array(member)
            pieces += ends
            if run:
                runs[run.first + run.start] = run
        else:
            checks, source = plain_code(member, refusal)
            lines += checks
            pieces += _pieces(member.slot, source)
    slot = layout.length_slot
    if slot is not None:
        pieces += _pieces(slot, f"{length_of(slot, layout.octets)}u")
        pieces.sort(key=lambda piece: piece.offset)
    return lines, _octets(layout, pieces, runs)


def _pieces(slot: Slot, source: str) -> list[Piece]:
    """A slot's code as one piece, or octet by octet where the lowest goes first."""
    if not slot.low_first or slot.bits == 8:
        return [Piece(slot.offset, slot.bits, source)]
    return [Piece(slot.offset + 8 * place, 8, part) for place, part in enumerate(octets_of(source, slot.bits // 8))]


def octets_of(source: str, count: int) -> list[str]:
    """The octets of a code, lowest first, as C expressions."""
    return [f"(uint8_t)({source} >> {8 * place})" if place else f"(uint8_t){source}" for place in range(count)]


def out_of_range(member: Member, value: str) -> str:
    """The C condition that a plain member's content is outside its range, or "" when it cannot be."""
    tests = []
    if member.ctype.lowest < member.lowest:
        tests.append(f"{value} < {member.lowest_name or member.ctype.literal(member.lowest)}")
    if member.ctype.highest > member.highest:
        tests.append(f"{value} > {member.highest_name or member.ctype.literal(member.highest)}")
    return " || ".join(tests)


def within(value: str, spans: tuple[tuple[int, int], ...], top: int, ctype: CType) -> str:
    """The C condition that an unsigned value lies in one of the runs; 0 and top are its limits."""
    tests = []
    for low, high in spans:
        if low == high:
            tests.append(f"{value} == {ctype.literal(low)}")
        elif low == 0:
            tests.append(f"{value} <= {ctype.literal(high)}")
        elif high == top:
            tests.append(f"{value} >= {ctype.literal(low)}")
        else:
            tests.append(f"({value} >= {ctype.literal(low)} && {value} <= {ctype.literal(high)})")
    return tests[0].strip("()") if len(tests) == 1 else " || ".join(tests)


def local(slot: Slot) -> str:
    """The local variable that holds a slot's code."""
    return f"{slot.name}_code"


def plain_code(member: Member, refusal: str) -> tuple[list[str], str]:
    """Statements that check and convert one plain member, and the expression that then holds its code."""
    slot, value = member.slot, f"values->{member.name}"
    code_type = unsigned(slot.bits)
    cast = "" if member.ctype == code_type else f"({code_type.name})"
    match slot.transform:
        case Flag():
            return _refuse_if(out_of_range(member, value), refusal), value
        case Choice():
            codes = sorted(condition.code for condition in member.conditions)
            others = _between(codes, member.ctype.highest)
            return _refuse_if(within(value, others, member.ctype.highest, member.ctype), refusal), cast + value
        case Binary32():
            bad = within(value, gaps(slot), member.ctype.highest, member.ctype)
            return _refuse_if(bad, refusal), value
        case Scaled() as scaled:
            if not (member.conditions or scaled.clamp or scaled.signed or scaled.first):
                return _refuse_if(out_of_range(member, value), refusal), cast + value
            return _converted(member, scaled, code_type, refusal), local(slot)
    raise AssertionError(slot.kind)


def _between(codes: list[int], top: int) -> tuple[tuple[int, int], ...]:
    edges = [-1, *codes, top + 1]
    return tuple((low + 1, high - 1) for low, high in itertools.pairwise(edges) if high - low > 1)


def _refuse_if(condition: str, refusal: str) -> list[str]:
    return [f"if ({condition}) {{", f"    return {refusal};", "}"] if condition else []


def _converted(member: Member, scaled: Scaled, code_type: CType, refusal: str) -> list[str]:
    """Statements that turn a member with an offset, a sign, clamping or special codes into its code."""
    value, code = f"values->{member.name}", local(member.slot)
    mask = (1 << member.slot.bits) - 1
    branches: list[tuple[str, str]] = []
    for condition in member.conditions:
        branches.append((f"{value} == {condition.constant}", f"{code} = {code_type.literal(condition.code)};"))
    if scaled.clamp:
        lowest = member.lowest_name or member.ctype.literal(member.lowest)
        highest = member.highest_name or member.ctype.literal(member.highest)
        if member.ctype.lowest < member.lowest:
            first = (member.lowest - scaled.first) & mask
            branches.append((f"{value} < {lowest}", f"{code} = {code_type.literal(first)};"))
        if member.ctype.highest > member.highest:
            last = (member.highest - scaled.first) & mask
            branches.append((f"{value} > {highest}", f"{code} = {code_type.literal(last)};"))
    elif not member.total:
        branches.append((out_of_range(member, value), f"return {refusal};"))
    lines = [f"{code_type.name} {code};"]
    for place, (condition_text, statement) in enumerate(branches):
        lines += [f"{'} else ' if place else ''}if ({condition_text}) {{", f"    {statement}"]
    convert = f"{code} = {_code_of(member, scaled, code_type)};"
    return [*lines, "} else {", f"    {convert}", "}"] if branches else [*lines, convert]


def _code_of(member: Member, scaled: Scaled, code_type: CType) -> str:
    """steps - first, reckoned in unsigned numbers, so that nothing can overflow."""
    width = max(member.ctype.bits, code_type.bits)
    ctype = CType(width, False)
    text = f"({ctype.name})values->{member.name}" if member.ctype != ctype else f"values->{member.name}"
    text = ctype.plus(text, -scaled.first)
    if scaled.signed and member.slot.bits < width:
        text = f"({ctype.name})({text} & {ctype.constant((1 << member.slot.bits) - 1)})"
    return f"({code_type.name}){text}" if code_type != ctype else text


def text_check(member: Member, refusal: str) -> list[str]:
    """Find the text's end, and refuse what is too long or not printable."""
    length, text, most = f"{member.slot.name}_length", f"values->{member.name}", member.length - 1
    letter = f"(uint8_t){text}[{length}]"
    return [
        f"uint8_t {length};",
        f"for ({length} = 0u; {text}[{length}] != '\\0'; {length}++) {{",
        f"    if ({length} == {most}u || {letter} < 0x20u || {letter} > 0x7eu) {{",
        f"        return {refusal};",
        "    }",
        "}",
    ]


def element(member: Member, place: str) -> str:
    """One element of an array as it goes on the air: zeros behind the end of a text."""
    if isinstance(member.slot.transform, Opaque):
        return f"values->{member.name}[{place}]"
    return f"(uint8_t)({place} < {member.slot.name}_length ? (uint8_t)values->{member.name}[{place}] : 0u)"


def _array(member: Member) -> tuple[list[Piece], Run | None]:
    """An array's first and last element where they share an octet with others, and the run between for a loop."""
    slot = member.slot
    count, first, skip = slot.bits // 8, slot.offset // 8, slot.offset % 8
    if count == 1:
        return [Piece(slot.offset, 8, element(member, "0"))], None
    if not skip:
        return [], Run(first, 0, count, element(member, "place"))
    ends = [
        Piece(slot.offset, 8, element(member, "0")),
        Piece(slot.end - 8, 8, element(member, f"{count - 1}")),
    ]
    before, here = element(member, "place - 1"), element(member, "place")
    expression = f"(uint8_t)((uint8_t)({before} << {8 - skip}) | (uint8_t)({here} >> {skip}))"
    return ends, Run(first, 1, count, expression)


def _octets(layout: Layout, pieces: list[Piece], runs: dict[int, Run]) -> list[str]:
    constants = constant_bits(layout.slots, layout.body_octets)
    lines: list[str] = []
    index = 0
    while index < layout.body_octets:
        run = runs.get(index)
        if run:
            target = f"octets[{run.first} + place]" if run.first else "octets[place]"
            lines += [
                f"for (place = {run.start}; place < {run.stop}; place++) {{",
                f"    {target} = {run.expression};",
                "}",
            ]
            index += run.stop - run.start
            continue
        here = [piece for piece in pieces if piece.offset < 8 * index + 8 and piece.end > 8 * index]
        lines.append(f"octets[{index}] = {octet_expression(index, here, constants[index])};")
        index += 1
    return ["size_t place;", *lines] if runs else lines
