"""Paths that a record measured, as the tables that a bench file's `paths:` name."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from benchkit.errors import FormatError
from benchkit.record.layout import is_simulated
from benchkit.record.new_files import file_name, write_new
from benchkit.record.reader import Record

__all__ = ["export_paths"]

PATHS = "paths"


def export_paths(record: Record, target: Path | str) -> list[Path]:
    """
    Write a CSV table for each path: frequency_hz, loss_db, uncertainty_db (expanded, k = 2). Comments above say where, when and
    with which instruments it was measured. Of a path that was measured twice the last counts.

    Args:
        record: Open; any state.
        target: A folder, made if need be.

    Returns:
        The files written.

    Raises:
        FormatError: The record holds no path that was measured to its end.
        RecordExistsError: One of the files exists; nothing was written.
        RecordError: No room, or no right to write there; nothing is left behind.
    """
    rows = _complete(record) if PATHS in record.streams else pd.DataFrame()
    if rows.empty:
        raise FormatError(
            f"{record.path} holds no measured paths: its sequence has no measurement of kind path_loss, or it ended before"
        )
    instruments = record.instruments_table().set_index("name") if len(record.instruments_table()) else pd.DataFrame()
    files = {}
    for name, table in rows.groupby("path", sort=True):
        last = table[(table["measurement"] == table["measurement"].max())]
        last = last[last["attempt"] == last["attempt"].max()].sort_values("frequency_hz")
        lines = [f"# {text}" for text in _comments(record, str(name), last, instruments)]
        lines.append("frequency_hz,loss_db,uncertainty_db")
        numbers = last[["frequency_hz", "loss_db", "expanded_uncertainty_db"]].to_numpy(dtype=float)
        lines += [f"{hz:.12g},{loss:.4f},{expanded:.4f}" for hz, loss, expanded in numbers.tolist()]
        files[Path(target) / f"{file_name(str(name))}.csv"] = ("\n".join(lines) + "\n").encode("utf-8")
    return write_new(files)


def _complete(record: Record) -> pd.DataFrame:
    """Rows of tables that have every frequency that was read; a run that was killed while it stored them left one without."""
    rows, levels = record.stream(PATHS), record.stream("power_levels")
    rows.attrs, levels.attrs = {}, {}
    where = ["measurement", "channel", "attempt"]
    wanted = levels.groupby(where)["frequency_hz"].nunique()
    found = rows.groupby([*where, "path"])["frequency_hz"].transform("nunique")
    is_whole = found.to_numpy() == wanted.reindex(pd.MultiIndex.from_frame(rows[where])).to_numpy()
    return pd.DataFrame(rows.loc[is_whole])


def _comments(record: Record, name: str, rows: pd.DataFrame, instruments: pd.DataFrame) -> list[str]:
    first = rows.iloc[0]
    made = pd.Timestamp(float(rows["made_s"].max()), unit="s").isoformat(timespec="seconds")
    simulated = ", SIMULATED" if is_simulated(record.attributes) else ""
    comments = [
        f"path {name}, channel {first['channel']}: {first['planes']}{simulated}",
        f"measured {made} UTC at {float(first['source_level_dbm']):g} dBm of the source, {first['how']}",
        "uncertainty: expanded, k = 2",
    ]
    events = record.events()
    lacking = events.loc[events["kind"] == "budget", "text"].astype(str)
    here = lacking[lacking.str.contains(f"channel {first['channel']}: ", regex=False)]
    comments += list(dict.fromkeys(f"it lacks what was {text.partition(': ')[2]}" for text in here))
    # Records of before there was such a column have none.
    if "doubt" in rows and str(first["doubt"]):
        comments.append(f"note: {first['doubt']}")
    for role in ("source", "meter"):
        who = str(first[role])
        if who in instruments.index:
            row = instruments.loc[who]
            known = [column for column in ("maker", "model", "serial", "calibrated") if row.get(column)]
            told = [f"{column} {row[column]}" for column in known]
            comments.append(f"{role} {who}: {', '.join(told)}")
    return [*(" ".join(text.split()) for text in comments), f"record {record.record_id}"]
