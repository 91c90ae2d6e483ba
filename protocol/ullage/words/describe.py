"""A layout in words for people: one line a field with its readings and codes, what a frame costs on the air.

Pure, as `annotate` is: `check` prints this, a data sheet may set it. Numbers are computed from the layout, none typed.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from ..airtime import Fsk, LoRa
from ..checksum import Sum
from ..codes import gaps, may_fill
from ..layout import (
    Binary32,
    Choice,
    Entry,
    Fixed,
    Flag,
    Gate,
    Integrity,
    Layout,
    Length,
    Opaque,
    Repeat,
    Scaled,
    Slot,
    Text,
    least_bits,
    most_bits,
)
from ..protocol import Protocol
from ..quantity import places, plain
from ..spec.specfile import LoraTable
from .wording import fixed_point, utc

_UNITS = (("year", 31_557_600), ("day", 86_400), ("h", 3600), ("min", 60), ("s", 1))
_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


@dataclass(frozen=True)
class Line:
    """One field of a frame, or the row before those of a list or group.

    octet: number of the octet in which it begins; None where the line above names it already, and where it depends on
    what is sent. bits: its width, 0 where that varies. name: the field, or the check's name. reading: what it can say.
    codes: what its codes stand for and how many are free. depth: in how many lists and groups it stands. placed:
    whether it begins at the same bit in every frame.
    """

    octet: int | None
    bits: int
    name: str
    reading: str
    codes: str = ""
    depth: int = 0
    placed: bool = True


def describe(layout: Layout, integrity: Integrity | None) -> tuple[Line, ...]:
    """The lines of a frame in wire order: header, fields, lists and groups with what is in them, fill bits, tag, check.

    In a frame with encrypted octets a line of no bits stands before the first field among them.
    """
    lines, before = [], None
    words = _words_of_counters(layout.entries)
    first = layout.sealing.first_octet if layout.sealing else None
    for slot in layout.slots:
        octet = slot.offset // 8
        if first is not None and slot.offset == 8 * first:
            lines.append(_encrypted_line(layout, octet))
            before = octet
        lines.append(_slot_line(slot, layout, words, None if octet == before else octet))
        before = octet
    if first is not None and layout.head_bits == 8 * first:
        lines.append(_encrypted_line(layout, first))
    lines += _loose_lines(layout.tail, layout, words, 0)
    if may_fill(layout):
        lines.append(Line(None, 0, "(fill)", "zeros up to a whole octet", placed=False))
    if layout.sealing:
        lines.append(_tag_line(layout))
    if integrity:
        lines.append(_check_line(layout, integrity))
    return tuple(lines)


def _encrypted_line(layout: Layout, first: int) -> Line:
    upto = _span_of(first, layout.body_octets - 1) if layout.fixed else "all from here on"
    return Line(first, 0, "(encrypted)", f"{upto}, up to the tag")


def _tag_line(layout: Layout) -> Line:
    at = layout.body_octets if layout.fixed else None
    covers = f"over {_span_of(0, layout.body_octets - 1)}" if layout.fixed else "over all octets before it"
    codes = "AES-CCM, opens with the key of the station"
    return Line(at, 8 * layout.tag_octets, "tag", covers, codes, placed=layout.fixed)


def _span_of(first: int, last: int) -> str:
    return f"octet {first}" if first == last else f"octets {first}..{last}"


def _slot_line(slot: Slot, layout: Layout, words: Mapping[str, str], octet: int | None) -> Line:
    reading, codes = _field(slot, layout)
    order = "low octet first" if slot.low_first and slot.bits > 8 else ""
    codes = "; ".join(text for text in (codes, words.get(slot.name, ""), order) if text)
    return Line(octet, slot.bits, slot.name or "(fill)", reading, codes)


def _loose_lines(entries: tuple[Entry, ...], layout: Layout, words: Mapping[str, str], depth: int) -> Iterator[Line]:
    """The lines of what depends on counts and flags."""
    for entry in entries:
        if isinstance(entry, Slot):
            line = _slot_line(entry, layout, words, None)
            yield replace(line, depth=depth, placed=False)
            continue
        yield Line(None, 0, entry.name, *_head(entry), depth=depth, placed=False)
        yield from _loose_lines(entry.entries, layout, _words_of_counters(entry.entries), depth + 1)


def _head(entry: Repeat | Gate) -> tuple[str, str]:
    """Reading and codes in the row of a list or group."""
    bits = numbers(least_bits(entry.entries), most_bits(entry.entries))
    if isinstance(entry, Gate):
        return f"group, there when {entry.when} is yes", f"{bits} bits"
    return f"list, {numbers(entry.least, entry.at_most)} items by {entry.counted_by}", f"{bits} bits an item"


def _words_of_counters(entries: tuple[Entry, ...]) -> dict[str, str]:
    """What the counts and flags among these entries are for, by their names."""
    words: dict[str, list[str]] = {}
    for entry in entries:
        if isinstance(entry, Gate):
            words.setdefault(entry.when, []).append(f"says whether {entry.name} is there")
        elif isinstance(entry, Repeat):
            size = entry.item_octets
            what = f"items of {entry.name}" if size is None else f"octets of {entry.name}, {size} an item"
            words.setdefault(entry.counted_by, []).append(f"counts {what}")
    return {name: "; ".join(texts) for name, texts in words.items()}


def numbers(least: int, most: int) -> str:
    """From least to most: `0..4`, or `4` where they are the same."""
    return str(least) if least == most else f"{least}..{most}"


def _check_line(layout: Layout, integrity: Integrity) -> Line:
    check, first = integrity.check, integrity.first_octet
    remarks = [f"{'high' if integrity.high_first else 'low'} octet first"] if check.octets > 1 else []
    if isinstance(check, Sum):
        name = check.name
        remarks += [f"begins with {check.start}"] if check.start else []
        remarks += ["inverted"] if check.invert else []
    else:
        name = check.name or f"CRC of {check.width} bits"
    if layout.fixed:
        at = layout.octets - check.octets
        covers = f"over octets {first}..{at - 1}"
        return Line(at, 8 * check.octets, name, covers, "; ".join(remarks))
    covers = f"over all octets before it, from octet {first} on" if first else "over all octets before it"
    return Line(None, 8 * check.octets, name, covers, "; ".join(remarks), placed=False)


def _field(slot: Slot, layout: Layout) -> tuple[str, str]:
    """Reading and codes of one field."""
    match slot.transform:
        case Fixed() as fixed:
            unused = slot.kind in ("spare", "fill")
            return ("unused, zero", "") if unused else (str(fixed.value), "")
        case Flag():
            return "yes or no", "1 yes, 0 no"
        case Choice() as choice:
            codes = ", ".join(f"{code.code} {code.name}" for code in choice.codes)
            return f"one of {len(choice.codes)}", codes + _unused(slot, "; ")
        case Text() as text:
            return f"text, up to {text.octets} characters", "ASCII 20..7e, zeros at the end"
        case Opaque() as opaque:
            return _count(opaque.octets, "octet"), ""
        case Binary32(unit):
            return f"any number{f' of {unit}' if unit else ''}", "IEEE 754 single precision"
        case Length() as length:
            return "octets of the whole frame" if length.covers == "frame" else "octets after it", ""
        case Scaled() as scaled:
            return _scaled(slot, scaled, layout)


def _scaled(slot: Slot, scaled: Scaled, layout: Layout) -> tuple[str, str]:
    if scaled.epoch:
        return _time(scaled)
    if slot.kind == "destination":
        return _destination(scaled)
    if slot.kind == "source":
        return f"station {limits(scaled)}", ""
    if slot.kind == "sequence":
        if layout.sealing and scaled.counter_bits is not None and scaled.counter_bits > slot.bits:
            return f"low {slot.bits} of {scaled.counter_bits} bits of the counter", _again(slot, layout)
        return f"{limits(scaled)}, then 0 again", _again(slot, layout)
    specials = ", ".join(f"{special.code} {special.name}" for special in scaled.specials)
    codes = specials + _unused(slot, "; " if specials else "")
    return limits(scaled), codes + (("; " if codes else "") + "clamped" if scaled.clamp else "")


def limits(scaled: Scaled) -> str:
    """The range with unit and step, all with the decimals of the step: `2.00..4.50 V by 0.01 V`."""
    decimals, unit = places(scaled.step), f" {scaled.unit}" if scaled.unit else ""
    low, high, step = (fixed_point(n * scaled.step, decimals) for n in (scaled.lowest, scaled.highest, 1))
    return f"{low}..{high}{unit}" + (f" by {step}{unit}" if unit or scaled.step != 1 else "")


def _time(scaled: Scaled) -> tuple[str, str]:
    step = f"by {plain(scaled.step)} s"
    end = scaled.highest * scaled.step
    if scaled.epoch == "start":
        return f"time since a start, {step}", f"lasts {span(end)}"
    last = utc(Fraction(int(end)))
    return f"UTC, {step}", f"until {last}" if last.endswith("Z") else "beyond the year 9999"


def _destination(scaled: Scaled) -> tuple[str, str]:
    everybody, low, high = scaled.broadcast, scaled.lowest, scaled.highest
    if everybody is None:
        return f"station {low}..{high}", ""
    if everybody == high:
        high -= 1
    elif everybody == low:
        low += 1
    return f"station {low}..{high}", f"{everybody} everybody"


def _again(slot: Slot, layout: Layout) -> str:
    if not layout.interval_s:
        return ""
    return f"in {span((1 << slot.bits) * layout.interval_s)} at one every {_every(layout.interval_s)}"


def _unused(slot: Slot, joint: str) -> str:
    count = sum(last - first + 1 for first, last in gaps(slot))
    return f"{joint}{count} unused" if count else ""


def span(seconds: Fraction) -> str:
    """A length of time in one unit, cut to what is full: `455 days`."""
    for name, size in _UNITS:
        if seconds >= 2 * size:
            return _count(int(seconds / size), name)
    return f"{plain(seconds)} s"


def _every(seconds: Fraction) -> str:
    for name, size in _UNITS[1:]:
        if seconds % size == 0:
            count = int(seconds / size)
            return name if count == 1 and name == "day" else _count(count, name)
    return f"{plain(seconds)} s"


def _count(count: int, word: str) -> str:
    return f"{count} {word}{'s' if count != 1 and word in ('year', 'day', 'octet') else ''}"


# ---- what a frame costs on the air -----------------------------------------------------------------------------


def radio(protocol: Protocol) -> LoRa | Fsk | None:
    """The radio of the spec's [radio] table, or None where it has none."""
    table = protocol.radio
    if table is None:
        return None
    settings: dict[str, Any] = {key: value for key, value in table if key != "modulation"}
    return LoRa(**settings) if isinstance(table, LoraTable) else Fsk(**settings)


def radio_settings(settings: LoRa | Fsk) -> str:
    """A radio's settings in one breath; what is as usual is left out: `SF9, 125 kHz, 4/5`."""
    if isinstance(settings, Fsk):
        return f"FSK, {plain(Fraction(settings.bit_rate) / 1000)} kbit/s"
    usual = LoRa(settings.spreading_factor, settings.bandwidth_khz, settings.coding_rate)
    words = [f"SF{settings.spreading_factor}", f"{plain(settings.bandwidth_khz)} kHz", settings.coding_rate]
    if settings.preamble_symbols != usual.preamble_symbols:
        words.append(f"preamble {settings.preamble_symbols}")
    if not settings.explicit_header:
        words.append("implicit header")
    if not settings.crc:
        words.append("no radio CRC")
    if settings.optimises_low_data_rate != usual.optimises_low_data_rate:
        words.append(f"low data rate {'on' if settings.low_data_rate else 'off'}")
    return ", ".join(words)


def next_octet(settings: LoRa | Fsk, octets: int) -> str:
    """What a longer frame would cost: `two more octets cost nothing, the 13th costs 20 ms`."""
    step = settings.next_step(octets)
    if step is None:
        return "no longer frame takes more time"
    at, cost = step
    free = at - octets - 1
    if not free:
        return f"the {ordinal(at)} octet costs {air_time(cost)}"
    number = _WORDS[free] if free < len(_WORDS) else str(free)
    more = "more octet costs" if free == 1 else "more octets cost"
    return f"{number} {more} nothing, the {ordinal(at)} costs {air_time(cost)}"


def air_time(us: Fraction) -> str:
    """A time on air with the digits that matter: 1.7 ms, 144 ms, 12.3 s."""
    ms = us / 1000
    if ms >= 10_000:
        return f"{float(ms / 1000):.1f} s"
    return f"{round(ms)} ms" if ms >= 10 else f"{float(ms):.2g} ms"


def air_times(shortest: Fraction, longest: Fraction) -> str:
    """From one time on air to another: `62..103 ms`."""
    low, high = air_time(shortest), air_time(longest)
    number, unit = low.split()
    return high if low == high else f"{number}..{high}" if high.endswith(f" {unit}") else f"{low}..{high}"


def ordinal(number: int) -> str:
    """1st, 2nd, 3rd, 11th, 22nd."""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"
