"""
The systematic errors of a two-port network analyser's test set, and what they make of true S-parameters.

Each port has an error box: directivity, match, and tracking one way and the other (eight terms in all); the switch behind
the port that does not drive may reflect (switch terms); and a little leaks from port to port (isolation). From these follow
the twelve terms of the usual model, and its equations: Rytting, "Network Analyzer Error Models and Calibration Methods";
with switch terms: Marks, "Formulations of the Basic Vector Network Analyzer Error Model including Switch-Terms", 50th ARFTG
Conference Digest, 1997. Both from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sim_instruments.instruments.noise import generator
from sim_instruments.instruments.options import NetworkAnalyserOptions

__all__ = ["NetworkErrors"]

Terms = NDArray[np.complex128]

RIPPLE = 0.3
RIPPLE_PERIOD_HZ = 2.1e9


class NetworkErrors:
    """
    Drawn once from seed and name.

    Args:
        options: How large they are; `ideal`: all of them nothing.
    """

    def __init__(self, seed: int, name: str, options: NetworkAnalyserOptions) -> None:
        self._is_ideal = options.ideal
        numbers = generator(seed, name, "test set")
        sizes = {
            "directivity": _magnitude(options.directivity_db),
            "match": _magnitude(options.match_db),
            "crosstalk": _magnitude(options.crosstalk_db),
            "switch": 0.0 if options.switch_match_db is None else _magnitude(options.switch_match_db),
        }
        # For each port: size within a factor, phase at 0 Hz, delay, phase of the ripple.
        self._drawn = {
            (kind, port): (
                size * float(numbers.uniform(0.7, 1.3)),
                float(numbers.uniform(0.0, 2.0 * math.pi)),
                float(numbers.uniform(20e-12, 250e-12)),
                float(numbers.uniform(0.0, 2.0 * math.pi)),
            )
            for kind, size in sizes.items()
            for port in (1, 2)
        }
        # Likewise, for the way out of a port and the way into it: loss, its slope, phase at 0 Hz, delay.
        self._tracking = {
            (port, way): (
                options.tracking_db * float(numbers.uniform(-0.5, 0.5)),
                options.tracking_db * float(numbers.uniform(-0.5, 0.5)),
                float(numbers.uniform(0.0, 2.0 * math.pi)),
                float(numbers.uniform(50e-12, 300e-12)),
            )
            for port in (1, 2)
            for way in ("out", "in")
        }

    def measured(self, true: Terms, frequency_hz: NDArray[np.float64]) -> Terms:
        """
        What the receivers' ratios show of `true`, shape (n, 2, 2). [Hz]

        Out of the box as (forward drives port 1, reverse port 2) with D the loop of both matches:
        S11m = directivity + tracking (S11 - load match det S) / D, S21m = crosstalk + tracking S21 / D, and so on.
        """
        if self._is_ideal:
            return true.copy()
        s11, s12, s21, s22 = true[:, 0, 0], true[:, 0, 1], true[:, 1, 0], true[:, 1, 1]
        determinant = s11 * s22 - s12 * s21
        measured = np.empty_like(true)
        for near, far, own, across in ((1, 2, s11, s21), (2, 1, s22, s12)):
            other = s22 if near == 1 else s11
            source_match, load_match = self._term("match", near, frequency_hz), self._load_match(far, frequency_hz)
            loop = 1.0 - source_match * own - load_match * other + source_match * load_match * determinant
            reflected = self._term("directivity", near, frequency_hz)
            reflected = reflected + self._track(near, "out", frequency_hz) * self._track(near, "in", frequency_hz) * (
                (own - load_match * determinant) / loop
            )
            through = self._track(near, "out", frequency_hz) * self._way_in(far, frequency_hz) * across / loop
            measured[:, near - 1, near - 1] = reflected
            measured[:, far - 1, near - 1] = self._term("crosstalk", near, frequency_hz) + through
        return measured

    def _load_match(self, port: int, frequency_hz: NDArray[np.float64]) -> Terms:
        """Of the port that does not drive: its own match, and what its switch sends back through its box."""
        switch = self._term("switch", port, frequency_hz)
        box = self._track(port, "out", frequency_hz) * self._track(port, "in", frequency_hz)
        match = self._term("match", port, frequency_hz)
        return match + box * switch / (1.0 - self._term("directivity", port, frequency_hz) * switch)

    def _way_in(self, port: int, frequency_hz: NDArray[np.float64]) -> Terms:
        switch = self._term("switch", port, frequency_hz)
        return self._track(port, "in", frequency_hz) / (1.0 - self._term("directivity", port, frequency_hz) * switch)

    def _term(self, kind: str, port: int, frequency_hz: NDArray[np.float64]) -> Terms:
        size, phase, delay_s, ripple_phase = self._drawn[kind, port]
        ripple = 1.0 + RIPPLE * np.sin(2.0 * np.pi * frequency_hz / RIPPLE_PERIOD_HZ + ripple_phase)
        term: Terms = size * ripple * np.exp(-1j * (2.0 * np.pi * frequency_hz * delay_s + phase))
        return term

    def _track(self, port: int, way: str, frequency_hz: NDArray[np.float64]) -> Terms:
        fixed_db, slope_db, phase, delay_s = self._tracking[port, way]
        loss_db = fixed_db + slope_db * (frequency_hz - 14e9) / 10e9
        track: Terms = 10.0 ** (-loss_db / 20.0) * np.exp(-1j * (2.0 * np.pi * frequency_hz * delay_s + phase))
        return track


def _magnitude(loss_db: float) -> float:
    return math.pow(10.0, -loss_db / 20.0)
