"""A small protocol with sealed frames, its keys and its ends, for what is about sealing and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import ullage
from ullage.protocol import Protocol
from ullage.seal import BlockCounter, Key, provision
from ullage.status import Status

WELLS = """
[protocol]
name = "{name}"
revision = {revision}
[header]
field = [
  {{ name = "revision",    kind = "revision",    bits = 3 }},
  {{ name = "message",     kind = "message",     bits = 5 }},
  {{ name = "destination", kind = "destination", bits = 8, broadcast = 255 }},
  {{ name = "source",      kind = "source",      bits = 8 }},
  {{ name = "sequence",    kind = "sequence",    bits = {low_bits}, counter_bits = {counter_bits} }},
]
[[frame]]
name = "level"
message = 1
field = [
  {{ name = "depth", kind = "measure", unit = "mm", range = [0, {high}], step = 1, bits = 15 }},
  {{ name = "spare", kind = "spare", bits = 1 }},
]
[[frame]]
name = "order"
message = 2
field = [ {{ name = "valve", kind = "code", codes = {{ shut = 0, open = 1 }}, bits = 8 }} ]
[[frame]]
name = "hello"
message = 3
field = [ {{ name = "starts", kind = "count", bits = 8 }} ]
{integrity}
[seal]
frames = ["level", "order"]
tag_octets = {tag}
encrypt = "{encrypt}"
nonce = ["source", "sequence"]
network = {network}
hub = 1
service_life = "{life}"
interval = "1 h"
resync = {resync}
group_key = {group}
"""

CRC = '[integrity]\ncrc = "CRC-16/IBM-3740"'
KEYS = {
    17: Key(bytes.fromhex("f04c91a7be2d58630b7ee915c2d47a3d"), 17),
    18: Key(bytes.fromhex("29d7604eb1f83a95c80c6d72e35b1fa4"), 18),
    None: Key(bytes.fromhex("7ab30ce4951d68f2d04b87a62e39c15f"), None),
}
"""Drawn for these tests; of no station anywhere."""


def wells(**change: Any) -> Protocol:
    """The protocol of `wells_text`."""
    return ullage.loads(wells_text(**change))


def wells_text(**change: Any) -> str:
    """The spec. change: name, revision, low_bits, counter_bits, tag, encrypt, network, resync, group, high,
    integrity, life."""
    plain: dict[str, Any] = {
        "name": "wells",
        "revision": 1,
        "low_bits": 8,
        "counter_bits": 32,
        "tag": 8,
        "encrypt": "body",
        "network": 0x4F52,
        "resync": 4,
        "group": "false",
        "high": 5000,
        "integrity": CRC,
        "life": "10 years",
    }
    return WELLS.format(**{**plain, **change})


def key_text(*stations: int | None) -> str:
    """A key file with the keys of these stations, or of all."""
    lines = [f'{"group" if one is None else one} = "{KEYS[one].octets.hex()}"' for one in stations or KEYS]
    return "\n".join(["[keys]", *lines, ""])


class Numbers:
    """A counter for tests: gives the number that it is set to, then the next ones."""

    def __init__(self, first: int = 0) -> None:
        self.at = first

    def take(self) -> int:
        """The next number."""
        self.at += 1
        return self.at - 1


class Memory:
    """Two records in memory that outlive a restart; `torn` loses the next write half way."""

    def __init__(self) -> None:
        self.records: dict[int, bytes] = {}
        self.torn = False

    def store(self, i: int, octets: bytes) -> None:
        """Keep a record, or half of it when the power fails."""
        self.records[i] = octets[: len(octets) // 2] if self.torn else octets
        if self.torn:
            raise PowerCut

    def counter(self, block: int = 8, counter_bits: int = 32) -> BlockCounter:
        """The counter after a start."""
        return BlockCounter(self.records.get, self.store, block=block, counter_bits=counter_bits)

    def provisioned(self, counter_bits: int = 32) -> Memory:
        """The same memory, made ready for a new node."""
        provision(self.records.get, self.store, counter_bits=counter_bits)
        return self


class PowerCut(Exception):
    """The power failed while a record was written."""


def node(protocol: Protocol, station: int = 17, first: int = 0) -> ullage.Sender:
    """A station that has all keys, and counts from `first` on."""
    return ullage.Sender(protocol, station, KEYS, Numbers(first))


def level(sender: ullage.Sender, depth: int = 1234, **more: Any) -> bytes:
    """One sealed report to the hub."""
    return sender.encode("level", {"destination": 1, "depth": depth, **more})


def reason(decode: Callable[[bytes], Any], octets: bytes) -> Status:
    """Why octets are refused; `fine` where they are not."""
    try:
        decode(octets)
    except ullage.Refused as refused:
        return refused.reason
    return Status.FINE
