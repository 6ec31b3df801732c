"""
Many parts: mean, scatter, tolerance interval, capability of the process, match of two channels.

A tolerance interval holds a stated part of all parts ever made, with a stated confidence, from the few that were measured
(ISO 16269-6:2014, normal distribution). The scatter of the measurement is in it: what is judged is parts as measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent

__all__ = ["ToleranceInterval", "ToleranceSide", "tolerance_factor", "tolerance_interval"]

ToleranceSide = Literal["two-sided", "lower", "upper"]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ToleranceInterval:
    """
    Attributes:
        lower, upper: Its ends, in the unit of the values; minus or plus infinity on the open side.
        mean, standard_deviation: Of the parts (n - 1).
        count: Parts.
        factor: k: the ends are mean -+ k standard deviations.
        content: Part of all parts within it.
        confidence: Probability that it holds so many.
        side: Which ends it has.
    """

    lower: float
    upper: float
    mean: float
    standard_deviation: float
    count: int
    factor: float
    content: float
    confidence: float
    side: ToleranceSide

    @property
    def convention(self) -> str:
        """For the data sheet."""
        ends = "" if self.side == "two-sided" else f", {self.side} limit"
        return f"{100 * self.content:g} % of parts with {100 * self.confidence:g} % confidence{ends}, normal (ISO 16269-6)"


def tolerance_interval(
    values: ArrayLike, *, content: float, confidence: float, side: ToleranceSide = "two-sided"
) -> ToleranceInterval | Absent:
    """
    Where all parts lie, as far as the measured ones tell.

    Args:
        values: One per part, shape (n,), any unit.
        content: Part of the parts, 0 to 1, e.g. 0.99.
        confidence: 0 to 1, e.g. 0.95.
        side: "two-sided", or the one limit that matters.

    Returns:
        Absent with fewer than two parts.

    Raises:
        ValueError: Not one-dimensional, a value that is not finite, or an argument out of its range.
    """
    parts = as_parts(values)
    _check(max(parts.size, 2), content, confidence, side)
    if parts.size < 2:
        return Absent(f"{parts.size} part{'' if parts.size == 1 else 's'}: scatter needs two or more")
    factor = tolerance_factor(parts.size, content=content, confidence=confidence, side=side)
    mean, deviation = float(parts.mean()), float(parts.std(ddof=1))
    return ToleranceInterval(
        lower=-math.inf if side == "upper" else mean - factor * deviation,
        upper=math.inf if side == "lower" else mean + factor * deviation,
        mean=mean,
        standard_deviation=deviation,
        count=parts.size,
        factor=factor,
        content=content,
        confidence=confidence,
        side=side,
    )


@lru_cache(maxsize=256)
def tolerance_factor(count: int, *, content: float, confidence: float, side: ToleranceSide = "two-sided") -> float:
    """
    k of a normal population whose mean and standard deviation are both estimated from `count` parts; exact.

    One-sided: noncentral t. Two-sided: R. E. Odeh's integral, solved; not Howe's approximation, which is 0.3 % off.

    Args:
        count: n, 2 or more.
        content, confidence, side: As for `tolerance_interval`.

    Raises:
        ValueError: An argument out of its range.
    """
    _check(count, content, confidence, side)
    # scipy loads slowly and `benchkit --help` must not wait for it.
    from scipy import stats
    from scipy.optimize import brentq

    freedom = count - 1
    if side != "two-sided":
        shift = float(stats.norm.ppf(content)) * math.sqrt(count)
        return float(stats.nct.ppf(confidence, freedom, shift)) / math.sqrt(count)
    # The mean lies z / sqrt(n) off; r is how far both ends must reach to hold the content all the same, and the scatter
    # must not be smaller than r / k: averaged over z. Gauss-Legendre: the integrand is smooth, and nothing beyond 9.
    node, weight = np.polynomial.legendre.leggauss(48)
    z, weight = 4.5 * (node + 1), 4.5 * weight
    reach_squared = stats.ncx2.ppf(content, 1, z**2 / count)
    density = 2 * stats.norm.pdf(z) * weight

    def excess(log_factor: float) -> float:
        held = stats.chi2.sf(freedom * reach_squared / math.exp(2 * log_factor), freedom)
        return float(density @ held) - confidence

    return math.exp(float(brentq(excess, math.log(1e-3), math.log(1e9), xtol=1e-13, rtol=1e-14)))


def as_parts(values: ArrayLike) -> Floats:
    """Values as an array, one-dimensional and finite; ValueError otherwise."""
    parts = np.asarray(values, dtype=np.float64)
    if parts.ndim != 1:
        raise ValueError(f"one value per part, in one dimension, not shape {parts.shape}")
    if not np.isfinite(parts).all():
        at = int(np.argmax(~np.isfinite(parts)))
        raise ValueError(f"part {at} has no number: leave it out, and say so")
    return parts


def _check(count: int, content: float, confidence: float, side: str) -> None:
    if count < 2:
        raise ValueError(f"a tolerance factor of {count} part; two or more are needed")
    for name, value in (("content", content), ("confidence", confidence)):
        if not 0 < value < 1:
            raise ValueError(f"{name} is {value}; expected between 0 and 1")
    if side not in get_args(ToleranceSide):
        raise ValueError(f"side is {side!r}; expected one of {', '.join(map(repr, get_args(ToleranceSide)))}")
