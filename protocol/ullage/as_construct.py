"""Every layout once more, described with the `construct` library: a second reading that shares no code with ours.

It reads widths in order and knows nothing of our offsets, so that a wrong offset shows. Values are the raw codes.
"""

from typing import TYPE_CHECKING, Any

from construct import (
    Array,
    BitsInteger,
    BitStruct,
    Bitwise,
    Bytes,
    BytesInteger,
    Check,
    Checksum,
    Computed,
    Const,
    FixedSized,
    FocusedSeq,
    GreedyBytes,
    If,
    RawCopy,
    Select,
    Struct,
    Terminated,
    stream_size,
    stream_tell,
)

from .layout import Entry, Fixed, Layout, Repeat, Slot

if TYPE_CHECKING:
    from .protocol import Protocol


def as_construct(protocol: "Protocol", frame: str | None = None) -> Any:
    """Describe frames as a `construct` object.

    protocol: the protocol. frame: a frame's name; None means all frames, told apart as their constants tell.
    Returns a construct whose `parse(octets)` gives `frame` (the name), `body.value` (field name -> raw code, unsigned)
    and `check` (the CRC or sum, where there is one); it raises construct's own errors. Of a sealed frame `body` is what
    is in the clear, then come `encrypted` and `tag` as octets; nobody opens them here. `build` needs the same shape;
    frames with lists or groups can only be parsed.
    """
    if frame is not None:
        return _frame(protocol, protocol.frames[frame])
    return Select(*(_frame(protocol, layout) for layout in protocol.frames.values()))


def _frame(protocol: "Protocol", layout: Layout) -> Any:
    parts = ["frame" / Computed(layout.name), *_before_the_check(layout)]
    integrity = protocol.integrity
    if integrity is None:
        return Struct(*parts, Terminated)
    first = integrity.first_octet

    def covered(context: Any) -> bytes:
        sealed: bytes = context.get("encrypted", b"") + context.get("tag", b"")
        return (context.body.data + sealed)[first:]  # type: ignore[no-any-return]

    number = BytesInteger(integrity.octets, swapped=not integrity.high_first)
    return Struct(*parts, "check" / Checksum(number, integrity.check.compute, covered), Terminated)


def _before_the_check(layout: Layout) -> list[Any]:
    """Body, and where it is sealed what is encrypted and the tag."""
    sealing = layout.sealing
    if sealing is None or sealing.first_octet is None:
        body = BitStruct(*(_entry(entry) for entry in layout.entries))
        if not layout.fixed:
            body = FixedSized(_before_check(layout.end_octets), Bitwise(_row_to_end(layout)))
        return ["body" / RawCopy(body), *(["tag" / Bytes(sealing.tag_octets)] if sealing else [])]
    clear = [slot for slot in layout.slots if slot.offset < 8 * sealing.first_octet]
    size = _before_check(layout.end_octets) if not layout.fixed else layout.body_octets - sealing.first_octet
    body = "body" / RawCopy(BitStruct(*(_slot(slot) for slot in clear)))
    return [body, "encrypted" / Bytes(size), "tag" / Bytes(sealing.tag_octets)]


def _before_check(end_octets: int) -> Any:
    """How many octets stand from here up to the tag, or to the check where there is no tag."""
    return lambda context: stream_size(context._io) - stream_tell(context._io, None) - end_octets


def _row_to_end(layout: Layout) -> Any:
    """Entries whose places depend on what is sent, and the fill bits behind them."""
    fill = "fill" / GreedyBytes
    rest = Check(lambda context: len(context.fill) < 8 and not any(context.fill))
    return Struct(*(_entry(entry) for entry in layout.entries), fill, rest)


def _entry(entry: Entry) -> Any:
    if isinstance(entry, Slot):
        return _slot(entry)
    inside = Struct(*(_entry(one) for one in entry.entries))
    if isinstance(entry, Repeat):
        name, size = entry.counted_by, entry.item_octets or 1

        def sound(context: Any) -> bool:
            count, rest = divmod(context._[name], size)
            return not rest and entry.least <= count <= entry.at_most

        items = "items" / Array(lambda context: context._[name] // size, inside)
        return entry.name / FocusedSeq("items", Check(sound), items)
    flag = entry.when
    return entry.name / If(lambda context: context[flag], inside)


def _slot(slot: Slot) -> Any:
    number = BitsInteger(slot.bits, swapped=slot.low_first)
    part = Const(slot.transform.value, number) if isinstance(slot.transform, Fixed) else number
    return slot.name / part if slot.name else part
