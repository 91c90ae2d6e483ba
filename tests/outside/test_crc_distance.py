"""Which CRCs overlook two or three flipped bits at which length: against tables that others computed."""

import time

import pytest

from ullage.spec.crc_strength import fewest_unseen

LENGTHS = (4, 8, 12, 16, 17, 20, 24, 32, 64, 128, 255)
# Hamming distance by octets of data (the lengths above), for the polynomials of the catalogue of parametrised CRC
# algorithms (G. Cook), computed exactly by a search over all error patterns; width, polynomial, distances.
TABLE = """
5,0x5,2,2,2,2,2,2,2,2,2,2,2
5,0x9,2,2,2,2,2,2,2,2,2,2,2
5,0x15,2,2,2,2,2,2,2,2,2,2,2
6,0x3,3,2,2,2,2,2,2,2,2,2,2
6,0x7,2,2,2,2,2,2,2,2,2,2,2
6,0x19,2,2,2,2,2,2,2,2,2,2,2
6,0x27,3,2,2,2,2,2,2,2,2,2,2
6,0x2f,2,2,2,2,2,2,2,2,2,2,2
7,0x9,3,3,3,2,2,2,2,2,2,2,2
7,0x45,4,2,2,2,2,2,2,2,2,2,2
7,0x4f,2,2,2,2,2,2,2,2,2,2,2
8,0x7,4,4,4,2,2,2,2,2,2,2,2
8,0x1d,3,3,3,3,3,3,3,2,2,2,2
8,0x2f,4,4,4,2,2,2,2,2,2,2,2
8,0x31,4,4,4,2,2,2,2,2,2,2,2
8,0x39,2,2,2,2,2,2,2,2,2,2,2
8,0x49,4,4,4,2,2,2,2,2,2,2,2
8,0x9b,4,4,4,2,2,2,2,2,2,2,2
8,0xa7,4,4,4,2,2,2,2,2,2,2,2
8,0xd5,4,4,2,2,2,2,2,2,2,2,2
10,0x175,2,2,2,2,2,2,2,2,2,2,2
10,0x233,4,4,4,4,4,4,4,4,2,2,2
10,0x3d9,4,4,4,4,4,4,4,4,2,2,2
11,0x307,4,4,4,4,4,4,4,4,4,2,2
11,0x385,2,2,2,2,2,2,2,2,2,2,2
12,0x80f,4,4,4,4,4,4,4,4,4,4,2
12,0xd31,4,4,4,4,4,4,4,4,4,4,2
12,0xf13,4,4,4,4,4,4,4,4,4,4,2
13,0x1cf5,4,4,4,4,4,4,2,2,2,2,2
14,0x805,4,4,4,4,4,4,4,4,4,4,4
14,0x202d,4,4,4,4,4,4,4,4,4,4,4
15,0x4599,6,6,6,2,2,2,2,2,2,2,2
15,0x6815,5,2,2,2,2,2,2,2,2,2,2
16,0x589,6,6,6,4,4,4,4,2,2,2,2
16,0x80b,5,4,4,4,4,4,4,4,4,3,3
16,0x1021,4,4,4,4,4,4,4,4,4,4,4
16,0x1dcf,5,5,5,4,4,4,4,4,4,4,4
16,0x3d65,6,6,6,6,2,2,2,2,2,2,2
16,0x5935,6,5,5,5,5,5,5,2,2,2,2
16,0x6f63,5,5,5,5,5,5,5,2,2,2,2
16,0x755b,5,5,5,4,4,4,4,4,4,4,4
16,0x8005,4,4,4,4,4,4,4,4,4,4,4
16,0x8bb7,5,4,4,4,4,4,4,4,3,3,3
16,0xa097,6,6,4,4,4,4,4,4,4,4,4
16,0xc867,5,4,4,4,4,4,4,4,3,3,3
17,0x1685b,6,6,6,6,6,6,6,2,2,2,2
21,0x102899,6,6,6,6,6,6,6,6,6,2,2
24,0x65b,8,8,6,6,6,6,6,6,4,4,4
24,0x328b63,8,6,6,6,6,6,6,6,6,4,4
24,0x5d6dcb,8,8,6,6,6,6,6,6,6,6,4
24,0x800063,4,4,4,4,4,4,4,4,4,4,4
24,0x864cfb,6,6,6,6,6,6,6,6,6,4,4
30,0x2030b9c7,8,8,8,8,8,6,6,6,6,6,4
31,0x4c11db7,9,7,7,7,7,7,6,6,5,5,5
32,0xaf,6,6,6,6,6,6,6,6,5,5,5
32,0x4c11db7,10,8,7,7,7,7,6,6,5,5,5
32,0x1edc6f41,10,8,8,8,8,8,6,6,6,6,6
32,0x741b8cd7,8,8,8,8,8,6,6,6,6,6,6
32,0x8001801b,4,4,4,4,4,4,4,4,4,4,4
32,0x814141ab,10,8,8,8,8,8,6,6,6,6,6
32,0xa833982b,8,7,6,6,6,6,6,6,6,6,5
32,0xf4acfb13,8,8,8,8,8,8,8,8,6,6,6
"""
# P. Koopman's published breakpoints (users.ece.cmu.edu/~koopman/crc): width, polynomial in his notation (implicit +1),
# distance, the most data bits with at least that distance, the distance one bit later.
BREAKPOINTS = """
8,0x83,4,119,2
8,0xa6,3,247,2
8,0x97,4,119,2
8,0x98,4,119,2
8,0xea,4,85,2
16,0xc86c,6,135,2
16,0x9eb2,6,135,2
16,0xac9a,5,241,2
"""


@pytest.mark.parametrize("row", TABLE.split())
def test_two_and_three_overlooked_bits_are_those_of_the_table(row: str) -> None:
    width, poly, *distances = row.split(",")
    for octets, distance in zip(LENGTHS, map(int, distances), strict=True):
        assert fewest_unseen(int(width), int(poly, 16), octets) == (distance if distance < 4 else None)


@pytest.mark.parametrize("row", BREAKPOINTS.split())
def test_the_published_breakpoints_fall_between_two_lengths_in_octets(row: str) -> None:
    """At the last whole octet below the breakpoint the distance holds; at the next one it is gone."""
    width, koopman, distance, last, after = (int(text, 0) for text in row.split(","))
    poly = (koopman << 1 | 1) & (1 << width) - 1
    assert fewest_unseen(width, poly, last // 8) == (distance if distance < 4 else None)
    assert fewest_unseen(width, poly, last // 8 + 1) == after


def test_what_is_said_to_be_overlooked_really_is() -> None:
    """For short CRCs, brute force over every two and three flipped bits of a frame agrees."""
    for width, poly, octets in ((3, 0x3, 1), (4, 0x3, 2), (5, 0x5, 2), (6, 0x27, 2), (8, 0x07, 2), (8, 0x9B, 2)):
        bits = 8 * octets + width
        remainders = [power(width, poly, place) for place in range(bits)]
        two = any(one == other for i, one in enumerate(remainders) for other in remainders[:i])
        three = any(
            one ^ other ^ third == 0
            for i, one in enumerate(remainders)
            for j, other in enumerate(remainders[:i])
            for third in remainders[:j]
        )
        assert fewest_unseen(width, poly, octets) == (2 if two else 3 if three else None)


def power(width: int, poly: int, exponent: int) -> int:
    """The remainder of x^exponent, by long division."""
    value = 1 << exponent
    divisor = 1 << width | poly
    while value.bit_length() > width:
        value ^= divisor << value.bit_length() - width - 1
    return value


def test_the_longest_frame_takes_no_time() -> None:
    start = time.perf_counter()
    assert fewest_unseen(64, 0x42F0E1EBA9EA3693, 255) is None
    assert time.perf_counter() - start < 0.5
