"""What the JavaScript module answers, and what Python makes of the same octets, in one comparable form."""

from __future__ import annotations

from typing import Any

import ullage
from ullage.layout import Entry, Gate, Opaque, Repeat, Scaled, Slot
from ullage.words.wording import reading

from .javascript_end import SAFE


def differs(protocol: ullage.Protocol, octets: bytes, at: int | None, answer: dict[str, Any]) -> str:
    """How an answer differs from Python's for the same octets; "" where it does not."""
    try:
        message = protocol.decode(octets, at)
    except ullage.Refused as refused:
        return _differs_in_refusal(refused, answer)
    if (answer["status"], answer["reason"], answer.get("frame")) != (0, "fine", message.frame):
        return f"Python accepts a {message.frame}"
    layout = protocol.frames[message.frame]
    told = _values(layout.entries, message.values)
    if answer["values"] != told:
        return f"Python has {told}"
    if answer.get("again", octets.hex()) != octets.hex():
        return "it encodes to other octets"
    wanted = _readings(layout.entries, message.values)
    got = _told_readings(answer["cells"])
    return "" if got == wanted else f"Python reads {wanted}, not {got}"


def _differs_in_refusal(refused: ullage.Refused, answer: dict[str, Any]) -> str:
    wanted = {
        "status": int(refused.reason),
        "reason": str(refused.reason),
        "text": str(refused),
        "frame": refused.frame,
        "field": refused.field,
        "bit": refused.bit,
        "raw": None if refused.raw is None else str(refused.raw),
        "expected": refused.expected,
    }
    got = {name: answer.get(name) for name in wanted}
    return "" if got == wanted else f"Python says {wanted}"


def _values(entries: tuple[Entry, ...], values: dict[str, Any]) -> dict[str, Any]:
    """Decoded values as the JavaScript decoder gives them."""
    found: dict[str, Any] = {}
    for entry in entries:
        if isinstance(entry, Repeat):
            found[entry.name] = [_values(entry.entries, item) for item in values[entry.name]]
        elif isinstance(entry, Gate):
            inside = values[entry.name]
            found[entry.name] = None if inside is None else _values(entry.entries, inside)
        elif entry.given:
            found[entry.name] = _value(entry, values[entry.name])
    return found


def _value(slot: Slot, value: Any) -> Any:
    scaled = slot.transform
    if isinstance(scaled, Scaled):
        if isinstance(value, str):
            return {"special": str(value)}
        ends = scaled.quantity(scaled.lowest), scaled.quantity(scaled.highest)
        return str(value) if scaled.whole and max(map(abs, ends)) > SAFE else value
    return value.hex() if isinstance(scaled, Opaque) else value


def _readings(entries: tuple[Entry, ...], values: dict[str, Any]) -> list[str]:
    """How people read each given value, in wire order."""
    found: list[str] = []
    for entry in entries:
        if isinstance(entry, Slot):
            found += [reading(entry, values[entry.name])] if entry.given else []
        elif isinstance(entry, Repeat):
            for item in values[entry.name]:
                found += _readings(entry.entries, item)
        elif values[entry.name] is not None:
            found += _readings(entry.entries, values[entry.name])
    return found


def _told_readings(cells: list[dict[str, Any]]) -> list[str]:
    found: list[str] = []
    for cell in cells:
        if "slot" in cell:
            found += [] if cell["slot"]["as"] in ("fixed", "length") else [cell["reading"]]
        elif "list" in cell:
            for item in cell["items"]:
                found += _told_readings(item["cells"])
        elif cell["inside"] is not None:
            found += _told_readings(cell["inside"]["cells"])
    return found
