"""Every name in the C header is made here, and held against all the others.

A clash (frame "a" with field "b_c" beside frame "a_b" with field "c") is an error that names both makers, because a
header that compiles with the wrong constant is worse than none.
"""

import re
from fractions import Fraction

from ullage.errors import UllageError
from ullage.layout import Binary32, Scaled, Slot
from ullage.names import RESERVED

from .units import named_step

_WORD = re.compile(r"[A-Za-z_][A-Za-z0-9_]*\Z")


class NameClash(UllageError):
    """Two things of a spec would have the same name in C."""


class Names:
    """Makes and registers the names of one header.

    prefix: the protocol's name. Names at file scope are unique over the whole header, members over their struct.
    """

    def __init__(self, prefix: str) -> None:
        self.prefix = prefix
        self._makers: dict[str, str] = {}
        self._whose = ""

    def of_revision(self, revision: int) -> "Names":
        """Names in the same header for another revision's things: orchard_r1_level_report."""
        other = Names(f"{self.prefix}_r{revision}")
        other._makers = self._makers
        other._whose = f" of revision {revision}"
        return other

    def function(self, *parts: str, maker: str) -> str:
        """A function, struct or enum tag: orchard_level_report_encode."""
        return self._register("_".join((self.prefix, *parts)), maker)

    def constant(self, *parts: str, maker: str) -> str:
        """A macro or enumerator: ORCHARD_LEVEL_REPORT_OCTETS."""
        return self._register("_".join((self.prefix, *parts)).upper(), maker)

    def _register(self, name: str, maker: str) -> str:
        if not _WORD.match(name):
            raise AssertionError(f"{name} is no C name")
        if name in RESERVED:
            # Two free words can make one that is taken: protocol "dynamic", frame "cast".
            text = f"{maker} would be called {name} in C, which cannot be a name in {RESERVED[name]}"
            raise NameClash(f"{text}; rename it")
        maker += self._whose
        other = self._makers.setdefault(name, maker)
        if other != maker:
            raise NameClash(f"{other} and {maker} would both be called {name} in C; rename one of them")
        return name

    @property
    def all(self) -> dict[str, str]:
        """Every registered name with who made it."""
        return dict(self._makers)


def member_name(slot: Slot) -> str:
    """The struct member of a slot: its name, and for quantities the step and unit, never the bare name.

    battery by 0.01 V is battery_10mV, distance by 1 mm distance_mm, humidity by 0.4 %RH humidity_steps.
    """
    suffix = step_suffix(slot)
    return f"{slot.name}_{suffix}" if suffix else slot.name


def step_suffix(slot: Slot) -> str:
    """What a member's name says of its step: 10mV, mm, steps; "" for plain numbers."""
    scaled = slot.transform
    if isinstance(scaled, Binary32):
        return "binary32"
    if not isinstance(scaled, Scaled) or slot.kind not in ("measure", "time"):
        return ""
    if slot.kind == "measure" and not scaled.unit and scaled.step == Fraction(1):
        return "steps"
    step = named_step(scaled.unit, scaled.step)
    if step is None:
        return "steps"
    return f"{step.count}{step.unit}" if step.count > 1 else step.unit


def members(slots: tuple[Slot, ...], frame: str) -> dict[str, str]:
    """Slot name -> member name for the slots of one struct. Raises NameClash when two would be the same."""
    makers: dict[str, str] = {}
    for slot in slots:
        other = makers.setdefault(member_name(slot), slot.name)
        if other != slot.name:
            text = f'fields "{other}" and "{slot.name}" of {frame} would both be the member {member_name(slot)} in C'
            raise NameClash(f"{text}; rename one of them")
    return {slot: member for member, slot in makers.items()}
