"""
The line of a TRL calibration: how much longer than the thru it is, and where that is enough.

At 0 and 180 degrees the line tells nothing that the thru does not; the error grows as 1 / sin(phase), threefold at the
limits used here, 20 and 160 degrees (common practice; G. F. Engen and C. A. Hoer, IEEE Trans. Microw. Theory Tech. 27
(1979) 987, for why).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.calibration import check_frequencies
from benchkit.results.network import as_two_port

__all__ = ["USABLE_DEG", "LineBand", "line_band"]

USABLE_DEG = (20.0, 160.0)
_LARGEST_SURPRISE_DEG = 30.0


@dataclass(frozen=True)
class LineBand:
    """
    Attributes:
        phase_deg: By how much the line is longer than the thru, shape (n,). [degrees]
        usable: Where that is 20 to 160 degrees, shape (n,).
        low_hz, high_hz: Lowest and highest usable frequency of the sweep; NaN when there is none. [Hz]
        transmission: S21 of the line relative to the thru, complex, shape (n,).
        reason: Why not all is usable; "" when it is.
    """

    phase_deg: NDArray[np.float64]
    usable: NDArray[np.bool_]
    low_hz: float
    high_hz: float
    transmission: NDArray[np.complex128] = field(repr=False)
    reason: str


def line_band(frequency_hz: ArrayLike, thru: ArrayLike, line: ArrayLike, line_delay_s: float) -> LineBand | Absent:
    """
    Measure the line against the thru, whatever lies before and behind both.

    Args:
        frequency_hz: Strictly ascending, shape (n,). [Hz]
        thru, line: Raw S, switch terms removed, complex, finite, shape (n, 2, 2); transmission both ways.
        line_delay_s: By how much the line is longer, about; above zero. [s]

    Returns:
        Absent when the delay stated and the phase measured differ by more than 30 degrees where the line is usable.

    Raises:
        ValueError: Shapes, a delay that is not above zero, or a standard that lets nothing through.
    """
    import skrf

    frequency = check_frequencies(frequency_hz)
    waves = [as_two_port(s, name) for s, name in ((thru, "thru"), (line, "line"))]
    if any(s.shape[0] != frequency.size for s in waves):
        raise ValueError(f"thru has {len(waves[0])} points, line {len(waves[1])}, frequency {frequency.size}")
    if not line_delay_s > 0:
        raise ValueError(f"line is longer than the thru by {line_delay_s} s; expected above zero")
    if not all(np.isfinite(s).all() and s[:, 1, 0].all() and s[:, 0, 1].all() for s in waves):
        raise ValueError("thru or line has no reading, or lets nothing through, at some frequency")
    through, longer = (skrf.network.s2t(s) for s in waves)
    # Similar to the line's own transfer matrix, so of its eigenvalues, exp(-gl) and exp(+gl), whatever the fixtures are.
    roots = np.linalg.eigvals(longer @ np.linalg.inv(through))
    expected = 360.0 * frequency * line_delay_s
    distance = np.abs(roots - np.exp(-1j * np.radians(expected))[:, None])
    transmission = roots[np.arange(frequency.size), distance.argmin(axis=1)]
    principal = -np.degrees(np.angle(transmission))
    phase = principal + 360.0 * np.round((expected - principal) / 360.0)
    usable = (phase >= USABLE_DEG[0]) & (phase <= USABLE_DEG[1])
    surprise = np.where(usable, np.abs(phase - expected), 0.0)
    at = int(surprise.argmax())
    if surprise[at] > _LARGEST_SURPRISE_DEG:
        return Absent(
            f"the line measures {phase[at]:.0f} degrees at {frequency[at] / 1e9:.9g} GHz where its stated delay of "
            f"{line_delay_s * 1e12:.3g} ps gives {expected[at]:.0f}: one of them is not what it is said to be"
        )
    good = frequency[usable]
    low, high = (float(good[0]), float(good[-1])) if good.size else (np.nan, np.nan)
    return LineBand(phase, usable, low, high, transmission, _reason(frequency, phase, usable, low, high))


def _reason(
    frequency: NDArray[np.float64], phase: NDArray[np.float64], usable: NDArray[np.bool_], low: float, high: float
) -> str:
    if usable.all():
        return ""
    at = int(np.argmin(usable))
    where = f"from {low / 1e9:.9g} to {high / 1e9:.9g} GHz of this sweep" if usable.any() else "nowhere in this sweep"
    return (
        f"the line is {phase[at]:.1f} degrees longer than the thru at {frequency[at] / 1e9:.9g} GHz; usable (20 to 160 degrees) "
        f"{where}: narrow the sweep or take another line"
    )
