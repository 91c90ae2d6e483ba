"""Codes of a receiver's slot that say something else than the sender meant by them, exactly."""

from collections.abc import Iterable

from ..codes import Span, accepted
from ..layout import Binary32, Choice, Flag, Opaque, Scaled, Slot, Text
from .code_sets import CodeSet, of_runs, sound
from .meaning import Meaning, measured_in, steps_meaning


def invented(slot: Slot) -> CodeSet | None:
    """The codes that are a reading, in a field that nobody sent; None where every code is a condition."""
    if isinstance(slot.transform, Text):
        return sound(slot)
    conditions = {code.code for code in slot.transform.specials} if isinstance(slot.transform, Scaled) else set()
    runs = _without(accepted(slot), conditions)
    return of_runs(slot, runs) if runs else None


def misread(sent: Slot, read: Slot) -> CodeSet | None:
    """The codes that both take, at the same place and in the same octet order, and that mean two things; or None."""
    if isinstance(sent.transform, Text) and isinstance(read.transform, Text):
        return None
    if isinstance(sent.transform, Text) or isinstance(read.transform, Text):
        return sound(read)
    both = _common(accepted(sent), accepted(read))
    match sent.transform, read.transform:
        case Scaled() as one, Scaled() as other:
            points = {*_points(one), *_points(other)}
            found = [*_linear(sent, one, read, other, _without(both, points))]
        case Choice() as one, Choice() as other:
            points = {code.code for code in (*one.codes, *other.codes)}
            found = []
        case (Flag(), Flag()) | (Opaque(), Opaque()):
            return None
        case Binary32(), Binary32():
            # Nothing is nothing in any unit.
            differ = measured_in(sent) != measured_in(read)
            points, found = set(), list(_without(both, {0, 1 << 31})) if differ else []
        case _:
            points, found = set(), list(both)
    inside = _common(both, tuple((point, point) for point in sorted(points)))
    found += [(code, code) for code, _ in inside if _code_meaning(sent, code) != _code_meaning(read, code)]
    return of_runs(read, tuple(sorted(found))) if found else None


def _points(scaled: Scaled) -> Iterable[int]:
    """The codes that are no plain quantity."""
    yield from (special.code for special in scaled.specials)
    if scaled.broadcast is not None:
        yield scaled.broadcast - scaled.first


def _code_meaning(slot: Slot, code: int) -> Meaning:
    transform = slot.transform
    if isinstance(transform, Choice):
        return "choice", next(choice.name for choice in transform.codes if choice.code == code)
    assert isinstance(transform, Scaled)
    name = next((special.name for special in transform.specials if special.code == code), None)
    if name is not None:
        return "condition", name
    return steps_meaning(slot, transform, _steps(transform, code, slot.bits))


def _steps(scaled: Scaled, code: int, bits: int) -> int:
    negative = scaled.signed and code >= 1 << (bits - 1)
    return scaled.first + code - ((1 << bits) if negative else 0)


def _linear(sent: Slot, one: Scaled, read: Slot, other: Scaled, runs: tuple[Span, ...]) -> Iterable[Span]:
    """The parts of runs of plain quantities where two scales differ: two straight lines meet once at most."""
    half = 1 << (sent.bits - 1)
    scales = measured_in(sent), measured_in(read)
    for low, high in _common(runs, ((0, half - 1), (half, 2 * half - 1))):
        if scales[0][1] != scales[1][1]:
            yield low, high
            continue
        sizes = one.step * scales[0][0], other.step * scales[1][0]
        ends = _steps(one, low, sent.bits) * sizes[0], _steps(other, low, read.bits) * sizes[1]
        if sizes[0] == sizes[1]:
            if ends[0] != ends[1]:
                yield low, high
            continue
        meet = low + (ends[1] - ends[0]) / (sizes[0] - sizes[1])
        if meet.denominator == 1:
            yield from _without(((low, high),), {int(meet)})
        else:
            yield low, high


def _without(runs: tuple[Span, ...], codes: set[int]) -> tuple[Span, ...]:
    """Runs with single codes cut out."""
    found: list[Span] = []
    for first, last in runs:
        low = first
        for code in sorted(code for code in codes if first <= code <= last):
            if low < code:
                found.append((low, code - 1))
            low = code + 1
        if low <= last:
            found.append((low, last))
    return tuple(found)


def _common(one: tuple[Span, ...], other: tuple[Span, ...]) -> tuple[Span, ...]:
    """What lies in runs of both."""
    found = ((max(low, first), min(high, last)) for low, high in one for first, last in other)
    return tuple(sorted((low, high) for low, high in found if low <= high))
