"""From TOML text to the checked shape of a spec, or to all faults of that shape at once, in plain sentences."""

import json
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from . import specfile
from .errors import Fault, SpecError
from .names import nearest

Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Shape:
    """A spec whose tables, keys, kinds and types have been looked at.

    spec: its sound parts, with stand-ins for the others. faults: what is wrong with the shape. guessed: paths of the
    stand-ins and of unknown keys; what is found wrong there, or missing beside them, may only follow from that.
    """

    spec: specfile.SpecFile
    faults: tuple[Fault, ...] = ()
    guessed: frozenset[Path] = frozenset()


_TOO_LONG = re.compile(r"[0-9_]{4000,}|[eE][+-]?[0-9_]{9,}")
_FIELDS_AGAIN = re.compile(r"\s*\[\[?\s*(frame|header)\s*\.\s*field\s*\]")
_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)\Z")


def utf8(octets: bytes, source: str) -> str:
    """Decode a file's octets, a byte order mark at the start allowed. Raises SpecError."""
    body = octets.removeprefix(b"\xef\xbb\xbf")
    try:
        return body.decode()
    except UnicodeDecodeError as error:
        line, column = _place_of_end(body[: error.start].decode())
        text = f"octet {body[error.start]:02x} is no UTF-8"
        fault = Fault("no_toml", (), "", text, "save the file as UTF-8", line, column)
        raise SpecError([fault], source) from None


def parse_toml(text: str, source: str) -> dict[str, Any]:
    """Read TOML with exact decimals. Raises SpecError, with line and column where TOML's reader names them."""
    text = text.removeprefix("\ufeff")
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        fault = _syntax_fault(str(error), text)
    except RecursionError:
        fault = Fault("no_toml", (), "", "tables or lists stand too deep in each other")
    except (ValueError, ArithmeticError):  # decimal and int refuse what has too many digits to be worth it
        found = _TOO_LONG.search(text)
        line, column = _place_of_end(text[: found.start()]) if found else (None, None)
        fault = Fault("no_toml", (), "", "a number with so many digits cannot be read", None, line, column)
    raise SpecError([fault], source)


def _place_of_end(text: str) -> tuple[int, int]:
    """Line and column, from 1, of what follows a text."""
    return text.count("\n") + 1, len(text) - text.rfind("\n")


def _syntax_fault(message: str, text: str) -> Fault:
    found = _AT.search(message)
    said = _AT.sub("", message)
    text = text.replace("\r\n", "\n")
    line, column = (int(found[1]), int(found[2])) if found and found[1] else _place_of_end(text.rstrip("\n"))
    there = text.split("\n")[line - 1]
    help_text = _syntax_help(there[: column - 1], there[column - 1 :].strip())
    told = one_line(f"this is no TOML: {said[:1].lower()}{said[1:]}")
    return Fault("no_toml", (), "", told, help_text, line, column)


def _syntax_help(before: str, after: str) -> str | None:
    """What to do about the traps of TOML that specs fall into; before and after: the line around the fault."""
    if _FIELDS_AGAIN.match(before + after):
        return "fields stand in field = [ ... ] or below [[frame.field]], not in both"
    if before.count("{") <= before.count("}"):
        return None
    if after.startswith("}") and before.rstrip().endswith(","):
        return "no comma before }"
    if not after or after.startswith("#"):
        return "a table in { } stands on one line; or write [[frame.field]] and one key a line below it"
    return None


def read_shape(data: dict[str, Any], source: str) -> Shape:
    """Check tables, keys, kinds and types.

    Returns the shape, with stand-ins for what is faulty, so that the rest can be looked at as well.
    Raises SpecError with all faults of that sort when not enough is left to look at.
    """
    try:
        return Shape(specfile.SpecFile.model_validate(data))
    except ValidationError as error:
        details = error.errors(include_url=False, include_context=True)
    faults = tuple(dict.fromkeys(_fault(detail, data) for detail in details))
    mended = _copied(data)
    guessed = frozenset(_mend(mended, fault) for fault in faults)
    try:
        return Shape(specfile.SpecFile.model_validate(mended), faults, guessed)
    except ValidationError:
        raise SpecError(in_file_order(faults, data), source) from None


def in_file_order(faults: Iterable[Fault], data: dict[str, Any]) -> list[Fault]:
    """Faults in the order in which their places stand in the file, each once."""

    def position(fault: Fault) -> list[int]:
        here: Any = data
        places: list[int] = []
        for key in fault.path:
            if isinstance(here, Mapping):
                places.append(list(here).index(key) if key in here else len(here))
            else:
                places.append(key if isinstance(key, int) else 0)
            here = _inside(here, key)
        return places

    return sorted(dict.fromkeys(faults), key=position)


def _copied(value: Any, depth: int = 20) -> Any:
    """A copy down to fields of lists in lists; what lies deeper is faulty, and may be too deep to copy."""
    if depth and isinstance(value, dict):
        return {key: _copied(item, depth - 1) for key, item in value.items()}
    return [_copied(item, depth - 1) for item in value] if depth and isinstance(value, list) else value


def _mend(data: dict[str, Any], fault: Fault) -> Path:
    """Take what is faulty out of the data, or put a stand-in there. Returns the path of what is now a guess."""
    path = fault.path
    if fault.code == "unknown_key":
        owner: Any = data
        for key in path[:-1]:
            owner = _inside(owner, key)
        if isinstance(owner, dict):
            owner.pop(path[-1], None)
        meant = nearest(str(path[0]), ("protocol", "header", "frame", "field")) if len(path) == 1 else None
        return () if meant else path
    match path:
        case ("header", "field", int(), *_):
            return _stand_in(data["header"]["field"], path[:3])
        case ("frame", int() as k, "field", int(), *_):
            return _stand_in(data["frame"][k]["field"], path[:4])
        case ("part", int() as k, "field", int(), *_):
            return _stand_in(data["part"][k]["field"], path[:4])
        case ("frame", int() as k):
            data["frame"][k] = {"name": f"nameless_{k}"}
        case ("frame", int() as k, str() as key, *_):
            data["frame"][k].pop(key, None)
            data["frame"][k].setdefault("name", f"nameless_{k}")
            return path[:3]
        case ("frame", *_):
            data["frame"] = [{"name": "nameless"}]
        case ("protocol", str() as key, *_):
            data["protocol"].pop(key, None)
            data["protocol"].setdefault("name", "nameless")
            return path[:2]
        case ("protocol",):
            data["protocol"] = {"name": "nameless"}
        case _:
            data.pop(str(path[0]), None)
            return path[:1]
    return path


def _stand_in(fields: list[Any], path: Path) -> Path:
    """Put a sound field of the same kind, where that matters, and name in the place of a faulty one."""
    index = path[-1]
    given = fields[int(index)] if isinstance(fields[int(index)], dict) else {}
    named = isinstance(given.get("name"), str)
    kind = (
        given.get("kind") if given.get("kind") in ("message", "revision", "destination", "source", "sequence") else ""
    )
    name = given["name"] if named else f"nameless_{'_'.join(map(str, path))}" if kind else ""
    fields[int(index)] = {"name": name, "kind": kind or "spare", "bits": 16 if kind == "message" else 8}
    return path


def place(path: Path, data: Any) -> str:
    """Where a path leads, for people: frame "level_report", field "distance", step."""
    words: list[str] = []
    here: Any = data
    steps = list(path)
    while steps:
        key = steps.pop(0)
        here = _inside(here, key)
        if key in ("frame", "field", "part") and steps and isinstance(steps[0], int):
            index = steps.pop(0)
            here = _inside(here, index)
            name = here.get("name") if isinstance(here, Mapping) else None
            words.append(f'{key} "{name}"' if isinstance(name, str) and name else f"{key} number {int(index) + 1}")
        else:
            words.append(f"item {key + 1}" if isinstance(key, int) else key or '""')
    return one_line(", ".join(words))


def one_line(text: str) -> str:
    """A text for one line of any terminal: what is not printable as an escape."""
    return text if text.isprintable() else "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def shown(value: object) -> str:
    """A TOML value as the user would write it, cut to a readable length."""
    if isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, Decimal):
        plainly = value.is_finite() and abs(value.adjusted()) <= 20
        text = f"{value:f}" if plainly else str(value).lower().replace("infinity", "inf")
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
    if detail["type"] == "union_tag_invalid":
        path = (*path, _tag_key(path))
    elif detail["type"] == "missing" and isinstance(path[-1], int):
        path = path[:-1]  # an end of a range
    value = data
    for key in path:
        value = _inside(value, key)
    code, text, help_text = _sentence(detail, path, value, data)
    return Fault(code, path, place(path, data), one_line(text), help_text and one_line(help_text))


def _sentence(detail: Any, path: Path, value: Any, data: dict[str, Any]) -> tuple[str, str, str | None]:
    kind: str = detail["type"]
    context: dict[str, Any] = detail.get("ctx", {})
    owner = data
    for key in path[:-1]:
        owner = _inside(owner, key)
    match kind:
        case "extra_forbidden":
            near = nearest(str(path[-1]), _keys(path, owner))
            help_text = f"{near}, perhaps" if near else None
            if path == ("field",):
                help_text = "[[frame.field]] below its [[frame]], or [[header.field]]"
            return ("unknown_key", f"there is no such key in {_what(path, owner)}", help_text)
        case "missing" if path[-1:] == ("range",) and value is not None:
            return ("wrong_type", f"{shown(value)} does not have two ends, like [0, 100]", None)
        case "missing":
            return ("missing_key", f"{_what(path, owner)} needs this key, and it is not there", None)
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
            return ("not_one_of", f"{shown(value)} is not possible here", f"one of {context['expected']}")
        case "value_error":
            return ("wrong_value", f"{shown(value)} {context['error']}", None)
        case "greater_than_equal":
            return ("too_small", f"{shown(value)} is below {context['ge']}", None)
        case "less_than_equal":
            return ("too_large", f"{shown(value)} is above {context['le']}", None)
        case "too_short" if path == ("frame",):
            return ("no_frame", "there is no [[frame]]", None)
        case "too_long":
            return ("wrong_type", f"{shown(value)} does not have two ends, like [0, 100]", None)
    if kind in _TYPE_WORDS:
        return ("wrong_type", f"{shown(value)} is no {_TYPE_WORDS[kind]}", _brackets(path, value))
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


def _brackets(path: Path, value: Any) -> str | None:
    """Help where a table and a list of tables have been mixed up."""
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
    if parent == ("integrity", "crc"):
        return "a CRC"
    return f"[{parent[0]}]"
