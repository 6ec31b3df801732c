"""Interval arithmetic: whatever the operands are within their intervals, the result is within its own."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.envelope import Interval

FINITE = st.floats(-1e6, 1e6)
PART = st.floats(0.0, 1.0)
# Rounding is not directed outwards; this is far below what any file states.
ROUNDING = 1e-9

OPERATIONS: dict[str, tuple[Callable[[Interval, Interval], Interval], Callable[[float, float], float]]] = {
    "sum": (lambda a, b: a + b, lambda a, b: a + b),
    "difference": (lambda a, b: a - b, lambda a, b: a - b),
    "product": (lambda a, b: a * b, lambda a, b: a * b),
    "capped": (lambda a, b: a.capped(float(b.high)), lambda a, b: min(a, b)),
}


@st.composite
def _with_a_member(draw: st.DrawFn) -> tuple[Interval, float]:
    low, high = sorted((draw(FINITE), draw(FINITE)))
    member = low + draw(PART) * (high - low)
    return Interval.between(low, high), min(max(member, low), high)


@pytest.mark.parametrize("name", OPERATIONS)
@given(one=_with_a_member(), other=_with_a_member())
def test_a_result_holds_every_result_of_members(
    name: str, one: tuple[Interval, float], other: tuple[Interval, float]
) -> None:
    """The whole proof rests on this."""
    of_intervals, of_numbers = OPERATIONS[name]
    (interval, a), (second, b) = one, other
    # What caps is at most its own upper end: that is what is known of a saturated output.
    result, value = of_intervals(interval, second), of_numbers(a, b)

    room = ROUNDING * max(1.0, abs(value))
    assert value <= result.highest + room
    if name != "capped":
        assert result.lowest - room <= value


@given(FINITE, st.floats(0.0, 1e6))
def test_around_reaches_its_error_to_either_side(value: float, error: float) -> None:
    """An accuracy is a limit of error, both ways."""
    interval = Interval.around(value, error)

    assert (interval.lowest, interval.highest) == (value - error, value + error)


def test_many_intervals_are_worked_out_side_by_side() -> None:
    """Arrays give what each would give alone."""
    losses, errors = np.array([3.0, 4.0, 5.0]), np.array([0.1, 0.2, 0.3])

    together = Interval.exactly(10.0) - Interval.around(losses, errors)

    for index in range(3):
        alone = Interval.exactly(10.0) - Interval.around(losses[index], errors[index])
        assert together.low[index] == alone.lowest
        assert together.high[index] == alone.highest


def test_an_open_end_stays_open() -> None:
    """ "At most 29 dB" says nothing about how little it is."""
    level = Interval.around(0.0, 1.0) + Interval.at_most(29.0)

    assert level.highest == 30.0
    assert level.lowest == -math.inf


@pytest.mark.parametrize(("low", "high"), [(1.0, 0.0), (math.nan, 1.0), (0.0, math.nan)])
def test_what_is_no_interval_is_refused(low: float, high: float) -> None:
    """Of not-a-number nothing can be proved, and a swapped pair would prove anything."""
    with pytest.raises(ValueError, match="no interval"):
        Interval.between(low, high)


def test_a_negative_error_is_refused() -> None:
    """It would make the worst case better than the best."""
    with pytest.raises(ValueError, match="no interval"):
        Interval.around(0.0, -0.1)
