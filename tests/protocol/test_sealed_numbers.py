"""Numbers of sealed frames: replays, silences, lost counters, kept windows, and nonces that never come twice."""

from __future__ import annotations

import json
import random
from typing import Any

import pytest

import ullage
from support.sealed_wells import KEYS, Memory, PowerCut, level, node, reason, wells
from ullage.seal import Key, SealError
from ullage.seal.ccm import seal
from ullage.sealed import Heard
from ullage.status import Status

WELL = wells()


def hub(protocol: ullage.Protocol = WELL, **more: Any) -> ullage.Receiver:
    return ullage.Receiver(protocol, KEYS, **more)


def heard(receiver: ullage.Receiver, source: int = 17) -> Heard:
    return receiver.heard["wells", 17, source]


# ---- numbers ---------------------------------------------------------------------------------------------------


def test_a_replayed_frame_is_a_replay_with_the_number_named() -> None:
    receiver, octets = hub(), level(node(WELL, first=300))
    receiver.decode(octets)
    with pytest.raises(ullage.Refused) as refused:
        receiver.decode(octets)
    assert refused.value.reason is Status.REPLAY
    assert str(refused.value) == "sequence: number 300 was accepted before"
    assert (refused.value.field, refused.value.raw, refused.value.bit) == ("sequence", 300 % 256, 24)
    assert (heard(receiver).accepted, heard(receiver).repeats) == (1, 1)


def test_frames_out_of_order_within_the_window_are_accepted_each_once() -> None:
    sender, receiver = node(WELL), hub()
    frames = [level(sender) for _ in range(64)]
    random.Random(3).shuffle(frames)
    assert [reason(receiver.decode, one) for one in frames] == [Status.FINE] * 64
    assert [reason(receiver.decode, one) for one in frames] == [Status.REPLAY] * 64


def test_a_frame_older_than_the_window_is_a_replay_even_if_it_never_came() -> None:
    """The whole number travels, so that a number below the window is named as such."""
    well = wells(low_bits=32)
    sender, receiver = node(well), hub(well)
    frames = [level(sender) for _ in range(66)]
    receiver.decode(frames[65])
    assert reason(receiver.decode, frames[1]) is Status.REPLAY
    assert reason(receiver.decode, frames[2]) is Status.FINE
    assert heard(receiver).too_old == 1


def test_an_old_frame_whose_low_bits_mean_a_newer_number_is_a_wrong_tag_and_counted_as_old() -> None:
    sender, receiver = node(WELL), hub()
    frames = [level(sender) for _ in range(200)]
    receiver.decode(frames[199])
    assert reason(receiver.decode, frames[3]) is Status.WRONG_TAG
    assert (heard(receiver).too_old, heard(receiver).wrong_tags) == (1, 0)
    assert heard(receiver).window.top == 199


@pytest.mark.parametrize("silence", [1, 64, 192, 193, 255, 256, 257, 1000, 4 * 256])
def test_a_silence_within_resync_is_bridged(silence: int) -> None:
    sender, receiver = node(WELL, first=70), hub()
    receiver.decode(level(sender))
    assert receiver.decode(level(node(WELL, first=70 + silence))).counter == 70 + silence


def test_a_silence_beyond_resync_is_a_wrong_tag_until_the_receiver_is_told_where_to_count() -> None:
    receiver = hub()
    receiver.decode(level(node(WELL, first=70)))
    far = level(node(WELL, first=70 + 5 * 256 + 193))
    assert reason(receiver.decode, far) is Status.WRONG_TAG
    assert heard(receiver).window.top == 70
    assert hub(from_counter=1000).decode(far).counter == 70 + 5 * 256 + 193


def test_a_receiver_without_state_finds_the_number_within_resync() -> None:
    assert hub().decode(level(node(WELL, first=4 * 256 + 255))).counter == 4 * 256 + 255
    assert reason(hub().decode, level(node(WELL, first=5 * 256))) is Status.WRONG_TAG
    assert hub(from_counter=5 * 256).decode(level(node(WELL, first=5 * 256))).counter == 5 * 256
    assert reason(hub(from_counter=5 * 256).decode, level(node(WELL, first=5 * 256 - 1))) is Status.WRONG_TAG


def test_the_last_number_is_sent_and_read_and_none_comes_after_it() -> None:
    well = wells(low_bits=16, counter_bits=24, life="1 h", resync=1)
    end = (1 << 24) - 1
    sender = node(well, first=end)
    assert hub(well, from_counter=end - 5).decode(level(sender)).counter == end
    with pytest.raises(ullage.EncodeError) as spent:
        level(sender)
    assert spent.value.status is Status.COUNTER_SPENT


def test_low_bits_that_begin_again_at_zero_are_read_as_the_next_whole_number() -> None:
    receiver, sender = hub(), node(WELL, first=254)
    assert [receiver.decode(level(sender)).counter for _ in range(4)] == [254, 255, 256, 257]


def test_a_node_that_lost_its_counter_stays_refused_and_is_told_apart_from_a_repeat() -> None:
    receiver = hub()
    before = node(WELL, first=700)
    for _ in range(2):
        receiver.decode(level(before))
    again = node(WELL, first=0)
    answers = [reason(receiver.decode, level(again)) for _ in range(4)]
    assert set(answers) <= {Status.REPLAY, Status.WRONG_TAG}
    assert heard(receiver).looks_restarted
    assert heard(receiver).window.top == 701


def test_a_repeat_now_and_then_does_not_look_like_a_restart() -> None:
    receiver, sender = hub(), node(WELL)
    for _ in range(10):
        octets = level(sender)
        receiver.decode(octets)
        assert reason(receiver.decode, octets) is Status.REPLAY
    assert not heard(receiver).looks_restarted


def test_a_forger_cannot_make_a_station_look_restarted() -> None:
    well = wells(integrity="")
    receiver = hub(well)
    receiver.decode(level(node(well, first=500)))
    for number in range(20):
        octets = level(node(well, first=number))
        assert reason(receiver.decode, octets[:-1] + bytes([octets[-1] ^ 1])) is Status.WRONG_TAG
    assert not heard(receiver).looks_restarted


# ---- state -----------------------------------------------------------------------------------------------------


def test_a_receiver_that_kept_its_windows_refuses_after_a_restart_what_it_accepted_before() -> None:
    receiver, octets = hub(), level(node(WELL, first=9))
    receiver.decode(octets)
    later = hub()
    later.restore(json.loads(json.dumps(receiver.saved())))
    assert reason(later.decode, octets) is Status.REPLAY
    assert later.saved() == receiver.saved()


def test_a_receiver_without_its_windows_accepts_once_more() -> None:
    octets = level(node(WELL, first=9))
    assert [reason(hub().decode, octets) for _ in range(2)] == [Status.FINE] * 2


def _saved() -> list[dict[str, Any]]:
    receiver = hub()
    receiver.decode(level(node(WELL, first=9)))
    return receiver.saved()


@pytest.mark.parametrize(
    "damage",
    [
        *({"protocol": 3}, {"key": "17"}, {"key": True}, {"source": None}, {"source": 1.0}, {"window": {"top": "9"}}),
        *({"window": {"top": "9", "mask": "0" * 16}}, {"window": {"top": 9, "mask": "0000000000000001"}}),
        *({"window": {"top": "-1", "mask": "0000000000000001"}}, {"window": []}, {"window": "9"}, {"more": 1}),
    ],
)
def test_damaged_state_is_refused_and_leaves_the_windows_as_they_were(damage: dict[str, Any]) -> None:
    receiver = hub()
    receiver.decode(level(node(WELL, first=50)))
    before = receiver.saved()
    with pytest.raises(SealError):
        receiver.restore([*_saved(), {**_saved()[0], "source": 18, **damage}])
    assert receiver.saved() == before


@pytest.mark.parametrize("state", [None, {}, "x", [None], [[]], [{}]])
def test_what_is_no_state_at_all_is_refused(state: Any) -> None:
    with pytest.raises(SealError):
        hub().restore(state)


def test_a_receiver_without_keys_takes_up_no_state() -> None:
    with pytest.raises(ValueError, match="without keys"):
        ullage.Receiver(WELL).restore([])


# ---- nonces ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_no_pair_of_key_and_nonce_is_ever_used_twice(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """Both ends of two stations send and restart, with the power failing in the middle of writes to their memory."""
    used = _noted(monkeypatch)
    rng, well = random.Random(seed), wells(resync=40)
    memories = {station: Memory().provisioned() for station in (1, 17, 18)}
    senders = {station: _started(well, station, memory) for station, memory in memories.items()}
    receiver, sent = hub(well), 0
    for _ in range(1500):
        station = rng.choice([1, 17, 18])
        memory = memories[station]
        memory.torn = rng.random() < 0.1
        frame, values = ("order", {"destination": rng.choice([17, 18]), "valve": "shut"})
        if station != 1:
            frame, values = "level", {"destination": 1, "depth": rng.randrange(5001)}
        try:
            octets = senders[station].encode(frame, values)
        except PowerCut:
            octets = None
        power_failed, memory.torn = memory.torn, False
        if octets is not None:
            sent += 1
            receiver.decode(octets)
        if octets is None or power_failed or rng.random() < 0.02:
            senders[station] = _started(well, station, memory)
    assert sent > 1000
    assert len(used) == len(set(used)) == sent
    assert sum(one.accepted for one in receiver.heard.values()) == sent


def _started(well: ullage.Protocol, station: int, memory: Memory) -> ullage.Sender:
    return ullage.Sender(well, station, KEYS, memory.counter(block=8))


def test_nonces_of_both_ends_differ_although_key_and_number_are_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    used = _noted(monkeypatch)
    level(node(WELL, 17, first=4))
    node(WELL, 1, first=4).encode("order", {"destination": 17, "valve": "open"})
    (key, up), (same, down) = used
    assert key == same
    assert (up.hex(), down.hex()) == ("4f521100000004" + 6 * "00", "4f520100000004" + 6 * "00")


def _noted(monkeypatch: pytest.MonkeyPatch) -> list[tuple[bytes, bytes]]:
    """Every pair of key and nonce that seals from now on."""
    used: list[tuple[bytes, bytes]] = []

    def noting(key: Key, nonce: bytes, plaintext: bytes, associated: bytes, tag_octets: int) -> bytes:
        used.append((key.octets, nonce))
        return seal(key, nonce, plaintext, associated, tag_octets)

    monkeypatch.setattr("ullage.sealed.seal", noting)
    return used
