"""Where `decode` reads: files and standard input in chunks, cut into lines, each with what the protocol says of it.

A chunk is taken as soon as it is there, and whatever was printed is let out before waiting for the next one, so that
a growing log is shown line by line.
"""

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ullage import Message, Refused
from ullage.logs.lines import LineReader, Link, Verdict
from ullage.logs.log_stream import LIMIT, split_lines

from ..progress import progress
from ..screen import Stop

if TYPE_CHECKING:
    from ullage import Protocol, Receiver

_CHUNK = 1 << 16

STANDARD_INPUT = "-"

Answer = Verdict[Message, Refused]


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a log: its file as the user gave it, its number from 1, its text, and who reads more out of it."""

    file: str
    number: int
    text: str
    reader: LineReader
    too_long: bool = False

    @property
    def time(self) -> str | None:
        """The time that the receiver printed, or None."""
        return self.reader.time(self.text)

    @property
    def link(self) -> Link:
        """RSSI and SNR, as far as the receiver printed them."""
        return self.reader.link(self.text)


class Source:
    """The lines of files, judged by a protocol, or by a receiver that remembers what it has opened.

    at: the receiving station, or None. before_reading: called each time before more octets are waited for.
    limit: octets of a line that are read; what stands beyond is passed over, and the line says so.
    """

    limit = LIMIT

    def __init__(
        self, decoder: "Protocol | Receiver", reader: LineReader, at: int | None, before_reading: Callable[[], None]
    ) -> None:
        self._reader = reader
        self._before_reading = before_reading
        self.accept = accepting(decoder, at)

    def lines(self, file: str) -> Iterator[tuple[Line, Answer]]:
        """Each line of a file with its answer. Raises OSError when the file cannot be read."""
        reader, accept = self._reader, self.accept
        for raw in split_lines(self._chunks(file), self.limit):
            line = Line(file, raw.number, raw.text, reader, raw.truncated)
            yield line, reader.judge(raw.text, accept, Refused)

    def _chunks(self, file: str) -> Iterator[bytes]:
        if file == STANDARD_INPUT:
            yield from self._read(sys.stdin.buffer.fileno())
            return
        with Path(file).open("rb", buffering=0) as stream:
            octets = os.fstat(stream.fileno()).st_size
            # On a terminal the rows themselves show how far it is.
            yield from progress(self._read(stream.fileno()), octets, file, len, quiet=sys.stdout.isatty())

    def _read(self, handle: int) -> Iterator[bytes]:
        while True:
            self._before_reading()
            chunk = os.read(handle, _CHUNK)
            if not chunk:
                return
            yield chunk


def accepting(decoder: "Protocol | Receiver", at: int | None) -> Callable[[bytes], Message]:
    """How a decoder answers at a station, or at none in particular."""
    decode = decoder.decode
    return decode if at is None else lambda octets: decode(octets, at)


def check_files(files: Sequence[str]) -> None:
    """See that every file is there before any is read. Raises Stop."""
    if STANDARD_INPUT in files and sys.stdin is None:
        raise Stop("standard input is closed; give a file")
    if files.count(STANDARD_INPUT) > 1:
        raise Stop("- is standard input; it can be read only once")
    for file in files:
        if file == STANDARD_INPUT:
            continue
        if not Path(file).exists():
            raise Stop(f"{file}: there is no such file")
        if Path(file).is_dir():
            raise Stop(f"{file}: this is a folder; give its files")


def spoken(file: str) -> str:
    """What a sentence calls a file."""
    return "standard input" if file == STANDARD_INPUT else file
