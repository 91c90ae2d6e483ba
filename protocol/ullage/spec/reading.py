"""From TOML text to the checked shape of a spec, or to all faults of that shape at once, in plain sentences."""

import json
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from pydantic import ValidationError

from ..errors import Fault, SpecError
from ..names import nearest
from . import specfile

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


def utf8(octets: bytes, source: str) -> str:
    """Decode a file's octets, a byte order mark at the start allowed. Raises SpecError."""
    body = octets.removeprefix(b"\xef\xbb\xbf")
    try:
        return body.decode()
    except UnicodeDecodeError as error:
        line, column = _place_of_end(body[: error.start].decode())
        wide = body[:2] in (b"\xff\xfe", b"\xfe\xff")
        text = "this file is UTF-16" if wide else f"octet {body[error.start]:02x} is no UTF-8"
        fault = Fault("no_toml", (), "", text, "save the file as UTF-8", line, column, 0 if wide else 1)
        raise SpecError([fault], source, body.decode(errors="replace")) from None


def parse_toml(text: str, source: str) -> dict[str, Any]:
    """Read TOML with exact decimals. Raises SpecError, with line and column where TOML's reader names them."""
    text = text.removeprefix("\ufeff")
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        from .syntax import syntax_fault

        fault = syntax_fault(str(error), text)
    except RecursionError:
        fault = Fault("no_toml", (), "", "tables or lists stand too deep in each other")
    except (ValueError, ArithmeticError):  # decimal and int refuse what has too many digits to be worth it
        found = _TOO_LONG.search(text)
        line, column = _place_of_end(text[: found.start()]) if found else (None, None)
        span = len(found[0]) if found else None
        fault = Fault("no_toml", (), "", "a number with so many digits cannot be read", None, line, column, span)
    raise SpecError([fault], source)


def _place_of_end(text: str) -> tuple[int, int]:
    """Line and column, from 1, of what follows a text."""
    return text.count("\n") + 1, len(text) - text.rfind("\n")


def read_shape(data: dict[str, Any], source: str) -> Shape:
    """Check tables, keys, kinds and types.

    Returns the shape, with stand-ins for what is faulty, so that the rest can be looked at as well.
    Raises SpecError with all faults of that sort when not enough is left to look at.
    """
    try:
        return Shape(specfile.SpecFile.model_validate(data))
    except ValidationError as error:
        details = error.errors(include_url=False, include_context=True)
    from .shape_faults import shape_fault

    faults = tuple(dict.fromkeys(shape_fault(detail, data) for detail in details))
    mended = _copied(data)
    guessed = frozenset(_mend(mended, fault) for fault in faults)
    faults = _without_echoes(faults)
    try:
        return Shape(specfile.SpecFile.model_validate(mended), faults, guessed)
    except ValidationError:
        raise SpecError(in_file_order(faults, data), source) from None


def _without_echoes(faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
    """The faults without those keys that are only missing because they are misspelt beside it."""
    missing = [fault.path for fault in faults if fault.code == "missing_key"]
    echoes: set[Path] = set()
    for fault in faults:
        if fault.code == "unknown_key":
            lacking = [str(path[-1]) for path in missing if path[:-1] == fault.path[:-1]]
            near = nearest(str(fault.path[-1]), lacking)
            echoes |= {(*fault.path[:-1], near)} if near else set()
    return tuple(fault for fault in faults if fault.code != "missing_key" or fault.path not in echoes)


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
            here = inside(here, key)
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
            owner = inside(owner, key)
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
        here = inside(here, key)
        if key in ("frame", "field", "part") and steps and isinstance(steps[0], int):
            index = steps.pop(0)
            here = inside(here, index)
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


def inside(here: Any, key: str | int) -> Any:
    """What a table or list has at a key or position, or None."""
    try:
        return here[key]
    except (KeyError, IndexError, TypeError):
        return None
