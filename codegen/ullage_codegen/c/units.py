"""Steps as whole numbers of a prefixed unit: 0.01 V is 10 mV, 5 mm is 5 mm, 0.5 Cel is 500 mCel.

Only units that take SI prefixes are scaled; any other unit is taken as it stands.
"""

import re
from dataclasses import dataclass
from fractions import Fraction

from ullage.unit_prefix import PREFIXES, SCALABLE, parted, spelled

_PLAIN = re.compile(r"[A-Za-z]+\Z")


@dataclass(frozen=True)
class WholeUnit:
    """A step as `count` whole units of `unit`, whose name is letters only."""

    count: int
    unit: str


def named_step(unit: str, step: Fraction) -> WholeUnit | None:
    """The step in a form that fits in a C name: a whole 1..999 of a plain unit, in its own prefix where it can be.

    unit: as in the spec; step: quantity of one step in that unit. None where there is no such form.
    """
    return _first(unit, step, 999)


def helper_unit(unit: str, step: Fraction) -> WholeUnit | None:
    """The unit that a firmware author has whole numbers of: the step is a whole 2..1 000 000 of it, or None."""
    found = _first(unit, step, 999) or _first(unit, step, 1_000_000)
    return found if found and found.count > 1 else None


def _first(unit: str, step: Fraction, most: int) -> WholeUnit | None:
    for name, scale in _candidates(unit):
        count = step / scale
        if count.denominator == 1 and 1 <= count.numerator <= most:
            return WholeUnit(count.numerator, name)
    return None


def _candidates(unit: str) -> list[tuple[str, Fraction]]:
    """Units that could be named instead, with what one of them is in the given unit; the given one first."""
    plain = spelled(unit)
    if not _PLAIN.match(plain):
        return []
    prefix, base = parted(unit)
    own = [(plain, Fraction(1))]
    if base not in SCALABLE:
        return own
    exponent = PREFIXES[prefix]
    others = [
        (name + base, Fraction(10) ** (power - exponent))
        for name, power in PREFIXES.items()
        if name not in (prefix, "c")
    ]
    return own + others
