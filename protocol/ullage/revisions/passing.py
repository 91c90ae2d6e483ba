"""Whether one end's frames pass the other end's integrity check: always, never, or now and then by luck."""

from enum import Enum

from ..checksum import Sum
from ..codes import accepted
from ..crc import Crc
from ..layout import Integrity, Layout, Slot, Text
from ..protocol import Protocol
from .forms import Form, forms

_FORMS = 4
"""So many forms of a frame are tried: what holds for a CRC does not depend on what stands in a list."""


class Passing(Enum):
    """How frames fare at a check that is not theirs."""

    ALWAYS = "always"
    NEVER = "never"
    LUCK = "by luck"


def passing(sender: Protocol, layout: Layout, receiver: Protocol) -> Passing:
    """Whether the frames of a layout pass the receiver's check.

    A CRC is a linear map over GF(2) beside a constant. What is between two of them changes with the octets, or it does
    not: then each frame passes or none does. Bits are turned one by one to see which it is.
    """
    ours, theirs = sender.integrity, receiver.integrity
    if theirs is None or (ours is not None and _terms(ours) == _terms(theirs)):
        return Passing.ALWAYS
    if ours is None or ours.octets != theirs.octets:
        return Passing.LUCK
    some = forms(layout)
    found = {_of_form(sender, form, theirs) for form in some[:: max(1, len(some) // _FORMS)]}
    return found.pop() if len(found) == 1 else Passing.LUCK


def chance_bits(protocol: Protocol) -> int:
    """One frame in 2 to the power of this passes the protocol's check by luck."""
    check = protocol.integrity.check if protocol.integrity else None
    return check.bits if isinstance(check, Sum) else check.width if isinstance(check, Crc) else 0


def finished(protocol: Protocol, body: bytes) -> bytes:
    """A body with the protocol's check behind it."""
    integrity = protocol.integrity
    return body if integrity is None else body + _check(integrity, body)


def _check(integrity: Integrity, body: bytes) -> bytes:
    check = integrity.check
    return check.to_octets(check.compute(body[integrity.first_octet :]), integrity.high_first)


def _terms(integrity: Integrity) -> tuple[object, ...]:
    """All that says which octets a check gives; a CRC's name does not."""
    check = integrity.check
    names = (
        ("bits", "start", "invert")
        if isinstance(check, Sum)
        else ("width", "poly", "init", "refin", "refout", "xorout")
    )
    order = integrity.high_first or integrity.octets == 1
    return (type(check), integrity.first_octet, order, *(getattr(check, name) for name in names))


def _of_form(sender: Protocol, form: Form, theirs: Integrity) -> Passing:
    word = 0
    free: list[int] = []
    bits = 8 * form.octets
    for place, slot in enumerate(form.slots):
        code, fixed = _a_code(form, place, slot)
        word |= code << (bits - slot.end)
        free += [] if fixed else range(bits - slot.end, bits - slot.offset)
    base = _gap(sender, word.to_bytes(form.octets, "big"), theirs)
    if any(_gap(sender, (word ^ 1 << bit).to_bytes(form.octets, "big"), theirs) != base for bit in free):
        return Passing.LUCK
    return Passing.NEVER if base else Passing.ALWAYS


def _a_code(form: Form, place: int, slot: Slot) -> tuple[int, bool]:
    """The bits of one code that the sender can send in a slot, and whether it is the only one."""
    codes = form.codes[place]
    runs = getattr(codes, "runs", None) or (((0, 0),) if isinstance(slot.transform, Text) else accepted(slot))
    return slot.turned(runs[0][0]), len(runs) == 1 and runs[0][0] == runs[0][1]


def _gap(sender: Protocol, body: bytes, theirs: Integrity) -> int:
    """The difference between the check that was sent and the one that the receiver expects: 0 when it passes."""
    sent, fits = finished(sender, body)[len(body) :], _check(theirs, body)
    return int.from_bytes(sent, "big") ^ int.from_bytes(fits, "big")
