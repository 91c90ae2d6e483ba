"""A layout in words: what is said of codes, times and costs is what the codec and the radio really do."""

from fractions import Fraction
from pathlib import Path

import pytest

import ullage
from ullage.airtime import Fsk, LoRa
from ullage.values import NOT_A_VALUE, reader
from ullage.words.describe import (
    Line,
    air_time,
    air_times,
    describe,
    next_octet,
    ordinal,
    radio,
    radio_settings,
    span,
)
from ullage.words.layout_data import as_data

ORCHARD = ullage.load(Path(__file__).parents[2] / "spec" / "orchard.toml")


def lines(field: str, frame: str = "", rest: str = "") -> dict[str, Line]:
    text = f'[protocol]\nname = "one"\n[[frame]]\nname = "only"\n{frame}\nfield = [{field}]\n{rest}'
    protocol = ullage.loads(text)
    return {line.name: line for line in describe(protocol.frames["only"], protocol.integrity)}


def test_unused_codes_are_those_that_the_decoder_takes_for_nothing() -> None:
    counted = 0
    for layout in ORCHARD.frames.values():
        for slot, line in zip(layout.slots, describe(layout, None), strict=True):
            read = reader(slot)
            if read is None or slot.bits > 16:
                continue
            unused = sum(read(code) is NOT_A_VALUE for code in range(1 << slot.bits))
            assert (f"{unused} unused" in line.codes) == (unused > 0)
            counted += unused > 0
    assert counted >= 4


def test_octets_are_numbered_once_and_bits_add_up_to_the_frame() -> None:
    for layout in ORCHARD.frames.values():
        told = describe(layout, ORCHARD.integrity)
        assert sum(line.bits for line in told) == 8 * layout.octets
        numbers = [line.octet for line in told if line.octet is not None]
        assert numbers == sorted(set(numbers))


@pytest.mark.parametrize(
    ("field", "reading", "codes"),
    [
        ('{name="a", kind="measure", unit="V", range=[2.00, 4.50], step=0.01, clamp=true}',
         "2.00..4.50 V by 0.01 V", "5 unused; clamped"),
        ('{name="a", kind="measure", unit="m", range=[-0.5, 1], step=0.05, special=["dry"]}',
         "-0.50..1.00 m by 0.05 m", "31 dry"),
        ('{name="a", kind="measure", unit="", range=[0, 3], step=1}', "0..3", ""),
        ('{name="a", kind="count", range=[3, 9]}', "3..9", "9 unused"),
        ('{name="a", kind="flag"}', "yes or no", "1 yes, 0 no"),
        ('{name="a", kind="code", codes={shut=0, open=2}}', "one of 2", "0 shut, 2 open; 2 unused"),
        ('{name="a", kind="text", octets=6}', "text, up to 6 characters", "ASCII 20..7e, zeros at the end"),
        ('{name="a", kind="octets", octets=1}', "1 octet", ""),
        ('{name="a", kind="constant", bits=4, value=9}', "9", ""),
        ('{name="a", kind="spare", bits=4}', "unused, zero", ""),
        # 2^32 - 1 s after the start of 1970 are 49 710 days and 23 295 s (arithmetic).
        ('{name="a", kind="time", bits=32, epoch="unix"}', "UTC, by 1 s", "until 2106-02-07T06:28:15Z"),
        ('{name="a", kind="time", bits=64, epoch="unix"}', "UTC, by 1 s", "beyond the year 9999"),
        ('{name="a", kind="time", bits=16, step=60, epoch="start"}', "time since a start, by 60 s", "lasts 45 days"),
        ('{name="a", kind="sensor", bits=3}', "0..7", ""),
        ('{name="a", kind="binary32", unit="V"}', "any number of V", "IEEE 754 single precision"),
        ('{name="a", kind="length", bits=8, covers="frame"}', "octets of the whole frame", ""),
        ('{name="a", kind="length", bits=8, covers="rest"}', "octets after it", ""),
        ('{name="a", kind="count", bits=16, octet_order="low_first"}', "0..65535", "low octet first"),
        ('{name="a", kind="count", bits=8, octet_order="low_first"}', "0..255", ""),
        ('{name="a", kind="sequence", bits=8}', "0..255, then 0 again", ""),
    ],
)  # fmt: skip
def test_each_kind_says_its_readings_and_its_codes(field: str, reading: str, codes: str) -> None:
    line = lines(field)["a"]
    assert (line.reading, line.codes) == (reading, codes)


@pytest.mark.parametrize(("everybody", "stations"), [(255, "0..254"), (0, "1..255"), (7, "0..255")])
def test_the_stations_of_a_destination_leave_everybody_out_at_the_ends(everybody: int, stations: str) -> None:
    text = f"""
[protocol]
name = "one"
[header]
field = [{{name="to_whom", kind="destination", bits=8, broadcast={everybody}}}]
[[frame]]
name = "only"
"""
    line = describe(ullage.loads(text).frames["only"], None)[0]
    assert (line.reading, line.codes) == (f"station {stations}", f"{everybody} everybody")


@pytest.mark.parametrize(
    ("bits", "interval", "text"),
    [
        # 256 min = 4.27 h, 65 536 min = 45.5 days: a counter at one a minute (arithmetic).
        (8, "1 min", "in 4 h at one every 1 min"),
        (16, "1 min", "in 45 days at one every 1 min"),
        (16, "10 min", "in 455 days at one every 10 min"),
        (16, "1 day", "in 179 years at one every day"),
        (4, "90 s", "in 24 min at one every 90 s"),
        (4, "1.5 s", "in 24 s at one every 1.5 s"),
    ],
)
def test_a_sequence_says_when_it_begins_again(bits: int, interval: str, text: str) -> None:
    line = lines(f'{{name="a", kind="sequence", bits={bits}}}', f'interval = "{interval}"')["a"]
    assert line.codes == text


def test_the_crc_says_what_it_covers_and_its_order() -> None:
    flag, one = '{name="a", kind="flag"}', '[integrity]\ncrc = "{}"\n'
    assert lines(flag, rest=one.format("CRC-16/ARC"))["CRC-16/ARC"] == Line(
        1, 16, "CRC-16/ARC", "over octets 0..0", "low octet first"
    )
    assert lines(flag, rest=one.format("CRC-8/SMBUS"))["CRC-8/SMBUS"].codes == ""
    free = "[integrity]\ncrc = { width = 12, poly = 0x80F, init = 0, refin = false, refout = false, xorout = 0 }\n"
    assert lines(flag, rest=free)["CRC of 12 bits"].bits == 16


def test_a_sum_says_what_it_covers_how_it_begins_and_whether_it_is_inverted() -> None:
    octets = '{name="a", kind="octets", octets=3}'
    assert lines(octets, rest="[integrity]\nsum = { bits = 8 }\n")["8-bit sum"] == Line(
        3, 8, "8-bit sum", "over octets 0..2"
    )
    rest = '[integrity]\nsum = { bits = 16, start = 7, invert = true }\noctet_order = "low_first"\n'
    assert lines(octets, rest=rest)["16-bit sum"].codes == "low octet first; begins with 7; inverted"


def test_times_of_the_shortest_and_longest_frame_share_their_unit() -> None:
    assert air_times(Fraction(62_000), Fraction(103_000)) == "62..103 ms"
    assert air_times(Fraction(62_000), Fraction(62_400)) == "62 ms"
    assert air_times(Fraction(900_000), Fraction(12_345_678)) == "900 ms..12.3 s"


@pytest.mark.parametrize(
    ("number", "text"),
    [(1, "1st"), (2, "2nd"), (3, "3rd"), (4, "4th"), (11, "11th"), (12, "12th"), (13, "13th"), (21, "21st"),
     (22, "22nd"), (103, "103rd"), (111, "111th"), (112, "112th"), (121, "121st")],
)  # fmt: skip
def test_ordinals_are_english(number: int, text: str) -> None:
    assert ordinal(number) == text


@pytest.mark.parametrize(
    ("us", "text"),
    [(144_384, "144 ms"), (20_480, "20 ms"), (9_940, "9.9 ms"), (1_664, "1.7 ms"), (640, "0.64 ms"),
     (12_345_678, "12.3 s")],
)  # fmt: skip
def test_times_on_air_keep_the_digits_that_matter(us: int, text: str) -> None:
    assert air_time(Fraction(us)) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(1, "1 s"), (119, "119 s"), (120, "2 min"), (7200, "2 h"), (172_800, "2 days"), (86_400 * 800, "2 years")],
)  # fmt: skip
def test_spans_take_the_largest_unit_that_fits_twice(seconds: int, text: str) -> None:
    assert span(Fraction(seconds)) == text


def test_the_price_of_the_next_octet_is_the_radios() -> None:
    settings = radio(ORCHARD)
    assert isinstance(settings, LoRa)
    for octets in range(1, 60):
        told = next_octet(settings, octets)
        step = settings.next_step(octets)
        assert step is not None
        assert ordinal(step[0]) in told
        assert air_time(step[1]) in told
        assert ("nothing" in told) == (step[0] > octets + 1)
    assert next_octet(settings, 10) == "two more octets cost nothing, the 13th costs 20 ms"
    assert next_octet(settings, 11) == "one more octet costs nothing, the 13th costs 20 ms"
    assert next_octet(settings, 12) == "the 13th octet costs 20 ms"
    assert next_octet(settings, 255) == "no longer frame takes more time"


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        (LoRa(9, 125, "4/5"), "SF9, 125 kHz, 4/5"),
        (LoRa(12, 125, "4/8"), "SF12, 125 kHz, 4/8"),
        (LoRa(7, Fraction(125, 2), "4/6", preamble_symbols=12), "SF7, 62.5 kHz, 4/6, preamble 12"),
        (LoRa(7, 125, "4/5", explicit_header=False, crc=False), "SF7, 125 kHz, 4/5, implicit header, no radio CRC"),
        (LoRa(12, 125, "4/5", low_data_rate=False), "SF12, 125 kHz, 4/5, low data rate off"),
        (LoRa(9, 125, "4/5", low_data_rate=True), "SF9, 125 kHz, 4/5, low data rate on"),
        (Fsk(38_400), "FSK, 38.4 kbit/s"),
    ],
)
def test_a_radio_is_named_by_what_is_not_as_usual(settings: LoRa | Fsk, text: str) -> None:
    assert radio_settings(settings) == text


def test_the_radio_table_becomes_a_radio() -> None:
    head = '[protocol]\nname = "one"\n[[frame]]\nname = "only"\nfield = [{name="a", kind="flag"}]\n'
    assert radio(ullage.loads(head)) is None
    fsk = ullage.loads(head + '[radio]\nmodulation = "fsk"\nbit_rate = 38400\ncrc_octets = 0\n')
    assert radio(fsk) == Fsk(38_400, crc_octets=0)
    assert radio(ORCHARD) == LoRa(9, 125, "4/5")


def test_plain_data_says_where_each_field_stands_and_what_its_codes_mean() -> None:
    frame = as_data(ORCHARD)[0]
    assert (frame["name"], frame["message"], frame["octets"], frame["interval_s"]) == ("level_report", 1, 10, "600")
    slots = {slot["name"]: slot for slot in frame["entries"]}
    assert slots["distance"] == {
        "name": "distance",
        "kind": "measure",
        "offset": 43,
        "bits": 13,
        "low_first": False,
        "raw": [0, 5750],
        "signed": False,
        "step": "1",
        "unit": "mm",
        "zero": "250",
        "range": ["250", "6000"],
        "special": {"no_echo": 8191, "too_close": 8190},
        "clamp": False,
        "epoch": None,
        "broadcast": None,
        "counter_bits": None,
        "summary": "from the head down to the water",
        "role": "level",
    }
    assert slots["battery"]["range"] == ["2", "4.5"]
    assert slots["revision"]["value"] == 1
    valve = as_data(ORCHARD)[2]["entries"][6]
    assert valve["codes"] == {"shut": 0, "half": 1, "open": 2}
