"""What the mixer of a spectrum analyser makes of the lines at its input: products that look as if the device had made them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from sim_instruments.instruments.noise import generator

__all__ = ["MixerDistortion"]

# Products of lines weaker than this at the mixer are nothing.
WEAKEST_DBM = -70.0
# As many of the strongest lines are taken in pairs.
STRONGEST = 4


class MixerDistortion:
    """
    Third-order products 2 f1 - f2 and second harmonics, by intercepts at the mixer.

    A product falls on a line of the device's with a phase that nobody knows: it adds to it or takes from it. The phase is
    drawn once, for each kind of product.

    Args:
        intercept_dbm: Third order, at the input with 0 dB of attenuation; None: it makes none.
        second_intercept_dbm: Second harmonic, likewise.
    """

    def __init__(self, seed: int, name: str, intercept_dbm: float | None, second_intercept_dbm: float | None) -> None:
        self._third_dbm, self._second_dbm = intercept_dbm, second_intercept_dbm
        drawn = generator(seed, name, "mixer").uniform(0.0, 2.0 * math.pi, 2).tolist()
        self._third_phase, self._second_phase = drawn

    def seen(self, lines: Sequence[tuple[float, float]], attenuation_db: float) -> list[tuple[float, float]]:
        """Lines at the input and what the mixer adds to them, referred to the input. [Hz, dBm]"""
        seen = list(lines)
        strongest = sorted(
            (line for line in lines if line[1] - attenuation_db > WEAKEST_DBM), key=lambda line: line[1], reverse=True
        )[:STRONGEST]
        if self._third_dbm is not None:
            for (first_hz, first_dbm), (second_hz, second_dbm) in itertools.permutations(strongest, 2):
                level_dbm = 2.0 * first_dbm + second_dbm - 2.0 * (self._third_dbm + attenuation_db)
                self._add(seen, 2.0 * first_hz - second_hz, level_dbm, self._third_phase)
        if self._second_dbm is not None:
            for line_hz, line_dbm in strongest:
                level_dbm = 2.0 * line_dbm - (self._second_dbm + attenuation_db)
                self._add(seen, 2.0 * line_hz, level_dbm, self._second_phase)
        return seen

    @staticmethod
    def _add(seen: list[tuple[float, float]], frequency_hz: float, level_dbm: float, phase: float) -> None:
        if frequency_hz <= 0.0:
            return
        for index, (line_hz, line_dbm) in enumerate(seen):
            if abs(line_hz - frequency_hz) < 1.0:
                size, other = 10.0 ** (line_dbm / 20.0), 10.0 ** (level_dbm / 20.0)
                power = size * size + other * other + 2.0 * size * other * math.cos(phase)
                seen[index] = (line_hz, 10.0 * math.log10(power) if power > 0.0 else -math.inf)
                return
        seen.append((frequency_hz, level_dbm))
