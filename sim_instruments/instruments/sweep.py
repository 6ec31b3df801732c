"""One sweep of a spectrum analyser: lines seen through a resolution filter, over noise."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

__all__ = ["Sweep"]

# Spread of a noise reading with an averaging detector, as a part of itself (natural logarithm).
FLOOR_SPREAD = 0.25
# How far a peak detector lifts noise, likewise: some 10 dB less the average's own. Common practice, no source.
PEAK_SPREAD = 2.0


class Sweep:
    """
    A finished trace. Points are worked out when they are asked for, and stay what they are.

    Args:
        lines: (frequency [Hz], level at the connector [dBm]).
        floor_dbm: Noise in the resolution bandwidth, referred to the connector.
        is_peak: A point shows the highest level of its interval, not the one at its middle: no line falls in between.
        gain_error_db: What this sweep as a whole is off by.
        error_db: What the instrument is off by at a frequency [Hz].
        noise: Standard normal numbers.
    """

    def __init__(
        self,
        *,
        lines: Sequence[tuple[float, float]],
        start_hz: float,
        stop_hz: float,
        points: int,
        bandwidth_hz: float,
        attenuation_db: float,
        floor_dbm: float,
        is_peak: bool,
        gain_error_db: float,
        error_db: Callable[[float], float],
        noise: Callable[[], float],
    ) -> None:
        self.start_hz, self.stop_hz = start_hz, stop_hz
        self._points = points
        self._bandwidth_hz = bandwidth_hz
        self._noise = noise
        self._half_hz = 0.5 * (stop_hz - start_hz) / (points - 1) if is_peak else 0.0
        self._peak_spread = PEAK_SPREAD if is_peak else 0.0
        self._floor_mw = 10.0 ** (floor_dbm / 10.0)
        self._gain = 10.0 ** (gain_error_db / 10.0)
        self._lines = [
            (frequency_hz, 10.0 ** ((level_dbm + error_db(frequency_hz)) / 10.0))
            for frequency_hz, level_dbm in lines
            if level_dbm > -math.inf
        ]
        total_mw = sum(power_mw for _, power_mw in self._lines)
        self.mixer_dbm = 10.0 * math.log10(total_mw) - attenuation_db if total_mw > 0 else -math.inf
        self._known: dict[int, float] = {}

    def frequency_hz(self, index: int) -> float:
        """Of one point. [Hz]"""
        return self.start_hz + (self.stop_hz - self.start_hz) * index / (self._points - 1)

    def nearest(self, frequency_hz: float) -> int:
        """The point that a marker sits on."""
        if self.stop_hz == self.start_hz:
            return 0
        return round((frequency_hz - self.start_hz) / (self.stop_hz - self.start_hz) * (self._points - 1))

    def level_dbm(self, index: int) -> float:
        """One point of the trace. [dBm]"""
        level_dbm = self._known.get(index)
        if level_dbm is None:
            level_dbm = self._known[index] = self._level_dbm(self.frequency_hz(index))
        return level_dbm

    def levels_dbm(self) -> list[float]:
        """The whole trace. [dBm]"""
        return [self.level_dbm(index) for index in range(self._points)]

    def _level_dbm(self, frequency_hz: float) -> float:
        power_mw = self._floor_mw * math.exp(FLOOR_SPREAD * self._noise() + self._peak_spread)
        for line_hz, line_mw in self._lines:
            # Gaussian filter, 3 dB down half a bandwidth off: response 2 ** -(2 d / B) ** 2.
            away_hz = max(0.0, abs(frequency_hz - line_hz) - self._half_hz)
            offset = 2.0 * away_hz / self._bandwidth_hz
            if offset < 30.0:
                power_mw += line_mw * 2.0 ** -(offset * offset)
        return 10.0 * math.log10(power_mw * self._gain)
