"""Plain data as JavaScript writes it: names without quotes, ASCII alone, nothing that could end a script element."""

import json
import re
from collections.abc import Mapping
from typing import Any

_PLAIN_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*\Z")


def literal(value: Any, deep: int = 0, indent: int = 0) -> str:
    """The JavaScript expression of plain data.

    value: mappings with text as keys, lists, text, numbers, booleans, None. deep: so many levels of mappings and lists
    stand one entry a line, what is further inside on one line; what has entries of its own always has a line for each.
    indent: spaces before the closing line.
    """
    if isinstance(value, Mapping):
        deep = max(deep, 2) if "entries" in value else deep
        inside = [f"{_name(name)}: {literal(one, deep - 1, indent + 2)}" for name, one in value.items()]
        return _enclosed("{", inside, "}", deep, indent, " ")
    if isinstance(value, list | tuple):
        return _enclosed("[", [literal(one, deep - 1, indent + 2) for one in value], "]", deep, indent, "")
    if isinstance(value, str):
        text = json.dumps(value, ensure_ascii=True)
        return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("\x7f", "\\u007f")
    return json.dumps(value)


def _enclosed(start: str, inside: list[str], end: str, deep: int, indent: int, inner: str) -> str:
    if not inside:
        return start + end
    if deep <= 0:
        return f"{start}{inner}{', '.join(inside)}{inner}{end}"
    margin = " " * (indent + 2)
    return "\n".join([start, *(f"{margin}{one}," for one in inside), " " * indent + end])


def _name(name: str) -> str:
    # A key "__proto__" without brackets would set the prototype instead of a property; no name of a spec is it.
    return name if _PLAIN_NAME.match(name) else json.dumps(name)
