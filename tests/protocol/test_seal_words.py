"""Sealed frames in words and as plain data: what is said of octets is where the sealed layout puts them."""

from __future__ import annotations

from fractions import Fraction

import pytest

import ullage
from support.sealed_frames import keys_for, sealed_frame, sealed_layouts
from support.sealed_specs import SEALED, orchard
from ullage.words.describe import Line, describe
from ullage.words.layout_data import as_data, seal_data
from ullage.words.seal_words import bridged_frames, chance, seal_words, sequence_slot

ORCHARD = ullage.loads(orchard())


def lines(protocol: ullage.Protocol, frame: str) -> dict[str, Line]:
    return {line.name: line for line in describe(protocol.frames[frame], protocol.integrity)}


def test_the_table_says_what_is_encrypted_and_what_tag_and_check_go_over() -> None:
    told = lines(ORCHARD, "report")
    assert told["(encrypted)"] == Line(5, 0, "(encrypted)", "octets 5..7, up to the tag")
    assert told["sensor"].octet is None
    assert told["tag"] == Line(8, 64, "tag", "over octets 0..7", "AES-CCM, opens with the key of the station")
    assert told["CRC-16/IBM-3740"].octet == 16
    assert told["CRC-16/IBM-3740"].reading == "over octets 0..15"
    assert told["sequence"].reading == "low 16 of 32 bits of the counter"
    assert "tag" not in lines(ORCHARD, "lid")


def test_a_frame_of_which_nothing_is_encrypted_has_a_tag_alone() -> None:
    told = lines(ullage.loads(SEALED["nothing encrypted"]), "report")
    assert "(encrypted)" not in told
    assert told["tag"].octet == 8


def test_the_encrypted_part_begins_where_the_frame_says() -> None:
    assert (
        lines(ullage.loads(SEALED["encrypted from a field"]), "report")["(encrypted)"].reading
        == "octet 7, up to the tag"
    )


@pytest.mark.parametrize("name", SEALED)
def test_bits_add_up_to_the_frame_and_the_check_is_where_it_is_said_to_be(name: str) -> None:
    protocol = ullage.loads(SEALED[name])
    for layout in sealed_layouts(protocol):
        if not layout.fixed:
            continue
        told = describe(layout, protocol.integrity)
        whole = sealed_frame(protocol, layout)
        assert sum(line.bits for line in told) == 8 * len(whole)
        numbers = [line.octet for line in told if line.octet is not None]
        assert numbers == sorted(set(numbers))
        integrity = protocol.integrity
        if integrity:
            assert told[-1].octet is not None
            covered = whole[integrity.first_octet : told[-1].octet]
            fits = integrity.check.to_octets(integrity.check.compute(covered), integrity.high_first)
            assert whole[told[-1].octet :] == fits


def test_the_head_says_how_frames_are_sealed() -> None:
    assert seal_words(ORCHARD) == [
        "sealed with AES-128 in CCM",
        "tags of 64 bits",
        "counter of 32 bits, of which 16 travel",
        "hub 1",
    ]
    assert seal_words(ullage.loads(SEALED["the whole counter travels"]))[2] == "counter of 64 bits"


def test_plain_data_has_the_seal_and_each_frames_part_in_it_and_never_a_key() -> None:
    assert seal_data(ORCHARD) == {
        "key_bits": 128,
        "tag_octets": 8,
        "nonce": ["source", "sequence"],
        "network": 0x4F52,
        "network_octets": 2,
        "hub": 1,
        "counter_bits": 32,
        "resync": 16,
        "group_key": False,
        "reserve": 1,
    }
    sealing = {frame["name"]: frame["sealing"] for frame in as_data(ORCHARD)}
    assert sealing == {
        "report": {"first_octet": 5, "tag_octets": 8},
        "lid": None,
        "order": {"first_octet": 5, "tag_octets": 8},
    }
    sequence = next(entry for entry in as_data(ORCHARD)[0]["entries"] if entry["name"] == "sequence")
    assert sequence["counter_bits"] == 32


def test_a_guess_has_one_chance_for_each_number_that_is_tried() -> None:
    """NIST SP 800-38C, appendix B.2, times the numbers tried."""
    assert ORCHARD.seal is not None
    assert chance(ORCHARD.seal) == Fraction(17, 2**64)
    whole = ullage.loads(SEALED["the whole counter travels"])
    assert whole.seal is not None
    assert chance(whole.seal) == Fraction(1, 2**64)


def test_a_silence_of_as_many_frames_as_is_said_is_bridged_and_not_many_more() -> None:
    """Tried on a receiver: every number up to the limit is found, one a window beyond it is not."""
    protocol = ullage.loads(SEALED["64 bits, 8 travel"])
    assert protocol.seal is not None
    limit = bridged_frames(protocol.seal, sequence_slot(protocol).bits)
    assert limit == 4 * 256
    layout = protocol.frames["report"]
    for silence, found in ((limit - 64, True), (limit + 1, False)):
        receiver = ullage.Receiver(protocol, keys_for(protocol))
        receiver.decode(sealed_frame(protocol, layout, 100))
        octets = sealed_frame(protocol, layout, 100 + silence)
        if found:
            assert receiver.decode(octets).counter == 100 + silence
        else:
            with pytest.raises(ullage.Refused, match="the tag does not fit"):
                receiver.decode(octets)


def test_where_the_whole_counter_travels_no_silence_is_too_long() -> None:
    whole = ullage.loads(SEALED["the whole counter travels"])
    assert whole.seal is not None
    assert bridged_frames(whole.seal, 64) is None
