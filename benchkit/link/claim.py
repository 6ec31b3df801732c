"""
One instrument to one user, across processes: an advisory lock for each address.

Two runs that share an instrument read each other's answers and undo each other's settings, and neither notices. The
lock is a file in the user's state folder (the runtime folder is another one when a run is started by a scheduler
instead of a login); the operating system lets go of it when its process ends, however it ends. Only benchkit knows of
it, and only for one user of one computer.
"""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path

from benchkit.errors import BrokenLinkError

__all__ = ["Claim"]


class Claim:
    """
    The right to use one address, held from construction to `release`.

    Args:
        name: The instrument's name in the bench file, for messages.
        address: Its VISA resource name in canonical form.
        folder: Where the lock files lie; default: the user's state folder.

    Raises:
        BrokenLinkError: Another link holds it, in this or another process; says which. Or the folder can't be used.
    """

    def __init__(self, name: str, address: str, folder: Path | None = None) -> None:
        # Here and not above: commands that open nothing must start fast.
        import filelock
        import platformdirs

        key = hashlib.sha256(address.upper().encode()).hexdigest()[:24]
        try:
            base = folder or platformdirs.user_state_path("benchkit", appauthor=False) / "links"
            base.mkdir(parents=True, exist_ok=True)
            # Locked files cannot be read by others on Windows, so who holds it stands in a file beside it.
            self._holder = base / f"{key}.holder"
            self._lock = filelock.FileLock(base / f"{key}.lock", timeout=0, thread_local=False)
            self._lock.acquire()
        except filelock.Timeout:
            raise BrokenLinkError(name, f"{address} is in use by {self._who()}; only one run at a time may") from None
        except OSError as error:
            raise BrokenLinkError(name, f"{address} cannot be claimed for this run: {error}") from error
        try:
            self._holder.write_text(f"{os.getpid()} {Path(sys.argv[0]).name}", encoding="utf-8")
        except OSError as error:
            self._lock.release()
            raise BrokenLinkError(name, f"{address} cannot be claimed for this run: {error}") from error

    def release(self) -> None:
        """Let go. Twice is fine."""
        self._lock.release()

    def _who(self) -> str:
        try:
            pid, _, program = self._holder.read_text(encoding="utf-8").partition(" ")
        except OSError:
            return "another process"
        if pid == str(os.getpid()):
            return f"this process itself (pid {pid})"
        return f"process {pid} ({program})"
