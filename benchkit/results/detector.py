"""
The law of an output power detector: (V_detector - V_reference) = constant x P^slope, a line on log axes.

The reference diode takes out what bias and temperature do to both diodes. A square-law detector has slope 1 (volts per
watt), a linear one 0.5; a diode goes from the one to the other (Application Note 986, Schottky detectors), so the
residual of the law over a wide range is as much a figure of the part as its slope.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.curve import as_ladder
from benchkit.results.regression import LineFit, fit_line

__all__ = ["DetectorError", "DetectorLaw", "Refused", "detector_temperature_error", "fit_detector_law"]

_ONE_DECADE_DB = 10.0


@dataclass(frozen=True)
class Refused:
    """A point that was not used: its place in the columns given, counted from 0, and why."""

    index: int
    reason: str


@dataclass(frozen=True)
class DetectorLaw:
    """
    log10(V / 1 V) = slope x (P - intercept) / 10 dB, V being detector minus reference.

    Attributes:
        slope: Decades of voltage per decade of power. [1]
        slope_standard_error: From the scatter about the law. [1]
        intercept_dbm: Output power for 1 V by the law; usually far outside the range used. [dBm]
        intercept_standard_error_db: From the scatter about the law. [dB]
        residual_db: Standard deviation of the points about the law, as output power. [dB]
        worst_residual_db: Largest of them by magnitude, signed: power read by the law less true power. [dB]
        lowest_v, highest_v: Range of V used; the law is not read outside it. [V]
        lowest_dbm, highest_dbm: Range of output power used. [dBm]
        points: How many were used.
        refused: Which were not, and why.
    """

    slope: float
    slope_standard_error: float
    intercept_dbm: float
    intercept_standard_error_db: float
    residual_db: float
    worst_residual_db: float
    lowest_v: float
    highest_v: float
    lowest_dbm: float
    highest_dbm: float
    points: int
    refused: tuple[Refused, ...]

    def power_dbm(self, difference_v: ArrayLike) -> NDArray[np.float64]:
        """
        Output power by the law, of the same shape; NaN outside the range of voltage used. [dBm]

        Args:
            difference_v: Detector minus reference, any shape. [V]
        """
        volts = np.asarray(difference_v, dtype=np.float64)
        result = np.full(volts.shape, np.nan)
        inside = (volts >= self.lowest_v * (1 - 1e-12)) & (volts <= self.highest_v * (1 + 1e-12))
        result[inside] = self.intercept_dbm + _ONE_DECADE_DB * np.log10(volts[inside]) / self.slope
        return result


@dataclass(frozen=True)
class DetectorError:
    """
    Error made by reading output power, at another temperature, from the room-temperature law.

    Attributes:
        worst_db: Largest by magnitude, signed: power read less true power. [dB]
        worst_at_dbm: True output power where it was. [dBm]
        mean_db: Mean over the points used. [dB]
        error_db: Every point, NaN where refused, shape (n,). [dB]
        points, refused: How many were used; which were not, and why.
    """

    worst_db: float
    worst_at_dbm: float
    mean_db: float
    error_db: NDArray[np.float64]
    points: int
    refused: tuple[Refused, ...]


def fit_detector_law(
    output_dbm: ArrayLike, detector_v: ArrayLike, reference_v: ArrayLike, *, floor_v: float = 0.0
) -> DetectorLaw | Absent:
    """
    Fit the law by least squares of log10(detector - reference) on log10(output power).

    Args:
        output_dbm: At the device's output, shape (n,). [dBm]
        detector_v: Shape (n,). [V]
        reference_v: Shape (n,). [V]
        floor_v: Differences at or below it are the voltmeter's, not the detector's. Not below zero. [V]

    Returns:
        The law; Absent with fewer than three usable points, all at one power, or a voltage that does not rise with it.

    Raises:
        ValueError: Shapes differ, or a floor below zero.
    """
    if not floor_v >= 0:
        raise ValueError(f"floor_v must be 0 V or more, not {floor_v} V")
    power, difference, refused = _usable(output_dbm, detector_v, reference_v, floor_v)
    used = np.isfinite(difference)
    count = int(used.sum())
    if count < 3:
        return Absent(f"detector law: {count} usable points of {power.size}, 3 are needed{_why(refused)}")
    x, y = power[used], np.log10(difference[used])
    if float(np.ptp(x)) == 0:
        return Absent(f"detector law: all {count} usable points are at one output power, {x[0]:+.2f} dBm")
    line = fit_line(x / _ONE_DECADE_DB, y)
    if not line.slope > 0:
        return Absent(f"detector law: voltage does not rise with power (slope {line.slope:.3g} decades per decade)")
    per_decade = _ONE_DECADE_DB / line.slope
    errors = (y - (line.intercept + line.slope * x / _ONE_DECADE_DB)) * per_decade
    return DetectorLaw(
        slope=line.slope,
        slope_standard_error=line.slope_standard_error,
        intercept_dbm=-line.intercept * per_decade,
        intercept_standard_error_db=_intercept_error_db(line),
        residual_db=line.residual_standard_deviation * per_decade,
        worst_residual_db=float(errors[int(np.abs(errors).argmax())]),
        lowest_v=float(difference[used].min()),
        highest_v=float(difference[used].max()),
        lowest_dbm=float(x.min()),
        highest_dbm=float(x.max()),
        points=count,
        refused=refused,
    )


def detector_temperature_error(
    law: DetectorLaw, output_dbm: ArrayLike, detector_v: ArrayLike, reference_v: ArrayLike, *, floor_v: float = 0.0
) -> DetectorError | Absent:
    """
    Error of reading these points' output power from `law`, which was fitted at room temperature.

    Args:
        law: At room temperature.
        output_dbm: True output power at the other temperature, shape (n,). [dBm]
        detector_v: Shape (n,). [V]
        reference_v: Shape (n,). [V]
        floor_v: As for `fit_detector_law`. [V]

    Returns:
        The error; Absent when no point lies within the law's range of voltage, for it is not extrapolated.

    Raises:
        ValueError: Shapes differ, or a floor below zero.
    """
    if not floor_v >= 0:
        raise ValueError(f"floor_v must be 0 V or more, not {floor_v} V")
    power, difference, refused = _usable(output_dbm, detector_v, reference_v, floor_v)
    error = law.power_dbm(difference) - power
    outside = np.flatnonzero(np.isfinite(difference) & ~np.isfinite(error))
    span = f"{law.lowest_v:.4g} to {law.highest_v:.4g} V"
    beyond = (Refused(int(k), f"{difference[k]:.4g} V is outside the law's range, {span}") for k in outside)
    refused = tuple(sorted((*refused, *beyond), key=lambda point: point.index))
    used = np.isfinite(error)
    if not used.any():
        return Absent(f"detector error: none of {power.size} points is usable{_why(refused)}")
    worst = int(np.nanargmax(np.abs(error)))
    return DetectorError(
        worst_db=float(error[worst]),
        worst_at_dbm=float(power[worst]),
        mean_db=float(error[used].mean()),
        error_db=error,
        points=int(used.sum()),
        refused=refused,
    )


def _usable(
    output_dbm: ArrayLike, detector_v: ArrayLike, reference_v: ArrayLike, floor_v: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[Refused, ...]]:
    """Power, difference (NaN where refused) and what was refused."""
    power, detector, reference = as_ladder(output_dbm, detector_v, reference_v)
    difference = detector - reference
    refused = []
    for k, (level, volts) in enumerate(zip(power.tolist(), difference.tolist(), strict=True)):
        if not (math.isfinite(level) and math.isfinite(volts)):
            refused.append(Refused(k, "no reading"))
        elif volts <= 0:
            refused.append(Refused(k, f"detector minus reference is {volts:.4g} V, not above zero"))
        elif volts <= floor_v:
            floor = f"the voltmeter's floor {floor_v:.4g} V"
            refused.append(Refused(k, f"detector minus reference is {volts:.4g} V, not above {floor}"))
    difference[[point.index for point in refused]] = np.nan
    return power, difference, tuple(refused)


def _intercept_error_db(line: LineFit) -> float:
    # P1 = -10 a / b; JCGM 100, 5.2.2, with the covariance of a and b, which is large this far outside the points.
    da, db = -_ONE_DECADE_DB / line.slope, _ONE_DECADE_DB * line.intercept / line.slope**2
    variance = (da * line.intercept_standard_error) ** 2 + (db * line.slope_standard_error) ** 2
    variance += 2 * da * db * line.covariance
    return math.sqrt(max(variance, 0.0))  # zero up to rounding when the points lie exactly on a line


def _why(refused: Iterable[Refused]) -> str:
    first = next(iter(refused), None)
    return "" if first is None else f" (first refused, point {first.index}: {first.reason})"
