"""What an oscillation check comes to where nothing oscillates: the highest level seen, and the trace with its threshold."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from benchkit.measurements.grouping import each_ladder
from benchkit.measurements.level_parts import mismatch_lines
from benchkit.measurements.responses import is_own, nearby, noise_of
from benchkit.measurements.spectrum_base import SpectrumTrace
from benchkit.measurements.spectrum_figures import condition_name, spectrum_axes, spectrum_traces
from benchkit.measurements.spectrum_rows import line_from, trace_from
from benchkit.results.figure import Figure, Trace
from benchkit.results.result import Parameter, Result, ResultCondition
from benchkit.results.uncertainty import Budget, Contribution

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PARAMETERS", "level_budget", "oscillation_figures", "oscillation_results", "undriven_condition"]

PARAMETERS = (
    Parameter("undriven_peak", "Highest level without drive", "dBm", "device output"),
    Parameter("undriven_margin", "Margin to the oscillation limit, undriven", "dB", "device output"),
)
NO_LEVEL = "the check has no level at the device's output (level): it judges by the noise alone"
# Of the highest of many points of noise; it is no line, and its level is a bound.
STANDS_OUT_DB = 8.0
CONVENTION = "highest reading of the sweep, what is the analyser's own left out"


def undriven_condition(rows: pd.DataFrame) -> ResultCondition:
    """Of rows of a stream of one ladder."""
    temperature = float(rows["temperature_set_degc"].to_numpy(dtype=float)[0])
    return ResultCondition(
        temperature_degc=None if math.isnan(temperature) else temperature,
        channel=str(rows["channel"].iat[0]),
        supply_voltage_v=float(rows["supply_voltage_set_v"].to_numpy(dtype=float)[0]),
    )


def level_budget(trace: SpectrumTrace, index: int) -> Budget:
    """Of one level at the device's output."""
    return Budget(
        [
            Contribution("spectrum analyser's level", trace.u_analyser_db, distribution="rectangular"),
            Contribution("path from the device to the analyser", float(trace.u_path_db[index])),
            *mismatch_lines(trace.u_mismatch_db),
        ]
    )


def oscillation_results(
    traces: pd.DataFrame, lines: pd.DataFrame | None, level_dbm: float | None, title: str
) -> list[Result]:
    """
    Args:
        traces, lines: Rows of this measurement's finished ladders.
        level_dbm: What counts as an oscillation; None: only noise does.
    """
    results: list[Result] = []
    for rows in each_ladder(traces):
        trace, condition = trace_from(rows), undriven_condition(rows)
        own_hz = _own_hz(lines, int(rows["ladder"].to_numpy()[0]))
        output = trace.output_dbm.copy()
        for hz in own_hz:
            output[nearby(trace, hz)] = np.nan
        said = f"; left out as the analyser's own: {', '.join(f'{hz / 1e9:.5g} GHz' for hz in own_hz)}" if own_hz else ""
        if np.isnan(output).all():
            results += [_absent(one, condition, "no level at the device's output: the path's loss is known nowhere", title)
                        for one in PARAMETERS]  # fmt: skip
            continue
        index = int(np.nanargmax(output))
        peak_dbm = float(output[index])
        noise_dbm = float(noise_of(trace)[index] + trace.loss_db[index])
        is_noise = peak_dbm - noise_dbm < STANDS_OUT_DB
        where = f"highest reading {peak_dbm:.1f} dBm, at {trace.frequency_hz[index] / 1e9:.6g} GHz"
        told = f"{where}{', a bound: it is noise' if is_noise else f'; noise around it {noise_dbm:.1f} dBm'}{said}"
        budget = level_budget(trace, index)
        peak, margin = PARAMETERS
        if is_noise:
            results.append(_absent(peak, condition, f"nothing stands out of the noise; {where}{said}", title))
        else:
            results.append(_number(peak, peak_dbm, budget, condition, told, title))
        if level_dbm is None:
            results.append(_absent(margin, condition, NO_LEVEL, title))
        else:
            results.append(_number(margin, level_dbm - peak_dbm, budget, condition, told, title))
    return results


def oscillation_figures(title: str, traces: pd.DataFrame, level_dbm: float | None) -> list[Figure]:
    """The trace of each condition, and the level."""
    drawn: list[Trace] = []
    ends: list[float] = []
    for rows in each_ladder(traces):
        trace, condition = trace_from(rows), undriven_condition(rows)
        drawn += spectrum_traces(trace, condition, condition_name(condition))
        ends += [float(trace.frequency_hz[0]) / 1e9, float(trace.frequency_hz[-1]) / 1e9]
    if not drawn:
        return []
    if level_dbm is not None:
        x = np.array([min(ends), max(ends)])
        drawn.append(Trace("counts as an oscillation", x, np.full(2, level_dbm), mode="lines"))
    x_axis, y_axis = spectrum_axes()
    return [
        Figure(
            key=f"{title}: undriven", title="Spectrum of the undriven device", x=x_axis, y=y_axis, traces=tuple(drawn),
            caption="Highest level of each interval; where there is nothing else it is noise, higher where the path loses more.",
        )
    ]  # fmt: skip


def _own_hz(lines: pd.DataFrame | None, ladder: int) -> list[float]:
    if lines is None or not len(lines):
        return []
    read = line_from(lines[lines["ladder"] == ladder])
    return [first.frequency_hz for first, again in zip(read[::2], read[1::2], strict=True) if is_own(first, again)]


def _number(
    parameter: Parameter, value: float, budget: Budget, condition: ResultCondition, found: str, title: str
) -> Result:
    return Result(
        parameter.name, value, parameter.unit, parameter.plane, condition, expanded_uncertainty=budget.expanded,
        convention=CONVENTION, found=found, measurement=title, budget=budget.contributions,
    )  # fmt: skip


def _absent(parameter: Parameter, condition: ResultCondition, reason: str, title: str) -> Result:
    return Result(
        parameter.name, math.nan, parameter.unit, parameter.plane, condition, reason=reason, uncertainty_reason="no value",
        measurement=title,
    )  # fmt: skip
