"""
Paths: the loss between two planes over frequency, with its uncertainty. Interpolated, never extrapolated.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field
from math import inf

from benchkit.errors import FileError, Mistake

__all__ = ["LossPath"]


@dataclass(frozen=True)
class LossPath:
    """
    One path. Loss is positive; gain between the planes is a negative loss.

    Between two rows loss and uncertainty are linear in frequency. A path of one row is a fixed loss over its band. Two
    paths are equal when their numbers are, wherever they were read from.

    Attributes:
        name: In the bench file.
        frequencies_hz: Strictly ascending. [Hz]
        losses_db: Of the same length. [dB]
        uncertainties_db: Of the same length; expanded, k = 2. [dB]
        source: The file it was read from, as the bench file names it.
        frequency_min_hz, frequency_max_hz: The band; 0 and infinity for a fixed loss that states none. [Hz]
    """

    name: str
    frequencies_hz: tuple[float, ...]
    losses_db: tuple[float, ...]
    uncertainties_db: tuple[float, ...]
    source: str = field(compare=False)
    frequency_min_hz: float
    frequency_max_hz: float

    @classmethod
    def table(
        cls,
        name: str,
        frequencies_hz: tuple[float, ...],
        losses_db: tuple[float, ...],
        uncertainties_db: tuple[float, ...],
        source: str,
    ) -> LossPath:
        """A path from the rows of a table; its band is the table's."""
        return cls(name, frequencies_hz, losses_db, uncertainties_db, source, frequencies_hz[0], frequencies_hz[-1])

    @classmethod
    def fixed(
        cls,
        name: str,
        loss_db: float,
        uncertainty_db: float,
        source: str,
        frequency_min_hz: float = 0.0,
        frequency_max_hz: float = inf,
    ) -> LossPath:
        """The same loss at every frequency of the band."""
        return cls(name, (frequency_min_hz,), (loss_db,), (uncertainty_db,), source, frequency_min_hz, frequency_max_hz)

    def covers(self, low_hz: float, high_hz: float) -> bool:
        """Whether every frequency from `low_hz` to `high_hz` lies within the band."""
        return self.frequency_min_hz <= low_hz <= high_hz <= self.frequency_max_hz

    def loss_db(self, frequency_hz: float) -> float:
        """
        Loss at a frequency. [dB]

        Raises:
            FileError: The frequency is outside the band.
        """
        return self._interpolated(self.losses_db, frequency_hz)

    def uncertainty_db(self, frequency_hz: float) -> float:
        """
        Expanded uncertainty (k = 2) of the loss at a frequency. [dB]

        Raises:
            FileError: The frequency is outside the band.
        """
        return self._interpolated(self.uncertainties_db, frequency_hz)

    def loss_bounds_db(self, frequency_hz: float) -> tuple[float, float]:
        """Loss less and plus its expanded uncertainty. [dB]"""
        loss, uncertainty = self.loss_db(frequency_hz), self.uncertainty_db(frequency_hz)
        return loss - uncertainty, loss + uncertainty

    def extremes_db(self, low_hz: float, high_hz: float) -> tuple[float, float]:
        """
        Lowest and highest loss anywhere from `low_hz` to `high_hz`: linear between rows, they are at rows or ends. [dB]

        Raises:
            FileError: Part of the span is outside the band.
        """
        values = self._within(self.losses_db, low_hz, high_hz)
        return min(values), max(values)

    def minimum_loss_db(self, low_hz: float, high_hz: float) -> float:
        """Lowest loss anywhere from `low_hz` to `high_hz`. [dB]"""
        return self.extremes_db(low_hz, high_hz)[0]

    def largest_uncertainty_db(self, low_hz: float, high_hz: float) -> float:
        """Largest expanded uncertainty anywhere from `low_hz` to `high_hz`. [dB]"""
        return max(self._within(self.uncertainties_db, low_hz, high_hz))

    def _interpolated(self, values: tuple[float, ...], frequency_hz: float) -> float:
        # `not ... <=` refuses NaN too.
        if not self.frequency_min_hz <= frequency_hz <= self.frequency_max_hz:
            raise self._outside(frequency_hz)
        grid = self.frequencies_hz
        if len(grid) == 1:
            return values[0]
        right = bisect_right(grid, frequency_hz)
        if right == len(grid):
            return values[-1]
        below = grid[right - 1]
        part = (frequency_hz - below) / (grid[right] - below)
        return values[right - 1] + part * (values[right] - values[right - 1])

    def _within(self, values: tuple[float, ...], low_hz: float, high_hz: float) -> tuple[float, ...]:
        if not low_hz <= high_hz:
            raise ValueError(f"a span from {low_hz} Hz to {high_hz} Hz does not ascend")
        ends = self._interpolated(values, low_hz), self._interpolated(values, high_hz)
        if len(values) == 1:
            return ends
        grid = self.frequencies_hz
        return (*ends, *values[bisect_left(grid, low_hz) : bisect_right(grid, high_hz)])

    def _outside(self, frequency_hz: float) -> FileError:
        band = f"{self.frequency_min_hz / 1e9:.10g} GHz to {self.frequency_max_hz / 1e9:.10g} GHz"
        message = (
            f"{frequency_hz / 1e9:.10g} GHz is outside {band}, where the loss is known; it is never extrapolated: "
            "measure the path further, or ask for less"
        )
        return FileError([Mistake(self.source, None, f"path {self.name}", message)])
