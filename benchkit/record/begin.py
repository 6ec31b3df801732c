"""The two files of a new record: all or nothing, and never over something that is there."""

from __future__ import annotations

from pathlib import Path

from benchkit.errors import RecordError, RecordExistsError
from benchkit.record.disk import Disk, record_error
from benchkit.record.journal import Journal, journal_path
from benchkit.record.layout import Description
from benchkit.record.live import LiveFile

__all__ = ["begin"]


def begin(path: Path, description: Description, disk: Disk) -> tuple[Journal, LiveFile]:
    """
    The journal first, which takes the name, then the HDF5 file with room for what is planned.

    Raises:
        RecordExistsError: `path` or its journal exists.
        RecordError: No room for what is planned, or the disk fails; nothing is left behind.
    """
    if path.exists():
        raise RecordExistsError(f"{path} exists; benchkit never overwrites a record: choose another name, or move it away")
    try:
        _check_room(path, description, disk)
        journal = Journal.create(journal_path(path), description, disk)
        try:
            return journal, LiveFile.create(path, description, disk)
        except BaseException:
            journal.close()
            journal.path.unlink()
            raise
    except OSError as error:
        raise record_error(path, "creating the record", error, disk) from error


def _check_room(path: Path, description: Description, disk: Disk) -> None:
    """Better told before the run than in the night: journal, HDF5 file and its sealed copy at the planned size."""
    planned = sum(spec.capacity * spec.row_dtype.itemsize for spec in description.streams)
    fixed = sum(map(len, description.files.values())) + sum(map(len, description.texts.values()))
    needed = 3 * (planned + fixed) + sum(spec.capacity * 32 for spec in description.streams)  # 32: heads of frames, scales
    free = disk.free_bytes(path.parent)
    if free is not None and free < needed:
        raise RecordError(
            f"{path}: the plan needs about {needed / 1e6:.0f} MB while it runs, and {free / 1e6:.0f} MB are free in {path.parent}"
        )
