"""A straight line by least squares, with standard errors (NIST StRD "Norris" is its outside check)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["LineFit", "fit_line"]


@dataclass(frozen=True)
class LineFit:
    """
    y = intercept + slope x.

    Attributes:
        slope, intercept: In y per x, and y.
        slope_standard_error, intercept_standard_error: From the scatter about the line; NaN with two points.
        covariance: Of slope and intercept; NaN with two points.
        residual_standard_deviation: sqrt(sum of squares / (n - 2)); NaN with two points.
        r_squared: Coefficient of determination; NaN when y is constant.
        points: n.
    """

    slope: float
    intercept: float
    slope_standard_error: float
    intercept_standard_error: float
    covariance: float
    residual_standard_deviation: float
    r_squared: float
    points: int

    def __call__(self, x: float) -> float:
        return self.intercept + self.slope * x


def fit_line(x: ArrayLike, y: ArrayLike) -> LineFit:
    """
    Ordinary least squares: x without error, y of equal scatter.

    Args:
        x: Finite, shape (n,), n >= 2, not all equal.
        y: Finite, shape (n,).

    Raises:
        ValueError: Shapes, fewer than two points, a value that is not finite, or all x equal.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.ndim != 1 or xs.shape != ys.shape:
        raise ValueError(f"x and y must be one-dimensional and of one length, not {xs.shape} and {ys.shape}")
    count = xs.size
    if count < 2:
        raise ValueError(f"a line needs two points, not {count}")
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()):
        raise ValueError("a value is not finite")
    # Centred, or the certified digits are lost by cancellation.
    centre_x, centre_y = float(xs.mean()), float(ys.mean())
    dx, dy = xs - centre_x, ys - centre_y
    sxx, syy = float(dx @ dx), float(dy @ dy)
    if sxx == 0:
        raise ValueError("all x are equal: the slope is not determined")
    slope = float(dx @ dy) / sxx
    residuals = dy - slope * dx
    squares = float(residuals @ residuals)
    deviation = math.sqrt(squares / (count - 2)) if count > 2 else math.nan
    slope_error = deviation / math.sqrt(sxx)
    return LineFit(
        slope=slope,
        intercept=centre_y - slope * centre_x,
        slope_standard_error=slope_error,
        intercept_standard_error=deviation * math.sqrt(1 / count + centre_x**2 / sxx),
        covariance=-centre_x * slope_error**2,
        residual_standard_deviation=deviation,
        r_squared=1 - squares / syy if syy > 0 else math.nan,
        points=count,
    )
