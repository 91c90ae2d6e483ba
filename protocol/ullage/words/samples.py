"""A sample message of a frame, for examples on screens, in headers and on sheets: always the same sensible values."""

from fractions import Fraction
from typing import Any

from ..layout import Binary32, Choice, Entry, Fixed, Flag, Gate, Layout, Length, Opaque, Repeat, Scaled, Slot, Text

_SAMPLE_UNIX = 1_764_051_851  # 2025-11-25T06:24:11Z
_SAMPLE_UPTIME = 184_200  # 2 d 03:10:00
_SAMPLE_NUMBERS = {"destination": 1, "source": 17, "sequence": 9, "sensor": 0}


def sample(layout: Layout) -> dict[str, Any]:
    """Values that make a sensible example of this frame, always the same ones: middles of ranges, first choices.

    Returns what `Protocol.encode` takes, field name -> value, in wire order; they always encode.
    """
    return _sample_scope(layout.entries)


def _sample_scope(entries: tuple[Entry, ...]) -> dict[str, Any]:
    """The values of one scope: groups are there, lists have two items where they may; their counts and flags follow."""
    counted = {entry.counted_by for entry in entries if isinstance(entry, Repeat)}
    gates = {entry.when for entry in entries if isinstance(entry, Gate)}
    values: dict[str, Any] = {}
    for entry in entries:
        if isinstance(entry, Repeat):
            count = max(entry.least, min(2, entry.at_most))
            values[entry.name] = tuple(_sample_scope(entry.entries) for _ in range(count))
        elif isinstance(entry, Gate):
            values[entry.name] = _sample_scope(entry.entries)
        elif entry.given and entry.name not in counted:
            values[entry.name] = True if entry.name in gates else sample_value(entry)
    return values


def sample_value(slot: Slot) -> Any:
    """The sample's value of one slot. Raises AssertionError for a slot that takes no value."""
    match slot.transform:
        case Scaled() as scaled:
            return _sample_quantity(slot, scaled)
        case Flag():
            return False
        case Choice() as choice:
            return choice.codes[0].name
        case Text() as text:
            return "sample"[: text.octets]
        case Opaque() as opaque:
            return bytes(range(1, opaque.octets + 1))
        case Binary32():
            return 21.5
        case Fixed() | Length():
            raise AssertionError(f"{slot.name} takes no value")


def _sample_quantity(slot: Slot, scaled: Scaled) -> int | float:
    steps = (scaled.lowest + scaled.highest) // 2
    wanted: Fraction | None = None
    if scaled.epoch:
        wanted = Fraction(_SAMPLE_UNIX if scaled.epoch == "unix" else _SAMPLE_UPTIME)
    elif slot.kind in _SAMPLE_NUMBERS:
        wanted = Fraction(_SAMPLE_NUMBERS[slot.kind])
    if wanted is not None and scaled.lowest <= wanted / scaled.step <= scaled.highest:
        steps = int(wanted / scaled.step)
    if steps == scaled.broadcast and scaled.highest > 0:  # a sample is for one station
        steps += 1 if steps < scaled.highest else -1
    return scaled.quantity(steps)
