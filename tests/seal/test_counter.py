"""No number is handed out twice, whatever the moment at which the power fails: the same tests in Python and in C.

The memory writes octet by octet, and the power fails before each of its writes in turn, in two lives of a node that
follow each other.
"""

import contextlib
import copy
import itertools
import pickle
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from support.seal_c import CCounter, c_provision
from ullage import EncodeError, Status
from ullage.crc import by_name
from ullage.seal import BlockCounter, CounterFault, CounterSpent, SealError, least_block, numbers_spent, provision
from ullage.seal.counter import Life, limit_of, record, record_octets

Ends = tuple[Any, Any]
ENDS: dict[str, Ends] = {"python": (BlockCounter, provision), "c": (CCounter, c_provision)}


@pytest.fixture(params=list(ENDS))
def ends(request: pytest.FixtureRequest) -> Ends:
    """A class of counters and its function that provisions."""
    return ENDS[request.param]


class PowerCutError(Exception):
    pass


class Memory:
    """Two records that are written octet by octet.

    style: "over" writes each octet over the old one, "erase" sets all to ones first, "garble" leaves the octet at which
    the power fails as neither. left: writes of single octets until the power fails, None for never.
    """

    def __init__(self, octets: int, style: str = "over") -> None:
        self.records = [bytearray(b"\xff" * octets) for _ in range(2)]
        self.style = style
        self.left: int | None = None
        self.dead = False
        self.writes = [0, 0]

    def load(self, i: int) -> bytes | None:
        if self.dead:
            raise PowerCutError
        return bytes(self.records[i])

    def store(self, i: int, octets: bytes) -> None:
        self.writes[i] += 1
        if self.style == "erase":
            for place in range(len(octets)):
                self._put(i, place, 0xFF)
        for place, octet in enumerate(octets):
            self._put(i, place, octet)

    def _put(self, i: int, place: int, octet: int) -> None:
        if self.left == 0:
            self.dead = True
            if self.style == "garble":
                self.records[i][place] = (self.records[i][place] ^ octet ^ 0x5A) & 0xFF
        if self.dead:
            raise PowerCutError
        if self.left is not None:
            self.left -= 1
        self.records[i][place] = octet

    def revive(self, left: int | None) -> None:
        self.dead, self.left = False, left


def provisioned(ends: Ends, style: str = "over", bits: int = 32, first: int = 0) -> Memory:
    memory = Memory(record_octets(bits), style)
    ends[1](memory.load, memory.store, first=first, counter_bits=bits)
    return memory


def life(ends: Ends, memory: Memory, most: int, block: int = 3) -> Iterator[int]:
    """Numbers of one life of a node, until it has taken `most` or the power fails."""
    try:
        counter = ends[0](memory.load, memory.store, block=block)
        for _ in range(most):
            yield counter.take()
    except PowerCutError:
        return


def take_on(counter: Any, numbers: list[int]) -> None:
    """Take numbers until the counter refuses, as it must."""
    for _ in range(1000):
        numbers.append(counter.take())
    pytest.fail("the counter goes on and on")


STEPS = 26
"""More than the single writes of two records of six octets that are erased before."""


@pytest.mark.parametrize("style", ["over", "erase", "garble"])
def test_no_number_comes_twice_when_the_power_fails_at_any_two_writes(ends: Ends, style: str) -> None:
    for first_cut, second_cut in itertools.product(range(STEPS), range(STEPS)):
        memory = provisioned(ends, style)
        numbers: list[int] = []
        for cut in (first_cut, second_cut, None):
            memory.revive(cut)
            numbers += life(ends, memory, 7)
        assert numbers == sorted(set(numbers)), (first_cut, second_cut, numbers)
        assert len(numbers) >= 7
        limits = [limit_of(bytes(octets), 32) for octets in memory.records]
        assert max(limit for limit in limits if limit is not None) > numbers[-1]


@pytest.mark.parametrize("lost", [0, 1])
@pytest.mark.parametrize("becomes", [b"\xff" * 6, bytes(6), b"\x00\x00\x00\x07\x12\x34"])
def test_no_number_comes_twice_when_one_record_is_lost_between_two_lives(ends: Ends, lost: int, becomes: bytes) -> None:
    """Whichever it is, the later one too, and the power fails at any write of the life after."""
    for taken, cut in itertools.product(range(8), range(0, STEPS, 2)):
        memory = provisioned(ends)
        numbers = list(life(ends, memory, taken))
        memory.records[lost][:] = becomes
        for left in (cut, None):
            memory.revive(left)
            numbers += life(ends, memory, 5)
        memory.records[1 - lost][:] = becomes
        numbers += life(ends, memory, 5)
        assert numbers == sorted(set(numbers)), (taken, cut, numbers)
        assert len(numbers) >= taken + 10


def test_thousands_of_numbers_over_hundreds_of_power_cuts_come_once_each(ends: Ends) -> None:
    for style in ("over", "erase", "garble"):
        memory = provisioned(ends, style)
        numbers: list[int] = []
        for turn in range(400):
            memory.revive((turn * 7919) % 61)
            numbers += life(ends, memory, 40, block=5)
        assert len(numbers) > 2000
        assert numbers == sorted(set(numbers))


def test_the_power_may_fail_at_any_write_while_a_node_is_provisioned(ends: Ends) -> None:
    for style, cut in itertools.product(("over", "erase", "garble"), range(STEPS)):
        memory = Memory(6, style)
        memory.revive(cut)
        with contextlib.suppress(PowerCutError):
            ends[1](memory.load, memory.store, first=500)
        memory.revive(None)
        try:
            numbers = list(life(ends, memory, 5))
        except CounterFault:
            ends[1](memory.load, memory.store, first=500)
            numbers = list(life(ends, memory, 5))
        assert numbers[0] >= 500
        assert len(numbers) == 5


def test_no_power_cut_while_provisioning_again_loses_what_was_reached(ends: Ends) -> None:
    for style, first_cut, second_cut in itertools.product(("over", "erase"), range(STEPS), range(STEPS)):
        memory = provisioned(ends, style, first=10)
        for first, cut in ((1000, first_cut), (2000, second_cut)):
            limits = [limit_of(bytes(octets), 32) or 0 for octets in memory.records]
            memory.revive(cut)
            with contextlib.suppress(PowerCutError, CounterFault):
                ends[1](memory.load, memory.store, first=first)
        memory.revive(None)
        assert next(life(ends, memory, 1)) >= max(limits), (style, first_cut, second_cut)


def test_numbers_follow_each_other_and_a_block_is_one_write(ends: Ends) -> None:
    memory = provisioned(ends)
    counter = ends[0](memory.load, memory.store, block=100)
    memory.writes = [0, 0]
    assert [counter.take() for _ in range(1000)] == list(range(1000))
    assert memory.writes == [5, 5], "both records take half of the writes"


def test_a_restart_without_a_number_writes_nothing(ends: Ends) -> None:
    memory = provisioned(ends)
    memory.writes = [0, 0]
    for _ in range(10):
        ends[0](memory.load, memory.store)
    assert memory.writes == [0, 0]


@pytest.mark.parametrize("blank", [0xFF, 0x00, 0x5A])
def test_empty_memory_hands_out_nothing(ends: Ends, blank: int) -> None:
    """It may be memory that was lost, and numbers that begin again would give the key away."""
    memory = Memory(6)
    memory.records = [bytearray([blank] * 6) for _ in range(2)]
    with pytest.raises(CounterFault):
        ends[0](memory.load, memory.store)
    with pytest.raises(
        CounterFault, match="provision the node, with a number past all that it has used or a fresh key"
    ):
        BlockCounter(memory.load, memory.store)


def test_memory_that_gives_nothing_hands_out_nothing(ends: Ends) -> None:
    with pytest.raises(CounterFault):
        ends[0](lambda _: None, lambda _i, _octets: None)


def test_provisioning_never_goes_back(ends: Ends) -> None:
    memory = provisioned(ends, first=40)
    assert next(life(ends, memory, 1)) == 40
    for first in (0, 41):
        ends[1](memory.load, memory.store, first=first)
        assert next(life(ends, memory, 1)) >= 43
    ends[1](memory.load, memory.store, first=1000)
    assert next(life(ends, memory, 1)) == 1000


def test_provisioning_past_a_record_that_is_not_sound_is_refused(ends: Ends) -> None:
    """The lost one may have held the later number; a counter steps over it, provisioning cannot know how far."""
    memory = provisioned(ends)
    numbers = list(life(ends, memory, 4))
    memory.records[0][5] ^= 1
    with pytest.raises(CounterFault):
        ends[1](memory.load, memory.store, first=5)
    ends[1](memory.load, memory.store, first=0)
    assert next(life(ends, memory, 1)) > numbers[-1]


@pytest.mark.parametrize("failing", [0, 1])
@pytest.mark.parametrize("how", ["raises", "drops", "spoils"])
def test_a_memory_that_does_not_keep_a_record_stops_the_counter_until_it_does(
    ends: Ends, how: str, failing: int
) -> None:
    memory, works = provisioned(ends), False

    def store(i: int, octets: bytes) -> None:
        if works or i != failing:
            memory.store(i, octets)
        elif how == "raises":
            raise OSError("the memory is worn out")
        elif how == "spoils":
            memory.store(i, octets[:3] + bytes([octets[3] ^ 4]) + octets[4:])

    counter = ends[0](memory.load, store, block=3)
    numbers: list[int] = []
    for _ in range(5):
        with pytest.raises(OSError if how == "raises" else CounterFault):
            take_on(counter, numbers)
    assert len(numbers) <= 3
    works = True
    numbers += [counter.take() for _ in range(10)]
    assert numbers == sorted(set(numbers))


@pytest.mark.parametrize(("bits", "first"), [(8, 0), (8, 250), (20, 2**20 - 9), (32, 2**32 - 9), (64, 2**64 - 9)])
@pytest.mark.parametrize("block", [1, 4, 255])
def test_a_counter_ends_below_its_highest_number_and_stays_there(ends: Ends, bits: int, first: int, block: int) -> None:
    memory = provisioned(ends, bits=bits, first=first)
    for _ in range(2):
        counter = ends[0](memory.load, memory.store, block=block, counter_bits=bits)
        numbers: list[int] = []
        with pytest.raises(CounterSpent):
            take_on(counter, numbers)
        assert numbers == list(range(first, (1 << bits) - 1))
        with pytest.raises(CounterSpent):
            counter.take()
        first = (1 << bits) - 1


def test_a_spent_counter_is_the_encoders_status() -> None:
    error = CounterSpent(32)
    assert isinstance(error, EncodeError)
    assert error.status is Status.COUNTER_SPENT
    assert str(error) == "the counter of 32 bits has reached its end"
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


def test_records_are_the_same_octets_in_python_and_in_c() -> None:
    for bits, first in ((32, 0x01020304), (64, 0x0102030405060708), (20, 0xABCDE)):
        memories = [provisioned(end, bits=bits, first=first) for end in ENDS.values()]
        assert memories[0].records == memories[1].records == [record(first, bits)] * 2


def test_a_record_is_a_limit_and_its_crc() -> None:
    """CRC-16/IBM-3740 of 00000100: the catalogue's parameters, computed by ullage.crc."""
    assert record(256, 32).hex() == "00000100" + f"{by_name('CRC-16/IBM-3740').compute(bytes([0, 0, 1, 0])):04x}"
    assert [record_octets(bits) for bits in (1, 32, 33, 64)] == [6, 6, 10, 10]


@pytest.mark.parametrize("bits", [8, 32, 64])
def test_any_one_or_two_changed_bits_make_a_record_unsound(bits: int) -> None:
    octets = record(100, bits)
    number, width = int.from_bytes(octets, "big"), 8 * len(octets)
    for places in itertools.chain(itertools.combinations(range(width), 1), itertools.combinations(range(width), 2)):
        changed = number ^ sum(1 << place for place in places)
        assert limit_of(changed.to_bytes(len(octets), "big"), bits) is None


@pytest.mark.parametrize("octets", [None, b"", b"\xff" * 6, bytes(6), b"\xff" * 10, bytes(10), record(1, 32) + b"\x00"])
def test_what_is_no_record_has_no_limit(octets: bytes | None) -> None:
    assert limit_of(octets, 32) is None
    assert limit_of(octets, 64) is None


def test_a_limit_beyond_the_bits_is_no_record(ends: Ends) -> None:
    memory = Memory(6)
    memory.records = [bytearray(record(1 << 20, 32)) for _ in range(2)]
    assert limit_of(bytes(memory.records[0]), 20) is None
    with pytest.raises(CounterFault):
        ends[0](memory.load, memory.store, counter_bits=20)


@pytest.mark.parametrize(("block", "bits"), [(0, 32), (-1, 32), (65536, 32), (256, 8), (1, 0), (1, 65)])
def test_a_block_or_width_that_cannot_be_is_refused(block: int, bits: int) -> None:
    memory = Memory(6)
    with pytest.raises(SealError, match="is outside 1"):
        BlockCounter(memory.load, memory.store, block=block, counter_bits=bits)


@pytest.mark.parametrize("first", [-1, 2**32])
def test_a_first_number_that_does_not_fit_is_refused(first: int) -> None:
    memory = Memory(6)
    with pytest.raises(SealError, match=rf"^first number {first} is outside 0\.\.4294967295$"):
        provision(memory.load, memory.store, first=first)


@pytest.mark.parametrize("again", [copy.copy, copy.deepcopy, pickle.dumps], ids=["copy", "deepcopy", "pickle"])
def test_a_counter_has_one_owner(again: Callable[[Any], Any]) -> None:
    memory = provisioned(ENDS["python"])
    with pytest.raises(TypeError, match="a counter has one owner"):
        again(BlockCounter(memory.load, memory.store))


DAY = 86_400.0


def test_the_arithmetic_of_worn_memory_is_as_the_docstring_has_it() -> None:
    """100 000 writes: the usual figure of EEPROM data sheets. 365 days a year."""
    minutes, hours = 100_000 * 60 / DAY, 100_000 * 3600 / DAY
    assert [round(minutes, 1), round(minutes / 365, 2), round(hours / 365, 1)] == [69.4, 0.19, 11.4]
    ten_years = Life(3650 * DAY, 60)
    assert ten_years.numbers == 5_256_000
    assert least_block(ten_years) == 27


@pytest.mark.parametrize("endurance", [10, 100, 1000])
@pytest.mark.parametrize("restarts", [0, 1, 3])
def test_the_least_block_is_enough_and_one_less_is_not(endurance: int, restarts: int) -> None:
    what = Life(3000.0, 1.0, frames=2, restarts=restarts, endurance=endurance)
    block = least_block(what)

    def writes(block: int) -> float:
        """Of one place of the memory."""
        return what.numbers / block / 2 + 2 * restarts + 2

    assert writes(block) <= endurance
    assert block == 1 or writes(block - 1) > endurance


@pytest.mark.parametrize("step", [5, 7, 11, 18])
def test_the_least_block_holds_in_a_life_with_a_power_cut_at_every_restart(step: int) -> None:
    what = Life(2000.0, 1.0, restarts=20, endurance=60)
    memory = provisioned(ENDS["python"])
    memory.writes = [0, 0]
    numbers: list[int] = []
    for turn in range(what.restarts):
        memory.revive(turn * step % 41)
        numbers += life(ENDS["python"], memory, 100, least_block(what))
    memory.revive(None)
    numbers += life(ENDS["python"], memory, what.numbers - len(numbers), least_block(what))
    assert len(numbers) == 2000
    assert max(memory.writes) <= 60
    assert numbers[-1] < numbers_spent(what, least_block(what))


def test_a_life_that_no_block_makes_last_is_refused() -> None:
    for what in (Life(DAY, 60, restarts=4, endurance=10), Life(3650 * DAY, 1, endurance=1)):
        with pytest.raises(SealError, match=rf"^two records that stand {what.endurance} writes each do not last for"):
            least_block(what)


@pytest.mark.parametrize("wrong", [{"service_life_s": 0}, {"interval_s": 0}, {"frames": 0}, {"restarts": -1}])
def test_a_life_of_nothing_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(SealError, match="times, frames and endurance are above 0"):
        Life(**{"service_life_s": DAY, "interval_s": 60.0} | wrong)
