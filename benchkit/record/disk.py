"""
Every byte of a running record passes here: write in place, sync, put a finished file in its place.

One class, so that a test can stand in a disk that is full, one that cannot sync, or one that loses power, without
patching the operating system. Windows has no `pwrite` and no `fdatasync`; both are done without there (not tested on
Windows).
"""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path

from benchkit.errors import RecordError, RecordExistsError
from benchkit.record import locks

__all__ = ["Disk", "open_binary", "record_error"]


def open_binary(path: Path, flags: int) -> int:
    """A descriptor without newline translation, not inherited by child processes."""
    return os.open(path, flags | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0), 0o666)


class Disk:
    """The file system. Methods raise OSError; whoever knows the record's name makes a RecordError of it."""

    def write_at(self, fd: int, data: bytes | bytearray | memoryview, offset: int) -> None:
        """All of `data` at `offset`; where the first write falls short, the rest is tried, which tells the reason."""
        rest = memoryview(data)
        while rest:
            written = locks.pwrite(fd, rest, offset)
            rest, offset = rest[written:], offset + written

    def read_at(self, fd: int, size: int, offset: int) -> bytes:
        """At most `size` bytes; fewer at the end of the file."""
        parts = []
        while size > 0 and (part := locks.pread(fd, size, offset)):
            parts.append(part)
            size, offset = size - len(part), offset + len(part)
        return b"".join(parts)

    def truncate(self, fd: int, size: int) -> None:
        os.ftruncate(fd, size)

    def sync(self, fd: int) -> None:
        """Until the disk says that it has the data and what is needed to find them."""
        locks.full_sync(fd)

    def sync_folder(self, folder: Path) -> None:
        """
        A new or renamed file's name is safe only when its folder is. Windows cannot do that, and does not need to.
        """
        if os.name == "nt":
            return
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)

    def publish(self, temporary: Path, path: Path) -> None:
        """
        Give a finished file its name, unless the name is taken. The temporary name may remain.

        Raises:
            RecordExistsError: `path` exists.
        """
        try:
            if os.name == "nt":
                temporary.rename(path)  # refuses an existing name there; on POSIX it would overwrite
            else:
                os.link(temporary, path)  # its second name; the caller drops the temporary one
        except FileExistsError as error:
            raise RecordExistsError(f"{path} exists; benchkit never overwrites") from error
        except OSError:
            # A file system without hard links (exFAT, some network shares): look, then rename.
            if path.exists():
                raise RecordExistsError(f"{path} exists; benchkit never overwrites") from None
            self.replace(temporary, path)

    def replace(self, temporary: Path, path: Path) -> None:
        """Put a finished file in the place of our own older one, in one step."""
        temporary.replace(path)

    def free_bytes(self, folder: Path) -> int | None:
        with contextlib.suppress(OSError):
            return shutil.disk_usage(folder).free
        return None


def record_error(path: Path, doing: str, error: OSError, disk: Disk) -> RecordError:
    """What failed, why, how much room is left, and where everything acknowledged so far is."""
    free = disk.free_bytes(path.parent)
    room = "free space not known" if free is None else f"{free / 1e6:.1f} MB free in {path.parent}"
    why = error.strerror or str(error)
    return RecordError(f"{path}: {doing}: {why} ({room}); what was acknowledged before is kept")
