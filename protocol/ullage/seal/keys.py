"""Keys that say whose they are and never what they are, and the file that holds them.

A key file is TOML: `[keys]`, then `17 = "32 hex digits"` for a station and `group = "…"` for all of them. Its faults
name line and column and say what is wrong, but never quote the file, for what stands there is secret.
"""

import hmac
import itertools
import re
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, NoReturn

from ..errors import Fault, SpecError
from .errors import SealError

KEY_BITS = (128, 192, 256)
GROUP = "group"

_PUBLISHED = frozenset(
    {
        # NIST FIPS 197 appendix A, RFC 3610 section 8 (packets 13 to 24). Keys whose octets keep one distance, as
        # 00 01 02 .. (FIPS 197 appendix C), 40 41 42 .. (SP 800-38C) and c0 c1 c2 .. (RFC 3610), are found by that.
        "2b7e151628aed2a6abf7158809cf4f3c",
        "8e73b0f7da0e6452c810f32b809079e562f8ead2522c6b7b",
        "603deb1015ca71be2b73aef0857d77811f352c073b6108d72d9810a30914dff4",
        "d7828d13b2b0bdc325a76236df93cc6b",
    }
)
_STATION = re.compile(r"(?:0|[1-9][0-9]{0,18})\Z")
_HEX = re.compile(r"[0-9A-Fa-f]*\Z")


class Key:
    """One AES key and whose it is; printed, it says only that.

    octets: 16, 24 or 32. station: its number, None for a group key. Equal keys have equal octets and the same owner.
    A key can be neither pickled nor changed; a copy is the key itself. Raises SealError for another length.
    """

    __slots__ = ("_octets", "_station")

    _octets: bytes
    _station: int | None

    def __init__(self, octets: bytes, station: int | None) -> None:
        if 8 * len(octets) not in KEY_BITS:
            raise SealError(f"a key has 16, 24 or 32 octets, not {len(octets)}")
        object.__setattr__(self, "_octets", bytes(octets))
        object.__setattr__(self, "_station", station)

    @property
    def octets(self) -> bytes:
        """The secret itself. Hand it to the cipher and keep it nowhere else."""
        return self._octets

    @property
    def station(self) -> int | None:
        """Whose key it is; None for the group's."""
        return self._station

    @property
    def bits(self) -> int:
        """128, 192 or 256."""
        return 8 * len(self._octets)

    def __repr__(self) -> str:
        owner = "the group" if self._station is None else f"station {self._station}"
        return f"<key of {owner}, {self.bits} bits>"

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Key):
            return NotImplemented
        return self._station == other._station and hmac.compare_digest(self._octets, other._octets)

    def __hash__(self) -> int:
        return hash((self._station, self.bits))

    def __copy__(self) -> "Key":
        return self

    def __deepcopy__(self, memo: object) -> "Key":
        return self

    def __setattr__(self, name: str, value: object) -> NoReturn:
        raise AttributeError("a key cannot be changed")

    def __delattr__(self, name: str) -> NoReturn:
        raise AttributeError("a key cannot be changed")

    def __getstate__(self) -> NoReturn:
        raise TypeError("a key is never pickled; hand it on by hand")

    def __reduce_ex__(self, protocol: object) -> NoReturn:
        raise TypeError("a key is never pickled; hand it on by hand")


def read_keys(
    text: str | bytes, source: str, *, key_bits: int = 128, highest_station: int = 255
) -> Mapping[int | None, Key]:
    """The keys of a key file.

    text: the file's content. source: the file's name, for errors. key_bits: what the spec says. highest_station: that
    its address fields can hold. Returns station -> key, None -> the group's key. Raises SpecError with every fault: no
    TOML, an unknown table or entry, a station outside 0..highest_station, no hex, another length, the same key twice,
    and a key that everybody knows (all octets alike, counting, or printed in a standard).
    """
    said = _text(text, source)
    data, fault = _parsed(said)
    faults = [fault] if fault else []
    found: dict[int | None, Key] = {}
    if data is not None:
        faults = _table_faults(data)
        table = data.get("keys")
        found, wrong = keys_of_entries(table if isinstance(table, dict) else {}, key_bits, highest_station)
        faults += [replace(fault, path=("keys", name)) for name, fault in wrong.items()]
    if faults:
        raise SpecError(_placed(faults, said), source)  # without the text: nothing of it may be shown
    return MappingProxyType(found)


def keys_of_entries(
    entries: Mapping[str, Any], key_bits: int, highest_station: int
) -> tuple[dict[int | None, Key], dict[str, Fault]]:
    """The keys of entries that may come from anywhere, and the faults of those that are none.

    entries: station number as text, or group -> hex digits. Returns owner -> key and, under the names of the others,
    what is wrong with them; no fault quotes its entry.
    """
    found: dict[int | None, Key] = {}
    faults: dict[str, Fault] = {}
    for name, value in entries.items():
        owner, wrong = _owner(name, highest_station)
        wrong = wrong or _value_fault(value, key_bits)
        if wrong is None:
            key = Key(bytes.fromhex(value), owner)
            wrong = _sameness(key, found)
            found[owner] = key
        if wrong:
            faults[name] = wrong
    return found, faults


def _text(text: str | bytes, source: str) -> str:
    if isinstance(text, str):
        return text.removeprefix("\ufeff")
    said = text.removeprefix(b"\xef\xbb\xbf").decode(errors="replace")
    if "\ufffd" in said:
        raise SpecError([Fault("no_toml", (), "", "this key file is no UTF-8", "save it as UTF-8")], source)
    return said


def _parsed(text: str) -> tuple[dict[str, Any] | None, Fault | None]:
    """The file's data, or its one fault, which tells where but never what: the reader's own words may quote."""
    line = column = None
    again = False
    try:
        return tomllib.loads(text), None
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"\(at line (\d+), column (\d+)\)\Z", str(error))
        line, column = (int(place[1]), int(place[2])) if place else (None, None)
        again = str(error).startswith("Cannot overwrite")
    except (ValueError, RecursionError):
        pass
    if again:
        from ..spec.positions import Places

        clashes = Places(text).clashes  # the reader only knows where it stopped
        line, column = clashes[0][0][:2] if clashes else (line, column)
        said = "an entry stands here a second time"
        return None, Fault("key_twice", (), "", said, "keep one of the two", line, column)
    help_text = (
        f'lines such as 17 = "…", the hex digits in quotes, under [keys]{"" if line else "; the file breaks off"}'
    )
    return None, Fault("no_toml", (), "", "this is no TOML", help_text, line, column)


def _table_faults(data: dict[str, Any]) -> list[Fault]:
    faults = []
    if not isinstance(data.get("keys"), dict):
        faults.append(Fault("no_keys", (), "", "the table [keys] is missing", 'write [keys], then 17 = "…"'))
    elif not data["keys"]:
        faults.append(Fault("no_keys", ("keys",), "", "the table [keys] is empty", '17 = "…" for station 17'))
    for name in data:
        if name != "keys":
            text = "only the table [keys] belongs in a key file"
            faults.append(Fault("unknown_key", (name,), "", text, "put the keys under [keys]"))
    return faults


def _owner(name: str, highest: int) -> tuple[int | None, Fault | None]:
    """Whose key an entry is, or what is wrong with its name."""
    if name == GROUP:
        return None, None
    if not _STATION.match(name):
        text = "the name of this entry is neither a station number nor group"
        return None, Fault("bad_station", (), "", text, "17, without quotes, signs or leading zeros")
    station = int(name)
    if station > highest:
        text = f"station {station} is outside 0..{highest}"
        return None, Fault("bad_station", (), "", text, "a number that the address fields hold")
    return station, None


def _value_fault(value: object, key_bits: int) -> Fault | None:
    digits = key_bits // 4
    if not isinstance(value, str):
        return Fault("bad_key", (), "", "a key is a text of hex digits in quotes", f"{digits} hex digits")
    if not _HEX.match(value):
        wrong = next(place for place, letter in enumerate(value, 1) if not _HEX.match(letter))
        text = f"a key is made of hex digits only, and character {wrong} of this one is none"
        return Fault("bad_key", (), "", text, f"{digits} hex digits with nothing between them")
    if len(value) != digits:
        text = f"a key of {key_bits} bits has {digits} hex digits, and this one has {len(value)}"
        return Fault("bad_key", (), "", text, "draw it anew rather than fill it up")
    octets, draw = (
        bytes.fromhex(value),
        f'python3 -c "import secrets; print(secrets.token_hex({key_bits // 8}))" draws one',
    )
    if len({(after - before) % 256 for before, after in itertools.pairwise(octets)}) == 1:
        return Fault("known_key", (), "", "this key counts or repeats, so anybody finds it", draw)
    if value.lower() in _PUBLISHED:
        return Fault("known_key", (), "", "this key is printed in a standard, so everybody has it", draw)
    return None


def _sameness(key: Key, found: dict[int | None, Key]) -> Fault | None:
    """Two stations with one key: the hub keeps a counter for each, so both would seal with the same nonces."""
    for other in found.values():
        if other.bits == key.bits and hmac.compare_digest(other.octets, key.octets):
            text = f"this key is also that of {'the group' if other.station is None else f'station {other.station}'}"
            return Fault("key_twice", (), "", text, "draw one for each")
    return None


def _placed(faults: list[Fault], text: str) -> list[Fault]:
    """The faults with line and column, and without the paths that led there: a name may be a key in the wrong place."""
    if any(fault.line is None and fault.path for fault in faults):
        from ..spec.positions import placed

        faults = placed(faults, text)
    return [replace(fault, path=()) for fault in faults]
