"""The helpers between whole units and steps round as the Python encoder does, over their whole type."""

import random
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest

import ullage
from support.ends import BUILDS, CEnd, need
from ullage.layout import Scaled
from ullage_codegen.c.content import content_of
from ullage_codegen.c.helpers import UnitHelper

SPEC = """
[protocol]
name = "farm"
[[frame]]
name = "report"
field = [
  { name = "battery",  kind = "measure", unit = "V",   range = [2.00, 4.50], step = 0.01, clamp = true },
  { name = "pressure", kind = "measure", unit = "kPa", range = [-50, 50], step = 0.5 },
  { name = "third",    kind = "measure", unit = "mV",  range = [-300, 300], step = 3, special = ["open"] },
  { name = "full",     kind = "measure", unit = "V",   range = [0, 2.55], step = 0.01 },
  { name = "level",    kind = "measure", unit = "V",   range = [-1.28, 1.27], step = 0.01, zero = 0 },
  { name = "wide",     kind = "measure", unit = "km",  range = [0, 2000000], step = 0.5 },
  { name = "coarse",   kind = "measure", unit = "mm",  range = [0, 100], step = 2.5 },
  { name = "delay",    kind = "time",    bits = 12, step = 60, epoch = "start" },
]
"""


@pytest.fixture(scope="module")
def end() -> CEnd:
    need("gcc")
    return CEnd(ullage.loads(SPEC), BUILDS[1])


def helpers(end: CEnd) -> list[UnitHelper]:
    return [helper for frame in end.header.frames for helper in frame.helpers]


def test_there_is_a_helper_wherever_a_step_is_several_whole_units(end: CEnd) -> None:
    names = [helper.from_name for helper in helpers(end)]
    wanted = ["battery_from_mV", "pressure_from_Pa", "third_from_mV", "full_from_mV", "level_from_mV"]
    wanted += ["wide_from_m", "coarse_from_um", "delay_from_s"]
    assert names == [f"farm_report_{name}" for name in wanted]


def test_whole_units_become_the_steps_that_python_sends(end: CEnd) -> None:
    """For each helper: the C step leads to the same octets, or to the same refusal, as the quantity in Python."""
    protocol = end.header.protocol
    rng = random.Random(5)
    sound = {member.slot.name: member.lowest for member in end.header.frames[0].members}
    values = {name: protocol.decode(end.encode("report", dict(sound)).octets or b"")[name] for name in sound}
    for helper in helpers(end):
        name, unit = helper.member.slot.name, _units(helper)
        for amount in _amounts(helper, rng):
            steps = end.helper(helper.from_name, amount)
            answer = end.encode("report", {**sound, name: steps})
            assert (answer.status, answer.octets) == _python(protocol, {**values, name: amount * unit}), (
                f"{name} {amount}"
            )


def test_steps_become_whole_units_again(end: CEnd) -> None:
    for helper in helpers(end):
        for steps in {helper.member.lowest, helper.member.highest, (helper.member.lowest + helper.member.highest) // 3}:
            amount = end.helper(helper.to_name, steps)
            assert amount == steps * helper.count
            assert end.helper(helper.from_name, amount) == steps


def _python(protocol: ullage.Protocol, values: dict[str, object]) -> tuple[int | None, bytes | None]:
    try:
        return 0, protocol.encode("report", values)
    except ullage.EncodeError as error:
        return error.status, None


def _units(helper: UnitHelper) -> Fraction:
    """One whole unit of the helper in the field's own unit."""
    scaled = helper.member.slot.transform
    assert isinstance(scaled, Scaled)
    return scaled.step / helper.count


def _amounts(helper: UnitHelper, rng: random.Random) -> list[int]:
    count, low, high = helper.count, helper.member.lowest, helper.member.highest
    edges = [step * count + more for step in (low, high, 0, (low + high) // 2) for more in range(-count - 1, count + 2)]
    edges = rng.sample(edges, 200) if len(edges) > 200 else edges
    ties = [step * count + count // 2 for step in range(max(low, -40) - 3, max(low, -40) + 40)]
    limits = [helper.wide.lowest, helper.wide.highest]
    return [*edges, *ties, *limits, *(rng.randint(*limits) for _ in range(50))]


def test_the_orchard_reads_a_battery_in_millivolts_as_python_reads_volts() -> None:
    need("gcc")
    orchard = ullage.load(Path(__file__).parents[2] / "spec" / "orchard.toml")
    end = CEnd(orchard, BUILDS[0])
    member = next(one for one in end.scopes["level_report"].members if one.slot.name == "battery")
    for millivolts in (1999, 2000, 2004, 2005, 2006, 2015, 3714, 3715, 3725, 4504, 4506, 0):
        clamped = min(max(Decimal(millivolts) / 1000, Decimal("2.00")), Decimal("4.50"))
        steps = end.helper("orchard_level_report_battery_from_mV", millivolts)
        assert steps == content_of(member, clamped)
