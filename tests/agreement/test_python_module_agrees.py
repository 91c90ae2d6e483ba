"""The emitted Python module gives the same values, octets and reasons as the toolkit, down to the text of a refusal.

What is sealed is in `test_python_module_sealed_agrees`.
"""

import itertools
import random
from decimal import Decimal
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, reject, settings
from hypothesis import strategies as st

import ullage
from support.cases import received, struct_contents
from support.ends import Answer, PythonEnd
from support.protocols import specs
from support.python_module_end import PythonModuleEnd, complaint, module_of, refusal
from support.varied import CRC, HISTORY, SUM, UART, VALUES
from ullage.codes import reasons
from ullage.words.samples import sample
from ullage_codegen.c.header import model

SHIPPED = sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))
OPEN = [path for path in SHIPPED if ullage.load(path).seal is None]


def stations(protocol: ullage.Protocol) -> list[int | None]:
    slot = protocol.destination_slot
    return [None] if slot is None else [None, 0, 1, (1 << slot.bits) - 1]


def agree(protocol: ullage.Protocol, seed: int, most: int = 100_000) -> None:
    """Run all cases on both, `most` of them each way; every reason that the protocol can give must come up in all."""
    rng = random.Random(seed)
    python, emitted = PythonEnd(protocol), PythonModuleEnd(protocol)
    seen: set[int] = set()
    turns = itertools.cycle(stations(protocol)[1:])
    cases = list(received(protocol, rng))
    for octets in cases if len(cases) <= most else rng.sample(cases, most):
        for at in {None, next(turns, None)}:
            seen.add(same_answer(protocol, emitted.module, octets, at))
    assert len(cases) > most or {0, *map(int, reasons(protocol))} <= seen
    for struct in model(protocol).frames:
        for contents in itertools.islice(struct_contents(struct.scope, rng), most // 2):
            assert emitted.encode(struct.layout.name, contents) == python.encode(struct.layout.name, contents), contents


def same_answer(protocol: ullage.Protocol, module: Any, octets: bytes, at: int | None) -> int:
    """Decode on both: the same message, which encodes back, or the same refusal. Returns the reason's number."""
    case = f"{octets.hex(' ')} at {at}"
    ours = answer(protocol, ullage.Refused, octets, at)
    if isinstance(ours, ullage.Refused):
        theirs = answer(module, module.Refused, octets, at)
        assert isinstance(theirs, module.Refused), case
        assert refusal(theirs) == refusal(ours), case
        return int(ours.reason)
    message = module.decode(octets, at)
    values = module.values(message)
    assert values == ours.values, case
    assert kinds(values) == kinds(ours.values), case
    frame = module.frame_of(message)
    assert frame == ours.frame
    assert module.encode(frame, values) == octets, case
    assert module.FRAMES[frame](**vars(message)) == message
    return 0


def answer(end: Any, refused: type[Exception], octets: bytes, at: int | None) -> Any:
    """What a protocol or a module says: its message, or its refusal."""
    try:
        return end.decode(octets, at)
    except refused as error:
        return error


def kinds(values: Any) -> list[type]:
    """The types of the leaves of some values; a special code's name is a plain text in the module."""
    if isinstance(values, dict):
        return [leaf for value in values.values() for leaf in kinds(value)]
    if isinstance(values, tuple):
        return [leaf for value in values for leaf in kinds(value)]
    return [str if isinstance(values, str) else type(values)]


@cache
def pair(text: str) -> tuple[ullage.Protocol, Any]:
    protocol = ullage.loads(text)
    return protocol, module_of(protocol)


@pytest.mark.parametrize("path", OPEN, ids=lambda path: path.stem)
def test_the_module_agrees_on_every_shipped_spec(path: Path) -> None:
    agree(ullage.load(path), seed=1)


@pytest.mark.parametrize("text", [HISTORY + CRC, HISTORY + SUM, UART], ids=["lists", "sum", "length"])
def test_the_module_agrees_on_frames_that_vary(text: str) -> None:
    agree(ullage.loads(text), seed=2)


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.large_base_example],
)
@given(specs(), st.integers(0, 2**32))
def test_the_module_agrees_on_generated_specs(text: str, seed: int) -> None:
    try:
        protocol = ullage.loads(text)
    except ullage.SpecError as error:
        if any(fault.code not in ("too_wide", "too_few_bits", "codes_overlap", "too_long") for fault in error.faults):
            raise
        reject()
    agree(protocol, seed, most=120)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_module_of_one_frame_is_a_decoder_of_that_frame(path: Path) -> None:
    protocol = ullage.load(path)
    python, emitted = PythonEnd(protocol), PythonModuleEnd(protocol)
    for octets in list(received(protocol, random.Random(3)))[::25]:
        for frame in protocol.frames:
            assert emitted.decode(octets, None, frame) == python.decode(octets, None, frame)


NUMBERS = st.one_of(
    st.integers(-(2**70), 2**70),
    st.integers(-300, 7000),
    st.floats(),
    st.floats(-300, 7000),
    st.decimals(),
    st.decimals(-300, 7000, places=3),
    st.fractions(),
    st.integers(-600, 9000).map(lambda tenths: tenths / 10),
    st.integers(-6000, 9000).map(lambda halves: Decimal(halves) / 200),
    st.sampled_from(["3.71", " 4 ", "1/3", "1e3", "1e999999999", "-1e-999999999", "1/0", "", "x", "\u0664", "0x10"]),
)
ODD = st.one_of(
    st.booleans(), st.none(), st.text(max_size=8), st.binary(max_size=7), st.just(2**20000), st.just([]), st.just({}),
    st.sampled_from(["no_echo", "too_close", "No_Echo", "shut", "ajar", "open", "power", "sensor", "no_sensor"]),
    st.just(memoryview(b"abcdef")), st.just(Fraction(10**45, 3)), st.just(int), st.just((1, 2)),
)  # fmt: skip
ORCHARD = (Path(__file__).parents[2] / "spec" / "orchard.toml").read_text(encoding="utf-8")
WRITERS = [(ORCHARD, frame) for frame in ("level_report", "status_report", "valve_order")]
WRITERS += [(HISTORY + CRC, frame) for frame in ("history", "flow", "words")]


def both(text: str, frame: str, values: Any) -> tuple[object, object]:
    """What the toolkit and the module make of values: octets, or all that the error says."""
    protocol, module = pair(text)
    try:
        ours: object = protocol.encode(frame, values)
    except ullage.EncodeError as error:
        ours = complaint(error)
    try:
        theirs: object = module.encode(frame, values)
    except module.EncodeError as error:
        theirs = complaint(error)
    return ours, theirs


@settings(max_examples=300, deadline=None, derandomize=True, phases=[Phase.generate])
@given(st.sampled_from(WRITERS), st.data())
def test_the_encoder_takes_and_refuses_the_same_python_values(which: tuple[str, str], data: st.DataObject) -> None:
    text, frame = which
    values: dict[str, Any] = dict(sample(pair(text)[0].frames[frame]))
    scope = values
    if frame == "history":
        values["readings"] = [dict(item) for item in values["readings"]]
        values["extra"] = dict(values["extra"])
        scope = data.draw(st.sampled_from([values, values["readings"][0], values["extra"]]))
    name = data.draw(st.sampled_from(sorted(scope)))
    scope[name] = data.draw(NUMBERS | ODD)
    ours, theirs = both(text, frame, values)
    assert theirs == ours


@pytest.mark.parametrize(
    "change",
    [
        {"number": 2}, {"number": 3}, {"number": None}, {"number": "2"}, {"number": 99}, {"has_extra": True},
        {"has_extra": False}, {"has_extra": 1}, {"has_extra": 7}, {"has_extra": None}, {"extra": None},
        {"extra": None, "has_extra": True}, {"readings": ()}, {"readings": "ab"}, {"readings": 5}, {"readings": [1]},
        {"readings": [{}]}, {"readings": [{"level": 1, "ok": True, "more": 1}]}, {"more": 1}, {"message": 1},
        {"extra": {"t": 1, "cal": 1, "runs": ()}}, {"extra": {"t": 1, "cal": 1, "runs": ({"secs": 200},)}},
        {"extra": {"t": 1, "cal": float("nan"), "runs": ({"secs": 2},)}}, {"extra": 5}, {"extra": []},
        {"extra": {"t": 1, "cal": 1, "n": 2, "runs": ({"secs": 2},)}}, {"readings": ({"level": 1, "ok": 1},) * 5},
        {"extra": {"t": -99, "cal": 3.4028236e38, "runs": ({"secs": 2},)}},
    ],
    ids=str,
)  # fmt: skip
def test_lists_groups_and_what_follows_from_them_are_judged_the_same(change: dict[str, Any]) -> None:
    ours, theirs = both(HISTORY + CRC, "history", {**VALUES, **change})
    assert theirs == ours


@pytest.mark.parametrize("values", [{}, {"source": 1}, [], None, "source", {"much": 1, "ratio": 2, "x": 3, "y": 4}])
@pytest.mark.parametrize("frame", ["history", "flow", "nothing", 5])
def test_wrong_names_and_wrong_mappings_get_the_same_answer(frame: Any, values: Any) -> None:
    ours, theirs = both(HISTORY + CRC, frame, values)
    assert theirs == ours


@pytest.mark.parametrize("values", [{}, {"mark": 1}, {"more": 1}])
def test_a_frame_with_nothing_to_give_gets_the_same_answer(values: Any) -> None:
    field = '[{ name = "mark", kind = "constant", bits = 8, value = 1 }]'
    ours, theirs = both(f'[protocol]\nname = "bare"\n[[frame]]\nname = "only"\nfield = {field}\n', "only", values)
    assert theirs == ours


@pytest.mark.parametrize("at", [True, -1, 256, 1.0, "1"])
def test_a_wrong_station_gets_the_same_value_error(at: Any) -> None:
    protocol, module = pair(ORCHARD)
    with pytest.raises(ValueError) as ours:
        protocol.decode(b"", at)
    with pytest.raises(ValueError) as theirs:
        module.decode(b"", at)
    assert str(theirs.value) == str(ours.value)


def test_a_station_without_destinations_gets_the_same_value_error() -> None:
    protocol, module = pair(HISTORY + CRC)
    with pytest.raises(ValueError) as ours:
        protocol.decode(b"", 1)
    with pytest.raises(ValueError) as theirs:
        module.decode(b"", 1)
    assert str(theirs.value) == str(ours.value)


def test_the_ends_have_one_face() -> None:
    protocol, _ = pair(ORCHARD)
    assert PythonModuleEnd(protocol).decode(b"") == Answer(1)
