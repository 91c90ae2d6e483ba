"""How an invented receiver prints: its time stamps, its ways to write octets, and what it says between frames.

A receiver's log looks different after each new start of the receiver, as logs do that were joined. Chatter never
holds words that could be as many octets as a frame, so a reader must find no frame in it.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from random import Random

_WAYS = ("spaced", "joined", "upper", "prefixed", "commas")
_STAMPS = ("date", "slashes", "iso", "time", "milliseconds", "none")
_LONGEST_STAMP = 8
"""Octets that a count of milliseconds, read as hex digits, could come to."""
_LEADS = ("", "rx ", "RX: ", "got ")

_CHATTER: tuple[tuple[str, int], ...] = (
    ("receiver ready", 0),
    ("deadline missed", 0),
    ("--- log rotated ---", 0),
    ("WARN: no signal for some time", 0),
    ("Packet {number} received", 2),
    ("free heap {heap}", 3),
    ("radio on 433.92 MHz, power {power} dBm", 3),
)
"""What it says, and to how many octets the longest word of it could come at most."""


@dataclass(frozen=True, slots=True)
class LogStyle:
    """How a receiver prints between two starts of its own."""

    stamp: str
    way: str
    lead: str
    began: datetime

    def frame_line(self, now: datetime, octets: bytes, rssi: int, snr: float) -> str:
        """One packet as a line, with what the radio said about the link (dBm, dB)."""
        return f"{self._stamped(now)}{self.lead}{self.written(octets)} RSSI={rssi} SNR={snr:g}"

    def cut_line(self, now: datetime, octets: bytes) -> str:
        """The line of a packet of which the last octets and all after them got lost."""
        return f"{self._stamped(now)}{self.lead}{self.written(octets)}"

    def chatter_line(self, now: datetime, text: str) -> str:
        """A line about something else."""
        return f"{self._stamped(now)}{text}"

    def written(self, octets: bytes) -> str:
        """The octets as this receiver writes them; a single one always so that it cannot be taken for a number."""
        if len(octets) == 1:
            return f"0x{octets.hex()}"
        match self.way:
            case "joined" if not _like_prose(octets.hex()):
                return octets.hex()
            case "upper":
                return octets.hex(" ").upper()
            case "prefixed":
                return " ".join(f"0x{octet:02x}" for octet in octets)
            case "commas":
                return octets.hex(",")
        return octets.hex(" ")

    def _stamped(self, now: datetime) -> str:
        match self.stamp:
            case "date":
                return f"{now:%Y-%m-%d %H:%M:%S}.{now.microsecond // 1000:03d} "
            case "slashes":
                return f"{now:%Y/%m/%d %H:%M:%S} "
            case "iso":
                return f"{now:%Y-%m-%dT%H:%M:%S}Z "
            case "time":
                return f"{now:%H:%M:%S} "
            case "milliseconds":
                return f"({(now - self.began) // timedelta(milliseconds=1)}) "
        return ""


def _like_prose(word: str) -> bool:
    """Whether a word of hex digits is a number or letters only, which no reader can be sure of."""
    return word.isdecimal() or word.isalpha()


def new_style(random: Random, now: datetime, shortest: int) -> LogStyle:
    """How the receiver prints from now on.

    shortest: octets of the protocol's shortest frame; a count of milliseconds must not be as long as that.
    """
    stamps = _STAMPS if shortest > _LONGEST_STAMP else [stamp for stamp in _STAMPS if stamp != "milliseconds"]
    return LogStyle(random.choice(stamps), random.choice(_WAYS), random.choice(_LEADS), now)


def chatter(random: Random, shortest: int) -> str:
    """Something a receiver says that is no frame.

    shortest: octets of the protocol's shortest frame; a reader takes words of two octets less for a damaged one.
    """
    fitting = [text for text, octets in _CHATTER if octets == 0 or octets < shortest - 2]
    text = random.choice(fitting)
    return text.format(
        number=random.randrange(1000, 10_000), heap=random.randrange(100_000, 300_000), power=random.randrange(10, 15)
    )
