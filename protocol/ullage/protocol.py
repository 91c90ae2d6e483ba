"""A protocol: its frames as layouts, its integrity check, its fingerprint, and the codec over them."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Any

from .checksum import Sum
from .layout import (
    Binary32,
    Choice,
    Entry,
    Fixed,
    Flag,
    Gate,
    Integrity,
    Layout,
    Length,
    Opaque,
    Scaled,
    Seal,
    Slot,
    Special,
    Text,
    header_slot,
)
from .quantity import plain

if TYPE_CHECKING:
    from .codec import Codec, Message
    from .spec.specfile import FskTable, LoraTable


class Protocol:
    """What a spec describes. Made by `ullage.load`; never changes afterwards.

    Attributes: name, revision, summary, frames (name -> `Layout`, in the order of the spec), integrity (`Integrity`
    or None), radio (the settings as read, or None), language (version of the spec language), seal (`Seal`, or None
    where no frame is sealed).
    """

    def __init__(
        self,
        name: str,
        revision: int,
        summary: str,
        frames: Mapping[str, Layout],
        integrity: Integrity | None,
        radio: "LoraTable | FskTable | None" = None,
        language: int = 1,
        seal: Seal | None = None,
    ) -> None:
        self.name = name
        self.revision = revision
        self.summary = summary
        self.frames = dict(frames)
        self.integrity = integrity
        self.radio = radio
        self.language = language
        self.seal = seal

    def __getstate__(self) -> dict[str, Any]:
        # For worker processes: the compiled codec cannot be pickled, and is made again where it is needed.
        return {key: value for key, value in self.__dict__.items() if key != "codec"}

    def __repr__(self) -> str:
        return f"<Protocol {self.name} revision {self.revision} fingerprint {self.fingerprint}>"

    def encode(self, frame: str, values: Mapping[str, Any]) -> bytes:
        """Give the octets of one message.

        frame: the frame's name. values: field name -> value; quantities in the field's unit as int, float, str, Decimal
        or Fraction, special codes and choices by name, flags as bool, text as str, octets as bytes. Every field is
        needed but constants, spare bits, message and revision. Returns the frame's octets, CRC included.
        Raises EncodeError, and gives nothing, when a name is missing or unknown or a value does not fit, and for a
        sealed frame, which only a `Sender` makes.
        """
        return self.codec.encode(frame, values)

    def decode(self, octets: bytes | bytearray | memoryview, at: int | None = None) -> "Message":
        """Read one frame, whole or not at all.

        octets: what was received, CRC included. at: the receiving station; frames for another one are then refused.
        Returns the message. Raises Refused with the first reason that applies, and nothing else, whatever the octets:
        `no_key` for a sealed frame, which only a `Receiver` with keys opens. Raises ValueError when `at` is no station,
        or when the protocol has no destination.
        """
        return self.codec.decode(octets, at)

    @cached_property
    def codec(self) -> "Codec":
        """The compiled reader and writer of all frames."""
        from .codec import Codec

        return Codec(self)

    @cached_property
    def message_slot(self) -> Slot | None:
        """The header's message code, or None; the same bits in every frame."""
        return header_slot(self.frames, "message")

    @cached_property
    def revision_slot(self) -> Slot | None:
        """The header's revision, or None; the same bits in every frame."""
        return header_slot(self.frames, "revision")

    @cached_property
    def destination_slot(self) -> Slot | None:
        """The header's destination, or None; the same bits in every frame."""
        return header_slot(self.frames, "destination")

    @cached_property
    def check_octets(self) -> int:
        """Octets of the integrity check at the end of every frame."""
        return self.integrity.octets if self.integrity else 0

    @cached_property
    def least_octets(self) -> int:
        """Octets that hold the header, the tag where every frame has one, and the check; less is `too_short`."""
        layout = next(iter(self.frames.values()))
        bits = sum(slot.bits for slot in layout.slots[: layout.header_slots])
        uncovered = self.integrity.first_octet if self.integrity else 0
        return max(-(-bits // 8), uncovered) + min(one.tag_octets for one in self.frames.values()) + self.check_octets

    @cached_property
    def shortest(self) -> int:
        """Octets of the shortest frame."""
        return min(layout.least_octets for layout in self.frames.values())

    @cached_property
    def longest(self) -> int:
        """Octets of the longest frame."""
        return max(layout.octets for layout in self.frames.values())

    @cached_property
    def fingerprint_input(self) -> str:
        """What the fingerprint is taken over: canonical JSON (RFC 8785) of everything that is on the wire.

        Frames stand in the order of their message codes, so that their order in the spec means nothing. Quantities and
        codes are decimal text, so that no number in it exceeds what RFC 8785 can write exactly.
        """
        meaning = {
            "name": self.name,
            "revision": self.revision,
            "frames": [_frame_input(layout) for layout in sorted(self.frames.values(), key=_frame_order)],
            "integrity": _integrity_input(self.integrity),
            "seal": _seal_input(self),
        }
        return json.dumps(meaning, sort_keys=True, separators=(",", ":"), ensure_ascii=False)

    @cached_property
    def fingerprint(self) -> str:
        """The first 8 octets of the SHA-256 of `fingerprint_input`, in hex."""
        return hashlib.sha256(self.fingerprint_input.encode()).hexdigest()[:16]

    def as_construct(self, frame: str | None = None) -> Any:
        """The layout as a `construct` object that reads octets to raw numbers: see `ullage.as_construct`."""
        from .as_construct import as_construct

        return as_construct(self, frame)


def _frame_order(layout: Layout) -> tuple[int, str]:
    return -1 if layout.message is None else layout.message, layout.name


def _frame_input(layout: Layout) -> dict[str, Any]:
    return {"name": layout.name, "message": layout.message, "slots": [_entry_input(entry) for entry in layout.entries]}


def _entry_input(entry: Entry) -> dict[str, Any]:
    if isinstance(entry, Slot):
        return _slot_input(entry)
    inside: dict[str, Any] = {"name": entry.name, "slots": [_entry_input(one) for one in entry.entries]}
    if isinstance(entry, Gate):
        return {**inside, "kind": "group", "when": entry.when}
    counts = "items" if entry.item_octets is None else "octets"
    limits = [entry.least, entry.at_most]
    return {**inside, "kind": "list", "counted_by": entry.counted_by, "counts": counts, "items": limits}


def _slot_input(slot: Slot) -> dict[str, Any]:
    return {
        "name": slot.name,
        "kind": slot.kind,
        "offset": slot.offset,
        "bits": slot.bits,
        **({"low_first": True} if slot.low_first else {}),
        **_transform_input(slot),
    }


def _transform_input(slot: Slot) -> dict[str, Any]:
    match slot.transform:
        case Scaled() as scaled:
            return {
                "unit": scaled.unit,
                "step": plain(scaled.step),
                "first": str(scaled.first),
                "range": [str(scaled.lowest), str(scaled.highest)],
                "special": _codes_input(reversed(_by_code(scaled.specials))),
                "clamp": scaled.clamp,
                "epoch": scaled.epoch,
                "broadcast": None if scaled.broadcast is None else str(scaled.broadcast),
                **({} if scaled.counter_bits is None else {"counter_bits": scaled.counter_bits}),
            }
        case Choice() as choice:
            return {"codes": _codes_input(_by_code(choice.codes))}
        case Fixed() as fixed:
            return {"value": str(fixed.value)}
        case Binary32(unit):
            return {"unit": unit}
        case Length(covers):
            return {"covers": covers}
        case Flag() | Text() | Opaque():
            return {}


def _codes_input(codes: Iterable[Special]) -> list[list[str]]:
    return [[code.name, str(code.code)] for code in codes]


def _by_code(codes: Iterable[Special]) -> list[Special]:
    """In the order of their codes: TOML gives the order of a table's keys no meaning, so the fingerprint gives none."""
    return sorted(codes, key=lambda code: code.code)


def _seal_input(protocol: Protocol) -> dict[str, Any] | None:
    """How frames are sealed; never a key, nor how long a key is meant to last."""
    seal = protocol.seal
    if seal is None:
        return None
    sealed = sorted((layout for layout in protocol.frames.values() if layout.sealing), key=_frame_order)
    return {
        "key_bits": seal.key_bits,
        "tag_octets": seal.tag_octets,
        "nonce": list(seal.nonce),
        "network": [str(seal.network), seal.network_octets],
        "hub": str(seal.hub),
        "counter_bits": seal.counter_bits,
        "group_key": seal.group_key,
        "frames": [[layout.name, layout.sealing and layout.sealing.first_octet] for layout in sealed],
    }


def _integrity_input(integrity: Integrity | None) -> dict[str, Any] | None:
    if integrity is None:
        return None
    crc = integrity.check
    if isinstance(crc, Sum):
        return {
            "sum": crc.bits,
            "start": str(crc.start),
            "invert": crc.invert,
            "first_octet": integrity.first_octet,
            "high_first": integrity.high_first,
        }
    return {
        "width": crc.width,
        "poly": str(crc.poly),
        "init": str(crc.init),
        "refin": crc.refin,
        "refout": crc.refout,
        "xorout": str(crc.xorout),
        "first_octet": integrity.first_octet,
        "high_first": integrity.high_first,
    }
