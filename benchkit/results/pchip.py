"""
One piece of a monotone cubic interpolation (PCHIP), in plain floats.

scipy's PchipInterpolator gives the same numbers (a test holds the two together) but is made for whole curves: building
one costs half a millisecond, and every ladder is read at a score of places, each within one piece.

The slopes are those of F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, as scipy documents them:
inside, the weighted harmonic mean of the two neighbouring chords' slopes, or 0 where the curve turns; at an end, the
three-point formula, limited so that the curve keeps its shape (C. Moler, Numerical Computing with MATLAB, 2004, 3.6).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Piece", "pchip_piece"]


@dataclass(frozen=True)
class Piece:
    """
    The cubic between two points.

    Attributes:
        x0, x1: Ends, x0 < x1.
        y0, y1: Values there.
        slope0, slope1: Slopes there.
    """

    x0: float
    x1: float
    y0: float
    y1: float
    slope0: float
    slope1: float

    def at(self, x: float) -> float:
        """Value at `x`, which lies within x0..x1; at the ends exactly what was given."""
        if x == self.x1:
            return self.y1
        c1, c2, c3 = self._coefficients()
        s = x - self.x0
        return self.y0 + s * (c1 + s * (c2 + s * c3))

    def slope_at(self, x: float) -> float:
        """Slope at `x`, which lies within x0..x1."""
        c1, c2, c3 = self._coefficients()
        s = x - self.x0
        return c1 + s * (2.0 * c2 + s * 3.0 * c3)

    def _coefficients(self) -> tuple[float, float, float]:
        """Of powers of x - x0, from the first on: the cubic with these values and slopes at its ends (Hermite)."""
        h = self.x1 - self.x0
        chord = (self.y1 - self.y0) / h
        bend = (self.slope0 + self.slope1 - 2.0 * chord) / h
        return self.slope0, (chord - self.slope0) / h - bend, bend / h


def pchip_piece(x: NDArray[np.float64], y: NDArray[np.float64], index: int) -> Piece:
    """
    The piece between points `index` and `index + 1` of the interpolation of a whole curve.

    Args:
        x: Strictly ascending, shape (n,), n >= 2. Only the piece's two points and their neighbours are looked at.
        y: Finite, shape (n,).
        index: 0 to n - 2.
    """
    first = max(0, index - 1)
    xs, ys = x[first : index + 3].tolist(), y[first : index + 3].tolist()
    k = index - first
    widths = [b - a for a, b in itertools.pairwise(xs)]
    chords = [(b - a) / h for (a, b), h in zip(itertools.pairwise(ys), widths, strict=True)]
    slope0 = _inner(widths[k - 1 : k + 1], chords[k - 1 : k + 1]) if k > 0 else _end(widths, chords)
    is_last = k == len(widths) - 1
    slope1 = _end(widths[::-1], chords[::-1]) if is_last else _inner(widths[k : k + 2], chords[k : k + 2])
    return Piece(xs[k], xs[k + 1], ys[k], ys[k + 1], slope0, slope1)


def _inner(widths: Sequence[float], chords: Sequence[float]) -> float:
    """At a point between two chords."""
    (h0, h1), (m0, m1) = widths, chords
    if m0 == 0.0 or m1 == 0.0 or (m0 > 0.0) != (m1 > 0.0):
        return 0.0
    w0, w1 = 2.0 * h1 + h0, h1 + 2.0 * h0
    return 1.0 / ((w0 / m0 + w1 / m1) / (w0 + w1))


def _end(widths: Sequence[float], chords: Sequence[float]) -> float:
    """At the outer end of the first of these chords."""
    if len(chords) == 1:
        return chords[0]
    h0, h1, m0, m1 = widths[0], widths[1], chords[0], chords[1]
    slope = ((2.0 * h0 + h1) * m0 - h0 * m1) / (h0 + h1)
    if _sign(slope) != _sign(m0):
        return 0.0
    if _sign(m0) != _sign(m1) and abs(slope) > 3.0 * abs(m0):
        return 3.0 * m0
    return slope


def _sign(value: float) -> int:
    return (value > 0.0) - (value < 0.0)
