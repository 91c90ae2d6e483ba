"""Whole sealed frames of any sealed protocol, with the keys that open them."""

from __future__ import annotations

import random
from dataclasses import dataclass

import ullage
from ullage.layout import Layout, header_slot
from ullage.seal import Key
from ullage.sealed import Sender
from ullage.words.samples import sample


@dataclass
class Numbers:
    """Hands out numbers, each once."""

    next: int = 9

    def take(self) -> int:
        self.next += 1
        return self.next - 1


def keys_for(protocol: ullage.Protocol) -> dict[int | None, Key]:
    """A key for every station that samples speak of, and for the group."""
    assert protocol.seal is not None
    rng = random.Random(protocol.name)
    return {who: Key(rng.randbytes(protocol.seal.key_bits // 8), who) for who in (None, *range(256))}


def sealed_frame(protocol: ullage.Protocol, layout: Layout, number: int = 9) -> bytes:
    """The sample of a sealed frame, under the keys of `keys_for`."""
    values = sample(layout)
    source, sequence = (
        header_slot(protocol.frames, "source"),
        layout.slot(protocol.seal.nonce[-1] if protocol.seal else ""),
    )
    assert source is not None
    values.pop(sequence.name)
    station = values.pop(source.name)
    return Sender(protocol, station, keys_for(protocol), Numbers(number)).encode(layout.name, values)


def sealed_layouts(protocol: ullage.Protocol) -> list[Layout]:
    return [layout for layout in protocol.frames.values() if layout.sealing]
