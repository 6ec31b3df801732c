"""Standards of a calibration as measured, and how well they come back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.calibration import Calibration, CalibrationKind, apply
from benchkit.results.network import as_two_port

__all__ = ["Residual", "Standard", "check_length", "finite_two_port", "residuals", "solved_calibration"]

Complexes = NDArray[np.complex128]


@dataclass(frozen=True)
class Standard:
    """
    A standard as measured and as it is.

    Attributes:
        name: E.g. "open".
        measured: Raw S, complex, shape (n, 2, 2). Of a one-port: one at each port, read together; S21, S12 are not used.
        ideal: What it is known to be, complex, shape (n, 2, 2).
    """

    name: str
    measured: Complexes = field(repr=False)
    ideal: Complexes = field(repr=False)

    def __post_init__(self) -> None:
        for what in ("measured", "ideal"):
            object.__setattr__(self, what, finite_two_port(getattr(self, what), f"{self.name}, {what}"))
        if self.measured.shape != self.ideal.shape:
            raise ValueError(f"{self.name}: measured has {self.measured.shape[0]} points, ideal {self.ideal.shape[0]}")


@dataclass(frozen=True)
class Residual:
    """
    How well a standard comes back.

    Attributes:
        name: Of the standard.
        largest: Largest |corrected - ideal| over all S and frequencies.
        reflection, transmission: The largest of S11, S22, and of S21, S12.
        frequency_hz: Where the largest is. [Hz]
    """

    name: str
    largest: float
    reflection: float
    transmission: float
    frequency_hz: float


def residuals(calibration: Calibration, standards: Sequence[Standard]) -> list[Residual]:
    """
    Correct measured standards and compare them with what they are.

    A standard that determined a calibration comes back exactly whatever it was: only more standards than unknowns, or one
    that had no part in it (a check standard), say how good the calibration is.

    Args:
        calibration: Whose frequencies are those of the standards.
        standards: A standard whose ideal S21 and S12 are both zero everywhere is compared by its reflections alone.

    Raises:
        ValueError: Lengths that differ.
    """
    found = []
    for standard in standards:
        raw = check_length(standard.measured, calibration.frequency_hz, standard.name).copy()
        if not standard.ideal[:, (0, 1), (1, 0)].any():
            raw[:, 1, 0], raw[:, 0, 1] = calibration.terms["forward isolation"], calibration.terms["reverse isolation"]
        error = np.abs(apply(calibration, calibration.frequency_hz, raw) - standard.ideal)
        worst = error.max(axis=(1, 2))
        found.append(
            Residual(
                name=standard.name,
                largest=float(worst.max()),
                reflection=float(error[:, (0, 1), (0, 1)].max()),
                transmission=float(error[:, (0, 1), (1, 0)].max()),
                frequency_hz=float(calibration.frequency_hz[int(worst.argmax())]),
            )
        )
    return found


def solved_calibration(
    kind: CalibrationKind,
    frequency: NDArray[np.float64],
    terms: dict[str, Complexes],
    standards: tuple[str, ...],
    reference: str,
    made_s: float,
) -> Calibration | Absent:
    """The terms as a calibration; Absent where one is not finite, or lets nothing through."""
    for name, values in terms.items():
        bad = ~np.isfinite(values) | ((values == 0) if name.endswith("tracking") else False)
        if bad.any():
            return Absent(
                f"{kind} has no solution at {frequency[int(np.argmax(bad))] / 1e9:.9g} GHz ({name}): "
                "standards as measured do not differ as they should"
            )
    return Calibration(kind, frequency, terms, standards, reference, made_s)


def finite_two_port(s: ArrayLike, name: str) -> Complexes:
    """S as `as_two_port`, every reading there; ValueError otherwise."""
    array = as_two_port(s, name)
    if not np.isfinite(array).all():
        raise ValueError(f"{name} has no reading at point {int(np.argwhere(~np.isfinite(array))[0][0])}")
    return array


def check_length(s: Complexes, frequency: NDArray[np.float64], name: str) -> Complexes:
    """S itself when it is as long as the frequencies; ValueError otherwise."""
    if s.shape[0] != frequency.size:
        raise ValueError(f"{name} has {s.shape[0]} points, frequency has {frequency.size}")
    return s
