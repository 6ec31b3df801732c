"""S-parameters over frequency, one trace for each condition, and what follows from them: VSWR, group delay, gain, stability."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.grouping import condition_of, each_ladder, repeats_text
from benchkit.measurements.network_rows import s_from
from benchkit.measurements.s_parameter_results import group_delay_s
from benchkit.results.absent import Absent
from benchkit.results.figure import Axis, Figure, Trace
from benchkit.results.matching import vswr
from benchkit.results.network import maximum_gain, stability
from benchkit.results.result import ResultCondition, supply_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["s_parameter_figures"]

_KINDS = (
    ("s21", "|S21| over frequency", "|S21|", "dB"),
    ("s11", "|S11| over frequency", "|S11|", "dB"),
    ("s22", "|S22| over frequency", "|S22|", "dB"),
    ("s12", "|S12| over frequency", "|S12|", "dB"),
    ("vswr1", "Input VSWR over frequency", "Input VSWR", ""),
    ("vswr2", "Output VSWR over frequency", "Output VSWR", ""),
    ("delay", "Group delay over frequency", "Group delay", "ns"),
    ("gain", "Maximum available gain over frequency", "Maximum available gain", "dB"),
    ("k", "Stability factor K over frequency", "K", ""),
    ("mu", "Stability measure mu over frequency", "mu", ""),
)
_MAGNITUDES = ("s21", "s11", "s22", "s12")
_UNPOWERED = (*_MAGNITUDES, "vswr1", "vswr2")


def s_parameter_figures(title: str, rows: pd.DataFrame, *, is_unpowered: bool = False) -> list[Figure]:
    """
    Corrected and uncorrected traces never share a plot; uncorrected ones say so, and are magnitudes alone.
    Of the unpowered device there is no gain, delay or stability to be drawn. Repeats are drawn as their mean.
    """
    repeats: dict[tuple[ResultCondition, bool], list[pd.DataFrame]] = {}
    for sweep in each_ladder(rows):
        raw = bool(np.isnan(sweep["calibration_made_s"].to_numpy(dtype=float)).all())
        repeats.setdefault((condition_of(sweep, with_frequency=False), raw), []).append(sweep)
    traces: dict[tuple[str, bool], list[Trace]] = {}
    for (condition, raw), sweeps in repeats.items():
        # One grid: it is the measurement's.
        hz = sweeps[0]["frequency_hz"].to_numpy(dtype=float)
        s = np.mean([s_from(sweep, "raw_" if raw else "") for sweep in sweeps], axis=0)
        temperature = "" if condition.temperature_degc is None else f"{condition.temperature_degc:+g} °C, "
        name = f"{temperature}channel {condition.channel}, {supply_text(condition.supply_voltage_v)}"
        for key, y in _values(hz, s).items():
            if (raw and key not in _MAGNITUDES) or (is_unpowered and key not in _UNPOWERED):
                continue
            trace = Trace(name, hz / 1e9, y, condition.temperature_degc, condition.channel, "lines")
            traces.setdefault((key, raw), []).append(trace)
    told = repeats_text([len(sweeps) for sweeps in repeats.values()])
    figures = []
    state = ", unpowered" if is_unpowered else ""
    for key, what, label, unit in _KINDS:
        for raw in (False, True):
            if (key, raw) not in traces:
                continue
            plane = "UNCORRECTED, at the analyser's ports" if raw else "at device planes"
            axis = f"{label}{state} {plane}" + (f" ({unit})" if unit else "")
            figures.append(
                Figure(
                    key=f"{title}-{key}" + ("-uncorrected" if raw else ""),
                    title=f"{title}: {what}{state}" + (", UNCORRECTED" if raw else ""),
                    x=Axis("Frequency (GHz)"),
                    y=Axis(axis),
                    traces=tuple(traces[key, raw]),
                    caption=" ".join(filter(None, ["Holds the analyser's own errors and the way to the device." * raw, told])),
                )
            )
    return figures


def _values(hz: NDArray[np.float64], s: NDArray[np.complex128]) -> dict[str, NDArray[np.float64]]:
    with np.errstate(divide="ignore"):
        db = 20 * np.log10(np.abs(s))
    # Nothing at all has no level in dB: a gap.
    db[np.isinf(db)] = np.nan
    stable = stability(s)
    k = np.where(np.isfinite(stable.k), stable.k, np.nan)
    found = {"s21": db[:, 1, 0], "s11": db[:, 0, 0], "s22": db[:, 1, 1], "s12": db[:, 0, 1], "k": k, "mu": stable.mu}
    found |= {"vswr1": vswr(s[:, 0, 0]), "vswr2": vswr(s[:, 1, 1]), "gain": maximum_gain(s).available_db}
    delay_s = group_delay_s(hz, s[:, 1, 0])
    if not isinstance(delay_s, Absent):
        found["delay"] = delay_s * 1e9
    # What is infinite is a gap as well.
    return {name: np.where(np.isfinite(values), values, np.nan) for name, values in found.items()}
