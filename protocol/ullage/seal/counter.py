"""Numbers that are never handed out twice, whatever moment the power fails: reserved in blocks, noted in two records.

A record holds a limit: every number below it may have been used. A block of numbers is used only after the record that
reserves it was written and read back. The two records are written by turns, so one of them is always whole; limits
only grow, so the higher one is the later one and needs no generation number beside it. If one record is not sound, it
may have been the later one: then a whole block is skipped, and both records are written again.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NoReturn

from ..crc import by_name
from .errors import CounterFault, CounterSpent, SealError

Load = Callable[[int], bytes | None]
"""Gives the octets of record 0 or 1, None where there are none."""

Store = Callable[[int, bytes], None]
"""Writes the octets of record 0 or 1; it may raise, and it may fail without saying so."""

RECORDS = 2
_CRC = by_name("CRC-16/IBM-3740")  # neither erased memory (all ones) nor all zeros is a record


def limit_octets(counter_bits: int) -> int:
    """Octets of a limit: 4 for counters of up to 32 bits, else 8."""
    return 4 if counter_bits <= 32 else 8


def record_octets(counter_bits: int) -> int:
    """Octets of one record: the limit, high octet first, then its CRC-16/IBM-3740, high octet first."""
    return limit_octets(counter_bits) + _CRC.octets


def record(limit: int, counter_bits: int) -> bytes:
    """A record that says: every number below this limit may have been used."""
    body = limit.to_bytes(limit_octets(counter_bits), "big")
    return body + _CRC.to_octets(_CRC.compute(body), high_first=True)


def limit_of(octets: bytes | None, counter_bits: int) -> int | None:
    """The limit of a record, None for what is no record of such a counter."""
    if octets is None or len(octets) != record_octets(counter_bits):
        return None
    limit = int.from_bytes(octets[: limit_octets(counter_bits)], "big")
    return limit if limit < 1 << counter_bits and record(limit, counter_bits) == octets else None


def provision(load: Load, store: Store, *, first: int = 0, counter_bits: int = 32) -> None:
    """Make the two records of a new node; never done by a node itself, for empty memory may be lost memory.

    first: the first number to hand out. Records that are there are never lowered, so doing it twice is harmless; for a
    fresh key, when the numbers may begin again, erase the memory before. Raises CounterFault when the memory does not
    keep what is written, or when `first` lies beyond the one sound record of two: the other may have held a later one,
    which a `BlockCounter` takes into account. Raises SealError for a number that does not fit.
    """
    _check_bits(counter_bits)
    if not 0 <= first < 1 << counter_bits:
        raise SealError(f"first number {first} is outside 0..{(1 << counter_bits) - 1}")
    limits = [limit_of(load(i), counter_bits) for i in range(RECORDS)]
    known = [limit for limit in limits if limit is not None]
    if known and first <= max(known):
        return
    if len(known) == 1:
        raise CounterFault("one record of the counter is not sound; let the counter hand out a number first")
    # The lower one first, so that one of the two is whole at every moment.
    lower = limits.index(min(known)) if known else 0
    for i in (lower, 1 - lower):
        _write(load, store, i, first, counter_bits)


def _write(load: Load, store: Store, i: int, limit: int, counter_bits: int) -> None:
    """Write one record and read it back. Raises CounterFault when it is not there."""
    octets = record(limit, counter_bits)
    store(i, octets)
    if load(i) != octets:
        raise CounterFault(f"record {i} of the counter was not kept by its memory; no number is handed out")


class BlockCounter:
    """Hands out whole numbers, each at most once over all restarts.

    load, store: the memory; an error that they raise passes through, and no number is handed out. block: numbers
    reserved by one write, see `least_block`; a node whose block is made smaller must have both records sound then.
    counter_bits: the highest number, 2**counter_bits - 1, is never handed out, so that a limit has as many bits.
    Nothing is written before the first `take`. A counter has one owner: it can be neither copied nor pickled.
    Raises CounterFault when there is no sound record, SealError for a block or width that cannot be.
    """

    def __init__(self, load: Load, store: Store, *, block: int = 256, counter_bits: int = 32) -> None:
        _check_bits(counter_bits)
        if not 1 <= block < 1 << min(counter_bits, 16):
            raise SealError(f"a block of {block} numbers is outside 1..{(1 << min(counter_bits, 16)) - 1}")
        self._load, self._store = load, store
        self._block, self._bits = block, counter_bits
        limits = [limit_of(load(i), counter_bits) for i in range(RECORDS)]
        known = [limit for limit in limits if limit is not None]
        if not known:
            text = "neither record of the counter is sound, so its last number is not known"
            raise CounterFault(f"{text}; provision the node, with a number past all that it has used or a fresh key")
        self._limit = max(known)
        self._newest = limits.index(self._limit)
        self._next = self._limit
        self._repair = len(known) < RECORDS

    @property
    def limit(self) -> int:
        """The limit of the record that counts: every number handed out is below it."""
        return self._limit

    def take(self) -> int:
        """The next number. Raises CounterSpent at the end, CounterFault when the memory does not keep a record."""
        if self._next >= self._limit:
            self._reserve()
        number = self._next
        self._next += 1
        return number

    def _reserve(self) -> None:
        if self._repair:
            # The record that is not sound may have reserved one block more; all of it counts as used.
            self._put(self._further())
            self._next = self._limit
            self._repair = False
        self._put(self._further())

    def _further(self) -> int:
        """The limit a block further on. Raises CounterSpent when not one number is left."""
        end = (1 << self._bits) - 1
        if self._limit >= end:
            raise CounterSpent(self._bits)
        return min(self._limit + self._block, end)

    def _put(self, limit: int) -> None:
        """Write a limit over the older record; it counts only once it was read back."""
        older = 1 - self._newest
        _write(self._load, self._store, older, limit, self._bits)
        self._limit, self._newest = limit, older

    def __copy__(self) -> NoReturn:
        raise TypeError("a counter has one owner and is never copied")

    def __deepcopy__(self, memo: object) -> NoReturn:
        raise TypeError("a counter has one owner and is never copied")

    def __reduce_ex__(self, protocol: object) -> NoReturn:
        raise TypeError("a counter has one owner and is never pickled")


def _check_bits(counter_bits: int) -> None:
    if not 1 <= counter_bits <= 64:
        raise SealError(f"a counter of {counter_bits} bits is outside 1..64")


@dataclass(frozen=True)
class Life:
    """What a counter's memory and numbers must last for.

    service_life_s and interval_s in seconds: frames are sealed once an interval, retries included in `frames` (per
    interval). restarts: over the whole life. endurance: writes that one place of the memory stands.
    """

    service_life_s: float
    interval_s: float
    frames: int = 1
    restarts: int = 0
    endurance: int = 100_000

    def __post_init__(self) -> None:
        positive = self.service_life_s > 0 and self.interval_s > 0 and self.frames > 0 and self.endurance > 0
        if not positive or self.restarts < 0:
            raise SealError(f"no counter lasts for {self}: times, frames and endurance are above 0, restarts not below")

    @property
    def numbers(self) -> int:
        """Frames that are sealed within the service life."""
        return int(-(-self.service_life_s // self.interval_s)) * self.frames


def least_block(life: Life) -> int:
    """The smallest block with which no record is written more often than its memory stands.

    Blocks are noted in the two records by turns, so each place takes half of the writes. A restart costs a place two
    more at most: one that the failing power tore, and its share of one for the rest of a block and of one that repairs.
    So numbers / (2 x block) + 2 x restarts + 2 <= endurance.

    With 100 000 writes a place (the usual figure of EEPROM data sheets; from memory): one record written for each frame
    would last 100 000 min = 69.4 days = 0.19 years at a frame a minute, 11.4 years at one an hour. Ten years at a frame
    a minute are 5 256 000 numbers; two records stand twice 99 998 writes, so that blocks of 27 do.
    Raises SealError when the restarts alone wear the memory out, or a block would be beyond 65535.
    """
    writes = 2 * (life.endurance - 2 * life.restarts - 2)
    block = -(-life.numbers // writes) if writes > 0 else 0
    if not 1 <= block <= 0xFFFF:
        raise SealError(f"two records that stand {life.endurance} writes each do not last for {life}")
    return block


def numbers_spent(life: Life, block: int) -> int:
    """The most numbers that a service life uses up: what a counter's bits must hold.

    A restart loses the rest of its block, and one block more where a record is not sound after it.
    """
    return life.numbers + life.restarts * 2 * block
