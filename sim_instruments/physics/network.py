"""
Two-ports in a row: paths with match and delay, calibration standards, and what a network analyser sees through them.

S-parameters as arrays of shape (n, 2, 2): `[k, i, j]` is out of port i + 1, into port j + 1, at frequency k; 50 ohm.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sim_instruments.physics.kit import KIT_STANDARDS, KitTruth
from sim_instruments.physics.paths import PathTruth
from sim_instruments.physics.spread import generator

__all__ = ["STANDARDS", "PathTwoPort", "cascade", "disconnected", "standard"]

Scattering = NDArray[np.complex128]

STANDARDS = ("open", "short", "load", "thru", "line", "reflect")
# A path's reflections: from so much to so much, as return loss. [dB]
BEST_MATCH_DB, WORST_MATCH_DB = 30.0, 22.0
# An electrical length for what a path's loss says nothing of. [s]
SHORTEST_S, LONGEST_S = 3e-9, 6e-9
# Of the line standard, at 10 GHz; as the square root of frequency. [dB]
LINE_LOSS_DB = 0.01
# The reflect standard: not quite a short, and nobody knows it exactly.
REFLECT_SIZE, REFLECT_DELAY_S = 0.97, 2.5e-12


class PathTwoPort:
    """
    A path with phase and match, as passive and reciprocal as its loss allows; that is exactly the path's scalar loss.

    Args:
        path: Its loss.
        seed: Of the twin; with the path's name it decides match and length.
    """

    def __init__(self, path: PathTruth, seed: int) -> None:
        self.path = path
        numbers = generator(seed, "path as a two-port", path.name)
        self._delay_s = float(numbers.uniform(SHORTEST_S, LONGEST_S))
        self._match_db = numbers.uniform(WORST_MATCH_DB, BEST_MATCH_DB, 2).tolist()
        self._phase = numbers.uniform(0.0, 2.0 * math.pi, 2).tolist()
        self._period_hz = float(numbers.uniform(0.7e9, 1.5e9))

    def at(self, frequency_hz: NDArray[np.float64]) -> Scattering:
        """Shape (n, 2, 2). [Hz]"""
        through = 10.0 ** (-np.array([self.path.loss_db(hz) for hz in frequency_hz.tolist()]) / 20.0)
        s = np.empty((len(frequency_hz), 2, 2), dtype=np.complex128)
        s[:, 1, 0] = s[:, 0, 1] = through * np.exp(-2j * np.pi * frequency_hz * self._delay_s)
        # With |S21| + |S11| below 1 no wave comes back stronger than it went in, whatever the phases.
        room = 0.9 * np.maximum(0.0, 1.0 - through)
        for port in (0, 1):
            size = np.minimum(10.0 ** (-self._match_db[port] / 20.0), room)
            ripple = 0.8 + 0.2 * np.cos(2.0 * np.pi * frequency_hz / self._period_hz + self._phase[port])
            s[:, port, port] = size * ripple * np.exp(-1j * (2.0 * np.pi * frequency_hz * 0.4e-9 + self._phase[port]))
        return s


def cascade(first: Scattering, second: Scattering) -> Scattering:
    """Port 2 of the first on port 1 of the second. Multiple reflections between them are a geometric series."""
    between = 1.0 / (1.0 - first[:, 1, 1] * second[:, 0, 0])
    s = np.empty_like(first)
    s[:, 0, 0] = first[:, 0, 0] + first[:, 0, 1] * second[:, 0, 0] * first[:, 1, 0] * between
    s[:, 1, 0] = second[:, 1, 0] * first[:, 1, 0] * between
    s[:, 0, 1] = first[:, 0, 1] * second[:, 0, 1] * between
    s[:, 1, 1] = second[:, 1, 1] + second[:, 1, 0] * first[:, 1, 1] * second[:, 0, 1] * between
    return s


def standard(what: str, frequency_hz: NDArray[np.float64], line_delay_s: float, kit: KitTruth | None = None) -> Scattering:
    """
    A calibration standard at the device's planes: on each port the same one-port, or one two-port between them.

    Args:
        what: One of STANDARDS. Open, short and load are ideal; thru has no length; line is matched and nearly lossless. A sensor
            at the analyser's cable means a thru. Anything else that was put there leaves both planes open, but for a power sensor
            at the input, which is matched.
        line_delay_s: Of the line. [s]
        kit: What they are off by; None: nothing.
    """
    if kit is not None and what in KIT_STANDARDS:
        return kit.off(what, frequency_hz, standard(what, frequency_hz, line_delay_s))
    count = len(frequency_hz)
    s = np.zeros((count, 2, 2), dtype=np.complex128)
    if what in ("thru", "line", "sensor at analyser"):
        through = np.ones(count, dtype=np.complex128)
        if what == "line":
            loss_db = LINE_LOSS_DB * np.sqrt(frequency_hz / 10e9)
            through = 10.0 ** (-loss_db / 20.0) * np.exp(-2j * np.pi * frequency_hz * line_delay_s)
        s[:, 0, 1] = s[:, 1, 0] = through
        return s
    reflections = {
        "open": 1.0,
        "short": -1.0,
        "load": 0.0,
        "reflect": -REFLECT_SIZE * np.exp(-2j * np.pi * frequency_hz * REFLECT_DELAY_S),
    }
    s[:, 0, 0] = s[:, 1, 1] = reflections.get(what, 1.0)
    if what == "sensor":
        s[:, 0, 0] = 0.0
    return s


def disconnected(count: int) -> Scattering:
    """Both ports at the open contacts of a switch."""
    s = np.zeros((count, 2, 2), dtype=np.complex128)
    s[:, 0, 0] = s[:, 1, 1] = 0.98
    return s
