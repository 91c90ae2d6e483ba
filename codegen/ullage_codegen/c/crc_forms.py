"""The forms a CRC can take in C, as numbers: bit by bit, nibble table, octet table, and shifts alone.

A register is the smallest unsigned type that holds the CRC. Not reflected, the CRC lies at its upper end, so
that the bits leave at the top; reflected, at its lower end. The form without a table divides by multiplying
(Barrett's reduction over GF(2)), which is exact for every polynomial. Nothing here writes C: a template says
these numbers in C, and the tests run each form against Crc.compute.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ullage.crc import Crc, reverse_bits

REGISTER_BITS = (8, 16, 32, 64)

# A term costs a shift and an XOR. Eight rounds of the loop by bits cost a shift, a test and an XOR each:
# beyond twelve terms the form without a table is no quicker than the loop it would replace, and far longer.
MOST_TERMS = 12


@dataclass(frozen=True)
class Register:
    """How a CRC lies in its C variable.

    Attributes:
        bits: of the variable, 8, 16, 32 or 64.
        reflected: whether bits leave at the lower end (refin).
        poly: the polynomial as the variable sees it: aligned to the upper end, or reflected.
        init: the variable before the first octet.
        shift: right shift that brings the CRC to the lower end after the last octet (0 when reflected).
        reverses: whether the CRC's bits must then be put in the opposite order (refin is not refout).
        width: bits of the CRC.
        xorout: XORed at the very end.
    """

    bits: int
    reflected: bool
    poly: int
    init: int
    shift: int
    reverses: bool
    width: int
    xorout: int

    @property
    def mask(self) -> int:
        """All ones in the variable."""
        return (1 << self.bits) - 1

    def finish(self, value: int) -> int:
        """The CRC, from the variable after the last octet."""
        value >>= self.shift
        return (reverse_bits(value, self.width) if self.reverses else value) ^ self.xorout


@dataclass(frozen=True)
class TableFree:
    """One octet's step of a CRC in shifts and XORs, without a table or a loop.

    Not reflected, for a register of N bits:
        x = (register >> (N - 8)) ^ octet
        q = XOR of x >> s for s in quotient
        register = (register << 8) ^ XOR of q << s for s in product, cut to N bits
    Reflected:
        x = (register ^ octet) & 0xFF
        q = (XOR of x << s for s in quotient) & 0xFF
        register = (register >> 8) ^ XOR of q << s for s in product, where a negative s shifts right by -s

    Attributes:
        reflected: which of the two it is.
        quotient: shifts 0..7 that make the quotient of x, ascending; the first is 0.
        product: shifts that make the remainder of the quotient, ascending.
    """

    reflected: bool
    quotient: tuple[int, ...]
    product: tuple[int, ...]

    @property
    def terms(self) -> int:
        """Shifted copies that are XORed together, in both lines."""
        return len(self.quotient) + len(self.product)

    @property
    def operations(self) -> int:
        """Shifts by more than 0, XORs and masks of one octet's step, all three lines as written above."""
        shifted = sum(1 for shift in (*self.quotient, *self.product) if shift)
        masks = 1 + (len(self.quotient) > 1) if self.reflected else 0
        return shifted + self.terms + masks + (1 if self.reflected else 2)


def register_bits(crc: Crc) -> int:
    """The bits of the smallest C type that holds this CRC: 8, 16, 32 or 64."""
    return next(bits for bits in REGISTER_BITS if crc.width <= bits)


def register(crc: Crc) -> Register:
    """How this CRC lies in its C variable."""
    bits = register_bits(crc)
    shift = 0 if crc.refin else bits - crc.width
    poly, init = (
        (reverse_bits(crc.poly, crc.width), reverse_bits(crc.init, crc.width))
        if crc.refin
        else (crc.poly << shift, crc.init << shift)
    )
    return Register(bits, crc.refin, poly, init, shift, crc.refin != crc.refout, crc.width, crc.xorout)


def one_bit(crc: Crc) -> Callable[[int], int]:
    """The step by one bit, register in, register out: what the loop by bits does eight times an octet."""
    form = register(crc)
    if form.reflected:
        return lambda value: (value >> 1) ^ (form.poly if value & 1 else 0)
    top = 1 << (form.bits - 1)
    return lambda value: (value << 1 & form.mask) ^ (form.poly if value & top else 0)


def table(crc: Crc) -> tuple[int, ...]:
    """256 registers, one for each octet x as TableFree describes it.

    register = (register << 8) ^ table[x], or reflected (register >> 8) ^ table[x].
    """
    return _steps(crc, 8)


def nibble_table(crc: Crc) -> tuple[int, ...]:
    """16 registers for two steps of four bits an octet: the high nibble first, or reflected the low one.

    Not reflected, for a register of N bits:
        register = (register << 4) ^ table[(register >> (N - 4)) ^ (octet >> 4)], then again with octet & 15
    Reflected:
        register = (register >> 4) ^ table[(register ^ octet) & 15], then again with octet >> 4
    """
    return _steps(crc, 4)


def _steps(crc: Crc, count: int) -> tuple[int, ...]:
    """What `count` steps make of each value of the `count` bits that leave the register first."""
    step, start = one_bit(crc), 0 if crc.refin else register_bits(crc) - count
    registers = []
    for value in range(1 << count):
        made = value << start
        for _ in range(count):
            made = step(made)
        registers.append(made)
    return tuple(registers)


def table_free(crc: Crc) -> TableFree | None:
    """The form without a table, or None when it has more terms than MOST_TERMS and does not pay."""
    form = shifts(crc)
    return form if form.terms <= MOST_TERMS else None


def shifts(crc: Crc) -> TableFree:
    """The form without a table, however long it is.

    G is the polynomial of degree N, mu and r the quotient and rest of X^(N + 8) / G. Then
        x * X^N / G = x * mu / X^8 + x * r / (G * X^8)
    and the last part has a degree of at most 7 + (N - 1) - (N + 8) < 0, so that q, the whole part of
    x * X^N / G, is the whole part of x * mu / X^8. The rest x * X^N - q * G is q * G below X^N. Not
    reflected, N is the register's bits and G is aligned (times X^(N - width)); reflected, N is the width.
    """
    degree = crc.width if crc.refin else register_bits(crc)
    poly = crc.poly << (degree - crc.width)
    mu = _quotient(1 << (degree + 8), 1 << degree | poly)
    quotient = tuple(8 - place for place in reversed(_places(mu)) if place)  # place 0 would shift x by 8: nothing
    places = _places(poly)
    # Reflected, X^m stands at bit width - 1 - m, and X^k of q at bit 7 - k: so X^e moves q by width - 8 - e.
    product = tuple(sorted(crc.width - 8 - place for place in places)) if crc.refin else places
    return TableFree(crc.refin, quotient, product)


def _quotient(dividend: int, divisor: int) -> int:
    """Long division of polynomials over GF(2); bit i is the coefficient of X^i."""
    quotient = 0
    while (place := dividend.bit_length() - divisor.bit_length()) >= 0:
        quotient |= 1 << place
        dividend ^= divisor << place
    return quotient


def _places(value: int) -> tuple[int, ...]:
    """The places of the bits that are one, lowest first."""
    return tuple(place for place in range(value.bit_length()) if value >> place & 1)
