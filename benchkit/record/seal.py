"""
Sealing: the finished record as a trimmed copy with its results, under the same name; then the journal goes.

The copy is whole and on the disk before it takes the name, and has the name before the journal is removed: killed at
any instant, there is either the running pair, which recover() mends, or the sealed file.
"""

from __future__ import annotations

import os
from collections.abc import Sequence

from benchkit.record import hdf5
from benchkit.record.digest import digest
from benchkit.record.disk import Disk, open_binary
from benchkit.record.findings import budgets_table, results_table, verdicts_table
from benchkit.record.journal import Journal
from benchkit.record.layout import SEALED
from benchkit.record.live import LiveFile, temporary_path
from benchkit.results.result import Result
from benchkit.results.verdict import Verdict

__all__ = ["seal"]


def seal(
    live: LiveFile,
    journal: Journal,
    disk: Disk,
    *,
    outcome: str,
    message: str,
    ended_s: float,
    results: Sequence[Result],
    verdicts: Sequence[Verdict],
    compress: bool,
) -> None:
    """
    Write the sealed copy, put it in the place of the running file, remove the journal. Closes both.

    Raises:
        OSError: No room or no disk; the running file and the journal are as before.
    """
    description = live.description
    temporary = temporary_path(live.path, description.record_id, "sealed")
    temporary.unlink(missing_ok=True)
    try:
        with hdf5.new_file(temporary) as h5:
            hdf5.write_static(h5, description, SEALED)
            for spec in description.streams:
                rows = live.rows[spec.name]
                arrays = (live.read_column(spec.name, column.name, 0, rows) for column in spec.columns)
                hdf5.store_table(h5, spec.name, spec.columns, arrays, kind="stream", compress=compress)
                hdf5.scalar(h5, f"{spec.name}_rows", rows, f"rows of {spec.name} that are valid")
            hdf5.store_table(h5, "results", *results_table(results))
            hdf5.store_table(h5, "budgets", *budgets_table(results))
            hdf5.store_table(h5, "verdicts", *verdicts_table(verdicts, results))
            hdf5.write_end(h5, outcome, message, ended_s)
            h5.attrs["digest"] = digest(h5)
        fd = open_binary(temporary, os.O_RDWR)
        try:
            disk.sync(fd)
        finally:
            os.close(fd)
        live.close()  # before the rename: Windows does not rename over an open file
        disk.replace(temporary, live.path)
        disk.sync_folder(live.path.parent)
    finally:
        temporary.unlink(missing_ok=True)
    journal.close()
    journal.path.unlink()
    disk.sync_folder(live.path.parent)
