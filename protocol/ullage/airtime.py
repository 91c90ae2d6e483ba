"""Exact time on air of LoRa and FSK frames, in microseconds as fractions.

LoRa follows the SX1276/77/78/79 datasheet (Semtech), section 4.1.1.7; the LR1110 user manual Rev. 1.0, pages
53 and 54, writes the same for spreading factors 7 to 12. FSK is bits divided by the bit rate. A frame's
octets are everything handed to the radio: header, fields, tag and CRC of the protocol.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

Exact = int | Decimal | Fraction

MOST_OCTETS = 255
LOW_DATA_RATE_ABOVE_US = 16_000

_CODING_RATES = {"4/5": 1, "4/6": 2, "4/7": 3, "4/8": 4}
_HALF_PREAMBLE = Fraction(17, 4)  # the sync word and start of frame: 4.25 symbols after the programmed ones


class _Radio:
    """What both modulations share: a time for a count of octets."""

    def time_on_air_us(self, octets: int) -> Fraction:
        """Time on air of a frame of this many octets (0..255), in microseconds."""
        raise NotImplementedError

    def next_step(self, octets: int) -> tuple[int, Fraction] | None:
        """The next count of octets that costs more air time.

        Args:
            octets: the frame now, 0..255.

        Returns:
            The smallest larger count that takes longer and how many microseconds longer; None where no larger
            frame exists that takes longer (past 255 octets).

        Raises:
            ValueError: octets is outside 0..255.
        """
        now = self.time_on_air_us(octets)
        for more in range(octets + 1, MOST_OCTETS + 1):
            longer = self.time_on_air_us(more) - now
            if longer:
                return more, longer
        return None


@dataclass(frozen=True)
class LoRa(_Radio):
    """The settings of a LoRa radio that decide the time on air.

    Attributes:
        spreading_factor: 7..12. SF5 and SF6 are refused: the chip families time them differently.
        bandwidth_khz: exact, and taken as given: 41.7 is not the Fraction(125, 3) that data sheets round so.
        coding_rate: "4/5", "4/6", "4/7" or "4/8".
        preamble_symbols: as programmed, without the 4.25 symbols that the radio adds.
        explicit_header: whether the radio's own header is sent.
        crc: whether the radio's own CRC of 16 bits is sent.
        low_data_rate: low data rate optimisation; None switches it on where it is mandated, when a symbol
            lasts more than 16 ms (SX1276 datasheet, section 4.1.1.7). Both ends need the same setting.

    Raises:
        ValueError: a setting that does not exist, with the reason.
    """

    spreading_factor: int
    bandwidth_khz: Exact
    coding_rate: str
    preamble_symbols: int = 8
    explicit_header: bool = True
    crc: bool = True
    low_data_rate: bool | None = None

    def __post_init__(self) -> None:
        if self.spreading_factor in (5, 6):
            raise ValueError(
                f"spreading factor {self.spreading_factor} has no single time on air: the SX127x and LR11xx chip "
                "families count its preamble and payload symbols differently (7..12 agree)"
            )
        if not 7 <= self.spreading_factor <= 12:
            raise ValueError(f"spreading factor {self.spreading_factor} is outside 7..12")
        if self.coding_rate not in _CODING_RATES:
            raise ValueError(f'coding rate "{self.coding_rate}" is none of {", ".join(_CODING_RATES)}')
        if self.preamble_symbols < 1:
            raise ValueError(f"a preamble of {self.preamble_symbols} symbols is not possible")
        _positive(self.bandwidth_khz, "bandwidth_khz")

    @property
    def symbol_us(self) -> Fraction:
        """How long a symbol lasts: 2**SF / bandwidth, in microseconds."""
        return Fraction(1000 << self.spreading_factor) / Fraction(self.bandwidth_khz)

    @property
    def optimises_low_data_rate(self) -> bool:
        """Whether low data rate optimisation is on, as set or as mandated."""
        return self.symbol_us > LOW_DATA_RATE_ABOVE_US if self.low_data_rate is None else self.low_data_rate

    @property
    def preamble_us(self) -> Fraction:
        """How long the preamble lasts, the 4.25 symbols that the radio adds included, in microseconds."""
        return (self.preamble_symbols + _HALF_PREAMBLE) * self.symbol_us

    def payload_symbols(self, octets: int) -> int:
        """The symbols after the preamble, the radio's own header and CRC included, for 0..255 octets."""
        _possible(octets)
        bits = 8 * octets - 4 * self.spreading_factor + 28 + 16 * self.crc - 20 * (not self.explicit_header)
        per_block = 4 * (self.spreading_factor - 2 * self.optimises_low_data_rate)
        # Floor division of the negative is a true ceiling, also for bits <= 0 (an empty frame at SF11, SF12).
        blocks = max(-(-bits // per_block), 0)
        return 8 + blocks * (4 + _CODING_RATES[self.coding_rate])

    def time_on_air_us(self, octets: int) -> Fraction:
        """Time on air of a frame of this many octets (0..255), in microseconds.

        Raises:
            ValueError: octets is outside 0..255.
        """
        return self.preamble_us + self.payload_symbols(octets) * self.symbol_us


@dataclass(frozen=True)
class Fsk(_Radio):
    """The settings of an FSK radio that decide the time on air; the defaults are common practice, no source.

    Attributes:
        bit_rate: bits per second, exact.
        preamble_octets: before the sync word.
        sync_octets: of the sync word.
        length_octet: whether the radio sends the frame's length in an octet of its own.
        crc_octets: of the radio's own CRC; 0 when it is off.

    Raises:
        ValueError: a setting that does not exist, with the reason.
    """

    bit_rate: Exact
    preamble_octets: int = 4
    sync_octets: int = 2
    length_octet: bool = True
    crc_octets: int = 2

    def __post_init__(self) -> None:
        _positive(self.bit_rate, "bit_rate")
        for name in ("preamble_octets", "sync_octets", "crc_octets"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name} {getattr(self, name)} is less than 0")

    def time_on_air_us(self, octets: int) -> Fraction:
        """Time on air of a frame of this many octets (0..255), in microseconds: all bits by the bit rate.

        Raises:
            ValueError: octets is outside 0..255.
        """
        _possible(octets)
        around = self.preamble_octets + self.sync_octets + self.length_octet + self.crc_octets
        return Fraction(8_000_000 * (around + octets)) / Fraction(self.bit_rate)


def _possible(octets: int) -> None:
    if not 0 <= octets <= MOST_OCTETS:
        raise ValueError(f"{octets} octets are outside 0..{MOST_OCTETS}")


def _positive(value: Exact, name: str) -> None:
    if not isinstance(value, int | Decimal | Fraction):
        raise ValueError(f"{name} {value!r} is no exact number: give a whole number, a Decimal or a Fraction")
    # Asked before any comparison: a Decimal NaN refuses to be compared.
    if isinstance(value, Decimal) and not value.is_finite():
        raise ValueError(f"{name} {value} is no number")
    if value <= 0:
        raise ValueError(f"{name} {value} is not more than 0")
