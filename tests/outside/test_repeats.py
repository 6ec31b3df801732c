"""Outside checks of repeats: pooled scatter of JCGM 100:2008, H.5; Student's t of its table G.2; NIST's table of chi-square."""

from __future__ import annotations

import math

import pytest

from benchkit.results.repeats import MOVED, REPEATABILITY, combined
from benchkit.results.result import Result, ResultCondition
from benchkit.results.uncertainty import Budget, Contribution

# JCGM 100:2008, table H.9 (from memory; mean and standard deviation of it recomputed and found as H.5.2.2 says): voltage of a
# Zener standard on ten days, five readings a day. Mean less 10 V and standard deviation of the day's readings, in microvolts.
DAYS_UV = (
    (172, 60), (116, 77), (13, 111), (144, 101), (106, 67), (31, 93), (60, 80), (125, 73), (163, 88), (41, 86),
)  # fmt: skip
# Five readings of mean 0 and standard deviation 1: the table gives no single ones.
SHAPE = (-1.0, 1.0, 0.0, -1.0, 1.0)


def result(value: float, *, frequency_hz: float = 14e9, constant: float = 1.0, scatter: float = 1.0) -> Result:
    budget = Budget([Contribution("level", constant), Contribution("scatter at the crossing", scatter)])
    return Result(
        "p1db", value, "dBm", "device output", ResultCondition(25.0, "A", 6.0, frequency_hz),
        expanded_uncertainty=budget.expanded, budget=budget.contributions,
    )  # fmt: skip


def test_the_pooled_scatter_of_ten_days_is_the_published_one():
    """H.5.2.2: within days 85 uV with 40 degrees of freedom, and the mean of the ten days 10.000 097 V."""
    readings = [
        result(mean + deviation * step, frequency_hz=day, constant=10.0, scatter=85.0)
        for day, (mean, deviation) in enumerate(DAYS_UV)
        for step in SHAPE
    ]

    found = combined(readings, ("scatter",), asked=5)

    assert [one.value for one in found] == pytest.approx([mean for mean, _ in DAYS_UV])
    assert math.fsum(one.value for one in found) / 10 == pytest.approx(97, abs=0.5)
    for one in found:
        level, repeatability = one.budget
        assert (level.name, repeatability.name) == ("level", f"{REPEATABILITY}, 40 degrees of freedom")
        # Table G.2: t for 40 degrees of freedom and 95.45 % is 2.06, where k = 2 is taken; the mean of five scatters less.
        assert repeatability.amount * math.sqrt(5) / (2.06 / 2) == pytest.approx(85, abs=0.5)
        assert one.expanded_uncertainty == pytest.approx(2 * math.hypot(10.0, repeatability.amount))
        assert one.note == ""


@pytest.mark.parametrize(
    # NIST/SEMATECH e-Handbook, 1.3.6.7.4, upper critical values for 0.001 (from memory).
    ("critical", "shape"),
    [(13.816, (-1.0, 0.0, 1.0)), (16.266, (-1.0, -1.0, 1.0, 1.0)), (18.467, SHAPE)],
)
def test_repeats_are_noted_beyond_the_published_critical_value(critical, shape):
    """Their sum of squares over the stated variance is chi-square of one less than there are of them."""
    squares = sum(step * step for step in shape)

    for factor, is_noted in ((0.999, False), (1.001, True)):
        apart = math.sqrt(factor * critical / squares)
        (found,) = combined([result(27.0 + apart * step) for step in shape], ("scatter",), asked=len(shape))
        assert (MOVED in found.note) == is_noted


def test_what_matters_to_nobody_is_not_noted_and_what_states_no_scatter_is_not_judged():
    quiet = [result(27.0 + step, constant=9.0, scatter=0.01) for step in SHAPE]
    unstated = [result(27.0 + step, constant=0.1, scatter=0.0) for step in SHAPE]

    assert [one.note for one in combined(quiet, ("scatter",), asked=5)] == [""]
    assert [one.note for one in combined(unstated, ("scatter",), asked=5)] == [""]


def test_the_false_alarm_is_shared_among_all_that_is_judged():
    """One in a thousand measurements, not one in a thousand numbers: what marks one alone does not mark one of a thousand."""
    apart = math.sqrt(1.05 * 18.467 / 4)
    alone = [result(27.0 + apart * step) for step in SHAPE]
    others = [result(27.0 + 0.1 * step, frequency_hz=place) for place in range(1000) for step in SHAPE]

    assert MOVED in combined(alone, ("scatter",), asked=5)[0].note
    assert MOVED not in combined([*alone, *others], ("scatter",), asked=5)[0].note
