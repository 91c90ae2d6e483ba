"""Every layout once more, described with the `construct` library: a second reading that shares no code with ours.

It reads widths in order and knows nothing of our offsets, so that a wrong offset shows. Values are the raw codes.
"""

from typing import TYPE_CHECKING, Any

from construct import (
    BitsInteger,
    BitStruct,
    BytesInteger,
    Checksum,
    Computed,
    Const,
    RawCopy,
    Select,
    Struct,
    Terminated,
)

from .layout import Fixed, Layout, Slot

if TYPE_CHECKING:
    from .protocol import Protocol


def as_construct(protocol: "Protocol", frame: str | None = None) -> Any:
    """Describe frames as a `construct` object.

    protocol: the protocol. frame: a frame's name; None means all frames, told apart as their constants tell.
    Returns a construct whose `parse(octets)` gives `frame` (the name), `body.value` (field name -> raw code, unsigned)
    and `check` (the CRC, where there is one); it raises construct's own errors. `build` needs the same shape.
    """
    if frame is not None:
        return _frame(protocol, protocol.frames[frame])
    return Select(*(_frame(protocol, layout) for layout in protocol.frames.values()))


def _frame(protocol: "Protocol", layout: Layout) -> Any:
    body = "body" / RawCopy(BitStruct(*(_slot(slot) for slot in layout.slots)))
    integrity = protocol.integrity
    if integrity is None:
        return Struct("frame" / Computed(layout.name), body, Terminated)
    first = integrity.first_octet
    number = BytesInteger(integrity.octets, swapped=not integrity.high_first)
    check = "check" / Checksum(number, integrity.crc.compute, lambda context: context.body.data[first:])
    return Struct("frame" / Computed(layout.name), body, check, Terminated)


def _slot(slot: Slot) -> Any:
    number = BitsInteger(slot.bits)
    part = Const(slot.transform.value, number) if isinstance(slot.transform, Fixed) else number
    return slot.name / part if slot.name else part
