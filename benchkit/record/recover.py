"""
After a kill or a power cut: bring journal and file together, row by row.

The journal is read from its beginning; every row in it is compared with the same row of the file, and the file is
mended where they differ. What only the file has, because the journal is damaged there, goes back into the journal. A
torn end of the journal is cut
off: it was never acknowledged. A file that can't be read is set aside under another name and built anew from the
    journal. Doing it twice changes nothing the second time.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from benchkit.errors import FormatError
from benchkit.record.coverage import Coverage, journal_blocks
from benchkit.record.disk import Disk, record_error
from benchkit.record.hdf5 import NOT_AN_INTEGER
from benchkit.record.journal import Journal, journal_path, read_description
from benchkit.record.layout import ROW as ROW_SCALE
from benchkit.record.layout import RUNNING, SEALED, Description
from benchkit.record.live import LiveFile, temporary_path

__all__ = ["Recovery", "recover", "reopen"]


@dataclass(frozen=True)
class Recovery:
    """
    What recovery found and did.

    Attributes:
        rows: Rows of each stream now.
        mended: Rows of each stream where the file was not as the journal says, those not yet copied included.
        restored: Rows of each stream that the journal had lost and the file still had.
        lost: Numbers of rows that neither has; they stand in the record as NaN. Only damage on the disk does this.
        damaged_bytes: Bytes of the journal that were synced and are no longer what they were.
        cut_bytes: Torn end of the journal: never acknowledged, or acknowledged but not synced before a power cut.
        set_aside: Where the unreadable HDF5 file is now; None when the file was readable or not there.
        rebuilt: Whether the HDF5 file was built anew.
        sealed: The record was sealed already; only its journal was left to remove.
    """

    path: Path
    rows: Mapping[str, int]
    mended: Mapping[str, int] = field(default_factory=dict)
    restored: Mapping[str, int] = field(default_factory=dict)
    lost: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    damaged_bytes: int = 0
    cut_bytes: int = 0
    set_aside: Path | None = None
    rebuilt: bool = False
    sealed: bool = False

    def summary(self) -> str:
        """One line for the log."""
        if self.sealed:
            return "the record was sealed already; its left-over journal was compared with it and removed"
        parts = [", ".join(f"{count} {name}" for name, count in self.rows.items())]
        if self.rebuilt:
            parts.append("HDF5 file rebuilt from the journal")
        if self.set_aside:
            parts.append(f"the unreadable one is now {self.set_aside.name}")
        parts += [f"{count} rows of {name} copied into the file" for name, count in self.mended.items() if count]
        parts += [f"{count} rows of {name} put back into the journal" for name, count in self.restored.items() if count]
        parts += [f"LOST {len(numbers)} rows of {name}" for name, numbers in self.lost.items() if numbers]
        if self.damaged_bytes:
            parts.append(f"{self.damaged_bytes} bytes of the journal are damaged: don't trust this disk")
        if self.cut_bytes:
            parts.append(f"{self.cut_bytes} bytes at the journal's torn end cut off")
        return "; ".join(parts)


def recover(path: Path | str, *, disk: Disk | None = None) -> Recovery:
    """
    Bring a record that was not finished into order; it stays unfinished. Safe to repeat, and on a sealed record.

    Raises:
        RecordError: Another process is writing the record, or the disk fails.
        FormatError: Neither file is a record that this benchkit reads, or they are of two different records.
    """
    journal, live, found = reopen(Path(path), disk or Disk())
    if live is not None:
        live.close()
    if journal is not None:
        journal.close()
    return found


def reopen(path: Path, disk: Disk) -> tuple[Journal | None, LiveFile | None, Recovery]:
    """As recover(), but both files stay open to go on with; None when the record is sealed."""
    beside = journal_path(path)
    if not beside.exists():
        return None, None, _without_journal(path, beside)
    try:
        journal = Journal.open(beside, disk)
        try:
            description = read_description(beside, journal.fd, disk)
            found = _identity(path)
            if found is not None and found[0] != description.record_id:
                raise FormatError(f"{path} and {beside.name} belong to two different records; nothing was changed")
            if found is not None and found[1] == SEALED:
                return None, None, _finish_sealing(path, journal, description, disk)
            live, set_aside, rebuilt = _open_or_rebuild(path, description, disk)
            try:
                return journal, live, _mend(journal, live, disk, set_aside, rebuilt)
            except BaseException:
                live.close()
                raise
        except BaseException:
            journal.close()
            raise
    except OSError as error:
        raise record_error(path, "recovering", error, disk) from error


def _without_journal(path: Path, beside: Path) -> Recovery:
    found = _identity(path)
    if found is None:
        raise FormatError(f"{path}: not there, or not a record; and there is no journal {beside.name}")
    if found[1] != SEALED:
        raise FormatError(f"{path} is not sealed and its journal {beside.name} is not there: it can be read, not gone on with")
    with h5py.File(path, "r") as h5:
        rows = {name.removesuffix("_rows"): int(count[()]) for name, count in h5["status"].items()}
    return Recovery(path, rows, sealed=True)


def _identity(path: Path) -> tuple[str, str] | None:
    """Record's id and state, as the HDF5 file itself says; None when there is none, it can't be read, or is no record."""
    try:
        with h5py.File(path, "r") as h5:
            record_id, state = str(h5.attrs.get("record_id", "")), str(h5.attrs.get("state", ""))
    except (OSError, RuntimeError, KeyError, ValueError):
        return None
    # An id that is none was damaged: the file is then set aside like any that can't be read.
    return (record_id, state) if re.fullmatch("[0-9a-f]{32}", record_id) and state in (RUNNING, SEALED) else None


def _open_or_rebuild(path: Path, description: Description, disk: Disk) -> tuple[LiveFile, Path | None, bool]:
    aside = None
    if path.exists():
        try:
            return LiveFile.open(path, description, disk), None, False
        except FormatError:
            # Rows that the journal lost may still be in there for someone patient: set aside, never deleted.
            names = (path.with_name(f"{path.name}.damaged{number or ''}") for number in range(1000))
            aside = next(name for name in names if not name.exists())
            path.rename(aside)
    return LiveFile.create(path, description, disk), aside, True


def _mend(journal: Journal, live: LiveFile, disk: Disk, set_aside: Path | None, rebuilt: bool) -> Recovery:
    for what in ("new", "grown", "sealed"):  # left by a process that was killed while it built one
        temporary_path(live.path, live.description.record_id, what).unlink(missing_ok=True)
    journal.sync()  # write-ahead, here too: nothing goes into the file that the journal might not have
    counted = {} if rebuilt else dict(live.rows)
    mended = dict.fromkeys(live.rows, 0)
    coverage = Coverage(live.description)
    size = journal.end
    for name, start, block in journal_blocks(journal, disk, coverage):
        stop = start + len(block)
        there = live.read(name, start, min(stop, max(start, live.capacity(name))))
        same = np.zeros(len(block), bool)
        same[: len(there)] = _bytes(there) == _bytes(block)[: len(there)]
        if not same.all():
            live.write(name, start, block)
            mended[name] += int((~same).sum())
        live.count(name, max(stop, live.rows[name]))
    journal.end = coverage.end
    if size > coverage.end:
        journal.cut()
    restored, lost = {}, {}
    for number, spec in enumerate(live.description.streams):
        trusted = counted.get(spec.name, 0) if coverage.damaged else 0
        restored[spec.name], lost[spec.name] = _fill_gaps(journal, live, coverage, number, trusted)
    journal.sync()
    journal.vouch(journal.end)
    live.make_safe(journal.end)
    return Recovery(
        live.path,
        dict(live.rows),
        mended,
        restored,
        lost,
        damaged_bytes=coverage.damaged_bytes,
        cut_bytes=size - coverage.end,
        set_aside=set_aside,
        rebuilt=rebuilt,
    )


def _fill_gaps(journal: Journal, live: LiveFile, coverage: Coverage, number: int, trusted: int) -> tuple[int, tuple[int, ...]]:
    """Rows that the damaged journal lacks and the file (below row `trusted`) has go back into the journal."""
    name = live.description.streams[number].name
    stop = coverage.stop[name]
    missing = sorted(coverage.missing[name] | set(range(stop, trusted)))
    restored, lost = 0, []
    for row in missing:
        block = live.read(name, row, row + 1)
        if row < trusted and not _is_empty(block):
            journal.append(number, row, block.tobytes())
            restored, stop = restored + 1, max(stop, row + 1)
        else:
            lost.append(row)
    live.count(name, stop)
    return restored, tuple(row for row in lost if row < stop)


def _finish_sealing(path: Path, journal: Journal, description: Description, disk: Disk) -> Recovery:
    """The process was killed between giving the sealed file its name and removing the journal."""
    differing: set[tuple[str, int]] = set()
    coverage = Coverage(description)
    with h5py.File(path, "r") as h5:
        rows = {spec.name: len(h5[spec.name][ROW_SCALE]) for spec in description.streams}
        for name, start, block in journal_blocks(journal, disk, coverage):
            same = np.ones(len(block), bool)
            same[max(0, rows[name] - start) :] = False
            there = np.zeros(len(block), block.dtype)
            for column in block.dtype.names or ():
                part = h5[name][column][start : start + len(block)]
                there[column][: len(part)] = part
            same &= _bytes(there) == _bytes(block)
            for row, equal in enumerate(same.tolist(), start):
                (differing.discard if equal else differing.add)((name, row))  # a row may be written twice: the last holds
    if differing:
        name, row = min(differing)
        raise FormatError(
            f"{path} is sealed, but {len(differing)} rows are not as in {journal.path.name} (first: row {row} of {name}); "
            "the file was changed after it was sealed. Nothing was changed; keep both"
        )
    journal.close()
    journal.path.unlink()
    disk.sync_folder(path.parent)
    return Recovery(path, rows, sealed=True)


def _bytes(block: np.ndarray[Any, np.dtype[np.void]]) -> np.ndarray[Any, np.dtype[np.void]]:
    """Rows as opaque bytes: NaN equals the same NaN, and -0 is not 0."""
    return np.ascontiguousarray(block).view(np.dtype((np.void, block.dtype.itemsize)))


def _is_empty(block: np.ndarray[Any, np.dtype[np.void]]) -> bool:
    """Whether a row is as it was before anything was written to it."""
    for name in block.dtype.names or ():
        value = block[name][0]
        empty = not value if value.dtype.kind == "S" else value == NOT_AN_INTEGER if value.dtype.kind == "i" else np.isnan(value)
        if not empty:
            return False
    return True
