"""
Uncertainty by the GUM (JCGM 100:2008): standard uncertainties, independent contributions, root sum of squares, k = 2.

Contributions in dB are combined in dB: at the sizes met here (below 0.5 dB) the logarithm is as good as straight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

__all__ = [
    "COVERAGE_FACTOR",
    "Budget",
    "Contribution",
    "DistributionName",
    "Repeated",
    "relative_from_db",
    "repeated",
    "root_sum_of_squares",
    "standard_from_expanded",
    "standard_from_rectangular",
    "standard_from_triangular",
    "standard_from_u_shaped",
]

DistributionName = Literal["normal", "rectangular", "triangular", "u-shaped"]

COVERAGE_FACTOR = 2.0
"""k of every expanded uncertainty that benchkit reports: about 95 % for a normal distribution (JCGM 100, 6.3.3)."""


def standard_from_rectangular(half_width: float) -> float:
    """Of a limit of error: anywhere within +-half_width is equally likely (JCGM 100, 4.3.7). In its unit."""
    return _not_negative(half_width, "half width") / math.sqrt(3.0)


def standard_from_triangular(half_width: float) -> float:
    """Of limits that are unlikely and a middle that is likely (JCGM 100, 4.3.9). In its unit."""
    return _not_negative(half_width, "half width") / math.sqrt(6.0)


def standard_from_u_shaped(half_width: float) -> float:
    """Of mismatch with known magnitudes and unknown phase (EA-4/02, S6; Harris and Warner 1981). In its unit."""
    return _not_negative(half_width, "half width") / math.sqrt(2.0)


def standard_from_expanded(expanded: float, coverage_factor: float = COVERAGE_FACTOR) -> float:
    """Of a certificate's expanded uncertainty (JCGM 100, 4.3.3). In its unit."""
    if not coverage_factor > 0:
        raise ValueError(f"coverage factor must be above zero, not {coverage_factor}")
    return _not_negative(expanded, "expanded uncertainty") / coverage_factor


@dataclass(frozen=True)
class Repeated:
    """
    Repeated readings of one quantity, in its unit.

    Attributes:
        mean: Arithmetic mean (JCGM 100, 4.2.1).
        standard_deviation: Experimental standard deviation s of one reading (4.2.2).
        standard_of_mean: s / sqrt(n), the type A standard uncertainty of the mean (4.2.3).
        count: n.
    """

    mean: float
    standard_deviation: float
    standard_of_mean: float
    count: int


def repeated(values: ArrayLike) -> Repeated:
    """
    Sum up repeated readings.

    Args:
        values: Finite, shape (n,), n >= 2.

    Raises:
        ValueError: Fewer than two, not one-dimensional, or not finite: one reading says nothing about its scatter.
    """
    readings = np.asarray(values, dtype=np.float64)
    if readings.ndim != 1 or readings.size < 2:
        raise ValueError(f"scatter needs two readings or more in one dimension, not shape {readings.shape}")
    if not np.isfinite(readings).all():
        raise ValueError("a reading is not finite")
    deviation = float(np.std(readings, ddof=1))
    return Repeated(float(readings.mean()), deviation, deviation / math.sqrt(readings.size), readings.size)


def root_sum_of_squares(*standard: float) -> float:
    """Combined standard uncertainty of independent contributions of one unit (JCGM 100, 5.1.2)."""
    return math.hypot(*standard)


def relative_from_db(standard_db: float) -> float:
    """Relative standard uncertainty of a power whose level has `standard_db`: dP/P = ln(10)/10 dL. [1]"""
    return _not_negative(standard_db, "standard uncertainty") * math.log(10.0) / 10.0


@dataclass(frozen=True)
class Contribution:
    """
    One line of a budget.

    Attributes:
        name: E.g. "output path loss".
        standard_uncertainty: u, in its own unit; not below zero.
        sensitivity: Change of the result per change of this quantity.
        degrees_of_freedom: Infinite unless from a few readings (JCGM 100, G.4).
        distribution: What is known of it, for Monte Carlo; "normal" of few degrees of freedom is Student's t.
    """

    name: str
    standard_uncertainty: float
    sensitivity: float = 1.0
    degrees_of_freedom: float = math.inf
    distribution: DistributionName = "normal"

    def __post_init__(self) -> None:
        _not_negative(self.standard_uncertainty, self.name)
        if not math.isfinite(self.sensitivity):
            raise ValueError(f"{self.name}: sensitivity is {self.sensitivity}")
        if not self.degrees_of_freedom > 0:
            raise ValueError(f"{self.name}: degrees of freedom are {self.degrees_of_freedom}; expected above zero")
        if self.distribution not in get_args(DistributionName):
            known = ", ".join(get_args(DistributionName))
            raise ValueError(f"{self.name}: distribution is {self.distribution!r}; expected {known}")

    @property
    def amount(self) -> float:
        """|sensitivity| x u, in the unit of the result."""
        return abs(self.sensitivity) * self.standard_uncertainty


@dataclass(frozen=True)
class Budget:
    """Independent contributions to one result, and what they combine to, in the unit of the result."""

    contributions: tuple[Contribution, ...]

    def __init__(self, contributions: Sequence[Contribution]) -> None:
        object.__setattr__(self, "contributions", tuple(contributions))
        if not self.contributions:
            raise ValueError("a budget without contributions says nothing; it is not an uncertainty of zero")

    @property
    def combined(self) -> float:
        """Combined standard uncertainty (JCGM 100, eq. 10)."""
        return root_sum_of_squares(*(line.amount for line in self.contributions))

    @property
    def expanded(self) -> float:
        """U, k = 2."""
        return COVERAGE_FACTOR * self.combined

    @property
    def effective_degrees_of_freedom(self) -> float:
        """Welch-Satterthwaite (JCGM 100, G.2b); k = 2 wants it above about 30."""
        share = sum(line.amount**4 / line.degrees_of_freedom for line in self.contributions)
        return self.combined**4 / share if share > 0 else math.inf


def _not_negative(value: float, name: str) -> float:
    if not 0 <= value < math.inf:
        raise ValueError(f"{name} is {value}; expected a finite number not below zero")
    return value
