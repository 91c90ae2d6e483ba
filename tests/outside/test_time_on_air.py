"""Time on air against published values, each with its source beside it, to the precision it is printed with."""

from decimal import Decimal
from fractions import Fraction
from itertools import product
from typing import Any, NamedTuple

import pytest

from ullage.airtime import Fsk, LoRa

# Sources of the table, all public suites of general-purpose radio libraries:
#   lora-rs   lora-rs/lora-rs@02f3d6e987cbc90765b1ea49cdf79c4138cc03fc, lora-modulation/src/lib.rs and README
#   ns-3      signetlabdei/lorawan@82ea58a95c03ab158edfd81860ad614d1bf70ec6, test/lorawan-test-suite.cc (seconds)
#   RadioLib  jgromes/RadioLib@013b0a114f7f29a455a7ae64b2e6db5e382f67e0,
#             extras/test/unit/tests/TestCalculateTimeOnAir.cpp ("golden values" of the chip maker's calculators;
#             SX127x rows in steps of 10 us)
#   AN1200.13 a public sheet headed "Formulas taken from AN1200.13", docs.google.com/spreadsheets/d/
#             1voGAtQAjC1qBmaVuP1ApNKs1ekgUjavHuVQIXyYSvNc (milliseconds, three places)
# Columns: source, spreading factor, kHz, coding rate, preamble symbols, header, radio's CRC, low data rate
# optimisation, octets, published microseconds, the unit in microseconds that the last printed place stands for.
PUBLISHED = """
lora-rs,7,250,4/5,8,explicit,on,0,38,41088,1
lora-rs,7,125,4/5,8,explicit,on,0,38,82176,1
lora-rs,8,125,4/5,8,explicit,on,0,38,143872,1
lora-rs,9,125,4/5,8,explicit,on,0,38,267264,1
lora-rs,10,125,4/5,8,explicit,on,0,38,493568,1
lora-rs,11,125,4/5,8,explicit,on,1,38,1069056,1
lora-rs,12,125,4/5,8,explicit,on,1,38,1974272,1
lora-rs,7,250,4/5,8,explicit,on,0,41,43648,1
lora-rs,7,125,4/5,8,explicit,on,0,41,87296,1
lora-rs,8,125,4/5,8,explicit,on,0,41,154112,1
lora-rs,9,125,4/5,8,explicit,on,0,41,287744,1
lora-rs,10,125,4/5,8,explicit,on,0,41,534528,1
lora-rs,11,125,4/5,8,explicit,on,1,41,1150976,1
lora-rs,12,125,4/5,8,explicit,on,1,41,2138112,1
lora-rs README,9,125,4/5,8,explicit,on,0,12,144384,1
ns-3,7,125,4/5,8,explicit,on,0,10,41216,1
ns-3,8,125,4/5,8,explicit,on,0,10,72192,1
ns-3,8,125,4/5,8,implicit,on,0,10,72192,1
ns-3,8,125,4/6,8,implicit,on,0,10,78336,1
ns-3,8,125,4/6,10,implicit,on,0,10,82432,1
ns-3,8,125,4/6,10,implicit,on,1,10,82432,1
ns-3,10,125,4/6,10,implicit,on,1,10,280576,1
ns-3,10,250,4/6,10,implicit,on,1,10,140280,10
ns-3,10,500,4/6,10,implicit,on,1,10,70144,1
ns-3,10,500,4/6,10,explicit,on,1,10,82432,1
ns-3,10,500,4/6,8,explicit,on,1,10,78336,1
ns-3,12,500,4/6,8,explicit,on,1,10,264192,1
ns-3,12,500,4/6,8,explicit,on,1,50,657408,1
ns-3,12,125,4/6,8,explicit,on,1,50,2629632,1
ns-3,12,125,4/5,8,explicit,on,1,50,2301952,1
RadioLib SX126x,7,125,4/5,8,explicit,on,1,1,30976,1
RadioLib SX126x,7,125,4/5,8,explicit,on,1,10,46336,1
RadioLib SX126x,7,125,4/5,8,explicit,on,1,50,128256,1
RadioLib SX126x,7,125,4/5,8,explicit,on,1,255,548096,1
RadioLib SX126x,11,250,4/8,16,implicit,off,0,5,296960,1
RadioLib SX126x,11,250,4/8,16,implicit,off,0,15,362496,1
RadioLib SX126x,11,250,4/8,16,implicit,off,0,100,1411072,1
RadioLib SX126x,11,250,4/8,16,implicit,off,0,200,2590720,1
RadioLib SX127x,8,250,4/8,32,implicit,on,0,10,69890,10
RadioLib SX127x,8,250,4/8,32,implicit,on,0,20,86270,10
RadioLib SX127x,8,250,4/8,32,implicit,on,0,80,209150,10
RadioLib SX127x,8,250,4/8,32,implicit,on,0,160,372990,10
AN1200.13 sheet,9,125,4/5,8,explicit,on,0,13,164864,1
"""


class Row(NamedTuple):
    radio: LoRa
    optimised: bool
    octets: int
    published_us: int
    unit_us: int


def _row(line: str) -> Row:
    _, factor, khz, rate, preamble, header, crc, optimised, octets, published, unit = line.split(",")
    on = optimised == "1"
    radio = LoRa(int(factor), int(khz), rate, int(preamble), header == "explicit", crc == "on", on)
    return Row(radio, on, int(octets), int(published), int(unit))


LINES = PUBLISHED.split("\n")[1:-1]


@pytest.mark.parametrize("line", LINES)
def test_every_published_time_on_air_comes_out_to_its_printed_precision(line: str) -> None:
    row = _row(line)
    # Below one unit: the suites round or cut the last place.
    assert abs(row.radio.time_on_air_us(row.octets) - row.published_us) < row.unit_us


@pytest.mark.parametrize("line", [line for line in LINES if line.startswith("lora-rs")])
def test_the_16_ms_rule_chooses_the_optimisation_that_the_chip_makers_stack_chooses(line: str) -> None:
    """lora-rs takes its optimisation column from the chip maker's reference stack, not from a caller."""
    row = _row(line)
    radio = LoRa(row.radio.spreading_factor, row.radio.bandwidth_khz, row.radio.coding_rate)
    assert radio.optimises_low_data_rate is row.optimised
    assert radio.time_on_air_us(row.octets) == row.published_us


@pytest.mark.parametrize(
    ("factor", "rate", "explicit", "optimised", "octets", "symbols"),
    [
        # A public implementation of AN1200.13, radio's CRC on; the last from the sheet named above.
        (12, "4/5", True, False, 13, 23),
        (12, "4/6", True, False, 13, 26),
        (12, "4/5", False, False, 13, 18),
        (12, "4/5", True, True, 50, 58),
        (9, "4/5", True, False, 13, 28),
    ],
)
def test_published_payload_symbols(
    factor: int, rate: str, explicit: bool, optimised: bool, octets: int, symbols: int
) -> None:
    radio = LoRa(factor, 125, rate, explicit_header=explicit, low_data_rate=optimised)
    assert radio.payload_symbols(octets) == symbols


@pytest.mark.parametrize(
    ("factor", "khz", "symbol_us"),
    [(12, 125, 32768), (9, 125, 4096), (9, 500, 1024)],  # the same public implementation of AN1200.13
)
def test_published_symbol_times(factor: int, khz: int, symbol_us: int) -> None:
    assert LoRa(factor, khz, "4/5").symbol_us == symbol_us


def test_published_preamble_times() -> None:
    """SF12: the same public implementation of AN1200.13; SF9: the sheet, 50.176 ms."""
    assert LoRa(12, 125, "4/5").preamble_us == 401_408
    assert LoRa(9, 125, "4/5").preamble_us == 50_176


def test_published_fsk_time() -> None:
    """A public network stack gives 33 760 us for 200 octets at 50 kbit/s.

    That is 11 octets more than the frame: 5 of preamble, 3 of sync word, length and CRC (common practice on that
    network, no source).
    """
    assert Fsk(50_000, preamble_octets=5, sync_octets=3).time_on_air_us(200) == 33_760


@pytest.mark.parametrize(
    ("factor", "khz", "on"),
    [
        # "mandated when the symbol duration exceeds 16ms", SX1276 datasheet, section 4.1.1.7
        (10, 125, False),
        (11, 125, True),
        (12, 125, True),
        (11, 250, False),
        (12, 250, True),
        (12, 500, False),
        (9, Decimal("62.5"), False),
        (10, Decimal("62.5"), True),
        (8, Fraction(125, 3), False),
        (9, Fraction(125, 3), False),
        (10, Fraction(125, 3), True),
    ],
)
def test_the_optimisation_is_on_where_a_symbol_exceeds_16_ms(
    factor: int, khz: int | Decimal | Fraction, on: bool
) -> None:
    assert LoRa(factor, khz, "4/5").optimises_low_data_rate is on


@pytest.mark.parametrize("factor", [11, 12])
def test_an_empty_frame_has_the_eight_symbols_that_are_always_sent(factor: int) -> None:
    """The numerator is 0 or -4 there: division that cuts towards zero gives 13 symbols (datasheet formula: 8)."""
    assert LoRa(factor, 125, "4/5").payload_symbols(0) == 8


def _symbols_of_the_other_manual(radio: LoRa, octets: int, optimised: bool) -> int:
    """LR1110 user manual Rev. 1.0, pages 53 and 54: 8 + ceil(max(8 PL + CRC - 4 SF + 8 + header, 0) / d) * (CR + 4)."""
    factor, rate = radio.spreading_factor, int(radio.coding_rate[2])
    bits = 8 * octets + (16 if radio.crc else 0) - 4 * factor + 8 + (20 if radio.explicit_header else 0)
    per_block = 4 * (factor - 2) if optimised else 4 * factor
    blocks, rest = divmod(max(bits, 0), per_block)
    return 8 + (blocks + (rest > 0)) * rate


def test_two_data_sheets_give_the_same_symbols_for_every_setting_and_octet_count() -> None:
    for factor, rate, header, crc, optimised in product(
        range(7, 13), ("4/5", "4/6", "4/7", "4/8"), (True, False), (True, False), (True, False)
    ):
        radio = LoRa(factor, 125, rate, 8, header, crc, optimised)
        ours = [radio.payload_symbols(octets) for octets in range(256)]
        assert ours == [_symbols_of_the_other_manual(radio, octets, optimised) for octets in range(256)]


@pytest.mark.parametrize("radio", [LoRa(9, 125, "4/5"), LoRa(12, 125, "4/8"), Fsk(4800)])
def test_the_next_step_is_the_first_count_that_takes_longer(radio: LoRa | Fsk) -> None:
    times = [radio.time_on_air_us(octets) for octets in range(256)]
    for octets, now in enumerate(times):
        longer = [(more, times[more] - now) for more in range(octets + 1, 256) if times[more] > now]
        assert radio.next_step(octets) == (longer[0] if longer else None)
    assert radio.next_step(255) is None


def test_an_odd_bandwidth_gives_an_exact_fraction() -> None:
    assert LoRa(7, Decimal("7.8"), "4/5").symbol_us == Fraction(128_000 * 10, 78)


@pytest.mark.parametrize("octets", [-1, 256])
def test_more_octets_than_a_radio_frame_holds_are_refused(octets: int) -> None:
    with pytest.raises(ValueError, match=r"octets are outside 0\.\.255"):
        LoRa(7, 125, "4/5").time_on_air_us(octets)
    with pytest.raises(ValueError, match=r"octets are outside 0\.\.255"):
        Fsk(9600).next_step(octets)


@pytest.mark.parametrize("factor", [5, 6])
def test_sf5_and_sf6_are_refused_because_the_chip_families_disagree(factor: int) -> None:
    """LR1110 user manual, same pages: 6.25 symbols and no 8 in the ceiling there, unlike the SX1276 datasheet."""
    with pytest.raises(ValueError, match="SX127x and LR11xx chip families"):
        LoRa(factor, 125, "4/5")


def test_settings_that_do_not_exist_are_refused_with_their_value() -> None:
    with pytest.raises(ValueError, match=r"spreading factor 13 is outside 7\.\.12"):
        LoRa(13, 125, "4/5")
    with pytest.raises(ValueError, match='coding rate "4/9" is none of 4/5, 4/6, 4/7, 4/8'):
        LoRa(7, 125, "4/9")
    with pytest.raises(ValueError, match="a preamble of 0 symbols"):
        LoRa(7, 125, "4/5", preamble_symbols=0)
    with pytest.raises(ValueError, match="bandwidth_khz 0 is not more than 0"):
        LoRa(7, 0, "4/5")
    with pytest.raises(ValueError, match="bandwidth_khz NaN is no number"):
        LoRa(7, Decimal("NaN"), "4/5")
    inexact: dict[str, Any] = {"spreading_factor": 7, "bandwidth_khz": 62.5, "coding_rate": "4/5"}
    with pytest.raises(ValueError, match=r"bandwidth_khz 62\.5 is no exact number"):
        LoRa(**inexact)
    with pytest.raises(ValueError, match="bit_rate -1 is not more than 0"):
        Fsk(-1)
    with pytest.raises(ValueError, match="sync_octets -2 is less than 0"):
        Fsk(9600, sync_octets=-2)
