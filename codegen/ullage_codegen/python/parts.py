"""Which parts of a text of Python are needed: by the names that its syntax tree defines and uses."""

import ast
import functools
from collections.abc import Iterable

_HOMES = {
    "_builtins": "",
    "binascii": "",
    "difflib": "",
    "math": "",
    "operator": "",
    "re": "",
    "struct": "",
    "zlib": "",
    "Callable": "collections.abc",
    "Mapping": "collections.abc",
    "dataclass": "dataclasses",
    "Decimal": "decimal",
    "Fraction": "fractions",
    **dict.fromkeys(
        ("Any", "ClassVar", "Literal", "NamedTuple", "NoReturn", "Optional", "SupportsIndex", "Type", "Union"), "typing"
    ),
}
"""Name -> the module of the standard library that has it; "" for modules themselves."""

_ALIASES = {"_builtins": "import builtins as _builtins"}
_LAST = "from typing import Protocol as _Protocol"
_LINE = 88
"""Letters in a line of imports, so that formatters and linters as they come leave it alone."""


def needed(parts: Iterable[str], text: str) -> frozenset[str]:
    """The parts that a text needs, and those that these need.

    parts: each a few definitions. text: the code that calls them.
    """
    makers = {name: part for part in parts for name in _defined(part)}
    found: set[str] = set()
    waiting = [text]
    while waiting:
        for name in _used(waiting.pop()):
            part = makers.get(name)
            if part is not None and part not in found:
                found.add(part)
                waiting.append(part)
    return frozenset(found)


def imports(text: str) -> list[str]:
    """The import lines that a text needs, modules first, in the order of the alphabet."""
    used = sorted(_used(text) & _HOMES.keys())
    lines = sorted(_ALIASES.get(name, f"import {name}") for name in used if not _HOMES[name])
    for home in sorted({_HOMES[name] for name in used} - {""}):
        names = [name for name in used if _HOMES[name] == home]
        line = f"from {home} import {', '.join(names)}"
        lines += [line] if len(line) <= _LINE else [f"from {home} import (", *(f"    {name}," for name in names), ")"]
    return [*lines, _LAST] if "_Protocol" in _used(text) else lines


@functools.lru_cache(256)  # the parts are the same for every protocol
def _defined(part: str) -> frozenset[str]:
    """The names that a part binds at its top."""
    names: set[str] = set()
    for node in ast.parse(part).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            names.add(node.name)
        elif isinstance(node, ast.Assign):
            targets = [one for target in node.targets for one in ast.walk(target)]
            names |= {target.id for target in targets if isinstance(target, ast.Name)}
    return frozenset(names)


@functools.lru_cache(256)
def _used(text: str) -> frozenset[str]:
    names = (node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Name))
    return frozenset(node.id for node in names if isinstance(node.ctx, ast.Load))
