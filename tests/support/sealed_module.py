"""Receivers and senders of the toolkit and of an emitted module side by side, fed alike and compared."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from functools import cache
from typing import Any

import ullage
from support.python_module_end import module_of, refusal
from ullage.layout import Layout
from ullage.seal import Key
from ullage.words.samples import sample

HUB, NODE, OTHER = 1, 17, 18


class Given:
    """A counter that hands out the numbers it was given."""

    def __init__(self, *numbers: int) -> None:
        self.numbers = list(numbers)

    def take(self) -> int:
        return self.numbers.pop(0)


@cache
def pair(text: str) -> tuple[ullage.Protocol, Any]:
    protocol = ullage.loads(text)
    return protocol, module_of(protocol)


def octets_of_keys(protocol: ullage.Protocol) -> dict[int | None, bytes]:
    """Keys of the nodes, of the hub (which seals for no one but itself) and of the group."""
    assert protocol.seal is not None
    rng = random.Random(7)
    return {owner: rng.randbytes(protocol.seal.key_bits // 8) for owner in (HUB, NODE, OTHER, None)}


def ours(keys: dict[int | None, bytes]) -> dict[int | None, Key]:
    return {station: Key(octets, station) for station, octets in keys.items()}


def answer(ask: Callable[[], Any], refused: type[Exception]) -> Any:
    """What is given, or the refusal."""
    try:
        return ask()
    except refused as error:
        return error


class Both:
    """A receiver of each kind, fed alike; they must stay alike."""

    def __init__(self, text: str, keys: dict[int | None, bytes] | None = None, from_counter: int = 0) -> None:
        self.protocol, self.module = pair(text)
        keys = octets_of_keys(self.protocol) if keys is None else keys
        self.ours = ullage.Receiver(self.protocol, ours(keys), from_counter)
        self.theirs = self.module.Receiver(keys, from_counter)

    def decode(self, octets: bytes, at: int | None = None) -> str:
        """What both answer: "fine" or the reason. All that the answers say is the same, and so are the windows."""
        case = octets.hex(" ")
        message = answer(lambda: self.ours.decode(octets, at), ullage.Refused)
        found = answer(lambda: self.theirs.decode(octets, at), self.module.Refused)
        if isinstance(message, ullage.Refused):
            assert isinstance(found, self.module.Refused), case
            assert refusal(found) == refusal(message), case
            said = str(message.reason)
        else:
            assert self.module.values(found) == found.as_dict() == message.values, case
            assert (self.module.frame_of(found), found.counter, found.sealed) == (
                message.frame,
                message.counter,
                message.sealed,
            ), case
            assert self.module.counter_of(found) == message.counter
            said = "fine"
        assert self.theirs.saved() == self.ours.saved(), case
        return said


def sealed_frames(protocol: ullage.Protocol) -> list[Layout]:
    return [layout for layout in protocol.frames.values() if layout.sealing]


def values_for(layout: Layout, to: int) -> dict[str, Any]:
    """A sample without what the sender fills in."""
    values = {**sample(layout), "destination": to}
    return {name: value for name, value in values.items() if name not in ("source", "sequence")}


def sent(text: str, frame: str, numbers: Iterable[int], source: int = NODE, to: int = HUB) -> list[bytes]:
    """Frames of both senders, which must be the same octets."""
    protocol, module = pair(text)
    keys, numbers = octets_of_keys(protocol), list(numbers)
    values = values_for(protocol.frames[frame], to)
    sender = ullage.Sender(protocol, source, ours(keys), Given(*numbers))
    other = module.Sender(source, keys, Given(*numbers))
    found = [sender.encode(frame, values) for _ in numbers]
    assert [other.encode(frame, values) for _ in numbers] == found
    return found


def one(text: str, frame: str, number: int, source: int = NODE, to: int = HUB) -> bytes:
    return sent(text, frame, [number], source, to)[0]
