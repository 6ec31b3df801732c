"""
The one place in the record that differs between operating systems: file locks, positioned I/O, syncing.

POSIX: flock, as HDF5 itself uses it. The writer holds a *shared* lock on the record, so that every reader gets in and
another HDF5 writer is refused, and an *exclusive* lock on the journal, so that a second benchkit writer is refused.

Without flock (Windows; file systems that refuse it, such as some network shares) the fallback is:
- Windows: one byte far behind the journal's end is locked exclusively: a second benchkit writer is refused. Nothing
  keeps another program from opening the HDF5 file for writing; recover() finds what it changed and mends it from the
  journal.
- a file system that refuses locks: none are held.
Tested on Linux only; macOS's F_FULLFSYNC and the Windows branch are written from documentation.
"""

from __future__ import annotations

import errno
import os
import sys

__all__ = ["full_sync", "hold_exclusive", "hold_shared", "pread", "pwrite"]

_BUSY = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)

if sys.platform != "win32":
    import fcntl

    def hold_exclusive(fd: int) -> bool:
        """Hold the file alone while `fd` is open. False: somebody else holds it."""
        return _flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def hold_shared(fd: int) -> bool:
        """Hold the file together with other readers while `fd` is open. False: somebody is writing it."""
        return _flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)

    def _flock(fd: int, operation: int) -> bool:
        try:
            fcntl.flock(fd, operation)
        except OSError as error:
            return error.errno not in _BUSY
        return True

    def full_sync(fd: int) -> None:
        if sys.platform == "darwin":  # fsync there leaves the data in the drive's own cache (fsync(2), macOS)
            fcntl.fcntl(fd, fcntl.F_FULLFSYNC)
        else:
            os.fdatasync(fd)

    def pwrite(fd: int, data: memoryview, offset: int) -> int:
        return os.pwrite(fd, data, offset)

    def pread(fd: int, size: int, offset: int) -> bytes:
        return os.pread(fd, size, offset)

else:
    import msvcrt
    import threading

    _position = threading.Lock()
    _FAR_BEHIND = 1 << 40

    def hold_exclusive(fd: int) -> bool:
        with _position:
            os.lseek(fd, _FAR_BEHIND, os.SEEK_SET)
            try:
                msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
            except OSError as error:
                return error.errno not in _BUSY
            return True

    def hold_shared(fd: int) -> bool:
        return fd >= 0  # nothing to hold: see above

    def full_sync(fd: int) -> None:
        os.fsync(fd)

    def pwrite(fd: int, data: memoryview, offset: int) -> int:
        with _position:
            os.lseek(fd, offset, os.SEEK_SET)
            return os.write(fd, data)

    def pread(fd: int, size: int, offset: int) -> bytes:
        with _position:
            os.lseek(fd, offset, os.SEEK_SET)
            return os.read(fd, size)
