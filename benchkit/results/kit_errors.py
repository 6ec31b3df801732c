"""
What a calibration kit is off by, and what that makes of corrected S-parameters.

Standards connected again come back however wrong they are: residuals show how well they are connected, not what they are. With
the load off its definition by e, short and open by a and b (the same kit at both ports), what is corrected is off, to first
order, by

    dS11 = -e (1 - S11^2 - S12 S21) + S11 (a (1 - S11) - b (1 + S11)) / 2
    dS21 = S21 (e (S11 + S22) - (a + b) / 2 (S11 - L))                      L: load match of the analyser, before correction

and the other two likewise: a corrected reflection is exact where the standards are, and a quadratic of the true one between them.
In TRL the line stands for the load, with the reflection that it has in 50 ohm; there is no short and no open to be off.
All of it is systematic: the same in every sweep that the calibration corrects. In tests/outside it is held against scikit-rf.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["KIT_REFERENCE", "KIT_REFLECTS", "KIT_THRU", "KitErrors", "kit_amounts", "kit_moves"]

Complexes = NDArray[np.complex128]

KIT_REFERENCE = "calibration kit: load or line"
KIT_REFLECTS = "calibration kit: short and open"
KIT_THRU = "calibration kit: thru"
PER_DB = math.log(10.0) / 20.0


@dataclass(frozen=True)
class KitErrors:
    """
    Standard uncertainties; 0 for what is nothing, or not stated.

    Attributes:
        reference: Real or imaginary part of the load's reflection, or of the line's in 50 ohm. [1]
        reflects: Real or imaginary part of what short and open are off by, each. [1]
        thru_db: Of the thru's transmission. [dB]
        load_match: Largest |load match| of the analyser before correction, forward and reverse: by way of it the thru is measured
            with what short and open left. [1]
    """

    reference: float = 0.0
    reflects: float = 0.0
    thru_db: float = 0.0
    load_match: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        for value in (self.reference, self.reflects, self.thru_db, *self.load_match):
            if not 0 <= value < math.inf:
                raise ValueError(f"a calibration kit's standard uncertainty is {value}; expected a finite number, not below zero")

    @property
    def each(self) -> dict[str, KitErrors]:
        """One by one, by name; each leaves the others nothing."""
        return {
            KIT_REFERENCE: KitErrors(reference=self.reference),
            KIT_REFLECTS: KitErrors(reflects=self.reflects, load_match=self.load_match),
            KIT_THRU: KitErrors(thru_db=self.thru_db),
        }


def kit_amounts(at: Complexes, kit: KitErrors, i: int, j: int) -> dict[str, float]:
    """
    Standard uncertainty of the real or imaginary part of S(i+1)(j+1) at one frequency, by name. [1]

    Args:
        at: Corrected S, shape (2, 2).
        i, j: 0 or 1 each.
    """
    size, own, loop = abs(at[i, j]), at[i, i], at[0, 1] * at[1, 0]
    if i == j:
        return {
            KIT_REFERENCE: kit.reference * abs(1.0 - own**2 - loop),
            KIT_REFLECTS: kit.reflects * size * math.sqrt((1.0 + size**2) / 2.0),
        }
    match = math.hypot(abs(at[j, j]), kit.load_match[j])
    return {
        KIT_REFERENCE: kit.reference * size * abs(at[0, 0] + at[1, 1]),
        KIT_REFLECTS: kit.reflects * size * match / math.sqrt(2.0),
        KIT_THRU: PER_DB * kit.thru_db * size,
    }


def kit_moves(name: str, s: Complexes, kit: KitErrors, unit: Callable[[], Complexes]) -> Complexes:
    """
    What one of `KitErrors.each` moves S by, shape (draws, n, 2, 2).

    Args:
        s: Corrected, shape (n, 2, 2).
        unit: Draws complex numbers that change slowly over the band, shape (draws, n), each part of variance one.
    """
    if name == KIT_REFERENCE:
        return np.asarray(-(kit.reference * unit())[..., None, None] * (np.eye(2) - s @ s))
    if name == KIT_THRU:
        moved = (PER_DB * kit.thru_db * unit())[..., None, None] * s
        moved[..., (0, 1), (0, 1)] = 0.0
        return np.asarray(moved)
    short, opened = kit.reflects * unit(), kit.reflects * unit()
    match, tracking = -(short + opened) / 2.0, (short - opened) / 2.0
    moved = np.zeros((*short.shape, 2, 2), dtype=np.complex128)
    for port in (0, 1):
        gamma = s[:, port, port]
        moved[..., port, port] = tracking * gamma + match * gamma**2
        # Only the size of the analyser's load match is known: its angle is drawn, as one of a normal number is.
        load = kit.load_match[port] / math.sqrt(2.0) * unit()
        moved[..., 1 - port, port] = s[:, 1 - port, port] * (match * gamma - match * load)
    return moved
