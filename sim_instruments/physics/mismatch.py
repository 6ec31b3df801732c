"""Mismatch between a channel's pins and its paths, drawn from what the bench file states of both."""

from __future__ import annotations

import math

import numpy as np

from benchkit.bench.model import MismatchSettings
from sim_instruments.physics.spread import generator

__all__ = ["PortMismatch"]

# Between the two reflections lie some centimetres of line, there and back.
SHORTEST_S, LONGEST_S = 0.2e-9, 0.8e-9


class PortMismatch:
    """
    How much more comes over one plane than between matched ends: -20 log10 |1 - gamma gamma'| (textbook: Pozar,
    Microwave Engineering, 4th ed., section 12.1, from memory). Both reflections are anywhere in the disc that the stated return
    loss draws, or on its edge where the convention says that the magnitudes are known; their phase turns with frequency.

    Args:
        name: Of the plane; with the seed it decides both.
    """

    def __init__(self, stated: MismatchSettings, seed: int, *name: str) -> None:
        numbers = generator(seed, "mismatch", *name)
        sizes = [10.0 ** (-loss_db / 20.0) for loss_db in (stated.path_return_loss_db, stated.device_return_loss_db)]
        if stated.convention == "largest magnitudes":
            sizes = [size * math.sqrt(float(numbers.uniform())) for size in sizes]
        self._product = sizes[0] * sizes[1]
        self._phase = float(numbers.uniform(0.0, 2.0 * math.pi))
        self._delay_s = float(numbers.uniform(SHORTEST_S, LONGEST_S))

    def gain_db(self, frequency_hz: float) -> float:
        """Above zero: more than between matched ends. [dB]"""
        angle = self._phase - 2.0 * math.pi * frequency_hz * self._delay_s
        return -20.0 * math.log10(float(np.abs(1.0 - self._product * np.exp(1j * angle))))
