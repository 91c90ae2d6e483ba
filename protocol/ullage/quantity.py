"""Exact numbers: what a caller's number means, and which whole number of steps is nearest to it.

A float stands for its shortest decimal text, so 3.71 means 371/100. Nothing here ever computes in binary floats,
except the last division that gives the reader a float, which Python rounds correctly.
"""

import contextlib
import math
import operator
import re
from decimal import Decimal
from fractions import Fraction
from typing import SupportsIndex

_NUMBER = re.compile(r"\s*[+-]?(?:\d{1,400}(?:\.\d{0,400})?|\.\d{1,400})(?:[eE][+-]?\d{1,9})?\s*\Z", re.ASCII)
_RATIO = re.compile(r"\s*[+-]?\d{1,400}/\d{1,400}\s*\Z", re.ASCII)
# Beyond these powers of ten a number is far outside (or far below one step of) anything a 64-bit field can hold:
# steps themselves lie within 10^-40..10^40. Cutting there keeps '1e999999999' from filling the memory.
_FAR = 120


class NotANumber(ValueError):
    """The object is not a number that could be sent; the text says why."""


def exact(value: object) -> Fraction:
    """Give the exact value of a caller's number.

    value: int, float (NumPy's float64 is one), str, Decimal, Fraction, or an object with `__index__` (NumPy integers).
    Returns the exact value; floats, decimals and text beyond 10**120 or below 10**-120 are cut to these.
    Raises NotANumber for bool, NaN, infinity, and anything else: also for NumPy's float32, whose shortest decimal text
    is not that of the float it becomes, so that the caller says which of the two is meant.
    """
    if isinstance(value, bool):
        raise NotANumber(f"{value} is a truth value, not a number")
    if isinstance(value, float):
        if not math.isfinite(value):
            raise NotANumber(f"{float.__repr__(value)} is not a number that can be sent")
        return _from_decimal(Decimal(float.__repr__(value)))
    if isinstance(value, Fraction):
        return value
    if isinstance(value, Decimal):
        if not value.is_finite():
            raise NotANumber(f"{value} is not a number that can be sent")
        return _from_decimal(value)
    if isinstance(value, str):
        return _from_text(value)
    if isinstance(value, SupportsIndex):
        # An array has __index__ too, and raises when it holds more than one whole number.
        with contextlib.suppress(TypeError):
            return Fraction(operator.index(value))
    raise NotANumber(f"{type(value).__name__} is no number; give int, float, str, Decimal or Fraction")


def _from_text(text: str) -> Fraction:
    if _NUMBER.match(text):
        return _from_decimal(Decimal(text.strip()))
    if _RATIO.match(text):
        above, below = text.split("/")
        if int(below):
            return Fraction(int(above), int(below))
    raise NotANumber(f"{text[:60]!r} is no number")


def _from_decimal(value: Decimal) -> Fraction:
    if value and value.adjusted() > _FAR:
        return Fraction(-(10**_FAR) if value < 0 else 10**_FAR)
    if value.adjusted() < -_FAR or not value:
        return Fraction(0) if not value else Fraction(-1 if value < 0 else 1, 10**_FAR)
    return Fraction(value)


def nearest_steps(value: Fraction, step: Fraction) -> int:
    """The whole number of steps, counted from 0, that is nearest to a quantity; ties go to the even one.

    value and step have the same unit; step > 0.
    """
    return round(value / step)  # Fraction.__round__ is exact and rounds half to even


def plain(value: Fraction | Decimal | int) -> str:
    """A number as people write it: 250, 0.01, -12.5; a fraction without a finite decimal form as 1/3."""
    ratio = Fraction(value)
    twos, fives, rest = 0, 0, ratio.denominator
    while rest % 2 == 0:
        twos, rest = twos + 1, rest // 2
    while rest % 5 == 0:
        fives, rest = fives + 1, rest // 5
    if rest != 1:
        return f"{ratio.numerator}/{ratio.denominator}"
    places = max(twos, fives)
    digits = str(abs(ratio.numerator) * 10**places // ratio.denominator).rjust(places + 1, "0")
    sign = "-" if ratio < 0 else ""
    return sign + (f"{digits[:-places]}.{digits[-places:]}" if places else digits)


def places(step: Fraction) -> int:
    """How many decimal places a quantity in this step needs when printed (0.01 -> 2, 5 -> 0, 0.25 -> 2)."""
    text = plain(step)
    return len(text.partition(".")[2]) if "/" not in text else 6
