"""From the codes of one slot in all rows to its values: the scalar reader's answers, a whole column at a time.

Whole numbers are computed modulo 2**64, where every result that is a value comes out right; what is no value is known
beforehand, from the code. Floats are one correctly rounded division, as in the scalar codec.
"""

from dataclasses import dataclass

import numpy as np

from ..layout import Binary32, Choice, Flag, Opaque, Scaled, Slot, Text
from ..values import Special
from .octets import Array, codes_of, octets_of

_EXACT = 1 << 53
"""Up to here every whole number is a float."""
_TURN = 1 << 64


@dataclass(frozen=True)
class Column:
    """One slot in all rows.

    data: the values, zeros or None where there is none. good: where the code stands for something, or None for
    everywhere. special: the names of special codes and None elsewhere, conditions: where those stand; both None for a
    slot without special codes.
    """

    data: Array
    good: Array | None = None
    special: Array | None = None
    conditions: Array | None = None


def column_of(slot: Slot, grid: Array) -> Column:
    """The values of a slot in every row of a grid that holds it."""
    transform = slot.transform
    if isinstance(transform, Text):
        return _texts(octets_of(slot, grid))
    if isinstance(transform, Opaque):
        return Column(_opaque(octets_of(slot, grid)))
    codes = codes_of(slot, grid)
    match transform:
        case Scaled() as scaled:
            return _scaled(scaled, slot.bits, codes)
        case Flag():
            return Column(codes.astype(bool))
        case Choice() as choice:
            return _choices(choice, codes)
        case Binary32():
            return _singles(codes)
    raise AssertionError(f"{slot.name} has no value")


def _texts(octets: Array) -> Column:
    printable = (octets >= 0x20) & (octets <= 0x7E)
    ended = octets == 0
    good = (printable | ended).all(axis=1) & ~(ended[:, :-1] & printable[:, 1:]).any(axis=1)
    octets[~good] = 0
    count = octets.shape[1]
    data = octets.view(f"S{count}").ravel().astype(f"U{count}")
    return Column(data, good)


def _opaque(octets: Array) -> Array:
    data = np.empty(len(octets), object)
    data[:] = octets.view(f"V{octets.shape[1]}").ravel().tolist()
    return data


def _choices(choice: Choice, codes: Array) -> Column:
    by_code = sorted(choice.codes, key=lambda code: code.code)
    known = np.array([code.code for code in by_code], codes.dtype)
    names = np.array([*(code.name for code in by_code), None], object)
    places = np.searchsorted(known, codes)
    good = known.take(places, mode="clip") == codes
    return Column(names.take(np.where(good, places, len(by_code))), good)


def _singles(codes: Array) -> Column:
    good = (codes >> 23 & 0xFF) != 0xFF
    data = np.where(good, codes, 0).astype(np.uint32).view(np.float32).astype(np.float64)
    return Column(data, good)


def _scaled(scaled: Scaled, bits: int, codes: Array) -> Column:
    raw = codes.astype(np.uint64)
    if scaled.signed and bits < 64:
        half = np.uint64(1 << (bits - 1))
        raw = (raw ^ half) - half
    steps = raw + np.uint64(scaled.first % _TURN) if scaled.first else raw
    good = None
    if scaled.signed or scaled.first != scaled.lowest or scaled.highest - scaled.lowest != (1 << bits) - 1:
        good = steps - np.uint64(scaled.lowest % _TURN) <= np.uint64(scaled.highest - scaled.lowest)
        steps = np.where(good, steps, np.uint64(scaled.lowest % _TURN))
    data = _whole(scaled, steps) if scaled.whole else _fractions(scaled, steps)
    if good is not None:
        data[~good] = 0
    if not scaled.specials:
        return Column(data, good)
    special, conditions = np.full(len(codes), None, object), np.zeros(len(codes), bool)
    for one in scaled.specials:
        hit = codes == codes.dtype.type(one.code)
        special[hit] = Special(one.name)
        conditions |= hit
    return Column(data, conditions if good is None else good | conditions, special, conditions)


def _whole(scaled: Scaled, steps: Array) -> Array:
    """Whole quantities: int64 where it holds the range, else uint64, else Python's own. steps: modulo 2**64."""
    number = scaled.step.numerator
    low, high = scaled.lowest * number, scaled.highest * number
    signed = low >= -(1 << 63) and high < 1 << 63
    if not signed and (low < 0 or high >= _TURN):
        return _signed(scaled, steps).astype(object) * number
    product = steps if number == 1 else steps * np.uint64(number)
    return product.view(np.int64) if signed else product


def _signed(scaled: Scaled, steps: Array) -> Array:
    return steps.view(np.int64) if scaled.highest < 1 << 63 else steps


def _fractions(scaled: Scaled, steps: Array) -> Array:
    """(steps x numerator) / denominator, rounded once; row by row where the product is no float."""
    whole = _signed(scaled, steps)
    above, below = scaled.step.numerator, scaled.step.denominator
    most = _EXACT // above if below <= _EXACT else -1
    if max(abs(scaled.lowest), abs(scaled.highest)) <= most:
        return whole.astype(np.float64) * above / below
    return np.array([one * above / below for one in whole.tolist()], np.float64)
