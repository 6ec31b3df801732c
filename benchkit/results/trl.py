"""Thru-reflect-line: the error terms from a thru, a line and a reflection that need not be known. Mathematics: scikit-rf's."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.calibration import ERROR_TERMS, Calibration, check_frequencies
from benchkit.results.line_band import line_band
from benchkit.results.standards import check_length, finite_two_port, solved_calibration

__all__ = ["trl"]

Complexes = NDArray[np.complex128]


def trl(
    frequency_hz: ArrayLike,
    *,
    thru: ArrayLike,
    reflect: ArrayLike,
    line: ArrayLike,
    line_delay_s: float,
    reflect_sign: int,
    switch_terms: tuple[ArrayLike, ArrayLike] | None = None,
    made_s: float = math.nan,
) -> Calibration | Absent:
    """
    Thru-reflect-line (G. F. Engen and C. A. Hoer, IEEE Trans. Microw. Theory Tech. 27 (1979) 987).

    Planes of reference: the middle of the thru. Impedance of reference: that of the line. The crosstalk terms are zero.

    Args:
        frequency_hz: Strictly ascending, shape (n,). [Hz]
        thru, reflect, line: Raw S, complex, shape (n, 2, 2); the reflect is the same at both ports.
        line_delay_s: By how much the line is longer than the thru, about: it picks the root and the turn. [s]
        reflect_sign: -1: more like a short, +1: more like an open.
        switch_terms: Reflection of the unexcited port, forward and reverse, complex, shape (n,); None: zero, or removed.

    Returns:
        Absent, with the usable band in numbers, when the line is not 20 to 160 degrees longer than the thru everywhere.

    Raises:
        ValueError: Shapes, or a `reflect_sign` that is neither.
    """
    import skrf
    from skrf.calibration.calibration import TRL, unterminate

    frequency = check_frequencies(frequency_hz)
    if reflect_sign not in (-1, 1):
        raise ValueError(f"reflect_sign is {reflect_sign}; expected -1 (short) or +1 (open)")
    raw = {name: finite_two_port(s, name) for name, s in (("thru", thru), ("reflect", reflect), ("line", line))}
    for name, s in raw.items():
        check_length(s, frequency, name)
    switch = np.zeros((2, frequency.size), dtype=np.complex128) if switch_terms is None else np.array(switch_terms)
    if switch.shape != (2, frequency.size) or not np.isfinite(switch).all():
        raise ValueError(f"switch terms have shape {switch.shape}; expected two of ({frequency.size},), finite")
    grid = skrf.Frequency.from_f(frequency, unit="Hz")
    if switch_terms is not None:
        raw = {
            name: unterminate(skrf.Network(frequency=grid, s=s), *(skrf.Network(frequency=grid, s=g) for g in switch)).s
            for name, s in raw.items()
        }
    band = line_band(frequency, raw["thru"], raw["line"], line_delay_s)
    if isinstance(band, Absent):
        return band
    if not band.usable.all():
        return Absent(band.reason)
    ideal_line = np.zeros((frequency.size, 2, 2), dtype=np.complex128)
    ideal_line[:, 0, 1] = ideal_line[:, 1, 0] = band.transmission
    # The terms are removed already; without any scikit-rf would warn.
    none = skrf.Network(frequency=grid, s=np.zeros(frequency.size))
    with np.errstate(all="ignore"):  # what has no solution is not finite, and found below
        solved = TRL(
            measured=[skrf.Network(frequency=grid, s=raw[name]) for name in ("thru", "reflect", "line")],
            ideals=[None, reflect_sign, skrf.Network(frequency=grid, s=ideal_line)],
            switch_terms=(none, none),
        ).coefs
        terms = _twelve_terms(solved, *switch)
    return solved_calibration("TRL", frequency, terms, ("thru", "reflect", "line"), "impedance of the line", made_s)


def _twelve_terms(solved: dict[str, Complexes], switch_f: Complexes, switch_r: Complexes) -> dict[str, Complexes]:
    # R. B. Marks, 50th ARFTG Conference Digest (1997) 115, eq. 36 to 44, in the form that also holds for switch terms of zero.
    terms = {
        name: solved[name] for name in ERROR_TERMS if not name.endswith(("load match", "transmission tracking", "isolation"))
    }
    reverse = solved["reverse reflection tracking"] / (1 - solved["reverse directivity"] * switch_f)
    forward = solved["forward reflection tracking"] / (1 - solved["forward directivity"] * switch_r)
    terms["forward load match"] = solved["reverse source match"] + reverse * switch_f
    terms["reverse load match"] = solved["forward source match"] + forward * switch_r
    terms["forward transmission tracking"] = reverse * solved["k"]
    terms["reverse transmission tracking"] = forward / solved["k"]
    return terms | {f"{way} isolation": np.zeros_like(reverse) for way in ("forward", "reverse")}
