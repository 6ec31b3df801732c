"""Seeds that are the same on every machine, and noise drawn in blocks: a reading costs no call into numpy."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from typing import Literal

import numpy as np

__all__ = ["ErrorsDrawn", "Noise", "StatedError", "SystematicError", "error_within", "generator"]

ErrorsDrawn = Literal["mostly within", "as stated"]
"""
"mostly within": an instrument uses up about a third of its accuracy, and has no error but that, its noise and its steps.
"as stated": every limit of error that the bench file states is drawn, anywhere within it equally likely.
"""

BLOCK = 4096


def generator(seed: int, *names: str) -> np.random.Generator:
    """A generator of its own for each name; Python's hash() would differ from run to run."""
    digest = hashlib.sha256("\0".join(names).encode()).digest()
    words = [int.from_bytes(digest[start : start + 4], "little") for start in range(0, 16, 4)]
    return np.random.default_rng(np.random.SeedSequence([seed, *words]))


class Noise:
    """Standard normal numbers, one a call."""

    def __init__(self, seed: int, *names: str) -> None:
        self._generator = generator(seed, *names)
        self._block: Iterator[float] = iter(())

    def __call__(self) -> float:
        for value in self._block:
            return value
        drawn: list[float] = self._generator.standard_normal(BLOCK).tolist()
        self._block = iter(drawn)
        return next(self._block)


class SystematicError:
    """
    What an instrument is off by, within plus or minus 1 of its stated accuracy: one part fixed, one slowly varying.

    The variation is a sine over `period`, e.g. of the carrier frequency. Drawn once; the same for one seed and name.
    """

    def __init__(self, seed: int, *names: str, period: float) -> None:
        drawn: list[float] = generator(seed, *names, "systematic").uniform(-1.0, 1.0, 3).tolist()
        self._fixed, self._varying, self._phase = 0.5 * drawn[0], 0.5 * drawn[1], math.pi * drawn[2]
        self._turn = 2.0 * math.pi / period

    def at(self, value: float) -> float:
        """Part of the accuracy used up at `value`, -1 to 1."""
        return self._fixed + self._varying * math.sin(self._turn * value + self._phase)


class StatedError:
    """
    What an instrument is off by, anywhere within plus or minus 1 of what is stated, equally likely: a triangle of random phase.

    It goes from one limit to the other and back over two `period`s. Drawn once; the same for one seed and name.
    """

    def __init__(self, seed: int, *names: str, period: float) -> None:
        self._phase = float(generator(seed, *names, "as stated").uniform())
        self._per_unit = 0.5 / period

    def at(self, value: float) -> float:
        """Part of the accuracy used up at `value`, -1 to 1."""
        return 4.0 * abs((value * self._per_unit + self._phase) % 1.0 - 0.5) - 1.0


def error_within(seed: int, *names: str, period: float, errors: ErrorsDrawn) -> SystematicError | StatedError:
    """What an instrument is off by within its stated accuracy."""
    kind = StatedError if errors == "as stated" else SystematicError
    return kind(seed, *names, period=period)
