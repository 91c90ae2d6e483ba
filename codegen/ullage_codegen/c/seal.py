"""The C parts of sealed frames as text: AES-128, CCM, block counter, replay window. A header puts them in a row.

Each part is a template with the protocol's prefix; widths of the counter are the only other numbers. The substitution
box is computed from its definition, so that there is no table to mistype.
"""

import functools
from dataclasses import dataclass
from typing import Any

import jinja2

from ullage.seal.counter import limit_octets, record_octets
from ullage.seal.window import WIDTH

from ..templating import environment
from .model import CType


@dataclass(frozen=True)
class SealParts:
    """What the parts must know.

    prefix: the protocol's name. counter_bits: 1..64, of the whole counter. low_bits: how many of them travel, at most
    counter_bits.
    """

    prefix: str
    counter_bits: int
    low_bits: int

    def __post_init__(self) -> None:
        if not 1 <= self.low_bits <= self.counter_bits <= 64:
            raise ValueError(f"{self.low_bits} low bits do not fit a counter of {self.counter_bits} bits")

    @property
    def ctype(self) -> CType:
        """The C type of a whole counter."""
        return CType(8 * limit_octets(self.counter_bits), False)

    @property
    def end(self) -> str:
        """The highest number as a constant."""
        return self.ctype.literal((1 << self.counter_bits) - 1)

    @property
    def circle(self) -> str:
        """How far the numbers with the same travelling bits lie apart, "" where all of them travel."""
        return "" if self.low_bits == self.counter_bits else self.ctype.literal(1 << self.low_bits)

    @property
    def functions(self) -> tuple[str, ...]:
        """Functions and tags that the parts define, without the prefix; nothing else in a header may be called so."""
        aes = ("key", "key_set", "aes", "aes_box", "aes_replaced", "aes_doubled")
        ccm = tuple(f"ccm_{word}" for word in ("wipe", "stream", "run", "seal", "open"))
        words = ("answer", "crc", "read", "write", "reserve", "begin", "take", "provision")
        counter = ("counter", *(f"counter_{word}" for word in words))
        return (
            *aes,
            *ccm,
            *counter,
            "window",
            "seen",
            *(f"window_{word}" for word in ("check", "advance", "candidate")),
        )

    @property
    def constants(self) -> tuple[str, ...]:
        """Macros and enumerators, without the prefix and in small letters."""
        counter = tuple(f"counter_{word}" for word in ("record_octets", "fine", "at_end", "unknown", "not_kept"))
        return ("aes_block", *counter, *(f"seen_{word}" for word in ("fresh", "repeat", "too_old")))

    @property
    def aes(self) -> str:
        """struct PREFIX_key, PREFIX_key_set and PREFIX_aes, with PREFIX_AES_BLOCK for a chip that has AES."""
        return _rendered("aes.h.j2", self, box=[", ".join(f"0x{o:02x}u" for o in row) for row in _box_rows()])

    @property
    def ccm(self) -> str:
        """PREFIX_ccm_seal and PREFIX_ccm_open. Goes after `aes`."""
        return _rendered("ccm.h.j2", self)

    @property
    def counter(self) -> str:
        """struct PREFIX_counter, PREFIX_counter_begin, _take and _provision; records as in `ullage.seal.counter`."""
        return _rendered(
            "counter.h.j2",
            self,
            record_octets=record_octets(self.counter_bits),
            limit_octets=limit_octets(self.counter_bits),
        )

    @property
    def window(self) -> str:
        """struct PREFIX_window, PREFIX_window_check, _advance and _candidate."""
        return _rendered(
            "window.h.j2",
            self,
            whole=not self.circle,
            low_bits=self.low_bits,
            circle=self.circle,
            back=min(WIDTH, 1 << (self.low_bits - 1)) - 1,
        )

    @property
    def every(self) -> str:
        """All parts, an empty line between two."""
        return "\n".join((self.aes, self.ccm, self.counter, self.window))


def _rendered(name: str, parts: SealParts, **more: Any) -> str:
    return (
        _environment()
        .get_template(name)
        .render(
            low=parts.prefix,
            up=parts.prefix.upper(),
            t=parts.ctype.name,
            end=parts.end,
            narrow=parts.counter_bits < parts.ctype.bits,
            **more,
        )
    )


@functools.cache
def _environment() -> jinja2.Environment:
    return environment(__file__)


def _box_rows() -> list[list[int]]:
    box = substitution_box()
    return [box[row : row + 12] for row in range(0, 256, 12)]


def substitution_box() -> list[int]:
    """FIPS 197 section 5.1.1: the inverse in the field of 256 elements, then an affine map over single bits."""
    powers = [1]
    while len(powers) < 255:  # the powers of x + 1, which runs through all elements but 0
        last = powers[-1]
        powers.append(last ^ (last << 1) ^ (0x11B if last & 0x80 else 0))
    places = {power: place for place, power in enumerate(powers)}
    inverses = [powers[-places[value] % 255] if value else 0 for value in range(256)]
    return [
        0x63 ^ value ^ _turned(value, 1) ^ _turned(value, 2) ^ _turned(value, 3) ^ _turned(value, 4)
        for value in inverses
    ]


def _turned(octet: int, places: int) -> int:
    """An octet rotated to the left."""
    return (octet << places | octet >> (8 - places)) & 0xFF
