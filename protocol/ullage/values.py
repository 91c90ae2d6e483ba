"""Each transform's two directions: code to value, and value to code, with the words for what does not fit.

reader() and writer() compile a slot once into a small function; the codec calls nothing else per value.
"""

import math
from collections.abc import Callable
from fractions import Fraction
from typing import Any, NoReturn

from . import binary32
from .errors import EncodeError
from .layout import Binary32, Choice, Fixed, Flag, Length, Opaque, Scaled, Slot, Text
from .names import nearest
from .quantity import NotANumber, exact, nearest_steps
from .status import Status

NOT_A_VALUE: Any = type("NotAValue", (), {"__repr__": lambda _: "NOT_A_VALUE", "__bool__": lambda _: True})()
"""What a reader gives for a code that stands for nothing."""

SURE = 0.499
"""A float quotient nearer to a whole number than this is rounded rightly: below 2**40 steps its error is < 0.001."""
FLOAT_STEPS = float(1 << 40)
_UNSAID = 10**40


class Special(str):
    """A special code's name, as decoded: equal to the plain string, never a number."""

    __slots__ = ()

    def __repr__(self) -> str:
        return f"Special({str.__repr__(self)})"


def reader(slot: Slot) -> Callable[[int], Any] | None:
    """The function from a slot's bits, as they stand in the frame, to the value; None where they are the value.

    It gives NOT_A_VALUE for codes that stand for nothing.
    """
    read = _reader(slot)
    if not slot.low_first:
        return read
    return (lambda raw: read(slot.turned(raw))) if read else slot.turned


def _reader(slot: Slot) -> Callable[[int], Any] | None:
    match slot.transform:
        case Scaled() as scaled:
            return _scaled_reader(scaled, slot.bits)
        case Flag():
            return bool
        case Choice() as choice:
            names = {code.code: code.name for code in choice.codes}
            return lambda raw: names.get(raw, NOT_A_VALUE)
        case Text() as text:
            return lambda raw: _text_value(raw.to_bytes(text.octets, "big"))
        case Opaque() as opaque:
            return lambda raw: raw.to_bytes(opaque.octets, "big")
        case Binary32():
            return lambda raw: NOT_A_VALUE if (value := binary32.value_of(raw)) is None else value
        case Fixed() | Length():
            return None


def writer(slot: Slot, frame: str) -> Callable[[Any], int]:
    """The function from a caller's value to the slot's bits as they stand in the frame.

    It raises EncodeError with field, status and what would fit.
    """
    write = _writer(slot, frame)
    return (lambda value: slot.turned(write(value))) if slot.low_first else write


def _writer(slot: Slot, frame: str) -> Callable[[Any], int]:
    match slot.transform:
        case Scaled() as scaled:
            return _scaled_writer(scaled, slot, frame)
        case Flag():
            return lambda value: _flag_code(value, slot, frame)
        case Choice() as choice:
            return _choice_writer(choice, slot, frame)
        case Text() as text:
            return lambda value: _text_code(value, text.octets, slot, frame)
        case Opaque() as opaque:
            return lambda value: _opaque_code(value, opaque.octets, slot, frame)
        case Binary32():
            return lambda value: _binary32_code(value, slot, frame)
        case Fixed() as fixed:
            return lambda _: fixed.value
        case Length():
            raise AssertionError(f"{slot.name} is derived")


def describe(slot: Slot, raw: int) -> str:
    """What stands in the slot, for a refusal."""
    if isinstance(slot.transform, Text):
        return f"{raw.to_bytes(slot.transform.octets, 'big').hex(' ')} is not printable text with zeros after it"
    if isinstance(slot.transform, Fixed):
        return f"{raw} is there"
    return f"code {raw} stands for nothing"


def expectation(slot: Slot) -> str:
    """What could stand in the slot, for a refusal or an error."""
    match slot.transform:
        case Scaled() as scaled:
            return limits(scaled)
        case Choice() as choice:
            return ", ".join(f"{code.name} {code.code}" for code in choice.codes)
        case Flag():
            return "true or false"
        case Text() as text:
            return f"at most {text.octets} printable ASCII characters"
        case Opaque() as opaque:
            return f"{opaque.octets} octets"
        case Binary32():
            return f"at most {binary32.LARGEST:.9g} either way"
        case Length():
            return "it follows from the frame"
        case Fixed() as fixed:
            return f"{fixed.value} must be there"


def limits(scaled: Scaled) -> str:
    """The range and the special codes in words: 250..6000 mm by 1 mm, no_echo or too_close."""
    text = f"{scaled.text(scaled.lowest, unit=False)}..{scaled.text(scaled.highest)}"
    if scaled.unit or scaled.step != 1:
        text += f" by {scaled.text(1)}"
    names = [special.name for special in scaled.specials]
    return text + (f", or {', '.join(names)}" if names else "")


def _scaled_reader(scaled: Scaled, bits: int) -> Callable[[int], Any] | None:
    first, lowest, highest = scaled.first, scaled.lowest, scaled.highest
    numerator, denominator = scaled.step.numerator, scaled.step.denominator
    full = not scaled.signed and first == lowest == 0 and highest == (1 << bits) - 1
    if full and scaled.step == 1:
        return None
    specials = {special.code: Special(special.name) for special in scaled.specials}
    if scaled.signed:
        half, wrap = 1 << (bits - 1), 1 << bits

        def read_signed(raw: int) -> Any:
            if raw in specials:
                return specials[raw]
            steps = raw + first - (wrap if raw >= half else 0)
            if not lowest <= steps <= highest:
                return NOT_A_VALUE
            return steps * numerator if denominator == 1 else steps * numerator / denominator

        return read_signed
    bottom, top = lowest - first, highest - first

    def read_whole(raw: int) -> Any:
        return (raw + first) * numerator if bottom <= raw <= top else specials.get(raw, NOT_A_VALUE)

    def read_fraction(raw: int) -> Any:
        return (raw + first) * numerator / denominator if bottom <= raw <= top else specials.get(raw, NOT_A_VALUE)

    return read_whole if denominator == 1 else read_fraction


def _scaled_writer(scaled: Scaled, slot: Slot, frame: str) -> Callable[[Any], int]:
    first, lowest, highest, step = scaled.first, scaled.lowest, scaled.highest, scaled.step
    mask = (1 << slot.bits) - 1
    per_unit = float(1 / step)
    whole = step == 1
    specials = {special.name: special.code for special in scaled.specials}

    def write(value: Any) -> int:
        kind = type(value)
        if kind is int:
            steps = value if whole else _int_steps(value, step)
        elif kind is float and -FLOAT_STEPS < (quotient := value * per_unit) < FLOAT_STEPS:
            steps = round(quotient)
            if not -SURE < quotient - steps < SURE:
                steps = nearest_steps(_quantity(value, slot, frame), step)
        elif isinstance(value, str) and str(value) in specials:
            return specials[str(value)]
        else:
            steps = nearest_steps(_quantity(value, slot, frame), step)
        if lowest <= steps <= highest:
            return (steps - first) & mask
        if scaled.clamp:
            return (min(max(steps, lowest), highest) - first) & mask
        return _does_not_fit(f"{_said(value)} is outside", slot, frame)

    return write


def _int_steps(value: int, step: Fraction) -> int:
    """nearest_steps for an int, without making a Fraction of it."""
    steps, rest = divmod(value * step.denominator, step.numerator)
    more = 2 * rest - step.numerator
    return steps + (more > 0 or (more == 0 and steps & 1))


def _quantity(value: Any, slot: Slot, frame: str) -> Fraction:
    try:
        return exact(value)
    except NotANumber as error:
        scaled = slot.transform
        names = [special.name for special in scaled.specials] if isinstance(scaled, Scaled) else []
        near = nearest(value, names) if isinstance(value, str) else None
        help_text = f'"{near}", perhaps' if near else expectation(slot)
        raise EncodeError(f"{slot.name}: {error}", frame=frame, field=slot.name, help=help_text) from None


def _does_not_fit(text: str, slot: Slot, frame: str) -> NoReturn:
    fits = expectation(slot)
    raise EncodeError(
        f"{slot.name}: {text} {fits}", frame=frame, field=slot.name, status=Status.OUT_OF_RANGE, help=fits
    )


def _said(value: Any) -> str:
    if isinstance(value, int | Fraction) and not -_UNSAID < value < _UNSAID:
        return "a number of more than 40 digits"  # Python refuses to write out thousands of digits
    text = float.__repr__(value) if isinstance(value, float) else str(value)
    return text if len(text) <= 40 else text[:37] + "…"


def _binary32_code(value: Any, slot: Slot, frame: str) -> int:
    if type(value) is float:
        code = binary32.code_of(value) if math.isfinite(value) else None
    else:
        code = binary32.code_of(_quantity(value, slot, frame))
    if code is None:
        _does_not_fit(f"{_said(value)} is not", slot, frame)
    return code


def _flag_code(value: Any, slot: Slot, frame: str) -> int:
    if value is True or value is False:
        return int(value)
    try:
        number = exact(value)
    except NotANumber as error:
        raise EncodeError(f"{slot.name}: {error}", frame=frame, field=slot.name, help="true or false") from None
    if number in (0, 1):
        return int(number)
    _does_not_fit(f"{_said(value)} is neither", slot, frame)


def _choice_writer(choice: Choice, slot: Slot, frame: str) -> Callable[[Any], int]:
    by_name = {code.name: code.code for code in choice.codes}
    codes = set(by_name.values())

    def write(value: Any) -> int:
        if isinstance(value, str):
            if value in by_name:
                return by_name[value]
            near = nearest(value, by_name)
            text = f"{slot.name}: there is no choice {value[:40]!r}"
            help_text = f'"{near}", perhaps' if near else f"one of {', '.join(by_name)}"
            raise EncodeError(text, frame=frame, field=slot.name, help=help_text)
        if isinstance(value, int) and not isinstance(value, bool):
            return int(value) if value in codes else _does_not_fit(f"{_said(value)} is none of", slot, frame)
        text = f"{slot.name}: {type(value).__name__} is no choice; give its name"
        raise EncodeError(text, frame=frame, field=slot.name, help=f"one of {', '.join(by_name)}")

    return write


def _text_value(octets: bytes) -> Any:
    text = octets.rstrip(b"\0")
    return text.decode("ascii") if all(0x20 <= octet <= 0x7E for octet in text) else NOT_A_VALUE


def _text_code(value: Any, octets: int, slot: Slot, frame: str) -> int:
    if not isinstance(value, str):
        text = f"{slot.name}: {type(value).__name__} is no text"
        raise EncodeError(text, frame=frame, field=slot.name, help=expectation(slot))
    if len(value) > octets or not all(" " <= letter <= "~" for letter in value):
        _does_not_fit(f"{value[:40]!r} is not", slot, frame)
    return int.from_bytes(value.encode("ascii").ljust(octets, b"\0"), "big")


def _opaque_code(value: Any, octets: int, slot: Slot, frame: str) -> int:
    if not isinstance(value, bytes | bytearray | memoryview):
        text = f"{slot.name}: {type(value).__name__} is no octets; give bytes"
        raise EncodeError(text, frame=frame, field=slot.name, help=expectation(slot))
    plain = bytes(value)
    if len(plain) != octets:
        _does_not_fit(f"{len(plain)} octets are not", slot, frame)
    return int.from_bytes(plain, "big")
