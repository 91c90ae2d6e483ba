"""Pairs of specs, one and what somebody made of it: renamed, widened, narrowed, reordered, added, removed, rescaled."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from support.protocols import spec_text, specs

Data = dict[str, Any]
Fields = list[dict[str, Any]]

_UNITS = ["mm", "cm", "V"]
_CRCS = ["CRC-8/SMBUS", "CRC-8/MAXIM-DOW", "CRC-16/IBM-3740", "CRC-16/KERMIT", "CRC-16/ARC"]
_PLAIN = ("measure", "count", "flag", "code", "sensor", "text", "octets", "spare", "constant", "time", "binary32")
_CHECKS: list[Data | None] = [None, *({"crc": name} for name in _CRCS), {"sum": {"bits": 8}}]


@st.composite
def small_fields(draw: st.DrawFn, name: str) -> dict[str, Any]:
    """A field of few bits."""
    kind = draw(st.sampled_from(["measure", "measure", "measure", "count", "flag", "code", "spare", "constant"]))
    field: dict[str, Any] = {"name": name, "kind": kind}
    if kind == "measure":
        low = draw(st.integers(-2, 3))
        field |= {"unit": draw(st.sampled_from(_UNITS)), "range": [low, low + draw(st.integers(0, 6))], "step": 1}
        field |= draw(st.sampled_from([{}, {}, {"special": ["lost"]}, {"special": ["lost", "near"]}]))
        field |= draw(st.sampled_from([{}, {}, {"zero": 0}]))
    elif kind == "code":
        count = draw(st.integers(1, 3))
        field["codes"] = dict(zip(["open", "shut", "half"], draw(st.permutations(range(3)))[:count], strict=False))
    elif kind == "constant":
        field |= {"bits": 2, "value": draw(st.integers(0, 3))}
    elif kind != "flag":
        field["bits"] = draw(st.integers(1, 3))
    return field


@st.composite
def small_specs(draw: st.DrawFn) -> Data:
    """A spec whose frames have few bits, so that all of them can be tried."""
    names = (f"f{number}" for number in range(90))
    several = draw(st.booleans())
    header: Fields = []
    if draw(st.booleans()):
        header.append({"name": "version", "kind": "revision", "bits": 2})
    if several or draw(st.booleans()):
        header.append({"name": "what", "kind": "message", "bits": 2})
    frames = []
    for number in range(1 + several):
        fields = [draw(small_fields(next(names))) for _ in range(draw(st.integers(1, 3)))]
        if draw(st.integers(0, 3)) == 0:
            counter, entry = next(names), next(names)
            item = [{"name": next(names), "kind": "count", "bits": draw(st.integers(1, 2))}]
            if draw(st.booleans()):
                fields += [{"name": counter, "kind": "count", "range": [0, draw(st.integers(1, 3))]}]
                fields += [{"name": entry, "kind": "list", "counted_by": counter, "at_most": 2, "field": item}]
            else:
                fields += [{"name": counter, "kind": "flag"}]
                fields += [{"name": entry, "kind": "group", "when": counter, "field": item}]
        code = {"message": number} if any(field["kind"] == "message" for field in header) else {}
        frames.append({"name": f"frame_{'ab'[number]}", **code, "field": fields})
    protocol = {"name": "wild", "revision": draw(st.integers(0, 2))}
    return {"protocol": protocol, "header": header, "frames": frames, "integrity": draw(st.sampled_from(_CHECKS))}


def data_of(text: str) -> Data:
    """A spec's text as the data that `spec_text` takes."""
    data = tomllib.loads(text, parse_float=Decimal)
    return {
        "protocol": data["protocol"],
        "header": data.get("header", {}).get("field", []),
        "frames": data["frame"],
        "parts": data.get("part", []),
        "integrity": data.get("integrity"),
    }


def _scopes(fields: Fields) -> Iterator[Fields]:
    yield fields
    for field in fields:
        if "field" in field:
            yield from _scopes(field["field"])


@st.composite
def changed(draw: st.DrawFn, data: Data) -> Data:
    """What somebody made of a spec, in one to three steps; the result may be no legal spec any more."""
    new = copy.deepcopy(data)
    for number in range(draw(st.integers(1, 3))):
        frame = draw(st.sampled_from(new["frames"]))
        scope = draw(st.sampled_from(list(_scopes(frame["field"]))))
        plain = [field for field in scope if field["kind"] in _PLAIN]
        way = draw(st.sampled_from(["field"] * 6 + ["add", "remove", "swap", "revision", "check", "frame", "header"]))
        if way == "field" and plain:
            _change_field(draw, draw(st.sampled_from(plain)))
        elif way == "add":
            scope.insert(draw(st.integers(0, len(scope))), draw(small_fields(f"new_{number}")))
        elif way == "remove" and plain and len(scope) > 1:
            scope.remove(draw(st.sampled_from(plain)))
        elif way == "swap" and len(plain) > 1:
            one, other = plain[0], draw(st.sampled_from(plain[1:]))
            first, second = scope.index(one), scope.index(other)
            scope[first], scope[second] = other, one
        elif way == "revision":
            new["protocol"]["revision"] = (new["protocol"].get("revision", 1) + 1) % 3
        elif way == "check":
            new["integrity"] = draw(st.sampled_from(_CHECKS))
        elif way == "frame" and "message" in frame:
            codes = {one["message"] for one in new["frames"]}
            frame["message"] = draw(st.sampled_from(sorted({0, 1, 2, 3} - codes | {frame["message"]})))
        elif way == "header" and new["header"]:
            new["header"].insert(draw(st.integers(0, len(new["header"]))), draw(small_fields(f"head_{number}")))
    return new


def _change_field(draw: st.DrawFn, field: dict[str, Any]) -> None:
    kind = field["kind"]
    ways = ["name"]
    ways += ["bits", "bits"] if "bits" in field and kind != "constant" else []
    ways += ["range", "range", "step", "zero", "unit", "special"] if kind == "measure" else []
    ways += ["codes", "codes"] if kind == "code" else []
    ways += ["kind"] if kind in ("spare", "count", "flag") else []
    way = draw(st.sampled_from(ways))
    if way == "name":
        field["name"] = draw(st.sampled_from([f"{field['name']}b", "renamed"]))
    elif way == "bits":
        field["bits"] = max(1, field["bits"] + draw(st.sampled_from([-1, 1])))
    elif way == "range":
        (low, high), step = field["range"], field["step"]
        more = draw(st.sampled_from([(0, 1), (-1, 0), (0, -1), (1, 0), (0, 4)]))
        field["range"] = [low + more[0] * step, max(high + more[1] * step, low + more[0] * step)]
    elif way == "step":
        field["step"] = field["step"] * draw(st.sampled_from([2, Decimal("0.5")]))
    elif way == "zero":
        field["zero"] = field["range"][0] - field["step"] * draw(st.integers(-1, 1))
    elif way == "unit":
        field["unit"] = draw(st.sampled_from(_UNITS))
    elif way == "special":
        field["special"] = draw(st.sampled_from([["near"], ["lost"], ["near", "lost"], ["lost", "near", "far"]]))
    elif way == "codes":
        names = draw(st.permutations(list(field["codes"])))
        field["codes"] = dict(zip(names, field["codes"].values(), strict=True))
        if draw(st.booleans()):
            field["codes"]["more"] = max(field["codes"].values()) + 1
    else:
        bits = field.get("bits", 1)
        field.clear()
        field |= {"name": "turned", "kind": draw(st.sampled_from(["count", "spare"])), "bits": bits}


@st.composite
def small_pairs(draw: st.DrawFn) -> tuple[str, str]:
    """Two specs of few bits, as text."""
    data = draw(small_specs())
    return spec_text(data), spec_text(draw(changed(data)))


@st.composite
def pairs(draw: st.DrawFn) -> tuple[str, str]:
    """Two specs over every kind and key, as text."""
    text = draw(specs())
    return text, spec_text(draw(changed(data_of(text))))
