"""Python, its columns and the compiled C give the same values, octets, reasons and statuses, for every case and option.

For every octet string the decoders give a message that encodes back to those octets, or one named reason; all give
the same. For every content of the structs both encoders give the same octets, or the same status, and write nothing.
"""

import random
from functools import cache
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, reject, settings
from hypothesis import strategies as st

import ullage
from support.cases import received, struct_contents
from support.column_end import columns_agree
from support.ends import BUILDS, Answer, Build, CEnd, PythonEnd, need
from support.protocols import specs
from ullage.codes import reasons
from ullage.layout import Repeat
from ullage_codegen.c.header import model
from ullage_codegen.c.model import Scope

SHIPPED = sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))


@cache
def shipped(path: Path) -> ullage.Protocol:
    return ullage.load(path)


def stations(protocol: ullage.Protocol) -> list[int | None]:
    slot = protocol.destination_slot
    return [None] if slot is None else [None, 0, 1, (1 << slot.bits) - 1]


def agree(protocol: ullage.Protocol, build: Build, seed: int) -> None:
    """Run all cases on both ends; every reason and status that the protocol can give must come up."""
    rng = random.Random(seed)
    python, c = PythonEnd(protocol), CEnd(protocol, build)
    seen: set[int] = set()
    for octets in received(protocol, rng):
        for at in stations(protocol):
            answer = python.decode(octets, at)
            assert c.decode(octets, at) == answer, f"{octets.hex(' ')} at {at}"
            seen.add(answer.status)
            if answer.status == 0:
                assert answer.frame is not None
                assert answer.contents is not None
                assert protocol.frames[answer.frame].sealing is None
                again = Answer(0, octets=octets)
                assert python.encode(answer.frame, answer.contents) == again
                assert c.encode(answer.frame, answer.contents) == again
        for frame in protocol.frames:
            if protocol.least_octets <= len(octets) < python.single[frame].least_octets:
                continue  # a protocol of sealed frames alone calls this too short, one of others too a wrong length
            assert c.decode(octets, None, frame) == python.decode(octets, None, frame), octets.hex(" ")
    assert {int(reason) for reason in reasons(protocol, keyed=False)} <= seen
    assert 0 in seen
    for struct in model(protocol).frames:
        if struct.layout.sealing:
            continue  # only sealed: test_sealed_agrees
        statuses = set()
        for contents in struct_contents(struct.scope, rng):
            answer = python.encode(struct.layout.name, contents)
            assert c.encode(struct.layout.name, contents) == answer, contents
            statuses.add(answer.status)
            if answer.octets is not None:
                assert python.decode(answer.octets).status == 0
                assert c.decode(answer.octets) == python.decode(answer.octets)
                if not struct.layout.fixed:
                    no_room = Answer(int(ullage.Status.NO_ROOM))
                    assert c.encode(struct.layout.name, contents, len(answer.octets) - 1) == no_room
        assert statuses == expected_statuses(struct.scope)


def columns_too(protocol: ullage.Protocol, seed: int) -> None:
    """Run all cases that decoders get on the columns as well."""
    single, cases = PythonEnd(protocol).single, list(received(protocol, random.Random(seed)))
    for at in stations(protocol):
        columns_agree(protocol, single, cases, at)


def expected_statuses(scope: Scope) -> set[int]:
    """What an encoder of this struct can say, capacity aside."""
    lists = [inner.entry for one in scope.every for inner in one.inner if isinstance(inner.entry, Repeat)]
    members = [member for one in scope.every for member in one.members]
    refused = any(not member.total for member in members) or any(entry.least for entry in lists)
    too_many = any(entry.at_most < 255 for entry in lists)
    return {0, *({32} if refused else ()), *({33} if too_many else ())}


# Two builds are enough for what takes longest.
EVERY_BUILD = [
    pytest.param(path, build, id=f"{path.stem}-{build.name}")
    for path in SHIPPED
    for build in (BUILDS[::3] if path.stem == "modbus_read_registers" else BUILDS)
]


@pytest.mark.parametrize(("path", "build"), EVERY_BUILD)
def test_ends_agree_on_every_shipped_spec(path: Path, build: Build) -> None:
    need(build.compiler)
    agree(shipped(path), build, seed=1)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_columns_agree_on_every_shipped_spec(path: Path) -> None:
    columns_too(shipped(path), seed=1)


@settings(
    max_examples=16,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.large_base_example],
)
@given(specs(), st.integers(0, 2**32))
def test_ends_agree_on_generated_specs(text: str, seed: int) -> None:
    try:
        protocol = ullage.loads(text)
    except ullage.SpecError as error:
        if any(fault.code not in ("too_wide", "too_few_bits", "codes_overlap", "too_long") for fault in error.faults):
            raise
        reject()
    columns_too(protocol, seed)
    need("gcc")
    agree(protocol, BUILDS[seed % 3], seed)
