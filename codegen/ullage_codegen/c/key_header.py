"""A node's private C header: the octets of its keys, apart from the protocol's header, which holds none.

It needs nothing of the protocol's header and goes with every revision of it. Its text is a secret.
"""

from collections.abc import Sequence

from ullage.errors import UllageError
from ullage.protocol import Protocol
from ullage.seal.keys import Key

from .names import Names

KEY_BITS = 128
"""C has AES-128 alone."""

_IN_A_ROW = 8


class NoKeyForC(UllageError):
    """A key that the C end cannot use."""


def key_header(protocol: Protocol, keys: Sequence[Key]) -> str:
    """The text of the private header.

    keys: those of one station, its own first. Returns C99 and C++11 text, ASCII, with a constant for each key.
    Raises NoKeyForC for keys of another length than AES-128 has.
    """
    names = Names(protocol.name)
    low = protocol.name
    whose = " and ".join("the group" if key.station is None else f"station {key.station}" for key in keys)
    several = "s" if len(keys) != 1 else ""
    guard = names.constant("key", _word(keys[0]), "h", maker="the guard of the private header")
    lines = [
        f"/* private: holds the key{several} of {whose}; never into version control",
        " *",
        f" * Whoever has this file can read and forge the sealed frames of {whose}. Build it into that",
        " * node alone, and keep it and the program made with it from others.",
        " *",
        f" *   struct {low}_key key;",
        f" *   {low}_key_set(&key, {_constant(names, keys[0])});",
        " *",
        f" * Where constants shall stay in flash (PROGMEM), copy the octets to memory before {low}_key_set.",
        " */",
        f"#ifndef {guard}",
        f"#define {guard}",
        "",
        "#include <stdint.h>",
    ]
    for key in keys:
        if key.bits != KEY_BITS:
            raise NoKeyForC(f"C seals with AES-128 alone, and the keys of {protocol.name} have {key.bits} bits")
        lines += ["", f"static const uint8_t {_constant(names, key)}[{len(key.octets)}] = {{", *_rows(key.octets), "};"]
    return "\n".join([*lines, "", f"#endif /* {guard} */", ""])


def _word(key: Key) -> str:
    return "group" if key.station is None else str(key.station)


def _constant(names: Names, key: Key) -> str:
    return names.constant("key", _word(key), maker=f"the key of {_word(key)}")


def _rows(octets: bytes) -> list[str]:
    starts = range(0, len(octets), _IN_A_ROW)
    rows = [", ".join(f"0x{octet:02x}u" for octet in octets[start : start + _IN_A_ROW]) for start in starts]
    return [f"  {row}{',' if place < len(rows) - 1 else ''}" for place, row in enumerate(rows)]
