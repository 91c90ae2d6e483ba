"""The layouts as plain data for `templates/decoder.js`: what JavaScript reads frames by, made from the one table.

Whole numbers that may pass 2^53 are decimal text, so that nothing is rounded on the way. Words for refusals come from
the codec's own, so that both say the same.
"""

from collections.abc import Iterator
from typing import Any

from ullage import Protocol, Refused, Status
from ullage.checksum import Sum
from ullage.codes import reasons
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

Tables = dict[str, Any]


def decoder_tables(protocol: Protocol) -> Tables:
    """All that decoder.js needs to read the frames of a protocol.

    protocol: what the spec describes. Returns plain data for JSON; each slot carries the id that `slot_ids` gives it.
    """
    return {
        "protocol": protocol.name,
        "revision": protocol.revision,
        "fingerprint": protocol.fingerprint,
        "least": protocol.least_octets,
        "tooShort": _too_short(protocol),
        "integrity": _integrity(protocol.integrity),
        "revisionSlot": _place(protocol.revision_slot),
        "messageSlot": _place(protocol.message_slot),
        "destinationSlot": _place(protocol.destination_slot),
        "reasons": {
            str(status): {"number": int(status), "meaning": status.meaning, "advice": status.advice}
            for status in (Status.FINE, *reasons(protocol))
        },
        "frames": [_frame(number, layout) for number, layout in enumerate(protocol.frames.values())],
    }


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


def _frame(number: int, layout: Layout) -> Tables:
    ids = slot_ids(number, layout)
    return {
        "name": layout.name,
        "message": layout.message,
        "least": layout.least_octets,
        "most": layout.octets,
        "check": layout.check_octets,
        "fixed": layout.fixed,
        "lengthSlot": _place(layout.length_slot),
        "entries": list(_entries(layout.entries, ids)),
    }


def _entries(entries: tuple[Entry, ...], ids: dict[int, str]) -> Iterator[Tables]:
    for entry in entries:
        if isinstance(entry, Slot):
            yield _slot(entry, ids[id(entry)])
            continue
        inside = {"name": entry.name, "entries": list(_entries(entry.entries, ids))}
        if isinstance(entry, Gate):
            yield {"is": "group", "when": entry.when, **inside}
        elif isinstance(entry, Repeat):
            limits = {"itemOctets": entry.item_octets, "least": entry.least, "most": entry.at_most}
            yield {"is": "list", "countedBy": entry.counted_by, **limits, **inside}


def _place(slot: Slot | None) -> Tables | None:
    """A slot at a fixed place that is read before it is known which frame this is, or whether it is whole."""
    if slot is None:
        return None
    place: Tables = {"name": slot.name, "offset": slot.offset, "bits": slot.bits, "low": slot.low_first}
    if isinstance(slot.transform, Scaled) and slot.transform.broadcast is not None:
        place["broadcast"] = str(slot.transform.broadcast)
    if isinstance(slot.transform, Length):
        place["covers"] = slot.transform.covers
    return place


def _slot(slot: Slot, name: str) -> Tables:
    shape = {"is": "slot", "id": name, "name": slot.name, "bits": slot.bits, "low": slot.low_first}
    return shape | _transform(slot) | {"expected": expectation(slot)}


def _transform(slot: Slot) -> Tables:
    match slot.transform:
        case Scaled() as scaled:
            return {"as": "scaled", **_scaled(scaled)}
        case Flag():
            return {"as": "flag"}
        case Choice() as choice:
            return {"as": "choice", "codes": {str(code.code): code.name for code in choice.codes}}
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
        "signed": scaled.signed,
        "step": str(int(scaled.step * 10**decimals)),
        "decimals": decimals,
        "unit": scaled.unit,
        "special": {str(special.code): special.name for special in scaled.specials},
        "epoch": scaled.epoch,
        "broadcast": None if scaled.broadcast is None else str(scaled.broadcast),
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
        return {**common, "sum": {"bits": check.bits, "start": str(check.start), "invert": check.invert}}
    numbers = {name: str(getattr(check, name)) for name in ("poly", "init", "xorout")}
    return {**common, "crc": {"width": check.width, **numbers, "refin": check.refin, "refout": check.refout}}
