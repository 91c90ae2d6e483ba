"""Invented stations of a sealed protocol: what the truth says of a line is what a receiver with their keys says."""

from __future__ import annotations

from typing import Any

import pytest

import ullage
from support.sealed_wells import wells, wells_text
from support.tiny import load
from ullage.seal import Key
from ullage.simulation.simulate import keys_of, simulate
from ullage.words.as_json import json_values


def _without_destination() -> ullage.Protocol:
    lines = [line for line in wells_text().splitlines() if '"destination"' not in line]
    return ullage.loads("\n".join(lines))


PROTOCOLS = {
    "low bits": wells(),
    "the whole number": wells(low_bits=32),
    "no check": wells(integrity=""),
    "nothing encrypted": wells(encrypt="nothing", tag=4),
    "no destination": _without_destination(),
}


@pytest.mark.parametrize("name", PROTOCOLS)
def test_the_truth_is_what_a_receiver_with_the_keys_and_without_memory_says(name: str) -> None:
    protocol = PROTOCOLS[name]
    receiver = ullage.Receiver(protocol, keys_of(protocol, 3))
    counts: dict[str, int] = {}
    for happening in simulate(protocol, 600, seed=3):
        truth = happening.truth
        if "line" not in truth or not truth.get("octets") or truth["must"] == "none":
            continue
        word, values = _answer(receiver, bytes.fromhex(truth["octets"]))
        counts[word] = counts.get(word, 0) + 1
        if truth["must"] == "refused":
            assert truth["reason"] == word
        else:
            assert ("reading", truth.get("read", truth)["values"]) == (word, values)
    assert counts["reading"] > 400
    assert counts["replay"] > 3
    assert sum(one.accepted for one in receiver.heard.values()) > 200


def _answer(receiver: ullage.Receiver, octets: bytes) -> tuple[str, Any]:
    """A reading and its values, or the reason."""
    try:
        return "reading", json_values(receiver.decode(octets).values)
    except ullage.Refused as refused:
        return str(refused.reason), None


def test_a_sender_never_uses_a_number_twice_also_over_restarts() -> None:
    used: list[tuple[Any, ...]] = []
    restarts = 0
    for happening in simulate(wells(), 3000, seed=5):
        truth = happening.truth
        restarts += "restart" in truth
        if truth.get("sealed") and truth.get("kind") != "repeat":
            used.append((truth["station"], truth["counter"]))
    assert restarts > 3
    assert len(used) == len(set(used)) > 1500


def test_the_keys_follow_from_the_seed_and_differ_between_stations() -> None:
    first, again, other = (keys_of(wells(), seed) for seed in (1, 1, 2))
    assert first == again
    assert len({key.octets for key in (*first.values(), *other.values())}) == 2 * len(first)
    assert all(isinstance(key, Key) for key in first.values())
    assert keys_of(load('name = "n", kind = "flag"'), 1) == {}


def test_without_the_keys_every_sealed_frame_is_refused() -> None:
    protocol = wells()
    for happening in simulate(protocol, 100):
        truth = happening.truth
        if truth.get("kind") == "frame" and truth["sealed"]:
            with pytest.raises(ullage.Refused) as refused:
                protocol.decode(bytes.fromhex(truth["octets"]))
            assert refused.value.reason is ullage.Status.NO_KEY
