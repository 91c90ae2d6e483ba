"""Every C form of a CRC, run by a small interpreter of it, gives what Crc.compute gives."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ullage.crc import Crc, by_name, catalogue
from ullage_codegen.c.crc_forms import (
    MOST_TERMS,
    TableFree,
    nibble_table,
    one_bit,
    register,
    register_bits,
    shifts,
    table,
    table_free,
)

MESSAGES = [b"", b"\x00", b"\x80", b"\x01", b"123456789", bytes(range(256)), b"\xff" * 5]


def by_bits(crc: Crc, octets: bytes) -> int:
    form, step = register(crc), one_bit(crc)
    value = form.init
    for octet in octets:
        # A reflected CRC narrower than eight bits takes the octet's high bits in above its own: they move down.
        value ^= octet if form.reflected else octet << (form.bits - 8)
        for _ in range(8):
            value = step(value)
    return form.finish(value)


def by_nibbles(crc: Crc, octets: bytes) -> int:
    form, made = register(crc), nibble_table(crc)
    value = form.init
    for octet in octets:
        if form.reflected:
            value = (value >> 4) ^ made[(value ^ octet) & 15]
            value = (value >> 4) ^ made[(value ^ octet >> 4) & 15]
        else:
            value = (value << 4 & form.mask) ^ made[value >> (form.bits - 4) ^ octet >> 4]
            value = (value << 4 & form.mask) ^ made[value >> (form.bits - 4) ^ octet & 15]
    return form.finish(value)


def by_table(crc: Crc, octets: bytes) -> int:
    form, made = register(crc), table(crc)
    value = form.init
    for octet in octets:
        if form.reflected:
            value = (value >> 8) ^ made[(value ^ octet) & 0xFF]
        else:
            value = (value << 8 & form.mask) ^ made[value >> (form.bits - 8) ^ octet]
    return form.finish(value)


def by_shifts(crc: Crc, octets: bytes) -> int:
    form, free = register(crc), shifts(crc)
    value = form.init
    for octet in octets:
        value = _shifted(free, form.bits, value, octet)
        assert 0 <= value <= form.mask
    return form.finish(value)


def _shifted(free: TableFree, bits: int, value: int, octet: int) -> int:
    """One octet, exactly as TableFree's docstring says it, with every C variable cut to its bits."""
    quotient = 0
    if free.reflected:
        x = (value ^ octet) & 0xFF
        for shift in free.quotient:
            quotient ^= x << shift
        quotient &= 0xFF
        value >>= 8
        for shift in free.product:
            value ^= quotient << shift if shift >= 0 else quotient >> -shift
        return value
    x = value >> (bits - 8) ^ octet
    for shift in free.quotient:
        quotient ^= x >> shift
    value <<= 8
    for shift in free.product:
        value ^= quotient << shift
    return value & ((1 << bits) - 1)


FORMS = [by_bits, by_nibbles, by_table, by_shifts]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("name", list(catalogue()))
def test_each_form_gives_the_crc_of_every_catalogue_entry(name: str, form: Callable[[Crc, bytes], int]) -> None:
    crc = by_name(name)
    assert form(crc, b"123456789") == crc.check
    assert [form(crc, message) for message in MESSAGES] == [crc.compute(message) for message in MESSAGES]


@st.composite
def crcs(draw: st.DrawFn) -> Crc:
    width = draw(st.integers(3, 64))
    value = st.integers(0, (1 << width) - 1)
    return Crc(None, width, draw(value) | 1, draw(value), draw(st.booleans()), draw(st.booleans()), draw(value))


@given(crcs(), st.binary(max_size=24))
def test_each_form_gives_the_crc_of_any_parameters_and_message(crc: Crc, message: bytes) -> None:
    assert [form(crc, message) for form in FORMS] == [crc.compute(message)] * len(FORMS)


@pytest.mark.parametrize("width", range(3, 65))
@pytest.mark.parametrize("refin", [False, True])
def test_the_form_without_a_table_is_the_table_for_every_octet_of_every_width(width: int, refin: bool) -> None:
    crc = Crc(None, width, 0x9D3C_52F1_0B47_6A25 & ((1 << width) - 1) | 1, 0, refin, refin, 0)
    free, bits = shifts(crc), register_bits(crc)
    assert tuple(_shifted(free, bits, 0, octet) for octet in range(256)) == table(crc)


@pytest.mark.parametrize(("width", "bits"), [(3, 8), (8, 8), (9, 16), (16, 16), (17, 32), (32, 32), (33, 64), (64, 64)])
def test_the_register_is_the_smallest_type_that_holds_the_crc(width: int, bits: int) -> None:
    crc = Crc(None, width, 3, 0, False, False, 0)
    assert (register_bits(crc), register(crc).bits) == (bits, bits)


def test_a_plain_register_is_aligned_to_its_upper_end() -> None:
    form = register(by_name("CRC-15/CAN"))
    assert (form.bits, form.shift, form.poly, form.init) == (16, 1, 0x4599 << 1, 0)
    assert (form.reflected, form.reverses, form.mask) == (False, False, 0xFFFF)


def test_a_reflected_register_has_the_reflected_polynomial_and_init_at_its_lower_end() -> None:
    form = register(by_name("CRC-24/BLE"))
    assert (form.bits, form.shift, form.poly, form.init) == (32, 0, 0xDA6000, 0xAAAAAA)
    assert (form.reflected, form.reverses) == (True, False)


def test_only_crcs_whose_refin_is_not_their_refout_reverse_at_the_end() -> None:
    assert [name for name, crc in catalogue().items() if register(crc).reverses] == ["CRC-12/UMTS"]


def test_tables_have_16_and_256_entries_and_begin_with_zero() -> None:
    for crc in catalogue().values():
        assert (len(nibble_table(crc)), len(table(crc))) == (16, 256)
        assert nibble_table(crc)[0] == table(crc)[0] == 0


def test_polynomial_0x1021_needs_exactly_the_few_terms_that_are_known() -> None:
    """q = x ^ x >> 4, remainder q ^ q << 5 ^ q << 12 (common practice for 0x1021, no source)."""
    assert table_free(by_name("CRC-16/IBM-3740")) == TableFree(False, (0, 4), (0, 5, 12))
    assert table_free(by_name("CRC-16/KERMIT")) == TableFree(True, (0, 4), (-4, 3, 8))


def test_operations_are_those_written_in_the_step() -> None:
    """(register >> 8) ^ octet; x ^ x >> 4; (register << 8) ^ q ^ q << 5 ^ q << 12: five shifts, five XORs.

    Reflected: (register ^ octet) & 0xFF; (x ^ x << 4) & 0xFF; (register >> 8) ^ q >> 4 ^ q << 3 ^ q << 8: five
    shifts, five XORs, two masks.
    """
    assert shifts(by_name("CRC-16/IBM-3740")).operations == 10
    assert shifts(by_name("CRC-16/KERMIT")).operations == 12


def test_the_form_without_a_table_is_offered_exactly_while_it_pays() -> None:
    for crc in catalogue().values():
        form = shifts(crc)
        assert form.terms == len(form.quotient) + len(form.product)
        assert table_free(crc) == (form if form.terms <= MOST_TERMS else None)
    assert table_free(by_name("CRC-16/MODBUS")) is not None
    assert table_free(by_name("CRC-32/ISO-HDLC")) is None


def test_every_shift_is_one_that_c_defines() -> None:
    """Shifts of x and q stay below eight to the right, and below the register's bits to the left."""
    for crc in catalogue().values():
        form = shifts(crc)
        assert form.quotient[0] == 0
        assert all(0 <= shift <= 7 for shift in form.quotient)
        assert all(-8 < shift < register_bits(crc) for shift in form.product)
