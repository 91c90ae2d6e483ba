"""Which codes stand for something, asked of every code of narrow slots, and which reasons a protocol can give."""

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from support.cases import received
from support.protocols import specs
from support.tiny import generated, load
from ullage import Refused, Status
from ullage.codes import accepted, example_code, gaps, reasons, refusable
from ullage.layout import Fixed, Slot, Text
from ullage.values import NOT_A_VALUE, reader

MEASURE = 'name = "x", kind = "measure", unit = "m", step = 1'


def sound(slot: Slot) -> list[int]:
    """The codes that the codec takes, found by asking for each."""
    if isinstance(slot.transform, Fixed):
        return [slot.transform.value]
    read = reader(slot)
    return [code for code in range(1 << slot.bits) if not read or read(code) is not NOT_A_VALUE]


def spread(spans: tuple[tuple[int, int], ...]) -> list[int]:
    return [code for low, high in spans for code in range(low, high + 1)]


@pytest.mark.parametrize(
    ("field", "runs", "free"),
    [
        (f"{MEASURE}, range = [0, 3]", ((0, 3),), ()),
        (f"{MEASURE}, range = [5, 6], zero = 0, bits = 4", ((5, 6),), ((0, 4), (7, 15))),
        (f"{MEASURE}, range = [0, 5], bits = 4, special = ['a', 'b']", ((0, 5), (14, 15)), ((6, 13),)),
        (f"{MEASURE}, range = [0, 5], bits = 4, special = {{ a = 6, b = 9 }}", ((0, 6), (9, 9)), ((7, 8), (10, 15))),
        (f"{MEASURE}, range = [-3, 2], zero = 0, bits = 4", ((0, 2), (13, 15)), ((3, 12),)),
        (f"{MEASURE}, range = [-3, 0], zero = 0, bits = 4", ((0, 0), (13, 15)), ((1, 12),)),
        (f"{MEASURE}, range = [-3, -2], zero = 0, bits = 4", ((13, 14),), ((0, 12), (15, 15))),
        (f"{MEASURE}, range = [-8, 7], zero = 0", ((0, 15),), ()),
        ('name = "x", kind = "code", codes = { a = 1, b = 2, c = 7 }', ((1, 2), (7, 7)), ((0, 0), (3, 6))),
        ('name = "x", kind = "constant", bits = 3, value = 2', ((2, 2),), ((0, 1), (3, 7))),
        ('name = "x", kind = "spare", bits = 2', ((0, 0),), ((1, 3),)),
        ('name = "x", kind = "flag"', ((0, 1),), ()),
        ('name = "x", kind = "octets", octets = 1', ((0, 255),), ()),
    ],
)
def test_codes_that_stand_for_something_and_those_between(
    field: str, runs: tuple[tuple[int, int], ...], free: tuple[tuple[int, int], ...]
) -> None:
    slot = load(field).frames["a"].slots[0]
    assert (accepted(slot), gaps(slot)) == (runs, free)
    assert sound(slot) == spread(runs)


@settings(derandomize=True, deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))
@given(specs())
def test_runs_and_gaps_are_what_the_codec_says_of_every_code(text: str) -> None:
    for layout in generated(text).frames.values():
        for slot in layout.slots:
            if slot.bits <= 11 and not isinstance(slot.transform, Text):
                assert spread(accepted(slot)) == sound(slot)
                assert sorted(spread(accepted(slot)) + spread(gaps(slot))) == list(range(1 << slot.bits))
                assert (slot in refusable(layout)) == bool(gaps(slot))
                assert example_code(slot) in sound(slot)


def test_codes_of_a_text_are_no_runs() -> None:
    layout = load('name = "x", kind = "text", octets = 2').frames["a"]
    for ask in (accepted, gaps):
        with pytest.raises(TypeError, match="x: the codes of a text are no runs"):
            ask(layout.slots[0])
    assert example_code(layout.slots[0]) == 0
    assert refusable(layout) == layout.slots


def test_reasons_come_in_the_order_of_the_questions_and_only_those_that_can_come() -> None:
    least = load('name = "x", kind = "count", bits = 8')
    assert reasons(least) == (Status.TOO_LONG, Status.WRONG_LENGTH)
    most = load(
        'name = "x", kind = "count", range = [1, 2]',
        'name = "c", kind = "constant", bits = 1, value = 1',
        header='{ name = "r", kind = "revision", bits = 3 }, { name = "m", kind = "message", bits = 5 }, '
        '{ name = "to", kind = "destination", bits = 8 }',
        protocol="revision = 1",
        frame="message = 1",
        rest='[integrity]\ncrc = "CRC-8/SMBUS"',
    )
    names = "too_short too_long integrity other_revision unknown_message wrong_length not_addressed"
    assert " ".join(map(str, reasons(most))) == f"{names} wrong_constant spare_not_zero not_a_value"
    assert Status.NOT_ADDRESSED not in reasons(most, addressed=False)
    full = load('name = "x", kind = "octets", octets = 255', header="")
    assert Status.WRONG_LENGTH in reasons(full)  # nothing is too short without a header and a CRC


@settings(derandomize=True, deadline=None, max_examples=15, suppress_health_check=list(HealthCheck))
@given(specs(), st.integers(0, 2**32))
def test_a_protocol_gives_just_the_reasons_that_it_can_give(text: str, seed: int) -> None:
    protocol, seen = generated(text), set()
    slot = protocol.destination_slot
    stations = [None] if slot is None else [None, 0, 1, (1 << slot.bits) - 1]
    for octets in received(protocol, random.Random(seed)):
        for at in stations:
            try:
                protocol.decode(octets, at)
            except Refused as refused:
                seen.add(refused.reason)
    assert seen == set(reasons(protocol))
