"""The vectors hold on implementations that had no part in making them: the compiled C, the columns, `construct`.

Those with a key are for receivers that open and senders that seal: here the C ones, and the emitted Python module in
`test_vectors_sealed`.

They are read from the file as a stranger would, with nothing but the layouts to tell octets from text.
"""

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import construct
import pytest
from hypothesis import HealthCheck, Phase, given, settings

import ullage
from support.ends import BUILDS, Answer, Build, CEnd, Contents, need
from support.protocols import sealed_specs, specs
from support.sealed_ends import CSealedEnd, Heard, Memory, Sent
from support.sealed_specs import SEALED
from support.tiny import generated
from ullage import binary32, columns
from ullage.layout import Binary32, Choice, Entry, Flag, Gate, Length, Opaque, Repeat, Scaled, Slot
from ullage.quantity import exact
from ullage.seal import Key
from ullage.seal.counter import record
from ullage.values import Special, writer
from ullage_codegen.c.content import content_of
from ullage_codegen.c.model import Inner, Member, Scope
from ullage_codegen.vectors.document import emitted_vectors

SHIPPED = [ullage.load(path) for path in sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))]
VARIED = settings(
    derandomize=True, deadline=None, max_examples=5, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)
BY_CONSTRUCT = {"integrity", "wrong_constant", "spare_not_zero", "wrong_count", "other_revision", "unknown_message"}
"""Reasons that construct must find as well, as it knows nothing of ranges, stations and lengths."""


@cache
def read(protocol: ullage.Protocol) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(emitted_vectors(protocol, "test.toml").text)
    return data


def meant(entries: tuple[Entry, ...], values: dict[str, Any]) -> dict[str, Any]:
    """The values of a vector as Python has them; flags of groups that were left out follow."""
    found: dict[str, Any] = {}
    gates = {entry.when: entry.name for entry in entries if isinstance(entry, Gate)}
    for entry in entries:
        value = values.get(entry.name)
        if isinstance(entry, Repeat):
            found[entry.name] = tuple(meant(entry.entries, item) for item in values[entry.name])
        elif isinstance(entry, Gate):
            found[entry.name] = None if value is None else meant(entry.entries, value)
        elif entry.name in values:
            found[entry.name] = _meant_value(entry, value)
        elif entry.name in gates:
            found[entry.name] = values[gates[entry.name]] is not None
    return found


def _meant_value(slot: Slot, value: Any) -> Any:
    if isinstance(value, dict):
        return Special(value["special"])
    return bytes.fromhex(value) if isinstance(slot.transform, Opaque) else value


# ---- C --------------------------------------------------------------------------------------------------------------


def held(scope: Scope, values: dict[str, Any]) -> Contents | None:
    """What a struct holds for values; None where it cannot."""
    found: Contents = {}
    for entry in scope.entries:
        if isinstance(entry, Member):
            content = _held(entry, values[entry.slot.name])
            if content is None:
                return None
            found[entry.slot.name] = content
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            items = [held(entry.scope, item) for item in values[entry.name]]
            if None in items or len(items) > 255:
                return None
            found[entry.name] = tuple(items)
        elif isinstance(entry, Inner):
            inner = values[entry.name]
            found[entry.name] = None if inner is None else held(entry.scope, inner)
            if inner is not None and found[entry.name] is None:
                return None
    return found


def _held(member: Member, value: Any) -> int | bytes | None:
    match member.slot.transform:
        case Binary32():
            return binary32.code_of(float(value))
        case Scaled(step=step) if not isinstance(value, str):
            steps = exact(value) / step
            taken = {condition.value for condition in member.conditions}
            content: int | bytes | None = int(steps) if steps.denominator == 1 and int(steps) not in taken else None
        case Choice() | Flag() if isinstance(value, int):
            content = int(value)
        case _:
            content = content_of(member, value)
    if isinstance(content, bytes):
        return content if len(content) == member.length else None
    return content if content is not None and member.ctype.holds(content) else None


def c_agrees(protocol: ullage.Protocol, build: Build) -> None:
    """Every vector that a struct can hold, on the compiled header."""
    end, data = CEnd(protocol, build), read(protocol)
    for vector in data["decode"]:
        if "key" in vector:
            continue
        octets = bytes.fromhex(vector["octets"])
        answer = end.decode(octets, vector.get("at"))
        if "refused" in vector:
            assert answer == Answer(vector["reason"]), vector["name"]
            continue
        frame = vector["frame"]
        contents = held(end.scopes[frame], meant(protocol.frames[frame].entries, vector["values"]))
        assert contents is not None
        assert answer == Answer(0, frame, contents), vector["name"]
        assert end.encode(frame, contents) == Answer(0, octets=octets), vector["name"]
    for vector in data["encode"]:
        frame = vector["frame"]
        contents = held(end.scopes[frame], meant(protocol.frames[frame].entries, vector["values"]))
        if contents is None or "key" in vector:
            continue
        wanted = Answer(vector.get("status", 0), octets=bytes.fromhex(vector["octets"]) if "octets" in vector else None)
        assert end.encode(frame, contents, vector.get("capacity")) == wanted, vector["name"]


@pytest.mark.parametrize("build", [BUILDS[1], BUILDS[4]], ids=lambda build: build.name)
@pytest.mark.parametrize("protocol", SHIPPED, ids=lambda protocol: protocol.name)
def test_the_compiled_header_agrees_with_the_vectors(protocol: ullage.Protocol, build: Build) -> None:
    need(build.compiler)
    c_agrees(protocol, build)


@VARIED
@given(specs())
def test_the_compiled_header_agrees_with_the_vectors_of_a_generated_spec(text: str) -> None:
    need("gcc")
    c_agrees(generated(text), BUILDS[1])


def sealed_c_agrees(protocol: ullage.Protocol, build: Build) -> None:
    """Every vector with a key, on the compiled header's receiver and sealers."""
    data = read(protocol)
    examples = {one["frame"]: one for one in reversed(data["decode"]) if one["name"].endswith(": an example")}
    for vector in data["decode"]:
        if "key" not in vector:
            continue
        end = CSealedEnd(protocol, build, owned(vector), vector.get("highest", 0))
        if "highest" in vector:
            accepted = numbered(protocol, examples[vector["name"].split(":")[0]], vector["highest"])
            assert end.receive(accepted, None).status == 0, vector["name"]
        found = end.receive(bytes.fromhex(vector["octets"]), vector.get("at"))
        if "refused" in vector:
            assert found == Heard(vector["reason"]), vector["name"]
            continue
        frame = vector["frame"]
        contents = held(end.scopes[frame], meant(protocol.frames[frame].entries, vector["values"]))
        assert found == Heard(0, frame, contents, vector["counter"]), vector["name"]
    for vector in data["encode"]:
        if "key" in vector:
            sealed_alike(protocol, CSealedEnd(protocol, build, {}), vector)


def owned(vector: dict[str, Any]) -> dict[int | None, Key]:
    station = vector["key"]["station"]
    return {station: Key(bytes.fromhex(vector["key"]["octets"]), station)}


class One:
    """A counter that hands out one number."""

    def __init__(self, number: int) -> None:
        self.number = number

    def take(self) -> int:
        return self.number


def numbered(protocol: ullage.Protocol, example: dict[str, Any], number: int) -> bytes:
    """The example's frame under another number."""
    layout = protocol.frames[example["frame"]]
    source = next(slot.name for slot in layout.slots if slot.kind == "source")
    values = meant(layout.entries, example["values"])
    sender = ullage.Sender(protocol, values[source], owned(example), One(number))
    return sender.encode(layout.name, values)


def sealed_alike(protocol: ullage.Protocol, end: CSealedEnd, vector: dict[str, Any]) -> None:
    """One encode vector; the counter's memory is as it is when the vector's number is the next."""
    frame = vector["frame"]
    contents = held(end.scopes[frame], meant(protocol.frames[frame].entries, vector["values"]))
    if contents is None:
        return
    assert protocol.seal is not None
    bits = protocol.seal.counter_bits
    limit = record(min(vector["counter"], (1 << bits) - 1), bits)
    end.begin(Memory([limit, limit]), 1)
    wanted = Sent(vector.get("status", 0), bytes.fromhex(vector["octets"]) if "octets" in vector else None)
    key = next(iter(owned(vector).values()))
    assert end.seal(frame, contents, key, vector.get("capacity")) == wanted, vector["name"]


@pytest.mark.parametrize("name", [name for name in SEALED if "256" not in name])
def test_the_compiled_receiver_and_sealers_agree_with_the_vectors(name: str) -> None:
    need("gcc")
    protocol = ullage.loads(SEALED[name])
    c_agrees(protocol, BUILDS[1])
    sealed_c_agrees(protocol, BUILDS[1])


@VARIED
@given(sealed_specs())
def test_the_compiled_receiver_and_sealers_agree_with_the_vectors_of_a_generated_spec(text: str) -> None:
    need("gcc")
    protocol = generated(text)
    if protocol.seal is not None and protocol.seal.key_bits == 128:
        sealed_c_agrees(protocol, BUILDS[1])


# ---- the columns ----------------------------------------------------------------------------------------------------


def columns_agree(protocol: ullage.Protocol) -> None:
    """All decode vectors as one table for each receiving station."""
    data = read(protocol)
    for at in dict.fromkeys(vector.get("at") for vector in data["decode"]):
        rows = [vector for vector in data["decode"] if vector.get("at") == at and "key" not in vector]
        answer = columns.decode_many(protocol, [bytes.fromhex(vector["octets"]) for vector in rows], at)
        assert answer.reason.tolist() == [vector.get("reason", 0) for vector in rows]
        found = {number: message.values for number, message in answer.messages.items()}
        for name, numbers in answer.rows.items():
            found |= {number: answer.columns[name].row(row) for row, number in enumerate(numbers.tolist())}
        for number, vector in enumerate(rows):
            if "values" in vector:
                entries = protocol.frames[vector["frame"]].entries
                assert found[number] == meant(entries, vector["values"]), vector["name"]


@pytest.mark.parametrize("protocol", SHIPPED, ids=lambda protocol: protocol.name)
def test_the_columns_agree_with_the_vectors(protocol: ullage.Protocol) -> None:
    columns_agree(protocol)


@VARIED
@given(specs())
def test_the_columns_agree_with_the_vectors_of_a_generated_spec(text: str) -> None:
    columns_agree(generated(text))


# ---- construct ------------------------------------------------------------------------------------------------------


def codes(entries: tuple[Entry, ...], values: dict[str, Any], parsed: Any) -> Iterator[tuple[str, int, int]]:
    """Of each slot with a value: its name, its bits as construct reads them, and those that the value has."""
    for entry in entries:
        if isinstance(entry, Repeat):
            for item, inner in zip(values[entry.name], parsed[entry.name], strict=True):
                yield from codes(entry.entries, item, inner)
        elif isinstance(entry, Gate):
            if values[entry.name] is not None:
                yield from codes(entry.entries, values[entry.name], parsed[entry.name])
        elif entry.given and not isinstance(entry.transform, Length):
            yield entry.name, entry.turned(parsed[entry.name]), writer(entry, "")(values[entry.name])


@pytest.mark.parametrize("protocol", SHIPPED, ids=lambda protocol: protocol.name)
def test_construct_reads_the_codes_of_accepted_vectors_and_refuses_damage(protocol: ullage.Protocol) -> None:
    described = protocol.as_construct()
    for vector in read(protocol)["decode"]:
        if "key" in vector:
            continue
        octets = bytes.fromhex(vector["octets"])
        if vector.get("refused") in BY_CONSTRUCT:
            with pytest.raises(construct.ConstructError):
                described.parse(octets)
        elif "values" in vector:
            parsed = described.parse(octets)
            assert parsed.frame == vector["frame"]
            entries = protocol.frames[parsed.frame].entries
            for name, found, wanted in codes(entries, meant(entries, vector["values"]), parsed.body.value):
                assert found == wanted, f"{vector['name']}: {name}"
