"""Uncertainty of what S-parameters over a band come to: the errors of a sweep from its rows, and the figures of many sweeps."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.network_rows import ELEMENTS
from benchkit.measurements.unpowered_results import unpowered_figures
from benchkit.results.kit_errors import KitErrors
from benchkit.results.matching import vswr
from benchkit.results.network import maximum_gain, stability
from benchkit.results.network_budget import EXTREME, FixtureErrors, NetworkErrors, figure_budgets, magnitude_budget_db
from benchkit.results.uncertainty import Contribution, standard_from_expanded

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["NO_RESIDUALS", "band_figures", "errors_of", "sweep_budgets", "unpowered_budgets"]

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

NO_RESIDUALS = "the record holds no residuals of the calibration used"
_MAGNITUDES = {
    "s21_minimum": (1, 0, min),
    "input_return_loss": (0, 0, max),
    "output_return_loss": (1, 1, max),
    "reverse_isolation": (0, 1, max),
}


def errors_of(rows: pd.DataFrame) -> NetworkErrors | None:
    """
    Of one sweep's rows of the stream "network"; None in a record that holds no residuals.

    What the bench file does not state is left out (the report lists it); noise is then in the residuals as far as they show it.
    """
    if "residual_reflection" not in rows:
        return None
    one = {
        name: float(rows[name].to_numpy(dtype=float)[0])
        for name in ("residual_reflection", "residual_transmission", "linearity_db", "drift_db")
    }
    if math.isnan(one["residual_reflection"]) or math.isnan(one["residual_transmission"]):
        return None
    noise = np.zeros((len(rows), 2, 2))
    for i, j in ELEMENTS:
        noise[:, i, j] = np.nan_to_num(rows[f"noise_s{i + 1}{j + 1}"].to_numpy(dtype=float), nan=0.0)
    raised = _raised(rows)
    noise *= raised
    linearity_db, drift_db = (0.0 if math.isnan(one[name]) else one[name] for name in ("linearity_db", "drift_db"))
    return NetworkErrors(
        # Of directivity; a match behind a loss counts for less, and is left as it is: the largest of all stands for both ports.
        one["residual_reflection"] * float(max(raised[:, 0, 0].max(), raised[:, 1, 1].max())),
        one["residual_transmission"], noise, linearity_db, drift_db, _fixtures_of(rows, raised), _kit_of(rows, raised),
    )  # fmt: skip


def _raised(rows: pd.DataFrame) -> Floats:
    """What de-embedding raises errors at the calibrated planes by, shape (n, 2, 2); 1 where nothing was taken out."""
    found = np.ones((len(rows), 2, 2))
    for i, j in ELEMENTS:
        name = f"raised_s{i + 1}{j + 1}"
        # A record from before these columns does not tell.
        if name in rows:
            found[:, i, j] = np.nan_to_num(rows[name].to_numpy(dtype=float), nan=1.0)
    return found


def _fixtures_of(rows: pd.DataFrame, raised: Floats) -> FixtureErrors:
    """What is stated of what was de-embedded, seen behind it; a record from before these columns states nothing."""
    return FixtureErrors(
        (
            _standard(rows, "fixture_reflection_1") * float(raised[:, 0, 0].max()),
            _standard(rows, "fixture_reflection_2") * float(raised[:, 1, 1].max()),
        ),
        (_standard(rows, "fixture_loss_1_db"), _standard(rows, "fixture_loss_2_db")),
    )


def _kit_of(rows: pd.DataFrame, raised: Floats) -> KitErrors:
    """Likewise of the calibration kit's standards, which are at the calibrated planes."""
    if "kit_is_line" not in rows:
        return KitErrors()
    reflection = _standard(rows, "kit_reflection") * float(max(raised[:, 0, 0].max(), raised[:, 1, 1].max()))
    is_line = bool(rows["kit_is_line"].to_numpy(dtype=float)[0])
    match = [float(rows[f"load_match_{way}"].to_numpy(dtype=float).max()) for way in ("forward", "reverse")]
    return KitErrors(reflection, 0.0 if is_line else reflection, _standard(rows, "kit_transmission_db"), (match[0], match[1]))


def _standard(rows: pd.DataFrame, name: str) -> float:
    value = float(rows[name].to_numpy(dtype=float)[0]) if name in rows else math.nan
    return 0.0 if math.isnan(value) else standard_from_expanded(value)


def sweep_budgets(hz: Floats, s: Complexes, errors: NetworkErrors) -> dict[str, tuple[Contribution, ...] | str]:
    """
    Budgets by parameter; a text says why there is none.

    A magnitude at one frequency is propagated linearly; what comes of several, or bends, is drawn.
    """
    found = figure_budgets(hz, s, errors, band_figures)
    for name, (i, j, worst) in _MAGNITUDES.items():
        size = np.abs(s[:, i, j])
        at = int(size.argmin() if worst is min else size.argmax())
        lines, drawn = magnitude_budget_db(s, errors, at, i, j), found[name]
        extreme = [] if isinstance(drawn, str) else [line for line in drawn if line.name == EXTREME]
        found[name] = (*lines, *extreme)
    return found


def unpowered_budgets(hz: Floats, s: Complexes, errors: NetworkErrors) -> dict[str, tuple[Contribution, ...] | str]:
    """As sweep_budgets(), of the figures of the unpowered device: all are drawn."""
    return figure_budgets(hz, s, errors, unpowered_figures)


def band_figures(hz: Floats, s: Complexes) -> Mapping[str, Floats]:
    """
    The figures of many sweeps at once, as s_parameter_results defines them for one.

    Args:
        hz: Shape (n,). [Hz]
        s: Shape (draws, n, 2, 2).

    Returns:
        By parameter, each of shape (draws,); NaN where it has no value.
    """
    draws, count = s.shape[:2]
    with np.errstate(divide="ignore"):
        db = 20 * np.log10(np.abs(s))
    gain = db[:, :, 1, 0]
    flat = s.reshape(draws * count, 2, 2)
    stable = stability(flat)
    found = {
        "s21_minimum": gain.min(axis=1),
        "s21_flatness": np.ptp(gain, axis=1),
        "input_return_loss": -db[:, :, 0, 0].max(axis=1),
        "output_return_loss": -db[:, :, 1, 1].max(axis=1),
        "input_vswr": vswr(s[:, :, 0, 0]).max(axis=1),
        "output_vswr": vswr(s[:, :, 1, 1]).max(axis=1),
        "reverse_isolation": -db[:, :, 0, 1].max(axis=1),
        "stability_k": stable.k.reshape(draws, count).min(axis=1),
        "stability_mu": stable.mu.reshape(draws, count).min(axis=1),
        "maximum_gain": maximum_gain(flat).available_db.reshape(draws, count).min(axis=1),
    }
    if count >= 2:
        x = (hz - hz.mean()) / (hz[-1] - hz[0])
        found["s21_slope"] = (gain - gain.mean(axis=1, keepdims=True)) @ x / float(x @ x)
    if count >= 3:
        delay = -np.gradient(np.unwrap(np.angle(s[:, :, 1, 0]), axis=1), 2 * np.pi * hz, axis=1)
        found["group_delay"], found["group_delay_variation"] = delay.max(axis=1), np.ptp(delay, axis=1)
    return {name: np.asarray(values, dtype=np.float64) for name, values in found.items()}
