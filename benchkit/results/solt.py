"""Short-open-load-thru: the 12 error terms from standards that are known. The mathematics is scikit-rf's."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.calibration import ERROR_TERMS, Calibration, check_frequencies
from benchkit.results.standards import Standard, check_length, finite_two_port, solved_calibration

__all__ = ["LEAST_DISTANCE", "solt"]

LEAST_DISTANCE = 0.2
"""Between any two of the three most different reflections: closer, and their difference says little beyond its noise."""


def solt(
    frequency_hz: ArrayLike,
    reflects: Sequence[Standard],
    thru: Standard,
    *,
    isolation: ArrayLike | None = None,
    reference: str = "50 ohm, as the standards are defined",
    made_s: float = math.nan,
) -> Calibration | Absent:
    """
    12-term calibration from known standards (W. Kruppa and K. F. Sodomsky, IEEE Trans. Microw. Theory Tech. 19 (1971) 122).

    Args:
        frequency_hz: Strictly ascending, shape (n,). [Hz]
        reflects: Three or more (short, open, load), each at both ports; more are solved by least squares.
        thru: Any known transmission, flush or not.
        isolation: Raw S with both ports loaded, complex, shape (n, 2, 2); None: crosstalk taken as zero.
        reference: What the ideals are referred to.
        made_s: When the standards were measured, in seconds since 1970-01-01 UTC. [s]

    Returns:
        Absent when no three reflections are further apart than 0.2, as an offset short and open are at some frequency.

    Raises:
        ValueError: Fewer than three reflects, a thru that lets nothing through, or shapes that differ.
    """
    import skrf
    from skrf.calibration.calibration import SOLT

    frequency = check_frequencies(frequency_hz)
    if len(reflects) < 3:
        raise ValueError(f"{len(reflects)} reflecting standards; three or more are needed")
    for standard in (*reflects, thru):
        check_length(standard.measured, frequency, standard.name)
    if not (thru.ideal[:, 1, 0].all() and thru.ideal[:, 0, 1].all()):
        raise ValueError(f"{thru.name} is to be the thru, but its ideal lets nothing through at some frequency")
    alike = _alike(reflects, frequency)
    if alike is not None:
        return alike
    grid = skrf.Frequency.from_f(frequency, unit="Hz")

    def network(s: ArrayLike) -> object:
        return skrf.Network(frequency=grid, s=np.array(s))

    options = {}
    if isolation is not None:
        options["isolation"] = network(check_length(finite_two_port(isolation, "isolation"), frequency, "isolation"))
    every = (*reflects, thru)
    with np.errstate(all="ignore"):  # what has no solution is not finite, and found below
        solved = SOLT(
            measured=[network(standard.measured) for standard in every],
            ideals=[network(standard.ideal) for standard in every],
            n_thrus=1,
            **options,
        ).coefs
    terms = {name: solved[name] for name in ERROR_TERMS}
    return solved_calibration("SOLT", frequency, terms, tuple(standard.name for standard in every), reference, made_s)


def _alike(reflects: Sequence[Standard], frequency: NDArray[np.float64]) -> Absent | None:
    for port in (0, 1):
        gamma = np.array([standard.ideal[:, port, port] for standard in reflects])
        apart = np.array([np.min([abs(a - b), abs(b - c), abs(c - a)], axis=0) for a, b, c in combinations(gamma, 3)]).max(axis=0)
        at = int(apart.argmin())
        if apart[at] < LEAST_DISTANCE:
            return Absent(
                f"reflecting standards at port {port + 1} are only {apart[at]:.3f} apart at {frequency[at] / 1e9:.9g} GHz, "
                f"less than {LEAST_DISTANCE:g}: no three of them differ enough to tell the error terms"
            )
    return None
