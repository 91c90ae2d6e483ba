"""Sealing in words: how a protocol's frames are sealed, how long a silence is bridged, what a tag's length means.

Every number is computed from the seal; screens, sheets and advice take them from here.
"""

from fractions import Fraction

from ..layout import Layout, Scaled, Seal, Slot
from ..protocol import Protocol

YEAR_S = 31_557_600
"""Seconds of a year of 365.25 days."""


def seal_words(protocol: Protocol) -> list[str]:
    """How the sealed frames of a protocol are sealed, a remark each; [] where none is."""
    seal = protocol.seal
    if seal is None:
        return []
    slot = sequence_slot(protocol)
    counter = f"counter of {seal.counter_bits} bits"
    if slot.bits < seal.counter_bits:
        counter += f", of which {slot.bits} travel"
    return [
        f"sealed with AES-{seal.key_bits} in CCM",
        f"tags of {8 * seal.tag_octets} bits",
        counter,
        f"hub {seal.hub}",
    ]


def sealed_layouts(protocol: Protocol) -> tuple[Layout, ...]:
    """The frames that are sealed."""
    return tuple(layout for layout in protocol.frames.values() if layout.sealing)


def sequence_slot(protocol: Protocol) -> Slot:
    """The slot that carries the counter, or its low bits. Only for a protocol with sealed frames."""
    assert protocol.seal is not None
    return sealed_layouts(protocol)[0].slot(protocol.seal.nonce[-1])


def tries(seal: Seal) -> int:
    """Numbers with which a receiver tries a tag, at most."""
    return 1 + seal.resync


def chance(seal: Seal) -> Fraction:
    """How likely a guessed tag is accepted: once for each number tried (NIST SP 800-38C, appendix B.2)."""
    return Fraction(tries(seal), 1 << (8 * seal.tag_octets))


def bridged_frames(seal: Seal, travelling: int) -> int | None:
    """Frames that may be missed before a receiver no longer finds a sender's number; None where that cannot happen.

    travelling: bits of the counter on the air.
    """
    return None if travelling >= seal.counter_bits else tries(seal) << travelling


def broadcast_of(slot: Slot | None) -> int | None:
    """The code for everybody of a destination, or None."""
    return slot.transform.broadcast if slot and isinstance(slot.transform, Scaled) else None
