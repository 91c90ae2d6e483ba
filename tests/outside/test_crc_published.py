"""CRCs against published values and against libraries that know nothing of ours."""

import binascii
import json
import zlib
from importlib import resources
from typing import Any

import anycrc
import crccheck.crc
import crcmod
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.crc import Crc, by_name, catalogue

ENTRIES: dict[str, dict[str, Any]] = {
    name: entry
    for name, entry in json.loads(resources.files("ullage").joinpath("crc_catalogue.json").read_text()).items()
    if 3 <= entry["width"] <= 64
}
NAMES = list(ENTRIES)
SECOND = {kind._names[0]: kind for kind in crccheck.crc.ALLCRCCLASSES}

# Long enough for every table index, odd lengths, and the empty message; the same on every run.
MESSAGES = [b"", b"\x00", b"\xff\x80\x01", bytes(range(256)), bytes((7 * k + 3) % 256 for k in range(61))]


def test_the_catalogue_has_its_112_entries_of_3_to_64_bits() -> None:
    """The mirror of the catalogue has 113; CRC-82/DARC is too wide."""
    assert list(catalogue()) == NAMES
    assert len(NAMES) == 112


@pytest.mark.parametrize("name", NAMES)
def test_check_and_residue_of_the_catalogue_come_out_of_our_own_table_form(name: str) -> None:
    """Catalogue of parametrised CRC algorithms (G. Cook), mirror akhilles/crc-catalog@ed4ad631f22b."""
    crc, published = by_name(name), ENTRIES[name]
    assert crc.table_function(b"123456789") == published["check"]
    assert (crc.check, crc.residue) == (published["check"], published["residue"])


@pytest.mark.parametrize("name", NAMES)
def test_the_data_file_holds_what_a_second_copy_of_the_catalogue_holds(name: str) -> None:
    """crccheck carries its own copy: parameters, check, residue and aliases."""
    second, entry = SECOND[name], ENTRIES[name]
    assert entry | {"aliases": []} == {
        "width": second._width,
        "poly": second._poly,
        "init": second._initvalue,
        "refin": second._reflect_input,
        "refout": second._reflect_output,
        "xorout": second._xor_output,
        "check": second._check_result,
        "residue": second._residue,
        "aliases": [],
    }


def test_the_aliases_are_those_of_two_other_copies_of_the_catalogue() -> None:
    """anycrc lists all of them without the first hyphen; crccheck lacks three and turns one round (CRC-12-X)."""

    def squeezed(name: str) -> str:
        return name.replace("CRC-", "CRC").replace("/", "-") if name[4:5].isdigit() else name

    ours = {squeezed(alias): squeezed(name) for name, entry in ENTRIES.items() for alias in entry["aliases"]}
    assert ours == dict(anycrc.aliases)
    theirs = {alias for kind in SECOND.values() for alias in kind._names[1:]}
    assert theirs - {alias for entry in ENTRIES.values() for alias in entry["aliases"]} == {"CRC-12-X"}


def _crccheck(crc: Crc) -> Any:
    return crccheck.crc.Crc(crc.width, crc.poly, crc.init, crc.refin, crc.refout, crc.xorout)


def _anycrc(crc: Crc) -> Any:
    return anycrc.CRC(
        width=crc.width, poly=crc.poly, init=crc.init, refin=crc.refin, refout=crc.refout, xorout=crc.xorout
    )


@pytest.mark.parametrize("name", NAMES)
def test_three_libraries_give_what_our_table_form_gives(name: str) -> None:
    """crccheck and anycrc for every entry; crcmod for widths 8, 16, 24, 32, 64 with refin like refout."""
    crc = by_name(name)
    values = [crc.table_function(message) for message in MESSAGES]
    assert values == [_crccheck(crc).calc(message) for message in MESSAGES]
    assert values == [_anycrc(crc).calc(message) for message in MESSAGES]
    assert values == [crc.compute(message) for message in MESSAGES]
    if crc.width in (8, 16, 24, 32, 64) and crc.refin == crc.refout:
        init = int(f"{crc.init:0{crc.width}b}"[::-1], 2) if crc.refin else crc.init
        peer = crcmod.mkCrcFun(crc.poly + (1 << crc.width), init ^ crc.xorout, crc.refin, crc.xorout)
        assert values == [peer(message) for message in MESSAGES]


@given(st.binary(max_size=300), st.sampled_from(NAMES))
def test_three_libraries_agree_on_any_message(message: bytes, name: str) -> None:
    crc = by_name(name)
    assert crc.compute(message) == crc.table_function(message)
    assert crc.compute(message) == _crccheck(crc).calc(message) == _anycrc(crc).calc(message)


@given(st.binary(max_size=300))
def test_the_standard_library_agrees(message: bytes) -> None:
    """binascii.crc_hqx is CRC-16/XMODEM and, begun with 0xFFFF, CRC-16/IBM-3740; zlib.crc32 is CRC-32/ISO-HDLC."""
    assert by_name("CRC-16/XMODEM").compute(message) == binascii.crc_hqx(message, 0)
    assert by_name("CRC-16/IBM-3740").compute(message) == binascii.crc_hqx(message, 0xFFFF)
    assert by_name("CRC-32/ISO-HDLC").compute(message) == zlib.crc32(message)


# RFC 3720, Appendix B.4: CRC32C as the octets are sent.
READ_10 = "01c00000 00000000 00000000 00000000 14000000 00000400 00000014 00000018 28000000 00000000 02000000 00000000"
RFC_3720 = [
    (bytes(32), "aa36918a"),
    (b"\xff" * 32, "43aba862"),
    (bytes(range(32)), "4e79dd46"),
    (bytes(range(31, -1, -1)), "5cdb3f11"),
    (bytes.fromhex(READ_10), "563a96d9"),
]


@pytest.mark.parametrize(("message", "sent"), RFC_3720)
def test_the_five_examples_of_rfc_3720_come_out_as_the_octets_sent(message: bytes, sent: str) -> None:
    crc = by_name("CRC-32/ISCSI")
    assert crc.to_octets(crc.compute(message)).hex() == sent


@pytest.mark.parametrize(("name", "good"), [("CRC-16/IBM-SDLC", 0xF0B8), ("CRC-32/ISO-HDLC", 0xDEBB20E3)])
@given(message=st.binary(max_size=64))
def test_a_message_with_its_crc_leaves_the_good_fcs_of_rfc_1662(name: str, good: int, message: bytes) -> None:
    """RFC 1662, Appendix C: PPPGOODFCS16 0xf0b8, PPPGOODFCS32 0xdebb20e3, before the final XOR."""
    crc = by_name(name)
    assert crc.residue == good
    assert crc.compute(message + crc.to_octets(crc.compute(message))) ^ crc.xorout == good


# Seven CRCs of polynomial 0x1021 that go by "CRC-16/CCITT": check values of the catalogue.
CCITT = {
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/SPI-FUJITSU": 0xE5CC,
    "CRC-16/GENIBUS": 0xD64E,
    "CRC-16/MCRF4XX": 0x6F91,
    "CRC-16/IBM-SDLC": 0x906E,
}


def test_the_seven_ccitt_crcs_have_their_seven_published_check_values() -> None:
    assert {name: by_name(name).check for name in CCITT} == CCITT
