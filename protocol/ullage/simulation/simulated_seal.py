"""How invented stations seal their frames: keys that follow from the seed, and a counter for each sender.

Such keys are no secrets, for anybody can draw them again; they open the invented log and nothing else.
"""

import hashlib
from collections.abc import Mapping
from typing import Any

from ..codec import Message
from ..layout import Seal
from ..protocol import Protocol
from ..receiver import Receiver
from ..seal.keys import Key
from ..sealed import Sender
from .simulated_station import SimulatedStation


def invented_keys(protocol: Protocol, seed: int, stations: list[int]) -> dict[int | None, Key]:
    """The keys of invented stations; the same seed gives the same. Raises ValueError where no frame is sealed."""
    if protocol.seal is None:
        raise ValueError(f"{protocol.name} has no sealed frames")
    octets = protocol.seal.key_bits // 8
    drawn = {station: hashlib.sha256(f"{protocol.name} {seed} {station}".encode()).digest() for station in stations}
    return {station: Key(digest[:octets], station) for station, digest in drawn.items()}


class _Numbers:
    """The counter of an invented station; it keeps its place over restarts, as one in blocks does."""

    def __init__(self, first: int) -> None:
        self.next = first

    def take(self) -> int:
        """See `ullage.sealed.Counter`."""
        self.next += 1
        return self.next - 1

    def restart(self, reserve: int) -> None:
        """Power came back: the rest of the block that was reserved is lost."""
        self.next += -self.next % reserve


class Sealing:
    """Sends the frames of all invented stations of a sealed protocol, and reads them as the one receiver does.

    keys: of every station. The receiver begins with the log and without memory.
    """

    def __init__(self, protocol: Protocol, seal: Seal, keys: Mapping[int | None, Key]) -> None:
        self._protocol, self._seal, self._keys = protocol, seal, keys
        self._numbers: dict[int, _Numbers] = {}
        self.receiver = Receiver(protocol, keys)

    def send(self, station: SimulatedStation, frame: str, values: dict[str, Any]) -> tuple[bytes, Message]:
        """One frame, and what is in it. values: as the station made them up, without the sealed number."""
        assert station.address is not None
        numbers = self._numbers.setdefault(station.address, _Numbers(self._first(station.sequence)))
        layout = self._protocol.frames[frame]
        given = {slot.name for slot in layout.every_slot if slot.kind == "sequence"}
        first = numbers.next
        sender = Sender(self._protocol, station.address, self._keys, numbers)
        octets = sender.encode(frame, {name: value for name, value in values.items() if name not in given})
        return octets, Receiver(self._protocol, self._keys, first).decode(octets)

    def restart(self, station: SimulatedStation) -> None:
        """A station lost its power; its counter is kept."""
        if station.address in self._numbers:
            self._numbers[station.address].restart(self._seal.reserve)

    def _first(self, wanted: int) -> int:
        """Where a counter begins: so low that a receiver without memory finds it."""
        low = next(
            slot.bits for layout in self._protocol.frames.values() for slot in layout.slots if slot.kind == "sequence"
        )
        return wanted % min((1 + self._seal.resync) << low, 1 << self._seal.counter_bits)
