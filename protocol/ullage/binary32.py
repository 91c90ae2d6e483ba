"""IEEE 754 single precision: between a number and its 32 bits, rounded once, to the nearest, ties to even.

Python's struct rounds a float (a double) rightly. A number that no double holds is rounded from its exact value: to
round twice can miss the nearest.
"""

import struct
from fractions import Fraction

LARGEST = float(2**128 - 2**104)
"""The largest finite number."""
_NO_MORE = Fraction(2**128 - 2**103)
"""From here on the nearest single would be infinite."""


def value_of(code: int) -> float | None:
    """The number of a bit pattern, or None for NaN and infinities."""
    return None if code >> 23 & 0xFF == 0xFF else _number(code)


def code_of(value: float | Fraction) -> int | None:
    """The bit pattern of the nearest single-precision number, or None where that is infinite. value: finite."""
    if not -_NO_MORE < value < _NO_MORE:
        return None
    if isinstance(value, float):
        return _pattern(value)
    about = _pattern(max(-LARGEST, min(LARGEST, float(value))))
    near = {code for code in (about - 1, about, about + 1) if 0 <= code < 1 << 32 and code >> 23 & 0xFF != 0xFF}
    return min(near, key=lambda code: (abs(Fraction(*_ratio(code)) - value), code & 1, code))


def text_of(value: float) -> str:
    """The fewest digits that lead back to the same single-precision number."""
    code = _pattern(value)
    # code_of, as few digits of the largest number may lie beyond it.
    return next(text for digits in range(1, 18) if code_of(float(text := f"{value:.{digits}g}")) == code)


def _pattern(value: float) -> int:
    return int.from_bytes(struct.pack(">f", value), "big")


def _number(code: int) -> float:
    number: float = struct.unpack(">f", code.to_bytes(4, "big"))[0]
    return number


def _ratio(code: int) -> tuple[int, int]:
    return _number(code).as_integer_ratio()
