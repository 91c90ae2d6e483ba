"""A receiver of several protocols or revisions: one accepts, more than one is ambiguous, else the furthest reason."""

from __future__ import annotations

import pytest

import ullage
from ullage.receiver import furthest
from ullage.status import Status

NODE = """
[protocol]
name = "{name}"
revision = {revision}
[header]
field = [
  {{ name = "revision", kind = "revision", bits = 3 }},
  {{ name = "message", kind = "message", bits = 5 }},
  {{ name = "destination", kind = "destination", bits = 8 }},
]
[[frame]]
name = "report"
message = 1
field = [ {{ name = "level", kind = "measure", unit = "mm", range = [0, {high}], step = 1, bits = 16 }} ]
{integrity}
"""
CRC = '[integrity]\ncrc = "CRC-16/IBM-3740"'


def node(name: str = "well", revision: int = 1, high: int = 2000, integrity: str = CRC) -> ullage.Protocol:
    return ullage.loads(NODE.format(name=name, revision=revision, high=high, integrity=integrity))


OLD, NEW = node(), node(revision=2, high=4000)


def test_each_revision_is_read_and_named() -> None:
    receiver = ullage.Receiver([NEW, OLD])
    for protocol in (OLD, NEW):
        message = receiver.decode(protocol.encode("report", {"destination": 1, "level": 1500}))
        assert message.protocol is protocol
        assert message["level"] == 1500


def test_a_message_names_its_protocol_without_a_receiver_too() -> None:
    assert OLD.decode(OLD.encode("report", {"destination": 1, "level": 7})).protocol is OLD


def test_the_reason_that_came_furthest_wins() -> None:
    receiver = ullage.Receiver([NEW, OLD])
    octets = bytearray(node(high=5000).encode("report", {"destination": 1, "level": 4900}))  # revision 1, 4900 mm
    with pytest.raises(ullage.Refused) as refused:
        receiver.decode(octets)
    assert refused.value.reason is Status.NOT_A_VALUE
    assert refused.value.protocol is OLD


def test_on_ties_the_first_protocol_speaks() -> None:
    with pytest.raises(ullage.Refused) as refused:
        ullage.Receiver([NEW, OLD]).decode(bytes(6))
    assert refused.value.reason is Status.INTEGRITY
    assert refused.value.protocol is NEW


def test_what_two_accept_is_ambiguous() -> None:
    other = node("pond")
    octets = OLD.encode("report", {"destination": 1, "level": 3})
    with pytest.raises(ullage.Refused) as refused:
        ullage.Receiver([OLD, other]).decode(octets)
    assert refused.value.reason is Status.AMBIGUOUS
    assert str(refused.value) == "these octets are a sound frame of well revision 1 and pond revision 1"
    assert refused.value.protocol is None


def test_frames_for_another_station_are_refused_by_those_that_know_stations() -> None:
    octets = OLD.encode("report", {"destination": 4, "level": 3})
    receiver = ullage.Receiver([NEW, OLD])
    assert receiver.decode(octets, at=4)["level"] == 3
    with pytest.raises(ullage.Refused) as refused:
        receiver.decode(octets, at=5)
    assert refused.value.reason is Status.NOT_ADDRESSED
    with pytest.raises(ValueError, match="no station"):
        receiver.decode(octets, at=999)


def test_a_station_without_any_destination_is_an_error() -> None:
    bare = ullage.loads('[protocol]\nname = "bare"\n[[frame]]\nname = "a"\nfield = [{ name = "x", kind = "flag" }]\n')
    with pytest.raises(ValueError, match="has no destination"):
        ullage.Receiver([bare]).decode(b"\x80", at=1)


def test_one_revision_number_names_one_fingerprint() -> None:
    with pytest.raises(ValueError, match=r"well revision 1 is given twice, with fingerprints [0-9a-f]{16} and"):
        ullage.Receiver([OLD, node(high=3000)])
    with pytest.raises(ValueError, match=r"well revision 1 is given twice$"):
        ullage.Receiver([OLD, node()])
    with pytest.raises(ValueError, match="at least one"):
        ullage.Receiver([])


def test_the_order_of_reasons_is_that_of_the_questions() -> None:
    in_order = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 14]
    stages = [Status(number) for number in in_order]
    for place in range(len(stages) - 1):
        assert furthest([stages[place], stages[place + 1]]) == 1
        assert furthest([stages[place + 1], stages[place]]) == 0
    slots = [Status.WRONG_CONSTANT, Status.SPARE_NOT_ZERO, Status.NOT_A_VALUE]
    for one in slots:
        assert furthest([Status.WRONG_COUNT, one]) == 1
        assert all(furthest([one, other]) == 0 for other in slots)
