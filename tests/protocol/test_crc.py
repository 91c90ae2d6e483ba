"""Behaviour of CRCs: octet order, free parameters, names and what is said about wrong ones."""

import copy
import pickle
import subprocess
import sys
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.crc import AmbiguousCrc, Crc, UnknownCrc, by_name, catalogue, faults_in, reverse_bits


def bit_at_a_time(crc: Crc, octets: bytes) -> int:
    """The parameter model word for word, one bit after the other, without tables or alignment."""
    register = crc.init
    for octet in octets:
        bits = f"{octet:08b}"
        for bit in reversed(bits) if crc.refin else bits:
            leaving = register >> (crc.width - 1) & 1
            register = register << 1 & ((1 << crc.width) - 1)
            if leaving ^ int(bit):
                register ^= crc.poly
    if crc.refout:
        register = int(f"{register:0{crc.width}b}"[::-1], 2)
    return register ^ crc.xorout


@st.composite
def crcs(draw: st.DrawFn) -> Crc:
    width = draw(st.integers(3, 64))
    value = st.integers(0, (1 << width) - 1)
    return Crc(None, width, draw(value) | 1, draw(value), draw(st.booleans()), draw(st.booleans()), draw(value))


@given(crcs(), st.binary(max_size=40))
def test_any_free_parameters_give_what_the_model_gives_bit_by_bit(crc: Crc, octets: bytes) -> None:
    expected = bit_at_a_time(crc, octets)
    assert crc.table_function(octets) == expected
    assert crc.compute(octets) == expected


@pytest.mark.parametrize("width", range(3, 65))
@pytest.mark.parametrize("refin", [False, True])
@pytest.mark.parametrize("refout", [False, True])
def test_every_width_and_reflection_gives_what_the_model_gives(width: int, refin: bool, refout: bool) -> None:
    ones = (1 << width) - 1
    # Values without any symmetry, so that a forgotten reflection or shift shows.
    crc = Crc(None, width, 0x9D3C_52F1_0B47_6A25 & ones | 1, 0x1F4B_D3A9_6C58_E071 & ones, refin, refout, 0b1011 & ones)
    for octets in (b"", b"\x80", b"\x01", b"123456789", bytes(range(256))):
        assert crc.compute(octets) == crc.table_function(octets) == bit_at_a_time(crc, octets)


@given(crcs(), st.binary(max_size=20))
def test_the_residue_is_left_by_every_message_followed_by_its_crc(crc: Crc, octets: bytes) -> None:
    """Only whole octets can follow a message here, so only whole widths, with refin like refout."""
    width = (crc.width + 7) // 8 * 8
    whole = Crc(None, width, crc.poly, crc.init, crc.refin, crc.refin, crc.xorout)
    codeword = octets + whole.to_octets(whole.compute(octets))
    assert whole.compute(codeword) ^ whole.xorout == whole.residue


@given(st.data())
def test_reversing_bits_twice_changes_nothing(data: st.DataObject) -> None:
    width = data.draw(st.integers(1, 64))
    value = data.draw(st.integers(0, (1 << width) - 1))
    assert reverse_bits(reverse_bits(value, width), width) == value
    assert reverse_bits(1, width) == 1 << (width - 1)


def test_octets_like_objects_give_the_same_crc() -> None:
    likes: list[Any] = [bytearray(b"123456789"), memoryview(b"x123456789")[1:]]
    for crc in (by_name("CRC-16/IBM-3740"), by_name("CRC-15/CAN")):
        for octets in likes:
            assert crc.function(octets) == crc.check


def test_the_octets_of_a_crc_go_low_first_exactly_when_refout_is_true() -> None:
    assert by_name("CRC-16/IBM-3740").to_octets(0x29B1) == b"\x29\xb1"
    assert by_name("CRC-16/KERMIT").to_octets(0x2189) == b"\x89\x21"
    assert by_name("CRC-12/UMTS").to_octets(0xDAF) == b"\xaf\x0d"


def test_the_octet_order_can_be_said() -> None:
    assert by_name("CRC-16/IBM-3740").to_octets(0x29B1, high_first=False) == b"\xb1\x29"
    assert by_name("CRC-16/KERMIT").to_octets(0x2189, high_first=True) == b"\x21\x89"


@pytest.mark.parametrize(("width", "octets"), [(3, 1), (8, 1), (9, 2), (15, 2), (17, 3), (40, 5), (64, 8)])
def test_a_crc_travels_in_the_fewest_octets_with_the_high_bits_zero(width: int, octets: int) -> None:
    crc = Crc(None, width, 3, 0, False, False, 0)
    ones = (1 << width) - 1
    assert crc.octets == octets
    assert crc.to_octets(ones) == ones.to_bytes(octets, "big")


@pytest.mark.parametrize("value", [-1, 0x1000])
def test_a_value_wider_than_the_crc_is_not_sent(value: int) -> None:
    with pytest.raises(ValueError, match="does not fit in a CRC of 12 bits"):
        by_name("CRC-12/DECT").to_octets(value)


def test_hexadecimal_has_as_many_digits_as_the_width_needs() -> None:
    assert by_name("CRC-31/PHILIPS").to_hex(0x0CE9E46C) == "0ce9e46c"
    assert by_name("CRC-5/USB").to_hex(9) == "09"


def test_parameters_that_make_a_crc_have_no_faults() -> None:
    assert faults_in(16, 0x1021, 0xFFFF, 0) == []
    assert faults_in(3, 7, 7, 7) == []
    assert faults_in(64, (1 << 64) - 1, 0, (1 << 64) - 1) == []


@pytest.mark.parametrize(
    ("parameters", "faults"),
    [
        ((2, 3, 0, 0), ["width 2 is outside 3..64"]),
        ((65, 3, 0, 0), ["width 65 is outside 3..64"]),
        ((16, 0, 0, 0), ["poly 0 detects nothing; its lowest bit must be 1"]),
        ((8, 0x12, 0, 0), ["poly 0x12 is even, but its lowest bit must be 1"]),
        (
            (16, 0x8408, 0, 0),
            ["poly 0x8408 is even, but its lowest bit must be 1; written the other way round it is 0x1021"],
        ),
        ((16, 0x11021, 0, 0), ["poly 0x11021 does not fit in 16 bits; without its top bit it is 0x1021"]),
        ((16, 0x30001, 0, 0), ["poly 0x30001 does not fit in 16 bits"]),
        ((16, -3, 0, 0), ["poly -0x3 does not fit in 16 bits"]),
        (
            (5, 0x20, 0x20, -1),
            [
                "poly 0x20 does not fit in 5 bits",
                "init 0x20 does not fit in 5 bits (0..0x1f)",
                "xorout -0x1 does not fit in 5 bits (0..0x1f)",
            ],
        ),
    ],
)
def test_every_fault_of_free_parameters_is_a_sentence_with_the_value(
    parameters: tuple[int, int, int, int], faults: list[str]
) -> None:
    assert faults_in(*parameters) == faults


def test_a_crc_with_faulty_parameters_cannot_exist() -> None:
    with pytest.raises(ValueError, match=r"poly 0x2 is even.*; xorout 0x10 does not fit"):
        Crc(None, 4, 2, 0, False, False, 16)


def test_a_used_crc_can_be_copied_and_pickled() -> None:
    crc = by_name("CRC-16/IBM-3740")
    assert crc.check == 0x29B1
    for twin in (copy.deepcopy(crc), pickle.loads(pickle.dumps(crc))):
        assert twin == crc
        assert twin.check == 0x29B1


def test_only_the_exact_name_of_the_catalogue_is_a_crc() -> None:
    crc = by_name("CRC-16/IBM-3740")
    assert crc == Crc("CRC-16/IBM-3740", 16, 0x1021, 0xFFFF, False, False, 0)
    for name in ("crc-16/ibm-3740", "CRC-16/IBM3740", "CRC_16/IBM_3740", " CRC-16/IBM-3740", "IBM-3740"):
        with pytest.raises(UnknownCrc) as caught:
            by_name(name)
        assert caught.value.nearest == ("CRC-16/IBM-3740",)
        assert str(caught.value) == f'"{name}" is called "CRC-16/IBM-3740" in the catalogue of CRCs'


@pytest.mark.parametrize(
    ("everyday", "name"),
    [
        ("X-25", "CRC-16/IBM-SDLC"),
        ("CRC-16/X25", "CRC-16/IBM-SDLC"),
        ("CRC-16/CCITT-FALSE", "CRC-16/IBM-3740"),
        ("ccitt_false", "CRC-16/IBM-3740"),
        ("MODBUS", "CRC-16/MODBUS"),
        ("CRC16_MODBUS", "CRC-16/MODBUS"),
        ("XMODEM", "CRC-16/XMODEM"),
        ("Kermit", "CRC-16/KERMIT"),
        ("AUG-CCITT", "CRC-16/SPI-FUJITSU"),
        ("CRC-32C", "CRC-32/ISCSI"),
        ("Castagnoli", "CRC-32/ISCSI"),
        ("DOW-CRC", "CRC-8/MAXIM-DOW"),
    ],
)
def test_another_name_of_one_crc_is_refused_with_the_catalogues_name(everyday: str, name: str) -> None:
    with pytest.raises(UnknownCrc) as caught:
        by_name(everyday)
    assert caught.value.name == everyday
    assert (caught.value.nearest, caught.value.same) == ((name,), True)


@pytest.mark.parametrize(
    ("wrong", "name"),
    [
        ("CRC-16/IBM-3470", "CRC-16/IBM-3740"),
        ("CRC-16/MODBUSS", "CRC-16/MODBUS"),
        ("CRC-32/MPEG", "CRC-32/MPEG-2"),
        ("CRC-13", "CRC-13/BBC"),
        ("CRC-16/DECT", "CRC-16/DECT-X"),
    ],
)
def test_a_wrong_name_is_refused_with_the_nearest(wrong: str, name: str) -> None:
    with pytest.raises(UnknownCrc) as caught:
        by_name(wrong)
    assert caught.value.nearest[0] == name
    assert not caught.value.same
    start = f'there is no CRC "{wrong}" of 3 to 64 bits in the catalogue of CRCs; near it: "{name}"'
    assert str(caught.value).startswith(start)


@pytest.mark.parametrize("name", ["", "banana", "CRC-82/DARCX" * 9])
def test_a_name_near_nothing_is_refused_without_a_proposal(name: str) -> None:
    with pytest.raises(UnknownCrc) as caught:
        by_name(name)
    assert caught.value.nearest == ()
    assert str(caught.value) == f'there is no CRC "{name}" of 3 to 64 bits in the catalogue of CRCs'


def test_the_tail_of_several_names_offers_them_all() -> None:
    with pytest.raises(UnknownCrc) as caught:
        by_name("DARC")
    assert caught.value.nearest == ("CRC-6/DARC", "CRC-8/DARC", "CRC-14/DARC", "CRC-16/GENIBUS")
    assert not caught.value.same


@pytest.mark.parametrize(
    "name", ["CRC-16/CCITT", "CRC-CCITT", "CCITT", "CRC-16-CCITT", "CRC16-CCITT", "crc16_ccitt", "CRC 16 CCITT"]
)
def test_ccitt_is_refused_with_the_check_values_of_its_seven_meanings(name: str) -> None:
    with pytest.raises(AmbiguousCrc) as caught:
        by_name(name)
    assert str(caught.value) == (
        f'"{name}" is used for seven different CRCs: "123456789" gives 2189 KERMIT, 29b1 IBM-3740, '
        "31c3 XMODEM, e5cc SPI-FUJITSU, d64e GENIBUS, 6f91 MCRF4XX, 906e IBM-SDLC"
    )
    assert [crc.check for crc in caught.value.meanings] == [
        0x2189,
        0x29B1,
        0x31C3,
        0xE5CC,
        0xD64E,
        0x6F91,
        0x906E,
    ]


@pytest.mark.parametrize(
    ("name", "first"),
    [
        ("CRC-16", "bb3d ARC"),
        ("crc16", "bb3d ARC"),
        ("CRC-16/IBM", "bb3d ARC"),
        ("CRC-8", "f4 SMBUS"),
        ("CRC-8-CCITT", "f4 SMBUS"),
        ("CRC-32", "cbf43926 ISO-HDLC"),
        ("CRC-64", "6c40df5f0b497347 ECMA-182"),
        ("CRC-64/ECMA", "6c40df5f0b497347 ECMA-182"),
        ("CRC-7", "75 MMC"),
        ("CRC-15", "059e CAN"),
        ("CRC-24", "c25a56 BLE"),
    ],
)
def test_other_everyday_names_are_refused_with_meanings_that_a_check_value_tells_apart(name: str, first: str) -> None:
    with pytest.raises(AmbiguousCrc) as caught:
        by_name(name)
    assert caught.value.checks[0] == first
    values = [crc.check for crc in caught.value.meanings]
    assert len(set(values)) == len(values) > 1


def test_both_refusals_are_value_errors_and_survive_pickling() -> None:
    for name, kind in (("CCITT", AmbiguousCrc), ("X-25", UnknownCrc)):
        with pytest.raises(ValueError) as caught:
            by_name(name)
        twin = pickle.loads(pickle.dumps(caught.value))
        assert isinstance(twin, kind)
        assert str(twin) == str(caught.value)


def test_every_name_of_the_catalogue_is_found_and_none_is_also_an_everyday_name() -> None:
    for name, crc in catalogue().items():
        assert by_name(name) is crc
        assert crc.name == name


def test_crcmod_is_loaded_when_a_crc_is_computed_and_not_before() -> None:
    program = (
        "import sys, ullage.crc as c; c.by_name('CRC-16/IBM-3740');"
        "assert 'crcmod' not in sys.modules; c.by_name('CRC-16/IBM-3740').check; assert 'crcmod' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", program], check=True)
