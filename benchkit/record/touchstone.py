"""
S-parameters of a record as Touchstone files, one for each condition: bias, temperature and planes in comments.

Touchstone File Format Specification, Version 1.1 (EIA/IBIS Open Forum, 2002) and 2.0 (2009), as its worked examples show them:
an option line `# HZ S RI R 50`; of two ports the order of a line is S11 S21 S12 S22, which 2.0 wants said ("21_12"). 2.0 begins
with its version, says how many ports and frequencies there are, and ends with [End], so that a torn file is seen to be one.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Literal, get_args

import numpy as np
import pandas as pd

from benchkit.errors import FormatError, MisuseError
from benchkit.record.new_files import write_new
from benchkit.record.reader import Record

__all__ = ["TouchstoneVersion", "export_touchstone"]

TouchstoneVersion = Literal["1.1", "2.0"]
# 1.1 knows the number of ports from the file's name alone; 2.0 says it inside, and its files are called .ts.
_SUFFIXES: dict[TouchstoneVersion, str] = {"1.1": ".s2p", "2.0": ".ts"}
_ORDER = ("s11", "s21", "s12", "s22")


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
    rows = record.stream("network") if "network" in record.streams else pd.DataFrame({"ladder": [], "attempt": []})
    ladders, points = record.ladders(), record.points()
    finished = ladders[ladders["status"].isin(("complete", "stopped"))]
    pairs = pd.MultiIndex.from_frame(finished[["ladder", "attempt"]])
    rows = rows[pd.MultiIndex.from_frame(rows[["ladder", "attempt"]]).isin(pairs)]
    points = points[pd.MultiIndex.from_frame(points[["ladder", "attempt"]]).isin(pairs)]
    if rows.empty:
        raise FormatError(f"{record.path} has no finished S-parameters; there is nothing to write as Touchstone")
    rows.attrs, points.attrs = {}, {}
    files = {}
    seen: Counter[str] = Counter()
    for ladder, sweep in rows.groupby("ladder", sort=True):
        name = _name(sweep)
        seen[name] += 1
        # The second of one condition, and so on: a repeat, or a return to it.
        path = target / (name + (f"_{seen[name]}" if seen[name] > 1 else "") + _SUFFIXES[version])
        files[path] = _text(record, sweep, points[points["ladder"] == ladder], version)
    return write_new({path: text.encode("ascii", errors="replace") for path, text in files.items()})


def _first(rows: pd.DataFrame, column: str) -> float:
    return float(rows[column].to_numpy(dtype=float)[0])


def _is_raw(sweep: pd.DataFrame) -> bool:
    return bool(np.isnan(sweep["calibration_made_s"].to_numpy(dtype=float)).all())


def _is_unpowered(sweep: pd.DataFrame) -> bool:
    """A record from before this column holds sweeps of the biased device alone."""
    return "bias_state" in sweep and str(sweep["bias_state"].iat[0]) == "unpowered"


def _name(sweep: pd.DataFrame) -> str:
    temperature = _first(sweep, "temperature_set_degc")
    parts = [f"m{_first(sweep, 'measurement'):g}", f"channel_{sweep['channel'].iat[0]}"]
    parts += [] if np.isnan(temperature) else [f"{temperature:+g}degC"]
    parts.append("unpowered" if _is_unpowered(sweep) else f"{_first(sweep, 'supply_voltage_set_v'):g}V")
    parts += ["uncorrected"] if _is_raw(sweep) else []
    return "_".join(parts)


def _text(record: Record, sweep: pd.DataFrame, bias: pd.DataFrame, version: TouchstoneVersion) -> str:
    raw = _is_raw(sweep)
    columns = [f"{'raw_' if raw else ''}{name}_{part}" for name in _ORDER for part in ("re", "im")]
    numbers = sweep[["frequency_hz", *columns]].to_numpy(dtype=float)
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
    comments = [f"! {' '.join(text.split())}" for text in _comments(record, sweep, bias, raw)]
    return "\n".join([*comments, *head, *rows, *tail]) + "\n"


def _comments(record: Record, sweep: pd.DataFrame, bias: pd.DataFrame, raw: bool) -> list[str]:
    temperature = _first(sweep, "temperature_set_degc")
    plane = (
        "UNCORRECTED, at the network analyser's ports: its own errors and the way to the device are in these numbers"
        if raw
        else "corrected to the device's input (port 1) and output (port 2)"
    )
    removed = str(sweep["deembedding"].iat[0]) if "deembedding" in sweep else ""
    if removed:
        plane += f"; de-embedded: {removed}"
    comments = [
        f"S-parameters, {plane}",
        "device: " + ("UNPOWERED, every supply output read off" if _is_unpowered(sweep) else "biased"),
        f"part {record.attributes.get('part', '')}, unit {record.attributes.get('unit', '')}, channel {sweep['channel'].iat[0]}"
        + (", SIMULATED" if record.attributes.get("simulated") else ""),
        "temperature: " + ("not set" if np.isnan(temperature) else f"{temperature:+g} degC chamber"),
        f"level: {_first(sweep, 'level_dbm'):g} dBm at the device input at most",
        f"record {record.record_id}",
    ]
    if len(bias):
        drain = f"{_first(bias, 'drain_voltage_v'):.5g} V, {_first(bias, 'drain_current_a') * 1e3:.5g} mA"
        gate, case = f"{_first(bias, 'gate_voltage_v'):.5g} V", f"{_first(bias, 'case_degc'):.4g} degC"
        off = "with the supplies' outputs off, " if _is_unpowered(sweep) else ""
        comments.insert(4, f"bias: {off}drain {drain}; gate {gate}; case {case}")
    if not raw and record.attributes.get("device_plane"):
        comments.insert(1, f"device's planes: {record.attributes['device_plane']}")
    if not raw:
        made = pd.Timestamp(_first(sweep, "calibration_made_s"), unit="s").isoformat(timespec="seconds")
        comments.insert(2, f"calibration made {made} UTC; impedance of reference: the standards' (TRL: the line's)")
    return comments
