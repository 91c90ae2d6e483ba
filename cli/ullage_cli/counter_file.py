"""A counter that lives in a file, for sealing from the shell: a line that says whose it is, then two records in hex.

Every run reserves the one number that it uses, written and on the disk before it is used. A file that is missing or
damaged is never begun anew by itself: a number that was used before would give away two frames.
"""

import contextlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from .keys import held, write_secret
from .screen import Stop

if TYPE_CHECKING:
    from ullage.seal import BlockCounter

_WORDS = "ullage counter of station {}, {} bits; never copy, restore or edit\n"
_HEAD = re.compile(_WORDS.format("(0|[1-9][0-9]{0,18})", "([1-9][0-9]?)").encode())
_MOST_OCTETS = 4096


@dataclass
class _Records:
    """The two records in an open file. start: where they begin; digits: hex digits of one."""

    handle: int
    start: int
    digits: int

    def load(self, i: int) -> bytes | None:
        """See `ullage.seal.counter.Load`."""
        os.lseek(self.handle, self._place(i), os.SEEK_SET)
        try:
            return bytes.fromhex(os.read(self.handle, self.digits).decode("ascii"))
        except ValueError:
            return None

    def store(self, i: int, octets: bytes) -> None:
        """See `ullage.seal.counter.Store`; on the disk when it returns."""
        os.lseek(self.handle, self._place(i), os.SEEK_SET)
        os.write(self.handle, octets.hex().encode("ascii"))
        os.fsync(self.handle)

    def _place(self, i: int) -> int:
        return self.start + i * (self.digits + 1)


def new_counter(path: Path, station: int, counter_bits: int, first: int) -> None:
    """Write the counter file of a station whose numbers begin at `first`. Raises Stop, also where a file is there."""
    from ullage.seal.counter import record

    words = _WORDS.format(station, counter_bits)
    one = record(first, counter_bits).hex()
    otherwise = "go on with this one; a new one only with fresh keys, or with --first beyond all numbers used"
    write_secret(path, f"{words}{one}\n{one}\n", otherwise)


@contextlib.contextmanager
def counter_in(path: Path, counter_bits: int) -> "Iterator[tuple[int, BlockCounter]]":
    """Hold a counter file and give its station and its counter.

    counter_bits: what the spec says. Raises Stop for a file that is missing, is none, or is in use by another run.
    """
    from ullage.seal import BlockCounter, CounterFault
    from ullage.seal.counter import record_octets

    if not path.exists():
        text = f"{path}: there is no such file, and a counter is never begun anew by itself"
        raise Stop(f"{text}\n  help: for a fresh key, ullage key counter makes one")
    if path.is_dir():
        raise Stop(f"{path}: this is a folder; give a counter file")
    with held(path) as handle:
        found = _HEAD.match(os.read(handle, _MOST_OCTETS))
        if found is None:
            raise Stop(f"{path}: this is no counter file\n  help: ullage key counter makes one")
        if int(found[2]) != counter_bits:
            raise Stop(f"{path}: a counter of {int(found[2])} bits, and the spec's has {counter_bits}")
        records = _Records(handle, found.end(), 2 * record_octets(counter_bits))
        try:
            # One number a block: nothing is lost when the run ends.
            counter = BlockCounter(records.load, records.store, block=1, counter_bits=counter_bits)
        except CounterFault as fault:
            help_text = "a new file that begins past all numbers used (ullage key counter --first N), or a fresh key"
            raise Stop(f"{path}: {fault}\n  help: {help_text}") from None
        yield int(found[1]), counter
