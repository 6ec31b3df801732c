"""Made-up drive ladders: Rapp's model, which has a knee of any hardness and a compression point in closed form."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

Levels = NDArray[np.float64]


@dataclass(frozen=True)
class Device:
    """Gain [dB], saturated power [dBm] and Rapp's p."""

    gain_db: float = 24.0
    saturated_dbm: float = 29.0
    p: float = 2.0

    def output_dbm(self, input_dbm: Levels) -> Levels:
        x = 10 ** ((input_dbm + self.gain_db - self.saturated_dbm) / 20)
        return self.saturated_dbm + 20 * np.log10(x / (1 + x ** (2 * self.p)) ** (1 / (2 * self.p)))

    def input_at_compression_dbm(self, compression_db: float = 1.0) -> float:
        """Rapp 1991: x = (10^(p c/10) - 1)^(1/2p)."""
        x = (10 ** (self.p * compression_db / 10) - 1) ** (1 / (2 * self.p))
        return self.saturated_dbm - self.gain_db + 20 * math.log10(x)

    def ladder(
        self, *, below_db: float = 30.0, above_db: float = 4.0, step_db: float = 1.0, phase: float = 0.3
    ) -> tuple[Levels, Levels]:
        """From below to above the 1 dB compression point, which lies `phase` of a step above a point."""
        steps = np.arange(-round(below_db / step_db), round(above_db / step_db) + 1)
        levels = self.input_at_compression_dbm() + (steps - phase) * step_db
        return levels, self.output_dbm(levels)


devices = st.builds(Device, st.floats(-5, 40), st.floats(0, 40), st.floats(1, 4))
steps = st.sampled_from([0.25, 0.5, 1.0])
phases = st.floats(0.0, 0.999)
