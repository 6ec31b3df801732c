"""A path's loss at the frequencies of a plan: one by one, or its extremes anywhere within a span."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchkit.bench.paths import LossPath
from benchkit.envelope.interval import Interval
from benchkit.errors import MisuseError

__all__ = ["PathLoss", "loss_anywhere", "loss_at"]


@dataclass(frozen=True)
class PathLoss:
    """
    Attributes:
        nominal: What the path's table says and the engine corrects by. [dB]
        error: What the true loss may differ by: the table's expanded uncertainty, either way. [dB]
    """

    nominal: Interval
    error: Interval

    @property
    def true(self) -> Interval:
        """All that the loss may be. [dB]"""
        return self.nominal + self.error


def loss_at(path: LossPath, frequencies_hz: NDArray[np.float64]) -> PathLoss:
    """
    Loss at each of `frequencies_hz`, shape (n,), as LossPath interpolates it.

    Raises:
        MisuseError: One is outside the path's band, which the caller has to check.
    """
    if not path.covers(float(frequencies_hz.min()), float(frequencies_hz.max())):
        raise MisuseError(f"path {path.name}: a frequency outside its band")
    loss_db = np.interp(frequencies_hz, path.frequencies_hz, path.losses_db)
    uncertainty_db = np.interp(frequencies_hz, path.frequencies_hz, path.uncertainties_db)
    return PathLoss(Interval.exactly(loss_db), Interval.around(0.0, uncertainty_db))


def loss_anywhere(path: LossPath, low_hz: float, high_hz: float) -> PathLoss:
    """Every loss from `low_hz` to `high_hz`, with the largest uncertainty between them: wider than any single frequency's."""
    uncertainty_db = path.largest_uncertainty_db(low_hz, high_hz)
    return PathLoss(Interval.between(*path.extremes_db(low_hz, high_hz)), Interval.around(0.0, uncertainty_db))
