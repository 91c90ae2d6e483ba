"""Where things stand in a TOML text: from a fault's path to the smallest span of the user's own letters.

A concrete syntax tree is walked once into places by key and position, the same for every way of writing a table.
Imported only when there is something to point at; it never raises, whatever the text, and gives the file's beginning
where it finds nothing nearer.
"""

import contextlib
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cache
from typing import NamedTuple

import tree_sitter_toml
from tree_sitter import Language, Node, Parser

from ..errors import Fault, SpecError

_KEYS = ("bare_key", "quoted_key", "dotted_key")
_NO_VALUES = ("[", "]", "{", "}", ",", "comment", "ERROR")
_AT_KEY = frozenset({"unknown_key", "spare_field", "wrong_table"})
"""Codes of faults in a key, not in its value."""


class Span(NamedTuple):
    """A stretch of one line: line and column from 1, length, all in characters; length 0 points at nothing."""

    line: int
    column: int
    length: int


_NOWHERE = Span(1, 1, 0)


@dataclass
class _Place:
    """One key or item: key, value and, for a table with brackets, its header; what is inside by key or position."""

    key: Node | None = None
    value: Node | None = None
    header: Node | None = None
    item: bool = False
    table: bool = False
    inside: "dict[str | int, _Place]" = field(default_factory=dict)

    @property
    def last(self) -> "_Place":
        """The place itself; of an array of tables its last table, into which further headers lead."""
        return self.inside.get(len(self.inside) - 1, self)


class Places:
    """The places of one text.

    Attributes: clashes, pairs of spans of a key or table that stands twice and of where it stood before.
    """

    def __init__(self, text: str) -> None:
        octets = text.removeprefix("\ufeff").encode("utf-8", "surrogatepass")
        self._lines = octets.split(b"\n")
        self._root = _Place()
        self.clashes: list[tuple[Span, Span]] = []
        with contextlib.suppress(RecursionError):  # nested too deep for anyone: what has been found by then has to do
            self._file(_parser().parse(octets).root_node)

    def span(self, path: Iterable[str | int], at_key: bool = False) -> Span:
        """The smallest span for a path.

        path: keys and positions from 0, as in the data. at_key: whether the key is meant, not its value. Where the
        path leads to what is not there, the table that lacks it is pointed at: its name, its kind or its opening.
        """
        here = self._root
        for key in path:
            child = here.inside.get(key)
            if child is None:
                return self._table(here)
            here = child
        if at_key and here.key is not None:
            return self._of(here.key)
        value = here.value
        if value is None or value.type == "inline_table":
            return self._table(here)
        if value.end_point.row > value.start_point.row and here.key is not None:
            return self._of(here.key)
        return self._of(value)

    def _table(self, place: _Place) -> Span:
        if place.item:
            for key in ("name", "kind"):
                pair = place.inside.get(key)
                if pair is not None and pair.key is not None and pair.value is not None:
                    return self._of(pair.key, pair.value)
        if place.header is not None:
            return self._of(place.header)
        if place.value is not None:
            whole = self._of(place.value)
            return Span(whole.line, whole.column, 1) if place.item else whole
        inner = next(iter(place.inside.values()), None)
        return _NOWHERE if inner is None or place is self._root else self._table(inner)

    def _of(self, node: Node, last: Node | None = None) -> Span:
        row, begin = node.start_point
        last = last or node
        line = self._lines[row]
        if node.type in ("table", "table_array_element"):
            closing = next((child for child in node.children if child.type in ("]", "]]")), node)
            end = closing.end_point.column if closing.end_point.row == row else len(line)
        else:
            end = last.end_point.column if last.end_point.row == row else len(line.rstrip())
        before, inside = (part.decode("utf-8", "replace") for part in (line[:begin], line[begin:end]))
        return Span(row + 1, len(before) + 1, max(1, len(inside)))

    def _file(self, node: Node) -> None:
        for child in node.children:
            if child.type == "pair":
                self._pair(child, self._root)
            elif child.type in ("table", "table_array_element"):
                self._header(child)

    def _header(self, node: Node) -> None:
        keys = _names(next((child for child in node.children if child.type in _KEYS), None))
        if not keys:
            return
        owner = self._down(self._root, keys[:-1])
        name, key = keys[-1]
        place = owner.inside.get(name)
        if node.type == "table_array_element":
            if place is None:
                place = owner.inside[name] = _Place(key, header=node)
            elif place.value is not None or place.table:
                self._clash(node, place)
            item = _Place(key, header=node, item=True)
            place.inside[len(place.inside)] = item
        else:
            item = owner.inside.setdefault(name, _Place(key))
            if item.value is not None or item.header is not None:
                self._clash(node, item)
            item.header, item.table = item.header or node, True
        for child in node.children:
            if child.type == "pair":
                self._pair(child, item)

    def _down(self, place: _Place, keys: list[tuple[str, Node]]) -> _Place:
        for name, key in keys:
            place = place.inside.setdefault(name, _Place(key))
            if place.value is not None:
                self._clash(key, place)
            place = place.last
        return place

    def _pair(self, node: Node, owner: _Place) -> None:
        keys = _names(node.children[0] if node.children else None)
        if not keys:
            return
        owner = self._down(owner, keys[:-1])
        name, key = keys[-1]
        if name in owner.inside:
            self._clash(node.children[0], owner.inside[name])
            return
        owner.inside[name] = _Place(key)
        value = next((child for child in node.children[1:] if child.type not in ("=", "comment", "ERROR")), None)
        if value is not None:
            self._value(value, owner.inside[name])

    def _value(self, node: Node, place: _Place) -> None:
        place.value = node
        if node.type == "inline_table":
            for child in node.children:
                if child.type == "pair":
                    self._pair(child, place)
        elif node.type == "array":
            for position, child in enumerate(child for child in node.children if child.type not in _NO_VALUES):
                place.inside[position] = _Place(item=True)
                self._value(child, place.inside[position])

    def _clash(self, node: Node, before: _Place) -> None:
        first = before.key or before.header or before.value
        if first is not None:
            self.clashes.append((self._of(node), self._of(before.header or first)))


@cache
def _parser() -> Parser:
    return Parser(Language(tree_sitter_toml.language()))


def _names(node: Node | None) -> list[tuple[str, Node]]:
    """The parts of a key, `a."b c".d`, each with its node."""
    if node is None or node.type not in _KEYS:
        return []
    if node.type == "dotted_key":
        return [part for child in node.children for part in _names(child)]
    text = (node.text or b"").decode("utf-8", "replace")
    if node.type == "quoted_key":
        try:
            text = str(tomllib.loads(f"key = {text}")["key"])
        except tomllib.TOMLDecodeError:
            text = text[1:-1]
    return [(text, node)]


def placed(faults: Iterable[Fault], text: str) -> list[Fault]:
    """The faults with line, column and span where they had none, in the order of the file, none twice."""
    places = Places(text)
    found: dict[tuple[object, ...], Fault] = {}
    for fault in faults:
        if fault.line is None:
            at = places.span(fault.path, fault.code in _AT_KEY)
            said = f"{fault.text}, line {places.span(fault.also).line}" if fault.also else fault.text
            fault = replace(fault, text=said, line=at.line, column=at.column, span=at.length)
        found.setdefault((fault.code, fault.line, fault.column, fault.text), fault)
    return sorted(found.values(), key=lambda fault: (fault.line or 0, fault.column or 0))


def with_places(error: SpecError, text: str) -> SpecError:
    """The same error with the places of its faults in the text that was read."""
    text = text.removeprefix("\ufeff")
    return SpecError(placed(error.faults, text), error.source, text)
