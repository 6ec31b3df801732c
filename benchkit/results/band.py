"""
A swept quantity over a band: flatness, slope, worst case; and the group delay.

A band is read from the points inside it and from its two edges, interpolated linearly between the points beside them;
the sweep must reach both edges. A point without reading inside the band, or beside an edge, makes the answer Absent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.curve import as_ladder
from benchkit.results.regression import LineFit, fit_line

__all__ = ["Flatness", "GroupDelay", "WorstCase", "gain_flatness", "gain_slope", "group_delay", "worst_in_band"]

Floats = NDArray[np.float64]

LARGEST_PHASE_STEP_DEG = 120.0
"""Between neighbouring points of a sweep: beyond it one cannot tell which way the phase turned (180 is the end)."""


@dataclass(frozen=True)
class WorstCase:
    """The worst value in a band, in its unit, and where. [Hz]"""

    value: float
    frequency_hz: float


@dataclass(frozen=True)
class Flatness:
    """
    Attributes:
        peak_to_peak_db: Highest less lowest in the band. [dB]
        lowest, highest: Both ends, and where.
    """

    peak_to_peak_db: float
    lowest: WorstCase
    highest: WorstCase


@dataclass(frozen=True)
class GroupDelay:
    """
    Attributes:
        frequency_hz: Mean frequency of each window, shape (m,). [Hz]
        delay_s: Shape (m,). [s]
        window_points: Points of one window; m = n - window_points + 1, no window reaches beyond the sweep.
        aperture_hz: Last less first frequency of each window, shape (m,). [Hz]
    """

    frequency_hz: Floats
    delay_s: Floats
    window_points: int
    aperture_hz: Floats


def worst_in_band(
    frequency_hz: ArrayLike, values: ArrayLike, low_hz: float, high_hz: float, worst: Literal["lowest", "highest"]
) -> WorstCase | Absent:
    """
    The lowest or the highest value in a band (lowest return loss, highest VSWR).

    Args:
        frequency_hz: Strictly ascending, shape (n,). [Hz]
        values: Any unit, shape (n,); NaN where there is no reading.
        low_hz, high_hz: The band. [Hz]
        worst: Which end is the bad one.

    Raises:
        ValueError: Shapes, frequencies not ascending, a band turned round, or `worst` unknown.
    """
    if worst not in ("lowest", "highest"):
        raise ValueError(f"worst is {worst!r}; expected 'lowest' or 'highest'")
    band = _in_band(frequency_hz, values, low_hz, high_hz)
    if isinstance(band, Absent):
        return band
    return _extreme(*band, worst)


def gain_flatness(frequency_hz: ArrayLike, gain_db: ArrayLike, low_hz: float, high_hz: float) -> Flatness | Absent:
    """Highest less lowest gain in a band; arguments, Absent and errors as for `worst_in_band`. [dB]"""
    band = _in_band(frequency_hz, gain_db, low_hz, high_hz)
    if isinstance(band, Absent):
        return band
    lowest, highest = _extreme(*band, "lowest"), _extreme(*band, "highest")
    return Flatness(highest.value - lowest.value, lowest, highest)


def gain_slope(frequency_hz: ArrayLike, gain_db: ArrayLike, low_hz: float, high_hz: float) -> LineFit | Absent:
    """
    Straight line through the gain in a band by least squares, of the measured points alone; slope in dB per GHz.

    The line's x is (frequency - band centre) in GHz, so its intercept is the gain at band centre. Arguments, Absent and
    errors as for `worst_in_band`; Absent too with fewer than three measured points in the band.
    """
    band = _in_band(frequency_hz, gain_db, low_hz, high_hz)
    if isinstance(band, Absent):
        return band
    x, y = as_ladder(frequency_hz, gain_db)
    inside = (x >= low_hz) & (x <= high_hz)
    if inside.sum() < 3:
        return Absent(f"{_name(low_hz, high_hz)} holds {int(inside.sum())} points; a slope needs three")
    return fit_line((x[inside] - (low_hz + high_hz) / 2) / 1e9, y[inside])


def group_delay(frequency_hz: ArrayLike, s21: ArrayLike, window_points: int) -> GroupDelay | Absent:
    """
    -d(phase)/d(angular frequency), by least squares in a sliding window.

    Args:
        frequency_hz: Strictly ascending, shape (n,). [Hz]
        s21: Complex, shape (n,).
        window_points: 2 or more, at most n: more points, less noise, coarser in frequency.

    Returns:
        Absent when the phase turns by more than 120 degrees between two points (the sweep is too coarse to follow it; a
        turn beyond 240 degrees looks like a small one and cannot be seen here), or a reading is missing or zero.

    Raises:
        ValueError: Shapes, frequencies not ascending, or a window that does not fit.
    """
    wave = np.asarray(s21, dtype=np.complex128)
    x, re, im = as_ladder(frequency_hz, wave.real, wave.imag)
    _check_ascending(x)
    if not 2 <= window_points <= x.size:
        raise ValueError(f"a window of {window_points} points does not fit {x.size} points; expected 2 to {x.size}")
    bad = ~(np.isfinite(re) & np.isfinite(im)) | (wave == 0)
    if bad.any():
        return Absent(f"no phase at {x[int(np.argmax(bad))] / 1e9:.6g} GHz: the reading is missing or zero")
    step = np.angle(wave[1:] / wave[:-1])
    largest = int(np.abs(step).argmax())
    if abs(step[largest]) > math.radians(LARGEST_PHASE_STEP_DEG):
        return Absent(
            f"phase turns by {abs(math.degrees(step[largest])):.0f} degrees after {x[largest] / 1e9:.6g} GHz, more than "
            f"{LARGEST_PHASE_STEP_DEG:.0f}: the points are too far apart for a group delay"
        )
    phase = np.concatenate(([0.0], np.cumsum(step)))
    windows, phases = (np.lib.stride_tricks.sliding_window_view(a, window_points) for a in (x, phase))
    centre = windows.mean(axis=1)
    dx = windows - centre[:, None]
    slope = (dx * (phases - phases.mean(axis=1)[:, None])).sum(axis=1) / (dx**2).sum(axis=1)
    return GroupDelay(centre, -slope / (2 * math.pi), window_points, windows[:, -1] - windows[:, 0])


def _in_band(frequency_hz: ArrayLike, values: ArrayLike, low_hz: float, high_hz: float) -> tuple[Floats, Floats] | Absent:
    x, y = as_ladder(frequency_hz, values)
    _check_ascending(x)
    if not low_hz < high_hz:
        raise ValueError(f"a band from {low_hz} Hz to {high_hz} Hz is none")
    band = _name(low_hz, high_hz)
    if x[0] > low_hz or x[-1] < high_hz:
        return Absent(f"sweep from {x[0] / 1e9:.6g} to {x[-1] / 1e9:.6g} GHz does not cover {band}")
    inside = np.flatnonzero((x > low_hz) & (x < high_hz))
    # An edge at a point of the sweep is that point; np.interp gives it without its neighbour.
    first, last = int(np.searchsorted(x, low_hz, side="right")) - 1, int(np.searchsorted(x, high_hz, side="left"))
    unread = np.flatnonzero(~np.isfinite(y[first : last + 1]))
    if unread.size:
        return Absent(f"no reading at {x[first + int(unread[0])] / 1e9:.6g} GHz, needed for {band}")
    edges = np.interp([low_hz, high_hz], x[first : last + 1], y[first : last + 1])
    return np.concatenate(([low_hz], x[inside], [high_hz])), np.concatenate((edges[:1], y[inside], edges[1:]))


def _extreme(x: Floats, y: Floats, worst: Literal["lowest", "highest"]) -> WorstCase:
    at = int(y.argmin() if worst == "lowest" else y.argmax())
    return WorstCase(float(y[at]), float(x[at]))


def _check_ascending(x: Floats) -> None:
    if x.size < 2 or not (np.diff(x) > 0).all():
        raise ValueError("frequencies must be two or more, finite and strictly ascending")


def _name(low_hz: float, high_hz: float) -> str:
    return f"the band {low_hz / 1e9:.6g} to {high_hz / 1e9:.6g} GHz"
