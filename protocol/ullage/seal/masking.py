"""Finds the octets of a key in any output: in hex, base64, decimal numbers or Python's and C's text escapes.

Eight octets in a row are enough to be found: half a key is as bad as a whole one. Meant for tests and for whoever
wants to look through a log before handing it on; nothing in the library prints what would have to be masked.
"""

import base64
import re
from collections.abc import Iterable

from .keys import Key

_ALIKE = {"+": "[+-]", "/": "[/_]"}  # the two alphabets of RFC 4648

RUN = 8
"""Octets in a row that give a key away."""


def traces(text: str, keys: Iterable[Key]) -> list[tuple[Key, int, int]]:
    """Where a text holds octets of keys: key, start and end of each stretch, in the order of the text."""
    found: list[tuple[Key, int, int]] = []
    for key in keys:
        spans = sorted(match.span(1) for pattern in _patterns(key.octets) for match in pattern.finditer(text))
        at = 0
        for start, end in spans:
            if found and found[-1][0] is key and start <= at:
                found[-1] = (key, found[-1][1], at := max(at, end))
            else:
                found.append((key, start, at := end))
    return sorted(found, key=lambda stretch: stretch[1:])


def mask(text: str, keys: Iterable[Key]) -> str:
    """The text with every stretch that gives a key away replaced by what the key is called."""
    out, at = [], 0
    for key, start, end in traces(text, keys):
        if start >= at:
            out.append(text[at:start] + repr(key))
        at = max(at, end)
    return "".join(out) + text[at:]


def _patterns(octets: bytes) -> list[re.Pattern[str]]:
    # Also turned round: a dump of words on a little-endian machine.
    forms = (_hex, _decimal, _escaped, _base64)
    return [*(form(octets) for form in forms), _hex(octets[::-1]), _number(octets)]


def _any_of(stretches: Iterable[str], flags: re.RegexFlag = re.NOFLAG) -> re.Pattern[str]:
    """Any of the stretches, also where they overlap: what is found is group 1, not what is consumed."""
    return re.compile(f"(?=({'|'.join(stretches)}))", flags)


def _run(parts: list[str], between: str, before: str = "", after: str = "") -> re.Pattern[str]:
    """RUN neighbours of the parts, from wherever they begin."""
    runs = (between.join(parts[start : start + RUN]) for start in range(len(parts) - RUN + 1))
    return _any_of((f"{before}{run}{after}" for run in runs), re.IGNORECASE)


def _hex(octets: bytes) -> re.Pattern[str]:
    """Hex, also with separators, 0x or \\x before each octet, quotes and brackets, and without a leading zero."""
    parts = [f"{octet:02x}" if octet > 15 else f"0?{octet:x}" for octet in octets]
    return _run(parts, r"u?[^0-9a-z]{0,6}(?:0x|\\?x)?")


def _decimal(octets: bytes) -> re.Pattern[str]:
    """Decimal numbers, unsigned or signed, with something between them."""
    parts = [f"(?:0{{0,2}}{octet}|-{256 - octet})" if octet > 127 else f"0{{0,2}}{octet}" for octet in octets]
    return _run(parts, r"[^0-9a-z\-]{1,6}", r"(?<![0-9])", r"(?![0-9])")


def _escaped(octets: bytes) -> re.Pattern[str]:
    """The octets themselves as letters, or as Python and C write them in a text."""
    names = {9: r"\\t", 10: r"\\n", 13: r"\\r", 34: r"\\\"", 39: r"\\'", 92: r"\\\\"}
    parts = []
    for octet in octets:
        forms = [rf"\\x{octet:02x}", rf"\\{octet:03o}", rf"\\u00{octet:02x}", re.escape(chr(octet)), names.get(octet)]
        parts.append(f"(?:{'|'.join(form for form in forms if form)})")
    return _run(parts, "")


def _base64(octets: bytes) -> re.Pattern[str]:
    """Base64 of either alphabet, whatever the number of octets before the key."""
    stretches = []
    for start in range(len(octets) - RUN + 1):
        for before in range(3):
            # Only what no neighbour has a part in: from the first whole letter to the last.
            coded = base64.b64encode(bytes(before) + octets[start:] + bytes(2)).decode()
            letters = coded[-(-8 * before // 6) : 8 * (before + len(octets) - start) // 6]
            stretches.append(r"\s*".join(_ALIKE.get(letter, letter) for letter in letters[: 8 * RUN // 6]))
    return _any_of(stretches)


def _number(octets: bytes) -> re.Pattern[str]:
    """The whole key as one decimal number, in either order."""
    numbers = {int.from_bytes(octets, "big"), int.from_bytes(octets, "little")}
    return re.compile(rf"(?<![0-9])({'|'.join(str(number) for number in sorted(numbers))})(?![0-9])")
