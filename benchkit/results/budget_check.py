"""
A budget once more by Monte Carlo, and whether the linear law holds for it (JCGM 101:2008, clause 8).

The linear law takes the result for normally distributed. Where one wide rectangular limit rules a budget, U = 2 u is more than
95.45 % of it needs; where a relative result bends (powers of ten of levels), the interval leans.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchkit.results.absent import Absent
from benchkit.results.distributions import Distribution, Normal, Rectangular, StudentT, Triangular, UShaped
from benchkit.results.montecarlo import propagate
from benchkit.results.uncertainty import Budget, Contribution

__all__ = ["COVERAGE", "BudgetCheck", "check_budget"]

COVERAGE = 0.9545
"""Of y +- 2 u, when y is normal."""

_HALF_WIDTH = {"rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0), "u-shaped": math.sqrt(2.0)}
_SHAPE: dict[str, Callable[[float, float], Distribution]] = {
    "rectangular": Rectangular,
    "triangular": Triangular,
    "u-shaped": UShaped,
}


@dataclass(frozen=True)
class BudgetCheck:
    """
    Two intervals that hold 95.45 % of a result's distribution; all in its unit.

    Attributes:
        linear: U = 2 u by the linear law; the interval is value +- U.
        low, high: Ends by Monte Carlo, equal probability on both sides, less the value.
        tolerance: Half a unit of u's first significant digit (JCGM 101, 7.9.2).
        trials, seed: Of the Monte Carlo.
    """

    linear: float
    low: float
    high: float
    tolerance: float
    trials: int
    seed: int

    @property
    def half_width(self) -> float:
        """Half the width of the Monte Carlo interval."""
        return (self.high - self.low) / 2

    @property
    def agrees(self) -> bool:
        """Both ends within the tolerance (8.2): the linear law is as good here."""
        return max(abs(self.low + self.linear), abs(self.high - self.linear)) <= self.tolerance

    @property
    def is_covered(self) -> bool:
        """U by the linear law reaches both ends, up to the tolerance: it is not too small."""
        return max(-self.low, self.high) <= self.linear + self.tolerance


def check_budget(
    value: float, contributions: Sequence[Contribution], *, relative: bool = False, trials: int = 100_000, seed: int = 1
) -> BudgetCheck | Absent:
    """
    Draw every contribution from its distribution and combine.

    Args:
        value: The result.
        contributions: Of its budget.
        relative: The result is a ratio of powers, to which levels in dB add as factors: value x exp(sum / value), not
            value + sum.
        trials: 10000 or more.
        seed: Of the random numbers.

    Raises:
        ValueError: No contribution, a relative result of zero, or trials out of range.
    """
    linear = Budget(contributions)
    if relative and value == 0:
        raise ValueError("a relative result of zero has no factors")
    inputs = {f"x{k}": _distribution(line) for k, line in enumerate(contributions)}
    sensitivities = {f"x{k}": line.sensitivity for k, line in enumerate(contributions)}

    def model(**drawn: NDArray[np.float64]) -> NDArray[np.float64]:
        total = sum((sensitivities[name] * values for name, values in drawn.items()), start=np.zeros(trials))
        return np.asarray(value * np.expm1(total / value) if relative else total)

    found = propagate(model, inputs, trials=trials, seed=seed, coverage=COVERAGE)
    if isinstance(found, Absent):
        return found
    u = linear.combined
    tolerance = 0.5 * 10.0 ** math.floor(math.log10(u)) if u > 0 else 0.0
    return BudgetCheck(linear.expanded, *found.symmetric, tolerance, trials, seed)


def _distribution(line: Contribution) -> Distribution:
    u = line.standard_uncertainty
    if line.distribution in _SHAPE:
        return _SHAPE[line.distribution](0.0, u * _HALF_WIDTH[line.distribution])
    # Two or fewer degrees of freedom have no standard deviation to compare with.
    return StudentT(0.0, u, line.degrees_of_freedom) if 2 < line.degrees_of_freedom < math.inf else Normal(0.0, u)
