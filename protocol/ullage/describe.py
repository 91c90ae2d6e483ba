"""A layout in words for people: one line a field with its readings and codes, what a frame costs on the air, advice.

Pure, as `annotate` is: `check` prints this, a data sheet may set it. Numbers are computed from the layout, none typed.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from .airtime import Fsk, LoRa
from .codes import gaps
from .layout import Choice, Fixed, Flag, Integrity, Layout, Opaque, Scaled, Slot, Text
from .protocol import Protocol
from .quantity import places, plain
from .specfile import LoraTable
from .wording import fixed_point, utc

_UNITS = (("year", 31_557_600), ("day", 86_400), ("h", 3600), ("min", 60), ("s", 1))
_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


@dataclass(frozen=True)
class Line:
    """One field of a frame.

    octet: number of the octet in which it begins, None where the line above names it already. bits: its width.
    name: the field, or the CRC's name. reading: what it can say. codes: what its codes stand for and how many are free.
    """

    octet: int | None
    bits: int
    name: str
    reading: str
    codes: str = ""


@dataclass(frozen=True)
class Advice:
    """Something that a spec may well mean, but that its author should know. place: frame or field; help: what to do."""

    place: str
    text: str
    help: str


def describe(layout: Layout, integrity: Integrity | None) -> tuple[Line, ...]:
    """The lines of a frame, in wire order: header, fields, fill bits, CRC."""
    lines, before = [], None
    for slot in layout.slots:
        octet = slot.offset // 8
        reading, codes = _field(slot, layout)
        lines.append(Line(None if octet == before else octet, slot.bits, slot.name or "(fill)", reading, codes))
        before = octet
    if integrity:
        lines.append(_crc_line(layout, integrity))
    return tuple(lines)


def _crc_line(layout: Layout, integrity: Integrity) -> Line:
    crc = integrity.check
    order = "" if crc.octets == 1 else f"{'high' if integrity.high_first else 'low'} octet first"
    covers = f"over octets {integrity.first_octet}..{layout.body_octets - 1}"
    return Line(layout.body_octets, 8 * crc.octets, crc.name or f"CRC of {crc.width} bits", covers, order)


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


def ordinal(number: int) -> str:
    """1st, 2nd, 3rd, 11th, 22nd."""
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


# ---- advice ----------------------------------------------------------------------------------------------------


def advice(protocol: Protocol) -> tuple[Advice, ...]:
    """What the author of a sound spec should still think about."""
    return tuple(item for layout in protocol.frames.values() for item in _advice(layout))


def _advice(layout: Layout) -> Iterator[Advice]:
    roles = {slot.role for slot in layout.slots}
    if "order" in roles:
        yield Advice(
            f'frame "{layout.name}"',
            "an order, not sealed: anyone with such a radio can send it",
            "whatever it moves has to stay safe whoever sends it",
        )
        if "expiry" not in roles:
            text = "an order that never expires: when the next one is lost, it holds for ever"
            yield Advice(f'frame "{layout.name}"', text, 'a field with role = "expiry" that the other end obeys')
    for slot in layout.slots:
        scaled = slot.transform
        if slot.kind != "measure" or not isinstance(scaled, Scaled) or slot.role in ("order", "expiry"):
            continue
        if not scaled.clamp and not scaled.specials and gaps(slot):
            text = f"neither clamp nor special: outside {limits(scaled)} nothing at all is sent"
            yield Advice(
                f'frame "{layout.name}", field "{slot.name}"', text, "clamp = true, or special codes: some are unused"
            )


# ---- the same for programs -------------------------------------------------------------------------------------


def as_data(protocol: Protocol) -> list[dict[str, Any]]:
    """The frames as plain data for JSON: quantities as exact decimal text, codes and raw numbers as numbers."""
    return [
        {
            "name": layout.name,
            "message": layout.message,
            "octets": layout.octets,
            "summary": layout.summary,
            "interval_s": None if layout.interval_s is None else plain(layout.interval_s),
            "slots": [_slot_data(slot) for slot in layout.slots],
        }
        for layout in protocol.frames.values()
    ]


def _slot_data(slot: Slot) -> dict[str, Any]:
    data: dict[str, Any] = {"name": slot.name, "kind": slot.kind, "offset": slot.offset, "bits": slot.bits}
    match slot.transform:
        case Scaled() as scaled:
            data |= _scaled_data(scaled)
        case Choice() as choice:
            data["codes"] = {code.name: code.code for code in choice.codes}
        case Fixed() as fixed:
            data["value"] = fixed.value
        case Text() | Opaque() as octets:
            data["octets"] = octets.octets
        case Flag():
            pass
    return data | {"summary": slot.summary, "role": slot.role}


def _scaled_data(scaled: Scaled) -> dict[str, Any]:
    return {
        "raw": [scaled.lowest - scaled.first, scaled.highest - scaled.first],
        "signed": scaled.signed,
        "step": plain(scaled.step),
        "unit": scaled.unit,
        "zero": plain(scaled.first * scaled.step),
        "range": [plain(scaled.lowest * scaled.step), plain(scaled.highest * scaled.step)],
        "special": {special.name: special.code for special in scaled.specials},
        "clamp": scaled.clamp,
        "epoch": scaled.epoch,
        "broadcast": scaled.broadcast,
    }
