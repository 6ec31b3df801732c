"""Streams of measurements with the spectrum analyser alone: whole traces point by point, and single lines."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import fields

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchkit.measurements.base import BlockStream, Column
from benchkit.measurements.spectrum_base import SpectrumLine, SpectrumTrace

__all__ = ["LINES", "TRACES", "line_from", "line_row", "store_lines", "store_trace", "trace_from", "traces_from"]

Store = Callable[[str, Mapping[str, float | int | str]], None]

ANALYSER, OUTPUT = "spectrum analyser's connector", "device output"
TIME = Column("time_s", "seconds since 1970-01-01T00:00:00Z", "when the instruments were armed")
_WHERE = (
    Column("carrier_hz", "Hz", "what the device is driven with; NaN: it is not"),
    Column("drive_set_dbm", "dBm", "level asked for; NaN: not driven", plane="device input"),
)
_COMMON = (
    Column("analyser_dbm", "dBm", "level (raw)", plane=ANALYSER),
    Column("loss_db", "dB", "path's loss used; NaN: not known there", plane="device output to spectrum analyser's connector"),
    Column("output_dbm", "dBm", "level, corrected; NaN: loss not known, no reading, or out of range", plane=OUTPUT),
    Column("attenuation_db", "dB", "at the spectrum analyser's input"),
    Column("bandwidth_hz", "Hz", "resolution bandwidth, as the analyser took it"),
    Column("u_path_db", "dB", "standard uncertainty of loss_db"),
    Column("u_analyser_db", "dB", "standard uncertainty of analyser_dbm"),
    Column("u_mismatch_db", "dB", "standard uncertainty: mismatch at the device's output; NaN: not stated"),
)
TRACES = BlockStream(
    "spectra",
    (
        TIME,
        *_WHERE,
        Column("frequency_hz", "Hz", "middle of the interval whose highest level this is"),
        *_COMMON,
        Column("noise_dbm", "dBm", "average noise by the analyser's rating; NaN: not stated", plane=ANALYSER),
    ),
)
LINES = BlockStream(
    "lines",
    (
        TIME,
        *_WHERE,
        Column("line", "", "carrier, harmonic and its number, or a response that was looked at twice", "S16"),
        Column("frequency_hz", "Hz", "where it was read"),
        *_COMMON,
        Column("noise_dbm", "dBm", "noise by the analyser's rating, or as read beside a response; NaN: not known", plane=OUTPUT),
        Column("own_dbm", "dBm", "analyser's own second harmonic of the carrier by its rating; NaN: not stated", plane=OUTPUT),
    ),
)
_ARRAYS = ("frequency_hz", "analyser_dbm", "loss_db", "output_dbm", "u_path_db")


def store_trace(store: Store, trace: SpectrumTrace, carrier_hz: float, drive_dbm: float) -> None:
    """Every point. [Hz, dBm]"""
    common = {
        "time_s": trace.time_s, "carrier_hz": carrier_hz, "drive_set_dbm": drive_dbm, "attenuation_db": trace.attenuation_db,
        "bandwidth_hz": trace.bandwidth_hz, "noise_dbm": trace.noise_dbm, "u_analyser_db": trace.u_analyser_db,
        "u_mismatch_db": trace.u_mismatch_db,
    }  # fmt: skip
    columns = [getattr(trace, name).tolist() for name in _ARRAYS]
    for values in zip(*columns, strict=True):
        store(TRACES.name, {**common, **dict(zip(_ARRAYS, values, strict=True))})


def line_row(line: SpectrumLine, carrier_hz: float, drive_dbm: float) -> dict[str, float | int | str]:
    """One row of the stream of lines. [Hz, dBm]"""
    row = {one.name: getattr(line, one.name) for one in fields(line) if one.name != "name"}
    return {"carrier_hz": carrier_hz, "drive_set_dbm": drive_dbm, "line": line.name, **row}


def store_lines(store: Store, lines: Iterable[SpectrumLine], carrier_hz: float, drive_dbm: float) -> None:
    """Every line. [Hz, dBm]"""
    for line in lines:
        store(LINES.name, line_row(line, carrier_hz, drive_dbm))


def trace_from(rows: pd.DataFrame) -> SpectrumTrace:
    """The one trace that `rows` hold, in their order."""

    def first(name: str) -> float:
        return float(rows[name].to_numpy(dtype=float)[0])

    def whole(name: str) -> NDArray[np.float64]:
        return rows[name].to_numpy(dtype=np.float64)

    return SpectrumTrace(
        time_s=first("time_s"),
        frequency_hz=whole("frequency_hz"),
        analyser_dbm=whole("analyser_dbm"),
        loss_db=whole("loss_db"),
        output_dbm=whole("output_dbm"),
        u_path_db=whole("u_path_db"),
        noise_dbm=first("noise_dbm"),
        u_analyser_db=first("u_analyser_db"),
        attenuation_db=first("attenuation_db"),
        bandwidth_hz=first("bandwidth_hz"),
        # A record from before this column does not know it.
        u_mismatch_db=first("u_mismatch_db") if "u_mismatch_db" in rows else math.nan,
    )


def traces_from(rows: pd.DataFrame) -> Iterator[tuple[float, SpectrumTrace]]:
    """Traces of one ladder by the drive they were taken at, ascending; NaN: without. [dBm]"""
    for drive_dbm, own in rows.groupby("drive_set_dbm", dropna=False, sort=True):
        yield float(drive_dbm), trace_from(own)  # type: ignore[arg-type]  # a column of floats


def line_from(rows: pd.DataFrame) -> list[SpectrumLine]:
    """Lines in the order they were stored."""
    names = [one.name for one in fields(SpectrumLine) if one.name != "name"]
    return [
        # A record from before a column of a default does not know it.
        SpectrumLine(name=str(row["line"]), **{name: float(row[name]) for name in names if name in row})
        for row in rows.to_dict("records")
    ]
