"""A layout as plain data for JSON, for programs that do not speak the spec language; quantities are exact decimals."""

from typing import Any

from ..layout import Binary32, Choice, Entry, Fixed, Flag, Gate, Layout, Length, Opaque, Repeat, Scaled, Slot, Text
from ..protocol import Protocol
from ..quantity import plain


def as_data(protocol: Protocol) -> list[dict[str, Any]]:
    """The frames as plain data for JSON: quantities as exact decimal text, codes and raw numbers as numbers."""
    return [
        {
            "name": layout.name,
            "message": layout.message,
            "octets": layout.octets,
            "least_octets": layout.least_octets,
            "summary": layout.summary,
            "interval_s": None if layout.interval_s is None else plain(layout.interval_s),
            "sealing": _sealing_data(layout),
            "entries": _entries_data(layout.slots, placed=True) + _entries_data(layout.tail, placed=False),
        }
        for layout in protocol.frames.values()
    ]


def seal_data(protocol: Protocol) -> dict[str, Any] | None:
    """How the sealed frames of a protocol are sealed, as plain data for JSON; None where no frame is. Never a key."""
    seal = protocol.seal
    if seal is None:
        return None
    return {
        "key_bits": seal.key_bits,
        "tag_octets": seal.tag_octets,
        "nonce": list(seal.nonce),
        "network": seal.network,
        "network_octets": seal.network_octets,
        "hub": seal.hub,
        "counter_bits": seal.counter_bits,
        "resync": seal.resync,
        "group_key": seal.group_key,
        "reserve": seal.reserve,
    }


def _sealing_data(layout: Layout) -> dict[str, Any] | None:
    sealing = layout.sealing
    return {"first_octet": sealing.first_octet, "tag_octets": sealing.tag_octets} if sealing else None


def _entries_data(entries: tuple[Entry, ...], placed: bool) -> list[dict[str, Any]]:
    return [_slot_data(entry, placed) if isinstance(entry, Slot) else _inner_data(entry) for entry in entries]


def _inner_data(entry: Repeat | Gate) -> dict[str, Any]:
    data: dict[str, Any] = {"name": entry.name}
    if isinstance(entry, Gate):
        data |= {"kind": "group", "when": entry.when}
    else:
        data |= {"kind": "list", "counted_by": entry.counted_by, "item_octets": entry.item_octets}
        data |= {"least": entry.least, "at_most": entry.at_most}
    return data | {"entries": _entries_data(entry.entries, placed=False), "summary": entry.summary}


def _slot_data(slot: Slot, placed: bool) -> dict[str, Any]:
    offset = slot.offset if placed else None
    data: dict[str, Any] = {"name": slot.name, "kind": slot.kind, "offset": offset, "bits": slot.bits}
    data["low_first"] = slot.low_first
    match slot.transform:
        case Scaled() as scaled:
            data |= _scaled_data(scaled)
        case Choice() as choice:
            data["codes"] = {code.name: code.code for code in choice.codes}
        case Fixed() as fixed:
            data["value"] = fixed.value
        case Text() | Opaque() as octets:
            data["octets"] = octets.octets
        case Binary32(unit):
            data["unit"] = unit
        case Length(covers):
            data["covers"] = covers
        case Flag():
            pass
    return data | {"summary": slot.summary, "role": slot.role}


def _scaled_data(scaled: Scaled) -> dict[str, Any]:
    return {
        "raw": [scaled.lowest - scaled.first, scaled.highest - scaled.first],
        "signed": scaled.signed,
        "step": plain(scaled.step),
        "unit": scaled.unit,
        "zero": plain(scaled.first * scaled.step),
        "range": [plain(scaled.lowest * scaled.step), plain(scaled.highest * scaled.step)],
        "special": {special.name: special.code for special in scaled.specials},
        "clamp": scaled.clamp,
        "epoch": scaled.epoch,
        "broadcast": scaled.broadcast,
        "counter_bits": scaled.counter_bits,
    }
