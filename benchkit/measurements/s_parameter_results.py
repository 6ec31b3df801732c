"""What S-parameters over a band come to: the worst case in band of each, and where it is."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.grouping import condition_of, each_ladder
from benchkit.measurements.network_rows import s_from
from benchkit.measurements.s_parameter_uncertainty import NO_RESIDUALS, errors_of, sweep_budgets, unpowered_budgets
from benchkit.measurements.unpowered_results import UNPOWERED_PARAMETERS, only_if_passive, unpowered_in_band
from benchkit.results.absent import Absent
from benchkit.results.matching import vswr
from benchkit.results.network import maximum_gain, stability
from benchkit.results.result import Parameter, Result
from benchkit.results.uncertainty import Budget

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PARAMETERS", "group_delay_s", "s_parameter_results"]

Floats = NDArray[np.float64]
Found = tuple[str, float | Absent, str, str]

_BOTH = "device input to device output"
PARAMETERS = (
    Parameter("s21_minimum", "Gain |S21|, lowest in band", "dB", _BOTH),
    Parameter("s21_flatness", "Gain flatness in band, peak to peak", "dB", _BOTH),
    Parameter("s21_slope", "Gain slope over the band", "dB", _BOTH),
    Parameter("input_return_loss", "Input return loss, lowest in band", "dB", "device input"),
    Parameter("output_return_loss", "Output return loss, lowest in band", "dB", "device output"),
    Parameter("input_vswr", "Input VSWR, highest in band", "1", "device input"),
    Parameter("output_vswr", "Output VSWR, highest in band", "1", "device output"),
    Parameter("reverse_isolation", "Reverse isolation, lowest in band", "dB", "device output to device input"),
    Parameter("stability_k", "Stability factor K, lowest in band", "1", _BOTH),
    Parameter("stability_mu", "Stability measure mu, lowest in band", "1", _BOTH),
    Parameter("maximum_gain", "Maximum available gain, lowest in band", "dB", _BOTH),
    Parameter("group_delay", "Group delay, longest in band", "s", _BOTH),
    Parameter("group_delay_variation", "Group delay, variation in band", "s", _BOTH),
)

UNCORRECTED = (
    "uncorrected: the traces hold the analyser's own errors and the way to the device; ask for correction: calibration"
)
# A step of phase above this may as well be one the other way round.
LARGEST_STEP_DEG = 90.0


def s_parameter_results(rows: pd.DataFrame, title: str, *, is_unpowered: bool = False) -> list[Result]:
    """
    Results of each sweep; absent with the reason where the sweep is uncorrected or lacks a reading.

    Args:
        rows: Of the stream "network", of one measurement.
        is_unpowered: Whether they are of the unpowered device, which has parameters of its own.
    """
    parameters: tuple[Parameter, ...] = UNPOWERED_PARAMETERS if is_unpowered else PARAMETERS
    in_band, budgets_of = (unpowered_in_band, unpowered_budgets) if is_unpowered else (_in_band, sweep_budgets)
    results: list[Result] = []
    for sweep in each_ladder(rows):
        condition = condition_of(sweep, with_frequency=False)
        frequency_hz, s = sweep["frequency_hz"].to_numpy(dtype=float), s_from(sweep)
        reason = ""
        if np.isnan(sweep["calibration_made_s"].to_numpy(dtype=float)).all():
            reason = UNCORRECTED
        elif not np.isfinite(s).all():
            missing = int((~np.isfinite(s).all(axis=(1, 2))).sum())
            reason = f"the analyser gave no number at {missing} of {len(s)} frequencies: a worst case may be among them"
        found = {} if reason else {one[0]: one[1:] for one in in_band(frequency_hz, s)}
        errors = None if reason else errors_of(sweep)
        budgets = {} if errors is None else budgets_of(frequency_hz, s, errors)
        own = []
        for parameter in parameters:
            value, convention, where = found.get(parameter.name, (Absent(reason or "not measured"), "", ""))
            is_absent = isinstance(value, Absent)
            budget = () if is_absent else budgets.get(parameter.name, NO_RESIDUALS)
            lines = () if isinstance(budget, str) else tuple(line for line in budget if line.amount > 0)
            own.append(
                Result(
                    parameter=parameter.name,
                    value=float("nan") if isinstance(value, Absent) else value,
                    unit=parameter.unit,
                    plane=parameter.plane,
                    condition=condition,
                    reason=value.reason if isinstance(value, Absent) else "",
                    expanded_uncertainty=Budget(lines).expanded if lines else float("nan"),
                    uncertainty_reason="no value" if is_absent else budget if isinstance(budget, str) else "",
                    convention=convention,
                    found=where,
                    measurement=title,
                    budget=lines,
                )
            )
        results += only_if_passive(own) if is_unpowered else own
    return results


def group_delay_s(frequency_hz: Floats, s21: NDArray[np.complex128]) -> Floats | Absent:
    """
    -d(phase)/d(angular frequency), central differences, shape (n,). [s]

    Returns:
        Absent with fewer than three frequencies, or steps so wide that the phase's turns cannot be counted.
    """
    if frequency_hz.size < 3:
        return Absent(f"group delay needs three frequencies or more; there are {frequency_hz.size}")
    steps = np.abs(np.angle(s21[1:] / s21[:-1], deg=True))
    if steps.max() > LARGEST_STEP_DEG:
        return Absent(
            f"phase of S21 steps by {steps.max():.0f} degrees after {frequency_hz[int(steps.argmax())] / 1e9:.6g} GHz, more than "
            f"{LARGEST_STEP_DEG:g}: its turns cannot be counted; ask for closer frequencies"
        )
    return np.asarray(-np.gradient(np.unwrap(np.angle(s21)), 2 * np.pi * frequency_hz), dtype=np.float64)


def _in_band(hz: Floats, s: NDArray[np.complex128]) -> Iterator[Found]:
    """Name, value, how it is defined, and where in the band it is."""
    band = f"in {hz[0] / 1e9:.6g} to {hz[-1] / 1e9:.6g} GHz"

    def at(index: int) -> str:
        return f"at {hz[index] / 1e9:.6g} GHz"

    with np.errstate(divide="ignore"):
        db = 20 * np.log10(np.abs(s))
    gain = db[:, 1, 0]
    low, high = int(gain.argmin()), int(gain.argmax())
    yield "s21_minimum", float(gain[low]), f"lowest {band}", at(low)
    yield "s21_flatness", float(gain[high] - gain[low]), f"highest less lowest {band}", f"highest {at(high)}, lowest {at(low)}"
    if hz.size < 2:
        yield "s21_slope", Absent("slope needs two frequencies or more"), "", ""
    else:
        slope = float(np.polyfit((hz - hz.mean()) / (hz[-1] - hz[0]), gain, 1)[0])
        yield "s21_slope", slope, f"straight line by least squares, end less beginning, {band}", ""
    for name, (i, j) in (("input_return_loss", (0, 0)), ("output_return_loss", (1, 1)), ("reverse_isolation", (0, 1))):
        worst = int(db[:, i, j].argmax())
        value = float(-db[worst, i, j])
        absent = Absent(f"S{i + 1}{j + 1} reads zero {at(worst)}")
        yield name, value if np.isfinite(value) else absent, f"lowest {band}", at(worst)
    for name, i in (("input_vswr", 0), ("output_vswr", 1)):
        ratio = vswr(s[:, i, i])
        worst = int(np.nanargmax(ratio)) if np.isfinite(ratio).any() else 0
        absent = Absent(f"|S{i + 1}{i + 1}| is 1 or more in band: a VSWR has no meaning there")
        yield name, float(ratio[worst]) if np.isfinite(ratio).all() else absent, f"highest {band}", at(worst)
    stable = stability(s)
    for name, values in (("stability_k", stable.k), ("stability_mu", stable.mu)):
        worst = int(values.argmin())
        value = float(values[worst])
        absent = Absent("S12 reads zero: no feedback to speak of")
        yield name, value if np.isfinite(value) else absent, f"lowest {band}", at(worst)
    available = maximum_gain(s).available_db
    if np.isfinite(available).all():
        worst = int(available.argmin())
        yield "maximum_gain", float(available[worst]), f"both ports conjugately matched; lowest {band}", at(worst)
    else:
        first = int(np.argmax(~np.isfinite(available)))
        where = f"{hz[first] / 1e9:.6g} GHz (mu = {stable.mu[first]:.3g})"
        reason = f"not unconditionally stable at {where}: no match gives it a maximum"
        yield "maximum_gain", Absent(reason), "", ""
    delay = group_delay_s(hz, s[:, 1, 0])
    if isinstance(delay, Absent):
        yield from (("group_delay", delay, "", ""), ("group_delay_variation", delay, "", ""))
        return
    longest = int(delay.argmax())
    aperture = f"aperture two steps, {2 * float(np.diff(hz).max()) / 1e6:.4g} MHz or less"
    yield "group_delay", float(delay[longest]), f"longest {band}; {aperture}", at(longest)
    yield "group_delay_variation", float(delay.max() - delay.min()), f"longest less shortest {band}; {aperture}", ""
