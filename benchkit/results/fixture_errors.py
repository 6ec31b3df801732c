"""What the files of de-embedded fixtures may be wrong by, and what that makes of corrected S: it acts as residuals do."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FIXTURE_LOSS", "FIXTURE_MATCH", "FixtureErrors", "fixture_loss_db", "fixture_match", "fixture_moves"]

Complexes = NDArray[np.complex128]

FIXTURE_MATCH = "reflections of the fixtures taken out"
FIXTURE_LOSS = "loss of the fixtures taken out"
PER_DB = math.log(10.0) / 20.0


@dataclass(frozen=True)
class FixtureErrors:
    """
    What fixtures that were taken out may have left at ports 1 and 2; standard uncertainties, 0 where nothing was taken out.

    Attributes:
        reflection: Real or imaginary part of a reflection, towards the device or towards the analyser. [1]
        loss_db: Of the way through, once. [dB]
    """

    reflection: tuple[float, float] = (0.0, 0.0)
    loss_db: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        for value in (*self.reflection, *self.loss_db):
            if not 0 <= value < math.inf:
                raise ValueError(f"a fixture's standard uncertainty is {value}; expected a finite number, not below zero")


def fixture_match(at: Complexes, fixtures: FixtureErrors, i: int, j: int) -> float:
    """Standard uncertainty of the real or imaginary part of S(i+1)(j+1) at one frequency, `at` of shape (2, 2). [1]"""
    own, other, loop = at[i, i], at[1 - i, 1 - i], at[0, 1] * at[1, 0]
    match, far = fixtures.reflection[i], fixtures.reflection[1 - i]
    if i == j:
        # Its outer reflection is a directivity, its inner one a match.
        return math.hypot(match, match * abs(own) ** 2, far * abs(loop))
    return float(abs(at[i, j])) * math.hypot(match * abs(own), far * abs(other))


def fixture_loss_db(fixtures: FixtureErrors, i: int, j: int) -> float:
    """Likewise of its magnitude: a reflection passes the loss twice. [dB]"""
    return 2.0 * fixtures.loss_db[i] if i == j else math.hypot(*fixtures.loss_db)


def fixture_moves(
    name: str, s: Complexes, fixtures: FixtureErrors, unit: Callable[[], Complexes], slow_unit: Callable[[], Complexes]
) -> Complexes:
    """
    What one of them moves S by, shape (draws, n, 2, 2).

    Args:
        s: Corrected, shape (n, 2, 2).
        unit, slow_unit: Draw complex numbers, shape (draws, n), each part of variance one; changing, and changing slowly.
    """
    if name == FIXTURE_LOSS:
        # One thing's loss, and with it its phase, is off slowly over the band.
        passed = np.array([PER_DB * u_db * slow_unit() for u_db in fixtures.loss_db])
        return np.asarray(np.moveaxis(passed[:, np.newaxis] + passed[np.newaxis], (0, 1), (-2, -1)) * s)
    outer, inner = ([r * unit() for r in fixtures.reflection] for _ in range(2))
    moved = np.zeros((*outer[0].shape, 2, 2), dtype=np.complex128)
    loop = s[:, 0, 1] * s[:, 1, 0]
    for port in (0, 1):
        gamma = s[:, port, port]
        moved[..., port, port] = outer[port] + inner[port] * gamma**2 + inner[1 - port] * loop
        moved[..., 1 - port, port] = s[:, 1 - port, port] * (inner[0] * s[:, 0, 0] + inner[1] * s[:, 1, 1])
    return moved
