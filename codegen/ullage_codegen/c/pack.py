"""Bits in and out of octets as straight-line C expressions: no loops over bits, a cast before every shift.

One octet is the OR of the slots that lie in it; one slot is the OR of the octets that it lies in.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ullage.layout import Fixed, Slot

from .model import CType, unsigned


@dataclass(frozen=True)
class Piece:
    """Bits of a slot, or of one element of an array, as they lie in the frame.

    offset, bits: place in the frame. source: a C expression of an unsigned type that holds the code (encoding).
    """

    offset: int
    bits: int
    source: str

    @property
    def end(self) -> int:
        """The bit after the last one."""
        return self.offset + self.bits


def octet_expression(index: int, pieces: Sequence[Piece], constant: int) -> str:
    """The C expression that gives one octet of the frame.

    index: which octet. pieces: those that lie in it at least partly, in wire order. constant: fixed bits in it.
    """
    terms = [_term(index, piece) for piece in pieces]
    if constant or not terms:
        terms.insert(0, f"0x{constant:02x}u")
    if len(terms) == 1:
        return terms[0]
    joined = terms[0]
    for term in terms[1:]:
        joined = f"(uint8_t)({joined} | {term})"
    return joined


def _term(index: int, piece: Piece) -> str:
    shift = piece.end - 8 * (index + 1)
    if shift > 0:
        return f"(uint8_t)({piece.source} >> {shift})"
    if shift < 0:
        return f"(uint8_t)({_narrow(piece)} << {-shift})"
    return f"(uint8_t){piece.source}" if piece.bits > 8 else piece.source


def _narrow(piece: Piece) -> str:
    return f"(uint8_t){piece.source}" if piece.bits > 8 else piece.source


def constant_bits(slots: Sequence[Slot], octets: int) -> list[int]:
    """The bits of constants, message code and revision, octet by octet."""
    word = 0
    for slot in slots:
        if isinstance(slot.transform, Fixed):
            word |= slot.transform.value << (8 * octets - slot.end)
    return list(word.to_bytes(octets, "big"))


def low_first_expression(slot: Slot, octet: Callable[[int], str]) -> str:
    """The C expression that reads a slot of whole octets at a whole octet, the lowest octet first."""
    ctype = unsigned(slot.bits)
    joined = ""
    for place in range(slot.bits // 8):
        text = octet(slot.offset // 8 + place)
        if ctype.bits > 8:
            text = f"({ctype.name})(({ctype.name}){text} << {8 * place})" if place else f"({ctype.name}){text}"
        joined = f"({ctype.name})({joined} | {text})" if joined else text
    return joined


def slot_expression(slot: Slot, octet: Callable[[int], str]) -> str:
    """The C expression that reads a slot's code, in the order of its octets."""
    if slot.low_first:
        return low_first_expression(slot, octet)
    return code_expression(slot.offset, slot.bits, octet)


def code_expression(offset: int, bits: int, octet: Callable[[int], str]) -> str:
    """The C expression that reads the code at a place of the frame.

    offset, bits: the place. octet: gives the C expression of the octet with this index.
    """
    ctype = unsigned(bits)
    end = offset + bits
    joined = ""
    for index in range(offset // 8, (end + 7) // 8):
        first, last = max(offset, 8 * index), min(end, 8 * index + 8)
        term = _read_term(octet(index), first - 8 * index, 8 * index + 8 - last, end - last, ctype)
        joined = f"({ctype.name})({joined} | {term})" if joined else term
    return joined


def _read_term(octet: str, skip: int, below: int, up: int, ctype: CType) -> str:
    """One octet's part: skip bits above it are masked off, below bits shifted out, the rest moved up."""
    mask = (0xFF >> skip) & (0xFF << below) & 0xFF
    text = octet if not skip else f"(uint8_t)({octet} & 0x{mask:02x}u)"
    if below:
        text = f"(uint8_t)({text} >> {below})"
    if up:
        return f"({ctype.name})(({ctype.name}){text} << {up})" if ctype.bits > 8 else f"(uint8_t)({text} << {up})"
    return f"({ctype.name}){text}" if ctype.bits > 8 else text
