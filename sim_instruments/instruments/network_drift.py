"""What a network analyser's calibration does not take off: drift of instrument and cables since, and non-linear receivers."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sim_instruments.instruments.noise import generator

__all__ = ["NetworkDrift"]

Terms = NDArray[np.complex128]

# It drifts away from how it was when it was switched on, with this time constant: a calibration made at once sees little of it.
TIME_CONSTANT_S = 1800.0
# Of non-linearity over level: from one limit to the other.
LINEARITY_PERIOD_DB = 15.0
# Of drift over frequency, likewise: a bent cable's reflections beat over its length (2 GHz: 5 cm, 0.3 GHz: 30 cm).
PERIODS_HZ = (0.3e9, 2e9)
PER_DB = math.log(10.0) / 20.0


class NetworkDrift:
    """
    Every limit drawn: anywhere within it, equally likely.

    Each port has half of a ratio's drift, so that a reflection, which passes its port twice, and a transmission, which passes
    both once, stay within the limit; in phase the same part of a radian. Of a difference of two levels the linearity is the
    limit: each level has half of it.

    Args:
        linearity_db, drift_db: Limits of error of a ratio. [dB]
        t: When it was switched on. [s]
    """

    def __init__(self, seed: int, name: str, linearity_db: float, drift_db: float, t: float) -> None:
        numbers = generator(seed, name, "drift")
        # For each port size and angle: where its triangle over frequency begins, and how long one way of it takes.
        self._begins = numbers.uniform(size=(2, 2))
        self._period_hz = np.exp(numbers.uniform(math.log(PERIODS_HZ[0]), math.log(PERIODS_HZ[1]), (2, 2)))
        self._half_drift = 0.5 * PER_DB * drift_db
        self._half_linearity = 0.5 * PER_DB * linearity_db
        self._phase = float(numbers.uniform())
        self._begun_s = t

    def seen(self, raw: Terms, frequency_hz: NDArray[np.float64], t: float) -> Terms:
        """The raw ratios with it, shape (n, 2, 2). [Hz, s]"""
        sizes, angles = np.moveaxis(_triangle(0.5 * frequency_hz[:, None, None] / self._period_hz + self._begins), 2, 0)
        ports = self._half_drift * (1.0 - math.exp(-(t - self._begun_s) / TIME_CONSTANT_S)) * (sizes + 1j * angles)
        drifted: Terms = raw * np.exp(ports[:, :, np.newaxis] + ports[:, np.newaxis, :])
        if self._half_linearity == 0.0:
            return drifted
        size = np.abs(drifted)
        level_db = np.log(np.where(size > 0.0, size, 1.0)) / PER_DB
        return np.asarray(drifted * np.exp(self._half_linearity * _triangle(0.5 * level_db / LINEARITY_PERIOD_DB + self._phase)))


def _triangle(turns: NDArray[np.float64]) -> NDArray[np.float64]:
    """From -1 to 1 and back in one turn: over a random phase equally likely anywhere between."""
    return np.asarray(4.0 * np.abs(turns % 1.0 - 0.5) - 1.0)
