"""S-parameters known at some frequencies, wanted at others: inside the band, between points close enough, and nowhere else."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.calibration import check_frequencies
from benchkit.results.network import as_two_port

__all__ = ["LARGEST_SAG", "on_grid"]

LARGEST_SAG = 0.015
"""
What real and imaginary part, each by a straight line, may fall short by between two points: an element of size r that turns by a
does so by r (1 - cos(a / 2)). Of a whole transmission this is 20 degrees between points.
"""
_SAME_FREQUENCY = 1e-9


def on_grid(known_hz: ArrayLike, s: ArrayLike, wanted_hz: ArrayLike) -> NDArray[np.complex128]:
    """
    S at other frequencies, shape (m, 2, 2).

    Args:
        known_hz: Strictly ascending, shape (n,); the first may be 0. [Hz]
        s: Complex, finite, shape (n, 2, 2).
        wanted_hz: Strictly ascending, shape (m,). [Hz]

    Raises:
        ValueError: A frequency outside the band of `known_hz`; points beside a wanted one so far apart that S turns by too much
            between them; shapes.
    """
    known, wanted = np.asarray(known_hz, dtype=np.float64), check_frequencies(wanted_hz)
    array = as_two_port(s)
    if known.shape != array.shape[:1] or known.size == 0 or not (np.diff(known) > 0).all():
        raise ValueError(f"{array.shape[0]} points at frequencies of shape {known.shape}, or these do not ascend")
    low, high = float(known[0]), float(known[-1])
    outside = ~((wanted >= low * (1 - _SAME_FREQUENCY)) & (wanted <= high * (1 + _SAME_FREQUENCY)))
    if outside.any():
        raise ValueError(
            f"{wanted[int(np.argmax(outside))] / 1e9:.9g} GHz of the sweep is outside its band, {low / 1e9:.9g} to "
            f"{high / 1e9:.9g} GHz; nothing is extrapolated: measure it over the whole sweep, or sweep less"
        )
    nearest = np.abs(known[:, np.newaxis] - wanted).argmin(axis=0)
    between = np.abs(known[nearest] - wanted) > _SAME_FREQUENCY * wanted
    found: NDArray[np.complex128] = array[nearest].copy()
    if not between.any():
        return found
    upper = np.searchsorted(known, wanted[between])
    ends = array[upper - 1], array[upper]
    # The angle between the two ends; where one is nothing there is none, and nothing to fall short by.
    turn = np.abs(np.angle(ends[1] * ends[0].conj()))
    sag = np.maximum(np.abs(ends[0]), np.abs(ends[1])) * (1 - np.cos(turn / 2))
    if sag.max() > LARGEST_SAG:
        place = np.unravel_index(int(sag.argmax()), sag.shape)
        at = known[upper[place[0]] - 1]
        raise ValueError(
            f"S{place[1] + 1}{place[2] + 1} turns by {np.degrees(turn[place]):.0f} degrees after {at / 1e9:.9g} GHz: its points "
            "are too far apart to interpolate; give it the frequencies of the sweep, or closer ones"
        )
    part = ((wanted[between] - known[upper - 1]) / (known[upper] - known[upper - 1]))[:, np.newaxis, np.newaxis]
    found[between] = ends[0] + part * (ends[1] - ends[0])
    return found
