"""The rows of a frame's table of fields: places in both numberings, range, step, unit, codes, role, and an example."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from ullage import Protocol
from ullage.checksum import Sum
from ullage.codes import gaps
from ullage.crc import Crc
from ullage.layout import Binary32, Choice, Entry, Fixed, Flag, Layout, Length, Opaque, Repeat, Scaled, Slot, Text
from ullage.quantity import places
from ullage.words.wording import fixed_point, reading

from ..javascript.tables import slot_ids
from .rulers import caption

_RESERVED = ("spare", "fill")


@dataclass(frozen=True)
class FieldRow:
    """One line of the table. id: None for the line of a list or group; depth: how many of them it stands in.

    octets, bits: its place, "" where that depends on what is sent; register: the same as registers count, octet:bit.
    codes: what single codes stand for, a sentence each. example: its value in the worked example, a line an item.
    hidden: whether it is encrypted.
    """

    id: str | None
    name: str
    kind: str
    depth: int
    octets: str = ""
    bits: str = ""
    register: str = ""
    wide: str = ""
    range: str = ""
    step: str = ""
    unit: str = ""
    codes: tuple[str, ...] = ()
    role: str = ""
    summary: str = ""
    key: str = ""
    example: tuple[str, ...] = ()
    hidden: bool = False

    @property
    def about(self) -> str:
        """Kind, role, encryption and summary in one breath; a kind that is the name is not said again."""
        words = [self.kind] if self.kind != self.name else []
        words += [f"role {self.role}"] if self.role else []
        words += ["encrypted"] if self.hidden else []
        return ": ".join(part for part in (", ".join(words), self.summary) if part)


def field_rows(
    protocol: Protocol, layout: Layout, number: int, keyed: dict[str, str], values: dict[str, Any]
) -> tuple[FieldRow, ...]:
    """The lines of a frame, header first, tag and check last.

    number: the frame's place in the protocol. keyed: letters on the rulers. values: of the worked example.
    """
    maker = _Rows(protocol, layout, slot_ids(number, layout), keyed)
    rows = list(maker.scope(layout.entries, 0, [values]))
    if layout.sealing:
        rows.append(_tag_row(layout, number))
    if protocol.integrity:
        rows.append(_check_row(protocol, layout, number))
    return tuple(rows)


def _tag_row(layout: Layout, number: int) -> FieldRow:
    octets, bits, register = _place(8 * layout.body_octets, 8 * layout.tag_octets) if layout.fixed else ("", "", "")
    covers = f"over octets 0..{layout.body_octets - 1}" if layout.fixed else "over all octets before it"
    codes = (covers, "opens with the key of the station")
    return FieldRow(
        f"f{number}tag", "tag", "AES-CCM", 0, octets, bits, register, str(8 * layout.tag_octets), codes=codes
    )


def _check_row(protocol: Protocol, layout: Layout, number: int) -> FieldRow:
    integrity = protocol.integrity
    assert integrity is not None
    at = layout.octets - layout.check_octets
    octets, bits, register = _place(8 * at, 8 * layout.check_octets) if layout.fixed else ("", "", "")
    order = () if integrity.octets == 1 else (f"{'high' if integrity.high_first else 'low'} octet first",)
    covers = f"over octets {integrity.first_octet}..{at - 1}"
    if not layout.fixed:
        covers = f"over octet {integrity.first_octet} and all that follow, up to it"
    wide = str(8 * layout.check_octets)
    kind = check_words(integrity.check)
    return FieldRow(f"f{number}check", integrity.noun, kind, 0, octets, bits, register, wide, codes=(covers, *order))


def check_words(check: Crc | Sum) -> str:
    """What the check is called: the catalogue's name, or what kind it is."""
    return check.name or f"CRC of {check.width} bits" if isinstance(check, Crc) else check.name


@dataclass(frozen=True)
class _Rows:
    protocol: Protocol
    layout: Layout
    ids: dict[int, str]
    keyed: dict[str, str]

    def scope(self, entries: tuple[Entry, ...], depth: int, values: list[dict[str, Any]]) -> Iterator[FieldRow]:
        """The lines of one scope. values: of all its items, in the example."""
        for entry in entries:
            if isinstance(entry, Slot):
                yield self._slot(entry, depth, values)
                continue
            inside: list[dict[str, Any]] = []
            for one in values:
                found = one.get(entry.name)
                if found is not None:
                    inside += found if isinstance(entry, Repeat) else [found]
            kind = "list" if isinstance(entry, Repeat) else "group"
            yield FieldRow(None, entry.name, kind, depth, codes=(caption(entry),), summary=entry.summary)
            yield from self.scope(entry.entries, depth + 1, inside)

    def _slot(self, slot: Slot, depth: int, values: list[dict[str, Any]]) -> FieldRow:
        known = any(slot is one for one in self.layout.slots)
        octets, bits, register = _place(slot.offset, slot.bits) if known else ("", "", "")
        name = self.ids[id(slot)]
        range_, step, unit = _numbers(slot)
        codes = tuple(self._codes(slot))
        low = ("low octet first",) if slot.low_first else ()
        example = tuple(self._example(slot, values))
        return FieldRow(
            name, slot.name or "fill", slot.kind, depth, octets, bits, register, str(slot.bits), range_, step, unit,
            (*codes, *low), slot.role or "", slot.summary, self.keyed.get(name, ""), example, self._hidden(slot, known),
        )  # fmt: skip

    def _hidden(self, slot: Slot, known: bool) -> bool:
        """Whether a slot is encrypted. known: whether it stands at a fixed place; what does not stands behind those."""
        first = self.layout.sealing.first_octet if self.layout.sealing else None
        return first is not None and (not known or slot.offset >= 8 * first)

    def _example(self, slot: Slot, values: list[dict[str, Any]]) -> Iterator[str]:
        if isinstance(slot.transform, Fixed):
            yield from (str(slot.transform.value) for _ in values)
        yield from (reading(slot, one[slot.name]) for one in values if slot.name in one)

    def _codes(self, slot: Slot) -> Iterator[str]:
        match slot.transform:
            case Scaled() as scaled:
                yield from _scaled_codes(slot, scaled)
            case Choice() as choice:
                yield from (f"{code.code} {code.name}" for code in choice.codes)
                yield from _refused(slot)
            case Flag():
                yield from ("1 yes", "0 no")
            case Text(octets):
                yield f"up to {octets} characters: ASCII 20..7e, zeros only at the end"
            case Opaque(octets):
                yield f"{_octets(octets)}, as they are"
            case Binary32():
                yield "IEEE 754 single precision; NaN and infinities are refused"
            case Length(covers):
                yield "octets of the whole frame" if covers == "frame" else "octets that follow this field"
            case Fixed(value):
                yield "zero" if slot.kind in _RESERVED else f"always {value}"


def _scaled_codes(slot: Slot, scaled: Scaled) -> Iterator[str]:
    if slot.kind in ("measure", "count") and (scaled.first or scaled.step != 1 or scaled.signed or scaled.specials):
        signed = "two's complement; " if scaled.signed else ""
        yield f"{signed}code 0 is {_fixed(scaled, scaled.first)}{f' {scaled.unit}' if scaled.unit else ''}"
    if scaled.broadcast is not None:
        yield f"{scaled.broadcast} everybody"
    if scaled.counter_bits is not None and scaled.counter_bits > slot.bits:
        yield f"low {slot.bits} of the {scaled.counter_bits} bits of the sender's counter"
    elif slot.kind == "sequence":
        yield f"one more for each frame; {scaled.highest} is followed by 0 (RFC 1982)"
    if scaled.epoch:
        yield "since 1970-01-01 00:00 UTC" if scaled.epoch == "unix" else "since the start"
    yield from (f"{special.code} {special.name}" for special in scaled.specials)
    yield from _refused(slot)
    if scaled.clamp:
        yield "beyond the range its nearer end is sent"


def _refused(slot: Slot) -> Iterator[str]:
    free = gaps(slot)
    count = sum(last - first + 1 for first, last in free)
    if count:
        codes = [str(first) if first == last else f"{first}..{last}" for first, last in free]
        yield f"{', '.join(codes)} refused" if len(codes) <= 3 else f"{count} other codes refused"


def _numbers(slot: Slot) -> tuple[str, str, str]:
    """Range, step and unit."""
    if isinstance(slot.transform, Binary32):
        return "", "", slot.transform.unit
    scaled = slot.transform
    if not isinstance(scaled, Scaled):
        return "", "", ""
    low, high = scaled.lowest, scaled.highest
    if scaled.broadcast is not None and scaled.broadcast in (low, high) and low < high:
        low, high = (low + 1, high) if scaled.broadcast == low else (low, high - 1)
    unit = "s" if scaled.epoch else scaled.unit
    return f"{_fixed(scaled, low)}..{_fixed(scaled, high)}", _fixed(scaled, 1), unit


def _fixed(scaled: Scaled, steps: int) -> str:
    return fixed_point(steps * scaled.step, places(scaled.step))


def _place(offset: int, bits: int) -> tuple[str, str, str]:
    """Octets, bits, and octet:bit as registers count, of something at a fixed place."""
    last = offset + bits - 1
    octets = str(offset // 8) if offset // 8 == last // 8 else f"{offset // 8}..{last // 8}"
    span = str(offset) if bits == 1 else f"{offset}..{last}"
    begin, end = f"{offset // 8}:{7 - offset % 8}", f"{last // 8}:{7 - last % 8}"
    return octets, span, begin if bits == 1 else f"{begin}..{end}"


def _octets(count: int) -> str:
    return f"{count} octet" if count == 1 else f"{count} octets"
