"""A small record of the scenario, and disks that misbehave."""

from __future__ import annotations

import errno
import os
import random
import shutil
import struct
import threading
from pathlib import Path
from typing import Any

from benchkit.clock import VirtualClock
from benchkit.measurements.base import Column
from benchkit.record import TIME_UNITS, Disk, RecordWriter, StreamSpec

POINTS = (
    Column("point", "1", "serial number of the point", "i8"),
    Column("channel", "", "channel of the device", "S8"),
    Column("time_s", TIME_UNITS, "when the instruments were armed"),
    Column("output_dbm", "dBm", "output power, corrected", plane="device output"),
    Column("drain_current_a", "A", "drain current", plane="drain supply"),
    Column("case_degc", "degC", "case temperature"),
)
LADDERS = (
    Column("ladder", "1", "serial number of the drive ladder", "i8"),
    Column("status", "", "complete, stopped or torn", "S16"),
    Column("stop_reason", "", "why it ended early", "S96"),
)
EVENTS = (
    Column("time_s", TIME_UNITS, "when"),
    Column("severity", "", "info, warning or error", "S8"),
    Column("kind", "", "what kind of event", "S32"),
    Column("text", "", "what happened", "S240"),
)


def streams(points: int = 1000) -> list[StreamSpec]:
    return [
        StreamSpec("points", POINTS, points),
        StreamSpec("ladders", LADDERS, 20),
        StreamSpec("events", EVENTS, 20),
    ]


def writer(path: Path, points: int = 1000, **options: Any) -> RecordWriter:
    """A new record. Without `flush_interval_s` nothing is flushed in the background while a test runs."""
    given: dict[str, Any] = {
        "streams": streams(points),
        "texts": {"sequence": "sequence: KD14 gäin\n", "bench": "bench: main\r\n"},
        "files": {"paths/input.csv": b"frequency_hz,loss_db\n1.4e10,3.1\n", "empty.bin": b""},
        "attributes": {"unit": "L07-W1-01", "seed": 7, "estimated_s": 1.5},
        "instruments": [{"name": "drain", "serial": "S1"}, {"name": "meter", "maker": "generic ©"}],
        "clock": VirtualClock(),
        "flush_interval_s": 3600.0,
        "sync_interval_s": 3600.0,
    }
    return RecordWriter.create(path, **{**given, **options})


def point(number: int) -> dict[str, float | int | str]:
    """A row that can be told from every other and checked from its number alone."""
    return {
        "point": number,
        "channel": "AB"[number % 2],
        "time_s": 1.8e9 + number / 7,
        "output_dbm": number / 3,
        "drain_current_a": -number / 11,
        "case_degc": 25.0 + number % 50,
    }


def event(number: int) -> dict[str, float | int | str]:
    return {"time_s": float(number), "severity": "info", "kind": "soak", "text": f"event {number} ✓ {'x' * (number % 150)}"}


def assert_points(table: Any, at_least: int = 0) -> int:
    """Every row is the row of its number, without gap; returns how many there are."""
    assert len(table) >= at_least, f"{len(table)} rows, {at_least} were acknowledged"
    wanted = [point(number) for number in range(len(table))]
    for name in (column.name for column in POINTS):
        assert table[name].tolist() == [row[name] for row in wanted], name
    return len(table)


def assert_events(table: Any) -> int:
    assert table["text"].tolist() == [event(number)["text"] for number in range(len(table))]
    return len(table)


def copy_pair(path: Path, folder: Path) -> Path:
    """What a kill at this moment would leave: both files as the operating system has them."""
    folder.mkdir()
    for name in (path.name, path.name + ".journal"):
        if (path.parent / name).exists():
            shutil.copyfile(path.parent / name, folder / name)
    return folder / path.name


class FullDisk(Disk):
    """
    Has room for `room` more bytes (None: enough). The write that does not fit is made in part, as real file systems do; a larger
    or sealed copy finds no room at its last step, which is the worst one.
    """

    def __init__(self) -> None:
        self.room: int | None = None

    def write_at(self, fd: int, data: bytes | bytearray | memoryview, offset: int) -> None:
        if self.room is not None:
            beyond = offset + len(data) - os.fstat(fd).st_size
            if beyond > self.room:
                super().write_at(fd, memoryview(data)[: max(0, len(data) - beyond + self.room)], offset)
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            self.room -= max(0, beyond)
        super().write_at(fd, data, offset)

    def replace(self, temporary: Path, path: Path) -> None:
        if self.room is not None:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        super().replace(temporary, path)


class FailingSync(Disk):
    """Can't sync any more once `broken`; `tried` tells that it was asked to."""

    def __init__(self) -> None:
        self.broken = False
        self.tried = threading.Event()

    def sync(self, fd: int) -> None:
        self.tried.set()
        if self.broken:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        super().sync(fd)


class PowerCut(Disk):
    """
    Knows what a power cut at any moment would leave of the files written in place.

    The model: what was synced is on the disk. Of each page written since, the disk may have any of its versions since then,
    independently of all others; of a file that grew, any length.
    """

    def __init__(self, page: int, random_: random.Random) -> None:
        self._page, self._random = page, random_
        self._lock = threading.Lock()
        self._paths: dict[int, Path] = {}
        self._durable: dict[int, bytes] = {}
        self._now: dict[int, bytearray] = {}
        self._versions: dict[int, list[tuple[int, bytes]]] = {}

    def watch(self, *paths: Path) -> None:
        """From now on; what the files hold now counts as synced."""
        for path in paths:
            inode = path.stat().st_ino
            self._paths[inode] = path
            self._durable[inode], self._now[inode] = path.read_bytes(), bytearray(path.read_bytes())
            self._versions[inode] = []

    def write_at(self, fd: int, data: bytes | bytearray | memoryview, offset: int) -> None:
        with self._lock:
            super().write_at(fd, data, offset)
            inode = os.fstat(fd).st_ino
            if inode not in self._now:
                return
            now = self._now[inode]
            now.extend(bytes(max(0, offset - len(now))))
            now[offset : offset + len(data)] = data
            for page in range(offset // self._page, (offset + len(data) - 1) // self._page + 1):
                self._versions[inode].append((page, bytes(now[page * self._page : (page + 1) * self._page])))

    def sync(self, fd: int) -> None:
        inode = os.fstat(fd).st_ino
        with self._lock:
            image, seen = bytes(self._now.get(inode, b"")), len(self._versions.get(inode, ()))
        super().sync(fd)
        with self._lock:
            if inode in self._now:
                self._durable[inode] = image
                del self._versions[inode][:seen]

    def cut(self, folder: Path) -> dict[str, bytes]:
        """Write into `folder` what a cut now would leave; returns by name what of each file was synced."""
        folder.mkdir()
        synced = {}
        with self._lock:
            for inode, path in self._paths.items():
                durable, now = self._durable[inode], self._now[inode]
                image = bytearray(durable) + bytes(self._random.randint(0, len(now) - len(durable)))
                by_page: dict[int, list[bytes | None]] = {}
                for page, version in self._versions[inode]:
                    by_page.setdefault(page, [None]).append(version)
                for page, versions in by_page.items():
                    chosen, start = self._random.choice(versions), page * self._page
                    if chosen is not None and start < len(image):
                        chosen = chosen[: len(image) - start]
                        image[start : start + len(chosen)] = chosen
                (folder / path.name).write_bytes(image)
                synced[path.name] = durable
        return synced


def rows_in(journal: bytes, count: int | None = None) -> list[int]:
    """Rows by stream in an undamaged journal, read after FORMAT.md alone. `count`: of streams, if not those of the samples."""
    at, rows = 0, [0] * (count or len(streams()))
    while at < len(journal):
        magic, kind, stream, zero, length, row = struct.unpack_from("<4sBBHIq", journal, at)
        assert (magic, zero) == (b"\xff\xfeBK", 0)
        if kind == 2:
            rows[stream] = row + 1
        at += 24 + length
    return rows
