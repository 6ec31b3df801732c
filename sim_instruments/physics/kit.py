"""What the simulated calibration kit's standards are off their definitions by. There is one kit: at every port it is the same."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchkit.bench.model import TwinKit
from sim_instruments.physics.spread import generator

__all__ = ["KIT_STANDARDS", "KitTruth"]

Scattering = NDArray[np.complex128]

KIT_STANDARDS = ("open", "short", "load", "thru", "line")
"""Of the reflect nobody says what it is, so that it is off by nothing."""

# What a connector's end reflects turns with frequency as if it lay so far behind the plane. [s]
LONGEST_S = 40e-12
PER_DB = math.log(10.0) / 20.0


class KitTruth:
    """
    Args:
        stated: Expanded, k = 2.
        seed: Of the twin.
    """

    def __init__(self, stated: TwinKit, seed: int) -> None:
        numbers = generator(seed, "calibration kit")
        off = stated.reflection_uncertainty / 2.0 * numbers.standard_normal((len(KIT_STANDARDS), 2))
        self._reflection = dict(zip(KIT_STANDARDS, (off[:, 0] + 1j * off[:, 1]).tolist(), strict=True))
        self._delay_s = dict(zip(KIT_STANDARDS, numbers.uniform(0.0, LONGEST_S, len(KIT_STANDARDS)).tolist(), strict=True))
        through = PER_DB * stated.transmission_uncertainty_db / 2.0 * numbers.standard_normal(2)
        self._through = complex(through[0], through[1])

    def off(self, what: str, frequency_hz: NDArray[np.float64], defined: Scattering) -> Scattering:
        """
        A standard as it is, shape (n, 2, 2). [Hz]

        Args:
            what: One of KIT_STANDARDS.
            defined: As it is defined to be.
        """
        s = defined.copy()
        if what == "thru":
            turn = np.exp(self._through * (1.0 + 0.1 * (frequency_hz - 14e9) / 1e9))
            s[:, 0, 1] *= turn
            s[:, 1, 0] *= turn
        elif what == "line":
            # Of another impedance, real in a line that loses little: matched to it, seen from 50 ohm (Pozar, Microwave
            # Engineering, 4th ed., 4.3, from memory).
            rho, through = self._reflection[what].real, defined[:, 1, 0]
            loop = 1.0 - rho**2 * through**2
            s[:, 0, 0] = s[:, 1, 1] = rho * (1.0 - through**2) / loop
            s[:, 0, 1] = s[:, 1, 0] = through * (1.0 - rho**2) / loop
        else:
            reflected = self._reflection[what] * np.exp(-2j * np.pi * frequency_hz * self._delay_s[what])
            s[:, 0, 0] += reflected
            s[:, 1, 1] += reflected
        return s
