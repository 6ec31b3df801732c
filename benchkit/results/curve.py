"""
Reading a measured curve between its points, and never beyond them.

Rules of the module:
  * Between points: monotone cubic Hermite interpolation (PCHIP; F. N. Fritsch and J. Butland, SIAM J. Sci. Stat.
    Comput. 5 (1984) 300). It never overshoots the two bracketing points, so a crossing between them is one crossing.
  * What is wrong with the *data* (too short, not a number, not ascending, not reached) is an `Absent` with its reason:
    a whole night must not fail because of one ladder. What is wrong with the *call* (shapes, arguments) raises.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.pchip import pchip_piece

__all__ = ["Crossing", "Readable", "as_ladder", "at_input", "find_rise", "input_at_output", "readable"]

ROUNDING_DB = 1e-9
"""Two levels closer than this are one level: the rounding of a difference of readings, far below any meter."""


@dataclass(frozen=True)
class Crossing:
    """
    Where a curve rises through a level.

    Attributes:
        x: Where, interpolated between the bracketing points.
        index: The bracketing points are `index` and `index + 1`.
        slope: dy/dx there.
        contradictions: How many points say otherwise: beyond the level before the crossing, or short of it after.
        points_beyond: How many points stand beyond the crossing.
    """

    x: float
    index: int
    slope: float
    contradictions: int
    points_beyond: int


def as_ladder(*columns: ArrayLike) -> tuple[NDArray[np.float64], ...]:
    """
    Columns of one ladder as float arrays.

    Args:
        columns: One-dimensional, all of the same length.

    Raises:
        ValueError: Not one-dimensional, or of different lengths.
    """
    arrays = tuple(np.asarray(column, dtype=np.float64) for column in columns)
    for position, array in enumerate(arrays):
        if array.ndim != 1:
            raise ValueError(f"column {position} of the ladder has {array.ndim} dimensions; one is expected")
        if array.shape != arrays[0].shape:
            raise ValueError(f"column {position} of the ladder has {array.size} points, column 0 has {arrays[0].size}")
    return arrays


@dataclass(frozen=True)
class Readable:
    """
    The points of a ladder that have a reading.

    Attributes:
        input_dbm, output_dbm: Finite, input strictly ascending, shape (n,). [dBm]
        after_gap: Shape (n,); True where a point without reading lies just before this one.
        unread: How many points have no reading.
    """

    input_dbm: NDArray[np.float64]
    output_dbm: NDArray[np.float64]
    after_gap: NDArray[np.bool_]
    unread: int

    def gap_in(self, first: int, last: int) -> bool:
        """Whether a point without reading lies between points `first` and `last`."""
        return bool(self.after_gap[first + 1 : last + 1].any())


def readable(input_dbm: ArrayLike, output_dbm: ArrayLike, *, at_least: int) -> Readable | Absent:
    """
    The points with a reading (a meter has none below its range).

    Args:
        input_dbm: Shape (n,). [dBm]
        output_dbm: Shape (n,). [dBm]
        at_least: How many are needed.

    Returns:
        The points; Absent when they are too few, or their input is not strictly ascending.

    Raises:
        ValueError: Shapes differ.
    """
    levels, outputs = as_ladder(input_dbm, output_dbm)
    good = np.isfinite(levels) & np.isfinite(outputs)
    count = int(np.count_nonzero(good))
    unread = good.size - count
    if count < at_least:
        have = f"ladder has {count} point{'' if count == 1 else 's'}"
        have += f" with a reading and {unread} without" if unread else ""
        return Absent(f"{have}; at least {at_least} are needed")
    x, y = (levels[good], outputs[good]) if unread else (levels, outputs)
    fall = np.flatnonzero(x[1:] <= x[:-1])
    if fall.size:
        k = int(fall[0])
        return Absent(f"input levels are not ascending: {x[k + 1]:+.3f} dBm follows {x[k]:+.3f} dBm")
    after_gap = np.zeros(count, dtype=np.bool_)
    if unread:
        where = np.flatnonzero(good)
        after_gap[1:] = where[1:] > where[:-1] + 1
    return Readable(x, y, after_gap, unread)


def find_rise(x: NDArray[np.float64], y: NDArray[np.float64], level: float) -> Crossing | Absent:
    """
    Where `y` rises through `level` and stays beyond it.

    Noise can carry one reading over the level long before, or back under it long after. So the crossing taken is the
    one that the fewest points contradict (points beyond the level before it, or short of it after it); of several
    equally contradicted ones, the last. The last point must itself be beyond the level, and no more than one point, or
    one in ten of a longer ladder, may contradict: otherwise the curve does not say where it crosses.

    Args:
        x: Strictly ascending, finite, shape (n,), n >= 2.
        y: Finite, shape (n,).
        level: In the unit of y.

    Returns:
        The crossing; Absent when never beyond, beyond from the first point on, not beyond at the end, or contradicted.
    """
    beyond = y >= level - ROUNDING_DB
    if not beyond.any():
        return Absent(f"highest value seen {y.max():.2f} at {x[int(y.argmax())]:+.2f}")
    if not beyond[-1]:
        last = int(np.flatnonzero(beyond)[-1])
        return Absent(f"seen up to {x[last]:+.2f} but lost again: {y[-1]:.2f} at the last point, {x[-1]:+.2f}")
    rises = np.flatnonzero(~beyond[:-1] & beyond[1:])
    if rises.size == 0:
        return Absent(f"already beyond at the lowest point: {y[0]:.2f} at {x[0]:+.2f}")
    before = np.cumsum(beyond)[rises]  # beyond, though at or before the crossing's lower point
    after = np.cumsum(~beyond[::-1])[::-1][rises + 1]  # short, though at or after its upper point
    against = before + after
    fewest = int(against.min())
    index = int(rises[np.flatnonzero(against == fewest)[-1]])
    if fewest > max(1, x.size // 10):
        found = f"crossed {rises.size} times"
        return Absent(f"{found}; {fewest} of {x.size} points contradict the best crossing, at {x[index]:+.2f}")
    where, slope = _root(x, y, index, level)
    return Crossing(where, index, slope, fewest, int(x.size - 1 - index))


def _root(x: NDArray[np.float64], y: NDArray[np.float64], index: int, level: float) -> tuple[float, float]:
    piece = pchip_piece(x, y, index)
    low, high = piece.x0, piece.x1
    if piece.y1 > level:  # else it is within rounding of the level: the point itself
        # Halved until no number lies between: a monotone piece crosses once. Loading scipy for it would take longer than
        # summing up a night.
        while low < (middle := 0.5 * (low + high)) < high:
            low, high = (low, middle) if piece.at(middle) > level else (middle, high)
    return high, piece.slope_at(high)


def at_input(input_dbm: ArrayLike, values: ArrayLike, at_dbm: float, *, name: str = "value") -> float | Absent:
    """
    Any column of a ladder, e.g. drain current, at an input level between two of its points (PCHIP).

    Args:
        input_dbm: Strictly ascending, shape (n,). [dBm]
        values: Shape (n,), any unit. NaN where there is no reading.
        at_dbm: Where. [dBm]
        name: For the reason, e.g. "drain current".

    Returns:
        In the unit of `values`; Absent when `at_dbm` lies outside the ladder, or a bracketing point has no reading.

    Raises:
        ValueError: Shapes differ.
    """
    x, y = as_ladder(input_dbm, values)
    placed = readable(x, x, at_least=2)
    if isinstance(placed, Absent):
        return Absent(f"{name}: {placed.reason}")
    x, y = placed.input_dbm, y[np.isfinite(x)]
    if not x[0] - ROUNDING_DB <= at_dbm <= x[-1] + ROUNDING_DB:
        return Absent(f"{name}: {at_dbm:+.2f} dBm is outside the ladder, {x[0]:+.2f} to {x[-1]:+.2f} dBm")
    within = min(max(at_dbm, float(x[0])), float(x[-1]))  # undoes rounding only, at most ROUNDING_DB
    index = min(int(np.searchsorted(x, within, side="right")) - 1, x.size - 2)
    if not np.isfinite(y[index : index + 2]).all():
        return Absent(f"{name}: no reading beside {at_dbm:+.2f} dBm")
    # A neighbour without a reading is left out, as if the ladder ended there.
    first = index - 1 if index > 0 and np.isfinite(y[index - 1]) else index
    last = index + 2 if index + 2 < x.size and np.isfinite(y[index + 2]) else index + 1
    return pchip_piece(x[first : last + 1], y[first : last + 1], index - first).at(within)


def input_at_output(input_dbm: ArrayLike, output_dbm: ArrayLike, at_dbm: float) -> float | Absent:
    """
    The input level that gives an output level, on the rising branch of the ladder (up to its highest output).

    Args:
        input_dbm: Strictly ascending, shape (n,). [dBm]
        output_dbm: Shape (n,). [dBm]
        at_dbm: Output asked for. [dBm]

    Returns:
        Input level [dBm]; Absent when the output asked for is below the lowest or above the highest of the ladder.

    Raises:
        ValueError: Shapes differ.
    """
    ladder = readable(input_dbm, output_dbm, at_least=2)
    if isinstance(ladder, Absent):
        return ladder
    x, y = ladder.input_dbm, ladder.output_dbm
    top = int(y.argmax())
    if at_dbm > y[top] + ROUNDING_DB:
        return Absent(f"output {at_dbm:+.2f} dBm is above the ladder's highest, {y[top]:+.2f} dBm")
    if at_dbm < y[: top + 1].min() - ROUNDING_DB:
        return Absent(f"output {at_dbm:+.2f} dBm is below the ladder's lowest, {y[: top + 1].min():+.2f} dBm")
    if abs(at_dbm - y[0]) <= ROUNDING_DB:
        return float(x[0])
    crossing = find_rise(x[: top + 1], y[: top + 1], at_dbm)
    if isinstance(crossing, Absent):
        return Absent(f"output {at_dbm:+.2f} dBm: {crossing.reason}")
    if ladder.gap_in(crossing.index, crossing.index + 1):
        return Absent(f"output {at_dbm:+.2f} dBm: a point without reading lies beside it")
    return crossing.x
