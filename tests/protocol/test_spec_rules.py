"""Every rule of the spec language, with the smallest spec that shows it and octets worked out by hand."""

import re
from fractions import Fraction
from typing import Any

import pytest

import ullage
from support.tiny import load, tiny
from ullage import Status
from ullage.layout import Scaled

MEASURE = 'name = "x", kind = "measure", unit = "mm"'


def octets(protocol: ullage.Protocol, **values: Any) -> str:
    return protocol.encode("a", values).hex(" ")


def value(protocol: ullage.Protocol, digits: str, name: str = "x") -> Any:
    return protocol.decode(bytes.fromhex(digits))[name]


def reason(protocol: ullage.Protocol, digits: str) -> tuple[str, str | None]:
    with pytest.raises(ullage.Refused) as caught:
        protocol.decode(bytes.fromhex(digits))
    return str(caught.value.reason), caught.value.field


def scaled(*fields: str) -> tuple[int, Scaled]:
    slot = load(*fields).frames["a"].slot("x")
    assert isinstance(slot.transform, Scaled)
    return slot.bits, slot.transform


# Bits


def test_fields_are_packed_in_the_order_written_most_significant_bit_first() -> None:
    protocol = load('name = "x", kind = "count", bits = 3', 'name = "y", kind = "count", bits = 5')
    assert octets(protocol, x=5, y=17) == "b1"  # 101 10001


def test_a_field_crosses_octets_without_hidden_alignment() -> None:
    protocol = load('name = "x", kind = "count", bits = 4', 'name = "y", kind = "count", bits = 12')
    assert octets(protocol, x=0xA, y=0xBCD) == "ab cd"
    wide = load(
        'name = "f", kind = "flag"', 'name = "x", kind = "count", bits = 64', 'name = "y", kind = "text", octets = 1'
    )
    assert octets(wide, f=False, x=(1 << 64) - 1, y="A") == "7f ff ff ff ff ff ff ff a0 80"  # 0, 64 ones, 01000001


def test_a_frame_is_filled_to_a_whole_octet_with_zeros_that_must_be_zeros() -> None:
    protocol = load('name = "x", kind = "flag"')
    assert octets(protocol, x=True) == "80"
    assert reason(protocol, "81") == ("spare_not_zero", None)


def test_the_header_comes_first_in_every_frame() -> None:
    protocol = load('name = "x", kind = "count", bits = 8', header='{ name = "s", kind = "source", bits = 8 }')
    assert octets(protocol, x=2, s=1) == "01 02"


# Measures


def test_raw_0_stands_for_the_low_end_of_the_range_unless_zero_says_otherwise() -> None:
    low = load(f"{MEASURE}, range = [250, 6000], step = 1")
    assert [octets(low, x=x) for x in (250, 6000)] == ["00 00", "b3 b0"]  # 5750 in 13 bits
    zero = load(f"{MEASURE}, range = [250, 6000], step = 1, zero = 0, bits = 16")
    assert [octets(zero, x=x) for x in (250, 6000)] == ["00 fa", "17 70"]


def test_a_zero_above_the_low_end_makes_raw_a_twos_complement_number() -> None:
    protocol = load(f"{MEASURE}, range = [-40, 85], step = 0.5, zero = 0, bits = 16")
    assert [octets(protocol, x=x) for x in (-40, "-0.5", 0, 85)] == ["ff b0", "ff ff", "00 00", "00 aa"]
    assert value(protocol, "ff b0") == -40.0
    assert reason(protocol, "ff af") == ("not_a_value", "x")


@pytest.mark.parametrize(
    ("keys", "bits"),
    [
        ("range = [0, 0]", 1),
        ("range = [7, 7]", 1),
        ("range = [0, 1]", 1),
        ("range = [0, 2]", 2),
        ("range = [0, 255]", 8),
        ("range = [0, 256]", 9),
        ("range = [1000, 1255]", 8),
        ('range = [0, 254], special = ["e"]', 8),
        ('range = [0, 255], special = ["e"]', 9),
        ('range = [7, 7], special = ["e"]', 1),
        ("range = [0, 3], special = { e = 9 }", 4),
        ("range = [-1, 0], zero = 0", 1),
        ("range = [-128, 127], zero = 0", 8),
        ("range = [-129, 127], zero = 0", 9),
        ('range = [-128, 126], zero = 0, special = ["e"]', 8),
        ('range = [-128, 127], zero = 0, special = ["e"]', 9),
        ('range = [-128, -127], zero = 0, special = ["e"]', 8),
        ("range = [100, 200], zero = 0", 8),
        ("range = [-200, -100]", 7),
        ("range = [0, 3], bits = 11", 11),
        ("range = [0, 18446744073709551615]", 64),
    ],
)
def test_the_width_is_the_fewest_bits_that_hold_range_and_specials_unless_bits_is_given(keys: str, bits: int) -> None:
    assert scaled(f"{MEASURE}, {keys}, step = 1")[0] == bits


def test_numbers_of_a_spec_are_decimals_and_never_binary_floats() -> None:
    """0.3 / 0.1 is 2.9999999999999996 in binary; here it is 3 steps, and each quantity is zero + raw x step."""
    bits, transform = scaled(f"{MEASURE}, range = [0.1, 0.3], step = 0.1")
    assert (bits, transform.first, transform.highest) == (2, 1, 3)
    protocol = load(f"{MEASURE}, range = [2.00, 4.50], step = 0.01, bits = 8")
    for raw in range(251):
        assert value(protocol, f"{raw:02x}") == float(2 + raw * Fraction(1, 100))


def test_decoding_gives_an_int_for_whole_steps_and_the_nearest_float_for_others() -> None:
    whole = value(load(f"{MEASURE}, range = [0, 2550], step = 10"), "25")
    fraction = value(load(f"{MEASURE}, range = [0, 127.5], step = 0.5"), "25")
    assert (whole, type(whole), fraction, type(fraction)) == (370, int, 18.5, float)


def test_a_list_of_specials_takes_codes_from_the_top_downwards_the_first_being_all_ones() -> None:
    protocol = load(f'{MEASURE}, range = [0, 200], step = 1, special = ["first", "second"]')
    assert [octets(protocol, x=x) for x in ("first", "second", 200)] == ["ff", "fe", "c8"]
    assert [value(protocol, digits) for digits in ("ff", "fe")] == ["first", "second"]
    assert isinstance(value(protocol, "ff"), ullage.Special)
    assert reason(protocol, "fd") == reason(protocol, "c9") == ("not_a_value", "x")


def test_specials_of_a_twos_complement_field_take_its_largest_numbers() -> None:
    protocol = load(f'{MEASURE}, range = [-100, 100], step = 1, zero = 0, special = ["first", "second"]')
    assert [octets(protocol, x=x) for x in ("first", "second", -1, -100)] == ["7f", "7e", "ff", "9c"]


def test_specials_of_a_range_below_zero_stay_above_it_however_many_they_are() -> None:
    names = ", ".join(f'"s{number}"' for number in range(200))
    bits, transform = scaled(f"{MEASURE}, range = [-101, -100], step = 1, zero = 0, special = [{names}]")
    codes = [special.code for special in transform.specials]
    assert codes == [(127 - place) % 256 for place in range(200)]
    assert bits == 8
    assert not {-101 % 256, -100 % 256} & set(codes)


def test_specials_with_codes_take_them_as_written() -> None:
    protocol = load(
        f"{MEASURE}, range = [10, 99], step = 1, zero = 0, bits = 8, special = {{ cut = 0, shorted = 0xFD }}"
    )
    assert [octets(protocol, x=x) for x in ("cut", "shorted", 10)] == ["00", "fd", "0a"]
    signed = load(
        f"{MEASURE}, range = [-9, 9], step = 1, zero = 0, bits = 8, special = {{ cut = -128, shorted = 0x81 }}"
    )
    assert [octets(signed, x=x) for x in ("cut", "shorted", -9)] == ["80", "81", "f7"]


def test_widening_a_range_within_its_bits_never_turns_a_condition_into_a_reading() -> None:
    codes = []
    for high in range(128, 254):
        bits, transform = scaled(f'{MEASURE}, range = [0, {high}], step = 1, special = ["first", "second"]')
        assert bits == 8
        assert high < min(special.code for special in transform.specials)
        codes.append([(special.name, special.code) for special in transform.specials])
    assert codes == [[("first", 255), ("second", 254)]] * len(codes)
    assert scaled(f'{MEASURE}, range = [0, 254], step = 1, special = ["first", "second"]')[0] == 9


def test_a_quantity_goes_to_the_nearest_step_counted_from_0_ties_to_even_and_then_into_the_range() -> None:
    protocol = load(f"{MEASURE}, range = [30, 2550], step = 10, zero = 0, bits = 8")
    given = {25.1: 3, 34.9: 3, 35: 4, 45: 4, 55: 6, "30.0": 3, 2554.9: 255}
    assert {x: int(octets(protocol, x=x), 16) for x in given} == given
    for outside in (25, 24.9, 2555, -30):
        with pytest.raises(ullage.EncodeError) as caught:
            octets(protocol, x=outside)
        assert caught.value.status is Status.OUT_OF_RANGE


def test_clamp_brings_a_quantity_to_the_nearer_end_and_leaves_specials_alone() -> None:
    protocol = load(f'{MEASURE}, range = [10, 99], step = 1, special = ["cut"], bits = 8, clamp = true')
    assert [octets(protocol, x=x) for x in (-5, 9, 99.6, 1e300, -(10**5000), "cut")] == [
        "00",
        "00",
        "59",
        "59",
        "00",
        "ff",
    ]


# Other kinds


def test_a_count_is_the_number_itself() -> None:
    assert octets(load('name = "x", kind = "count", bits = 8'), x=200) == "c8"
    ranged = load('name = "x", kind = "count", range = [1, 12]', 'name = "y", kind = "spare", bits = 4')
    assert octets(ranged, x=12) == "c0"
    assert reason(ranged, "00") == reason(ranged, "d0") == ("not_a_value", "x")
    signed = load('name = "x", kind = "count", range = [-8, 7]', 'name = "y", kind = "spare", bits = 4')
    assert [octets(signed, x=x) for x in (-8, -1, 7)] == ["80", "f0", "70"]


def test_a_flag_is_one_bit() -> None:
    protocol = load('name = "x", kind = "flag"', 'name = "y", kind = "count", bits = 7')
    assert [octets(protocol, x=x, y=0) for x in (True, False, 1, 0)] == ["80", "00", "80", "00"]
    assert value(protocol, "80") is True


def test_codes_have_names_and_the_fewest_bits_and_others_are_not_a_value() -> None:
    protocol = load('name = "x", kind = "code", codes = { shut = 0, half = 1, open = 4 }')
    assert [octets(protocol, x=x) for x in ("shut", "half", "open", 4)] == ["00", "20", "80", "80"]
    assert value(protocol, "80") == "open"
    assert reason(protocol, "40") == ("not_a_value", "x")
    wide = load(
        'name = "x", kind = "code", codes = { only = 0 }', 'name = "y", kind = "code", codes = { q = 3 }, bits = 7'
    )
    assert [(slot.name, slot.bits) for slot in wide.frames["a"].slots] == [("x", 1), ("y", 7)]


def test_a_time_counts_whole_steps_since_its_epoch() -> None:
    unix = load('name = "x", kind = "time", bits = 32, epoch = "unix"')
    assert octets(unix, x=1_794_000_000) == "6a ee 44 80"
    assert value(unix, "6a ee 44 80") == 1_794_000_000
    start = load('name = "x", kind = "time", bits = 8, step = 60, epoch = "start"')
    assert [octets(start, x=x) for x in (0, 89, 91, 90, 15_300)] == ["00", "01", "02", "02", "ff"]
    assert value(load('name = "x", kind = "time", bits = 8, step = 0.5, epoch = "start"'), "03") == 1.5


def test_text_is_printable_ascii_with_zeros_only_at_the_end() -> None:
    protocol = load('name = "x", kind = "text", octets = 3')
    assert [octets(protocol, x=x) for x in ("", " ", "a~", "abc")] == ["00 00 00", "20 00 00", "61 7e 00", "61 62 63"]
    assert [value(protocol, digits) for digits in ("000000", "200000", "617e00")] == ["", " ", "a~"]
    for digits in ("00 00 61", "61 00 61", "1f 00 00", "61 7f 00", "ff 00 00"):
        assert reason(protocol, digits) == ("not_a_value", "x")
    for text in ("abcd", "a\n", "a\0", "ä"):
        with pytest.raises(ullage.EncodeError):
            octets(protocol, x=text)


def test_octets_are_opaque() -> None:
    protocol = load('name = "f", kind = "flag"', 'name = "x", kind = "octets", octets = 2')
    assert octets(protocol, f=True, x=b"\xff\x01") == "ff 80 80"
    assert value(protocol, "ff 80 80") == b"\xff\x01"


def test_a_constant_is_written_by_the_encoder_and_asked_for_by_the_decoder() -> None:
    protocol = load(
        'name = "mark", kind = "constant", bits = 12, value = 0xABC', 'name = "x", kind = "count", bits = 4'
    )
    assert octets(protocol, x=13) == "ab cd"
    assert protocol.decode(b"\xab\xcd").values == {"x": 13}
    assert reason(protocol, "ab dd") == ("wrong_constant", "mark")


def test_spare_bits_are_zero_need_no_name_and_must_be_zero() -> None:
    protocol = load(
        'kind = "spare", bits = 4', 'name = "x", kind = "count", bits = 3', 'name = "s", kind = "spare", bits = 1'
    )
    assert octets(protocol, x=7) == "0e"
    assert reason(protocol, "1e") == ("spare_not_zero", "spare_1")
    assert reason(protocol, "0f") == ("spare_not_zero", "s")


def test_an_unnamed_spare_of_the_header_has_one_name_in_all_frames() -> None:
    header = '{ name = "m", kind = "message", bits = 4 }, { kind = "spare", bits = 4 }'
    rest = '[[frame]]\nname = "b"\nmessage = 2\nfield = [ { name = "spare_1", kind = "flag" } ]'
    protocol = load('name = "x", kind = "flag"', header=header, frame="message = 1", rest=rest)
    assert [layout.slots[1].name for layout in protocol.frames.values()] == ["spare_2", "spare_2"]


# Addresses, message codes, revisions


def test_addresses_and_sequence_are_plain_numbers_of_their_bits() -> None:
    header = (
        '{ name = "to", kind = "destination", bits = 4, broadcast = 15 }, '
        '{ name = "sender", kind = "source", bits = 4 }, { name = "n", kind = "sequence", bits = 16 }'
    )
    protocol = load('name = "x", kind = "sensor", bits = 8', header=header)
    assert octets(protocol, to=15, sender=3, n=0x1234, x=9) == "f3 12 34 09"


def test_the_message_code_tells_frames_apart_and_others_are_unknown() -> None:
    header = '{ name = "m", kind = "message", bits = 4 }, { name = "n", kind = "sequence", bits = 4 }'
    rest = '[[frame]]\nname = "b"\nmessage = 0\nfield = [ { name = "x", kind = "count", bits = 8 } ]'
    protocol = load(header=header, frame="message = 9", rest=rest)
    assert protocol.encode("a", {"n": 1}) == b"\x91"
    assert protocol.encode("b", {"n": 2, "x": 3}) == b"\x02\x03"
    assert [protocol.decode(octets).frame for octets in (b"\x91", b"\x02\x03")] == ["a", "b"]
    assert reason(protocol, "11") == ("unknown_message", "m")
    assert reason(protocol, "91 00") == reason(protocol, "02") == ("wrong_length", None)


@pytest.mark.parametrize(("bits", "highest"), [(1, 0), (3, 6), (8, 254)])
def test_the_highest_revision_code_is_kept_for_a_later_longer_one(bits: int, highest: int) -> None:
    header = f'{{ name = "r", kind = "revision", bits = {bits} }}, {{ kind = "spare", bits = {16 - bits} }}'
    protocol = load(header=header, protocol=f"revision = {highest}")
    assert protocol.encode("a", {}) == (highest << 16 - bits).to_bytes(2, "big")
    with pytest.raises(ullage.SpecError, match=r"kept for later|is above 254"):
        load(header=header, protocol=f"revision = {highest + 1}")
    assert reason(protocol, f"{(highest + 1 << 16 - bits):04x}") == ("other_revision", "r")


def test_without_revision_and_message_fields_one_frame_is_revision_1() -> None:
    protocol = load('name = "x", kind = "flag"')
    assert (protocol.revision, protocol.language) == (1, 1)


# Limits and names


def test_a_field_has_at_most_64_bits_and_a_frame_at_most_255_octets() -> None:
    with pytest.raises(ullage.SpecError, match="65 is above 64"):
        load('name = "x", kind = "count", bits = 65')
    crc = '[integrity]\ncrc = "CRC-16/IBM-3740"'
    assert load('name = "x", kind = "octets", octets = 253', rest=crc).longest == 255
    with pytest.raises(ullage.SpecError, match=r"254 \+ 2 = 256 octets; 255 is the most"):
        load('name = "x", kind = "octets", octets = 254', rest=crc)


@pytest.mark.parametrize("name", ["a", "a1", "a_1", "level", "match", "of"])
def test_a_name_is_a_small_letter_and_then_letters_digits_and_underscores(name: str) -> None:
    assert load(f'name = "{name}", kind = "flag"').frames["a"].slots[0].name == name


@pytest.mark.parametrize(
    ("name", "language"),
    [
        *[(name, "C") for name in ("int", "register", "restrict", "inline", "typeof", "asm", "linux", "unix")],
        *[(name, "C++") for name in ("class", "xor", "co_await", "char8_t", "export", "this")],
        *[(name, "Python") for name in ("def", "lambda", "nonlocal", "is", "await")],
        *[(name, "JavaScript") for name in ("var", "let", "eval", "instanceof", "undefined")],
    ],
)
def test_a_reserved_word_of_any_target_language_is_no_name(name: str, language: str) -> None:
    for make in (
        tiny(f'name = "{name}", kind = "flag"'),
        tiny('name = "x", kind = "flag"').replace('"tiny"', f'"{name}"'),
    ):
        with pytest.raises(ullage.SpecError, match=f'"{name}" cannot be a name in {re.escape(language)}') as caught:
            ullage.loads(make)
        assert [fault.code for fault in caught.value.faults] == ["bad_name"]


def test_names_of_codes_and_specials_may_be_reserved_words() -> None:
    load('name = "x", kind = "code", codes = { default = 0, auto = 1, if = 2 }')
    load(f'{MEASURE}, range = [0, 1], step = 1, special = ["default", "none"]')


def test_two_frames_may_use_one_name_but_not_a_header_and_a_frame() -> None:
    header = '{ name = "m", kind = "message", bits = 8 }'
    rest = '[[frame]]\nname = "b"\nmessage = 2\nfield = [ { name = "x", kind = "count", bits = 8 } ]'
    assert len(load('name = "x", kind = "flag"', header=header, frame="message = 1", rest=rest).frames) == 2
    with pytest.raises(ullage.SpecError, match='two fields are called "m": this one, and one in the header'):
        load('name = "m", kind = "flag"', header=header, frame="message = 1")


def test_the_long_form_is_the_same_protocol_as_the_short_one() -> None:
    short = load(f"{MEASURE}, range = [0, 9], step = 1", header='{ name = "s", kind = "source", bits = 8 }')
    long = ullage.loads(
        '[protocol]\nname = "tiny"\nlanguage = 1\n[[header.field]]\nname = "s"\nkind = "source"\nbits = 8\n[[frame]]\n'
        'name = "a"\n[[frame.field]]\nname = "x"\nkind = "measure"\nunit = "mm"\nrange = [0, 9.0]\nstep = 1.0\n'
    )
    assert long.fingerprint_input == short.fingerprint_input
    assert long.fingerprint == short.fingerprint
