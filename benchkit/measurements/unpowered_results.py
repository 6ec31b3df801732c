"""
What S-parameters of the unpowered device come to in band: reflections, isolation both ways, and whether they are those of a
passive, reciprocal two-port.

A part without power and without ferrite gives out no more than it is given, S^H S <= 1, and passes as much one way as the other,
S = S^T (D. M. Pozar, Microwave Engineering, 4th ed., 4.2 and 4.3, from memory). A sweep that is not passive within its
uncertainty gives no number but that: the part was not unpowered, or the calibration is wrong. A gain, a stability and what
follows from them are not asked of it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchkit.results.absent import Absent
from benchkit.results.matching import vswr
from benchkit.results.network import largest_singular_value, reciprocity_error
from benchkit.results.result import Parameter, Result

__all__ = ["UNPOWERED_PARAMETERS", "only_if_passive", "unpowered_figures", "unpowered_in_band"]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Found = tuple[str, float | Absent, str, str]

PASSIVITY = "unpowered_passivity"
_THROUGH = "device input to device output"
UNPOWERED_PARAMETERS = (
    Parameter("unpowered_input_return_loss", "Unpowered: input return loss, lowest in band", "dB", "device input"),
    Parameter("unpowered_output_return_loss", "Unpowered: output return loss, lowest in band", "dB", "device output"),
    Parameter("unpowered_input_vswr", "Unpowered: input VSWR, highest in band", "1", "device input"),
    Parameter("unpowered_output_vswr", "Unpowered: output VSWR, highest in band", "1", "device output"),
    Parameter("unpowered_forward_isolation", "Unpowered: isolation from input to output, lowest in band", "dB", _THROUGH),
    Parameter(
        "unpowered_reverse_isolation", "Unpowered: isolation from output to input, lowest in band", "dB",
        "device output to device input",
    ),
    Parameter("unpowered_reciprocity", "Unpowered: |S21 - S12|, largest in band", "1", _THROUGH),
    Parameter(PASSIVITY, "Unpowered: largest singular value of S, highest in band", "1", _THROUGH),
)  # fmt: skip
"""By names of their own: nothing that is said of the biased device, or expected of it, is said of the unpowered one."""

_WORST_DB = (
    ("unpowered_input_return_loss", 0, 0), ("unpowered_output_return_loss", 1, 1), ("unpowered_forward_isolation", 1, 0),
    ("unpowered_reverse_isolation", 0, 1),
)  # fmt: skip
_VSWR = (("unpowered_input_vswr", 0), ("unpowered_output_vswr", 1))


def unpowered_in_band(hz: Floats, s: Complexes) -> Iterator[Found]:
    """
    Name, value, how it is defined, and where in the band it is.

    Args:
        hz: Shape (n,). [Hz]
        s: Corrected, shape (n, 2, 2), every reading there.
    """
    band = f"in {hz[0] / 1e9:.6g} to {hz[-1] / 1e9:.6g} GHz"

    def at(index: int) -> str:
        return f"at {hz[index] / 1e9:.6g} GHz"

    for name, i, j in _WORST_DB:
        size = np.abs(s[:, i, j])
        worst = int(size.argmax())
        absent = Absent(f"S{i + 1}{j + 1} reads zero {at(worst)}")
        yield name, -20 * math.log10(size[worst]) if size[worst] > 0 else absent, f"lowest {band}", at(worst)
    for name, port in _VSWR:
        ratio = vswr(s[:, port, port])
        worst = int(np.nanargmax(ratio)) if np.isfinite(ratio).any() else 0
        absent = Absent(f"|S{port + 1}{port + 1}| is 1 or more in band: a VSWR has no meaning there")
        yield name, float(ratio[worst]) if np.isfinite(ratio).all() else absent, f"highest {band}", at(worst)
    for name, values in (("unpowered_reciprocity", reciprocity_error(s)), (PASSIVITY, largest_singular_value(s))):
        worst = int(values.argmax())
        yield name, float(values[worst]), f"highest {band}", at(worst)


def unpowered_figures(_: Floats, s: Complexes) -> Mapping[str, Floats]:
    """
    The figures of many sweeps at once, as unpowered_in_band() defines them for one.

    Args:
        _: Frequencies, which none of these depends on. [Hz]
        s: Shape (draws, n, 2, 2).

    Returns:
        By parameter, each of shape (draws,); NaN where it has no value.
    """
    draws, count = s.shape[:2]
    flat = s.reshape(draws * count, 2, 2)
    with np.errstate(divide="ignore"):
        found = {name: -20 * np.log10(np.abs(s[:, :, i, j]).max(axis=1)) for name, i, j in _WORST_DB}
    found |= {name: vswr(s[:, :, port, port]).max(axis=1) for name, port in _VSWR}
    found["unpowered_reciprocity"] = reciprocity_error(flat).reshape(draws, count).max(axis=1)
    found[PASSIVITY] = largest_singular_value(flat).reshape(draws, count).max(axis=1)
    return {name: np.asarray(values, dtype=np.float64) for name, values in found.items()}


def only_if_passive(results: Sequence[Result]) -> list[Result]:
    """
    Results of one sweep as they are, if it is passive within its expanded uncertainty; else that it is not, and no other number.
    """
    passivity = next(one for one in results if one.parameter == PASSIVITY)
    # Without a number, or an uncertainty, it is not known to be broken: NaN is above nothing.
    if not passivity.value - passivity.expanded_uncertainty > 1.0:
        return list(results)
    reason = (
        f"not passive: the largest singular value of S is {passivity.value:.4g} with U = {passivity.expanded_uncertainty:.2g}, "
        "above 1; the device was not unpowered, or the calibration is wrong"
    )
    return [
        one
        if one.parameter == PASSIVITY
        else replace(one, value=math.nan, expanded_uncertainty=math.nan, reason=reason, uncertainty_reason="no value", budget=())
        for one in results
    ]
