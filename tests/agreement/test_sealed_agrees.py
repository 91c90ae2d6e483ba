"""Sealed frames in C and in Python: the same answers, windows, numbers and octets, whatever comes and in any order."""

import functools
import random
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, Phase, given, reject, settings
from hypothesis import strategies as st

import ullage
from support.cases import struct_contents
from support.ends import BUILDS, Build, CEnd, PythonEnd, need
from support.protocols import sealed_specs
from support.sealed_ends import CSealedEnd, Memory, PythonSealedEnd, Sent
from support.sealed_scenes import Forge, Scene
from support.sealed_specs import CRC, ORCHARD, SEALED, SUM, orchard
from ullage.layout import Layout, Scaled
from ullage.seal import Key, provision
from ullage.status import Status

PLACES = (
    ORCHARD.replace('  { name = "sequence",    kind = "sequence",    SEQUENCE },\n', "")
    .replace(
        "FROM\nfield = [\n", 'field = [\n  { name = "sequence", kind = "sequence", bits = 8, counter_bits = 32 },\n'
    )
    .replace(
        "message = 3\nfield = [\n",
        'message = 3\nfield = [\n  { name = "way", kind = "count", bits = 8 },\n'
        '  { name = "sequence", kind = "sequence", bits = 8, counter_bits = 32 },\n',
    )
    + 'encrypt = "nothing"\n'
    + CRC
)
"""The number stands at another place in each frame."""

MORE = {
    "number at two places": PLACES,
    "whole counter of 8 bits": orchard("bits = 8", seal="stations = 1\n").replace('"30 days"', '"2 days"'),
    "a sum that is covered late": orchard(check=SUM),
}
SPECS = {name: text for name, text in {**SEALED, **MORE}.items() if "256 bits" not in name}


@functools.cache
def protocol_of(name: str) -> ullage.Protocol:
    return ullage.loads(SPECS[name])


def receiving_agrees(forge: Forge, build: Build, all_numbers: bool = False) -> set[int]:
    """Run every scene on both ends; gives the statuses that came up."""
    seen: set[int] = set()
    for scene in forge.scenes(all_numbers):
        seen |= scene_agrees(forge.protocol, build, scene)
    return seen


def scene_agrees(protocol: ullage.Protocol, build: Build, scene: Scene) -> set[int]:
    assert protocol.seal
    most = (1 << protocol.seal.counter_bits) - 1
    python = PythonSealedEnd(protocol, scene.keys, scene.from_counter)
    c = CSealedEnd(protocol, build, scene.keys, min(scene.from_counter, most))
    seen: set[int] = set()
    for place, (octets, at) in enumerate(scene.events):
        wanted = python.receive(octets, at)
        assert c.receive(octets, at) == wanted, f"{scene.name}, event {place}: {octets.hex(' ')} at {at}"
        assert c.windows() == python.windows(), f"{scene.name}, event {place}"
        seen.add(wanted.status)
    return seen


def fresh_memory(protocol: ullage.Protocol, first: int, cuts: frozenset[int] = frozenset()) -> tuple[Memory, Memory]:
    """The same memory twice, of a node whose first number this is."""
    assert protocol.seal
    memory = Memory([None, None])
    provision(memory.load, memory.store, first=first, counter_bits=protocol.seal.counter_bits)
    return Memory(memory.records, cuts), Memory(memory.records, cuts)


def owner_of(protocol: ullage.Protocol, source: int, to: int | None) -> int | None:
    assert protocol.seal
    if source != protocol.seal.hub or to is None:
        return source
    slot = protocol.destination_slot
    everybody = slot.transform.broadcast if slot and isinstance(slot.transform, Scaled) else None
    return None if to == everybody else to


class Sealing:
    """Both senders of one node, with a memory of their own each, that must stay the same."""

    def __init__(
        self, protocol: ullage.Protocol, build: Build, first: int = 0, cuts: frozenset[int] = frozenset()
    ) -> None:
        assert protocol.seal
        self.protocol = protocol
        self.python, self.c = PythonSealedEnd(protocol, {}), CSealedEnd(protocol, build, {})
        self.memories = fresh_memory(protocol, first, cuts)
        self.key = Key(bytes.fromhex("5bd0f3a2914c6e870d1ab95f66c23e78"), None)
        self.restart()

    def restart(self) -> None:
        assert self.protocol.seal
        self.python.begin(self.memories[0], 3)
        self.c.begin(self.memories[1], 3)

    def agrees(self, layout: Layout, contents: dict[str, object], keyed: bool = True) -> Sent:
        """Seal on both; octets, status and memory must be the same."""
        source = next(slot.name for slot in layout.slots if slot.kind == "source")
        to = next((slot.name for slot in layout.slots if slot.kind == "destination"), None)
        owner = owner_of(self.protocol, contents[source], contents[to] if to else None)  # type: ignore[arg-type]
        key = self.key if keyed else None
        wanted = self.python.seal(layout.name, contents, key, owner, source)
        assert self.c.seal(layout.name, contents, key) == wanted, contents
        assert self.memories[0].records == self.memories[1].records
        return wanted


def sound(layout: Layout, protocol: ullage.Protocol) -> dict[str, object]:
    scope = PythonSealedEnd(protocol, {}).scopes[layout.name]
    first = next(struct_contents(scope, random.Random(1)))
    return {**first, **{slot.name: 3 for slot in layout.slots if slot.kind in ("source", "destination")}}


def sealing_agrees(protocol: ullage.Protocol, build: Build, seed: int) -> set[int]:
    """Seal every kind of struct contents on both ends; what was sealed opens on both."""
    seen: set[int] = set()
    assert protocol.seal
    for layout in protocol.frames.values():
        if not layout.sealing:
            continue
        ends = Sealing(protocol, build)
        for contents in struct_contents(ends.python.scopes[layout.name], random.Random(seed)):
            sent = ends.agrees(layout, contents)
            seen.add(sent.status)
            if sent.octets is not None and not layout.fixed:
                number = ends.python.counter._next
                assert ends.c.seal(layout.name, contents, ends.key, len(sent.octets) - 1) == Sent(int(Status.NO_ROOM))
                assert ends.python.counter._next == number
        good = sound(layout, protocol)
        assert ends.agrees(layout, good, keyed=False).status == Status.NO_KEY
        seen |= {ends.agrees(layout, good).status for _ in range(8)}
        seen |= sealing_to_the_end(protocol, build, layout, good)
    return seen


def sealing_to_the_end(protocol: ullage.Protocol, build: Build, layout: Layout, good: dict[str, object]) -> set[int]:
    assert protocol.seal
    ends = Sealing(protocol, build, first=(1 << protocol.seal.counter_bits) - 6)
    statuses = [ends.agrees(layout, good).status for _ in range(8)]
    assert statuses == [0] * 5 + [int(Status.COUNTER_SPENT)] * 3
    return set(statuses)


@pytest.fixture(params=BUILDS, ids=lambda build: build.name)
def build(request: pytest.FixtureRequest) -> Build:
    """Each way to compile; skipped, or in CI failed, where the compiler is missing."""
    chosen: Build = request.param
    need(chosen.compiler)
    return chosen


@pytest.mark.parametrize("name", SPECS)
def test_both_ends_open_alike(name: str) -> None:
    need("gcc")
    protocol = protocol_of(name)
    all_numbers = name in ("4 low bits", "64 bits, 8 travel")
    every_bit = name in ("orchard", "nothing encrypted", "lists")
    seen = receiving_agrees(Forge(protocol, 1, most_flips=500 if every_bit else 60), BUILDS[1], all_numbers)
    assert {0, Status.NO_KEY, Status.WRONG_TAG, Status.REPLAY, Status.WRONG_LENGTH} <= seen


@pytest.mark.parametrize("name", SPECS)
def test_both_ends_seal_alike(name: str) -> None:
    need("gcc")
    protocol = protocol_of(name)
    assert {0, int(Status.OUT_OF_RANGE), int(Status.COUNTER_SPENT)} <= sealing_agrees(protocol, BUILDS[1], 1)


def test_every_compiler_agrees(build: Build) -> None:
    name = {"c": "lists", "c++": "a group's key"}[build.language]
    protocol = protocol_of(name)
    for scene in _few(Forge(protocol, 2).scenes(False)):
        scene_agrees(protocol, build, scene)
    layout = next(layout for layout in protocol.frames.values() if layout.sealing)
    ends = Sealing(protocol, build)
    assert [ends.agrees(layout, sound(layout, protocol)).status for _ in range(5)] == [0] * 5


def _few(scenes: Iterator[Scene]) -> Iterator[Scene]:
    for place, scene in enumerate(scenes):
        if place % 6 == 1:
            yield replace(scene, events=scene.events[:60])


@pytest.mark.parametrize("name", ["orchard", "lists"])
def test_without_keys_both_ends_refuse_what_is_sealed(name: str) -> None:
    need("gcc")
    protocol = protocol_of(name)
    python, c, forge = PythonEnd(protocol), CEnd(protocol, BUILDS[1]), Forge(protocol, 3)
    statuses = set()
    for layout in forge.frames:
        octets = forge.frame(layout, 1)
        for damaged in (octets, octets[:-1], forge.finished(forge.bare(octets)[:-1]), octets + b"\0"):
            for at in (None, forge.hub, forge.b) if protocol.destination_slot else (None,):
                assert c.decode(damaged, at) == python.decode(damaged, at)
                assert c.decode(damaged, at, layout.name) == python.decode(damaged, at, layout.name)
                statuses.add(c.decode(damaged, at).status)
    assert {int(Status.NO_KEY), int(Status.WRONG_LENGTH)} <= statuses


@pytest.mark.parametrize("seed", range(12))
def test_a_power_cut_at_any_write_leaves_both_ends_with_the_same_numbers(seed: int) -> None:
    need("gcc")
    rng = random.Random(seed)
    protocol = protocol_of("orchard")
    ends = Sealing(protocol, BUILDS[1], cuts=frozenset(rng.sample(range(14), 5)))
    layout = protocol.frames["order"]
    good, octets, lost = sound(layout, protocol), [], 0
    for _ in range(40):
        if rng.random() < 0.25:
            ends.restart()
        sent = ends.agrees(layout, good)
        lost += sent.status == Status.COUNTER_LOST
        octets += [sent.octets] if sent.octets else []
    assert len(octets) > 10
    assert lost
    assert len(set(octets)) == len(octets), "a number came twice"


def test_a_node_that_was_not_provisioned_seals_nothing_on_either_end() -> None:
    need("gcc")
    protocol = protocol_of("orchard")
    ends = Sealing(protocol, BUILDS[1])
    ends.memories = (Memory([None, None]), Memory([None, None]))
    ends.restart()
    layout = protocol.frames["report"]
    assert ends.agrees(layout, sound(layout, protocol)) == Sent(int(Status.COUNTER_LOST))


def test_a_frame_to_everybody_is_sealed_only_under_a_key_that_all_share() -> None:
    need("gcc")
    cases = [
        ("orchard", "order", 255, Status.OUT_OF_RANGE),
        ("lists", "history", 65535, Status.OUT_OF_RANGE),
        ("a group's key", "order", 255, Status.FINE),
    ]
    for name, frame, everybody, status in cases:
        protocol = protocol_of(name)
        layout = protocol.frames[frame]
        ends = Sealing(protocol, BUILDS[1])
        to_all = {**sound(layout, protocol), "source": 1, "destination": everybody}
        assert ends.agrees(layout, to_all).status == status
        assert ends.agrees(layout, {**to_all, "source": 3}).status == Status.FINE


@settings(
    max_examples=5,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
@given(sealed_specs(), st.integers(0, 2**32))
def test_both_ends_agree_on_generated_sealed_specs(text: str, seed: int) -> None:
    need("gcc")
    try:
        protocol = ullage.loads(text)
    except ullage.SpecError as error:
        if any(fault.code not in ("too_wide", "too_few_bits", "codes_overlap", "too_long") for fault in error.faults):
            raise
        reject()
    receiving_agrees(Forge(protocol, seed, most_flips=100), BUILDS[seed % 3])
    sealing_agrees(protocol, BUILDS[seed % 3], seed)
