"""Troubles of home-made radio messages that cannot happen here, or are seen at once.

Source of every trouble and of its octets: field report, common practice.
"""

import binascii
import itertools
from pathlib import Path
from typing import Any

import pytest

import ullage
from support.tiny import load

ORCHARD = ullage.load(Path(__file__).parents[2] / "spec" / "orchard.toml")
REPORT = {"destination": 1, "source": 17, "sequence": 9, "sensor": 0, "distance": 1234, "battery": 3.71}
FRAME = ORCHARD.encode("level_report", REPORT)


def reason(octets: bytes, protocol: ullage.Protocol = ORCHARD, at: int | None = None) -> str:
    with pytest.raises(ullage.Refused) as caught:
        protocol.decode(octets, at)
    return str(caught.value.reason)


def measure(keys: str) -> ullage.Protocol:
    return load(f'name = "x", kind = "measure", unit = "u", zero = 0, {keys}')


def test_no_padding_crosses_the_air() -> None:
    """An 8-bit part packed 0, 15, 25, 3000 into 5 octets; a 32-bit reader padded after 3 and saw 11 for 3000."""
    fields = [
        f'name = "{name}", kind = "count", bits = {bits}' for name, bits in zip("abcd", (8, 8, 8, 16), strict=True)
    ]
    protocol = load(*fields)
    values = {"a": 0, "b": 15, "c": 25, "d": 3000}
    assert protocol.encode("a", values) == bytes.fromhex("00 0f 19 0b b8")
    assert protocol.decode(bytes.fromhex("00 0f 19 0b b8")).values == values
    assert reason(bytes.fromhex("00 0f 19 00 0b b8"), protocol) == "wrong_length"


def test_the_width_of_a_number_is_the_specs_and_not_the_processors() -> None:
    """A 2-octet counter 1 and what followed it were read as 4 octets: 01 00 28 ee arrived as 3995598849."""
    assert int.from_bytes(bytes.fromhex("01 00 28 ee"), "little") == 3995598849
    protocol = load('name = "n", kind = "count", bits = 16', 'name = "rest", kind = "octets", octets = 2')
    assert protocol.encode("a", {"n": 1, "rest": b"\x28\xee"}) == bytes.fromhex("00 01 28 ee")
    assert protocol.decode(bytes.fromhex("00 01 28 ee"))["n"] == 1


def test_swapped_octets_do_not_become_another_reading() -> None:
    """23.45 was sent as 09 29 and read as 29 09: 105.05. Even behind a right CRC that is no value of this range."""
    protocol = measure("range = [-40, 85], step = 0.01, bits = 16")
    assert protocol.encode("a", {"x": 23.45}) == b"\x09\x29"
    assert reason(b"\x29\x09", protocol) == "not_a_value"


@pytest.mark.parametrize(
    ("value", "was", "bits", "keys"),
    [(1234, 210, 8, "range = [0, 255]"), (101275, 35739, 16, "range = [0, 65535]"), (1023, 255, 8, "range = [0, 255]")],
)
def test_a_value_that_does_not_fit_is_refused_or_clamped_and_never_wrapped(
    value: int, was: int, bits: int, keys: str
) -> None:
    """1234 arrived as 210, 101275 as 35739, and an analogue reading of 0..1023 never exceeded 255."""
    assert was in (value % (1 << bits), (1 << bits) - 1)
    with pytest.raises(ullage.EncodeError) as caught:
        measure(f"{keys}, step = 1").encode("a", {"x": value})
    assert caught.value.status is ullage.Status.OUT_OF_RANGE
    clamped = measure(f"{keys}, step = 1, clamp = true")
    assert clamped.decode(clamped.encode("a", {"x": value}))["x"] == (1 << bits) - 1


def test_a_sign_is_not_lost() -> None:
    """-3456 was shown as 62080."""
    protocol = measure("range = [-32768, 32767], step = 1")
    assert int.from_bytes(protocol.encode("a", {"x": -3456}), "big") == 62080
    assert protocol.decode((62080).to_bytes(2, "big"))["x"] == -3456


def test_text_with_commas_or_points_is_no_frame() -> None:
    """A damaged text still split into numbers: R1.65399.1-484798 was believed."""
    assert reason(b"R1.65399.1-484798") == "integrity"
    assert reason(b"25.31,1013,87\r\n") == "integrity"


def test_a_zero_octet_ends_nothing_and_no_tail_of_an_older_frame_is_read() -> None:
    """A frame copied as text stopped at its first zero octet, and an old frame's tail showed behind a shorter one."""
    values = {"destination": 0, "source": 0, "sequence": 0, "sensor": 0, "distance": 250, "battery": 2.0}
    octets = ORCHARD.encode("level_report", values)
    assert octets.count(0) >= 6
    assert ORCHARD.decode(octets).values == values
    assert reason(octets[: octets.index(0)]) == "too_short"
    assert (
        reason(
            ORCHARD.encode(
                "acknowledgement",
                {**dict.fromkeys(("destination", "source", "sequence", "order"), 1), "result": "done", "valve": "shut"},
            )
            + octets[-1:]
        )
        == "integrity"
    )


def test_one_or_two_flipped_bits_and_any_burst_of_16_are_found_without_the_radios_help() -> None:
    """A radio's own CRC is often off, and a serial line behind it drops and damages octets.

    That CRC-16/IBM-3740 finds these at this length is a property of its polynomial x^16 + x^12 + x^5 + 1: every burst
    of at most 16 bits, and every two bits less than 32767 apart.
    """
    whole, count = int.from_bytes(FRAME, "big"), 8 * len(FRAME)
    damage = [1 << place for place in range(count)]
    damage += [1 << one | 1 << other for one, other in itertools.combinations(range(count), 2)]
    damage += [burst << place for burst in (0x8001, 0xFFFF, 0xA5A5, 0x1021) for place in range(count - 15)]
    for error in damage:
        assert reason((whole ^ error).to_bytes(len(FRAME), "big")) == "integrity"


@pytest.mark.parametrize("place", range(len(FRAME)))
def test_a_dropped_or_doubled_octet_is_found(place: int) -> None:
    assert reason(FRAME[:place] + FRAME[place + 1 :]) == "integrity"
    assert reason(FRAME[:place] + FRAME[place : place + 1] + FRAME[place:]) == "integrity"


@pytest.mark.parametrize("prefix", ["ff ff 00 00", "01 11 09 0a", "0a", "2d d4"])
def test_octets_that_a_driver_puts_in_front_do_not_shift_the_reading(prefix: str) -> None:
    """One driver sends to, from, id, flags before the payload, another destination, source, id, length."""
    assert reason(bytes.fromhex(prefix) + FRAME) == "integrity"


def test_a_frame_for_a_neighbour_is_refused_as_such_and_its_address_is_under_the_crc() -> None:
    assert reason(FRAME, at=2) == "not_addressed"
    assert ORCHARD.decode(FRAME, at=1)["destination"] == 1
    readdressed = FRAME[:1] + b"\x02" + FRAME[2:]
    assert reason(readdressed, at=2) == "integrity"


def test_which_address_means_everybody_is_declared() -> None:
    """It is 255 in most drivers and 0 in some; without a declaration no address is everybody's."""
    for keys, everybody in ((", broadcast = 255", 255), (", broadcast = 0", 0), ("", None)):
        protocol = load(header=f'{{ name = "to", kind = "destination", bits = 8{keys} }}')
        heard: list[Any] = [to for to in range(256) if to != 7 and _heard(protocol, to)]
        assert heard == ([] if everybody is None else [everybody])


def _heard(protocol: ullage.Protocol, to: int) -> bool:
    try:
        return bool(protocol.decode(bytes([to]), at=7)["to"] == to)
    except ullage.Refused as refused:
        return str(refused.reason) != "not_addressed"


def test_a_node_of_another_revision_is_told_from_a_damaged_frame() -> None:
    """One flag octet more, and every number behind it was another; here the new frame says that it is new."""
    body = bytes([0x41]) + FRAME[1:-2] + b"\x01"
    newer = body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big")
    assert reason(newer) == "other_revision"
