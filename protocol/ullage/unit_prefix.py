"""SI prefixes: which units take them, and what a prefixed unit is in its base unit: mm is a thousandth of m.

Units: BIPM, The International System of Units, 9th edition, tables 2, 4, 7 and 8, and the SenML names of RFC 8428
section 12.1. Any other unit is taken as it stands.
"""

from fractions import Fraction

PREFIXES = {"G": 9, "M": 6, "k": 3, "": 0, "c": -2, "m": -3, "u": -6, "n": -9}
"""Prefix -> power of ten."""

SCALABLE = frozenset(
    (
        *("m", "g", "s", "A", "K", "mol", "cd", "V", "W", "Hz", "Pa", "J", "C", "F", "N", "T", "S", "H", "lm", "lx"),
        *("Bq", "Sv", "ohm", "Ohm", "Cel", "bar", "l", "L", "Wh", "Ah", "VA", "rad"),
    )
)
"""The units that take prefixes."""

_SPELLED = {"µ": "u", "μ": "u"}


def spelled(unit: str) -> str:
    """The unit with u for the two letters that mean micro."""
    return "".join(_SPELLED.get(letter, letter) for letter in unit)


def parted(unit: str) -> tuple[str, str]:
    """Prefix and base of a unit, as spelled: mm is m and m, Pa is no prefix and Pa."""
    plain = spelled(unit)
    if plain and plain not in SCALABLE and plain[0] in PREFIXES and plain[1:] in SCALABLE:
        return plain[0], plain[1:]
    return "", plain


def in_base_unit(unit: str) -> tuple[Fraction, str]:
    """What one of a unit is in its base unit: mm gives 1/1000 and m."""
    prefix, base = parted(unit)
    return Fraction(10) ** PREFIXES[prefix], base
