"""What is worth trying in one slot: the codes and the values at the edges of what stands for something.

Every list is made from the slot alone, without chance, so that the same spec gives the same vectors in the same order.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from ullage.binary32 import LARGEST
from ullage.codes import accepted, gaps
from ullage.layout import Binary32, Choice, Fixed, Flag, Length, Opaque, Scaled, Slot, Text
from ullage.quantity import exact, nearest_steps, plain
from ullage.status import Status
from ullage.values import Special, reader
from ullage.words.wording import reading

_PATTERN = 0x0123456789ABCDEF
"""Octets that all differ, so that a wrong order of octets shows."""


@dataclass(frozen=True, slots=True)
class CodeEdge:
    """A code to put into a slot. words: what it is, for the vector's name. wanted: what a decoder must answer."""

    code: int
    words: str
    wanted: Status


@dataclass(frozen=True, slots=True)
class ValueEdge:
    """A value to give an encoder. rounds: whether it lies between two steps, or beyond a range that clamps."""

    value: Any
    words: str
    wanted: Status
    rounds: bool = False


def code_edges(slot: Slot) -> list[CodeEdge]:
    """Codes of a slot that carries a value or a constant; not of counts, flags of groups and lengths.

    Those that stand for something first, then those that do not.
    """
    match slot.transform:
        case Fixed(value, reason):
            return [CodeEdge(code, words, reason) for code, words in _other_codes(slot, value)]
        case Length():
            raise AssertionError(f"{slot.name} follows from the frame")
        case Text():
            return list(_text_edges(slot))
        case Opaque():
            return list(_octets_edges(slot))
    found = {code: words for code, words in _good_codes(slot) if _stands(slot, code)}
    edges = [CodeEdge(code, words, Status.FINE) for code, words in found.items()]
    for low, high in gaps(slot):
        for code in dict.fromkeys((low, high)):
            edges.append(CodeEdge(code, f"code {code} stands for nothing", Status.NOT_A_VALUE))
    return edges


def first_fault(slot: Slot) -> int | None:
    """A code for which a decoder must refuse the slot, or None where every code stands for something."""
    return next((edge.code for edge in code_edges(slot) if edge.wanted is not Status.FINE), None)


def _stands(slot: Slot, code: int) -> bool:
    return any(low <= code <= high for low, high in accepted(slot))


def _good_codes(slot: Slot) -> Iterator[tuple[int, str]]:
    match slot.transform:
        case Scaled() as scaled:
            for steps, note in _steps_to_try(scaled):
                code = (steps - scaled.first) & ((1 << slot.bits) - 1)
                yield code, f"{reading(slot, scaled.quantity(steps))}{note}"
            for special in scaled.specials:
                yield special.code, special.name
            if slot.bits > 8:
                code = _PATTERN >> (64 - slot.bits)
                yield code, f"code 0x{code:x}"
        case Choice(codes):
            for choice in codes:
                yield choice.code, choice.name
        case Flag():
            yield from ((0, "no"), (1, "yes"))
        case Binary32():
            for code in (0, 0x80000000, 1, 0x3F800000, 0xC0490FDB, 0x01234567, 0x7F7FFFFF, 0xFF7FFFFF):
                read = reader(slot)
                assert read is not None
                yield code, f"{reading(slot, read(slot.turned(code)))}, bits {code:08x}"


def _steps_to_try(scaled: Scaled) -> Iterator[tuple[int, str]]:
    yield scaled.lowest, ", the lowest"
    yield scaled.highest, ", the highest"
    if scaled.lowest < 0:
        yield from ((steps, "") for steps in (-1, 0, 1) if scaled.lowest < steps < scaled.highest)
    if scaled.broadcast is not None:
        yield scaled.broadcast, ""


def _other_codes(slot: Slot, value: int) -> Iterator[tuple[int, str]]:
    """Codes in the place of one that is always the same: each bit of spare bits, both ends and the neighbours else."""
    top = (1 << slot.bits) - 1
    if slot.kind in ("spare", "fill"):
        for bit in range(slot.bits):
            yield 1 << (slot.bits - 1 - bit), f"bit {bit} of {slot.bits} is set"
        return
    for code in dict.fromkeys((value - 1, value + 1, 0, top, value ^ 1 << (slot.bits - 1))):
        if 0 <= code <= top and code != value:
            yield code, f"{code} in the place of {value}"


def _text_edges(slot: Slot) -> Iterator[CodeEdge]:
    count = slot.bits // 8
    texts = {b"": "empty", b"~" * count: "full", b" ": "one space", b"Az09"[:count]: "letters and digits"}
    for text, words in texts.items():
        yield CodeEdge(_text_code(text, count), words, Status.FINE)
    bad = {
        b"\x1f": "octet 1f in front",
        b"\x7f": "octet 7f in front",
        b"a" * (count - 1) + b"\x80": "octet 80 at its end",
    }
    if count > 1:
        bad |= {b"\0a": "a letter behind a zero", b"\0" * (count - 1) + b"a": "a letter behind zeros"}
    for text, words in bad.items():
        yield CodeEdge(_text_code(text, count), words, Status.NOT_A_VALUE)


def _text_code(text: bytes, count: int) -> int:
    return int.from_bytes(text.ljust(count, b"\0"), "big")


def _octets_edges(slot: Slot) -> Iterator[CodeEdge]:
    count = slot.bits // 8
    for octets, words in (
        (bytes(count), "zeros"),
        (b"\xff" * count, "ones"),
        (bytes(range(0x81, 0x81 + count)) if count < 0x7F else bytes(i & 0xFF for i in range(count)), "rising octets"),
    ):
        yield CodeEdge(int.from_bytes(octets, "big"), words, Status.FINE)


# ---- values ---------------------------------------------------------------------------------------------------------


def value_edges(slot: Slot) -> list[ValueEdge]:
    """Values that an encoder must refuse, bring into the range, or round. Slots without values have none."""
    match slot.transform:
        case Scaled():
            return [*_beyond(slot, slot.transform), *_between(slot, slot.transform)]
        case Choice():
            outside = [code for low, high in gaps(slot) for code in dict.fromkeys((low, high))]
            outside = [*outside, 1 << slot.bits]
            return [ValueEdge(code, f"number {code} is no choice", Status.OUT_OF_RANGE) for code in outside]
        case Flag():
            return [ValueEdge(2, "2 is neither yes nor no", Status.OUT_OF_RANGE)]
        case Text(octets):
            bad = {
                "a" * (octets + 1): "one letter too long",
                "\x1f": "an unprintable letter",
                "\x7f": "a deleted letter",
            }
            return [ValueEdge(text, words, Status.OUT_OF_RANGE) for text, words in bad.items()]
        case Opaque(octets):
            sizes = (octets - 1, octets + 1)
            return [ValueEdge(bytes(size), f"{size} octets", Status.OUT_OF_RANGE) for size in sizes]
        case Binary32():
            return list(_singles())
    return []


def _beyond(slot: Slot, scaled: Scaled) -> Iterator[ValueEdge]:
    """One step beyond each end, and what would come out as the lowest if its high bits were lost."""
    wanted = Status.FINE if scaled.clamp else Status.OUT_OF_RANGE
    wrapped = scaled.lowest + (1 << slot.bits)
    for steps in dict.fromkeys((scaled.lowest - 1, scaled.highest + 1, wrapped)):
        number = _number(steps * scaled.step)
        if number is not None:
            words = f"{scaled.text(steps)} is beyond the range{', the end is sent' if scaled.clamp else ''}"
            yield ValueEdge(number, words, wanted, rounds=scaled.clamp)


def _between(slot: Slot, scaled: Scaled) -> Iterator[ValueEdge]:
    """Quantities between two steps, in the middle just at a tie and beside it, and half a step beyond the ends."""
    if slot.kind not in ("measure", "time"):
        return
    even = (scaled.lowest + scaled.highest) // 4 * 2
    spots = [even + Fraction(part) for part in ("1/2", "3/2", "2/5", "3/5")]
    spots += [Fraction(-1, 2), Fraction(-3, 2)] if scaled.lowest < 0 else []
    spots += [scaled.lowest - Fraction(1, 2), scaled.highest + Fraction(1, 2)]
    for spot in dict.fromkeys(spots):
        value = spot * scaled.step
        number, steps = _number(value), nearest_steps(value, scaled.step)
        if number is None:
            continue
        inside = scaled.lowest <= steps <= scaled.highest
        if inside or scaled.clamp:
            said = scaled.text(min(max(steps, scaled.lowest), scaled.highest))
            yield ValueEdge(number, f"{plain(value)} goes as {said}", Status.FINE, rounds=True)
        else:
            yield ValueEdge(number, f"{plain(value)} is half a step beyond", Status.OUT_OF_RANGE, rounds=True)


def _singles() -> Iterator[ValueEdge]:
    beyond = 3.5e38
    yield ValueEdge(beyond, f"{beyond:g} is beyond the largest", Status.OUT_OF_RANGE)
    yield ValueEdge(-beyond, f"{-beyond:g} is beyond the largest", Status.OUT_OF_RANGE)
    for value in (math.inf, -math.inf, math.nan):
        yield ValueEdge(value, f"{value} cannot be sent", Status.OUT_OF_RANGE)
    yield ValueEdge(0.1, "0.1 goes as the nearest single", Status.FINE, rounds=True)
    yield ValueEdge(1 + 2**-24, "a tie goes to the even single below", Status.FINE, rounds=True)
    yield ValueEdge(1 + 3 * 2**-24, "a tie goes to the even single above", Status.FINE, rounds=True)
    yield ValueEdge(LARGEST + 2.0**102, "a little beyond the largest goes as the largest", Status.FINE, rounds=True)


def _number(value: Fraction) -> int | float | None:
    """The number that JSON can carry exactly, or None: a float's shortest text stands for itself."""
    if value.denominator == 1:
        return value.numerator
    number = float(value)
    return number if exact(number) == value else None


def value_of(slot: Slot, value: Any) -> Any:
    """A plain value in the form that a decoder gives: a special code's name is marked as one."""
    scaled = slot.transform
    return Special(value) if isinstance(scaled, Scaled) and isinstance(value, str) else value
