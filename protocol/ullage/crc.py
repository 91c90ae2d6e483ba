"""CRCs by the model of R. N. Williams, "A Painless Guide to CRC Error Detection Algorithms", 1993.

Our own table form, for any width of 3..64 and any mix of refin and refout, is the meaning of a CRC; crcmod is
quicker, stands in where it can, and must agree. Names and parameters (crc_catalogue.json) are those of the
catalogue of parametrised CRC algorithms (G. Cook), read through the mirror akhilles/crc-catalog@ed4ad631f22b.
An everyday name of several CRCs is refused with their check values, never guessed.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Mapping
from dataclasses import astuple, dataclass
from types import MappingProxyType
from typing import Any

NARROWEST = 3
WIDEST = 64
CHECK_OCTETS = b"123456789"

_CRCMOD_WIDTHS = frozenset({8, 16, 24, 32, 64})


def reverse_bits(value: int, width: int) -> int:
    """The lowest `width` bits of value in the opposite order."""
    return int(f"{value:0{width}b}"[::-1], 2)


def faults_in(width: int, poly: int, init: int, xorout: int) -> list[str]:
    """What is wrong with free CRC parameters, each as a plain sentence without a full stop.

    Args:
        width: bits of the CRC, 3..64.
        poly: the polynomial without its top bit; it must be odd and fit the width.
        init: the register before the first octet, as the model states it (not reflected).
        xorout: what the register is XORed with at the end.

    Returns:
        An empty list when the parameters make a CRC. A faulty width hides the other faults that depend on it.
    """
    if not NARROWEST <= width <= WIDEST:
        return [f"width {width} is outside {NARROWEST}..{WIDEST}"]
    limit = 1 << width
    faults = [_poly_fault(width, poly)] if poly % 2 == 0 or not 0 < poly < limit else []
    for name, value in (("init", init), ("xorout", xorout)):
        if not 0 <= value < limit:
            faults.append(f"{name} {value:#x} does not fit in {width} bits (0..{limit - 1:#x})")
    return faults


def _poly_fault(width: int, poly: int) -> str:
    """The sentence for a faulty polynomial, with the two usual slips of the pen put right."""
    limit = 1 << width
    if poly == 0:
        return "poly 0 detects nothing; its lowest bit must be 1"
    if not 0 < poly < limit:
        fault = f"poly {poly:#x} does not fit in {width} bits"
        without_top = poly - limit
        helps = 0 < without_top < limit and without_top % 2 == 1
        return f"{fault}; without its top bit it is {without_top:#x}" if helps else fault
    fault = f"poly {poly:#x} is even, but its lowest bit must be 1"
    return f"{fault}; written the other way round it is {reverse_bits(poly, width):#x}" if poly * 2 >= limit else fault


@dataclass(frozen=True)
class Crc:
    """One CRC: the six parameters of the model, and its name in the catalogue or None.

    Attributes:
        name: the catalogue's name, such as "CRC-16/IBM-3740", or None for free parameters.
        width: bits, 3..64.
        poly: polynomial without its top bit, highest power first.
        init: register before the first octet, not reflected.
        refin: whether each octet goes in lowest bit first.
        refout: whether the register is reflected at the end.
        xorout: XORed with the register after that.

    Raises:
        ValueError: the parameters make no CRC; the text is that of faults_in.
    """

    name: str | None
    width: int
    poly: int
    init: int
    refin: bool
    refout: bool
    xorout: int

    def __post_init__(self) -> None:
        if faults := faults_in(self.width, self.poly, self.init, self.xorout):
            raise ValueError("; ".join(faults))

    def __reduce__(self) -> tuple[type[Crc], tuple[Any, ...]]:
        # Only the parameters are copied or pickled: the functions kept beside them cannot be.
        return Crc, astuple(self)

    @property
    def octets(self) -> int:
        """The fewest whole octets that hold the CRC."""
        return (self.width + 7) // 8

    @functools.cached_property
    def check(self) -> int:
        """The CRC of the nine ASCII octets 123456789."""
        return self.compute(CHECK_OCTETS)

    @functools.cached_property
    def residue(self) -> int:
        """The register after refout but before xorout when a message and its right CRC have been read.

        It is the same for every message: only what xorout put into the CRC is left, carried on by as many
        steps as the CRC has bits. (Catalogue of parametrised CRC algorithms, "residue".)
        """
        top, mask = 1 << (self.width - 1), (1 << self.width) - 1
        register = reverse_bits(self.xorout, self.width) if self.refout else self.xorout
        for _ in range(self.width):
            register = (register << 1 & mask) ^ (self.poly if register & top else 0)
        return reverse_bits(register, self.width) if self.refout else register

    @functools.cached_property
    def table_function(self) -> Callable[[bytes], int]:
        """Our own table form: octets in, CRC out. It never differs from `function`, which may be quicker."""
        return _table_function(self)

    @functools.cached_property
    def function(self) -> Callable[[bytes], int]:
        """The quickest form of this CRC: octets in, CRC out. Keep it in a local name in hot loops."""
        if self.width in _CRCMOD_WIDTHS and self.refin == self.refout:
            return _crcmod_function(self)
        return self.table_function

    def compute(self, octets: bytes) -> int:
        """The CRC of these octets."""
        return self.function(octets)

    def to_octets(self, value: int, high_first: bool | None = None) -> bytes:
        """A CRC as it travels: the fewest whole octets, the high bits that are left over zero.

        Args:
            value: the CRC, 0..2**width - 1.
            high_first: the octet order; None takes low first when refout is true, else high first, the order
                in which the residue holds.

        Returns:
            `self.octets` octets.

        Raises:
            ValueError: value does not fit in the width.
        """
        if not 0 <= value < 1 << self.width:
            raise ValueError(f"{value:#x} does not fit in a CRC of {self.width} bits")
        high = not self.refout if high_first is None else high_first
        return value.to_bytes(self.octets, "big" if high else "little")

    def to_hex(self, value: int) -> str:
        """A CRC in hexadecimal digits, as many as its width needs: 29b1, or 0e for a CRC of five bits."""
        return f"{value:0{(self.width + 3) // 4}x}"


@functools.cache
def _table(width: int, poly: int, reflected: bool) -> tuple[int, ...]:
    """What eight steps make of each octet at the end of the register where bits leave it.

    Not reflected, the register is at least eight bits wide: a narrower CRC lies at its upper end.
    """
    if reflected:
        mirrored = reverse_bits(poly, width)
        return tuple(_eight_steps(octet, lambda r: (r >> 1) ^ (mirrored if r & 1 else 0)) for octet in range(256))
    bits = max(width, 8)
    aligned, top, mask = poly << (bits - width), 1 << (bits - 1), (1 << bits) - 1
    return tuple(
        _eight_steps(octet << (bits - 8), lambda r: (r << 1 & mask) ^ (aligned if r & top else 0))
        for octet in range(256)
    )


def _eight_steps(register: int, step: Callable[[int], int]) -> int:
    for _ in range(8):
        register = step(register)
    return register


def octet_table(crc: Crc) -> tuple[int, ...]:
    """The register after each of the 256 octets, from a register of zero: 256 numbers of `width`, at least 8, bits.

    Where refin is false, a CRC narrower than eight bits lies at the upper end of them.
    """
    return _table(crc.width, crc.poly, crc.refin)


def _table_function(crc: Crc) -> Callable[[bytes], int]:
    width, xorout, swap = crc.width, crc.xorout, crc.refin != crc.refout
    table = octet_table(crc)
    spare = 0 if crc.refin else max(0, 8 - width)
    start = reverse_bits(crc.init, width) if crc.refin else crc.init << spare
    shift, mask = width + spare - 8, (1 << (width + spare)) - 1

    def reflected(octets: bytes) -> int:
        register = start
        for octet in octets:
            register = table[(register ^ octet) & 0xFF] ^ (register >> 8)
        return (reverse_bits(register, width) if swap else register) ^ xorout

    def plain(octets: bytes) -> int:
        register = start
        for octet in octets:
            register = table[(register >> shift) ^ octet] ^ (register << 8 & mask)
        register >>= spare
        return (reverse_bits(register, width) if swap else register) ^ xorout

    return reflected if crc.refin else plain


def _crcmod_function(crc: Crc) -> Callable[[bytes], int]:
    import crcmod  # only when a CRC is computed: reading a spec must stay quick

    # crcmod wants the polynomial with its top bit, and for init what the function gives for no octets at all.
    init = (reverse_bits(crc.init, crc.width) if crc.refin else crc.init) ^ crc.xorout
    function: Callable[[bytes], int] = crcmod.mkCrcFun(crc.poly | 1 << crc.width, init, crc.refin, crc.xorout)
    return function


class UnknownCrc(ValueError):
    """The catalogue has no CRC of this name.

    Attributes:
        name: what was asked for.
        nearest: names of the catalogue to offer instead, the likeliest first; it may be empty.
        same: whether the single nearest name is the same CRC under the catalogue's own name.
    """

    def __init__(self, name: str, nearest: tuple[str, ...], same: bool = False) -> None:
        super().__init__(name, nearest, same)
        self.name, self.nearest, self.same = name, nearest, same

    def __str__(self) -> str:
        if self.same:
            return f'"{self.name}" is called "{self.nearest[0]}" in the catalogue of CRCs'
        fault = f'there is no CRC "{self.name}" of {NARROWEST} to {WIDEST} bits in the catalogue of CRCs'
        near = ", ".join(f'"{name}"' for name in self.nearest)
        return f"{fault}; near it: {near}" if near else fault


class AmbiguousCrc(ValueError):
    """An everyday name that is used for several CRCs.

    Attributes:
        name: what was asked for.
        meanings: the CRCs it is used for, the commonest first.
    """

    def __init__(self, name: str, meanings: tuple[Crc, ...]) -> None:
        super().__init__(name, meanings)
        self.name, self.meanings = name, meanings

    @property
    def checks(self) -> tuple[str, ...]:
        """The check value and the short name of each meaning: "29b1 IBM-3740"."""
        return tuple(f"{crc.to_hex(crc.check)} {_tail(crc.name or '')}" for crc in self.meanings)

    def __str__(self) -> str:
        count = len(self.meanings)
        number = _NUMBERS[count] if count < len(_NUMBERS) else str(count)
        checks = ", ".join(self.checks)
        return f'"{self.name}" is used for {number} different CRCs: "123456789" gives {checks}'


_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")

# Everyday names, written as _plain writes them, and what they are used for (common practice, no source). A
# bare "CRC-<width>" that is not listed here may be any CRC of that width.
EVERYDAY: Mapping[str, str] = {
    "ccitt crcccitt crcccitt16 crc16ccitt ccitt16 ccittcrc ccittcrc16 crcitu crcitut crc16itu crc16itut": (
        "CRC-16/KERMIT CRC-16/IBM-3740 CRC-16/XMODEM CRC-16/SPI-FUJITSU CRC-16/GENIBUS CRC-16/MCRF4XX CRC-16/IBM-SDLC"
    ),
    "crc16": (
        "CRC-16/ARC CRC-16/MODBUS CRC-16/USB CRC-16/MAXIM-DOW CRC-16/UMTS CRC-16/CMS CRC-16/DDS-110 "
        "CRC-16/IBM-3740 CRC-16/XMODEM CRC-16/KERMIT"
    ),
    "crcibm crc16ibm crcansi crc16ansi": (
        "CRC-16/ARC CRC-16/MODBUS CRC-16/USB CRC-16/MAXIM-DOW CRC-16/UMTS CRC-16/CMS CRC-16/DDS-110"
    ),
    "crc8": (
        "CRC-8/SMBUS CRC-8/MAXIM-DOW CRC-8/NRSC-5 CRC-8/ROHC CRC-8/AUTOSAR CRC-8/SAE-J1850 CRC-8/DVB-S2 CRC-8/BLUETOOTH"
    ),
    "crc8ccitt": "CRC-8/SMBUS CRC-8/I-432-1 CRC-8/ROHC",
    "crc32": "CRC-32/ISO-HDLC CRC-32/ISCSI CRC-32/BZIP2 CRC-32/MPEG-2 CRC-32/JAMCRC CRC-32/CKSUM",
    "crc64ecma": "CRC-64/ECMA-182 CRC-64/XZ",
}


@functools.cache
def _entries() -> Mapping[str, Mapping[str, Any]]:
    import json  # with the file itself, read only when a name is asked for
    from importlib import resources

    entries: dict[str, dict[str, Any]] = json.loads(
        resources.files("ullage").joinpath("crc_catalogue.json").read_text("ascii")
    )
    return {name: entry for name, entry in entries.items() if NARROWEST <= entry["width"] <= WIDEST}


@functools.cache
def catalogue() -> Mapping[str, Crc]:
    """Every CRC of the catalogue from 3 to 64 bits wide, by its name, in the order of width and name."""
    parameters = ("width", "poly", "init", "refin", "refout", "xorout")
    crcs = {name: Crc(name, *(entry[key] for key in parameters)) for name, entry in _entries().items()}
    return MappingProxyType(crcs)


def by_name(name: str) -> Crc:
    """The CRC of exactly this name in the catalogue.

    Raises:
        AmbiguousCrc: an everyday name of several CRCs ("CRC-16/CCITT", "crc16"), however it is written.
        UnknownCrc: any other name; it offers the nearest, first the one that is the same CRC.
    """
    crcs = catalogue()
    if crc := crcs.get(name):
        return crc
    plain = _plain(name)
    meanings = _everyday().get(plain) or tuple(crc for crc in crcs.values() if plain == f"crc{crc.width}")
    if len(meanings) > 1:
        raise AmbiguousCrc(name, meanings)
    if meanings:
        raise UnknownCrc(name, tuple(crc.name for crc in meanings if crc.name))
    index = _index()
    if same := index.get(plain):
        raise UnknownCrc(name, same, same=len(same) == 1)
    import difflib

    near = difflib.get_close_matches(plain, index, n=4, cutoff=0.7)
    raise UnknownCrc(name, _once(target for key in near for target in index[key])[:4])


def _plain(name: str) -> str:
    """A name without what people write differently: case, hyphens, underscores, slashes and spaces."""
    return name.casefold().translate({ord(mark): None for mark in "-_/ "})


def _tail(name: str) -> str:
    return name.rpartition("/")[2]


def _once(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(names))


@functools.cache
def _everyday() -> Mapping[str, tuple[Crc, ...]]:
    crcs = catalogue()
    return {
        spelling: tuple(crcs[name] for name in names.split())
        for spellings, names in EVERYDAY.items()
        for spelling in spellings.split()
    }


@functools.cache
def _index() -> Mapping[str, tuple[str, ...]]:
    """The catalogue's names by all that is written for them: names, aliases, and the tails of both."""
    index: dict[str, list[str]] = {}
    for name, entry in _entries().items():
        for written in (name, *entry["aliases"]):
            for key in (_plain(written), _plain(_tail(written))):
                index.setdefault(key, []).append(name)
    return {key: _once(names) for key, names in index.items()}
