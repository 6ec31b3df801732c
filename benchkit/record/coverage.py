"""Which rows a journal has, and those rows in blocks; memory stays at one block per stream however long the run was."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from benchkit.record.disk import Disk
from benchkit.record.journal import ROW, Damage, Journal, read_frames
from benchkit.record.layout import Description

__all__ = ["Coverage", "journal_blocks"]

_BLOCK = 4096  # rows


class Coverage:
    """
    Filled while the journal is read.

    Attributes:
        stop: By stream: one more than the highest row.
        missing: By stream: rows below `stop` that the journal lacks.
        end: Where the last complete frame ends. [byte]
        damaged: Whether any stretch of the journal is no frame, a torn end included.
        damaged_bytes: What is no frame, a torn end not included.
    """

    def __init__(self, description: Description) -> None:
        self.streams = description.streams
        self.stop = {spec.name: 0 for spec in description.streams}
        self.missing: dict[str, set[int]] = {spec.name: set() for spec in description.streams}
        self.end = 0
        self.damaged = False
        self.damaged_bytes = 0

    def note(self, name: str, row: int) -> None:
        stop = self.stop[name]
        if row == stop:
            self.stop[name] = row + 1
        elif row > stop:
            self.missing[name].update(range(stop, row))
            self.stop[name] = row + 1
        else:
            self.missing[name].discard(row)


def journal_blocks(
    journal: Journal, disk: Disk, coverage: Coverage
) -> Iterator[tuple[str, int, np.ndarray[Any, np.dtype[np.void]]]]:
    """Stream, number of the first row, and consecutive packed rows; of a row written twice both, the last one later."""
    sizes = [spec.row_dtype.itemsize for spec in coverage.streams]
    waiting: dict[int, tuple[int, bytearray]] = {}

    def block(stream: int) -> tuple[str, int, np.ndarray[Any, np.dtype[np.void]]]:
        start, data = waiting.pop(stream)
        spec = coverage.streams[stream]
        return spec.name, start, np.frombuffer(data, spec.row_dtype)

    for item in read_frames(journal.fd, disk, 0, journal.end):
        if isinstance(item, Damage):
            coverage.damaged = True
            coverage.damaged_bytes += item.end - item.start if item.end < journal.end else 0
            continue
        coverage.end = item.end
        if item.kind != ROW:
            continue
        size = sizes[item.stream] if item.stream < len(sizes) else -1
        if len(item.payload) != size or item.row < 0:
            coverage.damaged = True
            continue
        coverage.note(coverage.streams[item.stream].name, item.row)
        start, data = waiting.get(item.stream, (item.row, bytearray()))
        if data and (item.row != start + len(data) // size or len(data) >= _BLOCK * size):
            yield block(item.stream)
            start, data = item.row, bytearray()
        data += item.payload
        waiting[item.stream] = (start, data)
    for stream in list(waiting):
        yield block(stream)
