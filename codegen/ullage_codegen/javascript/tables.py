"""The layouts as plain data: what the JavaScript module reads and writes frames by, made from the one table.

Whole numbers that may pass 2^53 are decimal text, so that nothing is rounded on the way. Words for refusals come from
the codec's own, so that both say the same. What is absent in a slot is false, empty or nothing.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from ullage import Protocol, Refused, Status
from ullage.checksum import Sum
from ullage.crc import Crc
from ullage.layout import (
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
    Repeat,
    Scaled,
    Slot,
    Text,
)
from ullage.quantity import places
from ullage.values import expectation
from ullage.words.as_json import json_value

Tables = dict[str, Any]


SAFE = (1 << 53) - 1
"""The largest whole number that a JavaScript Number tells from its neighbours (ECMA-262, Number.MAX_SAFE_INTEGER)."""


def shared_tables(protocol: Protocol) -> Tables:
    """What all frames of a protocol have in common: the least length, the check, and where header fields stand."""
    return {
        "least": protocol.least_octets,
        "tooShort": _too_short(protocol),
        "integrity": _integrity(protocol.integrity),
        "revisionSlot": _place(protocol.revision_slot),
        "messageSlot": _place(protocol.message_slot),
        "destinationSlot": _place(protocol.destination_slot),
    }


def frame_table(number: int, layout: Layout) -> Tables:
    """All that the module needs to read and write one frame.

    number: the frame's place in the protocol. Each slot carries the id that `slot_ids` gives it.
    """
    ids = slot_ids(number, layout)
    return {
        "name": layout.name,
        "message": layout.message,
        "least": layout.least_octets,
        "most": layout.octets,
        "fixed": layout.fixed,
        **({"sealed": True} if layout.sealing is not None else {}),
        "lengthSlot": _place(layout.length_slot),
        "entries": list(_entries(layout.entries, ids)),
    }


def values_in_script(entries: tuple[Entry, ...], values: Mapping[str, Any]) -> dict[str, Any]:
    """Values as the module gives and takes them.

    entries: of the frame. values: as the codec gives and takes them. Wide fields become decimal text.
    """
    found: dict[str, Any] = {}
    slots = {entry.name: entry for entry in entries}
    for name, value in values.items():
        entry = slots[name]
        if isinstance(entry, Slot):
            found[name] = str(value) if _wide(entry) and isinstance(value, int) else json_value(value)
        elif isinstance(entry, Repeat):
            found[name] = [values_in_script(entry.entries, item) for item in value]
        else:
            found[name] = None if value is None else values_in_script(entry.entries, value)
    return found


def _wide(slot: Slot) -> bool:
    """Whether a field holds whole numbers that a JavaScript Number cannot."""
    scaled = slot.transform
    if not isinstance(scaled, Scaled) or not scaled.whole:
        return False
    return max(abs(scaled.lowest), abs(scaled.highest)) * scaled.step > SAFE


def _too_short(protocol: Protocol) -> Tables | None:
    """What the codec says of too few octets, behind their number."""
    try:
        protocol.decode(b"")
    except Refused as refused:
        if refused.reason is Status.TOO_SHORT:
            return {"text": str(refused).removeprefix("0 octets"), "expected": refused.expected}
    return None


def slot_ids(number: int, layout: Layout) -> dict[int, str]:
    """An id for each slot of a frame, the same in the tables, the rulers and the rows: `id(slot)` -> `f0s3`.

    number: the frame's place in the protocol. layout: the frame; the slots are those of its `every_slot`.
    """
    return {id(slot): f"f{number}s{place}" for place, slot in enumerate(layout.every_slot)}


def _entries(entries: tuple[Entry, ...], ids: dict[int, str]) -> Iterator[Tables]:
    for entry in entries:
        if isinstance(entry, Slot):
            yield _slot(entry, ids[id(entry)])
            continue
        inside = {"name": entry.name, "entries": list(_entries(entry.entries, ids))}
        if isinstance(entry, Gate):
            yield {"is": "group", "when": entry.when, **inside}
        elif isinstance(entry, Repeat):
            size = {} if entry.item_octets is None else {"itemOctets": entry.item_octets}
            limits = {**size, "least": entry.least, "most": entry.at_most}
            yield {"is": "list", "countedBy": entry.counted_by, **limits, **inside}


def _place(slot: Slot | None) -> Tables | None:
    """A slot at a fixed place that is read before it is known which frame this is, or whether it is whole."""
    if slot is None:
        return None
    place: Tables = {"name": slot.name, "offset": slot.offset, "bits": slot.bits, **_order(slot)}
    if isinstance(slot.transform, Scaled) and slot.transform.broadcast is not None:
        place["broadcast"] = str(slot.transform.broadcast)
    if isinstance(slot.transform, Length):
        place["covers"] = slot.transform.covers
    return place


def _order(slot: Slot) -> Tables:
    return {"lowFirst": True} if slot.low_first else {}


def _slot(slot: Slot, name: str) -> Tables:
    shape = {"id": name, "name": slot.name, "bits": slot.bits, **_order(slot)}
    return shape | _transform(slot) | {"expected": expectation(slot)}


def _transform(slot: Slot) -> Tables:
    match slot.transform:
        case Scaled() as scaled:
            return {"as": "scaled", **_scaled(scaled), **({"wide": True} if _wide(slot) else {})}
        case Flag():
            return {"as": "flag"}
        case Choice() as choice:
            return {"as": "choice", "codes": [[str(code.code), code.name] for code in choice.codes]}
        case Text():
            return {"as": "text"}
        case Opaque():
            return {"as": "octets"}
        case Fixed() as fixed:
            return {"as": "fixed", "value": str(fixed.value), "reason": str(fixed.reason)}
        case Binary32(unit):
            return {"as": "binary32", "unit": unit}
        case Length(covers):
            return {"as": "length", "covers": covers}


def _scaled(scaled: Scaled) -> Tables:
    decimals = places(scaled.step)
    return {
        "first": str(scaled.first),
        "lowest": str(scaled.lowest),
        "highest": str(scaled.highest),
        **({"signed": True} if scaled.signed else {}),
        "step": str(int(scaled.step * 10**decimals)),
        "decimals": decimals,
        "unit": scaled.unit,
        "special": [[str(special.code), special.name] for special in scaled.specials],
        **({"clamp": True} if scaled.clamp else {}),
        **({} if scaled.epoch is None else {"epoch": scaled.epoch}),
        **({} if scaled.broadcast is None else {"broadcast": str(scaled.broadcast)}),
    }


def _integrity(integrity: Integrity | None) -> Tables | None:
    if integrity is None:
        return None
    check = integrity.check
    common: Tables = {
        "noun": integrity.noun,
        "first": integrity.first_octet,
        "octets": integrity.octets,
        "highFirst": integrity.high_first,
    }
    if isinstance(check, Sum):
        return {**common, "sum": {"bits": check.bits, "start": check.start, "invert": check.invert}}
    return {**common, "crc": crc_table(check)}


def crc_table(crc: Crc) -> Tables:
    """The six parameters of a CRC; numbers are hex digits."""
    numbers = {name: f"{getattr(crc, name):x}" for name in ("poly", "init", "xorout")}
    return {"width": crc.width, **numbers, "refin": crc.refin, "refout": crc.refout}
