"""
What the S-parameters of a two-port say: stability, the gains there are, reciprocity and passivity.

S is complex, shape (n, 2, 2) over frequency: s[:, 1, 0] is S21. A frequency without reading (NaN) stays NaN in every
answer. Sources: D. M. Pozar, Microwave Engineering, 4th ed. (Wiley 2012), 12.1 to 12.3; M. L. Edwards and J. H. Sinsky,
IEEE Trans. Microw. Theory Tech. 40 (1992) 2303, for mu and mu'.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Gains",
    "MaximumGain",
    "Stability",
    "as_two_port",
    "gains",
    "is_passive",
    "is_reciprocal",
    "largest_singular_value",
    "maximum_gain",
    "reciprocity_error",
    "stability",
]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True)
class Stability:
    """
    Stability of a two-port between passive terminations; all of shape (n,).

    Attributes:
        k: Rollet's factor (Pozar, eq. 12.28); infinite without feedback (S12 S21 = 0).
        delta: Determinant of S, complex (eq. 12.29).
        mu: Distance from the chart's centre to the nearest unstable load (Edwards and Sinsky; Pozar, eq. 12.30).
        mu_prime: The same for the source.
    """

    k: Floats
    delta: Complexes
    mu: Floats
    mu_prime: Floats

    @property
    def is_unconditional(self) -> NDArray[np.bool_]:
        """Where no passive load or source makes it oscillate: mu > 1. False without a reading."""
        return np.asarray(self.mu > 1)


@dataclass(frozen=True)
class MaximumGain:
    """
    The most gain there is; shape (n,). [dB]

    Attributes:
        stable_db: |S21| / |S12|, the maximum stable gain; infinite without feedback.
        available_db: With both ports conjugately matched (Pozar, eq. 12.41); NaN where no such match is stable (mu <= 1).
    """

    stable_db: Floats
    available_db: Floats


@dataclass(frozen=True)
class Gains:
    """
    The three power gains between given terminations, and what the ports then show; shape (n,). [power ratio]

    Attributes:
        power: Power in the load over power into the input (Pozar, eq. 12.8); NaN where the input gives power out.
        available: Power available from the output over that from the source (12.12); NaN where the output has |gamma| >= 1.
        transducer: Power in the load over power available from the source (12.13).
        input_gamma, output_gamma: Reflection of input and output, complex (12.3).
    """

    power: Floats
    available: Floats
    transducer: Floats
    input_gamma: Complexes
    output_gamma: Complexes


def as_two_port(s: ArrayLike, name: str = "S") -> Complexes:
    """
    S-parameters as a complex array, shape (n, 2, 2); infinities are refused, NaN (no reading) is not.

    Raises:
        ValueError: Another shape, no frequency, or an infinite value.
    """
    array = np.asarray(s, dtype=np.complex128)
    if array.ndim != 3 or array.shape[1:] != (2, 2) or array.shape[0] == 0:
        raise ValueError(f"{name} has shape {array.shape}; a two-port over frequency has (n, 2, 2), n >= 1")
    if np.isinf(array).any():
        raise ValueError(f"{name} has an infinite value at point {int(np.argwhere(np.isinf(array))[0][0])}")
    return array


def stability(s: ArrayLike) -> Stability:
    """
    Rollet's K, the determinant, mu and mu'.

    Args:
        s: Complex, shape (n, 2, 2).

    Raises:
        ValueError: Not a two-port over frequency.
    """
    s11, s12, s21, s22, delta = _parts(as_two_port(s))
    loop = np.abs(s12 * s21)
    return Stability(
        k=_over(1 - np.abs(s11) ** 2 - np.abs(s22) ** 2 + np.abs(delta) ** 2, 2 * loop),
        delta=delta,
        mu=_over(1 - np.abs(s11) ** 2, np.abs(s22 - delta * s11.conj()) + loop),
        mu_prime=_over(1 - np.abs(s22) ** 2, np.abs(s11 - delta * s22.conj()) + loop),
    )


def maximum_gain(s: ArrayLike) -> MaximumGain:
    """
    Maximum stable and maximum available gain.

    Args:
        s: Complex, shape (n, 2, 2); S21 not zero.

    Raises:
        ValueError: Not a two-port over frequency, or S21 is zero: no gain to speak of in dB.
    """
    s11, s12, s21, s22, delta = _parts(as_two_port(s))
    if (s21 == 0).any():
        raise ValueError(f"S21 is zero at point {int(np.argmax(s21 == 0))}: its gain has no level in dB")
    loop = np.abs(s12 * s21)
    # Eq. 12.41, |S21/S12| (K - sqrt(K^2 - 1)), written so that nothing cancels for large K or divides by S12 = 0.
    b = 1 - np.abs(s11) ** 2 - np.abs(s22) ** 2 + np.abs(delta) ** 2
    # K = 1 within rounding may come out below it: no such match then.
    good = stability(s).is_unconditional & (b >= 2 * loop)
    available = np.full(b.shape, np.nan)
    root = np.sqrt((b[good] - 2 * loop[good]) * (b[good] + 2 * loop[good]))
    available[good] = 10 * np.log10(2 * np.abs(s21[good]) ** 2 / (b[good] + root))
    return MaximumGain(10 * np.log10(_over(np.abs(s21), np.abs(s12))), available)


def gains(s: ArrayLike, source_gamma: ArrayLike = 0.0, load_gamma: ArrayLike = 0.0) -> Gains:
    """
    Power, available and transducer gain.

    Args:
        s: Complex, shape (n, 2, 2).
        source_gamma: Reflection of the source, a number or shape (n,); |gamma| < 1.
        load_gamma: Reflection of the load, likewise.

    Raises:
        ValueError: Shapes, or a termination with |gamma| >= 1.
    """
    s11, s12, s21, s22, _ = _parts(as_two_port(s))
    source, load = (_termination(g, s11.size, n) for g, n in ((source_gamma, "source"), (load_gamma, "load")))
    # Exactly zero is an oscillator: nothing of it has a value.
    at_load, at_source = (np.where(a == 0, np.nan, a) for a in (1 - s22 * load, 1 - s11 * source))
    input_gamma = s11 + s12 * s21 * load / at_load
    output_gamma = s22 + s12 * s21 * source / at_source
    forward = np.abs(s21) ** 2
    from_source, to_load = 1 - np.abs(source) ** 2, 1 - np.abs(load) ** 2
    into_input, from_output = (np.where(p > 0, p, np.nan) for p in (1 - abs(input_gamma) ** 2, 1 - abs(output_gamma) ** 2))
    return Gains(
        power=forward * to_load / (into_input * np.abs(at_load) ** 2),
        available=forward * from_source / (np.abs(at_source) ** 2 * from_output),
        transducer=forward * from_source * to_load / np.abs((1 - source * input_gamma) * at_load) ** 2,
        input_gamma=input_gamma,
        output_gamma=output_gamma,
    )


def reciprocity_error(s: ArrayLike) -> Floats:
    """|S21 - S12|, shape (n,): zero for cables, attenuators, fixtures; of `s` as for `stability`."""
    array = as_two_port(s)
    return np.asarray(np.abs(array[:, 1, 0] - array[:, 0, 1]), dtype=np.float64)


def largest_singular_value(s: ArrayLike) -> Floats:
    """Largest singular value of S, shape (n,): above 1 the two-port can give out more power than it is given."""
    array = as_two_port(s)
    into_1, into_2 = (np.sum(np.abs(array[:, :, port]) ** 2, axis=1) for port in (0, 1))
    cross = np.abs(np.sum(array[:, :, 0].conj() * array[:, :, 1], axis=1))
    # Larger eigenvalue of S^H S in closed form: sums of squares only, so rounding makes no negative root.
    return np.asarray(np.sqrt((into_1 + into_2) / 2 + np.hypot((into_1 - into_2) / 2, cross)), dtype=np.float64)


def is_reciprocal(s: ArrayLike, tolerance: float) -> NDArray[np.bool_]:
    """Whether |S21 - S12| <= tolerance, shape (n,); False without a reading."""
    return np.asarray(reciprocity_error(s) <= _tolerance(tolerance))


def is_passive(s: ArrayLike, tolerance: float) -> NDArray[np.bool_]:
    """Whether the largest singular value is <= 1 + tolerance, shape (n,); False without a reading."""
    return np.asarray(largest_singular_value(s) <= 1 + _tolerance(tolerance))


def _parts(s: Complexes) -> tuple[Complexes, Complexes, Complexes, Complexes, Complexes]:
    s11, s12, s21, s22 = s[:, 0, 0], s[:, 0, 1], s[:, 1, 0], s[:, 1, 1]
    return s11, s12, s21, s22, s11 * s22 - s12 * s21


def _over(numerator: Floats, denominator: Floats) -> Floats:
    # x/0 is infinite with the sign of x, and 0/0 NaN: limits that mean something here (no feedback), so no warning.
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(numerator / denominator, dtype=np.float64)


def _termination(gamma: ArrayLike, count: int, name: str) -> Complexes:
    array = np.asarray(gamma, dtype=np.complex128)
    if array.shape not in ((), (count,)):
        raise ValueError(f"reflection of the {name} has shape {array.shape}; expected one number or ({count},)")
    if not (np.abs(array) < 1).all():
        raise ValueError(f"reflection of the {name} reaches |gamma| = {np.abs(array).max():.3f}; it must be below 1")
    return np.broadcast_to(array, (count,))


def _tolerance(tolerance: float) -> float:
    if not 0 <= tolerance < 1:
        raise ValueError(f"tolerance is {tolerance}; expected 0 or more and below 1")
    return tolerance
