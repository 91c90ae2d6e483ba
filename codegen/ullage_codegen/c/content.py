"""Between a Python value and the content of a struct member that means the same, in both directions."""

import struct
from typing import Any

from ullage import binary32
from ullage.layout import Binary32, Choice, Flag, Opaque, Scaled, Text
from ullage.quantity import exact, nearest_steps

from .model import Member


def content_of(member: Member, value: Any) -> int | bytes:
    """What the member holds for a value that the codec gave or takes.

    member: the struct member. value: a quantity, special code, choice, flag, text or octets that the field can have.
    Returns whole steps, a code or 0/1 as an int, an array's octets as bytes (text with zeros to its end).
    """
    match member.slot.transform:
        case Scaled(step=step):
            if isinstance(value, str):
                for condition in member.conditions:
                    if condition.name == value:
                        return condition.value
            return nearest_steps(exact(value), step)
        case Choice():
            return next(condition.value for condition in member.conditions if condition.name == value)
        case Flag():
            return int(value)
        case Text():
            return str(value).encode("ascii").ljust(member.length, b"\0")
        case Opaque():
            return bytes(value)
        case Binary32():
            return binary32.code_of(float(value)) or 0
    raise AssertionError(member.slot.kind)


def value_of(member: Member, content: int | bytes) -> Any:
    """The value that a member's content means to the Python encoder, also for contents that it must refuse.

    content: as content_of gives it, any bit pattern.
    """
    match member.slot.transform:
        case Scaled(step=step):
            for condition in member.conditions:
                if condition.value == content:
                    return condition.name
            assert isinstance(content, int)
            return content * step
        case Binary32():
            assert isinstance(content, int)
            return struct.unpack(">f", content.to_bytes(4, "big"))[0]
        case Text():
            assert isinstance(content, bytes)
            return content.split(b"\0", 1)[0].decode("latin-1")
    return content


def c_literal(member: Member, content: int | bytes) -> str:
    """The content as a C initialiser: a constant, a special code's name, or a list of octets."""
    for condition in member.conditions:
        if condition.value == content:
            return condition.constant
    if isinstance(content, bytes):
        if isinstance(member.slot.transform, Text):
            text = content.rstrip(b"\0").decode("ascii").replace("\\", "\\\\").replace('"', '\\"').replace("?", "\\?")
            return f'"{text}"'
        return "{" + ", ".join(f"0x{octet:02x}u" for octet in content) + "}"
    return member.ctype.literal(content)
