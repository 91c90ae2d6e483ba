"""From TOML text to the checked shape of a spec, or to all faults of that shape at once, in plain sentences."""

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from . import specfile
from .errors import Fault, SpecError
from .names import nearest
from .quantity import plain

Path = tuple[str | int, ...]

_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)\Z")


def utf8(octets: bytes, source: str) -> str:
    """Decode a file's octets, a byte order mark at the start allowed. Raises SpecError."""
    try:
        return octets.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = octets[: error.start].count(b"\n") + 1
        column = error.start - octets.rfind(b"\n", 0, error.start)
        text = f"octet {octets[error.start]:02x} is no UTF-8; save the file as UTF-8"
        raise SpecError([Fault("no_toml", (), "", text, None, line, column)], source) from None


def parse_toml(text: str, source: str) -> dict[str, Any]:
    """Read TOML with exact decimals. Raises SpecError, with line and column where TOML's reader names them."""
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        found = _AT.search(str(error))
        message = _AT.sub("", str(error))
        line, column = (int(found[1]), int(found[2])) if found and found[1] else (len(text.splitlines()) or 1, 1)
        fault = Fault("no_toml", (), "", f"this is no TOML: {message[:1].lower()}{message[1:]}", None, line, column)
    except RecursionError:
        fault = Fault("no_toml", (), "", "tables or lists stand too deep in each other")
    except (ValueError, ArithmeticError) as error:
        fault = Fault("no_toml", (), "", f"a number or date that cannot be read: {error}")
    raise SpecError([fault], source)


def read_shape(data: dict[str, Any], source: str) -> specfile.SpecFile:
    """Check tables, keys, kinds and types. Raises SpecError with every fault of that sort."""
    try:
        return specfile.SpecFile.model_validate(data)
    except ValidationError as error:
        details = error.errors(include_url=False, include_context=True)
        faults = [_fault(detail, data) for detail in details]
    raise SpecError(list(dict.fromkeys(faults)), source)


def place(path: Path, data: Any) -> str:
    """Where a path leads, for people: frame "level_report", field "distance", step."""
    words: list[str] = []
    here: Any = data
    steps = list(path)
    while steps:
        key = steps.pop(0)
        here = _inside(here, key)
        if key in ("frame", "field") and steps and isinstance(steps[0], int):
            index = steps.pop(0)
            here = _inside(here, index)
            name = here.get("name") if isinstance(here, Mapping) else None
            words.append(f'{key} "{name}"' if isinstance(name, str) and name else f"{key} number {int(index) + 1}")
        else:
            words.append(f"item {key + 1}" if isinstance(key, int) else str(key))
    return ", ".join(words)


def shown(value: object) -> str:
    """A TOML value as the user would write it, cut to a readable length."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, Decimal):
        text = str(value) if not value.is_finite() or abs(value.adjusted()) > 20 else plain(Fraction(value))
    elif isinstance(value, int):
        text = str(value) if abs(value) < 10**40 else "a number of more than 40 digits"
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, Mapping):
        text = "a table"
    elif isinstance(value, Sequence):
        text = "[" + ", ".join(shown(item) for item in value[:4]) + (", …]" if len(value) > 4 else "]")
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _inside(here: Any, key: str | int) -> Any:
    try:
        return here[key]
    except (KeyError, IndexError, TypeError):
        return None


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


def _fault(detail: Any, data: dict[str, Any]) -> Fault:
    path = _path(detail["loc"])
    value = data
    for key in path:
        value = _inside(value, key)
    code, text, help_text = _sentence(detail, path, value, data)
    return Fault(code, path, place(path, data), text, help_text)


def _sentence(detail: Any, path: Path, value: Any, data: dict[str, Any]) -> tuple[str, str, str | None]:
    kind: str = detail["type"]
    context: dict[str, Any] = detail.get("ctx", {})
    owner = data
    for key in path[:-1]:
        owner = _inside(owner, key)
    match kind:
        case "extra_forbidden":
            near = nearest(str(path[-1]), _keys(path, owner))
            return (
                "unknown_key",
                f"there is no such key in {_what(path, owner)}",
                f"{near}, perhaps" if near else None,
            )
        case "missing":
            return ("missing_key", f"{_what(path, owner)} needs this key, and it is not there", None)
        case "union_tag_not_found" if path[-1:] == ("crc",):
            return (
                "wrong_type",
                f"{shown(value)} is neither the name of a CRC nor a table of its six parameters",
                None,
            )
        case "union_tag_not_found":
            key = "modulation" if path == ("radio",) else "kind"
            return ("missing_key", f'this has no "{key}"', f'{key} = "{_tags(path)[0]}", for example')
        case "union_tag_invalid":
            key = "modulation" if path == ("radio",) else "kind"
            given = value.get(key) if isinstance(value, Mapping) else value
            near = nearest(str(given), _tags(path))
            return (
                "no_kind",
                f"there is no {key} {shown(given)}",
                f'{key} = "{near}"' if near else "one of " + ", ".join(_tags(path)),
            )
        case "literal_error":
            return ("not_one_of", f"{shown(value)} is not possible here", f"one of {context['expected']}")
        case "value_error":
            return ("wrong_value", f"{shown(value)} {context['error']}", None)
        case "greater_than_equal":
            return ("too_small", f"{shown(value)} is below {context['ge']}", None)
        case "less_than_equal":
            return ("too_large", f"{shown(value)} is above {context['le']}", None)
        case "too_short" if path == ("frame",):
            return ("no_frame", "there is no [[frame]]", None)
        case "too_long" | "too_short" | "missing_argument":
            return ("wrong_type", f"{shown(value)} does not have two ends, like [0, 100]", None)
    if kind in _TYPE_WORDS:
        return ("wrong_type", f"{shown(value)} is no {_TYPE_WORDS[kind]}", None)
    return ("wrong_value", f"{shown(value)}: {detail['msg']}", None)


_TYPE_WORDS = {
    "int_type": "whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "list_type": "list",
    "tuple_type": "list of two numbers",
    "dict_type": "table",
    "model_type": "table",
    "model_attributes_type": "table",
}


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
    }
    parent = path[:-1]
    if parent in places:
        return places[parent]
    if parent == ("radio",):
        return specfile.FskTable if _inside(owner, "modulation") == "fsk" else specfile.LoraTable
    if len(parent) == 2 and parent[0] == "frame":
        return specfile.FrameTable
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
    if parent[0] == "frame":
        return "a frame"
    return f"[{parent[0]}]"
