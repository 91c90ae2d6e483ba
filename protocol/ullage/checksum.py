"""The sum of octets: what many old wire formats end with instead of a CRC. It finds far fewer faults."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Sum:
    """A sum of octets, cut to its bits.

    bits: 8, 16, 24 or 32. start: what the sum begins with. invert: send its ones' complement.
    """

    bits: int
    start: int = 0
    invert: bool = False

    @property
    def octets(self) -> int:
        """Octets on the wire."""
        return self.bits // 8

    @property
    def name(self) -> str:
        """What it is called for people."""
        return f"{self.bits}-bit sum"

    @property
    def function(self) -> Callable[[bytes], int]:
        """The quickest way from octets to the sum."""
        mask, start = (1 << self.bits) - 1, self.start
        if self.invert:
            return lambda octets: sum(octets, start) & mask ^ mask
        return lambda octets: sum(octets, start) & mask

    def compute(self, octets: bytes) -> int:
        """The sum of these octets."""
        return self.function(octets)

    def to_octets(self, value: int, high_first: bool | None = None) -> bytes:
        """The sum as octets, high octet first unless told otherwise."""
        return value.to_bytes(self.octets, "little" if high_first is False else "big")

    def to_hex(self, value: int) -> str:
        """The sum in hex digits, as many as its octets have."""
        return f"{value:0{2 * self.octets}x}"
