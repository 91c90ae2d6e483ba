"""Sealed frames of two revisions: compared under the seal where both open them, refused or misread where not.

Each verdict is tried with real keys: a `Sender` of one end, a `Receiver` of the other.
"""

from __future__ import annotations

import itertools

import pytest

import ullage
from ullage.revisions.compare import compare
from ullage.revisions.outcome import Verdict
from ullage.seal.keys import Key
from ullage.status import Status

BASE = """
[protocol]
name = "well"
revision = 1
[header]
field = [
  { name = "revision",    kind = "revision",    bits = 4 },
  { name = "message",     kind = "message",     bits = 4 },
  { name = "destination", kind = "destination", bits = 8 },
  { name = "source",      kind = "source",      bits = 8 },
  { name = "sequence",    kind = "sequence",    bits = 8, counter_bits = 32 },
]
[[frame]]
name = "order"
message = 1
interval = "1 h"
field = [
  { name = "valve", kind = "code", codes = { shut = 0, half = 1, open = 2 }, bits = 4 },
  { name = "level", kind = "count", bits = 4 },
]
[seal]
frames = ["order"]
network = 7
hub = 1
service_life = "10 years"
[integrity]
crc = "CRC-16/IBM-3740"
"""
KEYS = {17: Key(bytes(range(3, 35, 2)), 17)}
UNSEALED = (
    BASE.partition("[seal]")[0].replace(", counter_bits = 32", "") + "[integrity]" + BASE.partition("[integrity]")[2]
)


class Numbers:
    def __init__(self) -> None:
        self.numbers = itertools.count(300)

    def take(self) -> int:
        return next(self.numbers)


def really(sender: ullage.Protocol, receiver: ullage.Protocol, valve: str = "open") -> ullage.Message | Status:
    """What a real receiver with keys makes of a real frame."""
    values = {"destination": 17, "source": 1, "valve": valve, "level": 5}
    if sender.seal:
        octets = ullage.Sender(sender, 1, KEYS, Numbers()).encode("order", values)
    else:
        octets = sender.encode("order", {**values, "sequence": 44})
    try:
        return ullage.Receiver(receiver, KEYS).decode(octets)
    except ullage.Refused as refused:
        return refused.reason


def verdicts(old: str, new: str) -> tuple[Verdict, set[Status], Verdict, set[Status]]:
    (frame,) = compare(ullage.loads(old), ullage.loads(new)).frames
    assert frame.new_reads_old is not None
    assert frame.old_reads_new is not None
    one, other = frame.new_reads_old, frame.old_reads_new
    return one.verdict, set(one.refused), other.verdict, set(other.refused)


def test_frames_that_both_open_are_compared_under_the_seal() -> None:
    swapped = BASE.replace("half = 1, open = 2", "half = 2, open = 1")
    assert verdicts(BASE, swapped)[::2] == (Verdict.MISREADS, Verdict.MISREADS)
    read = really(ullage.loads(BASE), ullage.loads(swapped))
    assert isinstance(read, ullage.Message)
    assert read["valve"] == "half"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("network = 7", "network = 8"),
        ("hub = 1", "hub = 2"),
        ('nonce = ["source", "sequence"]', 'nonce = ["source", "destination", "sequence"]'),
    ],
)
def test_frames_that_are_sealed_in_another_way_reach_the_tag(old: str, new: str) -> None:
    before = BASE.replace("hub = 1\n", 'hub = 1\nnonce = ["source", "sequence"]\n')
    after = before.replace(old, new)
    assert before != after
    refused = {Status.WRONG_TAG}
    assert verdicts(before, after) == (Verdict.REFUSES, refused, Verdict.REFUSES, refused)
    if "hub" not in old:  # under another hub the receiver looks for another station's key
        assert really(ullage.loads(before), ullage.loads(after)) is Status.WRONG_TAG


def test_a_shorter_tag_is_another_length() -> None:
    after = BASE.replace("hub = 1", "hub = 1\ntag_octets = 4")
    assert verdicts(BASE, after)[1] == {Status.WRONG_LENGTH}
    assert really(ullage.loads(BASE), ullage.loads(after)) is Status.WRONG_LENGTH


def test_a_frame_that_is_no_longer_sealed_is_refused_by_its_length() -> None:
    assert verdicts(BASE, UNSEALED) == (
        *(Verdict.REFUSES, {Status.WRONG_LENGTH}),
        *(Verdict.REFUSES, {Status.TOO_SHORT}),
    )
    assert really(ullage.loads(BASE), ullage.loads(UNSEALED)) is Status.WRONG_LENGTH
    assert really(ullage.loads(UNSEALED), ullage.loads(BASE)) is Status.TOO_SHORT


def test_what_is_encrypted_can_be_taken_for_fields() -> None:
    """The same length without a seal: the tag's octets lie where fields are."""
    note = '  { name = "note", kind = "octets", octets = 8 },\n'
    longer = UNSEALED.replace("]\n[integrity]", f"{note}]\n[integrity]")
    assert longer != UNSEALED
    assert verdicts(BASE, longer)[0] is Verdict.MISREADS
    assert verdicts(BASE, longer)[3] == {Status.WRONG_TAG}
    read = [really(ullage.loads(BASE), ullage.loads(longer), valve) for valve in ("open", "half", "shut")]
    assert any(isinstance(one, ullage.Message) for one in read) or Status.NOT_A_VALUE in read


def test_a_new_revision_is_understood_by_a_receiver_of_both() -> None:
    comparison = compare(
        ullage.loads(BASE), ullage.loads(BASE.replace("revision = 1", "revision = 2").replace("level", "depth"))
    )
    (frame,) = comparison.frames
    assert frame.new_reads_old is not None
    assert set(frame.new_reads_old.refused) == {Status.OTHER_REVISION}
    assert frame.both_reads_old is not None
    assert frame.both_reads_old.verdict is Verdict.UNDERSTANDS
    assert comparison.first == "receiver"


def test_the_change_of_a_seal_is_told() -> None:
    (frame,) = compare(ullage.loads(BASE), ullage.loads(BASE.replace("network = 7", "network = 9"))).frames
    assert [(change.name, change.text) for change in frame.changes] == [
        ("(seal)", "network 7 in 2 octets → 9 in 2 octets")
    ]
    (frame,) = compare(ullage.loads(BASE), ullage.loads(UNSEALED)).frames
    assert ("(seal)", "sealed → not sealed") in [(change.name, change.text) for change in frame.changes]
