"""S-parameters of a record as complex arrays with their frequency axis: one object for each finished sweep."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchkit.measurements.network_rows import UNPOWERED, s_from

__all__ = ["SParameterSweep", "finished_rows", "sweeps_from"]


@dataclass(frozen=True)
class SParameterSweep:
    """
    One sweep as it was measured. Of a repeat, and of a return to a condition, there is one each.

    Attributes:
        measurement: Place in the sequence, from 0.
        ladder, attempt: What its rows are called in the streams "network", "points" and "ladders".
        temperature_degc: Of the chamber as set; NaN: not set. [degC]
        supply_voltage_v: As set; of the unpowered device 0. [V]
        frequency_hz: Ascending, shape (n,). [Hz]
        s: Corrected to the device's input (port 1) and output (port 2), complex, shape (n, 2, 2): s[k, 1, 0] is S21 at
            frequency_hz[k]. NaN where there is no number, and throughout where the sweep is not corrected.
        raw: As the analyser's receivers see it at its own ports; same shape.
        level_dbm: Highest of the sweep at the device's input. [dBm]
        time_s: End of the sweep. [s since 1970-01-01T00:00:00Z]
        calibration_made_s: Likewise, when the calibration used was made; NaN: uncorrected.
        deembedding: What was taken out of the corrected traces; "": nothing.
        is_unpowered: Every supply output read off meanwhile; else the device was biased.
    """

    measurement: int
    ladder: int
    attempt: int
    channel: str
    temperature_degc: float
    supply_voltage_v: float
    frequency_hz: NDArray[np.float64]
    s: NDArray[np.complex128]
    raw: NDArray[np.complex128]
    level_dbm: float
    time_s: float
    calibration_made_s: float
    deembedding: str
    is_unpowered: bool

    @property
    def is_corrected(self) -> bool:
        return not math.isnan(self.calibration_made_s)


def finished_rows(rows: pd.DataFrame, ladders: pd.DataFrame) -> pd.DataFrame:
    """Of the attempts that were finished; torn ones stay in the record and count for nothing."""
    finished = ladders[ladders["status"].isin(("complete", "stopped"))]
    pairs = pd.MultiIndex.from_frame(finished[["ladder", "attempt"]])
    return rows[pd.MultiIndex.from_frame(rows[["ladder", "attempt"]]).isin(pairs)]


def sweeps_from(network: pd.DataFrame, ladders: pd.DataFrame) -> list[SParameterSweep]:
    """
    Finished sweeps, in the order of their ladders.

    Args:
        network, ladders: The record's streams of these names.
    """
    return [_sweep(rows) for _, rows in finished_rows(network, ladders).groupby("ladder", sort=True)]


def _sweep(rows: pd.DataFrame) -> SParameterSweep:
    def number(column: str) -> float:
        return float(rows[column].to_numpy(dtype=float)[0])

    return SParameterSweep(
        measurement=int(number("measurement")),
        ladder=int(number("ladder")),
        attempt=int(number("attempt")),
        channel=str(rows["channel"].iat[0]),
        temperature_degc=number("temperature_set_degc"),
        supply_voltage_v=number("supply_voltage_set_v"),
        frequency_hz=rows["frequency_hz"].to_numpy(dtype=float),
        s=s_from(rows),
        raw=s_from(rows, "raw_"),
        level_dbm=number("level_dbm"),
        time_s=number("time_s"),
        calibration_made_s=number("calibration_made_s"),
        deembedding=_text(rows, "deembedding"),
        is_unpowered=_text(rows, "bias_state") == UNPOWERED,
    )


def _text(rows: pd.DataFrame, column: str) -> str:
    """Records from before there was the column lack it."""
    return str(rows[column].iat[0]) if column in rows else ""
