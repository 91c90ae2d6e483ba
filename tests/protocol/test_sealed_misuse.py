"""Whatever is done to sealed frames, on purpose or by accident: each misuse has its own answer, by name."""

from __future__ import annotations

from typing import Any

import pytest

import ullage
from support.sealed_wells import CRC, KEYS, Numbers, level, node, reason, wells
from ullage.seal import Key, SealError
from ullage.sealed import Heard, Keys
from ullage.status import Status

WELL = wells()
OTHER = Key(bytes.fromhex("1f8ac2574be6930dd4710fb2683e95ca"), 17)


def hub(protocol: ullage.Protocol = WELL, **more: Any) -> ullage.Receiver:
    return ullage.Receiver(protocol, KEYS, **more)


def heard(receiver: ullage.Receiver, source: int = 17) -> Heard:
    return receiver.heard["wells", 17, source]


# ---- who sealed it ---------------------------------------------------------------------------------------------


def test_a_frame_under_another_key_is_a_wrong_tag() -> None:
    assert reason(ullage.Receiver(WELL, {17: OTHER}).decode, level(node(WELL))) is Status.WRONG_TAG


def test_a_frame_of_a_station_without_key_is_no_key_and_never_a_wrong_tag() -> None:
    assert reason(ullage.Receiver(WELL, {18: KEYS[18]}).decode, level(node(WELL))) is Status.NO_KEY
    assert reason(ullage.Receiver(WELL, {}).decode, level(node(WELL))) is Status.NO_KEY
    assert reason(WELL.decode, level(node(WELL))) is Status.NO_KEY


@pytest.mark.parametrize("integrity", ["", CRC])
def test_a_frame_that_names_another_station_is_a_wrong_tag(integrity: str) -> None:
    """Source swapped for a station whose key is known, the CRC made to fit again."""
    well = wells(integrity=integrity)
    octets = level(node(well))
    body = octets[: len(octets) - well.check_octets]
    swapped = well.codec.finished(body[:2] + bytes([18]) + body[3:])
    assert reason(hub(well).decode, octets) is Status.FINE
    assert reason(hub(well).decode, swapped) is Status.WRONG_TAG


def test_an_order_that_is_sent_on_to_another_station_is_a_wrong_tag() -> None:
    well = wells(integrity="")
    order = node(well, 1).encode("order", {"destination": 17, "valve": "open"})
    assert reason(hub(well).decode, order) is Status.FINE
    assert reason(hub(well).decode, order[:1] + bytes([18]) + order[2:]) is Status.WRONG_TAG


def test_a_frame_of_another_network_is_a_wrong_tag_even_under_the_same_key() -> None:
    assert reason(hub(wells(network=0x4F53)).decode, level(node(WELL))) is Status.WRONG_TAG


def test_what_the_hub_sends_is_never_taken_for_what_the_station_sends() -> None:
    """One key, the same number, both ways: nonces differ by the source, so a frame cannot be turned round."""
    well = wells(integrity="")
    order = node(well, 1).encode("order", {"destination": 17, "valve": "open"})
    assert reason(hub(well).decode, order[:1] + bytes([1, 17]) + order[3:]) is Status.WRONG_TAG


# ---- damage and forgery ----------------------------------------------------------------------------------------


def _expected(bit: int) -> set[Status]:
    """What a flipped bit of a frame without a check gives: 3 bits revision, 5 message, then destination and source."""
    if bit < 3:
        return {Status.OTHER_REVISION}
    if bit < 8:
        return {Status.UNKNOWN_MESSAGE, Status.WRONG_LENGTH}
    return {Status.NO_KEY} if 16 <= bit < 24 else {Status.WRONG_TAG}


@pytest.mark.parametrize("encrypt", ["body", "nothing"])
@pytest.mark.parametrize("tag", [4, 8, 16])
def test_a_flipped_bit_anywhere_is_refused_with_the_reason_of_its_place(encrypt: str, tag: int) -> None:
    well = wells(integrity="", encrypt=encrypt, tag=tag)
    receiver, octets = hub(well), level(node(well, first=7))
    for bit in range(8 * len(octets)):
        flipped = bytearray(octets)
        flipped[bit // 8] ^= 0x80 >> bit % 8
        assert reason(receiver.decode, bytes(flipped)) in _expected(bit), bit
    assert receiver.decode(octets).counter == 7


@pytest.mark.parametrize("encrypt", ["body", "nothing"])
def test_a_flipped_bit_under_a_check_that_was_made_to_fit_is_refused_all_the_same(encrypt: str) -> None:
    well = wells(encrypt=encrypt)
    receiver, octets = hub(well), level(node(well))
    for bit in range(8 * len(octets)):
        flipped = bytearray(octets)
        flipped[bit // 8] ^= 0x80 >> bit % 8
        assert reason(receiver.decode, bytes(flipped)) is Status.INTEGRITY, bit
        if bit < 8 * (len(octets) - 2):
            forged = well.codec.finished(bytes(flipped[:-2]))
            assert reason(receiver.decode, forged) in _expected(bit), bit
    assert receiver.decode(octets)["depth"] == 1234


def test_a_tag_cut_short_is_a_wrong_length_and_never_a_shorter_tag() -> None:
    well = wells(integrity="")
    octets = level(node(well))
    for cut in range(1, 9):
        assert reason(hub(well).decode, octets[:-cut]) in {Status.WRONG_LENGTH, Status.TOO_SHORT}, cut
    assert reason(hub(well).decode, octets + b"\0") is Status.WRONG_LENGTH


def test_a_tag_of_zeros_or_of_another_frame_is_a_wrong_tag() -> None:
    well = wells(integrity="")
    sender = node(well)
    first, second = level(sender), level(sender)
    assert reason(hub(well).decode, first[:-8] + bytes(8)) is Status.WRONG_TAG
    assert reason(hub(well).decode, first[:-8] + second[-8:]) is Status.WRONG_TAG


def test_nothing_of_the_content_comes_out_of_a_frame_with_a_wrong_tag() -> None:
    well = wells(integrity="", encrypt="nothing")
    octets = level(node(well), depth=4321)
    with pytest.raises(ullage.Refused) as refused:
        hub(well).decode(octets[:-1] + bytes([octets[-1] ^ 1]))
    assert refused.value.reason is Status.WRONG_TAG
    assert (refused.value.field, refused.value.raw, refused.value.expected) == (None, None, None)
    assert "4321" not in str(refused.value)


def test_a_forged_frame_never_moves_the_window() -> None:
    well = wells(integrity="")
    receiver = hub(well)
    receiver.decode(level(node(well, first=10)))
    before = heard(receiver).window
    far = level(node(well, first=900))
    for place in range(len(far)):
        with pytest.raises(ullage.Refused):
            receiver.decode(far[:place] + bytes([far[place] ^ 0x10]) + far[place + 1 :])
    assert heard(receiver).window == before
    assert heard(receiver).wrong_tags > 0


def test_an_authentic_frame_with_a_bad_field_moves_the_window_and_comes_only_once() -> None:
    """Sealed by a station whose spec allows more: 5000 mm is the most here."""
    octets = level(node(wells(high=20000), first=3), depth=20000)
    receiver = hub()
    assert reason(receiver.decode, octets) is Status.NOT_A_VALUE
    assert heard(receiver).window.top == 3
    assert reason(receiver.decode, octets) is Status.REPLAY


def test_another_reason_of_the_same_frame_comes_in_the_order_of_the_questions() -> None:
    """For another station, and without its key, and forged: the first question that fails is the answer."""
    octets = level(node(WELL))
    assert reason(lambda one: ullage.Receiver(WELL, {}).decode(one, at=9), octets) is Status.NOT_ADDRESSED
    assert reason(lambda one: ullage.Receiver(WELL, {}).decode(one, at=1), octets) is Status.NO_KEY


# ---- senders ---------------------------------------------------------------------------------------------------


def test_a_retry_is_the_same_octets_and_is_refused_as_a_repeat() -> None:
    """There is no way to make them again: asking anew takes a new number, and other octets."""
    sender, receiver = node(WELL), hub()
    octets = level(sender)
    again = level(sender)
    assert octets != again
    assert [reason(receiver.decode, one) for one in (octets, octets, again)] == [
        Status.FINE,
        Status.REPLAY,
        Status.FINE,
    ]


def test_equal_values_never_give_equal_octets() -> None:
    sender = node(WELL)
    frames = [level(sender) for _ in range(300)]
    assert len({octets[4:6] for octets in frames}) > 250  # the encrypted depth, 2 octets
    assert len(set(frames)) == 300


def test_a_sender_refuses_to_speak_for_another_station_and_uses_up_no_number() -> None:
    numbers = Numbers()
    sender = ullage.Sender(WELL, 17, KEYS, numbers)
    with pytest.raises(ullage.EncodeError, match="this sender is station 17, not 18"):
        level(sender, source=18)
    with pytest.raises(ullage.EncodeError):
        level(sender, depth=6000)
    with pytest.raises(ullage.EncodeError, match="no key of station 19"):
        ullage.Sender(WELL, 19, KEYS, numbers).encode("level", {"destination": 1, "depth": 5})
    assert numbers.at == 0


def test_the_plain_encoder_makes_no_sealed_frame() -> None:
    values = {"destination": 1, "source": 17, "sequence": 0, "depth": 5}
    with pytest.raises(ullage.EncodeError, match="only a Sender"):
        WELL.encode("level", values)


def test_an_order_to_everybody_needs_a_group_key_in_the_spec() -> None:
    octets = node(wells(group="true"), 1).encode("order", {"destination": 255, "valve": "open"})
    with pytest.raises(ullage.EncodeError) as refused:
        node(WELL, 1).encode("order", {"destination": 255, "valve": "open"})
    assert refused.value.status is Status.OUT_OF_RANGE
    assert reason(hub().decode, octets) is Status.NO_KEY
    assert reason(hub(wells(group="true")).decode, octets) is Status.FINE
    own: Keys = {17: KEYS[17]}
    assert reason(ullage.Receiver(wells(group="true"), own).decode, octets) is Status.NO_KEY


def test_the_group_key_opens_nothing_that_is_meant_for_one_station() -> None:
    """Whoever holds the group's key alone can give orders to everybody, but not in a station's own name."""
    well = wells(group="true")
    thief: Keys = {17: Key(KEYS[None].octets, 17)}
    order = ullage.Sender(well, 1, thief, Numbers()).encode("order", {"destination": 17, "valve": "open"})
    assert reason(hub(well).decode, order) is Status.WRONG_TAG


def test_keys_of_another_length_than_the_spec_says_are_an_error_and_no_reason() -> None:
    long: Keys = {17: Key(bytes(range(3, 99, 3)), 17)}
    with pytest.raises(ValueError, match="this spec's keys have 128 bits"):
        level(ullage.Sender(WELL, 17, long, Numbers()))
    with pytest.raises(ValueError, match="this spec's keys have 128 bits"):
        ullage.Receiver(WELL, long).decode(level(node(WELL)))
    for octets in (b"", bytes(15), bytes(17), bytes(33)):
        with pytest.raises(SealError, match="16, 24 or 32 octets"):
            Key(octets, 17)


def test_unsealed_frames_are_read_with_and_without_keys_and_say_that_nobody_vouched() -> None:
    octets = node(WELL).encode("hello", {"destination": 1, "starts": 3})
    for decode in (WELL.decode, hub().decode):
        message = decode(octets)
        assert (message.sealed, message.counter) == (False, None)
    receiver = hub()
    assert [reason(receiver.decode, octets) for _ in range(2)] == [Status.FINE] * 2
    assert not receiver.heard


# ---- several protocols -----------------------------------------------------------------------------------------


def test_two_revisions_in_one_receiver_share_the_windows_of_a_station() -> None:
    """A station that was updated keeps its key and its counter, so its numbers are one row."""
    old, new = wells(), wells(revision=2)
    receiver = ullage.Receiver([new, old], KEYS)
    first, second = level(node(old, first=5)), level(node(new, first=6))
    assert [receiver.decode(one).counter for one in (first, second)] == [5, 6]
    assert list(receiver.heard) == [("wells", 17, 17)]
    assert [reason(receiver.decode, one) for one in (first, second)] == [Status.REPLAY] * 2


def test_two_protocols_in_one_receiver_keep_windows_of_their_own() -> None:
    springs = wells(name="springs", network=7, integrity='[integrity]\ncrc = "CRC-16/MODBUS"')
    receiver = ullage.Receiver([WELL, springs], KEYS)
    for protocol in (WELL, springs):
        message = receiver.decode(level(node(protocol, first=5)))
        assert message.protocol is protocol
    assert {who[0] for who in receiver.heard} == {"wells", "springs"}
