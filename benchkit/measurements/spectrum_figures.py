"""Spectra as plots: what was read at the device's plane, apart from what could only be told at the analyser's."""

from __future__ import annotations

import numpy as np

from benchkit.measurements.spectrum_base import SpectrumTrace
from benchkit.results.figure import Axis, Trace
from benchkit.results.result import ResultCondition

__all__ = ["condition_name", "spectrum_axes", "spectrum_traces"]


def condition_name(condition: ResultCondition, what: str = "") -> str:
    """As a legend shows it."""
    temperature = "" if condition.temperature_degc is None else f"{condition.temperature_degc:+g} °C, "
    return f"{temperature}channel {condition.channel}, {condition.supply_voltage_v:g} V" + (f", {what}" if what else "")


def spectrum_axes() -> tuple[Axis, Axis]:
    return Axis("Frequency (GHz)"), Axis("Level at device output (dBm)")


def spectrum_traces(trace: SpectrumTrace, condition: ResultCondition, name: str) -> list[Trace]:
    """One line at the device's output; where the path's loss is not known another one, which says so."""
    x = trace.frequency_hz / 1e9
    found = [Trace(name, x, trace.output_dbm, condition.temperature_degc, condition.channel, "lines", "spectrum")]
    unknown = np.isnan(trace.loss_db)
    if unknown.any():
        raw = np.where(unknown, trace.analyser_dbm, np.nan)
        said = "UNCORRECTED, at the analyser's connector"
        found.append(Trace(f"{name}; {said}", x, raw, condition.temperature_degc, condition.channel, "lines", said))
    return found
