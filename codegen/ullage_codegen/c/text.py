"""Words in the header: comments that cannot break out, the member's comment, the table of slots, the constants."""

import unicodedata

from ullage import Protocol
from ullage.layout import Binary32, Choice, Entry, Fixed, Flag, Layout, Length, Opaque, Repeat, Scaled, Slot, Text
from ullage.quantity import plain
from ullage.values import expectation

from .model import CType, Member
from .names import step_suffix

_SPELLED = str.maketrans({"µ": "u", "μ": "u", "°": "deg", "Ω": "ohm", "×": "x", "·": "-", "–": "-", "…": "..."})


def said(text: str) -> str:
    """Free text of a spec made fit for a C comment: ASCII, on one line, and unable to end the comment."""
    plain_text = unicodedata.normalize("NFKD", text.translate(_SPELLED)).encode("ascii", "ignore").decode()
    safe = plain_text.replace("*/", "* /").replace("/*", "/ *").replace("??", "? ?").replace("\\", "/")
    return " ".join("".join(letter if letter.isprintable() else " " for letter in safe).split())


def member_comment(member: Member, counted: bool = False) -> str:
    """What stands beside a struct member: range, step, unit, conditions, and the spec's own summary.

    counted: whether it is the sequence number of a sealed frame, which comes from a counter.
    """
    slot = member.slot
    match slot.transform:
        case Scaled() if counted:
            text = "what travels of the counter; nobody asks for it when the frame is sealed"
        case Scaled() as scaled:
            text = _scaled_comment(member, scaled)
        case Choice():
            text = "one of " + _stems(member)
        case Flag():
            text = "0 or 1"
        case Text(octets):
            text = f"at most {octets} printable ASCII characters and a zero"
        case Opaque(octets):
            text = f"{octets} octets as they are"
        case Binary32(unit):
            text = f"the 32 bits of an IEEE 754 single, no NaN, no infinity{f'; in {unit}' if unit else ''}"
        case Fixed() | Length():
            raise AssertionError(slot.name)
    return said(f"{text}; {slot.summary}" if slot.summary else text)


def _scaled_comment(member: Member, scaled: Scaled) -> str:
    slot = member.slot
    if slot.kind == "sequence":
        return f"one more for each new frame, {scaled.highest} is followed by 0"
    if slot.kind in ("source", "destination"):
        everybody = "" if scaled.broadcast is None else f", {scaled.broadcast} is everybody"
        return f"station {scaled.lowest}..{scaled.highest}{everybody}"
    text = f"{member.lowest}..{member.highest}"
    suffix = step_suffix(slot)
    if suffix and (suffix == "steps" or member.helper):
        ends = f"{scaled.text(scaled.lowest, unit=False)}..{scaled.text(scaled.highest)}"
        text += f" = {ends} in steps of {scaled.text(1)}"
    elif scaled.unit:
        text += f" {scaled.unit} in steps of {scaled.text(1)}"
    if scaled.epoch:
        text += " since 1970-01-01 UTC" if scaled.epoch == "unix" else " since the start"
    if scaled.clamp:
        text += ", beyond it the nearer end is sent"
    if member.conditions:
        text += f", or {_stems(member)}: ask ..is_value() first"
    return text


def _stems(member: Member) -> str:
    """The constants of a member, shortened to what tells them apart."""
    return ", ".join(f"..{member.slot.name}_{condition.name}".upper() for condition in member.conditions)


def slot_rows(protocol: Protocol, layout: Layout) -> list[str]:
    """The frame's table, a row a slot: also what --verify compares when fingerprints differ."""
    rows = [_row(str(slot.offset), slot.bits, slot.kind, slot.name, _what(slot)) for slot in layout.slots]
    rows += _tail_rows(layout.tail, "")
    if layout.sealing:
        first = layout.sealing.first_octet
        start = str(8 * layout.body_octets) if layout.fixed else ".."
        what = "nothing encrypted" if first is None else f"encrypted from bit {8 * first} on"
        rows.append(_row(start, 8 * layout.tag_octets, "tag", "", f"AES-CCM, {what}"))
    integrity = protocol.integrity
    if integrity:
        check = integrity.check
        order = f"{'high' if integrity.high_first else 'low'} octet first"
        name = check.name or f"width {getattr(check, 'width', 0)}, poly 0x{getattr(check, 'poly', 0):x}"
        start = str(8 * (layout.octets - layout.check_octets)) if layout.fixed else ".."
        rows.append(_row(start, 8 * layout.check_octets, integrity.noun, "", f"{name}, {order}"))
    return rows


def _tail_rows(entries: tuple[Entry, ...], inside: str) -> list[str]:
    """Rows of what stands at no fixed place."""
    rows: list[str] = []
    for entry in entries:
        if isinstance(entry, Slot):
            rows.append(_row("..", entry.bits, entry.kind, inside + entry.name, _what(entry)))
        elif isinstance(entry, Repeat):
            what = f"{entry.least}..{entry.at_most} items by {entry.counted_by}" + (
                ", in octets" if entry.item_octets else ""
            )
            rows.append(_row("..", 0, "list", inside + entry.name, what))
            rows += _tail_rows(entry.entries, f"{inside}{entry.name}[].")
        else:
            rows.append(_row("..", 0, "group", inside + entry.name, f"there when {entry.when}"))
            rows += _tail_rows(entry.entries, f"{inside}{entry.name}.")
    return rows


def _what(slot: Slot) -> str:
    low = ", low octet first" if slot.low_first else ""
    match slot.transform:
        case Fixed(value):
            return f"always {value}"
        case Scaled() as scaled:
            zero = f", zero {plain(scaled.first * scaled.step)}" if scaled.first else ""
            codes = "".join(f", {special.name} {special.code}" for special in scaled.specials)
            return expectation(slot) + zero + codes + low
    return expectation(slot) + low


def _row(start: str, bits: int, kind: str, name: str, what: str) -> str:
    size = str(bits) if bits else ""
    return f"bit {start:>4} {size:>4}  {kind:<11} {name:<14} {said(what)}".rstrip()


def step_words(member: Member) -> dict[str, int]:
    """The constants that state a step: STEP_MV 10 where a plain unit has it whole, else numerator and denominator."""
    scaled = member.slot.transform
    if not isinstance(scaled, Scaled) or member.slot.kind not in ("measure", "time"):
        return {}
    if member.helper:
        return {f"step_{member.helper.unit}": member.helper.count}
    if step_suffix(member.slot) == "steps" and max(scaled.step.numerator, scaled.step.denominator) < 1 << 31:
        return {"step_numerator": scaled.step.numerator, "step_denominator": scaled.step.denominator}
    return {}


def constant_rows(prefix: str, member: Member) -> list[tuple[str, str, str]]:
    """The macros of a member: name, value, comment. prefix: the protocol's name."""
    path = "_".join((prefix, *member.scope, member.slot.name)).upper()
    scaled = member.slot.transform
    rows: list[tuple[str, str, str]] = []
    if isinstance(scaled, Scaled):
        if member.lowest_name:
            rows.append((member.lowest_name, member.ctype.literal(member.lowest), scaled.text(scaled.lowest)))
            rows.append((member.highest_name, member.ctype.literal(member.highest), scaled.text(scaled.highest)))
        for word, count in step_words(member).items():
            rows.append((f"{path}_{word.upper()}", CType(32, True).literal(count), "one step"))
        if scaled.broadcast is not None:
            rows.append((f"{path}_EVERYBODY", member.ctype.literal(scaled.broadcast), "every station listens"))
    for condition in member.conditions:
        value = f"(({member.ctype.name}){member.ctype.literal(condition.value)})"
        comment = f"code {condition.code} on the air" if isinstance(scaled, Scaled) else ""
        rows.append((condition.constant, value, comment))
    return [(name, value, said(comment)) for name, value, comment in rows]
