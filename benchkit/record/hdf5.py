"""
Building the HDF5 file: what h5py does, in one place. A file is built whole under a temporary name; never changed by
h5py later.

Columns are contiguous and allocated early, so that each has one fixed place in the file; the old file format
("earliest") carries no open-for-writing mark that a killed process could leave behind.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.base import Column
from benchkit.record.digest import sha256
from benchkit.record.layout import KINDS, ROOT_KIND, ROW, VERSION, Description
from benchkit.record.rows import text_bytes

__all__ = [
    "NOT_AN_INTEGER",
    "new_file",
    "place_of",
    "preallocate",
    "scalar",
    "store_table",
    "text_table",
    "write_end",
    "write_static",
]

NOT_AN_INTEGER = np.iinfo(np.int64).min
"""What stands in an integer column beyond the valid rows."""

# CF 1.11, 3.1.2: whether a temperature is on a scale or a difference can't be told from its unit.
_TEMPERATURE = {"degC": "temperature: on_scale", "K": "temperature: difference"}
_GZIP = {"compression": "gzip", "compression_opts": 4, "shuffle": True}
_GZIP_FROM_BYTES = 1 << 16


def new_file(path: Path) -> h5py.File:
    """A new file in the format that every HDF5 since 1.8 reads; fails when `path` exists."""
    return h5py.File(path, "x", libver=("earliest", "v108"), track_order=True)


def write_static(h5: h5py.File, description: Description, state: str) -> None:
    """Everything that is known when a record begins, but for its streams."""
    root = {
        "kind": ROOT_KIND,
        "version": VERSION,
        "Conventions": "CF-1.11",
        "state": state,
        "record_id": description.record_id,
        "created_s": description.created_s,
        "written_by": description.written_by,
        **description.attributes,
    }
    for name, value in root.items():
        h5.attrs[name] = text_bytes(value).decode() if isinstance(value, str) else value
    _group(h5, "texts")
    for name, text in description.texts.items():
        _store_text(h5, name, text)
    files = _group(h5, "files")
    for number, (name, content) in enumerate(description.files.items()):
        stored = files.create_dataset(f"file_{number:03d}", data=np.frombuffer(content, np.uint8))
        stored.attrs["path"] = name
        stored.attrs["sha256"] = sha256(stored[()])
    store_table(h5, "instruments", *text_table(description.instruments))


def write_end(h5: h5py.File, outcome: str, message: str, ended_s: float) -> None:
    """How it ended."""
    h5.attrs["ended_s"] = ended_s
    h5.attrs["outcome"] = text_bytes(outcome).decode()
    h5.attrs["message"] = text_bytes(message).decode()


def _store_text(h5: h5py.File, name: str, text: str) -> None:
    data = text.encode()
    stored = h5["texts"].create_dataset(name, data=np.array(data, _utf8(max(1, len(data)))))
    stored.attrs["sha256"] = sha256(stored[()])


def _group(h5: h5py.File, name: str, kind: str | None = None) -> h5py.Group:
    group = h5.create_group(name, track_order=True)
    group.attrs["kind"] = kind or KINDS[name]
    group.attrs["version"] = VERSION
    return group


def scalar(h5: h5py.File, name: str, value: int, long_name: str) -> None:
    """One 64-bit number in `status`, at a fixed place."""
    group = h5["status"] if "status" in h5 else _group(h5, "status")
    stored = h5py.Dataset(_early(group, name, (), np.dtype("<i8"), np.int64(value)))
    stored[()] = value
    stored.attrs["units"] = "1"
    stored.attrs["long_name"] = long_name


def preallocate(h5: h5py.File, name: str, columns: Sequence[Column], rows: int) -> None:
    """A stream with room for `rows` rows: NaN, NOT_AN_INTEGER or empty text until a row is written."""
    group = _group(h5, name, "stream")
    scale = _scale(group, rows)
    for column in columns:
        kind = column.dtype[0]
        # netCDF-C ends the process on a fill value of a text type, so text gets none: HDF5 then writes NUL.
        fill = {"f": np.float64(np.nan), "i": np.int64(NOT_AN_INTEGER), "S": None}[kind]
        dtype = _utf8(int(column.dtype[1:])) if kind == "S" else np.dtype("<" + column.dtype)
        _describe(h5py.Dataset(_early(group, column.name, (rows,), dtype, fill)), column, scale)


def store_table(
    h5: h5py.File,
    name: str,
    columns: Sequence[Column],
    arrays: Iterable[NDArray[Any]],
    *,
    kind: str | None = None,
    compress: bool = False,
) -> None:
    """A table of exactly the rows given; each column carries the SHA-256 of its bytes."""
    group = _group(h5, name, kind)
    scale = None
    for column, array in zip(columns, arrays, strict=True):
        scale = _scale(group, len(array)) if scale is None else scale
        options = _GZIP if compress and array.nbytes >= _GZIP_FROM_BYTES else {}
        data = array.astype(_utf8(array.dtype.itemsize)) if array.dtype.kind == "S" else array
        stored = group.create_dataset(column.name, data=data, **options)
        stored.attrs["sha256"] = sha256(array)
        _describe(stored, column, scale)


def text_table(rows: Sequence[Mapping[str, str]]) -> tuple[list[Column], list[NDArray[Any]]]:
    """Rows of texts as columns wide enough for the longest; a text that a row does not have is empty."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    encoded = [[text_bytes(row.get(name, "")) for row in rows] for name in names]
    widths = [max(1, *(len(text) for text in texts)) for texts in encoded]
    columns = [Column(name, "", name.replace("_", " "), f"S{width}") for name, width in zip(names, widths, strict=True)]
    return columns, [np.array(texts, f"S{width}") for texts, width in zip(encoded, widths, strict=True)]


def _utf8(width: int) -> np.dtype[np.bytes_]:
    """Text of a fixed number of bytes, marked as UTF-8 in the file."""
    dtype: np.dtype[np.bytes_] = h5py.string_dtype("utf-8", width)
    return dtype


def _scale(group: h5py.Group, rows: int) -> h5py.Dataset:
    scale = group.create_dataset(ROW, data=np.arange(rows, dtype="<i8"))
    scale.make_scale(ROW)
    scale.attrs["long_name"] = "number of the row, from 0"
    scale.attrs["units"] = "1"
    return scale


def _describe(stored: h5py.Dataset, column: Column, scale: h5py.Dataset) -> None:
    stored.dims[0].attach_scale(scale)
    stored.attrs["long_name"] = column.long_name
    if column.units:
        stored.attrs["units"] = column.units
    if column.units in _TEMPERATURE:
        stored.attrs["units_metadata"] = _TEMPERATURE[column.units]
    if column.plane:
        stored.attrs["plane"] = column.plane


def _early(group: h5py.Group, name: str, shape: tuple[int, ...], dtype: np.dtype[Any], fill: Any) -> Any:
    """A contiguous dataset whose bytes are written now: later writes need no new room on the disk."""
    how = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
    how.set_layout(h5py.h5d.CONTIGUOUS)
    how.set_alloc_time(h5py.h5d.ALLOC_TIME_EARLY)
    how.set_fill_time(h5py.h5d.FILL_TIME_ALLOC)
    if fill is not None:
        how.set_fill_value(np.array(fill, dtype))
    space = h5py.h5s.create_simple(shape) if shape else h5py.h5s.create(h5py.h5s.SCALAR)
    return h5py.h5d.create(group.id, name.encode(), h5py.h5t.py_create(dtype, logical=True), space, how)


def place_of(stored: h5py.Dataset) -> int | None:
    """Byte of the file where a contiguous dataset begins; None when it has no single place."""
    place: int | None = stored.id.get_offset()
    return place
