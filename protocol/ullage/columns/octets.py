"""Octets of many frames side by side: the bits of a slot, and the check at the end, for all rows at once.

A grid is the received octets turned on their side: one contiguous line for each octet of the frame, so that every step
runs over memory as it lies.
"""

import functools
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from ..checksum import Sum
from ..crc import Crc, octet_table, reverse_bits
from ..layout import Integrity, Slot

Array = npt.NDArray[Any]


def grid_of(octets: Array) -> Array:
    """The grid of rows of octets. octets: uint8, (n, length). Returns uint8, (length, n)."""
    return np.ascontiguousarray(octets.T)


def holder(bits: int) -> type[np.unsignedinteger[Any]]:
    """The narrowest unsigned NumPy type for so many bits, 1..64."""
    return next(kind for width, kind in _HOLDERS if bits <= width)


_HOLDERS: tuple[tuple[int, type[np.unsignedinteger[Any]]], ...] = (
    (8, np.uint8),
    (16, np.uint16),
    (32, np.uint32),
    (64, np.uint64),
)


def codes_of(slot: Slot, grid: Array) -> Array:
    """The code of a slot of at most 64 bits in every row, unsigned, its octets turned where the lowest goes first.

    No step holds more bits than the slot has, so that 64 bits over nine octets need no wider number.
    """
    first, last = slot.offset // 8, (slot.end - 1) // 8
    before, behind = slot.offset % 8, -slot.end % 8
    if first == last:
        short: Array = grid[first] >> behind & ((1 << slot.bits) - 1)
        return short
    places = range(first, last + 1)
    if slot.low_first:  # whole octets at whole octets, so nothing stands before or behind
        places = places[::-1]
    word: Array = (grid[places[0]] & (0xFF >> before)).astype(holder(slot.bits))
    for place in places[1:-1]:
        word <<= 8
        word |= grid[place]
    word <<= 8 - behind
    word |= grid[places[-1]] >> behind
    return word


def octets_of(slot: Slot, grid: Array) -> Array:
    """The octets of a text or octets slot. Returns uint8, (n, octets), contiguous; bits may begin inside an octet."""
    count, shift, first = slot.bits // 8, slot.offset % 8, slot.offset // 8
    lines = grid[first : first + count]
    if shift:
        lines = lines << shift | grid[first + 1 : first + count + 1] >> (8 - shift)
    return np.ascontiguousarray(lines.T)


def put_codes(slot: Slot, codes: Array, grid: Array) -> None:
    """Put the codes of a slot of at most 64 bits into a grid that is zero there. codes: uint64, (n,)."""
    first, last = slot.offset // 8, (slot.end - 1) // 8
    places = range(first, last + 1)
    for place, target in zip(places, places[::-1] if slot.low_first else places, strict=True):
        behind = slot.end - 8 * (place + 1)
        piece = codes >> np.uint64(behind) if behind >= 0 else codes << np.uint64(-behind)
        grid[target] |= (piece & np.uint64(0xFF)).astype(np.uint8)


def put_octets(slot: Slot, octets: Array, grid: Array) -> None:
    """Put the octets of a text or octets slot into a grid that is zero there. octets: uint8, (n, octets)."""
    shift, first = slot.offset % 8, slot.offset // 8
    for place, line in enumerate(octets.T, first):
        grid[place] |= line >> shift
        if shift:
            grid[place + 1] |= line << (8 - shift)


def put_check(integrity: Integrity, grid: Array) -> None:
    """Put the right check at the end of each row."""
    body = len(grid) - integrity.octets
    value = check_of(integrity.check, grid[integrity.first_octet : body]).astype(np.uint64)
    for place in range(integrity.octets):
        shift = integrity.octets - 1 - place if integrity.high_first else place
        grid[body + place] = (value >> np.uint64(8 * shift) & np.uint64(0xFF)).astype(np.uint8)


def check_fits(integrity: Integrity, grid: Array) -> Array:
    """Whether the check at the end of each row is that of the octets it covers. Returns bool, (n,)."""
    body = len(grid) - integrity.octets
    order = range(body, len(grid)) if integrity.high_first else range(len(grid) - 1, body - 1, -1)
    sent = np.zeros(grid.shape[1], holder(8 * integrity.octets))
    for place in order:
        if integrity.octets > 1:
            sent <<= 8
        sent |= grid[place]
    fits: Array = sent == check_of(integrity.check, grid[integrity.first_octet : body])
    return fits


def check_of(check: Crc | Sum, covered: Array) -> Array:
    """The CRC or sum of each row's octets. covered: uint8, (octets, n). Returns unsigned numbers, (n,)."""
    return _sum_of(check, covered) if isinstance(check, Sum) else _crc_of(check, covered)


def _sum_of(total: Sum, covered: Array) -> Array:
    mask = (1 << total.bits) - 1
    result: Array = (covered.sum(axis=0, dtype=np.uint64) + np.uint64(total.start)) & np.uint64(mask)
    return result ^ np.uint64(mask) if total.invert else result


def _crc_of(crc: Crc, covered: Array) -> Array:
    """A CRC is linear: the XOR of what each octet alone, at its distance from the end, and the start leave behind.

    So each octet is one look-up in a table of its own, and none waits for the one before.
    """
    tables, start = _distances(crc, len(covered))
    result: Array = np.full(covered.shape[1], start)
    for table, line in zip(tables, covered[::-1], strict=True):
        result ^= table.take(line)
    if not crc.refin and crc.width < 8:
        result >>= 8 - crc.width
    if crc.refin != crc.refout:
        result = _reversed(result, crc.width)
    result ^= result.dtype.type(crc.xorout)
    return result


@functools.lru_cache(maxsize=32)
def _distances(crc: Crc, count: int) -> tuple[tuple[Array, ...], Any]:
    """What is left of each octet with 0, 1, 2 ... count-1 octets behind it, and of the start with count behind it."""
    kind = holder(max(crc.width, 8))
    octets = np.array(octet_table(crc), kind)
    advance = _advance(crc, octets)
    spare = 0 if crc.refin else max(0, 8 - crc.width)
    start = np.array([reverse_bits(crc.init, crc.width) if crc.refin else crc.init << spare], kind)
    tables: list[Array] = []
    for _ in range(count):
        tables.append(advance(tables[-1]) if tables else octets)
        start = advance(start)
    return tuple(tables), start[0]


def _advance(crc: Crc, table: Array) -> Callable[[Array], Array]:
    """What a zero octet makes of registers."""
    width = max(crc.width, 8)
    if width == 8:
        return lambda register: table.take(register)
    if crc.refin:
        return lambda register: table.take(register & 0xFF) ^ (register >> 8)
    mask = np.array((1 << width) - 1, table.dtype)
    return lambda register: table.take(register >> (width - 8)) ^ (register << 8 & mask)


def _reversed(words: Array, width: int) -> Array:
    result = np.zeros_like(words)
    for bit in range(width):
        result |= (words >> bit & 1) << (width - 1 - bit)
    return result
