"""Random legal specs, as TOML text, over every kind and key of the language."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from hypothesis import strategies as st

from ullage.crc import catalogue

_STEPS = ["1", "5", "10", "60", "0.5", "0.1", "0.01", "0.25", "2.5", "0.004", "1000"]
_UNITS = ["mm", "V", "Cel", "%RH", "m3", "min", "s", "dBm", "", "kPa", "l/min", "µm", "a b"]
_WORDS = ["alpha", "beta", "gamma", "delta", "open", "shut", "no_echo", "default", "if"]
_NAMES = [f"f{number}" for number in range(120)]


def toml(value: Any) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {toml(item)}" for key, item in value.items()) + " }"
    return str(value)


def spec_text(spec: dict[str, Any]) -> str:
    """A spec's data as TOML text."""
    lines = ["[protocol]", *(f"{key} = {toml(value)}" for key, value in spec["protocol"].items())]
    lines += ["[header]", f"field = {toml(spec['header'])}"]
    for frame in spec["frames"]:
        lines += ["[[frame]]", *(f"{key} = {toml(value)}" for key, value in frame.items())]
    for part in spec.get("parts", []):
        lines += ["[[part]]", *(f"{key} = {toml(value)}" for key, value in part.items())]
    if spec.get("integrity"):
        lines += ["[integrity]", *(f"{key} = {toml(value)}" for key, value in spec["integrity"].items())]
    if spec.get("seal"):
        lines += ["[seal]", *(f"{key} = {toml(value)}" for key, value in spec["seal"].items())]
    return "\n".join(lines) + "\n"


@st.composite
def measures(draw: st.DrawFn) -> dict[str, Any]:
    """A measure: any range, zero, width, special codes, clamping."""
    step = Decimal(draw(st.sampled_from(_STEPS)))
    low = draw(st.one_of(st.integers(-300, 300), st.integers(-(2**40), 2**40)))
    span = draw(st.one_of(st.integers(0, 300), st.integers(0, 2**20), st.sampled_from([255, 254, 65535, 2**32 - 1])))
    high = low + span
    field: dict[str, Any] = {
        "kind": "measure",
        "unit": draw(st.sampled_from(_UNITS)),
        "range": [low * step, high * step],
        "step": step,
    }
    zero = low
    if draw(st.booleans()):
        zero = draw(st.sampled_from([0, low, high, low - 3, (low + high) // 2]))
        field["zero"] = zero * step
    raw_low, raw_high = low - zero, high - zero
    count = draw(st.sampled_from([0, 0, 1, 2, 5]))
    bits = (max(-raw_low - 1, raw_high + 5).bit_length() if raw_low < 0 else (raw_high + 5).bit_length()) + 1
    bits = max(bits, 2)
    if count and draw(st.booleans()) and raw_low >= 0:
        top = (1 << bits) - 1
        codes = draw(st.lists(st.integers(raw_high + 1, top), min_size=1, max_size=3, unique=True))
        field["special"] = dict(zip(_WORDS, codes, strict=False))
        if draw(st.booleans()):
            field["bits"] = bits
    else:
        if count:
            field["special"] = _WORDS[:count]
        if draw(st.integers(0, 3)) == 0:
            field["bits"] = bits
    if draw(st.booleans()):
        field["clamp"] = draw(st.booleans())
    return field


@st.composite
def plain_fields(draw: st.DrawFn) -> dict[str, Any]:
    """A field of any kind that may stand anywhere, without its name."""
    kind = draw(
        st.sampled_from(
            ["binary32"]
            + ["measure"] * 4
            + ["count", "count", "flag", "code", "sensor", "time", "text", "octets", "constant", "spare"]
        )
    )
    bits = draw(st.one_of(st.integers(1, 12), st.integers(1, 64)))
    if kind == "measure":
        return draw(measures())
    if kind == "binary32":
        return {"kind": kind, "unit": draw(st.sampled_from(_UNITS))}
    if kind == "count":
        if draw(st.booleans()):
            return {"kind": kind, "bits": bits}
        low = draw(st.integers(-500, 500))
        return {"kind": kind, "range": [low, low + draw(st.integers(0, 70_000))]}
    if kind == "code":
        size = draw(st.integers(1, 5))
        largest = draw(st.sampled_from([size - 1, 9, 255, 300, 2**20]))
        codes = draw(st.lists(st.integers(0, max(largest, size)), min_size=size, max_size=size, unique=True))
        field: dict[str, Any] = {"kind": kind, "codes": dict(zip(_WORDS, codes, strict=False))}
        if draw(st.booleans()):
            field["bits"] = max(codes).bit_length() + draw(st.integers(1, 3))
        return field
    if kind == "constant":
        return {"kind": kind, "bits": bits, "value": draw(st.integers(0, (1 << bits) - 1))}
    if kind in ("text", "octets"):
        return {"kind": kind, "octets": draw(st.integers(1, 9))}
    if kind == "time":
        step = Decimal(draw(st.sampled_from(["1", "60", "0.5", "0.001"])))
        bits = bits if step == step.to_integral_value() else min(bits, 51)
        return {"kind": kind, "bits": bits, "step": step, "epoch": draw(st.sampled_from(["unix", "start"]))}
    return {"kind": kind} if kind == "flag" else {"kind": kind, "bits": bits}


@st.composite
def headers(draw: st.DrawFn, several: bool, revision: int) -> list[dict[str, Any]]:
    """A header's fields: the special ones or not, in any order, others between them."""
    fields = []
    if draw(st.booleans()):
        fields.append({"kind": "revision", "bits": draw(st.integers((revision + 1).bit_length(), 8))})
    if several or draw(st.booleans()):
        fields.append({"kind": "message", "bits": draw(st.one_of(st.integers(4, 8), st.integers(4, 16)))})
    if draw(st.booleans()):
        bits = draw(st.one_of(st.just(8), st.integers(1, 20)))
        field: dict[str, Any] = {"kind": "destination", "bits": bits}
        if draw(st.booleans()):
            field["broadcast"] = draw(st.sampled_from([0, (1 << bits) - 1]))
        fields.append(field)
    for kind in ("source", "sequence"):
        if draw(st.booleans()):
            fields.append({"kind": kind, "bits": draw(st.integers(1, 33))})
    fields += draw(st.lists(plain_fields(), max_size=2))
    return list(draw(st.permutations(fields)))


@st.composite
def integrities(draw: st.DrawFn) -> dict[str, Any] | None:
    """No integrity check, a CRC of the catalogue, or any six parameters."""
    way = draw(st.sampled_from(["none", "name", "name", "free", "free", "sum"]))
    if way == "none":
        return None
    if way == "sum":
        bits = draw(st.sampled_from([8, 16, 24, 32]))
        total = {"bits": bits, "start": draw(st.integers(0, (1 << bits) - 1)), "invert": draw(st.booleans())}
        return {"sum": total, "octet_order": draw(st.sampled_from(["high_first", "low_first"]))}
    if way == "name":
        table: dict[str, Any] = {"crc": draw(st.sampled_from(sorted(catalogue())))}
    else:
        width = draw(st.integers(3, 64))
        number = st.integers(0, (1 << width) - 1)
        poly = draw(number) | 1
        table = {
            "crc": {
                "width": width,
                "poly": poly,
                "init": draw(number),
                "refin": draw(st.booleans()),
                "refout": draw(st.booleans()),
                "xorout": draw(number),
            }
        }
        # TOML's own integers end at 2^63 - 1; larger ones are read all the same.
    if draw(st.booleans()):
        table["octet_order"] = draw(st.sampled_from(["high_first", "low_first"]))
    return table


@st.composite
def groups(draw: st.DrawFn, names: Iterator[str], depth: int) -> list[dict[str, Any]]:
    """A list with its count before it, or a group with its flag before it; other fields between now and then."""
    inner = draw(st.lists(plain_fields(), min_size=1, max_size=3))
    size = draw(st.sampled_from(["any", "octets"]))
    fields: list[dict[str, Any]] = [{"name": next(names), **field} for field in inner]
    if depth and draw(st.booleans()):
        fields += draw(groups(names, depth - 1))
    control, between = next(names), draw(st.lists(plain_fields(), max_size=1))
    middle = [{"name": next(names), **field} for field in between]
    if draw(st.booleans()):
        gates = [{"name": next(names), "kind": "group", "when": control, "field": fields}]
        return [{"name": control, "kind": "flag"}, *middle, *gates]
    at_most = draw(st.integers(1, 4))
    counter: dict[str, Any] = {"name": control, "kind": "count", "bits": draw(st.integers(8, 11))}
    entry: dict[str, Any] = {"name": next(names), "kind": "list", "counted_by": control, "at_most": at_most}
    if size == "octets":
        entry["counts"] = "octets"
        fields = [{"name": next(names), "kind": "octets", "octets": draw(st.integers(1, 3))}]
    elif draw(st.booleans()):
        least = draw(st.integers(0, at_most))
        counter = {"name": control, "kind": "count", "range": [least, at_most + draw(st.integers(0, 2))]}
    return [counter, *middle, {**entry, "field": fields}]


@st.composite
def aligned_fields(draw: st.DrawFn, names: Iterator[str]) -> list[dict[str, Any]]:
    """Fields of whole octets with the lowest octet first, for a frame that begins with them."""
    kind = draw(st.sampled_from(["count", "measure", "binary32", "sequence"]))
    field: dict[str, Any] = {"name": next(names), "kind": kind, "octet_order": "low_first"}
    if kind == "binary32":
        return [{**field, "unit": "m"}]
    bits = 8 * draw(st.integers(1, 8))
    if kind == "measure":
        low = draw(st.sampled_from([0, -(1 << (bits - 1)), 5]))
        high = draw(st.integers(low, min(low + (1 << (bits - 1)), (1 << 50))))
        return [{**field, "unit": "mm", "range": [low, high], "step": 1, "zero": 0, "bits": bits}]
    return [{**field, "bits": bits}]


@st.composite
def specs(draw: st.DrawFn) -> str:
    """A legal spec as TOML text."""
    count = draw(st.integers(1, 3))
    revision = draw(st.integers(0, 200))
    header = draw(headers(count > 1, revision))
    integrity = draw(integrities())
    names = iter(_NAMES)
    if integrity and draw(st.integers(0, 3)) == 0:
        header = [{"kind": "constant", "bits": 8 * draw(st.integers(1, 3)), "value": 0x5A}, *header]
        if len(header) > 1:
            integrity["covers_from"] = "f1"
    header = [{"name": next(names), **field} for field in header]
    with_message = any(field["kind"] == "message" for field in header)
    frames, parts = [], []
    for number in range(count):
        own = draw(aligned_fields(names)) if not header and draw(st.booleans()) else []
        fields = draw(st.lists(plain_fields(), min_size=0 if header or own else 1, max_size=6))
        own += [{"name": next(names), **field} for field in fields]
        if draw(st.integers(0, 2)) == 0:
            if not header and draw(st.booleans()):
                covers = draw(st.sampled_from(["frame", "rest"]))
                own = [{"name": next(names), "kind": "length", "bits": 8, "covers": covers}, *own]
            for _ in range(draw(st.integers(1, 2))):
                own += draw(groups(names, 1))
            own += [{"name": next(names), **field} for field in draw(st.lists(plain_fields(), max_size=1))]
        if own and draw(st.integers(0, 4)) == 0:
            parts.append({"name": f"part_{'abc'[number]}", "field": own})
            own = [{"kind": "part", "part": f"part_{'abc'[number]}"}]
        code = {"message": draw(st.sampled_from([number, 15 - number]))} if with_message else {}
        frames.append({"name": f"frame_{'abc'[number]}", **code, "field": own})
    return spec_text(
        {
            "protocol": {
                "name": "wild",
                "revision": revision,
                "summary": draw(st.sampled_from(["", "any */ text ??/ µ"])),
            },
            "header": header,
            "frames": frames,
            "parts": parts,
            "integrity": integrity,
        }
    )


@st.composite
def _sealed_header(draw: st.DrawFn, whole: bool, own_number: bool) -> list[dict[str, Any]]:
    """The header of sealed frames, up to a whole octet. whole: of whole octets, some with the lowest one first."""
    narrow = st.sampled_from([8, 16]) if whole else st.integers(3, 20)
    fields: list[dict[str, Any]] = [{"kind": "message", "bits": 8 if whole else draw(st.integers(2, 7))}]
    fields.append({"kind": "source", "bits": draw(narrow)})
    if draw(st.integers(0, 3)):
        bits = draw(narrow)
        everybody = draw(st.sampled_from([{}, {"broadcast": 0}, {"broadcast": (1 << bits) - 1}]))
        fields.append({"kind": "destination", "bits": bits, **everybody})
    if not own_number:
        fields.append(draw(_numbers(whole)))
    if draw(st.booleans()):
        fields.append(
            {"kind": "length", "bits": 8, "covers": draw(st.sampled_from(["frame", "rest"]))} if whole else {}
        )
    fields = [field for field in draw(st.permutations(fields)) if field]
    for field in fields:
        if whole and field["kind"] != "message" and draw(st.booleans()):
            field["octet_order"] = "low_first"
    spare = -sum(field["bits"] for field in fields) % 8
    return [*fields, *([{"kind": "spare", "bits": spare}] if spare else [])]


@st.composite
def _numbers(draw: st.DrawFn, whole: bool) -> dict[str, Any]:
    """A sequence number, with its whole counter where only a part of it travels."""
    bits = draw(st.sampled_from([8, 16, 32] if whole else [4, 7, 11, 16, 20]))
    counter = draw(st.sampled_from([bits, 20, 32, 33, 64]))
    more = {"counter_bits": counter} if counter > bits else {}
    return {"kind": "sequence", "bits": bits if bits > 6 or more else 9, **more}


@st.composite
def sealed_specs(draw: st.DrawFn) -> str:
    """A legal spec with sealed frames as TOML text; one frame may be open to all."""
    own_number, whole = draw(st.integers(0, 4)) == 0, draw(st.booleans())
    names = iter(_NAMES)
    header = [{"name": next(names), **field} for field in draw(_sealed_header(whole, own_number))]
    number = {
        "name": next(names),
        **draw(_numbers(True)),
        "octet_order": draw(st.sampled_from(["low_first", "high_first"])),
    }
    by_kind = {field["kind"]: field for field in [*header, *([number] if own_number else [])]}
    nothing = own_number or draw(st.integers(0, 3)) == 0
    count, frames = draw(st.integers(1, 3)), []
    for place in range(count):
        before = [{"name": next(names), "kind": "count", "bits": 8} for _ in range(draw(st.integers(0, 2)))]
        own = [{"name": next(names), **field} for field in draw(st.lists(plain_fields(), min_size=0, max_size=4))]
        for _ in range(draw(st.integers(0, 1))):
            own += draw(groups(names, 1))
        fixed = [field["name"] for field in own[:1] if field["kind"] not in ("list", "group")]
        frame: dict[str, Any] = {"name": f"frame_{'abc'[place]}", "message": place}
        sealed = place == 0 or draw(st.integers(0, 3)) > 0
        if sealed and fixed and not nothing and draw(st.booleans()):
            frame["encrypt_from"] = fixed[0]
        frames.append({**frame, "field": [*before, *([number] if own_number else []), *own], "sealed": sealed})
    sequence, source = by_kind["sequence"], by_kind["source"]
    octets = sum(-(-bits // 8) for bits in (source["bits"], sequence.get("counter_bits", sequence["bits"])))
    nonce = [source["name"], sequence["name"]]
    if "destination" in by_kind and octets + -(-by_kind["destination"]["bits"] // 8) < 13 and draw(st.booleans()):
        nonce = [by_kind["destination"]["name"], *nonce]
        octets += -(-by_kind["destination"]["bits"] // 8)
    network_octets = draw(st.integers(1, min(4, 13 - octets)))
    seal = {
        "frames": [frame["name"] for frame in frames if frame["sealed"]],
        "tag_octets": draw(st.sampled_from([4, 6, 8, 10, 12, 14, 16])),
        "encrypt": "nothing" if nothing else "body",
        "nonce": nonce,
        "network": draw(st.integers(0, (1 << 8 * network_octets) - 1)),
        "network_octets": network_octets,
        "hub": draw(st.integers(1, 6)),
        "service_life": "1 days",
        "stations": 1,
        "interval": "1 h",
        "restarts": 1,
        "reserve": draw(st.integers(1, 20)),
        "resync": draw(st.integers(0, 20)),
        "group_key": draw(st.booleans()),
    }
    frames = [{key: value for key, value in frame.items() if key != "sealed"} for frame in frames]
    protocol = {"name": "wild", "revision": 1, "summary": ""}
    integrity = draw(integrities())
    if integrity and whole and draw(st.booleans()):
        integrity["covers_from"] = header[0]["name"]
        header = [{"name": next(names), "kind": "constant", "bits": 8, "value": 0x5A}, *header]
    return spec_text({"protocol": protocol, "header": header, "frames": frames, "integrity": integrity, "seal": seal})
