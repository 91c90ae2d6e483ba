"""Steps as whole numbers of a prefixed unit: 0.01 V is 10 mV, 5 mm is 5 mm, 0.5 Cel is 500 mCel.

Only units that take SI prefixes are scaled (BIPM, The International System of Units, 9th edition, tables 2, 4, 7 and 8,
and the SenML names of RFC 8428 section 12.1); any other unit is taken as it stands.
"""

import re
from dataclasses import dataclass
from fractions import Fraction

_PREFIXES = {"G": 9, "M": 6, "k": 3, "": 0, "c": -2, "m": -3, "u": -6, "n": -9}
_SPELLED = {"µ": "u", "μ": "u"}
_SCALABLE = frozenset(
    (
        *("m", "g", "s", "A", "K", "mol", "cd", "V", "W", "Hz", "Pa", "J", "C", "F", "N", "T", "S", "H", "lm", "lx"),
        *("Bq", "Sv", "ohm", "Ohm", "Cel", "bar", "l", "L", "Wh", "Ah", "VA", "rad"),
    )
)
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
    plain = "".join(_SPELLED.get(letter, letter) for letter in unit)
    if not _PLAIN.match(plain):
        return []
    prefix, base = "", plain
    if plain not in _SCALABLE and plain[0] in _PREFIXES and plain[1:] in _SCALABLE:
        prefix, base = plain[0], plain[1:]
    own = [(plain, Fraction(1))]
    if base not in _SCALABLE:
        return own
    exponent = _PREFIXES[prefix]
    others = [
        (name + base, Fraction(10) ** (power - exponent))
        for name, power in _PREFIXES.items()
        if name not in (prefix, "c")
    ]
    return own + others
