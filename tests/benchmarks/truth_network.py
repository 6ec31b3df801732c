"""True S-parameters of the device, or of the part within true fixtures, and what they come to over the band."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.truth import Tap

__all__ = ["Fixtures", "s_parameter_truth", "unpowered_truth"]

Fixtures = Callable[[NDArray[np.float64]], tuple[NDArray[np.complex128], NDArray[np.complex128]]]


def s_parameter_truth(tap: Tap, end_s: float, fixtures: Fixtures | None = None) -> dict[str, float]:
    """
    Figures of the sweep that ended last before a time. [s]

    Args:
        fixtures: From frequencies to what truly lies at input and output between the planes and the part; None: nothing.
    """
    hz, s = _sweep(tap, end_s, fixtures)
    s11, s12, s21, s22 = s[:, 0, 0], s[:, 0, 1], s[:, 1, 0], s[:, 1, 1]
    db = {name: 20 * np.log10(np.abs(one)) for name, one in (("11", s11), ("12", s12), ("21", s21), ("22", s22))}
    delta, loop = s11 * s22 - s12 * s21, np.abs(s12 * s21)
    k = (1 - np.abs(s11) ** 2 - np.abs(s22) ** 2 + np.abs(delta) ** 2) / (2 * loop)
    mu = (1 - np.abs(s11) ** 2) / (np.abs(s22 - delta * s11.conj()) + loop)
    found = {
        "s21_minimum": db["21"].min(),
        "s21_flatness": np.ptp(db["21"]),
        "s21_slope": np.polyfit((hz - hz[0]) / (hz[-1] - hz[0]), db["21"], 1)[0],
        "input_return_loss": -db["11"].max(),
        "output_return_loss": -db["22"].max(),
        "input_vswr": ((1 + np.abs(s11)) / (1 - np.abs(s11))).max(),
        "output_vswr": ((1 + np.abs(s22)) / (1 - np.abs(s22))).max(),
        "reverse_isolation": -db["12"].max(),
        "stability_k": k.min(),
        "stability_mu": mu.min(),
    }
    if k.min() > 1:
        found["maximum_gain"] = (10 * np.log10(np.abs(s21 / s12) * (k - np.sqrt(k**2 - 1)))).min()
    delay = -np.gradient(np.unwrap(np.angle(s21)), 2 * np.pi * hz)
    found["group_delay"], found["group_delay_variation"] = delay.max(), np.ptp(delay)
    return {name: float(value) for name, value in found.items()}


def unpowered_truth(tap: Tap, end_s: float, fixtures: Fixtures | None = None) -> dict[str, float]:
    """As s_parameter_truth(), of a sweep of the unpowered device."""
    _, s = _sweep(tap, end_s, fixtures)
    size = np.abs(s).max(axis=0)
    found = {
        "unpowered_input_return_loss": -20 * np.log10(size[0, 0]),
        "unpowered_output_return_loss": -20 * np.log10(size[1, 1]),
        "unpowered_forward_isolation": -20 * np.log10(size[1, 0]),
        "unpowered_reverse_isolation": -20 * np.log10(size[0, 1]),
        "unpowered_input_vswr": (1 + size[0, 0]) / (1 - size[0, 0]),
        "unpowered_output_vswr": (1 + size[1, 1]) / (1 - size[1, 1]),
        "unpowered_reciprocity": np.abs(s[:, 1, 0] - s[:, 0, 1]).max(),
        "unpowered_passivity": np.linalg.svd(s, compute_uv=False).max(),
    }
    return {name: float(value) for name, value in found.items()}


def _sweep(tap: Tap, end_s: float, fixtures: Fixtures | None) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Frequencies and what was true at them. [Hz, 1]"""
    _, hz, s = max((one for one in tap.sweeps if one[0] <= end_s + 1e-6), key=lambda one: one[0])
    return hz, s if fixtures is None else _between(s, *fixtures(hz))


def _between(s: NDArray[np.complex128], left: NDArray[np.complex128], right: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """What lies between two two-ports, each of shape (n, 2, 2), by transfer matrices (Pozar, Microwave Engineering, 4.4)."""
    inside = np.linalg.inv(_transfer(left)) @ _transfer(s) @ np.linalg.inv(_transfer(right))
    t11, t12, t21, t22 = inside[:, 0, 0], inside[:, 0, 1], inside[:, 1, 0], inside[:, 1, 1]
    return np.moveaxis(np.array([[t12 / t22, t11 - t12 * t21 / t22], [1 / t22, -t21 / t22]]), 2, 0)


def _transfer(s: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """(b1, a1) from (a2, b2)."""
    s11, s12, s21, s22 = s[:, 0, 0], s[:, 0, 1], s[:, 1, 0], s[:, 1, 1]
    return np.moveaxis(np.array([[s12 - s11 * s22 / s21, s11 / s21], [-s22 / s21, 1 / s21]]), 2, 0)
