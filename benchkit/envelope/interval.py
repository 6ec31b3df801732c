"""
Intervals: all that a quantity may be, and what sums, differences and products of such quantities may be.

Numbers are float64, one interval or many side by side. Rounding is not directed outwards: a result may miss its exact bound by
some parts in 1e15, which is far below any accuracy that is stated in a file; comparisons allow for it (margins.TOLERANCE).
Interval arithmetic: R. E. Moore, Interval Analysis, 1966 (from memory); the four-product rule is its multiplication.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Interval"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Interval:
    """
    Every value from `low` to `high`, both among them; arrays of one shape hold as many intervals.

    Ends may be infinite: "at most 29 dB" is from minus infinity to 29 dB. NaN is refused: nothing can be proved of it.
    """

    low: Floats
    high: Floats

    def __post_init__(self) -> None:
        # `not all(<=)` refuses NaN too.
        if not np.all(self.low <= self.high):
            raise ValueError(f"no interval: {self.low} to {self.high}")

    @classmethod
    def between(cls, low: ArrayLike, high: ArrayLike) -> Interval:
        """From `low` to `high`. ValueError: not ascending, or not a number."""
        lows, highs = np.broadcast_arrays(np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64))
        return cls(lows, highs)

    @classmethod
    def exactly(cls, value: ArrayLike) -> Interval:
        """A quantity that is known: what is set or counted."""
        return cls.between(value, value)

    @classmethod
    def around(cls, value: ArrayLike, error: ArrayLike) -> Interval:
        """`value` with a limit of error. ValueError: the error is negative."""
        value, error = np.asarray(value, dtype=np.float64), np.asarray(error, dtype=np.float64)
        return cls.between(value - error, value + error)

    @classmethod
    def at_most(cls, value: ArrayLike) -> Interval:
        """Anything up to `value`."""
        return cls.between(-np.inf, value)

    def __add__(self, other: Interval) -> Interval:
        return Interval.between(self.low + other.low, self.high + other.high)

    def __sub__(self, other: Interval) -> Interval:
        return Interval.between(self.low - other.high, self.high - other.low)

    def __mul__(self, other: Interval) -> Interval:
        products = (self.low * other.low, self.low * other.high, self.high * other.low, self.high * other.high)
        return Interval.between(np.minimum.reduce(products), np.maximum.reduce(products))

    def capped(self, ceiling: float | None) -> Interval:
        """What is left of it behind something that lets no more than `ceiling` through; None: anything."""
        if ceiling is None:
            return self
        return Interval.between(np.minimum(self.low, ceiling), np.minimum(self.high, ceiling))

    def magnitude(self) -> float:
        """Largest absolute value of a single interval."""
        return float(max(abs(self.low), abs(self.high)))

    @property
    def lowest(self) -> float:
        return float(np.min(self.low))

    @property
    def highest(self) -> float:
        return float(np.max(self.high))
