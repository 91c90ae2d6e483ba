"""A short scan of TOML text up to a place: strings, comments and open brackets only, whatever stands there."""

import re
from dataclasses import dataclass

_STRING = re.compile(r'"""|\'\'\'|"|\'|#|[\[\]{}]')
_TOKEN = re.compile(r'"[^"\n]*"|\'[^\'\n]*\'|[^\s,\[\]{}#"\'=]+|\S')


@dataclass
class Stop:
    """Where TOML's reader stopped: the text, its place there, the open string's start, and the open brackets'."""

    text: str
    at: int
    string: int | None
    open: list[int]

    @property
    def begin(self) -> int:
        """Where the line begins."""
        return self.text.rfind("\n", 0, self.at) + 1

    @property
    def line(self) -> str:
        """The whole line."""
        return self.text[self.begin :].partition("\n")[0]

    @property
    def rest(self) -> str:
        """What follows on the line."""
        return self.text[self.at :].partition("\n")[0]

    @property
    def token(self) -> str:
        """The word, string or sign that stands there; "" at the line's end."""
        found = _TOKEN.match(self.rest.lstrip(" \t"))
        return found[0] if found and not found[0].startswith("#") else ""

    @property
    def bracket(self) -> str:
        """The innermost bracket that is open, or ""."""
        return self.text[self.open[-1]] if self.open else ""


def offset(text: str, line: int, column: int) -> int:
    """The place in a text of a line and column from 1."""
    at = 0
    for _ in range(line - 1):
        at = text.find("\n", at) + 1
    return at + column - 1


def scanned(text: str, at: int) -> Stop:
    """Read strings, comments and brackets up to a place."""
    brackets: list[int] = []
    here = 0
    while (found := _STRING.search(text, here)) and found.start() < at:
        sign, here = found[0], found.end()
        if sign == "#":
            here = _end(text, "\n", here)
        elif sign in "[{":
            brackets.append(found.start())
        elif sign in "]}":
            del brackets[-1:]
        else:
            here, closed = _string_end(text, sign, here)
            if here > at or not closed:
                return Stop(text, at, found.start(), brackets)
    return Stop(text, at, None, brackets)


def _end(text: str, sign: str, here: int) -> int:
    found = text.find(sign, here)
    return len(text) if found < 0 else found


def _string_end(text: str, sign: str, here: int) -> tuple[int, bool]:
    """Where a string ends that began before `here` with this sign, and whether it does; most end with their line."""
    while here < len(text):
        if text[here] == "\\" and sign[0] == '"':
            here += 2
        elif text.startswith(sign, here):
            here += len(sign)
            while len(sign) == 3 and text.startswith(sign[0], here):
                here += 1  # up to two quotes may stand before the closing three
            return here, True
        elif text[here] == "\n" and len(sign) == 1:
            return here + 1, False
        else:
            here += 1
    return len(text), False
