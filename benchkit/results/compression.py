"""
Gain compression: where a device's gain has fallen by a stated amount from a stated reference.

Compression at a level is reference gain minus gain there. Two references are in use and differ when the gain rises
before it falls (gain expansion); so the reference is named with every number, and the expansion is a number of its own.
Since output = input + gain, OP1dB = IP1dB + reference gain - 1 dB (Pozar, Microwave Engineering, 4th ed., 10.3).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.curve import as_ladder, find_rise, readable

__all__ = [
    "CompressionPoint",
    "Reference",
    "compression_point",
    "gain_compression_db",
    "gain_expansion_db",
    "reference_convention",
]

Reference = Literal["lowest levels", "maximum gain"]
"""
"lowest levels": mean gain of the `reference_points` lowest levels.
"maximum gain": highest reading of the gain. Noise of standard deviation s raises it by up to about 2 s; a reading that
stands alone above its neighbours is refused.
"""


@dataclass(frozen=True)
class CompressionPoint:
    """
    Where the gain is `compression_db` below the reference.

    Attributes:
        compression_db: As asked for. [dB]
        input_dbm, output_dbm: At the planes of the readings given. [dBm]
        gain_db: Reference gain less compression. [dB]
        reference, reference_points: The convention.
        reference_gain_db: Gain that compression is counted from. [dB]
        reference_spread_db: Highest less lowest gain of the lowest levels. [dB]
        gain_expansion_db: Highest gain less mean gain of the lowest levels; 0 without expansion. [dB]
        gain_slope_db_per_db: Change of gain per change of input at the point; below zero. [dB/dB]
        points_beyond: Measured points beyond the crossing, which all or nearly all stay compressed.
        contradictions: Points that noise carried to the wrong side of the crossing.
        unread: Points of the ladder without a reading; they are left out ("lowest levels" are then the lowest read).
    """

    compression_db: float
    input_dbm: float
    output_dbm: float
    gain_db: float
    reference: Reference
    reference_points: int
    reference_gain_db: float
    reference_spread_db: float
    gain_expansion_db: float
    gain_slope_db_per_db: float
    points_beyond: int
    contradictions: int
    unread: int

    @property
    def convention(self) -> str:
        """For the data sheet, e.g. "reference gain: mean of the 3 lowest levels"."""
        return reference_convention(self.reference, self.reference_points)


def reference_convention(reference: Reference, reference_points: int) -> str:
    """The convention in words."""
    _check_reference(reference, reference_points)
    if reference == "lowest levels":
        many = f"mean of the {reference_points} lowest levels"
        return f"reference gain: {'lowest level' if reference_points == 1 else many}"
    return "reference gain: highest reading of the gain"


def compression_point(
    input_dbm: ArrayLike,
    output_dbm: ArrayLike,
    compression_db: float = 1.0,
    *,
    reference: Reference = "lowest levels",
    reference_points: int = 3,
) -> CompressionPoint | Absent:
    """
    Find the compression point of one drive ladder.

    The gain is interpolated between the two bracketing points by PCHIP (`curve`). With noise the crossing is the one
    that the fewest points contradict, so neither a dip at low drive nor a lone high reading in compression moves it;
    the last point must be compressed.

    Error of the interpolation on a 1 dB grid: at most 0.004 dB for Rapp's model with p = 1 to 3, Saleh's and the cubic
    law, 0.01 dB for Rapp's with p = 6 (a straight line in its place: 0.05 dB). What the lowest levels are compressed
    already comes on top: 0.006 dB for p = 1 when they lie 30 dB below the point.

    Args:
        input_dbm: Strictly ascending, shape (n,), n > reference_points. [dBm]
        output_dbm: Shape (n,); NaN where there is no reading. [dBm]
        compression_db: Above zero. [dB]
        reference: What compression is counted from.
        reference_points: How many lowest levels are averaged.

    Returns:
        The point; Absent, with the largest compression seen, when it is not reached: nothing is extrapolated. Absent
        too when there is no reference: lowest levels that differ by more than half of `compression_db` (a stray
        reading, or compressed already), a highest gain more than a quarter of it above its neighbours.

    Raises:
        ValueError: Shapes differ, or an argument is out of its range.
    """
    if not compression_db > 0:
        raise ValueError(f"compression must be above 0 dB, not {compression_db} dB")
    _check_reference(reference, reference_points)
    ladder = readable(input_dbm, output_dbm, at_least=reference_points + 1)
    if isinstance(ladder, Absent):
        return ladder
    x, gain = ladder.input_dbm, ladder.output_dbm - ladder.input_dbm
    lowest = gain[:reference_points]
    spread = float(np.ptp(lowest))
    if reference == "lowest levels" and spread > compression_db / 2:
        return Absent(
            f"no reference gain: the {reference_points} lowest levels differ by {spread:.2f} dB, "
            f"more than half of the {compression_db:g} dB compression asked for"
        )
    first = 0 if reference == "lowest levels" else int(gain.argmax())
    beside = np.delete(gain[max(0, first - 1) : first + 2], min(first, 1))
    if reference == "maximum gain" and gain[first] - beside.max() > compression_db / 4:
        alone = f"{gain[first]:.2f} dB at input {x[first]:+.2f} dBm"
        return Absent(f"no reference gain: the highest, {alone}, stands alone above its neighbours")
    reference_gain = _reference_gain(gain, reference, reference_points)
    # Compression is counted on from the reference; below the level of highest gain the gain is still rising.
    crossing = find_rise(x[first:], reference_gain - gain[first:], compression_db)
    if isinstance(crossing, Absent):
        return _not_reached(x[first:], reference_gain - gain[first:], compression_db, crossing.reason)
    if ladder.gap_in(first + crossing.index, first + crossing.index + 1):
        where = f"near input {crossing.x:+.2f} dBm"
        return Absent(f"{compression_db:g} dB compression lies beside a point without reading, {where}")
    level = reference_gain - compression_db
    return CompressionPoint(
        compression_db=compression_db,
        input_dbm=crossing.x,
        output_dbm=crossing.x + level,
        gain_db=level,
        reference=reference,
        reference_points=reference_points,
        reference_gain_db=reference_gain,
        reference_spread_db=spread,
        gain_expansion_db=_expansion(gain, reference_points),
        gain_slope_db_per_db=-crossing.slope,
        points_beyond=crossing.points_beyond,
        contradictions=crossing.contradictions,
        unread=ladder.unread,
    )


def gain_compression_db(
    input_dbm: ArrayLike, output_dbm: ArrayLike, *, reference: Reference = "lowest levels", reference_points: int = 3
) -> NDArray[np.float64]:
    """
    Compression at every point of a ladder, of the same shape; negative where the gain is above the reference. [dB]

    NaN where there is no reading, and everywhere when fewer than `reference_points` levels have one.

    Args:
        input_dbm: Shape (n,). [dBm]
        output_dbm: Shape (n,); NaN where there is no reading. [dBm]
        reference: As for `compression_point`.
        reference_points: As for `compression_point`.

    Raises:
        ValueError: Shapes differ, or an argument is out of its range.
    """
    _check_reference(reference, reference_points)
    x, out = as_ladder(input_dbm, output_dbm)
    gain = out - x
    read = gain[np.isfinite(gain)]
    if read.size < reference_points:
        return np.full(gain.shape, np.nan)
    compression: NDArray[np.float64] = _reference_gain(read, reference, reference_points) - gain
    return compression


def gain_expansion_db(input_dbm: ArrayLike, output_dbm: ArrayLike, *, reference_points: int = 3) -> float | Absent:
    """
    By how much the highest gain of a ladder exceeds the mean gain of its lowest levels; 0 when it never does. [dB]

    Args:
        input_dbm: Strictly ascending, shape (n,), n > reference_points. [dBm]
        output_dbm: Shape (n,); NaN where there is no reading. [dBm]
        reference_points: How many lowest levels are averaged.

    Raises:
        ValueError: Shapes differ.
    """
    _check_reference("lowest levels", reference_points)
    ladder = readable(input_dbm, output_dbm, at_least=reference_points + 1)
    if isinstance(ladder, Absent):
        return ladder
    return _expansion(ladder.output_dbm - ladder.input_dbm, reference_points)


def _check_reference(reference: str, reference_points: int) -> None:
    if reference not in get_args(Reference):
        raise ValueError(f"reference is {reference!r}; expected one of {', '.join(map(repr, get_args(Reference)))}")
    if reference_points < 1:
        raise ValueError(f"reference_points is {reference_points}; at least 1 is needed")


def _reference_gain(gain: NDArray[np.float64], reference: Reference, width: int) -> float:
    return float(gain[:width].mean() if reference == "lowest levels" else gain.max())


def _expansion(gain: NDArray[np.float64], width: int) -> float:
    # Only levels above the reference can expand; the scatter among the reference levels is not expansion.
    lowest = float(gain[:width].mean())
    return max(float(gain[width:].max()), lowest) - lowest


def _not_reached(x: NDArray[np.float64], compression: NDArray[np.float64], asked_db: float, why: str) -> Absent:
    most = int(compression.argmax())
    if compression[most] < asked_db:
        return Absent(
            f"{asked_db:g} dB compression not reached: "
            f"largest compression seen {compression[most]:.2f} dB at input {x[most]:+.2f} dBm"
        )
    return Absent(f"{asked_db:g} dB compression cannot be placed: {why}")
