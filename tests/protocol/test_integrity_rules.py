"""The rules of the CRC at a frame's end: what it covers, how its octets travel, and how it is named.

Check values and parameters: catalogue of parametrised CRC algorithms (G. Cook), the CRC of the octets "123456789".
"""

import binascii

import pytest

import ullage
from support.tiny import load

NINE = 'name = "x", kind = "octets", octets = 9'
X = {"x": b"123456789"}


def crc_of(table: str) -> str:
    """The CRC's octets of a frame that holds nothing but 123456789."""
    return load(NINE, rest=f"[integrity]\n{table}").encode("a", X)[9:].hex(" ")


@pytest.mark.parametrize(
    ("name", "check", "octets"),
    [
        ("CRC-16/IBM-3740", 0x29B1, "29 b1"),  # refout false: high octet first
        ("CRC-16/KERMIT", 0x2189, "89 21"),  # refout true: low octet first
        ("CRC-16/MODBUS", 0x4B37, "37 4b"),
        ("CRC-32/ISO-HDLC", 0xCBF43926, "26 39 f4 cb"),
        ("CRC-32/BZIP2", 0xFC891918, "fc 89 19 18"),
        ("CRC-24/OPENPGP", 0x21CF02, "21 cf 02"),
        ("CRC-8/SMBUS", 0xF4, "f4"),
        ("CRC-64/XZ", 0x995DC9BBDF1939FA, "fa 39 19 df bb c9 5d 99"),
        # widths that are no whole number of octets travel in the fewest octets, high bits zero
        ("CRC-3/GSM", 0x4, "04"),
        ("CRC-5/USB", 0x19, "19"),
        ("CRC-7/MMC", 0x75, "75"),
        ("CRC-15/CAN", 0x059E, "05 9e"),
        ("CRC-12/UMTS", 0xDAF, "af 0d"),  # refin false, refout true
        ("CRC-31/PHILIPS", 0x0CE9E46C, "0c e9 e4 6c"),
    ],
)
def test_a_crc_travels_low_octet_first_when_refout_is_true_else_high_first(name: str, check: int, octets: str) -> None:
    assert crc_of(f'crc = "{name}"') == octets
    assert int(octets.replace(" ", ""), 16) == check or int.from_bytes(bytes.fromhex(octets), "little") == check


def test_octet_order_turns_the_crc_round_and_nothing_else() -> None:
    assert crc_of('crc = "CRC-16/IBM-3740"\noctet_order = "low_first"') == "b1 29"
    assert crc_of('crc = "CRC-16/KERMIT"\noctet_order = "high_first"') == "21 89"
    assert crc_of('crc = "CRC-12/UMTS"\noctet_order = "high_first"') == "0d af"


def test_six_parameters_are_the_same_as_the_name_for_them() -> None:
    free = "crc = { width = 16, poly = 0x1021, init = 0xFFFF, refin = false, refout = false, xorout = 0 }"
    named, given = (load(NINE, rest=f"[integrity]\n{crc}") for crc in ('crc = "CRC-16/IBM-3740"', free))
    assert named.encode("a", X) == given.encode("a", X)
    assert named.fingerprint == given.fingerprint


def test_a_crc_is_compared_as_whole_octets() -> None:
    """The five high bits beside a CRC of three are not free for anything: they are zero or the frame is refused."""
    protocol = load(NINE, rest='[integrity]\ncrc = "CRC-3/GSM"')
    sound = protocol.encode("a", X)
    protocol.decode(sound)
    for bit in range(8):
        with pytest.raises(ullage.Refused) as caught:
            protocol.decode(sound[:-1] + bytes([sound[-1] ^ 1 << bit]))
        assert caught.value.reason is ullage.Status.INTEGRITY


def test_every_octet_before_the_crc_is_covered() -> None:
    protocol = load(NINE, rest='[integrity]\ncrc = "CRC-8/SMBUS"')
    sound = protocol.encode("a", X)
    for place in range(8 * len(sound)):
        damaged = int.from_bytes(sound, "big") ^ 1 << place
        with pytest.raises(ullage.Refused, match="these 9 octets give"):
            protocol.decode(damaged.to_bytes(len(sound), "big"))


PREAMBLE = (
    '{ name = "mark", kind = "constant", bits = 16, value = 0x2DD4 }, { name = "n", kind = "sequence", bits = 8 }'
)


def test_covers_from_leaves_out_the_constants_before_a_field_which_are_still_asked_for() -> None:
    rest = '[integrity]\ncrc = "CRC-16/IBM-3740"\ncovers_from = "n"'
    protocol = load('name = "x", kind = "count", bits = 8', header=PREAMBLE, rest=rest)
    sound = protocol.encode("a", {"n": 7, "x": 8})
    assert sound == b"\x2d\xd4\x07\x08" + binascii.crc_hqx(b"\x07\x08", 0xFFFF).to_bytes(2, "big")
    with pytest.raises(ullage.Refused) as caught:
        protocol.decode(b"\x2d\xd5" + sound[2:])
    assert (str(caught.value.reason), caught.value.field) == ("wrong_constant", "mark")
    with pytest.raises(ullage.Refused) as caught:
        protocol.decode(sound[:2] + b"\x06" + sound[3:])
    assert str(caught.value.reason) == "integrity"


def test_covers_from_may_stand_in_a_frame_when_it_is_at_the_same_octet_of_all() -> None:
    header = '{ name = "n", kind = "constant", bits = 8, value = 1 }'
    rest = '[integrity]\ncrc = "CRC-8/SMBUS"\ncovers_from = "x"'
    protocol = load('name = "x", kind = "count", bits = 8', header=header, rest=rest)
    assert protocol.integrity is not None
    assert protocol.integrity.first_octet == 1
    assert protocol.least_octets == 2  # the header and the CRC


def test_octets_that_end_before_the_covered_part_are_too_short() -> None:
    body = ('name = "c", kind = "constant", bits = 16, value = 1', 'name = "x", kind = "count", bits = 8')
    protocol = load(*body, rest='[integrity]\ncrc = "CRC-8/SMBUS"\ncovers_from = "x"')
    assert protocol.least_octets == 3
    with pytest.raises(ullage.Refused) as caught:
        protocol.decode(b"\0\0")  # 0 is the CRC of no octets
    assert str(caught.value.reason) == "too_short"


@pytest.mark.parametrize(
    ("header", "name", "fault"),
    [
        (PREAMBLE, "nowhere", 'frame "a" has no field "nowhere"'),
        (PREAMBLE, "x", '"n" stands before "x" and would be unprotected; only constants may'),
        ('{ kind = "spare", bits = 8 }', "x", '"spare_1" stands before "x" and would be unprotected'),
        (
            '{ name = "c", kind = "constant", bits = 12, value = 1 }',
            "x",
            '"x" begins inside octet 1; a check covers whole',
        ),
    ],
)
def test_only_whole_octets_of_constants_may_be_left_out(header: str, name: str, fault: str) -> None:
    rest = f'[integrity]\ncrc = "CRC-8/SMBUS"\ncovers_from = "{name}"'
    with pytest.raises(ullage.SpecError, match=fault) as caught:
        load('name = "x", kind = "count", bits = 8', header=header, rest=rest)
    assert [fault.path for fault in caught.value.faults] == [("integrity", "covers_from")]


def test_what_the_crc_covers_begins_at_the_same_octet_of_every_frame() -> None:
    mark = '{ name = "c", kind = "constant", bits = 8, value = 1 }'
    second = mark.replace('"c"', '"d"')
    later = f'[[frame]]\nname = "b"\nfield = [ {second}, {{ name = "x", kind = "flag" }} ]\n'
    rest = f'{later}[integrity]\ncrc = "CRC-8/SMBUS"\ncovers_from = "x"'
    with pytest.raises(ullage.SpecError, match='"x" does not begin at the same octet in every frame') as caught:
        load('name = "x", kind = "flag"', header=mark, rest=rest)
    assert {fault.code for fault in caught.value.faults} == {"unaligned", "no_message_field"}


def test_without_an_integrity_table_a_frame_ends_with_its_fields() -> None:
    protocol = load(NINE)
    assert protocol.encode("a", X) == b"123456789"
    assert protocol.integrity is None
