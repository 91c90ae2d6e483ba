"""What may happen to sealed frames on their way, as scenes: keys, then octets one after another, each at a station."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Iterator
from dataclasses import dataclass

import ullage
from support.cases import Packer, random_code
from support.sealed_ends import Keys, sealed_frames
from ullage.codes import gaps
from ullage.layout import Layout, Length, Slot, Text
from ullage.packing import derived
from ullage.seal import Key
from ullage.seal.ccm import seal
from ullage.sealed import parts_of

Event = tuple[bytes, int | None]


@dataclass(frozen=True)
class Scene:
    """One receiver's life. name: what it is about. from_counter: the lowest number that it tries."""

    name: str
    keys: Keys
    events: list[Event]
    from_counter: int = 0


class Forge:
    """Seals any body with any number and key, as nobody who is honest could."""

    def __init__(self, protocol: ullage.Protocol, seed: int, most_flips: int = 500) -> None:
        assert protocol.seal
        self.most_flips = most_flips
        self.protocol, self.rng, self.seal = protocol, random.Random(seed), protocol.seal
        self.frames = sealed_frames(protocol)
        parts = parts_of(protocol, self.frames[0])
        slots = [parts.source, *([parts.destination] if parts.destination else [])]
        self.everybody = getattr(parts.destination.transform, "broadcast", None) if parts.destination else None
        taken = {self.seal.hub, self.everybody}
        free = [one for one in range(1 << min(slot.bits for slot in slots)) if one not in taken]
        self.hub, (self.a, self.b, self.stranger) = self.seal.hub, self.rng.sample(free, 3)
        octets = self.seal.key_bits // 8
        self.keys: dict[int | None, Key] = {one: Key(self.rng.randbytes(octets), one) for one in (self.a, self.b)}
        self.group: dict[int | None, Key] = {None: Key(self.rng.randbytes(octets), None)}
        self.of_everybody = Key(self.rng.randbytes(octets), self.everybody)  # a station's, whose number means everybody
        self.end = (1 << self.seal.counter_bits) - 1
        self.circle = 1 << parts.sequence.bits

    def frame(
        self,
        layout: Layout,
        number: int,
        source: int | None = None,
        to: int | None = None,
        key: Key | None = None,
        network: int | None = None,
        codes: dict[str, int] | None = None,
    ) -> bytes:
        """A sealed frame: from a to the hub where nothing else is said. codes: of fields, sound or not."""
        parts = parts_of(self.protocol, layout)
        if network is not None:
            parts = dataclasses.replace(parts, seal=dataclasses.replace(self.seal, network=network))
        packer = Packer(layout, self.rng)
        row = packer.shape(self.rng.choice(("least", "most", "some")))
        slots, needed = list(row.slots()), dict(derived(row))
        given = {slot.offset: random_code(slot, self.rng) for slot in slots if _free(slot, needed)}
        given |= {slot.offset: codes[slot.name] for slot in slots if codes and slot.name in codes}
        given[parts.source.offset] = self.a if source is None else source
        if parts.destination:
            given[parts.destination.offset] = self.hub if to is None else to
        given[parts.sequence.offset] = number & ((1 << parts.sequence.bits) - 1)
        body = packer.body(row, given)
        cut = parts.cut(body)
        sealed = seal(
            key or self.keys[self.a], parts.nonce_of(body, number), body[cut:], body[:cut], self.seal.tag_octets
        )
        return self.finished(body[:cut] + sealed)

    def finished(self, octets: bytes) -> bytes:
        """Octets with a right check behind them."""
        return self.protocol.codec.finished(octets)

    def bare(self, octets: bytes) -> bytes:
        """A frame without its check."""
        return octets[: len(octets) - self.protocol.check_octets]

    def at_hub(self, octets: bytes) -> Event:
        """Received at the hub."""
        return octets, self.hub if self.protocol.destination_slot else None

    # ---- scenes ------------------------------------------------------------------------------------------------------

    def scenes(self, all_numbers: bool) -> Iterator[Scene]:
        """For each sealed frame. all_numbers: every jump that is worth a try, and not only the usual ones."""
        for layout in self.frames:
            yield from self._flipped(layout)
            yield Scene("damage and forgery", self.keys, [self.at_hub(one) for one in self._forged(layout)])
            yield from self._numbers(layout, all_numbers)
            yield self._bad_slots(layout)
            yield from self._ways(layout)
        yield self._mixed()

    def _flipped(self, layout: Layout) -> Iterator[Scene]:
        sound = self.frame(layout, self.some(9))
        body = self.bare(sound)
        bits = range(8 * len(body))
        chosen = bits if len(bits) <= self.most_flips else sorted(self.rng.sample(bits, self.most_flips))
        again = [self.finished(flipped(body, bit)) for bit in chosen]
        raw = [flipped(sound, bit) for bit in range(8 * len(sound))][-self.most_flips :]
        for name, damaged in (("check made right", again), ("as it was received", raw)):
            events = [*damaged, sound, sound, damaged[-1]]
            yield Scene(f"flipped, {name}", self.keys, [(one, None) for one in events])

    def some(self, number: int) -> int:
        """A number that this counter has."""
        return min(number, self.end)

    def _forged(self, layout: Layout) -> Iterator[bytes]:
        sound = self.frame(layout, self.some(40))
        body = self.bare(sound)
        for cut in range(1, self.seal.tag_octets + 2):
            yield self.finished(body[:-cut])
        yield self.finished(body + b"\0")
        yield self.finished(body[:-1] + bytes([body[-1] ^ 0xFF]))
        yield self.frame(layout, self.some(41), key=self.keys[self.b])
        yield self.frame(layout, self.some(41), network=self.seal.network ^ 1)
        yield self.frame(layout, self.some(41), source=self.b)
        yield self.frame(layout, self.some(42), source=self.b, key=self.keys[self.b])
        yield self.frame(layout, self.some(41), source=self.stranger)
        tag = self.seal.tag_octets
        yield self.finished(body[:-tag] + bytes(tag))
        yield self.finished(self.bare(self.frame(layout, self.some(44)))[:-tag] + body[-tag:])
        yield sound

    def _numbers(self, layout: Layout, all_numbers: bool) -> Iterator[Scene]:
        """Order within the window and beyond, jumps over high parts, receivers that know nothing, the counter's end."""
        rows = {
            "within the window": [3, 2, 3, 0, 70, 8, 7, 6, 70, 133, 70, 69, 134, 71],
            "further on": [200, 263, 199, 200, 264, 201, 2**63 + 5, 2**63 + 4],
            "at the end": [self.end, self.end - 1, self.end, self.end - 63, self.end - 64],
            "almost at the end": [self.end - 1, self.end],
            "round the end": [self.end, max(0, self.circle - 11), self.end - 10],
        }
        few, most = self.seal.resync, self.seal.resync + 1
        for turns in (1, few, most, most + 1) if all_numbers else (few, most):
            for start in (0, 5, self.circle - 1, 3 * self.circle // 2) if all_numbers else (5,):
                near = [start + turns * self.circle + more for more in (-65, -64, -63, -1, 0, 1)]
                for jump in near:
                    rows[f"{start}, then {jump}"] = [start, jump, jump]
        for name, numbers in rows.items():
            frames = [self.frame(layout, number) for number in numbers if 0 <= number <= self.end]
            begin = max(0, self.end - 100) if name.endswith("the end") else 0
            yield Scene(f"numbers {name}", self.keys, [self.at_hub(one) for one in frames], begin)
        for start in (self.circle // 2, 2 * self.circle + 3, self.end, self.end + 1) if all_numbers else (self.end,):
            near = [start + more * self.circle + by for more in (0, 1, few, most) for by in (-1, 0)]
            for number in near:
                if 0 <= number <= self.end:
                    first = self.at_hub(self.frame(layout, number))
                    yield Scene(f"from {start}: {number}", self.keys, [first, first], start)

    def _bad_slots(self, layout: Layout) -> Scene:
        """Authentic frames that hold no message: the number counts as used all the same."""
        events: list[Event] = []
        number = 0
        parts = parts_of(self.protocol, layout)
        fixed = {slot.name for slot in (*parts.nonce, *([parts.destination] if parts.destination else []))}
        for slot in layout.every_slot:
            if isinstance(slot.transform, Text | Length) or slot.kind in ("message", "revision") or slot.name in fixed:
                continue
            for low, _ in gaps(slot)[:1] if slot.name else ():
                events += [self.at_hub(self.frame(layout, self.some(number), codes={slot.name: low}))] * 2
                events.append(self.at_hub(self.frame(layout, self.some(number))))
                number += 1
        return Scene("authentic, and no message", self.keys, events)

    def _ways(self, layout: Layout) -> Iterator[Scene]:
        """All directions, with and without a key that all share."""
        ways = [(self.a, self.hub), (self.hub, self.a), (self.hub, self.b), (self.hub, self.stranger), (self.b, self.a)]
        if self.everybody is not None:
            ways += [(self.hub, self.everybody), (self.a, self.everybody), (self.everybody, self.hub)]
        nobody: dict[int | None, Key] = {}
        of_all = {} if self.everybody is None else {self.everybody: self.of_everybody}
        for keys in (self.keys | of_all, self.keys | self.group, self.group, nobody):
            events: list[Event] = []
            for number in range(3):
                for source, to in ways:
                    if self.protocol.destination_slot is None and source == self.hub:
                        continue
                    if source >> parts_of(self.protocol, layout).source.bits:
                        continue
                    for key in (self.keys[self.a], self.keys[self.b], self.group[None], self.of_everybody):
                        sealed = self.frame(layout, self.some(number), source, to, key)
                        stations = (None, to, self.b) if self.protocol.destination_slot else (None,)
                        events += [(sealed, at) for at in stations]
            yield Scene(f"directions with {len(keys)} keys", keys, events)

    def _mixed(self) -> Scene:
        """A long life: whatever comes, in any order."""
        keys, number = self.keys | self.group, 0
        events: list[Event] = []
        for _ in range(250):
            number = self.some(number + self.rng.choice((0, 1, 1, 1, 2, 30, 70)))
            back = max(0, number - self.rng.choice((0, 0, 1, 5, 63, 64, 100)))
            source, key = self.rng.choice([(self.a, self.keys[self.a]), (self.b, self.keys[self.b])])
            octets = self.frame(self.rng.choice(self.frames), back, source, key=key)
            if self.rng.random() < 0.2:
                octets = flipped(octets, self.rng.randrange(8 * len(octets)))
            events += [self.at_hub(octets)] * self.rng.choice((1, 1, 2))
        return Scene("a long life", keys, events)


def _free(slot: Slot, needed: dict[int, int]) -> bool:
    return not isinstance(slot.transform, Length) and slot.offset not in needed


def flipped(octets: bytes, bit: int) -> bytes:
    """Octets with one bit turned over."""
    out = bytearray(octets)
    out[bit // 8] ^= 0x80 >> bit % 8
    return bytes(out)
