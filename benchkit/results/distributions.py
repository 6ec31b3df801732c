"""
What is known of an input quantity, as a distribution (JCGM 101:2008, 6.4), and the correlations between inputs.

Each has an `estimate`, a `standard_uncertainty` in the same unit, and `draw(generator, count)` for Monte Carlo.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.uncertainty import (
    repeated,
    standard_from_rectangular,
    standard_from_triangular,
    standard_from_u_shaped,
)

__all__ = ["Distribution", "Normal", "Rectangular", "StudentT", "Triangular", "UShaped", "correlation_matrix"]

Floats = NDArray[np.float64]


class Distribution(Protocol):
    """An input quantity."""

    @property
    def estimate(self) -> float:
        """Its expectation."""
        ...

    @property
    def standard_uncertainty(self) -> float:
        """Its standard deviation, in the unit of the estimate."""
        ...

    def draw(self, generator: np.random.Generator, count: int) -> Floats:
        """Independent values, shape (count,)."""
        ...


@dataclass(frozen=True)
class Normal:
    """From a certificate or many readings (6.4.7). `standard_uncertainty` is u, not U."""

    estimate: float
    standard_uncertainty: float

    def __post_init__(self) -> None:
        _check(self.estimate, self.standard_uncertainty)

    def draw(self, generator: np.random.Generator, count: int) -> Floats:
        """Values, shape (count,)."""
        return generator.normal(self.estimate, self.standard_uncertainty, count)


@dataclass(frozen=True)
class Rectangular:
    """Anywhere within +-half_width is equally likely (6.4.2)."""

    estimate: float
    half_width: float

    def __post_init__(self) -> None:
        _check(self.estimate, self.half_width)

    @property
    def standard_uncertainty(self) -> float:
        """half_width / sqrt(3)."""
        return standard_from_rectangular(self.half_width)

    def draw(self, generator: np.random.Generator, count: int) -> Floats:
        """Values, shape (count,)."""
        return generator.uniform(self.estimate - self.half_width, self.estimate + self.half_width, count)


@dataclass(frozen=True)
class Triangular:
    """Within +-half_width, the middle most likely (6.4.5)."""

    estimate: float
    half_width: float

    def __post_init__(self) -> None:
        _check(self.estimate, self.half_width)

    @property
    def standard_uncertainty(self) -> float:
        """half_width / sqrt(6)."""
        return standard_from_triangular(self.half_width)

    def draw(self, generator: np.random.Generator, count: int) -> Floats:
        """Values, shape (count,): the sum of two rectangular ones."""
        return self.estimate + self.half_width * (generator.random(count) + generator.random(count) - 1)


@dataclass(frozen=True)
class UShaped:
    """Arc sine: mismatch of known magnitudes and unknown phase, a cycling temperature (6.4.6)."""

    estimate: float
    half_width: float

    def __post_init__(self) -> None:
        _check(self.estimate, self.half_width)

    @property
    def standard_uncertainty(self) -> float:
        """half_width / sqrt(2)."""
        return standard_from_u_shaped(self.half_width)

    def draw(self, generator: np.random.Generator, count: int) -> Floats:
        """Values, shape (count,)."""
        return self.estimate + self.half_width * np.cos(math.pi * generator.random(count))


@dataclass(frozen=True)
class StudentT:
    """
    From a few readings: shifted and scaled t (6.4.9). `scale` is s / sqrt(n), which is not its standard deviation.

    Two or fewer degrees of freedom are refused: the distribution then has no standard deviation.
    """

    estimate: float
    scale: float
    degrees_of_freedom: float

    def __post_init__(self) -> None:
        _check(self.estimate, self.scale)
        if not 2 < self.degrees_of_freedom < math.inf:
            raise ValueError(f"degrees of freedom are {self.degrees_of_freedom}; a t distribution needs more than 2 (4 readings)")

    @classmethod
    def of_readings(cls, values: ArrayLike) -> StudentT:
        """Of four readings or more of one quantity, shape (n,): scale s / sqrt(n), n - 1 degrees of freedom (6.4.9.4)."""
        found = repeated(values)
        return cls(found.mean, found.standard_of_mean, found.count - 1)

    @classmethod
    def with_standard_deviation(cls, estimate: float, standard_deviation: float, degrees_of_freedom: float) -> StudentT:
        """With a *standard deviation* in place of the scale, as NIST TN 1900 has it: a narrower distribution."""
        if not degrees_of_freedom > 2:
            raise ValueError(f"degrees of freedom are {degrees_of_freedom}; expected more than 2")
        return cls(estimate, standard_deviation * math.sqrt((degrees_of_freedom - 2) / degrees_of_freedom), degrees_of_freedom)

    @property
    def standard_uncertainty(self) -> float:
        """scale x sqrt(nu / (nu - 2))."""
        return self.scale * math.sqrt(self.degrees_of_freedom / (self.degrees_of_freedom - 2))

    def draw(self, generator: np.random.Generator, count: int) -> Floats:
        """Values, shape (count,)."""
        return self.estimate + self.scale * generator.standard_t(self.degrees_of_freedom, count)


def correlation_matrix(names: Sequence[str], correlations: Mapping[tuple[str, str], float]) -> Floats:
    """
    Correlation coefficients of named quantities as a matrix, shape (n, n), pairs not named uncorrelated.

    Raises:
        ValueError: An unknown or doubled name, a coefficient beyond +-1, or coefficients that contradict each other.
    """
    place = {name: k for k, name in enumerate(names)}
    if len(place) != len(names):
        raise ValueError(f"a name is given twice among {', '.join(names)}")
    matrix = np.eye(len(names))
    seen: set[frozenset[str]] = set()
    for (a, b), r in correlations.items():
        unknown = [name for name in (a, b) if name not in place]
        if unknown:
            raise ValueError(f"correlation of {a} and {b}: no {unknown[0]} among {', '.join(names)}")
        if a == b or frozenset((a, b)) in seen:
            raise ValueError(f"correlation of {a} and {b} is given twice, or is of one quantity with itself")
        if not -1 <= r <= 1:
            raise ValueError(f"correlation of {a} and {b} is {r}; expected -1 to 1")
        seen.add(frozenset((a, b)))
        matrix[place[a], place[b]] = matrix[place[b], place[a]] = r
    least = float(np.linalg.eigvalsh(matrix)[0])
    if least < -1e-9:  # rounding of a singular matrix, e.g. of r = 1
        raise ValueError(f"correlations contradict each other: no quantities can have them (eigenvalue {least:.3g})")
    return matrix


def _check(estimate: float, width: float) -> None:
    if not math.isfinite(estimate):
        raise ValueError(f"estimate is {estimate}; expected a finite number")
    if not 0 <= width < math.inf:
        raise ValueError(f"width is {width}; expected a finite number not below zero")
