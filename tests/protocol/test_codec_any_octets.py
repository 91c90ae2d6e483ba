"""For every octet string the decoder gives a message that encodes back to those octets, or one named reason.

What encodes decodes to the same, floats go to the step that exact arithmetic says, and come back correctly rounded.
"""

import math
import random
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import ullage
from support.cases import Packer, received, seal
from support.protocols import specs
from support.tiny import generated, load
from ullage.codes import accepted, reasons
from ullage.layout import Scaled, Slot
from ullage.quantity import exact, nearest_steps
from ullage.values import reader, writer

SHIPPED = [ullage.load(path) for path in sorted((Path(__file__).parents[2] / "spec").glob("*.toml"))]
ENTRIES = settings(derandomize=True, deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))


def judge(protocol: ullage.Protocol, octets: bytes, at: int | None = None) -> str:
    """The reason; with it everything that must hold for whatever octets."""
    try:
        message = protocol.decode(octets, at)
    except ullage.Refused as refused:
        return check_refusal(protocol, octets, refused)
    assert protocol.encode(message.frame, message.values) == octets
    entries = protocol.frames[message.frame].entries
    assert [one.name for one in entries if not isinstance(one, Slot) or one.given] == list(message.values)
    return "fine"


def check_refusal(protocol: ullage.Protocol, octets: bytes, refused: ullage.Refused) -> str:
    """What a refusal says is what stands in the octets."""
    assert refused.reason in reasons(protocol)
    if int(refused.reason) == 8:
        assert protocol.frames[str(refused.frame)].sealing
        return str(refused.reason)
    assert refused.raw is not None
    assert refused.expected
    assert str(refused)
    if refused.reason == 6 and refused.field is not None:
        assert protocol.frames[str(refused.frame)].slot(refused.field).kind == "length"
    elif refused.reason in (1, 2, 6):
        assert (refused.raw, refused.field, refused.bit) == (len(octets), None, None)
    elif refused.reason != 3:
        assert refused.bit is not None
        layout = protocol.frames[refused.frame] if refused.frame else next(iter(protocol.frames.values()))
        slot = next((slot for slot in layout.slots if slot.offset == refused.bit), None)
        assert slot or not layout.fixed
        if slot:
            assert slot.name == (refused.field or "")
            bits = int.from_bytes(octets, "big") >> (8 * len(octets) - slot.end) & (1 << slot.bits) - 1
            assert refused.raw == slot.turned(bits)
    return str(refused.reason)


@ENTRIES
@given(specs(), st.integers(0, 2**32))
def test_any_octets_are_a_message_that_encodes_back_or_a_refusal_of_generated_protocols(text: str, seed: int) -> None:
    protocol, rng = generated(text), random.Random(seed)
    slot = protocol.destination_slot
    for octets in received(protocol, rng):
        judge(protocol, octets)
        if slot and rng.random() < 0.2:
            judge(protocol, octets, rng.randrange(1 << slot.bits))


@ENTRIES
@given(specs(), st.integers(0, 2**32))
def test_what_encodes_decodes_to_the_same_codes_of_generated_protocols(text: str, seed: int) -> None:
    protocol, rng = generated(text), random.Random(seed)
    for layout in protocol.frames.values():
        for _ in range(5):
            octets = seal(protocol, Packer(layout, rng).random_body())
            assert judge(protocol, octets) == "fine"
            assert layout.least_octets <= len(octets) <= layout.octets


@pytest.mark.parametrize("protocol", SHIPPED, ids=lambda protocol: protocol.name)
def test_random_octets_with_a_right_crc_are_judged_by_everything_behind_it(protocol: ullage.Protocol) -> None:
    rng, seen = random.Random(3), set()
    codes = {layout.message: layout for layout in protocol.frames.values()}
    for _ in range(4000):
        layout = rng.choice(list(codes.values()))
        body = bytearray(rng.randbytes(layout.body_octets + layout.tag_octets + rng.choice((0, 0, 0, 0, 1, -1))))
        if protocol.revision_slot and rng.random() < 0.9:
            body[0] = protocol.revision << 5 | (layout.message or 0)
        seen.add(judge(protocol, seal(protocol, bytes(body))))
    several = {"fine", "not_a_value", "other_revision"}
    if protocol.seal:  # of a status report's random octets few are one
        several = {"no_key", "not_a_value", "other_revision"}
    assert seen >= ({"fine", "wrong_length"} if len(codes) == 1 else several)


@pytest.mark.parametrize("protocol", SHIPPED, ids=lambda protocol: protocol.name)
def test_no_octets_of_any_length_bring_anything_but_a_message_or_a_refusal(protocol: ullage.Protocol) -> None:
    rng = random.Random(4)
    for length in [*range(300), 1000, 70_000]:
        assert judge(protocol, rng.randbytes(length)) in ("too_short", "too_long", "integrity")


# Floats

STEPS = [*("1", "10", "60", "0.5", "0.1", "0.01", "0.25", "0.004", "2.5", "0.3", "7", "1e-9", "1e9"), "1e-40", "1e40"]


FIRST = -(1 << 60)


def wide_slot(step: Decimal, signed: bool = False) -> Slot:
    """A slot of 64 bits with this step, from -2^60 to 2^60 steps; raw 0 is -2^60 steps, or 0 when signed."""
    scaled = Scaled("x", Fraction(step), 0 if signed else FIRST, FIRST, -FIRST, signed=signed)
    return Slot("x", "measure", 0, 64, scaled)


def near(step: Fraction, rng: random.Random) -> float:
    """A float anywhere, at a step, at a tie, or one or two floats beside these."""
    steps = rng.randint(-1, 1) * rng.randrange(1 << rng.choice((8, 20, 39, 41, 52, 59)))
    way = rng.randrange(4)
    if way == 0:
        return float(step) * rng.uniform(-400, 400)
    value = float((steps + Fraction(way % 2, 2)) * step)
    for _ in range(rng.randrange(3)):
        value = math.nextafter(value, rng.choice((-math.inf, math.inf)))
    return value


def test_100_000_floats_near_steps_and_ties_go_where_exact_arithmetic_says() -> None:
    """The encoder's short way with floats never differs from the decimal text of the float, exactly computed."""
    rng = random.Random(5)
    ties = 0
    for step_text in STEPS:
        step = Fraction(step_text)
        write = writer(wide_slot(Decimal(step_text)), "a")
        for _ in range(100_000 // len(STEPS)):
            value = near(step, rng)
            meant = exact(value)
            ties += (meant / step).denominator == 2
            assert write(value) == nearest_steps(meant, step) - FIRST, (value, step_text)
    assert ties > 10_000


def test_decoded_floats_are_the_correctly_rounded_quantity() -> None:
    """The oracle is Python's own reading of the exact decimal text, which is correctly rounded (IEEE 754, 5.12)."""
    rng = random.Random(6)
    for step_text in ("0.1", "0.01", "0.3", "0.004", "2.5", "1e-9", "1e-40", "0.7"):
        unsigned, signed = (reader(wide_slot(Decimal(step_text), signed)) for signed in (False, True))
        assert unsigned
        assert signed
        for _ in range(2000):
            steps = rng.choice((rng.randint(-1000, 1000), rng.randint(FIRST, -FIRST)))
            value = float(format(steps * Decimal(step_text), "f"))
            for read in (unsigned(steps - FIRST), signed(steps % (1 << 64))):
                assert type(read) is float
                assert read == value


def test_every_reading_of_a_fine_step_encodes_back_from_its_float() -> None:
    protocol = load('name = "x", kind = "measure", unit = "V", range = [-65.536, 65.535], step = 0.001, zero = 0')
    layout = protocol.frames["a"]
    ((low, high), *more) = accepted(layout.slots[0])
    for code in range(low, high + 1, 7):
        octets = (code << 7).to_bytes(3, "big")  # 17 bits and 7 fill bits
        assert protocol.encode("a", protocol.decode(octets).values) == octets
    assert not more


def test_the_finest_step_that_a_float_tells_apart_is_the_finest_that_a_spec_may_have() -> None:
    keys = 'name = "x", kind = "measure", unit = "s", step = 0.1, range = [0, {}]'
    protocol = load(keys.format("225179981368524.7"))  # 2^51 - 1 steps
    rng = random.Random(9)
    for steps in [(1 << 51) - 1, *(rng.randrange(1 << 50, 1 << 51) for _ in range(500))]:
        octets = (steps << 5).to_bytes(7, "big")  # 51 bits and 5 fill bits
        assert protocol.encode("a", protocol.decode(octets).values) == octets
    with pytest.raises(ullage.SpecError, match="cannot be told apart"):
        load(keys.format("225179981368524.8"))
