"""From columns of values to the codes of a slot: the scalar writer's answers, quickly where numbers allow it.

Arrays of float64, whole numbers and truth values go all at once, by the very steps of the scalar writer; every row that
these leave in doubt, and every other array, is asked row by row of the scalar writer itself.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import EncodeError
from ..layout import Binary32, Flag, Opaque, Scaled, Slot, Text
from ..status import Status
from ..values import FLOAT_STEPS, SURE, writer
from .octets import Array

_INT64 = np.iinfo(np.int64)
_FAR = 1 << 62
"""Below it, products of whole numbers are computed in int64."""


@dataclass(frozen=True)
class Written:
    """codes: uint64, (n,), or for text and octets uint8, (n, octets); refused: which rows are out of range."""

    codes: Array
    refused: Array


def column_array(values: Any, name: str) -> Array:
    """A caller's values of one field as an array of one dimension, or of none when it is the same value in all rows.

    NumPy's arrays stay; of anything else only a single number becomes one of theirs, and a list an array of objects, so
    that nothing is converted on the way.
    """
    if type(values) in (bool, float) or (type(values) is int and _INT64.min <= values <= _INT64.max):
        return np.asarray(values)
    if isinstance(values, np.ndarray):
        if values.ndim > 1:
            raise EncodeError(f"{name}: an array of {values.ndim} dimensions; give one value for each row", field=name)
        return values
    single = isinstance(values, str | bytes | bytearray | memoryview) or not hasattr(values, "__len__")
    listed = np.empty(() if single else len(values), object)
    listed[...] = values if single else None
    for row, value in enumerate(() if single else values):
        listed[row] = value
    return listed


def codes_for(slot: Slot, values: Array, names: Array | None, frame: str) -> Written:
    """The codes of a field's values, as they stand in the frame but for octets to be turned.

    values: (n,). names: special codes' names, None where the value counts. Raises EncodeError, with the row in its
    text, for what is no value at all.
    """
    transform = slot.transform
    write = writer(slot, frame)
    if isinstance(transform, Text | Opaque):
        return _octets(slot, values, write)
    codes, doubt = np.zeros(len(values), np.uint64), np.ones(len(values), bool)
    if isinstance(transform, Scaled) and values.dtype.kind in "fiu":
        doubt = _numbers(transform, slot.bits, np.ma.getdata(values), codes)
    elif isinstance(transform, Flag) and values.dtype == np.bool_:
        codes[:], doubt = np.ma.getdata(values), np.zeros(len(values), bool)
    elif isinstance(transform, Binary32) and values.dtype == np.float64:
        doubt = _singles(np.ma.getdata(values), codes)
    named = np.zeros(len(values), bool)
    if isinstance(transform, Scaled) and names is not None:
        for special in transform.specials:
            hit = names == special.name
            codes[hit] = special.code
            named |= hit
        doubt = (doubt | _unnamed(names)) & ~named
    missing = np.ma.getmaskarray(values) & ~named
    refused = np.zeros(len(values), bool)
    for row in np.flatnonzero(doubt | missing).tolist():
        given = values[row] if names is None or names[row] is None else names[row]
        code = _one(write, given, slot.name, row)
        refused[row], codes[row] = code is None, slot.turned(code or 0)
    return Written(codes, refused)


def _unnamed(names: Array) -> Array:
    return np.array([name is not None for name in names.tolist()], bool)


def _one(write: Callable[[Any], int], value: Any, name: str, row: int) -> int | None:
    """The scalar writer's code, or None where it says that the value is out of range."""
    if value is np.ma.masked:
        raise EncodeError(f"row {row}: {name}: the value is masked, and no special code stands for it", field=name)
    try:
        return write(value.item() if isinstance(value, np.float64 | np.integer | np.str_ | np.bool_) else value)
    except EncodeError as error:
        if error.status is Status.OUT_OF_RANGE:
            return None
        raise EncodeError(f"row {row}: {error}", frame=error.frame, field=error.field, help=error.help) from None


def _octets(slot: Slot, values: Array, write: Callable[[Any], int]) -> Written:
    count = slot.bits // 8
    found = [_one(write, value, slot.name, row) for row, value in enumerate(values)]
    joined = b"".join((code or 0).to_bytes(count, "big") for code in found)
    octets = np.frombuffer(joined, np.uint8).reshape(len(found), count)
    return Written(octets, np.array([code is None for code in found], bool))


def _numbers(scaled: Scaled, bits: int, values: Array, codes: Array) -> Array:
    """Fill in the codes of numbers; returns which rows are in doubt: no quick way, or not in the range."""
    if values.dtype == np.float64:
        with np.errstate(invalid="ignore", over="ignore", under="ignore"):
            quotient = values * float(1 / scaled.step)
            nearest = np.rint(quotient)
            sure = (np.abs(quotient) < FLOAT_STEPS) & (np.abs(quotient - nearest) < SURE)
        steps = np.where(sure, nearest, 0).astype(np.int64)
    elif values.dtype.kind in "iu" and _near(values, scaled):
        sure, steps = np.ones(len(values), bool), _whole_steps(values.astype(np.int64), scaled)
    else:
        return np.ones(len(values), bool)
    low, high = max(scaled.lowest, _INT64.min), min(scaled.highest, _INT64.max)
    if scaled.clamp:
        steps = np.clip(steps, low, high)
    inside = (steps >= low) & (steps <= high)
    moved = steps.astype(np.uint64) - np.uint64(scaled.first % (1 << 64))
    codes[:] = moved & np.uint64((1 << bits) - 1)
    return ~(sure & inside)


def _near(values: Array, scaled: Scaled) -> bool:
    """Whether every product on the way from these whole numbers to steps stays far within int64."""
    furthest = max((abs(int(end)) for end in (values.min(initial=0), values.max(initial=0))), default=0)
    return furthest * scaled.step.denominator < _FAR and scaled.step.numerator < _FAR


def _whole_steps(values: Array, scaled: Scaled) -> Array:
    """The nearest whole steps, a tie to the even one."""
    if scaled.step == 1:
        return values
    steps, rest = np.divmod(values * scaled.step.denominator, scaled.step.numerator)
    more = 2 * rest - scaled.step.numerator
    nearest: Array = steps + ((more > 0) | ((more == 0) & (steps % 2 == 1)))
    return nearest


def _singles(values: Array, codes: Array) -> Array:
    """Fill in the bit patterns of floats; returns which rows are in doubt: what has no finite one."""
    with np.errstate(over="ignore", invalid="ignore", under="ignore"):
        single = values.astype(np.float32)
    codes[:] = single.view(np.uint32)
    return ~np.isfinite(single)


def same_length(columns: Mapping[str, Array]) -> int:
    """How many rows there are: as many as each array has, or one where there is none. Raises EncodeError."""
    sizes = {len(column) for column in columns.values() if column.ndim}
    if len(sizes) > 1:
        told = ", ".join(f"{name} {len(column)}" for name, column in columns.items() if column.ndim)
        raise EncodeError(f"columns of different lengths: {told}")
    return sizes.pop() if sizes else 1
