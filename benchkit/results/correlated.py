"""
Linear propagation with correlated inputs (JCGM 100:2008, 5.2): u^2 = sum of c_i c_j u_i u_j r_ij.

For what is plainly independent, `uncertainty.Budget` does; where the model bends over the inputs' width, `montecarlo`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchkit.results.distributions import Distribution, correlation_matrix
from benchkit.results.uncertainty import COVERAGE_FACTOR, Contribution

__all__ = ["CorrelatedBudget", "LinearPropagation", "propagate_linear"]

_STEP = 1e-3


@dataclass(frozen=True)
class CorrelatedBudget:
    """
    Contributions to one result, and the correlations between them, in the unit of the result.

    Attributes:
        contributions: Each with a name of its own.
        correlations: Coefficients by pairs of names; pairs not named are uncorrelated.
    """

    contributions: tuple[Contribution, ...]
    correlations: Mapping[tuple[str, str], float]
    _matrix: NDArray[np.float64] = field(repr=False, compare=False)

    def __init__(self, contributions: Sequence[Contribution], correlations: Mapping[tuple[str, str], float]) -> None:
        lines = tuple(contributions)
        if not lines:
            raise ValueError("a budget without contributions says nothing; it is not an uncertainty of zero")
        object.__setattr__(self, "contributions", lines)
        object.__setattr__(self, "correlations", dict(correlations))
        object.__setattr__(self, "_matrix", correlation_matrix([line.name for line in lines], correlations))

    @property
    def combined(self) -> float:
        """Combined standard uncertainty (JCGM 100, eq. 16)."""
        # Correlations may cancel all of it: what rounding leaves below zero is zero.
        return math.sqrt(max(0.0, self.covariance_with(self)))

    @property
    def expanded(self) -> float:
        """U, k = 2."""
        return COVERAGE_FACTOR * self.combined

    def covariance_with(self, other: CorrelatedBudget) -> float:
        """
        Covariance of two results of the same inputs (JCGM 100, H.2.3).

        Raises:
            ValueError: The budgets are not of the same inputs: names, uncertainties, correlations.
        """
        mine, theirs = ([(line.name, line.standard_uncertainty) for line in budget.contributions] for budget in (self, other))
        if mine != theirs or not (self._matrix == other._matrix).all():
            raise ValueError("the two budgets are not of the same inputs in the same order: their covariance is not known")
        return float(_signed(self) @ self._matrix @ _signed(other))

    def correlation_with(self, other: CorrelatedBudget) -> float:
        """Correlation coefficient of two results of the same inputs; ValueError as for `covariance_with`, or if u is 0."""
        product = self.combined * other.combined
        if product == 0:
            raise ValueError("a result without uncertainty has no correlation with another")
        return self.covariance_with(other) / product


@dataclass(frozen=True)
class LinearPropagation:
    """An estimate, and its budget with the sensitivities found."""

    estimate: float
    budget: CorrelatedBudget


def propagate_linear(
    model: Callable[..., float],
    inputs: Mapping[str, Distribution],
    correlations: Mapping[tuple[str, str], float] | None = None,
) -> LinearPropagation:
    """
    Law of propagation of uncertainty for any model, sensitivities by central differences (JCGM 100, 5.1.3).

    Args:
        model: Takes the inputs by name, as floats, and gives the result as a float.
        inputs: What is known of each. The standard deviation of a StudentT has its few readings in it already; where degrees
            of freedom are to be counted instead (JCGM 100, G.4), give s / sqrt(n) as Normal and count them in a Budget.
        correlations: Coefficients by pairs of names; others are uncorrelated.

    Raises:
        ValueError: No input, the model is not finite at or beside the estimates, or correlations that cannot be.
    """
    if not inputs:
        raise ValueError("a model without inputs has no uncertainty to propagate")
    centre = {name: one.estimate for name, one in inputs.items()}
    estimate = float(model(**centre))
    lines = []
    for name, one in inputs.items():
        step = _STEP * one.standard_uncertainty
        slope = 0.0
        if step > 0:
            up, down = centre[name] + step, centre[name] - step
            slope = (float(model(**(centre | {name: up}))) - float(model(**(centre | {name: down})))) / (up - down)
        if not (math.isfinite(slope) and math.isfinite(estimate)):
            raise ValueError(f"the model is not finite at the estimates, or beside that of {name}")
        lines.append(Contribution(name, one.standard_uncertainty, slope))
    return LinearPropagation(estimate, CorrelatedBudget(lines, correlations or {}))


def _signed(budget: CorrelatedBudget) -> NDArray[np.float64]:
    return np.array([line.sensitivity * line.standard_uncertainty for line in budget.contributions])
