"""A toy acceptor for the tests of log lines: frames of 10 octets that end in a CRC-16/IBM-3740."""

from __future__ import annotations

import binascii

from ullage.logs.lines import LineReader, Rejected, Verdict

FRAME = bytes.fromhex("210111000903d87933d7")
DAMAGED = bytes.fromhex("210111000901d87933d7")  # distance 472 for 984


class NoFrame(Exception):
    """The toy acceptor's refusal."""


def accept(octets: bytes) -> int:
    """Give the sequence number of a sound frame, else raise NoFrame."""
    if len(octets) != 10:
        raise NoFrame("length")
    if binascii.crc_hqx(octets, 0xFFFF):
        raise NoFrame("integrity")
    return int.from_bytes(octets[3:5], "big")


def sound(body: bytes) -> bytes:
    """Give 8 octets with their CRC."""
    return body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big")


def judge(text: str, reader: LineReader | None = None) -> Verdict[int, NoFrame]:
    """Judge a line by the toy acceptor, as hex unless another reader is given."""
    return (reader or LineReader(10)).judge(text, accept, NoFrame)


def refused(text: str, reader: LineReader | None = None) -> bytes | None:
    """Give the octets of a refused line, None for any other line."""
    verdict = judge(text, reader)
    return verdict.octets if isinstance(verdict, Rejected) else None
