"""Monte Carlo and correlated budgets: the rules they keep, and the calls they refuse."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import (
    Absent,
    Budget,
    Contribution,
    CorrelatedBudget,
    MonteCarlo,
    Normal,
    Rectangular,
    StudentT,
    Triangular,
    UShaped,
    propagate,
    propagate_linear,
)

EVERY = [
    Normal(3.0, 0.4),
    Rectangular(3.0, 0.4),
    Triangular(3.0, 0.4),
    UShaped(3.0, 0.4),
    StudentT(3.0, 0.4, 9),
    StudentT.with_standard_deviation(3.0, 0.4, 9),
]


def simulated(*args, **options) -> MonteCarlo:
    found = propagate(*args, **options)
    assert isinstance(found, MonteCarlo)
    return found


@pytest.mark.parametrize("one", EVERY, ids=lambda one: type(one).__name__)
def test_a_distribution_has_the_standard_uncertainty_it_says(one):
    found = simulated(lambda x: x, {"x": one}, trials=200_000)

    assert found.estimate == pytest.approx(3.0, abs=0.005)
    assert found.standard_uncertainty == pytest.approx(one.standard_uncertainty, rel=0.01)


def test_a_t_distribution_is_wider_than_its_scale():
    """JCGM 101, 6.4.9: s/sqrt(n) is the scale; taking it for the standard deviation makes the result too certain."""
    readings = [30.033, 30.058, 30.018, 30.052]

    of_readings = StudentT.of_readings(readings)

    assert of_readings.standard_uncertainty == pytest.approx(of_readings.scale * math.sqrt(3))
    assert StudentT.with_standard_deviation(0.0, 0.1, 3).standard_uncertainty == pytest.approx(0.1)


def test_the_same_seed_gives_the_same_numbers():
    inputs = {"a": Normal(1.0, 0.1), "b": Rectangular(2.0, 0.5)}

    first, again, other = (propagate(lambda a, b: a * b, inputs, trials=20_000, seed=seed) for seed in (5, 5, 6))

    assert first == again
    assert first != other


def test_the_shortest_interval_is_no_longer_than_the_symmetric_one():
    """A power that leans: the two intervals are different ones, and both hold 95 %."""
    found = simulated(lambda x: x**2, {"x": Normal(0.0, 1.0)}, trials=200_000)

    assert found.shortest[1] - found.shortest[0] < found.symmetric[1] - found.symmetric[0]
    assert found.shortest == pytest.approx((0.0, 3.84), abs=0.06)  # chi-square, 1 degree of freedom: 95 % below 3.841
    assert found.symmetric == pytest.approx((0.00098, 5.02), abs=0.08)  # and 0.00098, 5.02 at 2.5 and 97.5 %


@given(st.floats(-0.99, 0.99))
def test_correlated_inputs_have_their_correlation(r):
    found = simulated(lambda a, b: a + b, {"a": Normal(0.0, 1.0), "b": Normal(0.0, 2.0)}, {("a", "b"): r}, trials=20_000, seed=3)
    budget = CorrelatedBudget([Contribution("a", 1.0), Contribution("b", 2.0)], {("a", "b"): r})

    assert budget.combined == pytest.approx(math.sqrt(5 + 4 * r))
    assert found.standard_uncertainty == pytest.approx(budget.combined, rel=0.03)


def test_inputs_that_are_one_and_the_same_cancel():
    """A common offset of two readings leaves their difference alone."""
    inputs = {"a": Normal(5.0, 0.3), "b": Normal(4.0, 0.3)}

    found = simulated(lambda a, b: a - b, inputs, {("a", "b"): 1.0}, trials=20_000)
    linear = propagate_linear(lambda a, b: a - b, inputs, {("a", "b"): 1.0})

    assert found.standard_uncertainty < 1e-7
    assert linear.budget.combined < 1e-7


@given(st.lists(st.tuples(st.floats(0.01, 10), st.floats(-5, 5)), min_size=1, max_size=5))
def test_a_correlated_budget_without_correlations_is_a_budget(lines):
    contributions = [Contribution(f"x{k}", u, c) for k, (u, c) in enumerate(lines)]

    assert CorrelatedBudget(contributions, {}).combined == pytest.approx(Budget(contributions).combined, rel=1e-9, abs=1e-12)
    assert CorrelatedBudget(contributions, {}).expanded == pytest.approx(Budget(contributions).expanded, rel=1e-9, abs=1e-12)


def test_a_model_that_does_not_hold_over_its_inputs_has_no_result():
    """The logarithm of a power that noise makes negative: dropping those draws would make the rest look certain."""
    found = propagate(lambda x: np.log10(x), {"x": Normal(0.1, 0.1)}, trials=10_000)

    assert isinstance(found, Absent)
    assert "not finite for" in found.reason


@pytest.mark.parametrize(
    ("correlations", "why"),
    [
        ({("a", "z"): 0.5}, "no z among"),
        ({("a", "b"): 1.1}, "expected -1 to 1"),
        ({("a", "a"): 1.0}, "twice, or is of one quantity with itself"),
        ({("a", "b"): 0.5, ("b", "a"): 0.5}, "twice"),
        ({("a", "b"): 0.9, ("b", "c"): 0.9, ("a", "c"): -0.9}, "contradict each other"),
        ({("a", "d"): 0.5}, "d is Rectangular and correlated"),
    ],
)
def test_correlations_that_cannot_be_are_refused(correlations, why):
    inputs = {"a": Normal(0, 1), "b": Normal(0, 1), "c": Normal(0, 1), "d": Rectangular(0, 1)}

    with pytest.raises(ValueError, match=why):
        propagate(lambda a, b, c, d: a + b + c + d, inputs, correlations, trials=10_000)


@pytest.mark.parametrize("options", [{"trials": 100}, {"seed": -1}, {"coverage": 1.0}, {"coverage": 0.99999, "trials": 10_000}])
def test_runs_that_tell_nothing_are_refused(options):
    with pytest.raises(ValueError):
        propagate(lambda a: a, {"a": Normal(0, 1)}, **options)


@pytest.mark.parametrize("model", [lambda a: a[0], lambda a: a[:5], lambda a: a + 1j])
def test_a_model_of_another_shape_is_refused(model):
    with pytest.raises(ValueError, match="expected real numbers of shape"):
        propagate(model, {"a": Normal(0, 1)}, trials=10_000)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Normal(math.nan, 1.0),
        lambda: Normal(0.0, -1.0),
        lambda: Rectangular(0.0, math.inf),
        lambda: Triangular(0.0, -1.0),
        lambda: UShaped(math.inf, 1.0),
        lambda: StudentT(0.0, 1.0, 2),
        lambda: StudentT.of_readings([1.0, 2.0, 3.0]),
        lambda: StudentT.with_standard_deviation(0.0, 1.0, 2),
        lambda: propagate(lambda: 1.0, {}),
        lambda: propagate_linear(lambda: 1.0, {}),
        lambda: propagate_linear(lambda x: x * math.inf, {"x": Normal(0.0, 1.0)}),
        lambda: CorrelatedBudget([], {}),
        lambda: CorrelatedBudget([Contribution("a", 1.0), Contribution("a", 1.0)], {}),
    ],
)
def test_what_is_no_distribution_or_budget_is_refused(make):
    with pytest.raises(ValueError):
        make()


def test_covariance_needs_the_same_inputs():
    one = CorrelatedBudget([Contribution("a", 1.0)], {})

    with pytest.raises(ValueError, match="same inputs"):
        one.covariance_with(CorrelatedBudget([Contribution("b", 1.0)], {}))
    with pytest.raises(ValueError, match="without uncertainty"):
        one.correlation_with(CorrelatedBudget([Contribution("a", 1.0, 0.0)], {}))
    assert one.correlation_with(one) == pytest.approx(1.0)


def test_an_exact_input_has_no_sensitivity_to_find():
    found = propagate_linear(lambda a, b: a * b, {"a": Normal(2.0, 0.1), "b": Rectangular(3.0, 0.0)})

    assert found.estimate == 6.0
    assert found.budget.combined == pytest.approx(0.3)
