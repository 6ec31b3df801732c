"""Reflection at the device's ports and its way back, over frequency, temperature and bias."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sim_instruments.device_file import DeviceFile
from sim_instruments.physics.spread import UnitSpread

__all__ = ["ChannelMatch"]

# Of the quiescent current: at this part of it the ports are half way from their unbiased match to the biased one.
HALF_WAY_PART = 0.15
# Far outside its band a port reflects nearly everything.
REFLECTS_OUTSIDE = 0.85
# Unbiased a port is its gate's, or its drain's, bare capacitance behind its matching network: little is lost there, at one end of
# the band a little more than at the other; and the reflection turns by so much. [1, rad]
OFF_SLOPE_PART = 0.04
OFF_PHASE = (-0.9, 0.7)


class ChannelMatch:
    """S11, S22 and S12 of one channel; S21 is the device's own complex gain."""

    def __init__(self, file: DeviceFile, spread: UnitSpread) -> None:
        match = file.match
        self._file = file
        self._size = [
            _magnitude(loss_db) * math.exp(match.spread_percent / 100.0 * spread.deviate(name))
            for loss_db, name in ((match.input_return_loss_db, "input match"), (match.output_return_loss_db, "output match"))
        ]
        off_db = (match.off_return_loss_db, "off input match"), (match.off_output_return_loss_db, "off output match")
        self._off_size = [
            _magnitude(loss_db) * math.exp(match.spread_percent / 100.0 * spread.deviate(name)) for loss_db, name in off_db
        ]
        self._phase = [math.pi * spread.deviate(name) / 6.0 for name in ("input match phase", "output match phase")]
        self._ripple_phase = [0.4 + 0.3 * spread.deviate("input match ripple"), 2.1 + 0.3 * spread.deviate("output match ripple")]

    def scattering(
        self, frequency_hz: NDArray[np.float64], forward: NDArray[np.complex128], quiescent_a: float, channel_degc: float
    ) -> NDArray[np.complex128]:
        """
        All four parameters, shape (n, 2, 2).

        Args:
            frequency_hz: Shape (n,). [Hz]
            forward: S21, shape (n,).
            quiescent_a: Drain current without drive; decides how far the ports are on. [A]
            channel_degc: [degC]
        """
        match, nominal_a = self._file.match, self._file.drain.quiescent_current_a
        on = min(1.0, (1.0 + HALF_WAY_PART) * quiescent_a / (quiescent_a + HALF_WAY_PART * nominal_a))
        s = np.empty((len(frequency_hz), 2, 2), dtype=np.complex128)
        s[:, 0, 0] = self._reflection(0, frequency_hz, on, channel_degc, match.input_delay_s)
        s[:, 1, 1] = self._reflection(1, frequency_hz, on, channel_degc, match.output_delay_s)
        s[:, 1, 0] = forward
        # Without current the part is passive, and what leaks through it leaks both ways alike.
        way_back_db = on * match.reverse_isolation_db + (1.0 - on) * self._file.gain.isolation_db
        s[:, 0, 1] = _magnitude(way_back_db) * np.exp(-2j * np.pi * frequency_hz * self._file.phase.delay_s)
        return s

    def _reflection(
        self, port: int, frequency_hz: NDArray[np.float64], on: float, channel_degc: float, delay_s: float
    ) -> NDArray[np.complex128]:
        match, gain = self._file.match, self._file.gain
        away_hz = frequency_hz - gain.centre_hz
        ripple = match.ripple * np.sin(2.0 * np.pi * away_hz / match.ripple_period_hz + self._ripple_phase[port])
        warmer = 1.0 + match.temperature_per_k * (channel_degc - self._file.nominal_at_degc)
        inside = self._size[port] * (1.0 + ripple) * warmer
        outside = (away_hz / (1.5 * gain.half_bandwidth_hz)) ** 4
        biased = inside + (REFLECTS_OUTSIDE - inside) * outside / (1.0 + outside)
        # Warmer metal loses more of it.
        off = self._off_size[port] * (2.0 - warmer) * (1.0 - OFF_SLOPE_PART * (1.0 + np.tanh(away_hz / gain.half_bandwidth_hz)))
        size = np.clip(off * (1.0 - on) + biased * on, 0.0, 0.99)
        turn = self._phase[port] + (1.0 - on) * OFF_PHASE[port]
        reflected: NDArray[np.complex128] = size * np.exp(-1j * (2.0 * np.pi * frequency_hz * delay_s + turn))
        return reflected


def _magnitude(loss_db: float) -> float:
    return float(10.0 ** (-loss_db / 20.0))
