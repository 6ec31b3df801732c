"""A path as it truly is: its table, plus an error that the table's uncertainty allows."""

from __future__ import annotations

import math

from benchkit.bench.paths import LossPath
from sim_instruments.physics.spread import generator

__all__ = ["PathTruth"]

# The error of a table is mostly common to all frequencies and partly slow over frequency; parts of the variance.
COMMON_PART, SLOW_PART = 0.6, 0.4
SLOW_PERIOD_HZ = 1.6e9
RAPP_P = 3.0


class PathTruth:
    """
    True loss between two planes.

    Args:
        path: The table the bench file names; U in it is expanded, k = 2, so the error's standard deviation is U / 2.
        seed: Of the twin; with the path's name it decides the error.
        saturated_dbm: What its amplifier can give at the most, at its end; None: there is none. [dBm]
    """

    def __init__(self, path: LossPath, seed: int, saturated_dbm: float | None = None) -> None:
        self._saturated_dbm = saturated_dbm
        self.name = path.name
        self.extra_db = 0.0
        """A fault's place: loss that came in after the path was measured. [dB]"""
        numbers = generator(seed, "path", path.name)
        self._path = path
        self._common = math.sqrt(COMMON_PART) * float(numbers.standard_normal())
        # A sine of random phase has the variance one half.
        self._slow = math.sqrt(2.0 * SLOW_PART) * float(numbers.standard_normal())
        self._phase = float(numbers.uniform(0.0, 2.0 * math.pi))
        self._known: dict[float, float] = {}

    def through(self, level_dbm: float, frequency_hz: float) -> float:
        """
        What leaves it of one line; lines are compressed each by itself, and an amplifier's own intermodulation is not made. [dBm]

        Amplitude by C. Rapp (1991), p = 3, from memory: bent over sharply, as a driver's is.
        """
        leaves_dbm = level_dbm - self.loss_db(frequency_hz)
        if self._saturated_dbm is None or leaves_dbm == -math.inf:
            return leaves_dbm
        over = 10.0 ** ((leaves_dbm - self._saturated_dbm) / 10.0 * RAPP_P)
        return leaves_dbm - 10.0 / RAPP_P * math.log10(1.0 + over)

    def loss_db(self, frequency_hz: float) -> float:
        """True loss; with an amplifier that of a small level. [dB]"""
        loss = self._known.get(frequency_hz)
        if loss is None:
            if len(self._known) > 10_000:  # a sweep of any length must not fill memory
                self._known.clear()
            loss = self._known[frequency_hz] = self._true_loss_db(frequency_hz)
        return loss + self.extra_db

    def _true_loss_db(self, frequency_hz: float) -> float:
        path = self._path
        # Outside its table a real path still has a loss; only who measures must not guess it. Conductor loss goes as the
        # square root of frequency (skin effect).
        inside_hz = min(max(frequency_hz, path.frequency_min_hz), path.frequency_max_hz)
        loss, half_u = path.loss_db(inside_hz), 0.5 * path.uncertainty_db(inside_hz)
        error = self._common + self._slow * math.sin(2.0 * math.pi * inside_hz / SLOW_PERIOD_HZ + self._phase)
        loss += half_u * error
        if frequency_hz != inside_hz and inside_hz > 0.0 and loss > 0.0:
            loss *= math.sqrt(frequency_hz / inside_hz)
        return loss
