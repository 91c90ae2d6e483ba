"""What the JavaScript decoder of sheets answers, and what Python makes of the same octets, in one comparable form."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import ullage
from ullage.layout import Entry, Gate, Opaque, Repeat, Scaled, Slot
from ullage.words.wording import reading
from ullage_codegen.decoder_tables import decoder_tables

DECODER = Path(__file__).parents[2] / "codegen" / "ullage_codegen" / "templates" / "decoder.js"
_RUN = """
const fs = require("fs");
const decoder = require(process.argv[1]);
const { tables, cases } = JSON.parse(fs.readFileSync(0, "utf8"));
const answers = cases.map(([hex, at]) => decoder.decode(tables, decoder.octetsOf(hex), at));
process.stdout.write(JSON.stringify(answers));
"""


def node_answers(protocol: ullage.Protocol, cases: Sequence[tuple[bytes, int | None]]) -> list[dict[str, Any]]:
    """The decoder's answers under Node. cases: octets, and the receiving station or None."""
    sent = json.dumps({"tables": decoder_tables(protocol), "cases": [(octets.hex(), at) for octets, at in cases]})
    made = subprocess.run(["node", "-e", _RUN, str(DECODER)], input=sent, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr[-2000:]
    # JavaScript writes a double that is whole without a point, in digits that lead back to it.
    answers: list[dict[str, Any]] = json.loads(made.stdout, parse_int=_number)
    return answers


def _number(text: str) -> int | float:
    return int(text) if len(text) < 16 else float(text)


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
    if isinstance(slot.transform, Scaled):
        return {"special": str(value)} if isinstance(value, str) else Quantity(value)
    return value.hex(" ") if isinstance(slot.transform, Opaque) else value


class Quantity:
    """Equal to an exact decimal text of the very number that Python decodes."""

    def __init__(self, value: int | float) -> None:
        self.value = value

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, dict) or list(other) != ["quantity"]:
            return False
        exact = Fraction(other["quantity"])
        return exact == self.value if isinstance(self.value, int) else float(exact) == self.value

    def __hash__(self) -> int:
        return hash(self.value)

    def __repr__(self) -> str:
        return f"Quantity({self.value!r})"


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
