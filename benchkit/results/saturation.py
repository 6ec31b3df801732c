"""Saturated output power: only where the output has stopped following the drive."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from benchkit.results.absent import Absent
from benchkit.results.curve import as_ladder, readable
from benchkit.results.regression import fit_line

__all__ = ["SaturatedPower", "saturated_power", "saturation_convention"]


@dataclass(frozen=True)
class SaturatedPower:
    """
    Attributes:
        output_dbm: Highest output power read. [dBm]
        input_dbm: Input at which it was read. [dBm]
        end_slope_db_per_db: Rise of output per rise of input at the end of the ladder. [dB/dB]
        end_slope_standard_error: Its standard error from the scatter about the line. [dB/dB]
        slope_max_db_per_db: What counted as saturated. [dB/dB]
        over_db: Drive over which the slope was taken. [dB]
    """

    output_dbm: float
    input_dbm: float
    end_slope_db_per_db: float
    end_slope_standard_error: float
    slope_max_db_per_db: float
    over_db: float

    @property
    def convention(self) -> str:
        return saturation_convention(self.slope_max_db_per_db)


def saturation_convention(slope_max_db_per_db: float) -> str:
    """How a saturated power is defined, whether there is one or not. [dB/dB]"""
    return f"highest output; saturated: output rises by less than {slope_max_db_per_db:g} dB per dB of drive at the end"


def saturated_power(
    input_dbm: ArrayLike,
    output_dbm: ArrayLike,
    *,
    slope_max_db_per_db: float = 0.1,
    over_db: float = 1.0,
    alone_db: float = 0.1,
) -> SaturatedPower | Absent:
    """
    Saturated power of one drive ladder; the criterion is common practice, no source.

    The slope is that of the least-squares line through the last `over_db` of drive, and through at least the last three
    points. A highest reading inside the ladder that stands above both its neighbours by more than the slope allows and
    `alone_db` is a stray reading, not a saturated power.

    Args:
        input_dbm: Strictly ascending, shape (n,), n >= 3. [dBm]
        output_dbm: Shape (n,); NaN where there is no reading. [dBm]
        slope_max_db_per_db: Above zero, below one. [dB/dB]
        over_db: Above zero. [dB]
        alone_db: Not below zero. [dB]

    Returns:
        The power; Absent when the output still rises at the end, or the scatter is too large to tell.

    Raises:
        ValueError: Shapes differ, or an argument is out of its range.
    """
    if not 0 < slope_max_db_per_db < 1:
        raise ValueError(f"slope_max_db_per_db is {slope_max_db_per_db}; expected above 0 and below 1")
    if not over_db > 0:
        raise ValueError(f"over_db is {over_db}; expected above 0")
    if not alone_db >= 0:
        raise ValueError(f"alone_db is {alone_db}; expected 0 or more")
    levels, outputs = as_ladder(input_dbm, output_dbm)
    ladder = readable(levels, outputs, at_least=3)
    if isinstance(ladder, Absent):
        return ladder
    x, y = ladder.input_dbm, ladder.output_dbm
    if ladder.gap_in(0, x.size - 1) or not np.isfinite(outputs[-1]):
        # The highest output may be the one that was not read; only below the lowest reading does it not matter.
        return Absent(f"saturation cannot be told: {ladder.unread} points have no reading, not only the lowest")
    start = min(int(np.searchsorted(x, x[-1] - over_db - 1e-9)), x.size - 3)
    line = fit_line(x[start:], y[start:])
    span = float(x[-1] - x[start])
    if not line.slope < slope_max_db_per_db:
        return Absent(
            f"saturation not reached: output still rises by {line.slope:.2f} dB per dB of drive "
            f"over the last {span:.2f} dB, up to {y[-1]:+.2f} dBm (saturated: below {slope_max_db_per_db:g})"
        )
    if line.slope_standard_error > slope_max_db_per_db:
        return Absent(
            f"saturation cannot be told: the slope at the end is known to {line.slope_standard_error:.2f} dB/dB only "
            f"(saturated: below {slope_max_db_per_db:g})"
        )
    top = int(y.argmax())
    if 0 < top < y.size - 1:
        above = [float(y[top] - y[k]) - slope_max_db_per_db * abs(float(x[top] - x[k])) for k in (top - 1, top + 1)]
        if min(above) > alone_db:
            where = f"{y[top]:+.2f} dBm at input {x[top]:+.2f} dBm"
            return Absent(f"the highest output, {where}, stands alone above both its neighbours")
    return SaturatedPower(
        output_dbm=float(y[top]),
        input_dbm=float(x[top]),
        end_slope_db_per_db=line.slope,
        end_slope_standard_error=line.slope_standard_error,
        slope_max_db_per_db=slope_max_db_per_db,
        over_db=span,
    )
