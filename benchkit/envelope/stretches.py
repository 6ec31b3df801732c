"""The driven ladders of a plan, in handfuls: exact for as many as can be looked at in a moment, by their extremes beyond."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, pairwise

import numpy as np
from numpy.typing import NDArray

from benchkit.bench.paths import LossPath
from benchkit.envelope.interval import Interval
from benchkit.envelope.path_loss import PathLoss, loss_anywhere, loss_at
from benchkit.errors import MisuseError
from benchkit.measurements.base import MeasurementBlock

__all__ = ["EXACT_LADDERS", "Stretch", "ascends", "stretches"]

# Of a plan with more driven ladders than this, the longest measurements are not walked: the extremes over the whole span then
# stand for their ladders. They are wider, so that what they prove holds for each. It keeps a check quick, whatever is asked for.
EXACT_LADDERS = 60_000
AT_A_TIME = 4_096


def ascends(levels_dbm: Sequence[float]) -> bool:
    """Whether there are levels, each above the one before it."""
    return len(levels_dbm) > 0 and all(low < high for low, high in pairwise(levels_dbm))


@dataclass(frozen=True)
class Stretch:
    """
    Some ladders of one measurement.

    Attributes:
        frequencies_hz: Of each ladder, shape (n,); or lowest and highest of all of them when not `is_exact`.
        drive: Lowest to highest level of each ladder, shape (n,); or of all of them, shape (). [dBm]
    """

    frequencies_hz: NDArray[np.float64]
    drive: Interval
    is_exact: bool

    def loss(self, path: LossPath) -> PathLoss:
        """Of a path that covers the measurement's span."""
        if self.is_exact:
            return loss_at(path, self.frequencies_hz)
        return loss_anywhere(path, float(self.frequencies_hz[0]), float(self.frequencies_hz[1]))


def stretches(
    block: MeasurementBlock, span_hz: tuple[float, float], drive_dbm: tuple[float, float], exact_up_to: int = EXACT_LADDERS
) -> Iterator[Stretch]:
    """
    Every ladder of `block`, lazily.

    Args:
        exact_up_to: With more ladders than this, the block's extremes stand for them.

    Raises:
        MisuseError: A ladder lies outside what the block states as its spans, or does not ascend.
    """
    if block.ladder_count() > exact_up_to:
        yield Stretch(np.array(span_hz), Interval.between(*drive_dbm), is_exact=False)
        return
    ladders = block.ladders()
    known: tuple[float, ...] | None = None
    lowest = highest = 0.0
    while handful := list(islice(ladders, AT_A_TIME)):
        ends = []
        for ladder in handful:
            # Ladders of one measurement mostly share their levels.
            if ladder.levels_dbm is not known:
                known = ladder.levels_dbm
                if not ascends(known):
                    raise MisuseError(f"{block.kind}: the levels of a ladder do not ascend: {known[:8]}")
                lowest, highest = known[0], known[-1]
            ends.append((lowest, highest))
        frequencies_hz = np.array([ladder.frequency_hz for ladder in handful])
        low_dbm, high_dbm = np.array(ends).T
        # `not ... <=` refuses NaN too.
        inside = (
            span_hz[0] <= frequencies_hz.min() <= frequencies_hz.max() <= span_hz[1]
            and drive_dbm[0] <= low_dbm.min() <= high_dbm.max() <= drive_dbm[1]
        )
        if not inside:
            raise MisuseError(f"{block.kind}: a ladder lies outside the frequencies or levels that the kind states")
        yield Stretch(frequencies_hz, Interval.between(low_dbm, high_dbm), is_exact=True)
