"""Frames of old and open wire formats, as their sources print them, are read and written by their specs.

Each case has the octets and the meaning that a source publishes. Python and the compiled C read and write the same.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import crccheck
import pytest

import ullage
from support.ends import Answer, Build, CEnd, PythonEnd, need

FORMATS = Path(__file__).parents[2] / "spec" / "formats"


@dataclass(frozen=True)
class Published:
    """A frame of a format, its octets in hex, what they mean, and who says so."""

    spec: str
    frame: str
    octets: str
    values: dict[str, Any]
    source: str


def modbus(pdu: str, address: int = 0x11) -> str:
    """An RTU frame around a published PDU: the address before it, the CRC behind, its low octet first.

    Source, from memory: MODBUS over Serial Line V1.02, section 2.5.1. The CRC is computed by crccheck.
    """
    body = bytes([address]) + bytes.fromhex(pdu)
    return (body + int(crccheck.crc.CrcModbus.calc(body)).to_bytes(2, "little")).hex(" ")


def registers(*contents: int) -> tuple[dict[str, int], ...]:
    return tuple({"content": content} for content in contents)


CASES = [
    Published(
        *("ultrasonic_head", "reading", "FF 07 A1 A7", {"distance": 1953}),
        "data sheets of ultrasonic heads with serial output",
    ),
    Published(
        *("ultrasonic_head", "reading", "FF 00 E0 DF", {"distance": 224}),
        "data sheets of ultrasonic heads with serial output",
    ),
    Published(
        *("modbus_read_registers", "registers", modbus("03 06 02 2B 00 00 00 64")),
        {"address": 17, "byte_count": 6, "registers": registers(0x022B, 0x0000, 0x0064)},
        "MODBUS Application Protocol V1.1b3, section 6.3, from memory: registers 108..110 are 022B, 0000, 0064",
    ),
    Published(
        *("modbus_read_registers", "refusal", modbus("83 02"), {"address": 17, "cause": "illegal_address"}),
        "MODBUS Application Protocol V1.1b3, sections 6.3 and 7, from memory: error code 83, exception code 02",
    ),
    Published(
        *("ieee_802_15_4_acknowledgement", "acknowledgement", "02 00 6A E4 79"),
        {"pending": False, "version": 0, "sequence": 0x6A},
        "IEEE Std 802.15.4-2006, section 7.2.1.9, from memory: 0100 0000 0000 0000 0101 0110 have "
        "the FCS 0010 0111 1001 1110, in the order in which they are sent",
    ),
    Published(
        *("mstp_token", "token", "55 FF 00 10 05 00 00 8C", {"destination": 0x10, "source": 0x05}),
        "ANSI/ASHRAE Standard 135, annex G.1, from memory: a token from X'05' to X'10' has the header CRC X'8C'",
    ),
    Published(
        "iscsi_command",
        "command",
        "01 C0 00 00" + " 00" * 12 + "14 00 00 00 00 00 04 00 00 00 00 14 00 00 00 18"
        "28 00 00 00 00 00 00 00 02 00 00 00 00 00 00 00 56 3A 96 D9",
        {
            "immediate": False,
            "last": True,
            "reads": True,
            "writes": False,
            "attributes": "untagged",
            "data_octets": 0,
            "unit": bytes(8),
            "task_tag": 0x14000000,
            "expected_octets": 1024,
            "command_number": 20,
            "status_number": 24,
            "descriptor": bytes.fromhex("28 00 00 00 00 00 00 00 02 00 00 00 00 00 00 00"),
        },
        "RFC 3720, appendix B.4: an iSCSI SCSI Read (10) command PDU",
    ),
]


def frame_id(case: Published) -> str:
    return f"{case.spec} {case.frame} {case.octets[:11]}"


@pytest.fixture(params=CASES, ids=frame_id)
def case(request: pytest.FixtureRequest) -> Published:
    published: Published = request.param
    return published


def protocol_of(case: Published) -> ullage.Protocol:
    return ullage.load(FORMATS / f"{case.spec}.toml")


def test_published_octets_have_the_published_meaning_and_come_back(case: Published) -> None:
    protocol, octets = protocol_of(case), bytes.fromhex(case.octets)
    message = protocol.decode(octets)
    assert (message.frame, message.values) == (case.frame, case.values), case.source
    assert protocol.encode(case.frame, case.values) == octets, case.source


def test_compiled_c_reads_and_writes_the_published_octets(case: Published) -> None:
    need("gcc")
    protocol, octets = protocol_of(case), bytes.fromhex(case.octets)
    c, python = CEnd(protocol, Build("gcc", "c", 2)), PythonEnd(protocol)
    answer = c.decode(octets)
    assert answer == python.decode(octets)
    assert answer.status == 0
    assert answer.contents is not None
    assert c.encode(case.frame, answer.contents) == Answer(0, octets=octets)


def test_one_wrong_bit_in_a_published_frame_is_refused(case: Published) -> None:
    protocol, octets = protocol_of(case), bytes.fromhex(case.octets)
    for bit in range(8 * len(octets)):
        damaged = bytearray(octets)
        damaged[bit // 8] ^= 0x80 >> bit % 8
        with pytest.raises(ullage.Refused):
            protocol.decode(bytes(damaged))


def test_every_format_has_a_published_frame() -> None:
    assert {path.stem for path in FORMATS.glob("*.toml")} == {case.spec for case in CASES}


def test_modbus_crcs_are_sent_as_the_specification_prints_them() -> None:
    """MODBUS over Serial Line V1.02, section 6.2.2, from memory: a CRC of 1241 hex is sent as 41 12.

    The octets 02 07 have that CRC.
    """
    integrity = ullage.load(FORMATS / "modbus_read_registers.toml").integrity
    assert integrity is not None
    value = integrity.check.compute(bytes.fromhex("02 07"))
    assert value == 0x1241
    assert integrity.check.to_octets(value, integrity.high_first).hex(" ") == "41 12"


@pytest.mark.parametrize(
    ("octets", "reason"),
    [
        (modbus("03 00"), ullage.Status.WRONG_LENGTH),
        (modbus("03 03 02 2B 00"), ullage.Status.WRONG_COUNT),
        (modbus("03 04 02 2B"), ullage.Status.WRONG_LENGTH),
        (modbus("03 02 02 2B 00 00"), ullage.Status.WRONG_LENGTH),
        (modbus("04 02 02 2B"), ullage.Status.UNKNOWN_MESSAGE),
        (modbus("83 05"), ullage.Status.NOT_A_VALUE),
        (modbus("03 FC" + " 00" * 250), ullage.Status.WRONG_COUNT),
    ],
)
def test_a_byte_count_that_the_octets_do_not_bear_out_is_refused(octets: str, reason: ullage.Status) -> None:
    protocol = ullage.load(FORMATS / "modbus_read_registers.toml")
    with pytest.raises(ullage.Refused) as refused:
        protocol.decode(bytes.fromhex(octets))
    assert refused.value.reason == reason


def test_as_many_registers_fit_as_a_read_may_ask_for() -> None:
    """MODBUS Application Protocol V1.1b3, section 6.3, from memory: 1 to 125 (7D hex) registers."""
    protocol = ullage.load(FORMATS / "modbus_read_registers.toml")
    layout = protocol.frames["registers"]
    assert (layout.least_octets, layout.octets) == (7, 255)
    values = {"address": 1, "registers": registers(*range(125))}
    assert protocol.decode(protocol.encode("registers", values))["registers"] == values["registers"]
