"""
The journal: an append-only file of checksummed frames beside a running record. It is the only truth while the run
lasts.

A frame is a head of 24 bytes and a payload, little-endian:

    4 bytes  magic FF FE 42 4B (never part of UTF-8 text)
    1        type: 1 description (JSON), 2 row, 3 synced (8 bytes: everything before this byte of the journal is on the disk)
    1        number of the stream, in the order of the description
    2        zero
    4        length of the payload
    8        number of the row, from 0
    4        CRC-32 (ISO 3309, as zlib) over the 20 bytes before and the payload

The description stands there twice, so that no single damaged spot can take it. A row may be written again; the last one
holds. A row counts as acknowledged when its one write has returned: the operating system has it, a killed process can't
take it back.
A frame that fails its check was damaged, cut off, or lost with the page it was on. Where a `synced` frame vouches for
that stretch, the disk has lost what it had: reading goes on at the next frame that passes. Where none does, it is what
a power cut leaves of rows not yet synced, of which it may have kept the later and lost the earlier ones: the journal
ends there.
"""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchkit.errors import FormatError, RecordError, RecordExistsError
from benchkit.record import locks
from benchkit.record.disk import Disk, open_binary
from benchkit.record.layout import Description

__all__ = ["Damage", "Frame", "Journal", "journal_path", "read_description", "read_frames"]

MAGIC = b"\xff\xfeBK"
DESCRIPTION, ROW, SYNCED = _KINDS = (1, 2, 3)
_HEAD = struct.Struct("<4sBBHIq")
_CRC = struct.Struct("<I")
_OFFSET = struct.Struct("<q")
_SIZE = _HEAD.size + _CRC.size
_LONGEST = 1 << 30
_WINDOW = 1 << 20
_ENDS = 4096  # bytes at either end that are looked at again
_BLOCK = 4096  # rows in one write


class Frame(NamedTuple):  # a tuple, because a long night has millions and a frozen dataclass takes four times as long to make
    """One frame that passed its check; it ends at byte `end` of the journal."""

    kind: int
    stream: int
    row: int
    payload: bytes
    end: int


class Damage(NamedTuple):
    """Bytes `start` to `end` of the journal are no frame."""

    start: int
    end: int


def journal_path(record: Path) -> Path:
    """Where the journal of `record` lies."""
    return record.with_name(record.name + ".journal")


def encode(kind: int, stream: int, row: int, payload: bytes) -> bytes:
    head = _HEAD.pack(MAGIC, kind, stream, 0, len(payload), row)
    return head + _CRC.pack(zlib.crc32(payload, zlib.crc32(head))) + payload


class Journal:
    """An open journal, held alone. Every write goes to where the last complete frame ended."""

    def __init__(self, path: Path, fd: int, end: int, disk: Disk) -> None:
        self.path, self.fd, self.end = path, fd, end
        self._disk = disk
        # What stood at its beginning and at its end when trouble() last looked: place and bytes.
        self._seen: list[tuple[int, bytes]] = []

    @classmethod
    def create(cls, path: Path, description: Description, disk: Disk) -> Journal:
        """
        Raises:
            RecordExistsError: A journal lies there already.
        """
        try:
            fd = open_binary(path, os.O_RDWR | os.O_CREAT | os.O_EXCL)
        except FileExistsError:
            raise RecordExistsError(
                f"{path} exists: it may hold the only copy of an unfinished record; resume or recover that one, "
                "or move both its files away"
            ) from None
        journal = cls(path, fd, 0, disk)
        try:
            journal._hold()
            frame = encode(DESCRIPTION, 0, 0, description.to_json())
            disk.write_at(fd, frame + frame, 0)
            journal.end = 2 * len(frame)
            journal._seen = [(0, (frame + frame)[:_ENDS])]
            journal.sync()
            disk.sync_folder(path.parent)
            journal.vouch(journal.end)
        except BaseException:
            journal.close()
            path.unlink()
            raise
        return journal

    @classmethod
    def open(cls, path: Path, disk: Disk) -> Journal:
        """An existing journal, to go on with. `end` is the size of the file until recovery knows better."""
        fd = open_binary(path, os.O_RDWR)
        journal = cls(path, fd, os.fstat(fd).st_size, disk)
        try:
            journal._hold()
        except BaseException:
            journal.close()
            raise
        return journal

    def _hold(self) -> None:
        if not locks.hold_exclusive(self.fd):
            raise RecordError(f"{self.path} is in use: another process is writing this record")

    def append(self, stream: int, row: int, payload: bytes) -> None:
        """One row; when this returns, it is acknowledged. When it fails, the journal is as before."""
        self._write(encode(ROW, stream, row, payload))

    def append_all(self, stream: int, first: int, payloads: Iterable[bytes]) -> None:
        """Consecutive rows from `first` on, in one write."""
        self._write(b"".join(encode(ROW, stream, row, payload) for row, payload in enumerate(payloads, first)))

    def append_every(self, stream: int, count: int, read: Callable[[int, int], NDArray[np.void]]) -> None:
        """
        All rows that a stream has so far, as a journal that is written anew takes them.

        Args:
            count: How many there are.
            read: Gives packed rows from the first number up to the second.
        """
        for start in range(0, count, _BLOCK):
            block = read(start, min(start + _BLOCK, count))
            self.append_all(stream, start, (block[row : row + 1].tobytes() for row in range(len(block))))

    def close_book(self) -> None:
        """Sync all that was written, and say in the journal itself that it is on the disk."""
        self.sync()
        self.vouch(self.end)
        self.sync()

    def trouble(self) -> str:
        """What has become of the file under its name; "" when it is there, and no shorter than what was written."""
        # Its end before its size: another thread may be appending.
        end, own = self.end, os.fstat(self.fd)
        try:
            there = self.path.stat()
        except FileNotFoundError:
            return "was removed"
        if (there.st_dev, there.st_ino) != (own.st_dev, own.st_ino):
            return "was replaced by another file"
        if own.st_size < end:
            return "was cut"
        # A file that was cut and written on behind the hole has zeros where its beginning or its last end was.
        if any(self._disk.read_at(self.fd, len(was), at) != was for at, was in self._seen):
            return "was cut or overwritten"
        self._seen = [(at, self._disk.read_at(self.fd, min(_ENDS, end - at), at)) for at in (0, max(0, end - _ENDS))]
        return ""

    def take_over(self, other: Journal) -> None:
        """Go on in a journal that was written in place of this one; `other` is not to be used or closed any more."""
        old, self.fd, self.end, self._seen = self.fd, other.fd, other.end, []
        other.fd = -1
        os.close(old)

    def vouch(self, synced: int) -> None:
        """State that everything before byte `synced` is on the disk: only after a sync that began later than that."""
        self._write(encode(SYNCED, 0, 0, _OFFSET.pack(synced)))

    def _write(self, frame: bytes) -> None:
        try:
            self._disk.write_at(self.fd, frame, self.end)
        except OSError:
            self.cut()
            raise
        self.end += len(frame)

    def cut(self) -> None:
        """Drop what lies behind the last complete frame."""
        self._disk.truncate(self.fd, self.end)

    def sync(self) -> None:
        """What was appended before this call is on the disk after it. Appending may go on meanwhile."""
        self._disk.sync(self.fd)

    def close(self) -> None:
        if self.fd >= 0:
            fd, self.fd = self.fd, -1
            os.close(fd)


def read_frames(fd: int, disk: Disk, start: int = 0, end: int | None = None) -> Iterator[Frame | Damage]:
    """
    Every frame that counts from byte `start` on, and every damaged stretch between them, in order.

    Where the journal ends before the file does, the last item is a Damage that reaches to the end of the file.
    """
    end = os.fstat(fd).st_size if end is None else end
    vouched = 0
    doubtful: list[Frame | Damage] = []  # from the first damage on that nothing vouches for
    for item in scan(fd, disk, start, end):
        if isinstance(item, Frame) and item.kind == SYNCED:
            vouched = max(vouched, min(_OFFSET.unpack(item.payload)[0], item.end))
        if doubtful or (isinstance(item, Damage) and item.start >= vouched):
            doubtful.append(item)
        else:
            yield item
        while doubtful and doubtful[0].end <= vouched:
            yield doubtful.pop(0)
            while doubtful and isinstance(doubtful[0], Frame):
                yield doubtful.pop(0)
    if doubtful:
        first = doubtful[0]
        yield Damage(first.start if isinstance(first, Damage) else first.end, end)


def scan(fd: int, disk: Disk, start: int, end: int) -> Iterator[Frame | Damage]:
    """Every frame that passes its check and every stretch between them, in order; memory stays at a few MB."""
    base, buffer, at = start, b"", 0
    lost: int | None = None  # where the damaged stretch that we are in began

    while base + at < end:
        frame, size = _decode(buffer, at, base)
        if frame is None and base + len(buffer) < end and len(buffer) - at < size:  # its end is not in the window yet
            wanted = max(size, min(_WINDOW, end - base - at))
            base, buffer, at = base + at, disk.read_at(fd, min(wanted, end - base - at), base + at), 0
            frame, size = _decode(buffer, at, base)
        if frame is not None:
            if lost is not None:
                yield Damage(lost, base + at)
                lost = None
            yield frame
            at += size
            continue
        lost = base + at if lost is None else lost
        found = buffer.find(MAGIC, at + 1)
        # A magic may lie across the window's edge: keep its possible beginning.
        at = found if found >= 0 else max(at + 1, len(buffer) - len(MAGIC) + 1)
        if found < 0 and base + len(buffer) >= end:
            break
    if lost is not None:
        yield Damage(lost, end)


def _decode(buffer: bytes, at: int, base: int) -> tuple[Frame | None, int]:
    """The frame at `at`, if it is whole and passes its check; and how many bytes are needed to tell."""
    if len(buffer) - at < _SIZE:
        return None, _SIZE
    magic, kind, stream, zero, length, row = _HEAD.unpack_from(buffer, at)
    if magic != MAGIC or kind not in _KINDS or zero or length > _LONGEST:
        return None, 0
    size = _SIZE + length
    if len(buffer) - at < size:
        return None, size
    payload = buffer[at + _SIZE : at + size]
    if zlib.crc32(payload, zlib.crc32(buffer[at : at + _HEAD.size])) != _CRC.unpack_from(buffer, at + _HEAD.size)[0]:
        return None, 0
    return Frame(kind, stream, row, payload, base + at + size), size


def read_description(path: Path, fd: int, disk: Disk) -> Description:
    """
    Raises:
        FormatError: Neither copy of the description passes its check, or it is of another kind or version.
    """
    for item in read_frames(fd, disk):
        if isinstance(item, Frame) and item.kind == DESCRIPTION:
            return Description.from_json(item.payload, str(path))
        if isinstance(item, Frame):
            break
    raise FormatError(
        f"{path}: holds no description of a record; the process ended while it was creating it, before anything was "
        "recorded, or both copies are damaged"
    )
