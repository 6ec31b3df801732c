"""
Opening a sealed record again, to go on in it: the way back from seal.py.

The journal comes first, whole and synced before it takes its name; then an empty running file takes the sealed one's place, and
recovery fills it from the journal. Killed at any instant, there is the sealed file alone, the sealed file with a journal of the
same rows (recovery drops the journal), or a journal from which recovery rebuilds everything.
"""

from __future__ import annotations

import uuid
from functools import partial
from pathlib import Path

import h5py
import numpy as np
from numpy.typing import NDArray

from benchkit.errors import FormatError
from benchkit.record.disk import Disk, record_error
from benchkit.record.journal import Journal, journal_path
from benchkit.record.layout import ROW, Description, StreamSpec
from benchkit.record.live import LiveFile, temporary_path
from benchkit.record.reader import Record

__all__ = ["unseal"]


def unseal(path: Path, disk: Disk) -> None:
    """
    Make a running record of a sealed one, with every row. Its results, verdicts and outcome are no more.

    Raises:
        FormatError: It is not sealed, not one that this benchkit reads, or was changed since it was sealed.
        RecordExistsError: Another process has just done the same.
        RecordError: No room, or the disk fails; the record is sealed as before.
    """
    with Record.open(path) as record:
        changes = record.changes()
        if changes:
            raise FormatError(f"{path} was changed after it was sealed ({', '.join(changes[:5])}); nothing can be added to it")
        rows = {name: record.rows(name) for name in record.streams}
        description = Description(
            record_id=record.record_id,
            created_s=record.created_s,
            written_by=record.written_by,
            streams=tuple(StreamSpec(name, columns, rows[name]) for name, columns in record.streams.items()),
            texts=record.texts,
            files=record.files,
            attributes=record.attributes,
            instruments=record.instruments,
        )
        seal = record.digest
    beside = journal_path(path)
    temporary = temporary_path(path, description.record_id, f"journal-{uuid.uuid4().hex}")
    try:
        try:
            _write_journal(path, temporary, description, disk)
            disk.publish(temporary, beside)
        finally:
            temporary.unlink(missing_ok=True)
        with Record.open(path) as record:
            if record.digest != seal:
                beside.unlink()
                raise FormatError(f"{path} was changed by another process meanwhile; try again")
        disk.sync_folder(path.parent)
        LiveFile.create(path, description, disk, over_sealed=True).close()
    except OSError as error:
        raise record_error(path, "opening the sealed record again", error, disk) from error


def _write_journal(path: Path, journal_file: Path, description: Description, disk: Disk) -> None:
    journal = Journal.create(journal_file, description, disk)
    try:
        with h5py.File(path, "r") as h5:
            for number, spec in enumerate(description.streams):
                journal.append_every(number, len(h5[spec.name][ROW]), partial(_packed, h5[spec.name], spec))
        journal.close_book()
    finally:
        journal.close()


def _packed(group: h5py.Group, spec: StreamSpec, start: int, stop: int) -> NDArray[np.void]:
    """Rows from `start` up to `stop`, in the order of the columns."""
    block = np.empty(stop - start, spec.row_dtype)
    for column in spec.columns:
        block[column.name] = group[column.name][start:stop]
    return block
