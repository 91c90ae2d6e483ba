"""IEEE 754 single precision: every exact number goes to the nearest, once; sources beside the published patterns."""

import math
import random
import struct
from fractions import Fraction

import numpy as np
import pytest

from ullage import binary32

PUBLISHED = {
    # IEEE 754-2008 3.4 (binary32: 1 + 8 + 23 bits, bias 127) worked by its own formula.
    0x3F800000: 1.0,
    0xC0000000: -2.0,
    0x00000001: 2.0**-149,
    0x00800000: 2.0**-126,
    0x7F7FFFFF: (2 - 2**-23) * 2.0**127,
    0x80000000: -0.0,
}


@pytest.mark.parametrize("code", PUBLISHED)
def test_the_standards_own_patterns(code: int) -> None:
    value = binary32.value_of(code)
    assert value is not None
    assert (value, math.copysign(1, value)) == (PUBLISHED[code], math.copysign(1, PUBLISHED[code]))
    assert binary32.code_of(PUBLISHED[code]) == code


@pytest.mark.parametrize("code", [0x7F800000, 0xFF800000, 0x7FC00000, 0x7F800001, 0xFFFFFFFF])
def test_infinities_and_nan_are_no_value(code: int) -> None:
    assert binary32.value_of(code) is None


def test_a_float_goes_where_numpy_sends_it() -> None:
    rng = random.Random(1)
    for _ in range(20_000):
        value = struct.unpack(">d", rng.randbytes(8))[0] if rng.random() < 0.5 else rng.uniform(-1e9, 1e9)
        code = binary32.code_of(value) if math.isfinite(value) else None
        with np.errstate(over="ignore", under="ignore", invalid="ignore"):
            single = np.float32(value)
        assert code == (int(single.view(np.uint32)) if np.isfinite(single) else None)


def test_an_exact_number_is_rounded_once_and_ties_go_to_the_even_pattern() -> None:
    """1 + 2^-24 lies between two singles; a little more or less decides, where a double in between would not see it."""
    half = Fraction(1, 1 << 24)
    tiny = Fraction(1, 1 << 80)
    assert binary32.code_of(1 + half) == 0x3F800000
    assert binary32.code_of(1 + half + tiny) == 0x3F800001
    assert binary32.code_of(1 + 3 * half) == 0x3F800002
    assert binary32.code_of(1 + 3 * half - tiny) == 0x3F800001
    assert binary32.code_of(-(1 + half + tiny)) == 0xBF800001


def test_what_is_too_large_has_no_pattern() -> None:
    limit = Fraction(2**128 - 2**103)
    assert binary32.code_of(limit) is None
    assert binary32.code_of(limit - 1) == 0x7F7FFFFF
    assert binary32.code_of(-limit) is None


def test_text_is_the_shortest_that_leads_back() -> None:
    rng = random.Random(2)
    assert binary32.text_of(21.5) == "21.5"
    assert binary32.text_of(struct.unpack(">f", bytes.fromhex("3dcccccd"))[0]) == "0.1"
    for _ in range(2000):
        value = binary32.value_of(rng.randrange(1 << 32))
        if value is not None:
            assert binary32.code_of(float(binary32.text_of(value))) == binary32.code_of(value)
