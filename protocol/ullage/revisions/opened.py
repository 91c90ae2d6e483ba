"""Sealed frames as `outcome` can try them: without keys, since what matters is what stands under the seal.

Where both ends seal a frame alike, it is compared as it is once opened. Otherwise the receiver finds no tag that fits,
or, where its frame is not sealed, takes what is encrypted for fields.
"""

from dataclasses import replace

from ..layout import Layout, Opaque, Seal, Slot
from ..protocol import Protocol
from .forms import forms

Ends = tuple[Protocol, Protocol]
"""Sender, receiver."""


def stand_ins(sender: Protocol, layout: Layout, receiver: Protocol) -> list[Ends]:
    """Protocols in the place of two ends, in which one sealed frame of the sender needs no key.

    layout: the frame. Returns the two themselves where it is not sealed; several pairs where what is encrypted can have
    several lengths, and nobody can read it.
    """
    if layout.sealing is None:
        return [(sender, receiver)]
    alike = [other for other in receiver.frames.values() if _alike(sender, layout, receiver, other)]
    if alike:
        opened = [replace(other, sealing=None) for other in alike]
        return [(_with(sender, replace(layout, sealing=None)), _with(receiver, *opened))]
    lengths = sorted({form.octets for form in forms(layout)})
    return [(_with(sender, _unreadable(layout, octets)), receiver) for octets in lengths]


def _with(protocol: Protocol, *layouts: Layout) -> Protocol:
    """A protocol with some frames in the place of its own; the seal stays for the others."""
    frames = {**protocol.frames, **{layout.name: layout for layout in layouts}}
    return Protocol(protocol.name, protocol.revision, "", frames, protocol.integrity, protocol.radio, 1, protocol.seal)


def _alike(sender: Protocol, layout: Layout, receiver: Protocol, other: Layout) -> bool:
    """Whether a receiver opens the frames of one layout as those of the other: the same code, seal and nonce."""
    return (
        other.sealing == layout.sealing
        and other.message == layout.message
        and _place(sender.message_slot) == _place(receiver.message_slot)
        and _terms(sender.seal) == _terms(receiver.seal)
        and _nonce(sender, layout) == _nonce(receiver, other)
        and _place(sender.destination_slot) == _place(receiver.destination_slot)
    )


def _terms(seal: Seal | None) -> tuple[object, ...]:
    """What of a seal says how frames are opened; names of fields do not, nor how often a receiver tries."""
    if seal is None:
        return ()
    return seal.key_bits, seal.tag_octets, seal.network, seal.network_octets, seal.hub, seal.counter_bits


def _nonce(protocol: Protocol, layout: Layout) -> list[tuple[object, ...]]:
    return [_place(layout.slot(name)) for name in protocol.seal.nonce] if protocol.seal else []


def _place(slot: Slot | None) -> tuple[object, ...]:
    return () if slot is None else (slot.kind, slot.offset, slot.bits, slot.low_first)


def _unreadable(layout: Layout, body_octets: int) -> Layout:
    """A sealed frame of one length as somebody without the key sees it: octets behind what is in the clear."""
    first = layout.sealing.first_octet if layout.sealing else None
    clear = tuple(slot for slot in layout.slots if slot.end <= 8 * (body_octets if first is None else first))
    start = clear[-1].end if clear else 0
    bits = 8 * (body_octets + layout.tag_octets) - start
    hidden = Slot("", "sealed", start, bits, Opaque(bits // 8))
    header = min(layout.header_slots, len(clear))
    return replace(layout, slots=(*clear, hidden), tail=(), sealing=None, header_slots=header)
