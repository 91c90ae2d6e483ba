"""The body of a frame's C decoder behind length and CRC: every check in wire order, then every member."""

from ullage.codes import gaps
from ullage.layout import Fixed, Layout, Length, Opaque, Scaled, Slot, Text
from ullage.status import Status

from .encode import local, within
from .model import CType, Member, unsigned
from .pack import slot_expression

_BEFORE = (Status.OTHER_REVISION, Status.UNKNOWN_MESSAGE)
"""Asked before the frame is known, so not again."""


def octet(index: int) -> str:
    """The C expression of a received octet."""
    return f"octets[{index}]"


def decoder_lines(layout: Layout, members: tuple[Member, ...], statuses: dict[Status, str]) -> list[str]:
    """The statements between the braces of the function that takes a frame's slots.

    layout: the frame. members: its struct. statuses: the C names of the reasons.
    """
    by_slot = {member.slot.name: member for member in members}
    checks: list[str] = []
    for slot in layout.slots:
        checks += _check(slot, statuses)
    assignments: list[str] = []
    for slot in layout.values:
        assignments += _assignment(by_slot[slot.name])
    loops = any(line.startswith("for (place") for line in (*checks, *assignments))
    return [*(["size_t place;"] if loops else []), *checks, *assignments]


def _check(slot: Slot, statuses: dict[Status, str]) -> list[str]:
    transform = slot.transform
    code_type = unsigned(min(slot.bits, 64))
    if isinstance(transform, Fixed):
        if transform.reason in _BEFORE:
            return []
        text = slot_expression(slot, octet)
        return _refuse_if(f"{text} != {code_type.literal(transform.value)}", statuses[transform.reason])
    if isinstance(transform, Length):
        return []
    if isinstance(transform, Text):
        return _text_check(slot, statuses[Status.NOT_A_VALUE])
    if isinstance(transform, Opaque) or not gaps(slot):
        return []
    text = slot_expression(slot, octet)
    return [f"const {code_type.name} {local(slot)} = {text};", *gap_check(slot, statuses)]


def gap_check(slot: Slot, statuses: dict[Status, str]) -> list[str]:
    """Refuse codes that stand for nothing; the code is in its local variable. Nothing where every code is a value."""
    condition = within(local(slot), gaps(slot), (1 << slot.bits) - 1, unsigned(slot.bits))
    return _refuse_if(condition, statuses[Status.NOT_A_VALUE]) if condition else []


def _refuse_if(condition: str, status: str) -> list[str]:
    return [f"if ({condition}) {{", f"    return {status};", "}"]


def _element(slot: Slot) -> str:
    """The element `place` of an array, as it lies in the frame."""
    first, skip = slot.offset // 8, slot.offset % 8
    here = f"octets[{first} + place]" if first else "octets[place]"
    if not skip:
        return here
    return f"(uint8_t)((uint8_t)({here} << {skip}) | (uint8_t)(octets[{first + 1} + place] >> {8 - skip}))"


def _text_check(slot: Slot, status: str) -> list[str]:
    ended = f"{slot.name}_ended"
    return [
        f"uint8_t {ended} = 0u;",
        f"for (place = 0; place < {slot.bits // 8}; place++) {{",
        f"    const uint8_t letter = {_element(slot)};",
        "    if (letter == 0u) {",
        f"        {ended} = 1u;",
        f"    }} else if ({ended} != 0u || letter < 0x20u || letter > 0x7eu) {{",
        f"        return {status};",
        "    }",
        "}",
    ]


def _assignment(member: Member) -> list[str]:
    slot, target = member.slot, f"values->{member.name}"
    if member.length:
        cast = "(char)" if isinstance(slot.transform, Text) else ""
        loop = [
            f"for (place = 0; place < {slot.bits // 8}; place++) {{",
            f"    {target}[place] = {cast}{_element(slot)};",
            "}",
        ]
        return [*loop, f"{target}[{member.length - 1}] = '\\0';"] if isinstance(slot.transform, Text) else loop
    if gaps(slot) or not member.conditions or not isinstance(slot.transform, Scaled):
        return assignment(member, local(slot) if gaps(slot) else slot_expression(slot, octet))
    # The code is needed more than once, and no check has put it in a variable.
    code_type = unsigned(slot.bits)
    text = slot_expression(slot, octet)
    return [f"const {code_type.name} {local(slot)} = {text};", *assignment(member, local(slot))]


def assignment(member: Member, code: str) -> list[str]:
    """Statements that give a plain member the value of a code that stands for something."""
    slot, target = member.slot, f"values->{member.name}"
    code_type = unsigned(slot.bits)
    if not isinstance(slot.transform, Scaled):
        return [f"{target} = {code if member.ctype == code_type else f'({member.ctype.name}){code}'};"]
    value = _steps_of(member, slot.transform, code, code_type)
    if not member.conditions:
        return [f"{target} = {value};"]
    lines: list[str] = []
    for place, condition in enumerate(member.conditions):
        test = f"{code} == {code_type.literal(condition.code)}"
        lines += [f"{'} else ' if place else ''}if ({test}) {{", f"    {target} = {condition.constant};"]
    return [*lines, "} else {", f"    {target} = {value};", "}"]


def _steps_of(member: Member, scaled: Scaled, code: str, code_type: CType) -> str:
    """first + raw, reckoned in unsigned numbers; a sign is unfolded by flipping the top bit and taking it off."""
    width = max(member.ctype.bits, code_type.bits)
    ctype = CType(width, False)
    text = f"({ctype.name}){code}" if code_type != ctype else code
    add = scaled.first
    if scaled.signed:
        half = 1 << (member.slot.bits - 1)
        text = f"({ctype.name})({text} ^ {ctype.constant(half)})"
        add -= half
    text = ctype.plus(text, add)
    return f"({member.ctype.name}){text}" if member.ctype != ctype else text
