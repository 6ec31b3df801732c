"""
The on-chip output power detector and its reference diode.

Both diodes carry the same temperature-dependent voltage; only one of them sees RF. The difference is what a user reads.
"""

from __future__ import annotations

import math

from sim_instruments.device_file import DeviceFile
from sim_instruments.physics.device import milliwatts
from sim_instruments.physics.spread import UnitSpread

__all__ = ["ChannelDetector"]

REFERENCE_AT_DEGC = 25.0
# The diodes are fed from the drain: below this they die with it.
FEED_V = 0.8


class ChannelDetector:
    """One channel's two diodes."""

    def __init__(self, file: DeviceFile, spread: UnitSpread) -> None:
        self._file = file
        sizes = file.spread
        self._at_one_mw_v = file.detector.voltage_at_one_mw_v * math.exp(
            sizes.detector_percent / 100.0 * spread.deviate("detector")
        )
        self._reference_v = file.detector.reference_v + sizes.reference_v * spread.deviate("reference")

    def reference_v(self, drain_v: float, case_degc: float) -> float:
        """Reference diode. [V]"""
        values = self._file.detector
        feed = math.tanh(drain_v / FEED_V)
        return feed * (self._reference_v + values.reference_v_per_k * (case_degc - REFERENCE_AT_DEGC))

    def difference_v(self, frequency_hz: float, output_dbm: float, drain_v: float, case_degc: float) -> float:
        """Detector less reference: k P^m. [V]"""
        if output_dbm == -math.inf:
            return 0.0
        values = self._file.detector
        away_ghz = (frequency_hz - self._file.gain.centre_hz) / 1e9
        drift = values.temperature_per_k * (case_degc - REFERENCE_AT_DEGC) + values.slope_per_ghz * away_ghz
        power = milliwatts(output_dbm * values.exponent)
        return math.tanh(drain_v / FEED_V) * self._at_one_mw_v * math.exp(drift) * power
