"""A budget held against Monte Carlo: where the linear law is as good, where too wide, and told when too small."""

from __future__ import annotations

import math

import pytest

from benchkit.results.absent import Absent
from benchkit.results.budget_check import BudgetCheck, check_budget
from benchkit.results.uncertainty import Contribution


def checked(*args, **options) -> BudgetCheck:
    found = check_budget(*args, **options)
    assert not isinstance(found, Absent)
    return found


def test_normal_contributions_agree_with_the_linear_law():
    found = checked(27.0, [Contribution("path", 0.07), Contribution("gain", 0.05, -2.0)])

    assert found.linear == pytest.approx(2 * math.hypot(0.07, 0.1))
    assert found.agrees
    assert found.half_width == pytest.approx(found.linear, rel=0.01)


def test_one_rectangular_limit_needs_less_than_the_linear_law_says():
    """JCGM 101, 9.2.4: 95.45 % of a rectangular distribution lie within 0.9545 of its half width, 2 u is 1.155 of it."""
    found = checked(1.0, [Contribution("accuracy", 0.1 / math.sqrt(3), distribution="rectangular")])

    assert found.half_width == pytest.approx(0.09545, abs=0.0005)
    assert found.linear == pytest.approx(0.11547, abs=1e-5)
    assert not found.agrees
    assert found.is_covered


def test_scatter_of_four_readings_needs_more():
    """Student's t has heavy tails: k = 2 is too small for three degrees of freedom (JCGM 100, Table G.2: 3.31 at 95.45 %)."""
    found = checked(1.0, [Contribution("mean of four", 0.01, degrees_of_freedom=3)], trials=400_000)

    assert found.half_width / 0.01 == pytest.approx(3.31, abs=0.05)
    assert not found.is_covered


def test_levels_make_a_ratio_of_powers_lean():
    """Ten to the power of an error in dB: upwards further than downwards."""
    per_db = math.log(10) / 10
    found = checked(40.0, [Contribution("output level", 0.4, 40 * per_db)], relative=True)

    assert found.high == pytest.approx(40 * math.expm1(2 * 0.4 * per_db), rel=0.02)
    assert found.low == pytest.approx(40 * math.expm1(-2 * 0.4 * per_db), rel=0.02)


def test_the_same_seed_gives_the_same_comparison():
    lines = [Contribution("a", 0.1, distribution="u-shaped"), Contribution("b", 0.2, distribution="triangular")]

    assert check_budget(1.0, lines, trials=20_000) == check_budget(1.0, lines, trials=20_000)


@pytest.mark.parametrize(
    "call", [lambda: check_budget(1.0, []), lambda: check_budget(0.0, [Contribution("a", 1.0)], relative=True)]
)
def test_what_has_no_distribution_is_refused(call):
    with pytest.raises(ValueError):
        call()


def test_an_unknown_distribution_is_refused():
    with pytest.raises(ValueError, match="distribution is 'flat'"):
        Contribution("a", 1.0, distribution="flat")  # type: ignore[arg-type]
