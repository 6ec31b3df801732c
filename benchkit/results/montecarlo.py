"""
Propagation of distributions by Monte Carlo (JCGM 101:2008): for models that bend, and inputs that are not normal.

The random numbers are seeded: the same call gives the same numbers, for ever with one version of numpy.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchkit.results.absent import Absent
from benchkit.results.distributions import Distribution, Normal, correlation_matrix

__all__ = ["MonteCarlo", "propagate"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class MonteCarlo:
    """
    Attributes:
        estimate: Mean of the model's values (JCGM 101, 7.6).
        standard_uncertainty: Their standard deviation.
        symmetric: Ends of the interval with equal probability on both sides (7.7.2).
        shortest: Ends of the shortest interval (5.3.4); where the distribution leans, it is another one.
        coverage: Probability of both.
        trials, seed: Of this run.
        estimate_error: Standard uncertainty of `estimate` through the finite number of trials.
    """

    estimate: float
    standard_uncertainty: float
    symmetric: tuple[float, float]
    shortest: tuple[float, float]
    coverage: float
    trials: int
    seed: int
    estimate_error: float


def propagate(
    model: Callable[..., Floats],
    inputs: Mapping[str, Distribution],
    correlations: Mapping[tuple[str, str], float] | None = None,
    *,
    trials: int = 1_000_000,
    seed: int = 1,
    coverage: float = 0.95,
) -> MonteCarlo | Absent:
    """
    Propagate distributions through a model.

    Args:
        model: Takes the inputs by name, each as an array of shape (trials,), and gives an array of that shape.
        inputs: What is known of each.
        correlations: Coefficients by pairs of names, of Normal inputs only (JCGM 101, 6.4.8): for others a coefficient does
            not determine the joint distribution.
        trials: 10000 or more; 1e6 gives about two digits of the ends (7.2.2).
        seed: Of the random numbers; not below zero.
        coverage: Probability of the intervals, between 0 and 1.

    Returns:
        Absent when the model is not finite for some of the values: it does not hold over the inputs' width.

    Raises:
        ValueError: No input, an argument out of its range, correlations that cannot be, or a model of another shape.
    """
    if not inputs:
        raise ValueError("a model without inputs has nothing to propagate")
    if trials < 10_000 or seed < 0 or not 0 < coverage < 1:
        raise ValueError(f"trials {trials}, seed {seed}, coverage {coverage}; expected 10000 or more, 0 or more, 0 to 1")
    if trials * (1 - coverage) < 100:
        raise ValueError(f"{trials} trials leave fewer than 100 outside {coverage}: its ends would be chance (JCGM 101, 7.2.1)")
    draws = _draw(inputs, correlations or {}, np.random.default_rng(seed), trials)
    with np.errstate(all="ignore"):  # what is not finite is told below
        values = np.asarray(model(**draws))
    if values.shape != (trials,) or values.dtype.kind not in "fiu":
        raise ValueError(f"the model gave {values.dtype} of shape {values.shape}; expected real numbers of shape ({trials},)")
    values = values.astype(np.float64)
    lost = int((~np.isfinite(values)).sum())
    if lost:
        return Absent(f"the model is not finite for {lost} of {trials} draws: it does not hold over the width of its inputs")
    spread = float(values.std(ddof=1))
    values.sort()
    within = round(coverage * trials)
    first = (trials - within + 1) // 2 - 1  # 7.7.2 counts from 1
    widths = values[within:] - values[:-within]
    best = int(widths.argmin())
    return MonteCarlo(
        estimate=float(values.mean()),
        standard_uncertainty=spread,
        symmetric=(float(values[first]), float(values[first + within])),
        shortest=(float(values[best]), float(values[best + within])),
        coverage=coverage,
        trials=trials,
        seed=seed,
        estimate_error=spread / math.sqrt(trials),
    )


def _draw(
    inputs: Mapping[str, Distribution],
    correlations: Mapping[tuple[str, str], float],
    generator: np.random.Generator,
    trials: int,
) -> dict[str, Floats]:
    tied = list(dict.fromkeys(name for pair in correlations for name in pair))
    correlation_matrix(list(inputs), correlations)  # names and coefficients, all at once
    for name in tied:
        if not isinstance(inputs[name], Normal):
            kind = type(inputs[name]).__name__
            raise ValueError(f"{name} is {kind} and correlated: only Normal inputs have a joint distribution by coefficients")
    draws = {name: one.draw(generator, trials) for name, one in inputs.items() if name not in tied}
    if tied:
        matrix = correlation_matrix(tied, correlations)
        # Symmetric root and not Cholesky's: that of a singular matrix (r = 1) exists too.
        size, axes = np.linalg.eigh(matrix)
        root = axes * np.sqrt(np.maximum(size, 0.0))
        standard = root @ generator.standard_normal((len(tied), trials))
        for name, row in zip(tied, standard, strict=True):
            draws[name] = inputs[name].estimate + inputs[name].standard_uncertainty * row
    return draws
