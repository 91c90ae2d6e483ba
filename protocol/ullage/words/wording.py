"""One value in words for people: with its unit and the decimals of its step, conditions by name, times in UTC.

Every screen, table and sheet takes its words from here, so that the same value never reads differently.
"""

import functools
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

from .. import binary32
from ..layout import Binary32, Choice, Fixed, Flag, Length, Opaque, Scaled, Slot, Text
from ..quantity import exact, nearest_steps, places, plain

_START_OF_TIME = datetime(1970, 1, 1, tzinfo=UTC)
_LAST_SECOND = 253_402_300_799
"""9999-12-31T23:59:59Z, the last second that ISO 8601 writes with four digits of year."""


def reading(slot: Slot, value: Any) -> str:
    """One value as people read it, with its unit.

    slot: the field. value: as the decoder gives it (int, float, special code's name, bool, str, bytes), or an exact
    Fraction. Returns `1233 mm`, `3.70 V` (as many decimals as the step has), `no echo`, `yes`, `open`, `"1.4.2"`,
    `0a ff`, `2026-11-25T06:24:11Z` for unix time, `2 d 03:10:00` for time since a start, `everybody` for broadcast.
    """
    return reading_of(slot)(value)


@functools.lru_cache(maxsize=1024)
def reading_of(slot: Slot) -> Callable[[Any], str]:
    """The function that `reading` calls for this slot; keep it in long loops."""
    match slot.transform:
        case Scaled() as scaled:
            return _scaled_reading(scaled)
        case Flag():
            return lambda value: "yes" if value else "no"
        case Text():
            return lambda value: f'"{value}"'
        case Opaque():
            return lambda value: bytes(value).hex(" ")
        case Binary32(unit):
            return lambda value: f"{binary32.text_of(value)} {unit}".rstrip()
        case Choice() | Fixed() | Length():
            return str


def _scaled_reading(scaled: Scaled) -> Callable[[Any], str]:
    unit = f" {scaled.unit}" if scaled.unit else ""
    decimals = places(scaled.step)

    def number(value: Any) -> str:
        if type(value) is int:
            return f"{value}.{'0' * decimals}" if decimals else str(value)
        if type(value) is float and decimals:
            return f"{value:.{decimals}f}"
        return fixed_point(nearest_steps(exact(value), scaled.step) * scaled.step, decimals)

    def read(value: Any) -> str:
        if isinstance(value, str):
            return value.replace("_", " ")
        if scaled.epoch:
            return (utc if scaled.epoch == "unix" else duration)(exact(value), decimals)
        if scaled.broadcast is not None and value == scaled.broadcast:
            return "everybody"
        return number(value) + unit

    return read


def fixed_point(value: Fraction, decimals: int) -> str:
    """An exact number with so many decimals; more digits than that are shown, never cut."""
    text = plain(value)
    whole, _, rest = text.partition(".")
    return f"{whole}.{rest.ljust(decimals, '0')}" if decimals and "/" not in text else text


def utc(seconds: Fraction, decimals: int = 0) -> str:
    """Seconds since 1970 as ISO 8601 text in UTC; as a number of seconds beyond the year 9999."""
    whole, rest = divmod(seconds, 1)
    if not 0 <= whole <= _LAST_SECOND:
        return f"{fixed_point(seconds, decimals)} s since 1970"
    moment = _START_OF_TIME + timedelta(seconds=int(whole))
    return f"{moment:%Y-%m-%dT%H:%M:%S}{_after_point(rest, decimals)}Z"


def duration(seconds: Fraction, decimals: int = 0) -> str:
    """Seconds as days and time: `2 d 03:10:00`."""
    whole, rest = divmod(seconds, 1)
    days, left = divmod(int(whole), 86_400)
    return f"{days} d {left // 3600:02}:{left // 60 % 60:02}:{left % 60:02}{_after_point(rest, decimals)}"


def _after_point(rest: Fraction, decimals: int) -> str:
    return fixed_point(rest, decimals)[1:] if decimals or rest else ""
