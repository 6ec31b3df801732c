"""
Reflection and mismatch: return loss, VSWR, mismatch loss, and what an unknown phase makes uncertain.

gamma is a reflection coefficient, complex or its magnitude, of any shape. Return loss is positive for a passive port.
Sources: D. M. Pozar, Microwave Engineering, 4th ed., 2.3; I. A. Harris and F. L. Warner, IEE Proc. 128 H (1981) 35.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Mismatch",
    "MismatchConvention",
    "gamma_from_return_loss",
    "gamma_from_vswr",
    "mismatch",
    "mismatch_loss_db",
    "return_loss_db",
    "vswr",
]

MismatchConvention = Literal["known magnitudes", "largest magnitudes"]
"""
"known magnitudes": both |gamma| are known, the phase is not: U-shaped, u = sqrt(2) rho_s rho_l (EA-4/02, S6).
"largest magnitudes": only bounds are known, each gamma anywhere in its disc: u = rho_s rho_l / sqrt(2), half of it.
"""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Mismatch:
    """
    Of the power passed between two ports of unknown phase, |1 - gamma_s gamma_l|^2.

    Attributes:
        plus_percent, minus_percent: Limits of error of the power; minus is negative. [%]
        plus_db, minus_db: The same. [dB]
        standard_uncertainty_percent: u by the convention. [%]
        standard_uncertainty_db: u by the convention, (10 / ln 10) times the relative one. [dB]
        convention: Which of the two.
    """

    plus_percent: float
    minus_percent: float
    plus_db: float
    minus_db: float
    standard_uncertainty_percent: float
    standard_uncertainty_db: float
    convention: MismatchConvention


def return_loss_db(gamma: ArrayLike) -> Floats:
    """-20 log10 |gamma|, of the same shape; infinite for a perfect match, negative where |gamma| > 1. [dB]"""
    with np.errstate(divide="ignore"):  # log of a perfect match
        return np.asarray(-20 * np.log10(np.abs(gamma)), dtype=np.float64)


def vswr(gamma: ArrayLike) -> Floats:
    """(1 + |gamma|) / (1 - |gamma|), of the same shape; infinite at 1, NaN above 1 (it has no meaning there)."""
    rho = np.asarray(np.abs(gamma), dtype=np.float64)
    with np.errstate(divide="ignore"):
        return np.asarray((1 + rho) / np.where(rho <= 1, 1 - rho, np.nan), dtype=np.float64)


def mismatch_loss_db(gamma: ArrayLike) -> Floats:
    """-10 log10(1 - |gamma|^2): power lost to reflection, of the same shape; infinite at 1, NaN above. [dB]"""
    rho = np.asarray(np.abs(gamma), dtype=np.float64)
    with np.errstate(divide="ignore"):
        return np.asarray(-10 * np.log10(np.where(rho <= 1, 1 - rho**2, np.nan)), dtype=np.float64)


def gamma_from_return_loss(return_loss_db: ArrayLike) -> Floats:
    """|gamma| of a return loss [dB], of the same shape."""
    return np.asarray(10 ** (-np.asarray(return_loss_db, dtype=np.float64) / 20), dtype=np.float64)


def gamma_from_vswr(ratio: ArrayLike) -> Floats:
    """
    |gamma| of a VSWR, of the same shape.

    Raises:
        ValueError: A VSWR below 1, or not a number.
    """
    array = np.asarray(ratio, dtype=np.float64)
    if not ((array >= 1) & np.isfinite(array)).all():
        raise ValueError(f"a VSWR is finite and 1 or more, not {array}")
    return np.asarray((array - 1) / (array + 1), dtype=np.float64)


def mismatch(source_rho: float, load_rho: float, convention: MismatchConvention) -> Mismatch:
    """
    Limits and standard uncertainty of the power between two ports whose phases are not known.

    Args:
        source_rho, load_rho: |gamma| of both, or their largest values; 0 to below 1.
        convention: What is known of them; there is no default, for one is twice the other.

    Raises:
        ValueError: A magnitude out of range, or an unknown convention.
    """
    if convention not in get_args(MismatchConvention):
        raise ValueError(f"convention is {convention!r}; expected one of {', '.join(map(repr, get_args(MismatchConvention)))}")
    for name, rho in (("source", source_rho), ("load", load_rho)):
        if not 0 <= rho < 1:
            raise ValueError(f"|gamma| of the {name} is {rho}; expected 0 or more and below 1")
    product = source_rho * load_rho
    plus, minus = (1 + product) ** 2 - 1, (1 - product) ** 2 - 1
    u = product * (math.sqrt(2.0) if convention == "known magnitudes" else math.sqrt(0.5))
    return Mismatch(
        plus_percent=100 * plus,
        minus_percent=100 * minus,
        plus_db=10 * math.log10(1 + plus),
        minus_db=10 * math.log10(1 + minus),
        standard_uncertainty_percent=100 * u,
        standard_uncertainty_db=10 / math.log(10) * u,
        convention=convention,
    )
