"""
Capability of a process against its limits, and how well two channels match.

Cp and Cpk count the scatter within subgroups (what the process could do), Pp and Ppk that of all parts (what it did):
D. C. Montgomery, Introduction to Statistical Quality Control, ch. 6 and 8; NIST/SEMATECH e-Handbook, 6.1.6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.population import as_parts

__all__ = ["Capability", "ChannelMatch", "capability", "channel_match", "mean_range_factor"]


@dataclass(frozen=True)
class Capability:
    """
    Attributes:
        cp, cpk: With the scatter within subgroups; Absent without subgroups, cp also without both limits.
        pp, ppk: With the scatter of all parts; pp Absent without both limits.
        mean: Of all parts, in their unit.
        within: Scatter within subgroups, mean range / d2; NaN without subgroups.
        overall: Standard deviation of all parts (n - 1).
        count, subgroup_size: Parts, and how many in a subgroup; 0 without.
    """

    cp: float | Absent
    cpk: float | Absent
    pp: float | Absent
    ppk: float
    mean: float
    within: float
    overall: float
    count: int
    subgroup_size: int


@dataclass(frozen=True)
class ChannelMatch:
    """
    The first channel against the second, at each frequency.

    Attributes:
        gain_difference_db: Shape (n,); NaN where one has no reading. [dB]
        phase_difference_deg: Shape (n,), in (-180, 180]. [degrees]
        worst_gain_db, worst_phase_deg: Largest magnitude of each, with its sign.
        worst_gain_at, worst_phase_at: Positions of them.
        unread: Points without reading.
    """

    gain_difference_db: NDArray[np.float64] = field(repr=False)
    phase_difference_deg: NDArray[np.float64] = field(repr=False)
    worst_gain_db: float
    worst_phase_deg: float
    worst_gain_at: int
    worst_phase_at: int
    unread: int


def capability(
    values: ArrayLike, *, minimum: float | None = None, maximum: float | None = None, subgroup_size: int = 0
) -> Capability | Absent:
    """
    How the limits compare with the scatter of the parts; 1 means three standard deviations to the nearer limit.

    Args:
        values: One per part, in the order made or measured, shape (n,).
        minimum, maximum: The limits; one may be missing. Same unit.
        subgroup_size: 2 to 25 parts that follow each other make a subgroup; 0: there are none.

    Returns:
        Absent with fewer than two parts, or without any scatter.

    Raises:
        ValueError: No limit, limits turned round, parts that do not fill the subgroups, or a value that is not finite.
    """
    parts = as_parts(values)
    limits = [limit for limit in (minimum, maximum) if limit is not None]
    if not limits or not all(math.isfinite(limit) for limit in limits) or sorted(set(limits)) != limits:
        raise ValueError(f"limits are {minimum} and {maximum}; expected one or two finite ones, the minimum below the maximum")
    if subgroup_size and (not 2 <= subgroup_size <= 25 or parts.size % subgroup_size):
        raise ValueError(f"{parts.size} parts in subgroups of {subgroup_size}; expected subgroups of 2 to 25, all full")
    if parts.size < 2:
        return Absent(f"{parts.size} part{'' if parts.size == 1 else 's'}: scatter needs two or more")
    mean, overall = float(parts.mean()), float(parts.std(ddof=1))
    within = math.nan
    if subgroup_size:
        ranges = np.ptp(parts.reshape(-1, subgroup_size), axis=1)
        within = float(ranges.mean()) / mean_range_factor(subgroup_size)
    if overall == 0 or within == 0:
        return Absent(f"{parts.size} parts of the same value, or subgroups of one value each: no scatter to compare with")
    nearer = min(sign * (limit - mean) for sign, limit in ((-1, minimum), (1, maximum)) if limit is not None)
    width: float | Absent = Absent("needs both limits")
    if minimum is not None and maximum is not None:
        width = maximum - minimum
    none = Absent("needs subgroups: the scatter within them is not known")
    return Capability(
        cp=none if not subgroup_size else width if isinstance(width, Absent) else width / (6 * within),
        cpk=nearer / (3 * within) if subgroup_size else none,
        pp=width if isinstance(width, Absent) else width / (6 * overall),
        ppk=nearer / (3 * overall),
        mean=mean,
        within=within,
        overall=overall,
        count=parts.size,
        subgroup_size=subgroup_size,
    )


@lru_cache(maxsize=32)
def mean_range_factor(count: int) -> float:
    """
    d2: mean range of `count` parts of a normal population of standard deviation 1 (2: 1.128, 5: 2.326).

    Raises:
        ValueError: Fewer than two parts.
    """
    if count < 2:
        raise ValueError(f"the range of {count} part; two or more are needed")
    from scipy import integrate, stats

    def spread(x: float) -> float:
        below = float(stats.norm.cdf(x))
        return 1 - below**count - (1 - below) ** count

    return 2 * float(integrate.quad(spread, 0.0, 12.0, epsabs=1e-12, limit=200)[0])


def channel_match(first_s21: ArrayLike, second_s21: ArrayLike) -> ChannelMatch | Absent:
    """
    Gain and phase of one channel against another, both through the same planes.

    Args:
        first_s21, second_s21: Complex, shape (n,), at the same frequencies; NaN where there is no reading.

    Returns:
        Absent when there is no point that both have.

    Raises:
        ValueError: Shapes.
    """
    first, second = (np.asarray(s, dtype=np.complex128) for s in (first_s21, second_s21))
    if first.ndim != 1 or first.shape != second.shape:
        raise ValueError(f"channels have shapes {first.shape} and {second.shape}; expected one of (n,) for both")
    good = np.isfinite(first) & np.isfinite(second) & (first != 0) & (second != 0)
    if not good.any():
        return Absent(f"no point of {first.size} has a reading of both channels")
    ratio = np.full(first.shape, np.nan + 0j)
    ratio[good] = first[good] / second[good]
    gain, phase = 20 * np.log10(np.abs(ratio)), np.degrees(np.angle(ratio))
    at_gain, at_phase = int(np.nanargmax(np.abs(gain))), int(np.nanargmax(np.abs(phase)))
    return ChannelMatch(gain, phase, float(gain[at_gain]), float(phase[at_phase]), at_gain, at_phase, int((~good).sum()))
