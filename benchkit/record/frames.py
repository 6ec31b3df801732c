"""From stored columns to tables, fast: a million points in little more time than h5py needs to read them."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchkit.errors import FormatError
from benchkit.measurements.base import Column
from benchkit.record.digest import INTERNAL
from benchkit.record.disk import Disk, open_binary
from benchkit.record.journal import ROW, Damage, Frame, read_description, read_frames
from benchkit.record.layout import StreamSpec

__all__ = ["Tail", "column_of", "frame_of", "plain_attributes", "read_tail"]

Rows = tuple[NDArray[np.int64], NDArray[np.void]]


@dataclass(frozen=True)
class Tail:
    """
    What a running or killed record's journal has beyond the safe part of its file.

    Attributes:
        rows: By stream: all rows, those in the file included.
        later: By stream: numbers of rows, and those rows.
    """

    rows: Mapping[str, int]
    later: Mapping[str, Rows]

    def of(self, stream: str, column: str) -> tuple[NDArray[np.int64], NDArray[Any]] | None:
        """Numbers of rows, and that column's values there; None when there are none."""
        if stream not in self.later:
            return None
        numbers, rows = self.later[stream]
        return numbers, rows[column]


def read_tail(h5: h5py.File, journal: Path, record_id: str, streams: Mapping[str, Sequence[Column]]) -> Tail:
    """
    Rows of a record that is not sealed. The order of reading is the reverse of the order of writing (live.py).

    Raises:
        FormatError: The journal beside it is of another record.
    """
    try:
        # Before the numbers are read: were it the other way round, a record sealed meanwhile would show too few rows.
        fd = open_binary(journal, os.O_RDONLY)
    except FileNotFoundError:
        fd = -1
    status = h5["status"]
    start = int(status["journal_bytes_safe"][()])
    safe = {name: int(status[f"{name}_rows_safe"][()]) for name in streams}
    counted = {name: min(int(status[f"{name}_rows"][()]), len(h5[name][columns[0].name])) for name, columns in streams.items()}
    if fd < 0:
        return Tail(counted, {})
    try:
        disk = Disk()
        description = read_description(journal, fd, disk)
        if description.record_id != record_id:
            raise FormatError(f"{journal} is not the journal of this record; move it away")
        found: dict[str, dict[int, bytes]] = {name: {} for name in streams}
        damaged = False
        for item in read_frames(fd, disk, start):
            damaged = damaged or isinstance(item, Damage)
            if isinstance(item, Frame) and item.kind == ROW and item.stream < len(description.streams):
                spec = description.streams[item.stream]
                if item.row >= safe[spec.name] and len(item.payload) == spec.row_dtype.itemsize:
                    found[spec.name][item.row] = item.payload
    finally:
        os.close(fd)
    later = {spec.name: _later(spec, found[spec.name]) for spec in description.streams if found[spec.name]}
    # The file's own count is needed only where the journal is damaged; after a power cut it may itself be torn.
    least = counted if damaged else safe
    rows = {name: max(least[name], int(later[name][0][-1]) + 1 if name in later else 0) for name in streams}
    return Tail(rows, later)


def _later(spec: StreamSpec, found: Mapping[int, bytes]) -> Rows:
    numbers = sorted(found)
    return np.array(numbers, np.int64), np.frombuffer(b"".join(found[number] for number in numbers), spec.row_dtype)


def column_of(
    stored: h5py.Dataset, rows: int, later: tuple[NDArray[np.int64], NDArray[Any]] | None, first: int = 0
) -> NDArray[Any]:
    """
    Rows `first` to `rows` of one column, those of `later` in their places; a row that neither has is as if never written.
    """
    values: NDArray[Any] = np.empty(rows - first, stored.dtype)
    there = max(0, min(rows, len(stored)) - first)
    if there:
        stored.read_direct(values, np.s_[first : first + there], np.s_[:there])
    values[there:] = stored.fillvalue
    if later is not None:
        numbers, those = later
        wanted = numbers >= first
        values[numbers[wanted] - first] = those[wanted]
    return values


def frame_of(arrays: Mapping[str, NDArray[Any]], columns: Sequence[Column]) -> pd.DataFrame:
    """A table whose number columns are the arrays themselves; texts as str."""
    table = pd.DataFrame({name: _texts(a) if a.dtype.kind == "S" else a for name, a in arrays.items()}, copy=False)
    table.attrs = {
        "units": {column.name: column.units for column in columns},
        "long_name": {column.name: column.long_name for column in columns},
        "plane": {column.name: column.plane for column in columns},
    }
    return table


def _texts(values: NDArray[np.bytes_]) -> Any:
    """Each different text is decoded once: a million rows have a handful of channels."""
    if len(values) == 0:
        return pd.Series([], dtype="str").array
    width = values.dtype.itemsize
    if width <= 8:  # as numbers: hashing those is what makes the difference
        codes, unique = pd.factorize(values.astype("S8").view(np.uint64))
        different = unique.view("S8")
    else:
        codes, unique = pd.factorize(values.astype(object))
        different = unique
    decoded = pd.Series([text.decode("utf-8", "backslashreplace") for text in different.tolist()], dtype="str").array
    return decoded.take(codes)


def plain_attributes(item: Any) -> dict[str, Any]:
    """Attributes as Python's own types, without those that HDF5's dimension scales are made of."""
    found = {name: item.attrs[name] for name in item.attrs if name not in INTERNAL}
    return {name: value.item() if isinstance(value, np.generic) else value for name, value in found.items()}
