"""
The HDF5 file of a running record: rows written straight to their places, without the HDF5 library.

HDF5 is asked once where each column lies; from then on the file's metadata is never touched. Any reader may open it at
any moment. The order of writes, and why it is safe (the caller has synced the journal before each):
1. rows, then `<stream>_rows`: a killed process leaves at most rows that are not counted yet;
2. from time to time a sync, then `<stream>_rows_safe`: below it a power cut can't have torn anything;
3. `journal_bytes_safe` names the journal's length at the sync *before*, so that it never runs ahead of a `_rows_safe`
that the disk may not have yet. A reader takes the rows below `_rows_safe` from here and the others from the journal
behind it. Growing means a larger copy, synced and renamed over the smaller one.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from benchkit.errors import FormatError, RecordError
from benchkit.record import hdf5, locks
from benchkit.record.disk import Disk, open_binary
from benchkit.record.layout import ROOT_KIND, RUNNING, VERSION, Description, StreamSpec

__all__ = ["LiveFile", "temporary_path"]

_SMALLEST = 64  # rows
_BLOCK = 1 << 16  # rows copied at a time


@dataclass(frozen=True)
class _Map:
    """Where things lie in one file. [byte]"""

    columns: dict[str, dict[str, int]]
    status: dict[str, int]
    capacity: dict[str, int]


def temporary_path(path: Path, record_id: str, what: str) -> Path:
    """A name that no other record's file can have."""
    return path.with_name(f".{path.name}.{record_id}.{what}")


class LiveFile:
    """A running record's HDF5 file, open for writing in place."""

    def __init__(self, path: Path, description: Description, disk: Disk, fd: int, places: _Map) -> None:
        self.path, self.description = path, description
        self._disk, self._fd, self._places = disk, fd, places
        self._specs = {spec.name: spec for spec in description.streams}
        self.rows = dict.fromkeys(self._specs, 0)
        self._journal_bytes = 0
        self._changed = True

    @classmethod
    def create(
        cls,
        path: Path,
        description: Description,
        disk: Disk,
        rows: Mapping[str, int] | None = None,
        *,
        over_sealed: bool = False,
    ) -> LiveFile:
        """
        Build the file and give it its name.

        Args:
            path: The file's name.
            description: What it is to hold.
            disk: Writes it.
            rows: Rows to have room for, where they are more than the plan's.
            over_sealed: Take the place of this record's sealed file, all of whose rows the journal has.

        Raises:
            RecordExistsError: `path` exists, and is not to be replaced.
            OSError: No room, or the disk fails; nothing is left behind.
        """
        wanted = {s.name: max(s.capacity, _SMALLEST, (rows or {}).get(s.name, 0)) for s in description.streams}
        temporary = temporary_path(path, description.record_id, "new")
        temporary.unlink(missing_ok=True)  # its name holds our own record's id
        try:
            live = _build(temporary, description, disk, wanted)
            try:
                disk.sync(live._fd)
                live._name(path, lambda: (disk.replace if over_sealed else disk.publish)(temporary, path))
            except BaseException:
                live.close()
                raise
        finally:
            temporary.unlink(missing_ok=True)
        return live

    @classmethod
    def open(cls, path: Path, description: Description, disk: Disk) -> LiveFile:
        """
        Raises:
            FormatError: The file can't be opened, is not this record's, or lacks something that the description has.
            RecordError: Another program holds it open for writing.
        """
        fd = open_binary(path, os.O_RDWR)
        try:
            if not locks.hold_shared(fd):
                raise RecordError(f"{path} is open for writing in another program; close it there")
            places = _survey(path, description)
        except BaseException:
            os.close(fd)
            raise
        live = cls(path, description, disk, fd, places)
        live.rows = {name: max(0, min(live._status(f"{name}_rows"), places.capacity[name])) for name in live._specs}
        return live

    def capacity(self, stream: str) -> int:
        return self._places.capacity[stream]

    def read(self, stream: str, start: int, stop: int) -> NDArray[np.void]:
        """Rows `start` to `stop` as packed rows."""
        block = np.empty(stop - start, self._specs[stream].row_dtype)
        for column in self._specs[stream].columns:
            block[column.name] = self.read_column(stream, column.name, start, stop)
        return block

    def read_column(self, stream: str, column: str, start: int, stop: int) -> NDArray[Any]:
        dtype = self._specs[stream].row_dtype[column]
        place = self._places.columns[stream][column] + start * dtype.itemsize
        data = self._disk.read_at(self._fd, (stop - start) * dtype.itemsize, place)
        if len(data) != (stop - start) * dtype.itemsize:
            raise OSError(f"{self.path}: {stream}.{column} ends before row {stop}")
        return np.frombuffer(data, dtype)

    def write(self, stream: str, start: int, block: NDArray[np.void]) -> None:
        """Put packed rows in their places, growing the file first where they don't fit. They are not counted yet."""
        stop = start + len(block)
        if stop > self._places.capacity[stream]:
            self._grow(stream, stop)
        for column, place in self._places.columns[stream].items():
            data = np.ascontiguousarray(block[column])
            self._disk.write_at(self._fd, data.view(np.uint8).data, place + start * data.itemsize)
        self._changed = True

    def count(self, stream: str, rows: int) -> None:
        """From now on the stream has `rows` rows."""
        self._set_status(f"{stream}_rows", rows)
        self.rows[stream] = rows

    def make_safe(self, journal_bytes: int) -> None:
        """
        Sync, then say so. Does nothing when nothing was written since.

        Args:
            journal_bytes: Length of the journal that holds no more than the rows counted by now.
        """
        if not self._changed:
            return
        rows = dict(self.rows)
        self._disk.sync(self._fd)
        self._changed = False
        for stream, count in rows.items():
            self._set_status(f"{stream}_rows_safe", count)
        self._set_status("journal_bytes_safe", self._journal_bytes)
        self._journal_bytes = journal_bytes

    def forget_journal(self) -> None:
        """Sync; a journal written anew is then read from its beginning."""
        self._disk.sync(self._fd)
        self._set_status("journal_bytes_safe", 0)
        self._journal_bytes = 0

    def close(self) -> None:
        if self._fd >= 0:
            fd, self._fd = self._fd, -1
            os.close(fd)

    def _grow(self, stream: str, rows: int) -> None:
        wanted = dict(self._places.capacity)
        wanted[stream] = max(rows, 2 * wanted[stream])
        temporary = temporary_path(self.path, self.description.record_id, "grown")
        temporary.unlink(missing_ok=True)
        try:
            larger = _build(temporary, self.description, self._disk, wanted)
            try:
                for name, count in self.rows.items():
                    for start in range(0, count, _BLOCK):
                        stop = min(start + _BLOCK, count)
                        larger.write(name, start, self.read(name, start, stop))
                for name in self._places.status:
                    larger._set_status(name, self._status(name))
                self._disk.sync(larger._fd)
                self.close()  # before the rename: Windows does not rename over an open file
                larger._name(self.path, lambda: self._disk.replace(temporary, self.path))
            except BaseException:
                larger.close()
                raise
        finally:
            temporary.unlink(missing_ok=True)
        self._fd, self._places = larger._fd, larger._places

    def _name(self, path: Path, rename: Callable[[], None]) -> None:
        """Let the file have its name, and the name be safe. The lock is held throughout where the system allows it."""
        if os.name == "nt":  # it does not rename an open file
            self.close()
            rename()
            self._fd = open_binary(path, os.O_RDWR)
        else:
            rename()
        self.path = path
        self._disk.sync_folder(path.parent)

    def _status(self, name: str) -> int:
        return int.from_bytes(self._disk.read_at(self._fd, 8, self._places.status[name]), "little", signed=True)

    def _set_status(self, name: str, value: int) -> None:
        self._disk.write_at(self._fd, value.to_bytes(8, "little", signed=True), self._places.status[name])


def _build(path: Path, description: Description, disk: Disk, capacity: Mapping[str, int]) -> LiveFile:
    with hdf5.new_file(path) as h5:
        hdf5.write_static(h5, description, RUNNING)
        for spec in description.streams:
            hdf5.preallocate(h5, spec.name, spec.columns, capacity[spec.name])
            hdf5.scalar(h5, f"{spec.name}_rows", 0, f"rows of {spec.name} that are valid")
            hdf5.scalar(h5, f"{spec.name}_rows_safe", 0, f"rows of {spec.name} that a power cut can't have torn")
        hdf5.scalar(h5, "journal_bytes_safe", 0, "the journal up to here holds no row beyond those that are safe")
    return LiveFile.open(path, description, disk)


def _survey(path: Path, description: Description) -> _Map:
    """Where everything lies, having checked that everything is there and is this record's."""
    try:
        with h5py.File(path, "r") as h5:
            found = {name: _plain(h5.attrs.get(name)) for name in ("kind", "version", "state", "record_id")}
            expected = {"kind": ROOT_KIND, "version": VERSION, "state": RUNNING, "record_id": description.record_id}
            if found != expected:
                raise FormatError(f"{path} is {found}; expected {expected}")
            texts = {name: stored[()].decode() for name, stored in h5["texts"].items()}
            files = {stored.attrs["path"]: stored[()].tobytes() for stored in h5["files"].values()}
            if texts != dict(description.texts) or files != dict(description.files):
                raise FormatError(f"{path}: its texts or files are not those that the record began with")
            columns = {spec.name: _columns(h5[spec.name], spec) for spec in description.streams}
            capacity = {spec.name: len(h5[spec.name][spec.columns[0].name]) for spec in description.streams}
            names = [f"{spec.name}_rows{kind}" for spec in description.streams for kind in ("", "_safe")]
            status = {name: _place(h5["status"][name]) for name in [*names, "journal_bytes_safe"]}
            return _Map(columns, status, capacity)
    except FormatError:
        raise
    except (OSError, KeyError, ValueError, RuntimeError, AttributeError, TypeError) as error:
        # What h5py raises on a damaged file depends on where the damage is.
        raise FormatError(f"{path} can't be read as this record's HDF5 file: {error}") from error


def _columns(group: h5py.Group, spec: StreamSpec) -> dict[str, int]:
    shapes = {group[column.name].shape for column in spec.columns}
    types = {column.name: group[column.name].dtype for column in spec.columns}
    if len(shapes) != 1 or any(types[name] != spec.row_dtype[name] for name in types):
        raise ValueError(f"columns of {spec.name} are not those that the record began with")
    return {column.name: _place(group[column.name]) for column in spec.columns}


def _place(stored: h5py.Dataset) -> int:
    place = hdf5.place_of(stored)
    if place is None:
        raise ValueError(f"{stored.name} has no place of its own in the file")
    return place


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value
