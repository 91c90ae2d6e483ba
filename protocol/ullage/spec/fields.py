"""Each kind's rule: from the keys of one field to its width in bits and its transform.

Faults are handed to a callback, so that one reading of a file finds them all; a field with a fault gives None.
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from fractions import Fraction

from ..layout import Binary32, Choice, Fixed, Flag, Length, Opaque, Scaled, Special, Text, Transform
from ..names import fault_in_word
from ..quantity import plain
from ..status import Status
from . import specfile

Key = str | tuple[str | int, ...] | None
"""A key of the field, the path from the field on, or None for the whole field."""

Complain = Callable[[str, Key, str, str | None], None]
"""Takes fault code, key, text (a second line of it explains the first), help."""

Meaning = tuple[int, Transform]
"""Width in bits and transform."""


def meaning(field: specfile.AnyField, complain: Complain) -> Meaning | None:
    """Work out one field, except message and revision, whose codes depend on frame and protocol.

    field: as read from the file. complain: told every fault. Returns (bits, transform), or None after a fault.
    """
    match field:
        case specfile.MeasureField():
            return _measure(field, complain)
        case specfile.CountField():
            return _count(field, complain)
        case specfile.CodeField():
            return _code(field, complain)
        case specfile.FlagField():
            return 1, Flag()
        case specfile.DestinationField():
            return _destination(field, complain)
        case specfile.SequenceField():
            return _sequence(field, complain)
        case specfile.IdentifierField():
            return field.bits, _whole(field.bits)
        case specfile.TimeField():
            return _time(field, complain)
        case specfile.TextField():
            return 8 * field.octets, Text(field.octets)
        case specfile.OctetsField():
            return 8 * field.octets, Opaque(field.octets)
        case specfile.ConstantField():
            if not 0 <= field.value < 1 << field.bits:
                complain(
                    "too_large", "value", f"{field.value} does not fit in {_bits(field.bits)}", _needs(field.value)
                )
                return None
            return field.bits, Fixed(field.value, Status.WRONG_CONSTANT)
        case specfile.SpareField():
            return field.bits, Fixed(0, Status.SPARE_NOT_ZERO)
        case specfile.Binary32Field():
            return (32, Binary32(field.unit)) if _unit(field.unit, complain) else None
        case specfile.LengthField():
            return field.bits, Length(field.covers)
    raise AssertionError(field.kind)


def _sequence(field: specfile.SequenceField, complain: Complain) -> Meaning | None:
    whole = field.counter_bits
    if whole is not None and whole < field.bits:
        text = f"a counter of {_bits(whole)} cannot send {_bits(field.bits)} of it"
        complain("too_few_bits", "counter_bits", text, f"counter_bits = 32, or bits = {whole}")
        return None
    scaled = _whole(field.bits)
    return field.bits, replace(scaled, counter_bits=whole) if whole and whole > field.bits else scaled


def _whole(bits: int, broadcast: int | None = None) -> Scaled:
    return Scaled("", Fraction(1), 0, 0, (1 << bits) - 1, broadcast=broadcast)


def _destination(field: specfile.DestinationField, complain: Complain) -> Meaning | None:
    if field.broadcast is not None and not 0 <= field.broadcast < 1 << field.bits:
        complain(
            "too_large", "broadcast", f"{field.broadcast} does not fit in {_bits(field.bits)}", _needs(field.broadcast)
        )
        return None
    return field.bits, _whole(field.bits, field.broadcast)


def _time(field: specfile.TimeField, complain: Complain) -> Meaning | None:
    if field.step <= 0:
        complain("too_small", "step", f"{plain(field.step)} s is no step: a step is greater than 0", None)
        return None
    scaled = Scaled("s", field.step, 0, 0, (1 << field.bits) - 1, epoch=field.epoch)
    if not _told_apart(scaled):
        complain("too_fine", "bits", _TOO_FINE, "at most 51 bits with this step, or a step of whole seconds")
        return None
    return field.bits, scaled


def _count(field: specfile.CountField, complain: Complain) -> Meaning | None:
    if field.range is None:
        if field.bits is None:
            complain("missing_key", None, "a count needs bits or range", "bits = 8, or range = [0, 100]")
            return None
        return field.bits, _whole(field.bits)
    low, high = field.range
    if low > high:
        complain("upside_down", "range", f"{low} is above {high}", f"range = [{high}, {low}]")
        return None
    return _fit(Scaled("", Fraction(1), 0, low, high, signed=low < 0), [], field.bits, complain)


def _code(field: specfile.CodeField, complain: Complain) -> Meaning | None:
    before: dict[int, str] = {}
    good = True
    if not field.codes:
        complain("no_codes", "codes", "there is no code here", "codes = { shut = 0, open = 1 }")
        return None
    for name, code in field.codes.items():
        here = ("codes", name)
        good &= _word(name, here, complain)
        if code in before:
            text = f'"{name}" and "{before[code]}" are both {code}'
            complain("codes_overlap", here, text, "give each its own code")
            good = False
        before.setdefault(code, name)
        if not 0 <= code < 1 << 64:
            complain("too_large", here, f"{name} = {code} is not in 0..2^64-1", None)
            good = False
    top = max(field.codes.values())
    bits = field.bits or max(1, top.bit_length())
    if good and top >= 1 << bits:
        complain("too_few_bits", "bits", f'"{before[top]}" is {top}, which does not fit in {_bits(bits)}', _needs(top))
        good = False
    return (bits, Choice(tuple(Special(name, code) for name, code in field.codes.items()))) if good else None


def _measure(field: specfile.MeasureField, complain: Complain) -> Meaning | None:
    good = _unit(field.unit, complain) & _special_names(field.special, complain)
    low, high = field.range
    if low > high:
        complain(
            "upside_down", "range", f"{plain(low)} is above {plain(high)}", f"range = [{plain(high)}, {plain(low)}]"
        )
        good = False
    if field.step <= 0:
        unit = f" {field.unit}" if field.unit else ""
        complain("too_small", "step", f"{plain(field.step)}{unit} is no step: a step is greater than 0", None)
        return None
    lowest = _on_step(low, ("range", 0), field, complain)
    highest = lowest if high == low else _on_step(high, ("range", 1), field, complain)
    first = lowest if field.zero is None else _on_step(field.zero, ("zero",), field, complain)
    if lowest is None or highest is None or first is None or not good:
        return None
    scaled = Scaled(field.unit, field.step, first, lowest, highest, lowest < first, clamp=field.clamp)
    return _fit(scaled, field.special, field.bits, complain)


def _special_names(special: list[str] | dict[str, int], complain: Complain) -> bool:
    good = True
    seen: set[str] = set()
    for place, name in enumerate(special):
        key: tuple[str | int, ...] = ("special", name if isinstance(special, dict) else place)
        if name in seen:
            complain("name_taken", key, f'"{name}" stands here already', "each name once")
            good = False
        else:
            good &= _word(name, key, complain)
        seen.add(name)
    return good


def _on_step(
    value: Fraction, key: tuple[str | int, ...], field: specfile.MeasureField, complain: Complain
) -> int | None:
    steps = value / field.step
    if steps.denominator == 1:
        return steps.numerator
    step, unit = field.step, f" {field.unit}" if field.unit else ""
    below = steps.numerator // steps.denominator
    near = ", ".join(plain((below + more) * step) for more in (0, 1))
    text = f"{plain(value)}{unit} is no whole number of steps of {plain(step)}{unit}\n{near} are."
    complain("off_step", key, text, _step_help(key, field))
    return None


def _step_help(key: tuple[str | int, ...], field: specfile.MeasureField) -> str:
    """What would fit: the nearest range or zero, or the widest step that fits all of them, and what it costs."""
    low, high = (round(end / field.step) * field.step for end in field.range)
    zero = low if field.zero is None else round(field.zero / field.step) * field.step
    fitting = f"zero = {plain(zero)}" if key == ("zero",) else f"range = [{plain(low)}, {plain(high)}]"
    scale = math.lcm(*(end.denominator for end in (*field.range, field.zero or Fraction(0), field.step)))
    whole = [int(value * scale) for value in (*field.range, field.zero or Fraction(0), field.step)]
    finer = Fraction(math.gcd(*whole), scale)
    now, then = _width(low, high, zero, field.step, field), _width(*field.range, field.zero, finer, field)
    if not finer or then > 64:
        return fitting
    cost = f"{_bits(then)} instead of {now}" if then != now else "as many bits"
    finer_text = f"step = {plain(finer)}: {cost}"
    return f"{fitting}, or {finer_text}" if low < high or key == ("zero",) else finer_text


def _width(low: Fraction, high: Fraction, zero: Fraction | None, step: Fraction, field: specfile.MeasureField) -> int:
    """The fewest bits for a range that is whole steps, with the field's special codes."""
    lowest, highest, first = (int(value / step) for value in (low, high, low if zero is None else zero))
    codes = list(field.special.values()) if isinstance(field.special, dict) else []
    scaled = Scaled("", step, first, lowest, highest, lowest < first)
    return fewest(scaled, 0 if codes else len(field.special), codes)


def _fit(
    scaled: Scaled, special: Iterable[str] | dict[str, int], bits: int | None, complain: Complain
) -> Meaning | None:
    """Find the width and the special codes of a range of steps."""
    codes = special if isinstance(special, dict) else None
    names = list(special)
    below = next((name for name in codes or () if codes and codes[name] < 0), None)
    if codes and below and not scaled.signed:
        text = f'"{below}" is code {codes[below]}, but no raw number of this range is negative: codes are 0 and up'
        complain(
            "too_small", ("special", below), text, "a code above the range, or a list of names: it takes free codes"
        )
        return None
    least = fewest(scaled, 0 if codes else len(names), list((codes or {}).values()))
    low, high = scaled.lowest - scaled.first, scaled.highest - scaled.first
    if least > 64:
        complain(
            "too_wide",
            "range",
            f"this needs {least} bits, and a field has at most 64",
            "a coarser step, or a narrower range",
        )
        return None
    if bits is not None and bits < least:
        holds = f"raw {low}..{high}" + _and_specials(len(names))
        complain("too_few_bits", "bits", f"{_bits(bits)} cannot hold {holds}", f"bits = {least}, or leave bits out")
        return None
    width = bits or least
    if not _fits_members(scaled, len(names)):
        complain("too_wide", "range", "the range in steps, counted from 0, does not fit in 64 bits", "a coarser step")
        return None
    if not _told_apart(scaled):
        complain("too_fine", "step", _TOO_FINE, "a unit in which the step is whole")
        return None
    if codes is None:
        top = (1 << (width - 1 if scaled.signed else width)) - 1
        found = [Special(name, (top - place) % (1 << width)) for place, name in enumerate(names)]
    else:
        found = [Special(name, code % (1 << width)) for name, code in codes.items()]
        if not _apart(found, scaled, width, complain):
            return None
    return width, _with_specials(scaled, tuple(found))


def _and_specials(count: int) -> str:
    return f" and {count} special code{'s' * (count > 1)}" if count else ""


def _with_specials(scaled: Scaled, specials: tuple[Special, ...]) -> Scaled:
    return Scaled(
        scaled.unit, scaled.step, scaled.first, scaled.lowest, scaled.highest, scaled.signed, specials, scaled.clamp
    )


def fewest(scaled: Scaled, on_top: int, codes: list[int]) -> int:
    """The fewest bits for range and special codes: on_top codes above the range, or these written ones."""
    low, high = scaled.lowest - scaled.first, scaled.highest - scaled.first + on_top
    if not scaled.signed:
        return max(1, high.bit_length(), *(code.bit_length() if code >= 0 else 65 for code in codes))
    need = max((-low - 1).bit_length() if low < 0 else 0, high.bit_length() if high > 0 else 0) + 1
    return max(need, *((code.bit_length() if code >= 0 else (-code - 1).bit_length() + 1) for code in codes), 1)


def _fits_members(scaled: Scaled, specials: int) -> bool:
    """Whether the steps, and as many codes beyond the range, fit in a signed or an unsigned 64-bit integer."""
    if scaled.lowest - specials >= -(1 << 63) and scaled.highest < 1 << 63:
        return True
    return scaled.lowest >= 0 and scaled.highest + specials < 1 << 64


_TOO_FINE = "so many steps of a fraction cannot be told apart in a 64-bit float"


def _told_apart(scaled: Scaled) -> bool:
    """Whether every quantity, read as a float, leads back to its step.

    The quotient and the shortest decimal text are each within half an ulp, together within 2**-52 of the quantity:
    less than half a step as long as there are fewer than 2**51 of them.
    """
    return scaled.whole or max(abs(scaled.lowest), abs(scaled.highest)) < 1 << 51


def _apart(found: list[Special], scaled: Scaled, bits: int, complain: Complain) -> bool:
    good = True
    seen: dict[int, str] = {}
    for special in found:
        raw = special.code - (1 << bits) if scaled.signed and special.code >> (bits - 1) else special.code
        steps = raw + scaled.first
        if scaled.lowest <= steps <= scaled.highest:
            text = f'"{special.name}" is code {special.code}, which is inside the range: {scaled.text(steps)}'
            help_text = "a code outside the range, or a list of names: it takes free codes"
            complain("codes_overlap", ("special", special.name), text, help_text)
            good = False
        if special.code in seen:
            text = f'"{special.name}" and "{seen[special.code]}" are both code {special.code}'
            complain("codes_overlap", ("special", special.name), text, "give each its own code")
            good = False
        seen.setdefault(special.code, special.name)
    return good


def _word(name: str, key: Key, complain: Complain) -> bool:
    fault = fault_in_word(name)
    if fault:
        complain("bad_name", key, *fault)
    return fault is None


def _unit(unit: str, complain: Complain) -> bool:
    if len(unit) > 20 or not unit.isprintable() or "*/" in unit or unit != unit.strip():
        text = f'"{unit[:30]}" cannot be a unit: at most 20 printable characters, no */, no spaces around it'
        complain("bad_unit", "unit", text, None)
        return False
    return True


def _bits(bits: int) -> str:
    return f"{bits} bit" if bits == 1 else f"{bits} bits"


def _needs(value: int) -> str | None:
    return f"{_bits(max(1, value.bit_length()))} hold it" if 0 <= value < 1 << 64 else None
