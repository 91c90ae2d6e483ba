"""What the author of a sound spec should still think about: no faults, each with its place and a way out.

One small function a rule, over the layouts; the text is read again only to find places. What an author has fixed by
hand (`bits`, the low octet first) is taken as a given wire format and not advised away.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from ..codes import gaps
from ..crc import Crc
from ..errors import Fault
from ..layout import Binary32, Entry, Layout, Repeat, Scaled, Slot
from ..protocol import Protocol
from ..quantity import places, plain
from ..words.wording import fixed_point
from .crc_strength import fewest_unseen
from .fields import fewest
from .reading import Path, one_line, parse_toml, place
from .seal_advice import Found, seal_advice
from .unit_names import known, nearest_unit

UNUSED = Fraction(2, 5)
"""From this part of unused codes on, a field wider than UNUSED_BITS is advised to use or to lose them (our choice)."""
UNUSED_BITS = 8
CHEAP_BITS = 2
"""So many bits above whole octets are cheap to save (our choice)."""

_LENGTHS = ("m", "dm", "cm", "mm")
_PER_CENT = ("%", "/100", "percent")


@dataclass(frozen=True)
class Advice(Fault):
    """Something that a spec may well mean, but that its author should know. The same attributes as a fault's."""


@dataclass(frozen=True)
class _Field:
    """A slot with the entries around it, the frame, its path in the file and its keys there."""

    slot: Slot
    beside: tuple[Entry, ...]
    layout: Layout
    path: Path
    keys: dict[str, Any]

    @property
    def scaled(self) -> Scaled | None:
        """The transform of a measure, else None."""
        transform = self.slot.transform
        return transform if self.slot.kind == "measure" and isinstance(transform, Scaled) else None


def advice(protocol: Protocol, text: str) -> tuple[Advice, ...]:
    """All advice for a spec, in the order of its file, none twice.

    protocol: as loaded from `text`, which is TOML. Returns advice with line, column and span, as a fault has them.
    """
    from .positions import placed

    data = parse_toml(text, "spec")
    fields = [field for layout in protocol.frames.values() for field in _fields(layout, data)]
    found = [item for field in fields for rule in _FIELD_RULES for item in rule(field)]
    for layout in protocol.frames.values():
        path = _frame_path(layout, data)
        aligned = protocol.seal is not None
        found += [*_order(layout, path, fields), *_spare(layout, path, aligned), *_octet(layout, fields)]
    found += [*_sequence(fields), *_check(protocol), *seal_advice(protocol, data)]
    items = [
        Advice(code, path, place(path, data), one_line(said), help_text and one_line(help_text))
        for code, path, said, help_text in found
    ]
    first: dict[tuple[str, Path], Advice] = {}
    for item in items:  # what stands in the header or a part is told once, not once a frame
        first.setdefault((item.code, item.path), item)
    return tuple(item for item in placed(first.values(), text) if isinstance(item, Advice))


# ---- where fields stand in the file ----------------------------------------------------------------------------


def _frame_path(layout: Layout, data: dict[str, Any]) -> Path:
    return ("frame", next(k for k, frame in enumerate(data["frame"]) if frame["name"] == layout.name))


def _fields(layout: Layout, data: dict[str, Any]) -> Iterator[_Field]:
    path = _frame_path(layout, data)
    header = data.get("header", {})
    known_fields = [*_items(header, ("header",), data), *_items(data["frame"][path[1]], path, data)]
    yield from _entries(layout.entries, layout, known_fields, data)


def _items(table: dict[str, Any], path: Path, data: dict[str, Any]) -> Iterator[tuple[dict[str, Any], Path]]:
    """The fields of a table with their paths, parts put in their places."""
    for place_in, keys in enumerate(table.get("field", ())):
        here = (*path, "field", place_in)
        if keys.get("kind") == "part":
            k = next(k for k, part in enumerate(data["part"]) if part["name"] == keys["part"])
            yield from _items(data["part"][k], ("part", k), data)
        else:
            yield keys, here


def _entries(
    entries: tuple[Entry, ...], layout: Layout, items: list[tuple[dict[str, Any], Path]], data: dict[str, Any]
) -> Iterator[_Field]:
    by_name = {keys["name"]: (keys, path) for keys, path in items if keys.get("name")}
    for entry in entries:
        keys, path = by_name.get(entry.name, ({}, _frame_path(layout, data)))
        if isinstance(entry, Slot):
            yield _Field(entry, entries, layout, path, keys)
        else:
            yield from _entries(entry.entries, layout, list(_items(keys, path, data)), data)


# ---- rules of one field ----------------------------------------------------------------------------------------


def _silent(field: _Field) -> Iterator[Found]:
    """A measure with neither clamp nor special code, and free codes."""
    scaled, slot = field.scaled, field.slot
    if scaled is None or scaled.clamp or scaled.specials or slot.role in ("order", "expiry"):
        return
    free = sum(last - first + 1 for first, last in gaps(slot))
    if not free:
        return  # a range that fills its bits is most often that of a register: there is nothing outside
    text = f'"{slot.name}" has neither clamp nor special code: beyond {_limits(scaled)} nothing is sent'
    ways = ["clamp = true", f'special = ["unknown"] ({free} code{"s are" if free > 1 else " is"} free)']
    if not scaled.signed and scaled.first == scaled.lowest and scaled.unit not in _PER_CENT:
        high = plain((scaled.lowest + (1 << slot.bits) - 1) * scaled.step)
        ways.append(f"range = [{plain(scaled.lowest * scaled.step)}, {high}] (the same bits hold it)")
    yield "silent", field.path, text, ", or ".join(ways)


def _limits(scaled: Scaled) -> str:
    decimals = places(scaled.step)
    low, high = (fixed_point(end * scaled.step, decimals) for end in (scaled.lowest, scaled.highest))
    return f"{low}..{high} {scaled.unit}".rstrip()


def _unused(field: _Field) -> Iterator[Found]:
    """A range that leaves many codes of its bits unused."""
    slot, scaled = field.slot, field.slot.transform
    if slot.kind not in ("measure", "count") or not isinstance(scaled, Scaled) or "bits" in field.keys:
        return
    if any(isinstance(entry, Repeat) and entry.counted_by == slot.name for entry in field.beside):
        return
    codes = 1 << slot.bits
    free = sum(last - first + 1 for first, last in gaps(slot))
    if slot.bits <= UNUSED_BITS or free <= UNUSED * codes:
        return
    text = f'{free} of the {codes} codes of "{slot.name}" stand for nothing'
    help_text = "a wider range costs no more"
    if not scaled.signed and not isinstance(field.keys.get("special"), dict):
        wide, narrow = (scaled.first + (1 << bits) - 1 - len(scaled.specials) for bits in (slot.bits, slot.bits - 1))
        low, high, less = (plain(steps * scaled.step) for steps in (scaled.lowest, wide, narrow))
        help_text = f"range = [{low}, {high}] costs no more"
        help_text += f"; range = [{low}, {less}] saves a bit" if narrow > scaled.lowest else ""
    yield "unused_codes", field.path, text, help_text


def _worked_out(field: _Field) -> Iterator[Found]:
    """Per cent beside a level or distance: the receiver knows the vessel and can work it out."""
    scaled = field.scaled
    if scaled is None or scaled.unit not in _PER_CENT or field.slot.role not in (None, "level"):
        return
    for other in field.beside:
        if isinstance(other, Slot) and other.kind == "measure" and other is not field.slot:
            unit = getattr(other.transform, "unit", "")
            if unit in _LENGTHS or (other.role == "level" and unit not in _PER_CENT):
                text = f'the receiver can work out "{field.slot.name}" from "{other.name}"'
                yield "worked_out", field.path, text, f"leave it out: {field.slot.bits} bits less in every frame"
                return


def _nobody(field: _Field) -> Iterator[Found]:
    """A destination without a broadcast address."""
    slot, scaled = field.slot, field.slot.transform
    if slot.kind == "destination" and isinstance(scaled, Scaled) and scaled.broadcast is None:
        text = f'"{slot.name}" keeps no code for everybody; it cannot be reserved once stations have all of them'
        yield "no_broadcast", field.path, text, f"broadcast = {scaled.highest}"


def _unit(field: _Field) -> Iterator[Found]:
    """A unit that no list of names knows, and SenML's per-cent trap."""
    transform = field.slot.transform
    unit = transform.unit if isinstance(transform, Scaled | Binary32) and field.slot.kind != "time" else ""
    if unit == "%":
        text = '"%" is per cent in UCUM, but the plain ratio 1 in SenML: there it reads a hundred times too much'
        help_text = 'unit = "/100" for SenML (RFC 8798); "%RH" for humidity, "%EL" for a battery\'s charge (RFC 8428)'
        yield "per_cent", (*field.path, "unit"), text, help_text
    elif not known(unit):
        near = nearest_unit(unit)
        text = f'"{unit}" is neither a SenML unit nor a common UCUM code'
        help_text = f'unit = "{near}"' if near else "SenML: RFC 8428, section 12.1, and RFC 8798"
        yield "unknown_unit", (*field.path, "unit"), text, help_text


_FIELD_RULES: tuple[Callable[[_Field], Iterator[Found]], ...] = (_silent, _unused, _worked_out, _nobody, _unit)


# ---- rules of a frame ------------------------------------------------------------------------------------------


def _order(layout: Layout, path: Path, fields: list[_Field]) -> Iterator[Found]:
    """An order that everybody can send, or that holds for ever."""
    roles = {slot.role for slot in layout.every_slot}
    here = next((field.path for field in fields if field.layout is layout and field.slot.role == "order"), path)
    if "order" in roles and layout.sealing is None:
        text = "this order is not sealed: anyone with such a radio can send it"
        yield "unsealed_order", here, text, "a table [seal]; whatever it moves has to stay safe whoever sends it"
    if "order" in roles and "expiry" not in roles:
        text = "this order never expires: when the next one is lost, it holds for ever"
        yield "lasting_order", here, text, 'a field with role = "expiry" that the other end obeys'


def _spare(layout: Layout, path: Path, aligned: bool) -> Iterator[Found]:
    """Spare bits that make up a whole octet. aligned: those before encrypted octets may have to be there."""
    first = layout.sealing.first_octet if layout.sealing else None
    start = 8 * first if first is not None else layout.slots[layout.header_slots - 1].end if layout.header_slots else 0
    slots = [slot for slot in layout.slots if not aligned or slot.offset >= start]
    spare = [slot for slot in slots if slot.kind == "spare"]
    free = sum(slot.bits for slot in slots if slot.kind in ("spare", "fill"))
    if not spare or free < 8 or not layout.fixed or any(slot.low_first for slot in layout.slots):
        return
    used = sum(slot.bits for slot in layout.slots) - free
    octets = -(-used // 8) + layout.end_octets
    text = f"{free} bits of this frame are spare: it takes {layout.octets} octets, without them {octets}"
    yield (
        "spare_octet",
        path,
        text,
        "leave spare out and write its neighbours side by side: no field needs whole octets",
    )


def _octet(layout: Layout, fields: list[_Field]) -> Iterator[Found]:
    """One or two bits above whole octets that a measure of the frame could do without."""
    free = sum(slot.bits for slot in layout.slots if slot.kind in ("spare", "fill"))
    if not layout.fixed or any(slot.low_first for slot in layout.slots) or free >= 8:
        return
    over = sum(slot.bits for slot in layout.slots if slot.kind != "fill") % 8
    if not 0 < over <= CHEAP_BITS:
        return
    bits = f"{over} bit{'s' * (over > 1)}"
    text = f"{bits} less would save an octet of this frame: {layout.octets - 1} instead of {layout.octets}"
    for field in fields:
        saves = _saving(field, over) if field.layout is layout and field.path[0] != "header" else None
        if saves:
            yield "cheap_octet", field.path, text, saves
            return


def _saving(field: _Field, over: int) -> str | None:
    """How a measure can save so many bits: a slightly smaller range, or a step of twice to ten times the size."""
    scaled, bits = field.scaled, field.slot.bits
    if scaled is None or "bits" in field.keys or isinstance(field.keys.get("special"), dict) or bits <= over:
        return None
    aim, specials = bits - over, len(scaled.specials)
    if not scaled.signed and scaled.first == scaled.lowest:
        span, fits = scaled.highest - scaled.lowest, (1 << aim) - 1 - specials
        if fits >= Fraction(95, 100) * span:
            ends_text = ", ".join(plain(end * scaled.step) for end in (scaled.lowest, scaled.lowest + fits))
            return f"range = [{ends_text}]: {aim} bits instead of {bits}"
    for times in (2, 4, 5, 10):
        ends = (scaled.lowest, scaled.highest, scaled.first)
        if math.gcd(*ends, times) == times:
            low, top, first = (end // times for end in ends)
            if fewest(Scaled("", scaled.step, first, low, top, scaled.signed), specials, []) <= aim:
                return f"step = {plain(scaled.step * times)}: {aim} bits or less instead of {bits}"
    return None


# ---- rules of the protocol -------------------------------------------------------------------------------------


def _sequence(fields: list[_Field]) -> Iterator[Found]:
    """A sequence number that begins again within an hour."""
    for field in fields:
        every = field.layout.interval_s
        if field.slot.kind != "sequence" or not every or field.layout.sealing:  # a seal has the whole counter
            continue
        again = (1 << field.slot.bits) * every
        if again < 3600:
            bits = (math.ceil(Fraction(3600) / every) - 1).bit_length()
            text = f'"{field.slot.name}" begins again after {_minutes(again)}: a frame as old as that looks new'
            yield "short_sequence", field.path, text, f"bits = {max(16, bits)}"


def _minutes(seconds: Fraction) -> str:
    return f"{int(seconds / 60)} min" if seconds >= 120 else f"{plain(seconds)} s"


def _check(protocol: Protocol) -> Iterator[Found]:
    """A CRC that can overlook two or three flipped bits in the longest frame."""
    integrity = protocol.integrity
    if integrity is None or not isinstance(integrity.check, Crc):
        return
    crc = integrity.check
    layout = max(protocol.frames.values(), key=lambda layout: layout.octets)
    octets = layout.octets - layout.check_octets - integrity.first_octet
    unseen = fewest_unseen(crc.width, crc.poly, octets)
    if unseen is not None:
        number = {2: "two", 3: "three"}[unseen]
        name = crc.name or f"a CRC of {crc.width} bits with this polynomial"
        text = f'over the {octets} octets of "{layout.name}" {name} can overlook {number} flipped bits'
        # P. Koopman's tables: HD 4 up to 32 751 data bits for 0x1021 (0x8810 in his notation).
        help_text = 'crc = "CRC-16/IBM-3740" finds any three in frames of every length'
        yield "weak_crc", ("integrity", "crc"), text, help_text
