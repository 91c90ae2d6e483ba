"""A caller's number means one exact quantity, and goes to the nearest whole step, ties to the even one.

The oracle is the decimal module (General Decimal Arithmetic, round-half-even): it shares no code with `quantity`.
"""

import decimal
import math
import time
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from ullage.quantity import NotANumber, exact, nearest_steps, places, plain

WIDE = decimal.Context(prec=800, rounding=decimal.ROUND_HALF_EVEN, Emax=decimal.MAX_EMAX, Emin=decimal.MIN_EMIN)
FAR = Fraction(10) ** 120

STEPS = st.builds(lambda digits, places: Decimal(digits).scaleb(-places), st.integers(1, 10_000), st.integers(-6, 12))


def halved(steps: int, step: Decimal) -> Decimal:
    """The quantity half a step above a number of steps, exactly."""
    return WIDE.multiply(Decimal(2 * steps + 1), WIDE.divide(step, Decimal(2)))


@pytest.mark.parametrize(
    ("value", "meant"),
    [
        (3.71, Fraction(371, 100)),
        (0.1, Fraction(1, 10)),
        (1e16, Fraction(10**16)),
        (-0.0, Fraction(0)),
        (5e-324, Fraction(1, 10**120)),  # beyond what a step can be: cut
        (1.7976931348623157e308, Fraction(10**120)),
        (7, Fraction(7)),
        (10**500, Fraction(10**500)),
        ("3.71", Fraction(371, 100)),
        (" +.5 ", Fraction(1, 2)),
        ("5.", Fraction(5)),
        ("-1/3", Fraction(-1, 3)),
        (".5e3", Fraction(500)),
        ("2E-3", Fraction(1, 500)),
        (Decimal("3.710"), Fraction(371, 100)),
        (Decimal("0e999999999"), Fraction(0)),
        (Fraction(1, 3), Fraction(1, 3)),
    ],
    ids=lambda value: repr(value)[:20],
)
def test_numbers_mean_their_shortest_decimal_text_or_exactly_what_they_are(value: object, meant: Fraction) -> None:
    assert exact(value) == meant


@pytest.mark.parametrize(
    "value",
    [
        *(True, False, math.nan, math.inf, -math.inf, Decimal("NaN"), Decimal("sNaN"), Decimal("-Infinity")),
        *("", "  ", "nan", "inf", "1_000", "0x10", "1/0", "1 2", "1e", "--1", "1e5/2", "١٢", "1" * 401),
        *(None, b"1", [1], {}, 1j, object()),
    ],
    ids=lambda value: repr(value)[:20],
)
def test_what_is_no_number_is_refused_with_a_sentence(value: object) -> None:
    with pytest.raises(NotANumber, match=r"^\S.*(number|NaN|Infinity|nan|inf)"):
        exact(value)


@given(st.floats(-1e120, 1e120).filter(lambda value: value == 0 or abs(value) > 1e-120))
@example(0.1)
@example(1e22)
@example(-2.5)
@settings(derandomize=True)
def test_a_float_is_the_decimal_that_its_repr_shows(value: float) -> None:
    assert exact(value) == Fraction(repr(value))
    assert float(exact(value)) == value


@given(st.integers(-(2**70), 2**70), STEPS)
@settings(derandomize=True)
def test_ties_go_to_the_even_number_of_steps_counted_from_0(steps: int, step: Decimal) -> None:
    tie = nearest_steps(exact(halved(steps, step)), exact(step))
    assert tie % 2 == 0
    assert tie in (steps, steps + 1)


@pytest.mark.parametrize(
    ("value", "step", "steps"),
    [
        ("2.5", "1", 2),
        ("3.5", "1", 4),
        ("-0.5", "1", 0),
        ("-1.5", "1", -2),
        ("-2.5", "1", -2),
        ("0.125", "0.25", 0),
        ("0.375", "0.25", 2),
        ("-0.375", "0.25", -2),
        ("255", "10", 26),  # 25.5
        ("245", "10", 24),  # 24.5
        ("3.714", "0.01", 371),
        ("3.7150", "0.01", 372),
        ("3.7249999999999999999999", "0.01", 372),
    ],
)
def test_nearest_steps_of_worked_examples(value: str, step: str, steps: int) -> None:
    assert nearest_steps(exact(value), exact(step)) == steps


@given(st.one_of(st.decimals(-(10**18), 10**18, allow_nan=False), st.floats(-1e18, 1e18).map(repr).map(Decimal)), STEPS)
@settings(derandomize=True, max_examples=300)
def test_nearest_steps_is_what_decimal_arithmetic_rounds_half_even_to(value: Decimal, step: Decimal) -> None:
    # The quotient is finite in decimal only for some steps; comparing doubled distances needs no quotient at all.
    steps = nearest_steps(exact(value), exact(step))
    away = abs(WIDE.subtract(value, WIDE.multiply(Decimal(steps), step)))
    assert WIDE.compare(WIDE.multiply(away, Decimal(2)), step) <= 0
    if WIDE.multiply(away, Decimal(2)) == step:
        assert steps % 2 == 0
    quotient = WIDE.divide(value, step)
    if WIDE.multiply(quotient, step) == value:
        assert steps == int(quotient.to_integral_value(decimal.ROUND_HALF_EVEN, WIDE))


def test_huge_exponents_take_no_time() -> None:
    """A number far outside anything that fits in 64 bits is cut, not written out."""
    start = time.perf_counter()
    assert exact("1e999999999") == exact("9e121") == FAR
    assert exact("-1e999999999") == -FAR
    assert exact(Decimal("1e999999")) == FAR
    assert exact("1e-999999999") == 1 / FAR
    assert exact("-1e-999999999") == -1 / FAR
    assert exact("0e999999999") == 0
    assert nearest_steps(exact("1e-999999999"), exact("1e-40")) == 0
    assert nearest_steps(exact("1e999999999"), exact("1e40")) > 1 << 64
    assert time.perf_counter() - start < 1


def test_numpy_scalars_are_what_they_hold() -> None:
    """float64 is a float, integers have `__index__`, and an array of one whole number is that number."""
    assert exact(np.float64(3.71)) == Fraction(371, 100)
    assert exact(np.float64(0.1) + np.float64(0.2)) == Fraction("0.30000000000000004")
    assert exact(np.int64(-7)) == exact(np.uint8(249)) - 256 == -7
    assert exact(np.array(7)) == 7


@pytest.mark.parametrize(
    "value", [np.float32(3.71), np.float16(2), np.longdouble("3.71"), np.True_, np.array([1, 2]), np.array(1.5)]
)
def test_numpy_scalars_that_could_mean_two_numbers_are_refused(value: object) -> None:
    """float32(3.71) prints as 3.71 and becomes 3.7100000381469727: the caller says which, by str() or float()."""
    with pytest.raises(NotANumber, match="is no number; give int, float, str, Decimal or Fraction"):
        exact(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (Fraction(250), "250"),
        (Fraction(1, 100), "0.01"),
        (Fraction(-25, 2), "-12.5"),
        (Fraction(-1, 1000), "-0.001"),
        (Fraction(1, 3), "1/3"),
        (Fraction(-22, 7), "-22/7"),
        (Decimal("2.00"), "2"),
        (Decimal("1e3"), "1000"),
        (0, "0"),
        (-40, "-40"),
        (Fraction(1, 1 << 70), None),
    ],
    ids=repr,
)
def test_plain_writes_numbers_as_people_do(value: Fraction | Decimal | int, text: str | None) -> None:
    assert Fraction(plain(value)) == Fraction(value)
    assert text is None or plain(value) == text


@given(st.fractions(max_denominator=10**9), st.integers(-30, 30))
@settings(derandomize=True)
def test_plain_is_exact_and_has_no_digit_too_many(value: Fraction, power: int) -> None:
    scaled = value * Fraction(10) ** power
    text = plain(scaled)
    assert Fraction(text) == scaled
    assert "." not in text or not text.endswith(("0", "."))


def test_places_are_the_decimals_of_a_step() -> None:
    cases = {"0.01": 2, "5": 0, "0.25": 2, "1000": 0, "2.5": 1, "0.004": 3}
    assert {step: places(Fraction(step)) for step in cases} == cases
    assert places(Fraction(1, 3)) == 6
