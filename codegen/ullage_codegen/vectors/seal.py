"""How the vectors' sealed frames are sealed: under keys that standards print, and with numbers that the vector names.

A body, sound or not, gets the tag that belongs to it, so that a decoder comes as far as what the vector is about.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from ullage import Message, Protocol, Receiver, Sender
from ullage.layout import Layout, Scaled, Slot
from ullage.packing import key_owner, with_check, with_seal
from ullage.seal import Key, Window
from ullage.status import Status

_RFC = bytes.fromhex("d7828d13b2b0bdc325a76236df93cc6b")
_NIST = bytes(range(0x40, 0x50))
PUBLISHED: dict[int, tuple[tuple[bytes, str], tuple[bytes, str]]] = {
    128: (
        (_RFC, "RFC 3610 section 8, packet vectors 13 to 24"),
        (_NIST, "NIST SP 800-38C appendix C, examples 1 to 4"),
    ),
    192: (
        (bytes.fromhex("8e73b0f7da0e6452c810f32b809079e562f8ead2522c6b7b"), "FIPS 197 appendix A.2"),
        (bytes(range(24)), "FIPS 197 appendix C.2"),
    ),
    256: (
        (
            bytes.fromhex("603deb1015ca71be2b73aef0857d77811f352c073b6108d72d9810a30914dff4"),
            "FIPS 197 appendix A.3",
        ),
        (bytes(range(32)), "FIPS 197 appendix C.3"),
    ),
}
"""Bits -> the key of the vectors and another one, each with the place where it is printed."""

_BEFORE_KEYS = frozenset(Status(number) for number in range(Status.TOO_SHORT, Status.NO_KEY))
"""What a decoder asks before it looks for a key."""


@dataclass(frozen=True, slots=True)
class Held:
    """The one key that a receiver or a sender holds. station: whose, None for the group's."""

    station: int | None
    octets: bytes


@dataclass(frozen=True)
class Sealer:
    """Seals bodies of one frame of a protocol."""

    protocol: Protocol
    layout: Layout

    @cached_property
    def keys(self) -> tuple[bytes, bytes]:
        """The key that everything is sealed with, and another one."""
        assert self.protocol.seal is not None
        (one, _), (other, _) = PUBLISHED[self.protocol.seal.key_bits]
        return one, other

    @property
    def sequence(self) -> Slot:
        """The slot of the number's low bits."""
        assert self.protocol.seal is not None
        return self.layout.slot(self.protocol.seal.nonce[-1])

    @property
    def needed_octets(self) -> int:
        """Octets of a body in which key and nonce stand whole."""
        assert self.protocol.seal is not None
        named = {*self.protocol.seal.nonce, *([to.name] if (to := self.protocol.destination_slot) else [])}
        return max(-(-slot.end // 8) for slot in self.layout.slots if slot.name in named)

    def low(self, body: bytes) -> int:
        """What travels of the number in this body."""
        slot = self.sequence
        return slot.turned(int.from_bytes(body, "big") >> (8 * len(body) - slot.end) & ((1 << slot.bits) - 1))

    def sealed(self, body: bytes, number: int | None = None) -> bytes:
        """A body with tag and check. number: the whole one; unless given, the lowest with the bits that travel.

        A body too short for that gets a tag of zeros: no decoder comes so far as to look at it.
        """
        if len(body) < self.needed_octets:
            return with_check(self.protocol, body + bytes(self.layout.tag_octets))
        key = Key(self.keys[0], None)
        return with_seal(self.protocol, self.layout, body, key, self.low(body) if number is None else number)

    def owner(self, octets: bytes) -> int | None:
        """Whose key a whole frame is sealed with."""
        body = octets[: max(0, len(octets) - self.layout.end_octets)]
        return key_owner(self.protocol, self.layout, body.ljust(self.needed_octets, b"\0"))

    def held(self, octets: bytes) -> Held:
        """The key that opens this frame."""
        return Held(self.owner(octets), self.keys[0])

    def wanted(self, octets: bytes, wanted: frozenset[Status]) -> frozenset[Status]:
        """The answers that a frame can get: a frame to everybody has no key unless there is one of the group."""
        assert self.protocol.seal is not None
        if self.protocol.seal.group_key or self.owner(octets) is not None:
            return wanted
        return frozenset(status if status in _BEFORE_KEYS else Status.NO_KEY for status in wanted)


def heard_message(protocol: Protocol, octets: bytes, at: int | None, held: Held, highest: int | None) -> Message:
    """What a receiver with one key makes of these octets. highest: the one number that it has accepted, or None.

    Raises Refused.
    """
    receiver = Receiver(protocol, {held.station: Key(held.octets, held.station)})
    if highest is not None:
        window = Window(highest, 1).saved()
        source = _source(protocol, octets)
        receiver.restore([{"protocol": protocol.name, "key": held.station, "source": source, "window": window}])
    return receiver.decode(octets, at)


def _source(protocol: Protocol, octets: bytes) -> int:
    """Who sent a sealed frame; the slot is at the same place in every frame."""
    assert protocol.seal is not None
    layout = next(layout for layout in protocol.frames.values() if layout.sealing)
    slot = next(slot for name in protocol.seal.nonce if (slot := layout.slot(name)).kind == "source")
    return slot.turned(int.from_bytes(octets, "big") >> (8 * len(octets) - slot.end) & ((1 << slot.bits) - 1))


def sealed_again(protocol: Protocol, message: Message) -> bytes:
    """The octets that the sender of an opened message made."""
    body = protocol.codec.body(message.frame, message.values)
    return Sealer(protocol, protocol.frames[message.frame]).sealed(body, message.counter)


class _One:
    """A counter that hands out one number."""

    def __init__(self, number: int) -> None:
        self._number = number

    def take(self) -> int:
        """The number."""
        return self._number


def holder(protocol: Protocol, frame: str, values: Mapping[str, Any]) -> Held:
    """The key with which these values are sealed; that of a number's low bits where it is no station."""
    assert protocol.seal is not None
    layout, to = protocol.frames[frame], protocol.destination_slot
    slot = layout.slot(_named(layout, protocol.seal.nonce, "source"))
    owner = values[slot.name]
    if to is not None and owner == protocol.seal.hub:
        everybody = to.transform.broadcast if isinstance(to.transform, Scaled) else None
        slot, owner = to, None if values[to.name] == everybody else values[to.name]
    return Held(None if owner is None else owner & ((1 << slot.bits) - 1), Sealer(protocol, layout).keys[0])


def sent(protocol: Protocol, frame: str, values: Mapping[str, Any], number: int) -> bytes:
    """What a sender with the right key makes of values, when its counter hands out this number. Raises EncodeError."""
    assert protocol.seal is not None
    source = _named(protocol.frames[frame], protocol.seal.nonce, "source")
    held = holder(protocol, frame, values)
    keys = {held.station: Key(held.octets, held.station)}
    return Sender(protocol, values[source], keys, _One(number)).encode(frame, values)


def _named(layout: Layout, names: tuple[str, ...], kind: str) -> str:
    return next(name for name in names if layout.slot(name).kind == kind)
