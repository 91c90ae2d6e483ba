"""A fault of shape (keys, kinds, types) in a plain sentence, with an example of what should stand there."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, get_args

from pydantic import BaseModel

from ..errors import Fault
from ..names import nearest
from . import specfile
from .reading import Path, inside, one_line, place, shown


def _path(location: Sequence[str | int]) -> Path:
    """Pydantic's location without the tags of its unions."""
    path: list[str | int] = []
    for key in location:
        after_item = len(path) > 1 and path[-2] == "field" and isinstance(path[-1], int) and not _tagged(path)
        if after_item or (path in (["radio"], ["integrity", "crc"]) and not _tagged(path)):
            path.append(_Tag(str(key)))
        else:
            path.append(key)
    return tuple(key for key in path if not isinstance(key, _Tag))


class _Tag(str):
    __slots__ = ()


def _tagged(path: list[str | int]) -> bool:
    return bool(path) and isinstance(path[-1], _Tag)


def shape_fault(detail: Any, data: dict[str, Any]) -> Fault:
    """One fault. detail: as pydantic tells it; data: what was read."""
    path = _path(detail["loc"])
    if detail["type"] == "union_tag_invalid":
        path = (*path, _tag_key(path))
    elif detail["type"] == "missing" and isinstance(path[-1], int):
        path = path[:-1]  # an end of a range
    value = data
    for key in path:
        value = inside(value, key)
    code, text, help_text = _sentence(detail, path, value, data)
    return Fault(code, path, place(path, data), one_line(text), help_text and one_line(help_text))


def _sentence(detail: Any, path: Path, value: Any, data: dict[str, Any]) -> tuple[str, str, str | None]:
    kind: str = detail["type"]
    context: dict[str, Any] = detail.get("ctx", {})
    owner = data
    for key in path[:-1]:
        owner = inside(owner, key)
    match kind:
        case "extra_forbidden":
            known = [key for key in _keys(path, owner) if key != "kind"]
            near = nearest(str(path[-1]), known)
            help_text = f"{near} = …, perhaps" if near else f"its keys are {', '.join(known)}" if known else None
            if near and len(path) == 1:
                help_text = f"{_TABLE_WORDS[near]}, perhaps"
            if path == ("field",):
                help_text = "[[frame.field]] below its [[frame]], or [[header.field]]"
            return ("unknown_key", f"{_what(path, owner)} has no key {shown(str(path[-1]))}", help_text)
        case "missing" if path[-1:] == ("range",) and value is not None:
            return ("wrong_type", f"{shown(value)} does not have two ends, like [0, 100]", None)
        case "missing":
            key = str(path[-1])
            lacks = f"{_TABLE_WORDS[key]}" if len(path) == 1 and key in _TABLE_WORDS else f"the key {key}"
            return ("missing_key", f"{_what(path, owner)} needs {lacks}, and it is not there", _EXAMPLES.get(key))
        case "union_tag_not_found" if path[-1:] == ("crc",):
            return (
                "wrong_type",
                f"{shown(value)} is neither the name of a CRC nor a table of its six parameters",
                None,
            )
        case "union_tag_not_found":
            key = _tag_key(path)
            return ("missing_key", f'this has no "{key}"', f'{key} = "{_tags(path)[0]}", for example')
        case "union_tag_invalid":
            key, tags = str(path[-1]), _tags(path[:-1])
            near = nearest(str(value), tags)
            help_text = f'{key} = "{near}"' if near else f"one of {', '.join(tags)}"
            return ("no_kind", f"there is no {key} {shown(value)}", help_text)
        case "literal_error":
            return (
                "not_one_of",
                f"{shown(value)} is not possible here",
                f"one of {context['expected']}".replace("'", '"'),
            )
        case "value_error":
            return ("wrong_value", f"{shown(value)} {context['error']}", None)
        case "greater_than_equal":
            return ("too_small", f"{shown(value)} is below {context['ge']}, the least possible here", None)
        case "less_than_equal":
            return ("too_large", f"{shown(value)} is above {context['le']}, the most possible here", None)
        case "too_short" if path == ("frame",):
            return ("no_frame", "there is no [[frame]]", None)
        case "too_long":
            return ("wrong_type", f"{shown(value)} does not have two ends, like [0, 100]", None)
    if kind == "bool_type":
        return ("wrong_type", f"{shown(value)} is neither true nor false", None)
    if kind in _TYPE_WORDS:
        given = "a list of tables" if isinstance(value, list) and value and isinstance(value[0], dict) else shown(value)
        return ("wrong_type", f"{given} is no {_TYPE_WORDS[kind]}", _other_form(path, value))
    return ("wrong_value", f"{shown(value)}: {detail['msg']}", None)


_TEXTS = ("name", "summary", "unit", "part", "counted_by", "when", "covers_from")
_TABLE_WORDS = {
    "protocol": "[protocol]",
    "header": "[header]",
    "frame": "[[frame]]",
    "part": "[[part]]",
    "integrity": "[integrity]",
    "radio": "[radio]",
}
_EXAMPLES = {
    "protocol": 'a line [protocol], and below it name = "orchard"',
    "frame": 'a line [[frame]], and below it name = "level_report"',
    "name": 'name = "level", for example',
    "octets": "octets = 6, for example",
    "bits": "bits = 8, for example",
    "unit": 'unit = "mm", for example; unit = "" for a plain number',
    "range": "range = [0, 100], for example",
    "step": "step = 1, for example",
    "codes": "codes = { shut = 0, open = 1 }, for example",
    "epoch": 'epoch = "unix", or "start" for the station\'s own time',
    "value": "value = 0x2D, for example",
    "covers": 'covers = "frame", or "rest" for the octets behind it',
    "counted_by": "counted_by = the name of a count before it",
    "at_most": "at_most = 4, for example",
    "when": "when = the name of a flag before it",
    "part": "part = the name of a [[part]]",
    "field": "field = [ { ... } ]",
    "spreading_factor": "spreading_factor = 9, for example",
    "bandwidth_khz": "bandwidth_khz = 125, for example",
    "coding_rate": 'coding_rate = "4/5", for example',
    "bit_rate": "bit_rate = 38400, for example",
}
_TYPE_WORDS = {
    "int_type": "whole number",
    "string_type": "text in quotes",
    "list_type": "list",
    "tuple_type": "list of two numbers",
    "dict_type": "table",
    "model_type": "table",
    "model_attributes_type": "table",
}


def _other_form(path: Path, value: Any) -> str | None:
    """Help where a table and a list of tables, or a number and a text, have been mixed up."""
    if isinstance(value, str) and value.isdecimal():
        return f"{path[-1]} = {value}, without quotes"
    if isinstance(value, int | Decimal) and not isinstance(value, bool) and isinstance(path[-1], str):
        return f'{path[-1]} = "{shown(value)}", in quotes' if path[-1] in _TEXTS else None
    if isinstance(value, dict) and path[-1:] in (("frame",), ("field",)):
        return "[[frame]], with two brackets" if path == ("frame",) else "field = [ { ... } ]"
    if isinstance(value, list) and len(path) == 1:
        return f"[{path[0]}], with one bracket"
    return None


def _tag_key(path: Path) -> str:
    return "modulation" if path == ("radio",) else "kind"


def _kinds() -> dict[str, type[BaseModel]]:
    union = get_args(get_args(specfile.AnyField)[0])
    return {tag: model for model in union for tag in get_args(model.model_fields["kind"].annotation)}


def _tags(path: Path) -> list[str]:
    return ["lora", "fsk"] if path == ("radio",) else list(_kinds())


def _model(path: Path, owner: Any) -> type[BaseModel] | None:
    """The model whose keys stand in the table that holds the last key of path."""
    places: dict[Path, type[BaseModel]] = {
        (): specfile.SpecFile,
        ("protocol",): specfile.ProtocolTable,
        ("header",): specfile.HeaderTable,
        ("integrity",): specfile.IntegrityTable,
        ("integrity", "crc"): specfile.CrcParameters,
        ("integrity", "sum"): specfile.SumParameters,
    }
    parent = path[:-1]
    if parent in places:
        return places[parent]
    if parent == ("radio",):
        return specfile.FskTable if inside(owner, "modulation") == "fsk" else specfile.LoraTable
    if len(parent) == 2 and parent[0] in ("frame", "part"):
        return specfile.FrameTable if parent[0] == "frame" else specfile.PartTable
    if "field" in parent and isinstance(owner, Mapping):
        return _kinds().get(str(owner.get("kind")))
    return None


def _keys(path: Path, owner: Any) -> list[str]:
    model = _model(path, owner)
    return list(model.model_fields) if model else []


def _what(path: Path, owner: Any) -> str:
    parent = path[:-1]
    if "field" in parent and isinstance(owner, Mapping):
        kind = str(owner.get("kind"))
        return f"{'an' if kind == 'octets' else 'a'} {kind}"
    if not parent:
        return "a spec"
    if parent[0] in ("frame", "part"):
        return f"a {parent[0]}"
    if parent in (("integrity", "crc"), ("integrity", "sum")):
        return "a CRC" if parent[1] == "crc" else "a sum"
    return f"[{parent[0]}]"
