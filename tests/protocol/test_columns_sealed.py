"""Columns hold no keys: of sealed frames they say what the scalar codec says, and in its order."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import ullage
from support.column_end import columns_agree
from support.protocols import sealed_specs
from support.sealed_frames import sealed_frame, sealed_layouts
from support.sealed_specs import SEALED, orchard
from support.tiny import generated
from ullage import Status, columns
from ullage.words.samples import sample

ORCHARD = ullage.loads(orchard())


def cases(protocol: ullage.Protocol, rng: random.Random) -> list[bytes]:
    """Sealed frames, those that are not sealed, and all of them damaged, cut, made longer, with checks that fit."""
    found = [sealed_frame(protocol, layout) for layout in sealed_layouts(protocol)]
    found += [protocol.encode(name, sample(one)) for name, one in protocol.frames.items() if not one.sealing]
    for octets in list(found):
        body = octets[: len(octets) - protocol.check_octets]
        found += [octets[:count] for count in range(len(octets))] + [octets + b"\0"]
        found += [protocol.codec.finished(body[:count]) for count in range(len(body))]
        for _ in range(40):
            flipped = bytearray(body)
            flipped[rng.randrange(min(len(body), 6))] ^= 1 << rng.randrange(8)
            found += [bytes(flipped) + octets[len(body) :], protocol.codec.finished(bytes(flipped))]
    return found


def single(protocol: ullage.Protocol) -> dict[str, ullage.Protocol]:
    """For each frame the protocol that has only that frame."""
    return {
        name: ullage.Protocol(
            protocol.name, protocol.revision, "", {name: layout}, protocol.integrity, seal=protocol.seal
        )
        for name, layout in protocol.frames.items()
    }


def agree(protocol: ullage.Protocol, seed: int) -> None:
    for at in (None, *([1, 5] if protocol.destination_slot else [])):
        columns_agree(protocol, single(protocol), cases(protocol, random.Random(seed)), at)


@pytest.mark.parametrize("name", SEALED)
def test_columns_of_a_sealed_protocol_agree_with_the_scalar_codec(name: str) -> None:
    agree(ullage.loads(SEALED[name]), 1)


@settings(derandomize=True, deadline=None, max_examples=15, suppress_health_check=list(HealthCheck))
@given(sealed_specs(), st.integers(0, 2**32))
def test_columns_of_any_sealed_protocol_agree_with_the_scalar_codec(text: str, seed: int) -> None:
    agree(generated(text), seed)


def test_a_sealed_row_is_refused_for_want_of_a_key_only_after_what_is_asked_before() -> None:
    whole = sealed_frame(ORCHARD, ORCHARD.frames["report"])
    damaged = whole[:-1] + bytes([whole[-1] ^ 1])
    order = bytes([3, *whole[1:-2]])
    rows = np.array([list(octets) for octets in (whole, damaged, ORCHARD.codec.finished(order))], np.uint8)
    assert columns.decode(ORCHARD, "report", rows).reason.tolist() == [
        Status.NO_KEY,
        Status.INTEGRITY,
        Status.UNKNOWN_MESSAGE,
    ]
    assert columns.decode(ORCHARD, "report", rows, at=5).reason.tolist()[0] == Status.NOT_ADDRESSED
    assert columns.decode(ORCHARD, "report", rows, at=1).reason.tolist()[0] == Status.NO_KEY


def test_nothing_of_a_sealed_row_is_left_in_the_columns() -> None:
    whole = sealed_frame(ORCHARD, ORCHARD.frames["report"])
    found = columns.decode(ORCHARD, "report", np.array([list(whole)], np.uint8))
    assert list(found.values) == [slot.name for slot in ORCHARD.frames["report"].values]
    assert all(np.ma.getmaskarray(column).all() and not column.data.any() for column in found.values.values())


def test_frames_of_both_sorts_are_told_apart() -> None:
    sealed = sealed_frame(ORCHARD, ORCHARD.frames["report"])
    plain = ORCHARD.encode("lid", sample(ORCHARD.frames["lid"]))
    found = columns.decode_many(ORCHARD, [sealed, plain, sealed])
    assert found.reason.tolist() == [Status.NO_KEY, 0, Status.NO_KEY]
    assert list(found.columns) == ["lid"]


def test_encoding_a_sealed_frame_raises_as_the_scalar_codec_does() -> None:
    values = sample(ORCHARD.frames["report"])
    with pytest.raises(ullage.EncodeError) as scalar:
        ORCHARD.encode("report", values)
    with pytest.raises(ullage.EncodeError) as column:
        columns.encode(ORCHARD, "report", {name: np.array([value]) for name, value in values.items()})
    assert str(column.value) == str(scalar.value)
