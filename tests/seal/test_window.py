"""The replay window against a plain model, a set of every counter ever accepted: in Python and in C alike."""

import json
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from support.seal_c import WIDTHS, CWindow
from ullage.seal import OldRun, SealError, Seen, Window, candidates, old_candidates
from ullage.seal.window import WIDTH

ONCE = settings(derandomize=True, deadline=None, phases=[Phase.generate])
STEPS = st.one_of(
    st.integers(-130, 130), st.sampled_from([-65, -64, -63, 0, 1, 63, 64, 65]), st.integers(-(2**64), 2**64)
)
COUNTERS = st.integers(0, 2**64 - 1) | st.integers(0, 200) | st.integers(2**64 - 200, 2**64 - 1)


def model(accepted: set[int], counter: int) -> Seen:
    """RFC 4303 section 3.4.3, said with a set."""
    if accepted and counter <= max(accepted) - WIDTH:
        return Seen.TOO_OLD
    return Seen.REPEAT if counter in accepted else Seen.FRESH


@ONCE
@given(COUNTERS, st.lists(STEPS, max_size=60), st.sampled_from(sorted(WIDTHS)))
def test_python_and_c_say_what_the_model_says(first: int, steps: list[int], width: tuple[int, int]) -> None:
    most = (1 << width[0]) - 1
    window, in_c, accepted, counter = Window(), CWindow(*width), set[int](), first & most
    for step in [0, *steps]:
        counter = (max(accepted, default=counter) + step) & most
        expected = model(accepted, counter)
        assert (window.check(counter), in_c.check(counter)) == (expected, expected)
        assert in_c.advance(counter) is (expected is Seen.FRESH)
        if expected is Seen.FRESH:
            window = window.advance(counter)
            accepted.add(counter)


@pytest.mark.parametrize("counter", range(130))
def test_the_window_has_64_numbers_and_no_more(counter: int) -> None:
    """RFC 6479's text has 37..100 for a highest number of 100; its sample code lets 36 through, too."""
    expected = Seen.TOO_OLD if counter <= 36 else Seen.REPEAT if counter == 100 else Seen.FRESH
    in_c = CWindow(32, 16)
    assert in_c.advance(100)
    assert (Window().advance(100).check(counter), in_c.check(counter)) == (expected, expected)


def test_a_check_alone_moves_nothing() -> None:
    """A forged frame is checked, fails by its tag, and has changed nothing."""
    window = Window().advance(7)
    assert window.check(2**63) is Seen.FRESH
    assert window == Window().advance(7)
    assert window.check(8) is Seen.FRESH


@pytest.mark.parametrize("counter", [7, 2])
def test_what_is_not_fresh_cannot_be_noted(counter: int) -> None:
    window = Window().advance(2).advance(7)
    with pytest.raises(SealError, match=rf"^counter {counter} is not fresh but a repeat$"):
        window.advance(counter)
    with pytest.raises(SealError, match=r"^counter 1 is not fresh but too old$"):
        window.advance(100).advance(1)


@pytest.mark.parametrize("counter", [-1, 2**64, 2**70])
def test_a_counter_beyond_64_bits_is_refused(counter: int) -> None:
    for call in (Window().check, Window().advance):
        with pytest.raises(SealError, match=rf"^counter {counter} is outside 0\.\.18446744073709551615$"):
            call(counter)


@given(st.lists(COUNTERS, max_size=20))
def test_a_window_comes_back_from_json(counters: list[int]) -> None:
    window = Window()
    for counter in counters:
        window = window.advance(counter) if window.check(counter) is Seen.FRESH else window
    assert Window.restored(json.loads(json.dumps(window.saved()))) == window


@pytest.mark.parametrize(
    "saved",
    [
        {},
        [],
        "7",
        7,
        {"top": 7, "mask": "0000000000000001"},
        {"top": "7", "mask": 1},
        {"top": "7", "mask": "1"},
        {"top": "7", "mask": "0000000000000000"},
        {"top": "7", "mask": "0000000000000002"},
        {"top": "7", "mask": "0000000000000101"},
        {"top": "-7", "mask": "0000000000000001"},
        {"top": "18446744073709551616", "mask": "0000000000000001"},
        {"top": "٧", "mask": "0000000000000001"},
        {"top": "07", "mask": "0000000000000001"},
        {"top": "7", "mask": "000000000000000g"},
        {"top": "7", "mask": "0x00000000000001"},
        {"top": "7", "mask": "0000000000000001", "more": 1},
        {"top": "9" * 5000, "mask": "0000000000000001"},
    ],
)
def test_what_was_never_saved_is_no_window(saved: Any) -> None:
    with pytest.raises(SealError, match="window"):
        Window.restored(saved)


def test_a_window_with_numbers_below_zero_is_none() -> None:
    """Bit 8 below a highest number of 7 would be -1."""
    with pytest.raises(SealError, match="no window has the highest counter 7 and the mask 0x101"):
        Window(7, 0x101)
    assert Window(7, 0x81).check(0) is Seen.REPEAT


@ONCE
@given(st.data())
def test_the_first_candidate_is_the_smallest_that_is_not_below_the_window(data: st.DataObject) -> None:
    """By a search through all counters, in a small space."""
    bits, low_bits, resync = data.draw(st.integers(2, 9)), data.draw(st.integers(1, 8)), data.draw(st.integers(0, 5))
    bits = max(bits, low_bits + 1)
    low, start = data.draw(st.integers(0, (1 << low_bits) - 1)), data.draw(st.integers(0, (1 << bits) - 1))
    top = data.draw(st.none() | st.integers(0, (1 << bits) - 1))
    window = data.draw(st.sampled_from([None, Window()])) if top is None else Window(top, 1)
    bottom = start if top is None else max(0, top + 1 - min(WIDTH, 1 << (low_bits - 1)))
    expected = [n for n in range(bottom, 1 << bits) if n % (1 << low_bits) == low][: resync + 1]
    found = candidates(window, low, low_bits=low_bits, counter_bits=bits, resync=resync, start=start)
    assert list(found) == expected


@ONCE
@given(st.sampled_from(sorted(WIDTHS)), st.data())
def test_c_has_the_same_candidates(width: tuple[int, int], data: st.DataObject) -> None:
    bits, low_bits = width
    whole = (
        st.integers(0, (1 << bits) - 1) | st.integers(max(0, (1 << bits) - 200), (1 << bits) - 1) | st.integers(0, 99)
    )
    top, start, low = data.draw(st.none() | whole), data.draw(whole), data.draw(whole) & ((1 << low_bits) - 1)
    window, in_c = Window(), CWindow(bits, low_bits, start)
    if top is not None:
        window = window.advance(top)
        assert in_c.advance(top)
    expected = candidates(window, low, low_bits=low_bits, counter_bits=bits, start=start)
    assert in_c.candidates(low, 16) == list(expected)


def test_c_has_the_same_candidates_for_every_number_of_a_small_counter() -> None:
    for top in range(256):
        in_c = CWindow(8, 4)
        assert in_c.advance(top)
        for low in range(16):
            expected = candidates(Window(top, 1), low, low_bits=4, counter_bits=8)
            assert in_c.candidates(low, 16) == list(expected)


@given(st.integers(0, 2**32 - 1), st.integers(-63, 2**16 - 64))
def test_a_gap_of_almost_the_whole_circle_is_bridged_without_a_wrong_guess(top: int, step: int) -> None:
    """RFC 4303 appendix A2: 64 numbers of the circle are back, all others are ahead."""
    counter = top + step
    if 0 <= counter < 2**32:
        found = candidates(Window(top, 1), counter & 0xFFFF, low_bits=16, counter_bits=32)
        assert next(found) == counter


@pytest.mark.parametrize(("low_bits", "distance"), [(3, 4), (8, 128), (16, 0x8000)])
def test_exactly_half_the_circle_away_is_newer(low_bits: int, distance: int) -> None:
    """RFC 1982 section 3.2 leaves this order open (and its usual form in C calls neither newer)."""
    found = candidates(Window(1000, 1), (1000 + distance) % (1 << low_bits), low_bits=low_bits, counter_bits=32)
    assert next(found) == 1000 + distance


def test_a_long_gap_is_found_among_the_further_high_parts_and_no_others_are_tried() -> None:
    counter = 100 + 16 * 65536
    found = list(candidates(Window(100, 1), counter & 0xFFFF, low_bits=16, counter_bits=32))
    assert found == [100 + turn * 65536 for turn in range(17)]
    assert list(candidates(Window(100, 1), 100, low_bits=16, counter_bits=32, resync=0)) == [100]


def test_without_state_guesses_go_up_from_where_one_says() -> None:
    assert list(candidates(None, 9, low_bits=16, counter_bits=32, resync=2)) == [9, 65545, 131081]
    found = candidates(None, 9, low_bits=16, counter_bits=32, resync=1, start=1_000_000)
    assert list(found) == [1_048_585, 1_114_121]


def test_the_end_of_the_counter_ends_the_guesses() -> None:
    assert list(candidates(Window(2**32 - 2, 1), 0xFFFF, low_bits=16, counter_bits=32)) == [2**32 - 1]
    assert list(candidates(Window(2**32 - 1, 1), 0, low_bits=16, counter_bits=32)) == []


def test_a_counter_that_travels_whole_is_its_own_only_candidate() -> None:
    assert list(candidates(Window(500, 1), 3, low_bits=32, counter_bits=32)) == [3]


@pytest.mark.parametrize(
    ("low", "low_bits", "bits", "more"),
    [
        (0, 0, 32, {}),
        (0, 33, 32, {}),
        (0, 16, 65, {}),
        (65536, 16, 32, {}),
        (-1, 16, 32, {}),
        (0, 16, 32, {"resync": -1}),
        (0, 16, 32, {"start": 2**32}),
    ],
)
def test_numbers_that_do_not_fit_each_other_are_refused(
    low: int, low_bits: int, bits: int, more: dict[str, int]
) -> None:
    with pytest.raises(SealError, match=r"(does|do) not fit"):
        candidates(Window(5, 1), low, low_bits=low_bits, counter_bits=bits, **more)


@given(st.integers(0, 2**20), st.integers(0, 15), st.integers(1, 40))
def test_old_candidates_are_below_the_window_and_each_comes_once(top: int, low: int, at_most: int) -> None:
    found = list(old_candidates(Window(top, 1), low, low_bits=12, counter_bits=32, at_most=at_most))
    assert len(found) == len(set(found)) <= at_most
    assert all(0 <= counter < top - 63 and counter % 4096 == low for counter in found)
    if low < top - 63:
        assert found[0] == low, "a node that begins again at 0 is found first"


def test_old_candidates_run_from_both_ends() -> None:
    found = old_candidates(Window(1000, 1), 3, low_bits=8, counter_bits=32)
    assert list(found) == [3, 771, 259, 515]
    assert list(old_candidates(Window(), 3, low_bits=8, counter_bits=32)) == []


def told(window: Window, counters: list[int]) -> OldRun:
    run = OldRun()
    for counter in counters:
        run = run.after(window.check(counter), counter)
    return run


def test_a_node_that_lost_its_counter_looks_restarted_and_is_never_accepted() -> None:
    window = Window(1000, 1)
    assert told(window, [0, 1, 2]).looks_restarted
    assert told(window, [512, 514, 515]).looks_restarted
    assert [window.check(counter) for counter in (0, 1, 2)] == [Seen.TOO_OLD] * 3


def test_a_node_that_restarts_soon_looks_restarted_by_its_repeats() -> None:
    window = Window()
    for counter in range(31):
        window = window.advance(counter)
    assert told(window, [0, 1, 2]).looks_restarted


@pytest.mark.parametrize("counters", [[], [1000], [5, 5, 5, 5], [9, 8, 7, 6], [5, 6], [5, 1001, 6, 1002, 7]])
def test_repeats_and_single_old_frames_are_no_restart(counters: list[int]) -> None:
    assert not told(Window(1000, 1), counters).looks_restarted
