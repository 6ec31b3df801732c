"""
How units differ: numbers drawn from names, the same on every machine and in every run.

A lot's variance is shared between wafers, units on a wafer and channels in a unit, so that two channels of one unit are
more alike than two units, and two units of one wafer more alike than two wafers.
"""

from __future__ import annotations

import hashlib
import math

import numpy as np

__all__ = ["UnitSpread", "generator", "standard_normals"]

# Parts of the variance; they add up to 1, so that a spread in the device file is the spread over the whole lot.
LOT = 1
WAFER_PART, UNIT_PART, CHANNEL_PART = 0.40, 0.45, 0.15


def generator(seed: int, *names: str) -> np.random.Generator:
    """A generator of its own for each list of names. Python's hash() would differ from run to run."""
    digest = hashlib.sha256("\0".join(("world", *names)).encode()).digest()
    words = [int.from_bytes(digest[start : start + 4], "little") for start in range(0, 16, 4)]
    return np.random.default_rng(np.random.SeedSequence([seed, *words]))


def standard_normals(count: int, seed: int, *names: str) -> tuple[float, ...]:
    """`count` independent standard normal numbers."""
    return tuple(generator(seed, *names).standard_normal(count).tolist())


class UnitSpread:
    """
    Deviates of one channel of one unit, one for each quantity's name, each standard normal over a lot. A unit is the same part on
    every bench: the twin's seed is that of the bench, and no part of it.

    Args:
        unit: Serial number, e.g. L07-W1-01; what stands before its last dash is the wafer.
        channel: Name of the channel.
    """

    def __init__(self, unit: str, channel: str) -> None:
        self._unit, self._channel = unit, channel
        self._wafer = unit.rpartition("-")[0]

    def deviate(self, quantity: str) -> float:
        """Standard normal over a lot. [1]"""
        wafer, unit, channel = (
            standard_normals(1, LOT, quantity, *names)[0]
            for names in (
                ("wafer", self._wafer),
                ("unit", self._unit),
                ("channel", self._unit, self._channel),
            )
        )
        return math.sqrt(WAFER_PART) * wafer + math.sqrt(UNIT_PART) * unit + math.sqrt(CHANNEL_PART) * channel
