"""
S-parameters of a record as Touchstone files, one for each condition: bias, temperature and planes in comments.

Touchstone File Format Specification, Version 1.1 (EIA/IBIS Open Forum, 2002) and 2.0 (2009), as its worked examples show them:
an option line `# HZ S RI R 50`; of two ports the order of a line is S11 S21 S12 S22, which 2.0 wants said ("21_12"). 2.0 begins
with its version, says how many ports and frequencies there are, and ends with [End], so that a torn file is seen to be one.
"""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path
from typing import Literal, get_args

import numpy as np
import pandas as pd

from benchkit.errors import FormatError, MisuseError
from benchkit.record.layout import is_simulated
from benchkit.record.new_files import file_name, write_new
from benchkit.record.reader import Record
from benchkit.record.sweeps import SParameterSweep, finished_rows

__all__ = ["TouchstoneVersion", "export_touchstone"]

TouchstoneVersion = Literal["1.1", "2.0"]
# 1.1 knows the number of ports from the file's name alone; 2.0 says it inside, and its files are called .ts.
_SUFFIXES: dict[TouchstoneVersion, str] = {"1.1": ".s2p", "2.0": ".ts"}
_ORDER = ((0, 0), (1, 0), (0, 1), (1, 1))


def export_touchstone(record: Record, target: Path | str, *, version: TouchstoneVersion = "1.1") -> list[Path]:
    """
    Write each finished sweep of a record as `<what>.s2p` or, version 2.0, `<what>.ts`. Uncorrected ones carry it in their name
    and first line.

    Args:
        record: Open; any state.
        target: A folder, made if need be.
        version: Of the file format.

    Returns:
        The files written.

    Raises:
        FormatError: The record has no S-parameters.
        MisuseError: No such version.
        RecordExistsError: One of the files exists; nothing was written.
        RecordError: No room, or no right to write there; nothing is left behind.
    """
    if version not in get_args(TouchstoneVersion):
        raise MisuseError(f"Touchstone version {version!r}; expected one of {', '.join(get_args(TouchstoneVersion))}")
    target = Path(target)
    sweeps = record.s_parameters()
    if not sweeps:
        raise FormatError(f"{record.path} has no finished S-parameters; there is nothing to write as Touchstone")
    points = finished_rows(record.points(), record.ladders())
    files = {}
    seen: Counter[str] = Counter()
    every = Counter(map(_name, sweeps))
    for sweep in sweeps:
        name = _name(sweep)
        seen[name] += 1
        # The second of one condition, and so on: a repeat, or a return to it.
        path = target / (name + (f"_{seen[name]}" if seen[name] > 1 else "") + _SUFFIXES[version])
        which = "" if every[name] == 1 else f"sweep {seen[name]} of {every[name]} at this condition: repeats, or returns to it"
        files[path] = _text(record, sweep, points[points["ladder"] == sweep.ladder], version, which)
    return write_new({path: text.encode("ascii", errors="replace") for path, text in files.items()})


def _name(sweep: SParameterSweep) -> str:
    parts = [f"m{sweep.measurement}", f"channel_{file_name(sweep.channel)}"]
    parts += [] if math.isnan(sweep.temperature_degc) else [f"{sweep.temperature_degc:+g}degC"]
    parts.append("unpowered" if sweep.is_unpowered else f"{sweep.supply_voltage_v:g}V")
    parts += [] if sweep.is_corrected else ["uncorrected"]
    return "_".join(parts)


def _text(record: Record, sweep: SParameterSweep, bias: pd.DataFrame, version: TouchstoneVersion, which: str) -> str:
    s = sweep.s if sweep.is_corrected else sweep.raw
    parts = [part for i, j in _ORDER for part in (s[:, i, j].real, s[:, i, j].imag)]
    numbers = np.column_stack([sweep.frequency_hz, *parts])
    # A frequency without a reading has no line: Touchstone knows no "not a number".
    rows = [" ".join(f"{value:.12g}" for value in row) for row in numbers.tolist() if all(np.isfinite(row))]
    option = "# HZ S RI R 50"
    head, tail = [option], list[str]()
    if version == "2.0":
        head = [
            "[Version] 2.0", option, "[Number of Ports] 2", "[Two-Port Data Order] 21_12", f"[Number of Frequencies] {len(rows)}",
            "[Reference] 50 50", "[Network Data]",
        ]  # fmt: skip
        tail = ["[End]"]
    comments = [f"! {' '.join(text.split())}" for text in (*_comments(record, sweep, bias), which) if text]
    return "\n".join([*comments, *head, *rows, *tail]) + "\n"


def _comments(record: Record, sweep: SParameterSweep, bias: pd.DataFrame) -> list[str]:
    def of(column: str) -> float:
        return float(bias[column].to_numpy(dtype=float)[0])

    plane = (
        "corrected to the device's input (port 1) and output (port 2)"
        if sweep.is_corrected
        else "UNCORRECTED, at the network analyser's ports: its own errors and the way to the device are in these numbers"
    )
    if sweep.deembedding:
        plane += f"; de-embedded: {sweep.deembedding}"
    state = "UNPOWERED, every supply output read off" if sweep.is_unpowered else "biased"
    comments = [f"S-parameters, {plane}", f"device: {state}"]
    if sweep.is_corrected:
        if record.attributes.get("device_plane"):
            comments.append(f"device's planes: {record.attributes['device_plane']}")
        made = pd.Timestamp(sweep.calibration_made_s, unit="s").isoformat(timespec="seconds")
        comments.append(f"calibration made {made} UTC; impedance of reference: the standards' (TRL: the line's)")
    comments.append(
        f"part {record.attributes.get('part', '')}, unit {record.attributes.get('unit', '')}, channel {sweep.channel}"
        + (", SIMULATED" if is_simulated(record.attributes) else "")
    )
    temperature = "not set" if math.isnan(sweep.temperature_degc) else f"{sweep.temperature_degc:+g} degC chamber"
    comments.append(f"temperature: {temperature}")
    if len(bias):
        drain = f"{of('drain_voltage_v'):.5g} V, {of('drain_current_a') * 1e3:.5g} mA"
        off = "with the supplies' outputs off, " if sweep.is_unpowered else ""
        comments.append(f"bias: {off}drain {drain}; gate {of('gate_voltage_v'):.5g} V; case {of('case_degc'):.4g} degC")
    return [*comments, f"level: {sweep.level_dbm:g} dBm at the device input at most", f"record {record.record_id}"]
