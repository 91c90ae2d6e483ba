"""The helpers between whole units (millivolts, seconds) and a member's steps, and `is_value`."""

from dataclasses import dataclass

from ullage.layout import Scaled

from .model import CType, Member
from .names import Names


@dataclass(frozen=True)
class UnitHelper:
    """What the template needs for one pair of helpers.

    from_name, to_name: functions. unit: what whole numbers they take. wide: the type of those. count: units a step.
    lowest, highest: range in steps. too_low, too_high: what stands for a quantity outside the range.
    """

    from_name: str
    to_name: str
    member: Member
    unit: str
    wide: CType
    count: int
    too_low: str
    too_high: str
    clamped: bool

    @property
    def lowest(self) -> str:
        """The lowest step, as a constant of the wide type."""
        return self.wide.literal(self.member.lowest)

    @property
    def highest(self) -> str:
        """The highest step, as a constant of the wide type."""
        return self.wide.literal(self.member.highest)

    @property
    def half(self) -> str:
        """Half a step, rounded down."""
        return self.wide.literal(self.count // 2)

    @property
    def factor(self) -> str:
        """Units a step, as a constant of the wide type."""
        return self.wide.literal(self.count)

    @property
    def even(self) -> bool:
        """Whether a quantity can lie just between two steps."""
        return self.count % 2 == 0


def unit_helper(member: Member, names: Names) -> UnitHelper | None:
    """The from/to helpers of a member, or None where its steps are whole units already or no plain unit has them."""
    scaled, unit = member.slot.transform, member.helper
    if unit is None or not isinstance(scaled, Scaled):
        return None
    most = max(abs(member.ctype.lowest), member.ctype.highest) * unit.count
    wide = CType(32 if most < 1 << 31 else 64, True)
    maker = f'the helpers of field "{member.slot.name}"'
    path = (*member.scope, member.slot.name)
    too_low, too_high = _outside(member, scaled)
    return UnitHelper(
        names.function(*path, "from", unit.unit, maker=maker),
        names.function(*path, "to", unit.unit, maker=maker),
        member,
        unit.unit,
        wide,
        unit.count,
        wide.literal(too_low),
        wide.literal(too_high),
        scaled.clamp,
    )


def _outside(member: Member, scaled: Scaled) -> tuple[int, int]:
    """What the helper gives for too low and too high: the ends when clamped, else a step that no encoder takes."""
    if scaled.clamp:
        return member.lowest, member.highest
    taken = {condition.value for condition in member.conditions}
    free = [step for step in (member.lowest - 1, member.highest + 1) if member.ctype.holds(step) and step not in taken]
    return free[0], free[-1]
