"""The emitted JavaScript module gives Python's values, readings, octets and refusals, for every case and option.

What it decodes encodes back to the same octets; what cannot be sent it refuses with the same status at the same field.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import ullage
from support.cases import Packer, received, seal, struct_contents
from support.decoder_answers import differs
from support.ends import _meant, need
from support.javascript_end import JavaScriptEnd, as_numbers, python_encodes
from support.protocols import specs
from support.tiny import generated, load
from ullage.layout import Binary32, Choice, Opaque, Repeat, Scaled, Sealing, Slot, Text
from ullage.values import Special
from ullage_codegen.c.header import model

SHIPPED = sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))
OPEN = [path for path in SHIPPED if ullage.load(path).seal is None]
"""Those of which this module encodes every frame."""
DRAWN = settings(
    max_examples=10,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)
NUMBERS = [
    "1e2",
    " 7 ",
    "+3.",
    ".5e1",
    "1/3",
    "-10/4",
    "0/7",
    "5/0",
    "1e999999999",
    "-1e-999999999",
    "-0",
    "0.5",
    "1e+22",
]
NO_NUMBERS = ["", ".", "e5", "0x10", "1_000", "١", "12\u00a0", "1,5", "Infinity", "NaN", "true", "--1", "1e1234567890"]
ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**25), 10**25),
    st.integers(-300, 300),
    st.floats(),
    st.floats(width=32),
    st.decimals(allow_nan=False, allow_infinity=False).map(str),
    st.from_regex(r"-?[0-9]{1,60}\.[0-9]{1,60}", fullmatch=True),
    st.sampled_from([*NUMBERS, *NO_NUMBERS]),
    st.text(max_size=12),
    st.just([1, 2]),
    st.just({"a": 1}),
)


@pytest.fixture(autouse=True)
def _node() -> None:
    need("node")


def stations(protocol: ullage.Protocol) -> list[int | None]:
    slot = protocol.destination_slot
    return [None] if slot is None else [None, 1, min((1 << slot.bits) - 1, 2**53 - 1)]


def decoders_agree(protocol: ullage.Protocol, rng: random.Random, most: int) -> set[int]:
    """All cases on both, at most so many, drawn by chance; the statuses that came up."""
    cases = [(octets, at) for octets in received(protocol, rng) for at in stations(protocol)]
    cases = rng.sample(cases, most) if len(cases) > most else cases
    answers = JavaScriptEnd(protocol).decode(cases)
    for (octets, at), answer in zip(cases, answers, strict=True):
        assert not (fault := differs(protocol, octets, at, answer)), f"{octets.hex(' ')} at {at}: {answer}\n{fault}"
    return {answer["status"] for answer in answers}


def encoders_agree(protocol: ullage.Protocol, cases: list[tuple[str, Any]]) -> set[int | None]:
    """All values on both; the statuses that came up, 0 for octets."""
    answers = JavaScriptEnd(protocol).encode(cases)
    for (frame, values), answer in zip(cases, answers, strict=True):
        assert answer == python_encodes(protocol, frame, values), (frame, values)
    return {answer.get("status", 0) for answer in answers}


def contents(protocol: ullage.Protocol, rng: random.Random, most: int) -> list[tuple[str, Any]]:
    """Values of any struct content, as the Python encoder takes them."""
    found: list[tuple[str, Any]] = []
    for frame in model(protocol).frames:
        every = list(islice(struct_contents(frame.scope, rng), 5 * most))
        some = rng.sample(every, min(len(every), most))
        found += [(frame.layout.name, _meant(frame.scope, one)) for one in some]
    return found


def sound(protocol: ullage.Protocol, frame: str, rng: random.Random) -> dict[str, Any]:
    """Any values that a frame can carry."""
    body = Packer(protocol.frames[frame], rng).random_body()
    return protocol.decode(seal(protocol, body)).values


def at_the_steps(slot: Slot, rng: random.Random) -> list[Any]:
    """Quantities on and between the steps of a slot, also just beside the middle: exact, as text, and as floats."""
    scaled = slot.transform
    if not isinstance(scaled, Scaled):
        return []
    steps = rng.choice([scaled.lowest, scaled.highest, rng.randint(scaled.lowest, scaled.highest)])
    tiny = Fraction(1, 10 ** rng.randint(1, 40))
    parts = [Fraction(0), Fraction(1, 2), Fraction(-1, 2), Fraction(1, 2) - tiny, Fraction(1, 2) + tiny, Fraction(1, 3)]
    exact = [(steps + part) * scaled.step for part in parts]
    return [*exact, *map(float, exact), *(Special(special.name) for special in scaled.specials)]


def odd_cases(protocol: ullage.Protocol, odd: list[Any], rng: random.Random) -> Iterator[tuple[str, Any]]:
    """Sound values with something odd in one or two places, and names that are missing or unknown."""
    for frame, layout in protocol.frames.items():
        yield frame, sound(protocol, frame, rng)
        for value in odd:
            values = sound(protocol, frame, rng)
            for _ in range(rng.choice((1, 1, 2))):
                spoil(layout.entries, values, value, rng)
            yield frame, values
    yield "no_such_frame", {}
    yield next(iter(protocol.frames)), [1]
    yield next(iter(protocol.frames)), None


def spoil(entries: Any, values: dict[str, Any], value: Any, rng: random.Random) -> None:
    """Put a value somewhere into values, or a name out or in."""
    way = rng.randrange(12)
    if way == 0 or not values:
        values["unknown_one"] = value
        return
    name = rng.choice(list(values))
    if way == 1:
        del values[name]
        return
    entry = next((entry for entry in entries if entry.name == name), None)
    if entry is None:
        return
    if not isinstance(entry, Slot):
        inside = values[name]
        if isinstance(entry, Repeat) and isinstance(inside, tuple) and way == 2:
            values[name] = inside[:-1] if rng.random() < 0.5 else inside * 3
        elif isinstance(inside, dict) and way > 3:
            spoil(entry.entries, inside, value, rng)
        elif isinstance(inside, tuple) and inside and way > 3:
            spoil(entry.entries, rng.choice(inside), value, rng)
        elif way == 3:
            values[name] = None if isinstance(value, bytes) else value
        return
    values[name] = fitted(entry, value, rng)


def fitted(slot: Slot, value: Any, rng: random.Random) -> Any:
    """The value, or one that means something in this slot; never one that only one of the languages has a type for."""
    match slot.transform:
        case Scaled():
            return as_numbers(rng.choice([value, *at_the_steps(slot, rng)]))
        case Choice() as choice:
            code = rng.choice(choice.codes)
            # -0.0 is a float in Python, and in JavaScript as whole a number as 0.
            return as_numbers(
                rng.choice([0 if value == 0 and value is not False else value, code.name, code.code, code.code + 1])
            )
        case Text(octets):
            return rng.choice([value, "a" * octets, "a" * (octets + 1), "~ ", "a\x7f", "é"])
        case Opaque(octets):
            longer = rng.choice([bytes(octets), bytes(octets + 1), b""])
            return longer if isinstance(value, str | list) else as_numbers(value)
        case Binary32():
            near = Fraction(*rng.choice([16777217.0, 3.4028235e38, 1e-45, 0.1]).as_integer_ratio())
            exact = near + Fraction(rng.choice((-1, 0, 1)), 10 ** rng.randint(1, 60))
            return as_numbers(rng.choice([value, exact, -exact, float(exact), -0.0]))
    return as_numbers(value)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_specs_decode_alike(path: Path) -> None:
    assert 0 in decoders_agree(ullage.load(path), random.Random(1), 1200)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_shipped_specs_encode_any_struct_content_alike(path: Path) -> None:
    protocol = ullage.load(path)
    assert 0 in encoders_agree(protocol, contents(protocol, random.Random(2), 300))


@settings(DRAWN, max_examples=6)
@given(st.lists(ODD, min_size=40, max_size=80), st.integers(0, 2**32))
def test_shipped_specs_encode_odd_values_alike(odd: list[Any], seed: int) -> None:
    rng = random.Random(seed)
    protocol = ullage.load(rng.choice(OPEN))
    encoders_agree(protocol, list(odd_cases(protocol, odd, rng)))


@DRAWN
@given(specs(), st.lists(ODD, min_size=10, max_size=30), st.integers(0, 2**32))
def test_any_legal_spec_agrees(text: str, odd: list[Any], seed: int) -> None:
    protocol, rng = generated(text), random.Random(seed)
    decoders_agree(protocol, rng, 150)
    encoders_agree(protocol, [*contents(protocol, rng, 60), *odd_cases(protocol, odd, rng)])


def test_every_status_of_an_encoder_comes_up() -> None:
    """Too many items, too few, a clamped field, a count and a flag that do not agree, a name too much and too few."""
    protocol = load(
        'name = "size", kind = "count", range = [1, 3]',
        'name = "more", kind = "flag"',
        'name = "pairs", kind = "list", counted_by = "size", at_most = 3, field = ['
        ' { name = "x", kind = "measure", unit = "m", range = [-2, 2], step = 0.5, clamp = true } ]',
        'name = "extra", kind = "group", when = "more", field = [ { name = "t", kind = "binary32", unit = "Cel" } ]',
    )
    one = {"x": 0.25}
    cases: list[tuple[str, Any]] = [("a", {"pairs": [one] * count, "extra": None}) for count in (0, 1, 3, 4)]
    cases += [("a", {"size": size, "pairs": [one] * 2, "extra": None}) for size in (1, 2, 7, "x")]
    cases += [("a", {"more": more, "pairs": [one], "extra": {"t": 1.5}}) for more in (False, True, 2, None)]
    cases += [("a", {"pairs": [{"x": x}], "extra": None}) for x in (-9, 9, "1e99", 1.75, -1.75, True, None)]
    no_lists: list[Any] = ["ab", {}, None, [1], [{}], [{"x": 1, "y": 1}]]
    no_groups: list[Any] = [1, [], {}, {"t": "x"}, {"t": 1e39}, {"t": 1, "u": 2}]
    cases += [("a", {"pairs": pairs, "extra": None}) for pairs in no_lists]
    cases += [("a", {"pairs": [one], "extra": extra}) for extra in no_groups]
    cases += [("a", {"pairs": [one]}), ("a", {"extra": None}), ("a", {"pairs": [one], "extra": None, "z": 1})]
    cases.append(("a", {"size": "x", "more": 2, "pairs": [one], "unknown": 1}))  # names before values, with lists
    assert encoders_agree(protocol, cases) == {0, None, 32, 33}


def test_low_octets_go_first_in_both_directions() -> None:
    protocol = load(
        'name = "whole", kind = "length", covers = "frame", bits = 16, octet_order = "low_first"',
        'name = "level", kind = "measure", unit = "mm", range = [-300, 300], step = 1, zero = 0, bits = 16, '
        'octet_order = "low_first"',
        'name = "rain", kind = "binary32", unit = "mm", octet_order = "low_first"',
        'name = "mode", kind = "code", codes = { a = 1, b = 770 }, bits = 24, octet_order = "low_first"',
        rest='[integrity]\ncrc = "CRC-16/IBM-3740"\noctet_order = "low_first"',
    )
    sent: list[dict[str, Any]] = [{"level": -2, "rain": 1.1, "mode": "b"}, {"level": 258, "rain": "1/3", "mode": "a"}]
    assert encoders_agree(protocol, [("a", values) for values in sent]) == {0}
    octets = [protocol.encode("a", values) for values in sent]
    for one, answer in zip(octets, JavaScriptEnd(protocol).decode([(one, None) for one in octets]), strict=True):
        assert not differs(protocol, one, None, answer)


def test_a_frame_without_values_takes_none() -> None:
    protocol = load('name = "mark", kind = "constant", bits = 8, value = 7')
    cases: list[tuple[str, Any]] = [("a", {}), ("a", {"mark": 7}), ("a", {"x": None}), ("b", {})]
    assert encoders_agree(protocol, cases) == {0, None}


def test_wide_whole_numbers_are_text_and_never_rounded() -> None:
    """Beyond 2^53 a Number cannot tell neighbours apart, so the field gives text for every value, also for 0."""
    protocol = load(
        'name = "wide", kind = "count", bits = 64',
        'name = "narrow", kind = "count", bits = 53',
        'name = "spare", kind = "spare", bits = 3',
        'name = "both", kind = "measure", unit = "m", range = [-9223372036854775808, 9223372036854775807], step = 1, '
        "zero = 0, bits = 64",
    )
    cases: list[dict[str, Any]] = [
        {"wide": wide, "narrow": narrow, "both": both}
        for wide in (0, 2**53, 2**53 + 1, 2**64 - 1)
        for narrow in (0, 2**53 - 1)
        for both in (-(2**63), -1, 0, 2**63 - 1)
    ]
    octets = [protocol.encode("a", values) for values in cases]
    answers = JavaScriptEnd(protocol).decode([(one, None) for one in octets])
    for values, one, answer in zip(cases, octets, answers, strict=True):
        assert answer["values"] == {**values, "wide": str(values["wide"]), "both": str(values["both"])}
        assert answer["again"] == one.hex()
    assert 32 in encoders_agree(protocol, [("a", {**cases[0], "wide": wide}) for wide in (2**64, 2**64 - 1, -1, 1e19)])


def test_half_a_step_goes_to_the_even_one_and_many_digits_count() -> None:
    protocol = load('name = "x", kind = "measure", unit = "V", range = [-5, 5], step = 0.01, bits = 16')
    texts = ["0.005", "0.015", "-0.005", "-0.015", f"0.005{'0' * 40}1", "4.9999", "5.005", "5.0051"]
    ratios = [f"{'1' * 50}/{'3' * 50}", f"{'1' * 400}/{'7' * 400}", f"{'1' * 401}/3", "-1/200", "-3/200"]
    given: list[Any] = [*texts, *map(float, texts), *ratios]
    assert encoders_agree(protocol, [("a", {"x": value}) for value in given]) == {0, None, 32}


def test_a_sealed_frame_is_refused_for_want_of_a_key() -> None:
    """The module holds no keys; length and address are asked before."""
    layout = load('name = "level", kind = "count", bits = 16').frames["a"]
    protocol = ullage.Protocol("tiny", 0, "", {"a": replace(layout, sealing=Sealing(None, 8))}, None)
    cases: list[tuple[bytes, int | None]] = [(bytes(count), None) for count in range(14)]
    answers = JavaScriptEnd(protocol).decode(cases)
    for (octets, _), answer in zip(cases, answers, strict=True):
        assert not (fault := differs(protocol, octets, None, answer)), fault
    assert 8 in {answer["status"] for answer in answers}
    encoders_agree(protocol, [("a", {"level": 1})])
